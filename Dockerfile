FROM python:3.13.7-slim-bookworm
ENV PYTHONUNBUFFERED=1 PYTHONDONTWRITEBYTECODE=1 UV_COMPILE_BYTECODE=1 UV_NO_CACHE=1 SLUICEGATE_DATA=/data
RUN pip install --no-cache-dir uv==0.8.22 \
 && useradd --system --create-home --uid 10001 sluicegate \
 && install -d -o sluicegate /data /witness
WORKDIR /app
COPY pyproject.toml uv.lock README.md ./
RUN uv sync --locked
COPY manage.py ./
COPY config config
COPY incidents incidents
COPY templates templates
USER 10001
ENV PATH=/app/.venv/bin:$PATH
EXPOSE 8000
CMD ["uvicorn", "config.asgi:application", "--host", "0.0.0.0", "--port", "8000", "--lifespan", "off", "--no-access-log", "--timeout-graceful-shutdown", "2", "--forwarded-allow-ips", "*"]
