"""`manage.py gateway`: from what a machine prints, or publishes, to the ledger of a real server.

Sources: reliability page, "Bad input" (cycle records); PEP 495 (times that come twice or never); MQTT 3.1.1,
4.3.2 and 4.4 (a message that was not acknowledged is delivered again); CloudEvents 1.0.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import psutil
import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from incidents.management.drills.engine import Engine
from incidents.management.drills.ledger import DEPARTMENT
from incidents.management.gateway import config, files
from incidents.management.gateway.mapping import Unreadable, read_line, reading_of
from incidents.management.gateway.memory import Memory
from incidents.management.gateway.times import moment

HOUSE = Path(__file__).resolve().parent.parent
EXAMPLE = HOUSE / "docs" / "gateway"
WAIT_S = 60.0


# --- a server, and a gateway beside it ----------------------------------------------------------------


class Server:
    """A real web process over a database of its own, and in it a machine that nobody else reports for."""

    def __init__(self, engine: Engine, slug: str, token: str, machine: str) -> None:
        self.engine, self.slug, self.token, self.machine = engine, slug, token, machine

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.engine.port}/api/v1/f/{self.slug}/observations/batch/"

    def observed(self) -> list[dict[str, Any]]:
        """What the machine's token brought into the log and numbered, by number."""
        base = sqlite3.connect(f"file:{self.engine.folder}/sluicegate.sqlite3?mode=ro", uri=True)
        with contextlib.closing(base):
            bodies = [json.loads(body) for (body,) in base.execute("SELECT body FROM ledger_event")]
        told = [body for body in bodies if body["actor"]["id"] == self.machine and body["sequence"] is not None]
        return sorted(told, key=lambda body: int(body["sequence"]))

    def codes(self) -> list[str]:
        return [body["data"]["code"] for body in self.observed() if body["data"]["type"] == "alarm-raised"]


@pytest.fixture(scope="module")
def machines(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Iterator[Server]]:
    """One server for all, and a machine for each test."""
    with Engine(tmp_path_factory.mktemp("gateway") / "house", postgresql=False) as engine:
        told = json.loads(engine.python(*DEPARTMENT, "found", "10"))
        engine.start("web")
        names = zip(told["tokens"], told["machines"], strict=True)
        yield (Server(engine, told["slug"], token, machine) for token, machine in names)


@pytest.fixture
def server(machines: Iterator[Server]) -> Server:
    return next(machines)


TABLES = """
[door]
url = "{url}"
token_file = "token"
wait_s = 0.05
longest_wait_s = 0.2
batch = {batch}
[machine]
source = "alder/test"
time_zone = "Europe/Berlin"
"""
FOLDER = """
[folder]
path = "printed"
memory = "memory"
rejects = "rejects.txt"
every_s = 0.02
[[line]]
pattern = '^(?P<time>\\S+) ALARM (?P<code>\\S+)'
type = "alarm-raised"
"""
MQTT = """
[mqtt]
host = "127.0.0.1"
port = {port}
topic = "alder/observations"
client_id = "gateway-of-alder"
rejects = "rejects.txt"
"""


class Room:
    """A folder with a gateway's configuration, its files, and its process."""

    def __init__(self, folder: Path, server: Server, tables: str, batch: int = 7) -> None:
        self.folder = folder
        (folder / "printed").mkdir(parents=True)
        (folder / "token").write_text(server.token + "\n")
        (folder / "gateway.toml").write_text(TABLES.format(url=server.url, batch=batch) + tables)
        self.log = folder / "gateway.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "manage.py", "gateway", "--config", str(self.folder / "gateway.toml"), *words]
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(command, cwd=HOUSE, stdout=log, stderr=log, env=_bare_environment())
        return self.process

    def once(self) -> None:
        assert self.start("--once").wait(WAIT_S) == 0, self.log.read_text()

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()

    def rejects(self) -> str:
        file = self.folder / "rejects.txt"
        return file.read_text() if file.exists() else ""


def _bare_environment() -> dict[str, str]:
    return {name: told for name, told in os.environ.items() if not name.startswith(("SLUICEGATE_", "DATABASE_"))}


@contextlib.contextmanager
def room(folder: Path, server: Server, tables: str = FOLDER, batch: int = 7) -> Iterator[Room]:
    made = Room(folder, server, tables, batch)
    try:
        yield made
    finally:
        made.kill()


