"""Many screens on a real server’s live stream: what they cost while nothing happens, and when deeds reach them.

Each viewer does what `live.js` does on Now: it hears the stream, and asks for the panes again when it is told
and by the clock. The deeds come from this process, over a connection of its own. The cost is the web process's
alone: a database that is a server of its own has its own.
"""

from __future__ import annotations

import asyncio
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import NamedTuple

import msgspec
from django.conf import settings
from django.db import connection
from django.urls import reverse
from django.utils import timezone

from incidents.identity.ids import named
from incidents.ledger import reading, writing
from incidents.ledger.writing import Deed, digest_of
from incidents.management.benches.arena import arena, environment
from incidents.management.benches.contest import FACILITY
from incidents.management.benches.pages import SLUG, visitor, write
from incidents.management.benches.timing import percentile_ms
from incidents.management.benches.years import INES, Years
from incidents.rules.events import Actor, NoteAdded, Stream, WordsRef

AGAIN_S = 30.0  # `now.html` asks again by the clock
SETTLED_S = 3.0  # after the last viewer came
APART_S = 1.0  # deeds, and up to half a second more, so that they meet the poller at every point of its round
GOLDEN = 0.618034  # its multiples fall everywhere between whole numbers
REACHED_S = 10.0  # a deed that is not shown everywhere by then ends the bench


class Figure(msgspec.Struct, frozen=True, omit_defaults=True):
    """Part of one core (%), or from a deed's beginning to the viewers (ms)."""

    name: str
    database: str
    viewers: int
    percent_of_core: float | None = None
    p50_ms: float | None = None
    p99_ms: float | None = None


def run(events: int, viewers: int, seconds: float) -> list[Figure]:
    """So many seconds in which nothing happens, then half as many deeds."""
    with arena():
        years = Years(events, timezone.now() - timedelta(hours=1))
        write(years)
        session = visitor().cookies["sessionid"].value
        with _served() as (port, process), _watched(viewers, port, session) as watched:
            idle = _cost(process, seconds)
            told, shown = _deeds(years, watched, max(3, round(seconds / 2)))
    vendor = connection.vendor
    return [
        Figure("nothing happens", vendor, viewers, percent_of_core=idle),
        *(
            Figure(name, vendor, viewers, p50_ms=percentile_ms(taken, 50), p99_ms=percentile_ms(taken, 99))
            for name, taken in (("a deed, until it is told", told), ("a deed, until it is shown", shown))
        ),
    ]


# --- the server ---------------------------------------------------------------------------------------


@contextmanager
def _served() -> Iterator[tuple[int, subprocess.Popen[bytes]]]:
    """The web process as `start` has it, on the arena."""
    with environment() as here, socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(256)
        listening.set_inheritable(True)
        options = [
            "--fd",
            str(listening.fileno()),
            "--lifespan",
            "off",
            "--no-access-log",
            "--log-level",
            "warning",
        ]
        process = subprocess.Popen(
            [sys.executable, "-m", "uvicorn", "config.asgi:application", *options],
            cwd=settings.BASE_DIR,
            env=os.environ | here | {"SLUICEGATE_SECRET_KEY": settings.SECRET_KEY},
            pass_fds=[listening.fileno()],
        )
        try:
            yield listening.getsockname()[1], process
        finally:
            process.kill()
            process.wait()


def _cost(process: subprocess.Popen[bytes], seconds: float) -> float:
    """Part of one core (%) that the server takes in this time."""
    begun, at = _cpu_s(process.pid), time.perf_counter()
    time.sleep(seconds)
    return 100 * (_cpu_s(process.pid) - begun) / (time.perf_counter() - at)


def _cpu_s(pid: int) -> float:
    """Processor time that a process has had so far (proc(5): utime and stime)."""
    after_name = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(after_name[11]) + int(after_name[12])) / os.sysconf("SC_CLK_TCK")


# --- the screens --------------------------------------------------------------------------------------


