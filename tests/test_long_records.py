"""Two gigabytes sent as a record to the real server: it stops at the cap, and its memory stays where it was."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Iterator
from pathlib import Path
from uuid import UUID

import psutil
import pytest

from config.capped import RECORD_LIMIT_BYTES
from tests.test_start import House, house

CHUNK = 256 * 1024
WHOLE = 2 * 1024**3
RISE_MOST = 50 * 1024**2
IN_FLIGHT = 32 * 1024**2  # what sockets and the server's own buffers hold beside the cap


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    with house(tmp_path_factory.mktemp("long")) as found:
        yield found


def memory_of(running: House) -> int:
    """Resident bytes of every process of the house, as they are now."""
    total = 0
    for process in running.processes:
        try:
            total += process.memory_info().rss
        except psutil.NoSuchProcess:
            continue
    return total


def sent_until_refused(running: House, head: str, chunked: bool) -> tuple[int, int, bytes]:
    """Bytes that went out before the server spoke or hung up, the highest memory seen, and what it said."""
    most, out, said = memory_of(running), 0, b""
    piece = b"1,20.25\n" * (CHUNK // 8)
    framed = f"{len(piece):x}\r\n".encode() + piece + b"\r\n" if chunked else piece
    with socket.create_connection(("127.0.0.1", running.port), timeout=30) as line:
        line.sendall(head.encode())
        try:
            while out < WHOLE and not said:
                line.sendall(framed)
                out += len(piece)
                if out % (4 * 1024**2) == 0:
                    most = max(most, memory_of(running))
                    line.setblocking(False)
                    with contextlib.suppress(BlockingIOError):
                        said = line.recv(4096)
                    line.settimeout(30)
        except (BrokenPipeError, ConnectionResetError):
            pass
        with contextlib.suppress(OSError):
            said = said or line.recv(4096)
    return out, max(most, memory_of(running)), said


@pytest.mark.parametrize("door", ["/f/x/loads/{}/readings/", "/api/v1/f/x/loads/{}/readings/"])
@pytest.mark.parametrize("chunked", [True, False])
def test_two_gigabytes_stop_at_the_cap(running: House, door: str, chunked: bool) -> None:
    path = door.format(UUID(int=7))
    how = "Transfer-Encoding: chunked" if chunked else f"Content-Length: {WHOLE}"
    head = f"POST {path} HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nContent-Type: text/csv\r\n{how}\r\n\r\n"
    before = memory_of(running)
    out, most, said = sent_until_refused(running, head, chunked)
    assert out < RECORD_LIMIT_BYTES + IN_FLIGHT
    assert b" 413 " in said or said == b"", said[:200]
    assert most - before < RISE_MOST, (most - before) // 1024**2


def test_the_server_goes_on(running: House, tmp_path: Path) -> None:
    with socket.create_connection(("127.0.0.1", running.port), timeout=30) as line:
        line.sendall(f"GET /livez HTTP/1.1\r\nHost: 127.0.0.1:{running.port}\r\nConnection: close\r\n\r\n".encode())
        assert b"200" in line.recv(64)
