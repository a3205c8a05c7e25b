"""Each step of an alarm that nobody sees is decided once and sent at least once, whatever was killed meanwhile.

Alarms are raised while two workers, two beats and the broker are killed at random, and once the broker comes back
empty. When all is quiet, what the rules say was due is held against the log's events and against what a receiver
took. The control are workers that note a message as sent before they send it, and must be caught.
"""

from __future__ import annotations

import json
import random
import shutil
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import msgspec

from incidents.management.drills.engine import Engine, NotHere
from incidents.management.possession import LOOPBACK

PARTS = ("worker-a", "worker-b", "beat-a", "beat-b", "broker")
DEPARTMENT = ("-m", "incidents.management.drills.climbing")
FORGETFUL = "incidents.management.drills.forgetful"
CONTROL_ITEMS, CONTROL_KILLS, CONTROL_AT_WORK_S = 12, 2, 15.0
PAUSE_S = (0.3, 1.5)  # between two kills
QUIET_S = 150.0  # a message whose worker was killed is taken up again when its lease of a minute ends
CONTROL_QUIET_S = 6.0
LAST_RUNG_S = 4.0


class Report(msgspec.Struct):
    """Of the steps that were `due`, so many `events` tell and messages were `sent`. `missed` ones have no event, or
    their message did not arrive; a duplicate send has the id of its first. `control_missed` is what
    the control lost.
    """

    database: str
    due: int = 0
    events: int = 0
    sent: int = 0
    missed: int = 0
    duplicate_events: int = 0
    duplicate_sends: int = 0
    kills: int = 0
    wiped: int = 0
    control_missed: int = 0
    seconds: float = 0.0

    @property
    def held(self) -> bool:
        return not (self.missed or self.duplicate_events) and self.control_missed > 0


class Receiver(ThreadingHTTPServer):
    """Takes webhooks, counts them by id, and notes when each machine was first told of."""

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__((LOOPBACK, 0), _Taking)
        self.taken: Counter[str] = Counter()
        self.first: dict[str, float] = {}
        threading.Thread(target=self.serve_forever, daemon=True).start()

    def __exit__(self, *_: object) -> None:
        self.shutdown()
        self.server_close()

    @property
    def url(self) -> str:
        return f"http://{LOOPBACK}:{self.server_port}/"


def reaching() -> dict[str, str]:
    """What has a house reach a receiver here, and look every second."""
    return {"SLUICEGATE_WEBHOOK_NETWORKS": f"{LOOPBACK}/32", "SLUICEGATE_SWEEP_S": "1"}


class _Taking(BaseHTTPRequestHandler):
    server: Receiver

    def do_POST(self) -> None:
        at, told = time.time(), json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        self.server.first.setdefault(told["data"]["subject"].partition(":")[0], at)
        self.server.taken[self.headers["webhook-id"]] += 1
        self.send_response(204)
        self.end_headers()

    def log_message(self, *_: Any) -> None:
        return


def run(items: int, kills: int, seed: int, *, postgresql: bool, say: Callable[[str], None]) -> Report:
    """The drill and its control. Raises NotHere where PostgreSQL is asked for and isn't installed."""
    began = time.monotonic()
    say(f"{items} alarms, {kills} kills")
    report = _drill(items, kills, seed, postgresql=postgresql, application="config", say=say)
    say("the control: workers that note a message as sent before they send it")
    control = _drill(CONTROL_ITEMS, CONTROL_KILLS, seed, postgresql=postgresql, application=FORGETFUL, say=say)
    report.control_missed = control.missed
    report.seconds = round(time.monotonic() - began, 1)
    return report


def _drill(
    items: int, kills: int, seed: int, *, postgresql: bool, application: str, say: Callable[[str], None]
) -> Report:
    report = Report(database="postgresql" if postgresql else "sqlite")
    with Receiver() as receiver, tempfile.TemporaryDirectory(prefix="sg-drill-") as folder:
        engine = Engine(Path(folder), postgresql=postgresql, celery=application)
        engine.environment |= reaching()
        with engine:
            engine.python(*DEPARTMENT, "found", str(items), receiver.url)
            for part in reversed(PARTS):
                engine.start(part)
            fed = threading.Thread(target=_feed, args=(engine, items, kills * sum(PAUSE_S) / 2))
            fed.start()
            if application == FORGETFUL:
                _strike_at_work(engine, kills, receiver, report)
            else:
                _strike(engine, kills, random.Random(seed), report, say)
            fed.join()
            time.sleep(LAST_RUNG_S)
            _settle(
                engine,
                datetime.now(UTC),
                receiver,
                report,
                patience=CONTROL_QUIET_S if application == FORGETFUL else QUIET_S,
            )
    return report


def _feed(engine: Engine, items: int, seconds: float) -> None:
    engine.python(*DEPARTMENT, "feed", str(items), str(seconds))


def _strike(engine: Engine, kills: int, chance: random.Random, report: Report, say: Callable[[str], None]) -> None:
    """Kill a part after each pause and start it again; halfway through, the broker comes back without its queue."""
    for n in range(kills):
        time.sleep(chance.uniform(*PAUSE_S))
        wipe = n == kills // 2
        part = "broker" if wipe else chance.choice(PARTS)
        engine.kill(part)
        if wipe:
            shutil.rmtree(engine.folder / "broker")
            (engine.folder / "broker").mkdir()
            report.wiped += 1
        engine.start(part)
        report.kills += 1
        say(f"killed {part}" + (" and wiped it" if wipe else ""))


def _strike_at_work(engine: Engine, kills: int, receiver: Receiver, report: Report) -> None:
    """Kill both workers while messages go out."""
    for _ in range(kills):
        before, deadline = len(receiver.taken), time.monotonic() + CONTROL_AT_WORK_S
        while len(receiver.taken) == before and time.monotonic() < deadline:
            time.sleep(0.02)
        for worker in PARTS[:2]:
            engine.kill(worker)
            engine.start(worker)
        report.kills += 1


def _settle(engine: Engine, moment: datetime, receiver: Receiver, report: Report, *, patience: float) -> None:
    """Wait until everything that was due by then has arrived, or for as long as patience lasts; then count."""
    deadline = time.monotonic() + patience
    while True:
        told = json.loads(engine.python(*DEPARTMENT, "count", moment.isoformat()))
        due, taken = {tuple(each) for each in told["due"]}, Counter(tuple(each) for each in told["taken"])
        untold = due - set(taken)
        unsent = set(told["queued"]) - set(receiver.taken)
        if not due:
            raise NotHere("the drill's alarms are not there: its department could not be fed")
        if not (untold or unsent) or time.monotonic() > deadline:
            break
        time.sleep(0.5)
    report.due, report.events, report.sent = len(due), taken.total(), len(receiver.taken)
    report.missed = len(untold) + len(unsent)
    report.duplicate_events = taken.total() - len(taken)
    report.duplicate_sends = receiver.taken.total() - len(receiver.taken)