class Screen:
    """One viewer: `told` and `shown` hold when it heard that the log was so long, and when it showed that."""

    def __init__(self, port: int, session: str) -> None:
        self._port, self._session = port, session
        self._live, self._now = (reverse(name, kwargs={"slug": SLUG}) for name in ("live", "now"))
        self._tag = ""
        self._asking = asyncio.Lock()
        self._kept: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self.told: dict[int, float] = {}
        self.shown: dict[int, float] = {}

    async def watch(self) -> None:
        await asyncio.gather(self._hear(), self._by_the_clock())

    async def _hear(self) -> None:
        reader, _ = await self._sent(self._live, "Accept: text/event-stream")
        position = False
        while line := await reader.readline():  # of the chunks' own lines none begins so
            if line.startswith(b"data: ") and position:
                size = int(line[6:])
                self.told.setdefault(size, time.perf_counter())
                await self._ask()
                self.shown.setdefault(size, time.perf_counter())
            position = line.startswith(b"event: position")
        raise RuntimeError("the live stream ended")

    async def _by_the_clock(self) -> None:
        while True:
            await asyncio.sleep(AGAIN_S)
            await self._ask()

    async def _ask(self) -> None:
        """The panes, if they are others than those shown."""
        async with self._asking:
            known = [f"If-None-Match: {self._tag}"] if self._tag else []
            status, headers, reader = await self._answer("HX-Request: true", *known)
            if status not in (200, 304):
                raise RuntimeError(f"the panes answered {status}")
            if status == 200:
                await reader.readexactly(int(headers["content-length"]))
            self._tag = headers["etag"]

    async def _answer(self, *headers: str) -> tuple[int, dict[str, str], asyncio.StreamReader]:
        """Over the connection that was kept, or another where the server has closed it meanwhile."""
        if self._kept:
            with suppress(ConnectionError, asyncio.IncompleteReadError):
                reader, _ = await self._sent(self._now, *headers, on=self._kept)
                return *await _head(reader), reader
        reader, _ = self._kept = await self._sent(self._now, *headers)
        return *await _head(reader), reader

    async def _sent(
        self, path: str, *headers: str, on: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
    ) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        reader, writer = on or await asyncio.open_connection("127.0.0.1", self._port)
        lines = [f"GET {path} HTTP/1.1", "Host: localhost", f"Cookie: sessionid={self._session}", *headers]
        writer.write("".join(f"{line}\r\n" for line in (*lines, "")).encode())
        await writer.drain()
        return reader, writer


async def _head(reader: asyncio.StreamReader) -> tuple[int, dict[str, str]]:
    lines = (await reader.readuntil(b"\r\n\r\n")).decode().splitlines()
    pairs = (line.partition(": ") for line in lines[1:] if line)
    return int(lines[0].split()[1]), {name.lower(): value for name, _, value in pairs}


class Screens(NamedTuple):
    """All viewers, and what they died of."""

    screens: list[Screen]
    failed: list[BaseException]

    def wait(self, reached: Callable[[], bool], most_s: float = REACHED_S) -> None:
        """Raises TimeoutError, or what a screen died of."""
        end = time.perf_counter() + most_s
        while not reached():
            if self.failed:
                raise self.failed[0]
            if time.perf_counter() > end:
                raise TimeoutError("the screens did not show what stands")
            time.sleep(0.01)

    def show(self, size: int) -> bool:
        return all(size in screen.shown for screen in self.screens)


@contextmanager
def _watched(viewers: int, port: int, session: str) -> Iterator[Screens]:
    """In a thread of their own; they have come, and shown what stands, when this begins."""
    watched = Screens([], [])
    loop = asyncio.new_event_loop()

    async def watch() -> None:
        watched.screens.extend(Screen(port, session) for _ in range(viewers))
        await asyncio.gather(*(screen.watch() for screen in watched.screens))

    def work() -> None:
        try:
            loop.run_until_complete(task)
        except asyncio.CancelledError:
            pass
        except BaseException as error:
            watched.failed.append(error)

    task = loop.create_task(watch())
    thread = threading.Thread(target=work, name="the screens")
    thread.start()
    try:
        watched.wait(lambda: len(watched.screens) == viewers and all(each.shown for each in watched.screens), 60)
        time.sleep(SETTLED_S)
        yield watched
    finally:
        with suppress(RuntimeError):  # it has ended already
            loop.call_soon_threadsafe(task.cancel)
        thread.join()
        loop.close()
    if watched.failed:
        raise watched.failed[0]


# --- deeds --------------------------------------------------------------------------------------------


def _deeds(years: Years, watched: Screens, count: int) -> tuple[list[float], list[float]]:
    """Seconds from each deed's beginning until each screen was told, and until it showed it."""
    told: list[float] = []
    shown: list[float] = []
    for n in range(count):
        begun = time.perf_counter()
        _note(years, n)
        head = reading.head(FACILITY)
        size = head.size if head else 0
        watched.wait(partial(watched.show, size))
        told += [screen.told[size] - begun for screen in watched.screens]
        shown += [screen.shown[size] - begun for screen in watched.screens]
        time.sleep(APART_S + n * GOLDEN % 1 / 2)
    return told, shown


def _note(years: Years, n: int) -> None:
    """A deed on a load, with its read models."""
    actor = Actor("person", INES)
    deed = Deed(named(years.held, f"deed {n}"), "add_note", actor, digest_of("add_note", actor, {}))
    words = WordsRef(f"{named(years.held, f'words {n}').int:064x}")
    now = timezone.now()
    with writing.writing(FACILITY, now, deed) as log:
        log.append(Stream("load", years.held), NoteAdded(words), occurred_at=now)
