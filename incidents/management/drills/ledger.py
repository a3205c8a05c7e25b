"""What a client was told is done must stand in the ledger, once, whatever was killed meanwhile.

Clients post observations over HTTP through a proxy that cuts connections, and send the same again until they
are answered; meanwhile parts of the house are killed at random, and once the disk is full. At the end every
receipt is looked for. The control is a server that answers before it has written, and must be caught.
"""

from __future__ import annotations

import contextlib
import http.client
import json
import random
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec

from incidents.management.drills.cutting import Cutting
from incidents.management.drills.engine import APPLICATION, Engine, started
from incidents.management.possession import LOOPBACK

CLIENTS = 4
CUT_PER_THOUSAND = 20
PREMATURE = "incidents.management.drills.premature:application"
DEPARTMENT = ("-m", "incidents.management.drills.department")
CONTROL_ACKS, CONTROL_KILLS = 80, 2
SLOWLY_S = 0.01
FULL_AT_BYTES = 64 * 1024  # of the write-ahead log: a few deeds, and no room to move them into the database


class Report(msgspec.Struct):
    """`acknowledged` answers were given; of these so many are `lost` or stand twice. `ambiguous_resolved`
    requests got no answer at first and the same receipt later. `control_lost` is what the control lost."""

    database: str
    acknowledged: int = 0
    lost: int = 0
    duplicated: int = 0
    ambiguous_resolved: int = 0
    kills: int = 0
    cut: int = 0
    disk_full: int = 0
    events: int = 0
    whole: bool = False
    control_lost: int = 0
    seconds: float = 0.0

    @property
    def held(self) -> bool:
        return not (self.lost or self.duplicated) and self.whole and self.control_lost > 0


class Clients:
    """So many threads, each with a machine's token, that share one list of observations to get acknowledged."""

    def __init__(self, slug: str, tokens: list[str], machines: list[str], port: int, wanted: int) -> None:
        self.path, self.tokens, self.machines, self.port = (
            f"/api/v1/f/{slug}/observations/",
            tokens,
            machines,
            port,
        )
        self.acknowledged: dict[str, tuple[int, str]] = {}
        self.ambiguous = self.refused_for_space = 0
        self._left = list(range(wanted))[::-1]
        self._lock = threading.Lock()
        self.faults: list[str] = []
        self.threads = [threading.Thread(target=self._work, daemon=True) for _ in range(CLIENTS)]

    def _work(self) -> None:
        while True:
            with self._lock:
                if not self._left or self.faults:
                    return
                number = self._left.pop()
            self._until_answered(number)

    def _until_answered(self, number: int) -> None:
        which = number % len(self.tokens)
        event = {
            "specversion": "1.0",
            "id": str(number),
            "source": "drill",
            "type": "alarm-raised",
            "data": {"chamber": "1", "code": f"D{number}", "phase": "wash"},
        }
        headers = {
            "Authorization": f"Token {self.tokens[which]}",
            "Content-Type": "application/json",
            "X-Drill-Machine": self.machines[which],
            "Connection": "close",
        }
        unanswered = False
        while True:
            status, body = self._ask(json.dumps(event), headers)
            if status == 201:
                receipt = json.loads(body)
                leaves = receipt["leaves"]
                with self._lock:
                    self.acknowledged[receipt["deed_id"]] = (receipt["first_position"], leaves[0] if leaves else "")
                    self.ambiguous += unanswered
                return
            if status and status != 503:
                with self._lock:
                    self.faults.append(f"{status}: {body[:300]}")
                return
            unanswered = unanswered or not status
            time.sleep(0.05)

    def _ask(self, body: str, headers: dict[str, str]) -> tuple[int, str]:
        """The status and the answer; 0 where none came."""
        line = http.client.HTTPConnection(LOOPBACK, self.port, timeout=30)
        with contextlib.closing(line), contextlib.suppress(OSError, http.client.HTTPException):
            line.request("POST", self.path, body, headers)
            answer = line.getresponse()
            return answer.status, answer.read().decode()
        return 0, ""


