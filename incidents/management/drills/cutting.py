"""A proxy that cuts connections: before the request, in its middle, or after it and before the answer."""

from __future__ import annotations

import contextlib
import random
import socket
import threading

from incidents.management.possession import LOOPBACK


class Cutting:
    """Listens on `port`; of so many connections in a thousand it cuts one at a random place."""

    def __init__(self, to: int, *, per_thousand: int, seed: int) -> None:
        self.to, self.per_thousand, self.random = to, per_thousand, random.Random(seed)
        self.cut = 0
        self._server = socket.create_server((LOOPBACK, 0), backlog=128)
        self.port: int = self._server.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                threading.Thread(target=self._pass_on, args=(client,), daemon=True).start()

    def _pass_on(self, client: socket.socket) -> None:
        where = None
        if self.random.randrange(1000) < self.per_thousand:
            where = self.random.choice(("before", "within", "after"))
            self.cut += 1
        with client, contextlib.suppress(OSError), socket.create_connection((LOOPBACK, self.to), 5) as server:
            client.settimeout(20)
            server.settimeout(20)
            if where == "before":
                return
            asked = _request(client)
            if where == "within":
                server.sendall(asked[: len(asked) // 2])
                return
            server.sendall(asked)
            if where == "after":
                return  # the server has it all and may be committing just now
            while answer := server.recv(65536):
                client.sendall(answer)


def _request(client: socket.socket) -> bytes:
    """One whole request: its head, and as much body as that announces."""
    asked = b""
    while b"\r\n\r\n" not in asked:
        more = client.recv(65536)
        if not more:
            return asked
        asked += more
    head, _, body = asked.partition(b"\r\n\r\n")
    length = next(
        (int(line.split(b":")[1]) for line in head.split(b"\r\n") if line.lower().startswith(b"content-length:")), 0
    )
    while len(body) < length:
        more = client.recv(65536)
        if not more:
            break
        body += more
        asked += more
    return asked
