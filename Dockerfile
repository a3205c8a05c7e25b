FROM python:3.13-slim
ENV PYTHONUNBUFFERED=1 UV_COMPILE_BYTECODE=1 UV_NO_CACHE=1 SLUICEGATE_DATA=/data
RUN pip install --no-cache-dir uv && useradd --system --create-home --uid 10001 sluicegate \
 && install -d -o sluicegate /data
WORKDIR /app
COPY pyproject.toml uv.lock README.md ./
RUN uv sync --locked
COPY manage.py ./
COPY config config
COPY incidents incidents
COPY templates templates
USER sluicegate
ENV PATH=/app/.venv/bin:$PATH
EXPOSE 8000
CMD ["uvicorn", "config.asgi:application", "--host", "0.0.0.0", "--port", "8000", "--timeout-graceful-shutdown", "2", "--forwarded-allow-ips", "*"]
