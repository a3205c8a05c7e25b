"""A real server process on the arena: the production applications under the server of `start`, or under WSGI."""

from __future__ import annotations

import contextlib
import http.client
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping
from importlib.util import find_spec
from pathlib import Path

import psutil
from django.conf import settings
from django.db import connection

from incidents.management import plans
from incidents.management.possession import LOOPBACK, listening_on

SERVERS = {"asgi": "uvicorn", "wsgi": "granian"}
THREADS = 8  # of the WSGI server; under ASGI each request has its own
READY_S = 60.0


class NoServer(Exception):
    """The server is not installed, or did not come up; the sentence says so."""


class Server:
    """A server that runs."""

    def __init__(self, kind: str, port: int, pid: int) -> None:
        self.kind, self.port = kind, port
        self._process = psutil.Process(pid)

    def cpu_s(self) -> float:
        """What it has worked so far, its own children included: a busy machine changes little of that."""
        found = [each.cpu_times() for each in (self._process, *self._process.children(recursive=True))]
        return sum(each.user + each.system for each in found)


@contextlib.contextmanager
def served(kind: str) -> Iterator[Server]:
    """A server that works in one process. `kind` is asgi or wsgi. Raises NoServer."""
    if find_spec(SERVERS[kind]) is None:
        raise NoServer(f"{SERVERS[kind]} is not here: sync the group dev")
    with (
        tempfile.TemporaryDirectory(prefix="sluicegate-served-") as folder,
        listening_on(0) as listening,
        (Path(folder) / "log").open("wb") as log,
    ):
        port: int = listening.getsockname()[1]
        command, handed = plans.web(listening.fileno()).command, [listening.fileno()]
        if kind == "wsgi":  # this server opens its own
            listening.close()
            command, handed = _wsgi(port), []
        server = subprocess.Popen(
            command, cwd=settings.BASE_DIR, env=_environment(folder), stdout=log, stderr=log, pass_fds=handed
        )
        try:
            _await(server, port, Path(log.name))
            yield Server(kind, port, server.pid)
        finally:
            _end(server)


def _end(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(5)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def _wsgi(port: int) -> list[str]:
    options = ["--interface", "wsgi", "--workers", "1", "--blocking-threads", str(THREADS), "--no-ws"]
    where = ["--host", LOOPBACK, "--port", str(port), "--log-level", "warning"]
    return [sys.executable, "-m", "granian", *options, *where, "config.wsgi:application"]


def _environment(folder: str) -> dict[str, str]:
    """No rate: a bench has one token."""
    return os.environ | {
        "DJANGO_SETTINGS_MODULE": "incidents.management.benches.served",
        "SLUICEGATE_BENCH_DATABASE": str(connection.settings_dict["NAME"]),
        "SLUICEGATE_DATA": folder,
        "SLUICEGATE_SECRET_KEY": settings.SECRET_KEY,
        "SLUICEGATE_API_RATE": "0",
    }


def _await(server: subprocess.Popen[bytes], port: int, log: Path) -> None:
    deadline = time.monotonic() + READY_S
    while server.poll() is None and time.monotonic() < deadline:
        with contextlib.suppress(OSError, http.client.HTTPException), contextlib.closing(Line(port)) as line:
            line.ask("GET", "/livez")
            return
        time.sleep(0.1)
    raise NoServer(f"The server did not come up:\n{log.read_text(errors='replace')[-2000:]}")


class Line:
    """One client's connection, kept open."""

    def __init__(self, port: int) -> None:
        self._http = http.client.HTTPConnection(LOOPBACK, port, timeout=30)

    def ask(
        self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str] | None = None
    ) -> bytes:
        """The answer's body. Raises RuntimeError where it isn't 200 or 201."""
        self._http.request(method, path, body, dict(headers or {}))
        answer = self._http.getresponse()
        told = answer.read()
        if answer.status not in (200, 201):
            raise RuntimeError(f"{method} {path} answered {answer.status}: {told[:300]!r}")
        return told

    def close(self) -> None:
        self._http.close()