def until(true: Callable[[], bool], room: Room | None = None) -> None:
    deadline = time.monotonic() + WAIT_S
    while not true():
        assert time.monotonic() < deadline, room.log.read_text() if room else "it never came to be"
        time.sleep(0.05)


def printed(first: int, last: int) -> str:
    return "".join(f"2026-03-02T07:{n // 60:02}:{n % 60:02} ALARM A{n}\n" for n in range(first, last + 1))


def alarms(first: int, last: int) -> list[str]:
    return [f"A{n}" for n in range(first, last + 1)]


# --- the example of the documentation -----------------------------------------------------------------


def test_the_example_brings_a_machines_print_into_the_ledger(server: Server, tmp_path: Path) -> None:
    place = tmp_path / "gateway"
    shutil.copytree(EXAMPLE, place)
    told = (place / "alder.toml").read_text()
    url = "http://127.0.0.1:8000/api/v1/f/eastmere/observations/batch/"
    assert url in told
    (place / "gateway.toml").write_text(told.replace(url, server.url))
    (place / "alder.token").write_text(server.token)
    command = [sys.executable, "manage.py", "gateway", "--config", str(place / "gateway.toml"), "--once"]
    done = subprocess.run(
        command, cwd=HOUSE, capture_output=True, text=True, timeout=WAIT_S, env=_bare_environment()
    )
    assert done.returncode == 0, done.stderr
    observed = server.observed()
    assert [body["data"]["type"] for body in observed] == [
        *("cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished"),
        *("cycle-started", "alarm-raised", "cycle-finished"),
    ]
    assert [body["sequence"] for body in observed] == [1, 2, 3, 4, 5, 6, 7]
    # 07:05 in Berlin in winter is 06:05 UTC (Europe/Berlin, UTC+1).
    assert observed[0]["occurred_at"] == "2026-03-02T06:05:00Z"
    assert observed[0]["data"]["programme_name"] == "Instruments"
    assert (observed[5]["data"]["code"], observed[5]["data"]["phase"]) == ("W02", "wash")
    assert observed[6]["data"]["complete"] is False
    rejects = (place / "alder.rejects.txt").read_text()
    assert rejects.count("\n") == 1
    assert "alder.log line 10\tnot sent, no pattern fits it\t0?.03.2026 08:4# CYC" in rejects
    assert server.token not in done.stdout + done.stderr + rejects


def test_the_token_stands_in_no_command_and_no_log(server: Server, tmp_path: Path) -> None:
    with room(tmp_path / "room", server) as one:
        (one.folder / "printed" / "a.log").write_text(printed(1, 3))
        process = one.start()
        until(lambda: len(server.observed()) == 3, one)
        assert server.token not in " ".join(psutil.Process(process.pid).cmdline())
        (one.folder / "token").write_text("0" * 64)
        with (one.folder / "printed" / "a.log").open("a") as file:
            file.write(printed(4, 4))
        until(lambda: "401" in one.log.read_text(), one)
        assert server.token not in one.log.read_text()
        assert "0" * 64 not in one.log.read_text()
        (one.folder / "token").write_text(server.token)  # a new token is taken up without a restart
        until(lambda: server.codes() == alarms(1, 4), one)


# --- nothing lost, nothing doubled --------------------------------------------------------------------


