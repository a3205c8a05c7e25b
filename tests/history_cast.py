"""A past for the cast's department: older records of Alder, and the command that imports files of them."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple
from uuid import UUID

from django.core.management import call_command

from incidents.operations import history
from incidents.operations.history import SaidOfAlarm, SaidOfLoad, SaidOfRepair
from tests.cast import Department, done, request, whole_log

LONG_AGO = datetime(2025, 3, 3, 6, 0, tzinfo=UTC)


def a_past_load(department: Department, cycle: int | None = 4470, **more: Any) -> SaidOfLoad:
    given: dict[str, Any] = {
        "machine": department.machine,
        "chamber": "1",
        "started_at": LONG_AGO,
        "outcome": "complete",
        "source": "loads.csv",
        "line": 2,
        "machine_cycle": cycle,
        "programme": "Instruments",
        "stated": "o.k.",
    } | more
    return SaidOfLoad(**given)


def a_past_alarm(department: Department, cycle: int | None = 4470, **more: Any) -> SaidOfAlarm:
    given: dict[str, Any] = {
        "machine": department.machine,
        "code": "F07",
        "raised_at": LONG_AGO + timedelta(minutes=9),
        "source": "alarms.csv",
        "line": 2,
        "chamber": "1",
        "machine_cycle": cycle,
        "phase": "wash",
    } | more
    return SaidOfAlarm(**given)


def a_past_repair(department: Department, **more: Any) -> SaidOfRepair:
    given: dict[str, Any] = {
        "machine": department.machine,
        "out_at": LONG_AGO + timedelta(days=1),
        "words": "Circulation pump replaced.",
        "source": "repairs.csv",
        "line": 2,
    } | more
    return SaidOfRepair(**given)


def given_past_load(department: Department, cycle: int | None = 4470, **more: Any) -> UUID:
    """A load of imported history; returns its stream."""
    said = a_past_load(department, cycle, **more)
    done(history.import_load(request(department, "Ada"), said=said))
    return whole_log(department)[-1].stream.id


def import_past(department: Department) -> None:
    """One past load with its alarm, and one repair."""
    done(history.import_load(request(department, "Ada"), said=a_past_load(department)))
    done(history.import_alarm(request(department, "Ada"), said=a_past_alarm(department)))
    done(history.import_repair(request(department, "Ada"), said=a_past_repair(department)))


# --- the command --------------------------------------------------------------------------------------


class Answer(NamedTuple):
    """What the command said and how it left; `told` is its JSON object."""

    code: int
    out: str
    err: str

    @property
    def told(self) -> dict[str, Any]:
        found: dict[str, Any] = json.loads(self.out)
        return found

    @property
    def problems(self) -> list[tuple[str, int, str, str]]:
        return [(one["file"], one["line"], one["column"], one["code"]) for one in self.told["problems"]]


def give(department: Department, *files: Path, by: str = "Ada", **options: Any) -> Answer:
    """`manage.py import-history --json` over these files, as a department's administrator gives it."""
    out, err = io.StringIO(), io.StringIO()
    asked = {"facility": department.facility.slug, "by": department.people[by].login, "json": True} | options
    try:
        call_command("import-history", *map(str, files), stdout=out, stderr=err, **asked)
    except SystemExit as left:
        return Answer(int(str(left.code)), out.getvalue(), err.getvalue())
    return Answer(0, out.getvalue(), err.getvalue())


def csv_file(folder: Path, name: str, *lines: str, end: str = "\n", encoding: str = "utf-8") -> Path:
    path = folder / name
    path.write_bytes((end.join(lines) + end).encode(encoding))
    return path


def loads_of(*lines: str) -> Iterator[str]:
    """A file of loads of Alder: headings, then the lines."""
    yield "machine,counter,programme,start,end,outcome,trays"
    yield from lines
