"""The live stream: one poller per process reads how long each log is and when the sweep ran, and tells only that.

Whoever watches fetches its page's parts again. A stream that broke is opened again by the browser, and the
first thing it hears is the length that stands, so nothing is missed.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator
from datetime import datetime
from uuid import UUID

from asgiref.sync import sync_to_async
from django.db import DatabaseError, close_old_connections
from django.http import StreamingHttpResponse
from django.utils import timezone

from incidents.queries import floor

POLL_S = 0.5
BEAT_S = 10.0


class Poller:
    """Knows the length of every log that somebody watches; runs only while somebody does."""

    def __init__(self) -> None:
        self.sizes: dict[UUID, int] = {}
        self.watching: defaultdict[UUID, set[asyncio.Event]] = defaultdict(set)
        self.heard_at = float("-inf")
        self.swept_at: datetime | None = None
        self._task: asyncio.Task[None] | None = None

    def watch(self, facility: UUID, bell: asyncio.Event) -> None:
        self.watching[facility].add(bell)
        if self._task is None or self._task.done():
            self._task = asyncio.create_task(self._poll())

    def leave(self, facility: UUID, bell: asyncio.Event) -> None:
        self.watching[facility].discard(bell)
        if not self.watching[facility]:
            del self.watching[facility]

    def beat(self) -> str:
        """The stream lives; `data` is how many seconds ago the sweep ran to its end, empty while it never did."""
        age = "" if self.swept_at is None else max(0, int((timezone.now() - self.swept_at).total_seconds()))
        return f"event: beat\ndata: {age}\n\n"

    async def _poll(self) -> None:
        while self.watching:
            read = await _read()
            if read is None:
                await asyncio.sleep(POLL_S)
                continue
            found, self.swept_at = read
            self.heard_at = asyncio.get_running_loop().time()
            for facility, size in found.items():
                if self.sizes.get(facility) != size:
                    self.sizes[facility] = size
                    for bell in self.watching.get(facility, ()):
                        bell.set()
            await asyncio.sleep(POLL_S)


poller = Poller()


@sync_to_async
def _read() -> tuple[dict[UUID, int], datetime | None] | None:
    """None where the database can't be reached: watchers then hear no beat and say so themselves."""
    try:
        return floor.log_sizes(), floor.watch_at()
    except DatabaseError:
        return None
    finally:
        close_old_connections()


async def told(facility: UUID) -> AsyncIterator[str]:
    """Server-sent events: `position` with the length of the log, and a `beat` that says the stream lives."""
    bell = asyncio.Event()
    poller.watch(facility, bell)
    try:
        bell.set()
        while True:
            try:
                await asyncio.wait_for(bell.wait(), BEAT_S)
            except TimeoutError:
                if asyncio.get_running_loop().time() - poller.heard_at > BEAT_S:
                    continue
                yield poller.beat()
                continue
            bell.clear()
            if facility in poller.sizes:
                yield f"event: position\ndata: {poller.sizes[facility]}\n\n"
                yield poller.beat()
    finally:
        poller.leave(facility, bell)


def response_of(facility: UUID) -> StreamingHttpResponse:
    response = StreamingHttpResponse(told(facility), content_type="text/event-stream")
    response["Cache-Control"] = "no-store"
    response["X-Accel-Buffering"] = "no"
    return response
