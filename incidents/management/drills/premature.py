"""The control: a server that says *done* while the work still waits in its memory. A drill must catch it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable
from typing import Any

from config.asgi import application as honest
from incidents.identity.ids import named

DELAY_S = 0.3
_waiting: set[asyncio.Task[None]] = set()


async def application(
    scope: dict[str, Any],
    receive: Callable[[], Awaitable[dict[str, Any]]],
    send: Callable[[dict[str, Any]], Awaitable[None]],
) -> None:
    """Everything but observations goes the honest way."""
    if scope["type"] != "http" or not scope["path"].endswith("/observations/"):
        await honest(scope, receive, send)
        return
    body = b""
    while True:
        message = await receive()
        body += message.get("body", b"")
        if not message.get("more_body"):
            break
    task = asyncio.create_task(_later(scope, body))
    _waiting.add(task)
    task.add_done_callback(_waiting.discard)
    await asyncio.sleep(0)
    receipt = {"deed_id": str(_deed(scope, body)), "first_position": 0, "leaves": []}
    headers = [(b"content-type", b"application/json")]
    await send({"type": "http.response.start", "status": 201, "headers": headers})
    await send({"type": "http.response.body", "body": json.dumps(receipt).encode()})


async def _later(scope: dict[str, Any], body: bytes) -> None:
    await asyncio.sleep(DELAY_S)

    told = False

    async def receive() -> dict[str, Any]:
        nonlocal told
        if told:
            await asyncio.Event().wait()  # nobody hangs up
        told = True
        return {"type": "http.request", "body": body}

    async def forget(message: dict[str, Any]) -> None:
        return None

    await honest(scope, receive, forget)


def _deed(scope: dict[str, Any], body: bytes) -> Any:
    """The id that the honest server gives: it follows from the machine and the event."""
    event = json.loads(body)
    machine = dict(scope["headers"])[b"x-drill-machine"].decode()
    from uuid import UUID

    return named(UUID(machine), f"{event['source']} {event['id']}")