def run(acks: int, kills: int, seed: int, *, postgresql: bool, say: Callable[[str], None]) -> Report:
    """The drill and its control. Raises NotHere where PostgreSQL is asked for and isn't installed."""
    began = time.monotonic()
    say(f"{acks} acknowledgements, {kills} kills")
    report = _drill(acks, kills, seed, postgresql=postgresql, application=APPLICATION, say=say)
    say("the control: a server that answers before it has written")
    control = _drill(
        CONTROL_ACKS, CONTROL_KILLS, seed, postgresql=postgresql, application=PREMATURE, say=say, only_web=True
    )
    report.control_lost = control.lost
    report.seconds = round(time.monotonic() - began, 1)
    return report


def _drill(
    acks: int,
    kills: int,
    seed: int,
    *,
    postgresql: bool,
    application: str,
    say: Callable[[str], None],
    only_web: bool = False,
) -> Report:
    report = Report(database="postgresql" if postgresql else "sqlite")
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory(prefix="sg-drill-") as folder:
        engine = Engine(Path(folder), postgresql=postgresql, application=application)
        with started(engine):
            found: dict[str, Any] = json.loads(engine.python(*DEPARTMENT, "found", str(max(4, acks // 100))))
            cutting = Cutting(engine.port, per_thousand=0 if only_web else CUT_PER_THOUSAND, seed=seed)
            clients = Clients(found["slug"], found["tokens"], found["machines"], cutting.port, acks)
            for thread in clients.threads:
                thread.start()
            _strike(engine, clients, acks, kills, chance, report, only_web=only_web, say=say)
            for thread in clients.threads:
                thread.join()
            if clients.faults:
                raise RuntimeError(f"an answer that no client can use: {clients.faults[0]}")
            cutting.close()
            for part in engine.parts:
                if part not in engine.running:
                    engine.start(part)
            told = json.loads(engine.python(*DEPARTMENT, "count", told=json.dumps(clients.acknowledged)))
    report.acknowledged, report.ambiguous_resolved = len(clients.acknowledged), clients.ambiguous
    report.cut = cutting.cut
    for name, value in told.items():
        setattr(report, name, value)
    return report


def _strike(
    engine: Engine,
    clients: Clients,
    acks: int,
    kills: int,
    chance: random.Random,
    report: Report,
    *,
    only_web: bool,
    say: Callable[[str], None],
) -> None:
    """Kill a part each time another share of the work is done; once, let the disk be full for a while."""
    moments = sorted(chance.sample(range(1, acks), kills))
    for n, moment in enumerate(moments):
        while len(clients.acknowledged) < moment and any(thread.is_alive() for thread in clients.threads):
            time.sleep(SLOWLY_S)
        if clients.faults:
            return
        part = "web" if only_web else engine.parts[(n + chance.randrange(2)) % len(engine.parts)]
        engine.kill(part)
        report.kills += 1
        say(f"{moment} acknowledged: killed {part}")
        if n == kills // 2 and not only_web and not engine.database:
            _fill_the_disk(engine, clients, report, say)
        elif part not in engine.running:
            engine.start(part)


def _fill_the_disk(engine: Engine, clients: Clients, report: Report, say: Callable[[str], None]) -> None:
    """For a while no file of the web process may grow: a full disk, as far as that process can tell."""
    if "web" in engine.running:
        engine.kill("web")
    engine.file_limit = FULL_AT_BYTES
    engine.start("web")
    before = len(clients.acknowledged)
    time.sleep(1.5)
    report.disk_full += 1
    say(f"a full disk: {len(clients.acknowledged) - before} acknowledged in 1.5 s")
    engine.kill("web")
    engine.file_limit = None
    engine.start("web")
    for part in engine.parts:
        if part not in engine.running:
            engine.start(part)