@pytest.mark.drill
def test_killed_again_and_again_it_loses_and_doubles_nothing(
    server: Server, tmp_path: Path, long_drill: bool
) -> None:
    """A machine prints, in pieces that end anywhere; the gateway is killed, the file rotated, the server too."""
    chance = random.Random(20261125)
    kills = 40 if long_drill else 6
    last = kills * 25
    text = printed(1, last).encode()
    with room(tmp_path / "room", server) as one:
        log = one.folder / "printed" / "alder.log"
        at, rotated = 0, count(1)
        for n in range(kills):
            one.start()
            for _ in range(10):
                end = min(len(text), at + chance.randrange(1, 2 * len(text) // kills // 10))
                with log.open("ab") as file:
                    file.write(text[at:end])
                at = end
                time.sleep(0.02)
            time.sleep(chance.random())
            if n % 3 == 1:
                log.rename(log.with_name(f"alder.log.{next(rotated)}"))
            if n == kills // 2:
                server.engine.kill("web")
                server.engine.start("web")
            one.kill()
        with log.open("ab") as file:
            file.write(text[at:])
        one.once()
        assert sorted(server.codes()) == sorted(alarms(1, last)) or _joined(one, server, last)
        assert [body["sequence"] for body in server.observed()] == list(range(1, len(server.observed()) + 1))


def _joined(one: Room, server: Server, last: int) -> bool:
    """A line that rotation cut in two is two halves in two files: each is told of, neither is guessed at."""
    missing = set(alarms(1, last)) - set(server.codes())
    halves = one.rejects().count("no pattern fits it")
    return len(server.codes()) == len(set(server.codes())) and len(missing) <= 2 * halves + 2


def test_it_waits_for_a_server_that_is_away(server: Server, tmp_path: Path) -> None:
    with room(tmp_path / "room", server) as one:
        server.engine.kill("web")
        (one.folder / "printed" / "a.log").write_text(printed(1, 20))
        one.start()
        until(lambda: "wait; again in" in (one.log.read_text() if one.log.exists() else ""), one)
        server.engine.start("web")
        until(lambda: server.codes() == alarms(1, 20), one)
        process = one.process
        assert process is not None
        process.terminate()
        assert process.wait(WAIT_S) == 0


def test_what_the_server_never_takes_is_told_with_its_line(server: Server, tmp_path: Path) -> None:
    with room(tmp_path / "room", server) as one:
        bell = "2026-03-02T07:00:00 ALARM A\x07\n"
        (one.folder / "printed" / "a.log").write_text(printed(1, 1) + bell + printed(2, 2))
        one.once()
        assert server.codes() == alarms(1, 2)
        assert "a.log line 2\tnot taken by the server, " in one.rejects()


# --- files --------------------------------------------------------------------------------------------


class Reader:
    """What the files of a folder give, look by look."""

    def __init__(self, folder: Path, encoding: str = "utf-8") -> None:
        self.folder, self.encoding = folder, encoding
        self.memory = Memory(folder.parent / "memory", 1)

    def look(self) -> list[str | None]:
        found: list[str | None] = []
        for piece in files.pieces(self.memory, self.folder, "*", self.encoding):
            self.memory.keep(piece.file, [])
            found += [text.line for text in piece.lines]
        return found


@pytest.fixture
def reader(tmp_path: Path) -> Reader:
    (tmp_path / "printed").mkdir()
    return Reader(tmp_path / "printed")


def test_a_half_written_line_waits_for_its_end(reader: Reader) -> None:
    log = reader.folder / "a.log"
    log.write_bytes(b"one\ntw")
    assert reader.look() == ["one"]
    log.write_bytes(b"one\ntwo\r\nthree\n")
    assert reader.look() == ["two", "three"]
    assert reader.look() == []


def test_rotation_by_renaming_goes_on_where_it_was(reader: Reader) -> None:
    log = reader.folder / "a.log"
    log.write_text("one\ntwo\n")
    assert reader.look() == ["one", "two"]
    with log.open("a") as file:
        file.write("three\n")
    log.rename(reader.folder / "a.log.1")
    log.write_text("four\n")
    assert sorted(map(str, reader.look())) == ["four", "three"]


def test_rotation_by_copying_is_not_read_twice(reader: Reader) -> None:
    log = reader.folder / "a.log"
    log.write_text("one\ntwo\n")
    assert reader.look() == ["one", "two"]
    with log.open("a") as file:
        file.write("three\n")
    shutil.copyfile(log, reader.folder / "a.log.1")
    os.truncate(log, 0)
    assert reader.look() == ["three"]
    with log.open("a") as file:
        file.write("four\n")
    assert reader.look() == ["four"]


@pytest.mark.parametrize("new", ["new\n", "new line one\nnew line two\nnew line three\n"])
def test_a_truncated_file_begins_anew(reader: Reader, new: str) -> None:
    """Also where it has grown beyond the old place before anybody looked."""
    log = reader.folder / "a.log"
    log.write_text("old one\nold two\n")
    reader.look()
    os.truncate(log, 0)
    with log.open("r+") as file:
        file.write(new)
    assert reader.look() == new.splitlines()


@pytest.mark.parametrize(
    ("written", "mark", "given"),
    [
        ("utf-8", b"", "utf-8"),
        ("utf-8", b"\xef\xbb\xbf", "latin-1"),
        ("utf-16-le", b"\xff\xfe", "utf-8"),
        ("utf-16-be", b"\xfe\xff", "utf-8"),
        ("utf-16-le", b"", "utf-16-le"),
        ("latin-1", b"", "latin-1"),
    ],
)
def test_an_encoding_is_taken_from_the_mark_before_the_configuration(
    tmp_path: Path, written: str, mark: bytes, given: str
) -> None:
    """`ĊĀ` and `਀` hold the byte of a line's end within (U+010A, U+0A00): they end no line."""
    (tmp_path / "printed").mkdir()
    reader = Reader(tmp_path / "printed", given)
    lines = ["Spülen", "größer"] if written == "latin-1" else ["Spülen", "\u010a\u0a00", "größer"]
    raw = mark + "".join(f"{line}\r\n" for line in lines).encode(written)
    log = reader.folder / "a.log"
    found: list[str | None] = []
    for end in (1, 2, 3, len(raw) // 2, len(raw) - 1, len(raw)):
        log.write_bytes(raw[:end])
        found += reader.look()
    assert found == lines


def test_bytes_of_another_encoding_are_told_and_not_guessed(reader: Reader) -> None:
    (reader.folder / "a.log").write_bytes(b"one\nSp\xfclen\nthree\n")
    assert reader.look() == ["one", None, "three"]


def test_a_line_without_an_end_is_passed_over(reader: Reader) -> None:
    (reader.folder / "a.log").write_bytes(b"x" * (files.PIECE + files.LONGEST) + b"\n" + b"last\n")
    found = reader.look()
    assert found[-1] == "last"
    assert None in found


def test_no_link_leads_out_of_the_folder(reader: Reader) -> None:
    elsewhere = reader.folder.parent / "secret"
    elsewhere.write_text("secret\n")
    (reader.folder / "a.log").symlink_to(elsewhere)
    assert reader.look() == []


# --- times --------------------------------------------------------------------------------------------

BERLIN = ZoneInfo("Europe/Berlin")
TIMES = {
    "2026-03-02T07:05:00": (datetime(2026, 3, 2, 6, 5, tzinfo=UTC), ""),
    "2026-07-02T07:05:00": (datetime(2026, 7, 2, 5, 5, tzinfo=UTC), ""),
    "2026-03-02T07:05:00+05:30": (datetime(2026, 3, 2, 1, 35, tzinfo=UTC), ""),
    # Summer time ends on 25 October 2026 at 03:00 (Directive 2000/84/EC): 02:30 comes twice.
    "2026-10-25T02:30:00": (datetime(2026, 10, 25, 0, 30, tzinfo=UTC), "02:30 came twice"),
    "2026-10-25T03:00:00": (datetime(2026, 10, 25, 2, 0, tzinfo=UTC), ""),
    # It begins on 29 March 2026 at 02:00: 02:30 never comes.
    "2026-03-29T02:30:00": (datetime(2026, 3, 29, 1, 30, tzinfo=UTC), "02:30 did not exist"),
}


@pytest.mark.parametrize("text", TIMES)
def test_a_time_on_the_wall_is_a_moment_and_its_doubts_are_told(text: str) -> None:
    found = moment(text, "iso", BERLIN)
    at, doubt = TIMES[text]
    assert found.at == at
    assert found.doubt.startswith(doubt)
    assert bool(found.doubt) == bool(doubt)


GERMAN = """
[folder]
path = "printed"
memory = "memory"
rejects = "rejects.txt"
time_format = "%d.%m.%Y %H:%M:%S"
[csv]
delimiter = ";"
columns = { time = "Zeit", event = "Art", code = "Code" }
[csv.events]
STOERUNG = { type = "alarm-raised" }
"""
TABLE = """Code;Zeit;Art
W01;25.10.2026 02:30:00;STOERUNG
W02;29.03.2026 02:30:00;STOERUNG
W03;29.03.2026 03:30:00;STOERUNG
"""
PRINTED = """> 2026-10-25T02:30:00 ALARM W01
> 2026-03-29T02:30:00 ALARM W02
> 2026-03-29T03:30:00 ALARM W03
"""


@pytest.mark.parametrize("form", ["lines", "a table"])
def test_a_doubtful_time_is_sent_and_told_with_its_line_its_column_and_what_to_do(
    server: Server, tmp_path: Path, form: str
) -> None:
    """Summer time of 2026 by Directive 2000/84/EC, articles 2 and 3."""
    tables = FOLDER.replace("'^(?P", "'^> (?P") if form == "lines" else GERMAN
    with room(tmp_path / "room", server, tables) as one:
        (one.folder / "printed" / "a.log").write_text(PRINTED if form == "lines" else TABLE)
        one.once()
        assert server.codes() == ["W01", "W02", "W03"]
        (twice, never) = one.rejects().splitlines()
    first, column = (1, "column 3") if form == "lines" else (2, "column 2 (Zeit)")
    assert f"a.log line {first}\tsent, but in doubt: {column}: 02:30 came twice that night" in twice
    assert f"a.log line {first + 1}\tsent, but in doubt: {column}: 02:30 did not exist that night" in never
    for told in (twice, never):
        assert "correct the entry on the load’s page" in told
    assert [body["occurred_at"] for body in server.observed()] == [
        *("2026-10-25T00:30:00Z", "2026-03-29T01:30:00Z", "2026-03-29T01:30:00Z"),
    ]


@pytest.mark.parametrize("text", ["", "yesterday", "2026-02-30T00:00:00", "9999-12-31T23:59:59-12:00", "2.3.26"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError):
        moment(text, "iso", BERLIN)


# --- the configuration --------------------------------------------------------------------------------

CSV = """
[folder]
path = "printed"
memory = "memory"
rejects = "rejects.txt"
time_format = "%d.%m.%Y %H:%M:%S"
[csv]
delimiter = ";"
columns = { time = "Zeit", event = "Art", cycle = "Zyklus", code = "Code", phase = "Phase", programme = "Programm" }
[csv.events]
START = { type = "cycle-started" }
ENDE = { type = "cycle-finished" }
STOERUNG = { type = "alarm-raised", set = { halts = true } }
INFO = {}
[phases]
SPUELEN = "rinse"
"""
HEADER = ["Zeit", "Zyklus", "Art", "Code", "Phase", "Programm"]


def configured(folder: Path, tables: str) -> config.Config:
    file = folder / "gateway.toml"
    file.write_text(TABLES.format(url="http://127.0.0.1:1/", batch=10) + tables)
    return config.read(file)


ROWS: dict[str, Any] = {
    "02.03.2026 07:05:00;4471;START;;;Instruments": ("cycle-started", {"programme": "Instruments"}),
    '02.03.2026 07:05:00;4471;STOERUNG;"W;02";SPUELEN;': (
        "alarm-raised",
        {"code": "W;02", "phase": "rinse", "halts": True},
    ),
    "02.03.2026 07:05:00;4471;INFO;;;": None,
}


@pytest.mark.parametrize("row", ROWS)
def test_a_row_means_what_its_columns_say(tmp_path: Path, row: str) -> None:
    seen = read_line(reading_of(configured(tmp_path, CSV)), row, HEADER)
    if ROWS[row] is None:
        assert seen is None
    else:
        assert seen is not None
        kind, data = ROWS[row]
        assert (seen.kind, seen.data) == (kind, {"chamber": "1", "machine_cycle": 4471} | data)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("02.03.2026 07:05:00;4471", "columns"),
        ("02.03.2026 07:05:00;4471;NEU;;;", "event"),
        ("02.03.2026;4471;ENDE;;;", "time"),
        (";4471;ENDE;;;", "no time"),
        ("02.03.2026 07:05:00;vier;ENDE;;;", "whole number"),
        ("02.03.2026 07:05:00;-1;ENDE;;;", "whole number"),
        ("02.03.2026 07:05:00;4471;STOERUNG;" + "c" * 41 + ";;", "40 characters"),
        ('02.03.2026 07:05:00;4471;ENDE;"', "row of CSV"),
        ("=HYPERLINK(1);;ENDE;;;", "time"),
    ],
)
def test_a_row_that_means_nothing_says_why(tmp_path: Path, row: str, why: str) -> None:
    with pytest.raises(Unreadable, match=why):
        read_line(reading_of(configured(tmp_path, CSV)), row, HEADER)


ODD = {
    "no source": "",
    "two sources": FOLDER + MQTT.format(port=1),
    "a member nobody knows": FOLDER.replace("every_s", "every_minute"),
    "a pattern that is none": FOLDER.replace("ALARM (", "ALARM (("),
    "a group nobody knows": FOLDER.replace("<code>", "<kode>"),
    "a type nobody knows": FOLDER.replace("alarm-raised", "load-released"),
    "a decision": FOLDER + 'set = { disposition = "released" }',
    "an encoding nobody knows": FOLDER.replace("every_s = 0.02", 'encoding = "ebcdic"'),
    "no TOML": FOLDER + "[",
    "a table twice": FOLDER + "[machine]",
    "a column nobody knows": CSV.replace("cycle =", "zyklus ="),
    "no column for the time": CSV.replace('time = "Zeit", ', ""),
}


@pytest.mark.parametrize("case", ODD)
def test_an_odd_configuration_is_refused_with_its_place(tmp_path: Path, case: str) -> None:
    with pytest.raises(config.Odd) as refused:
        configured(tmp_path, ODD[case])
    assert str(refused.value)


@pytest.mark.parametrize("given", ["", "two words", "täken", "\n"])
def test_a_token_file_without_a_token_says_so_and_shows_nothing(tmp_path: Path, given: str) -> None:
    (tmp_path / "token").write_text(given)
    with pytest.raises(config.Odd, match="There is no token"):
        config.secret(str(tmp_path / "token"), "")


# --- MQTT ---------------------------------------------------------------------------------------------


@contextlib.contextmanager
def broker(program: str, folder: Path) -> Iterator[int]:
    """A Mosquitto on a loopback port of its own, which keeps what it holds for whoever is away."""
    folder.mkdir()
    folder.chmod(0o777)  # as root it becomes another user
    with socket.create_server(("127.0.0.1", 0)) as free:
        port: int = free.getsockname()[1]
    told = folder / "mosquitto.conf"
    told.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n")
    process = subprocess.Popen([program, "-c", str(told)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        until(lambda: _answers(port))
        yield port
    finally:
        process.kill()
        process.wait()


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=1):
        return True
    return False


def publish(port: int, messages: Sequence[str | bytes]) -> None:
    """As a machine would, each with QoS 1 and seen by the broker."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="alder")
    client.connect("127.0.0.1", port)
    client.loop_start()
    for message in messages:
        client.publish("alder/observations", message, qos=1).wait_for_publish(WAIT_S)
    client.disconnect()
    client.loop_stop()


def event(number: int) -> str:
    data = {"chamber": "1", "code": f"A{number}"}
    told = {"specversion": "1.0", "type": "alarm-raised", "source": "alder", "id": str(number)}
    return json.dumps(told | {"time": "2026-03-02T07:00:00Z", "sequence": number, "data": data})


def test_what_is_published_arrives_though_server_and_gateway_go_away(
    server: Server, tmp_path: Path, mosquitto_path: str
) -> None:
    """Acknowledged to the broker only after the server's receipt: a gateway killed in between is told again."""
    with (
        broker(mosquitto_path, tmp_path / "broker") as port,
        room(tmp_path / "room", server, MQTT.format(port=port)) as one,
    ):
        one.start()
        until(lambda: "subscribed" in one.log.read_text(), one)
        publish(port, [event(n) for n in range(1, 11)])
        until(lambda: server.codes() == alarms(1, 10), one)
        server.engine.kill("web")
        publish(port, [event(n) for n in range(11, 31)])
        until(lambda: "wait; again in" in one.log.read_text(), one)
        one.kill()  # while it holds what the server has not seen
        publish(port, [event(n) for n in range(31, 41)])
        server.engine.start("web")
        one.start()
        until(lambda: len(server.codes()) == 40, one)
        assert server.codes() == alarms(1, 40)
        assert [body["sequence"] for body in server.observed()] == list(range(1, 41))


def test_what_is_no_observation_is_told_and_holds_nothing_up(
    server: Server, tmp_path: Path, mosquitto_path: str
) -> None:
    with (
        broker(mosquitto_path, tmp_path / "broker") as port,
        room(tmp_path / "room", server, MQTT.format(port=port)) as one,
    ):
        one.start()
        until(lambda: "subscribed" in one.log.read_text(), one)
        publish(port, [b"\xff\xfe", "[]", "{}", event(1)])
        until(lambda: server.codes() == alarms(1, 1), one)
        until(lambda: one.rejects().count("\n") == 3, one)
