"""Imported history: it is found and counted, and nothing here is otherwise because of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.test import Client
from msgspec.structs import replace

from incidents.ledger.browsing import Filter
from incidents.operations import alarms, cycles, history, holds
from incidents.pages.templatetags.sluicegate import words as in_words
from incidents.projections.models import PastAlarmRow, PastLoadRow, PastRepairRow
from incidents.queries import counters, evidence, facts, floor, loads, search
from incidents.rules import history as rules
from incidents.rules.events import NoteAdded, PastLoadImported, Stream
from incidents.rules.history import DISPOSITION, Past
from tests import cast, visitors
from tests.bare_ledger import ask, everything
from tests.cast import (
    Department,
    done,
    given_aborted_load,
    given_released_load,
    given_reviewed_load,
    given_running_load,
    open_department,
    rebuilt_equals_live,
    refused,
    register_machine,
    request,
    whole_log,
)
from tests.history_cast import (
    LONG_AGO,
    a_past_alarm,
    a_past_load,
    a_past_repair,
    given_past_load,
    import_past,
)
from tests.story import ALDER, WORDS, id_of, story

pytestmark = pytest.mark.django_db
PAST_TABLES = ("read_past_load", "read_past_alarm", "read_past_repair")


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def read_models() -> dict[str, list[Any]]:
    """Every row of every read model but those of imported history."""
    return {
        name: rows for name, rows in everything().items() if name.startswith("read_") and name not in PAST_TABLES
    }


def said_of_all(spd: Department) -> list[history.PastSaid]:
    return [a_past_load(spd), a_past_alarm(spd), a_past_repair(spd)]


def tell_of(spd: Department, said: history.PastSaid, who: str = "Ada") -> Any:
    deeds: dict[Any, Any] = {
        history.SaidOfLoad: history.import_load,
        history.SaidOfAlarm: history.import_alarm,
        history.SaidOfRepair: history.import_repair,
    }
    return deeds[type(said)](request(spd, who), said=said)


# --- it disturbs nothing ------------------------------------------------------------------------------


def test_no_row_of_what_is_here_now_moves_because_of_it(spd: Department) -> None:
    """A running load, an aborted one and one to be released, with the very trays that the old record names."""
    other = cast.register_set(spd, "Hip set", 1)
    given_aborted_load(spd, cycle=4471)
    given_reviewed_load(spd, trays=other)
    given_running_load(spd, machine=register_machine(spd, "Birch"), trays=cast.register_set(spd, "Eye set", 1))
    before = read_models()
    for cycle, outcome in enumerate(("complete", "not-complete", "unknown"), 1):
        labels = ("Basic set 1", "Basic set 2", "Hip set 1")
        done(tell_of(spd, a_past_load(spd, cycle, outcome=outcome, trays=labels)))
        for n in range(5):  # more often than the policy lets one fault come up
            at = LONG_AGO + timedelta(minutes=cycle, seconds=n)
            done(tell_of(spd, a_past_alarm(spd, cycle, code="W02", raised_at=at)))
    done(tell_of(spd, a_past_repair(spd)))
    assert read_models() == before
    assert [len(ask(f"SELECT owner FROM {table}")) for table in PAST_TABLES] == [3, 15, 1]


def test_a_complete_cycle_of_the_past_accounts_for_no_tray(spd: Department) -> None:
    """It claims to have ended after the abort, with the same trays: the aborted load stays held all the same."""
    load = given_aborted_load(spd)
    later = {"started_at": spd.now, "trays": ("Basic set 1", "Basic set 2")}
    spd.wait(90)
    done(tell_of(spd, a_past_load(spd, 9000, **later)))
    assert cast.fate(spd, load) == "quarantined"
    assert "cycle-incomplete" in cast.standing(spd, load)


def test_it_is_nowhere_among_what_needs_someone_or_may_be_released(spd: Department) -> None:
    import_past(spd)
    assert floor.open_items(spd.id) == []
    assert floor.ready_for_release(spd.id) == []
    assert loads.newest(spd.id, limit=1) == []
    assert facts.unreleased_loads(spd.id) == []
    assert [one.load for one in floor.chambers(spd.id)] == [None]
    assert floor.counts(spd.id) == {"held": 0, "review": 0, "recall": 0}
    assert search.load_by_code(spd.id, "Alder 4470") is None
    assert counters.gaps(spd.id, spd.machine) == []


def test_the_counter_owes_nothing_between_the_past_and_the_first_load_here(spd: Department) -> None:
    given_past_load(spd, 1)
    given_running_load(spd, cycle=4471)
    assert counters.gaps(spd.id, spd.machine) == []


DEEDS: dict[str, Any] = {
    "start": lambda asked, past: cycles.start_cycle(asked, load=past, programme="Instruments"),
    "end": lambda asked, past: cycles.report_end(asked, load=past),
    "place": lambda asked, past: cycles.place_load(asked, load=past, place="clean-side"),
    "rerun": lambda asked, past: cycles.rerun_load(asked, load=past),
    "alarm": lambda asked, past: alarms.report_alarm(asked, load=past, code="W02", phase="wash"),
    "review": lambda asked, past: holds.review_load(asked, load=past, record_seen=True, verdicts={}),
    "hold": lambda asked, past: holds.hold_load(asked, load=past, words="wet"),
    "release": lambda asked, past: holds.release_load(asked, load=past, purpose="use", signings=[]),
}


@pytest.mark.parametrize("deed", DEEDS)
def test_no_deed_reaches_it(spd: Department, deed: str) -> None:
    past = given_past_load(spd)
    before = everything()
    assert refused(DEEDS[deed](request(spd, "Sanne"), past)) == "load-unknown"
    assert everything() == before


def test_it_is_no_late_entry_of_this_department(spd: Department) -> None:
    import_past(spd)
    late = evidence.browse(spd.id, Filter(late_only=True, not_kind="history"))
    assert late.lines == ()
    assert len(evidence.browse(spd.id, Filter(stream_kind="history")).lines) == 3


# --- it is told once ----------------------------------------------------------------------------------


@pytest.mark.parametrize("which", [0, 1, 2], ids=["load", "alarm", "repair"])
def test_the_same_telling_again_writes_nothing_whoever_tells_it(spd: Department, which: int) -> None:
    said = said_of_all(spd)[which]
    done(tell_of(spd, said))
    before = everything()
    cast.hire(spd, "Otto", "administrator")
    elsewhere = replace(said, source="again.csv", line=9)
    assert refused(tell_of(spd, elsewhere, "Otto")) == history.KNOWN
    assert everything() == before


OTHERWISE = {
    "outcome": lambda spd: a_past_load(spd, outcome="not-complete"),
    "programme": lambda spd: a_past_load(spd, programme="Heavy"),
    "start": lambda spd: a_past_load(spd, started_at=LONG_AGO + timedelta(minutes=1)),
    "acknowledged": lambda spd: a_past_alarm(spd, acknowledged_at=LONG_AGO + timedelta(hours=1)),
    "back": lambda spd: a_past_repair(spd, back_at=LONG_AGO + timedelta(days=2)),
}


@pytest.mark.parametrize("what", OTHERWISE)
def test_what_was_imported_is_not_imported_otherwise(spd: Department, what: str) -> None:
    import_past(spd)
    before = everything()
    assert refused(tell_of(spd, OTHERWISE[what](spd))) == "imported-otherwise"
    assert everything() == before


def test_a_load_that_was_watched_here_is_told_here(spd: Department) -> None:
    """An older record of the same cycle would count it twice."""
    given_running_load(spd, cycle=4471)
    assert refused(tell_of(spd, a_past_load(spd, 4471))) == "cycle-known"
    assert refused(tell_of(spd, a_past_alarm(spd, 4471))) == "cycle-known"
    assert refused(tell_of(spd, a_past_alarm(spd, 4471, chamber=""))) == "cycle-known"
    done(tell_of(spd, a_past_load(spd, 4470)))


FLAWS: dict[str, tuple[Any, str]] = {
    "ahead": (lambda spd: a_past_load(spd, started_at=spd.now + timedelta(days=1)), "history-ahead"),
    "end ahead": (lambda spd: a_past_load(spd, ended_at=spd.now + timedelta(days=1)), "history-ahead"),
    "the year 25": (lambda spd: a_past_load(spd, started_at=datetime(25, 3, 3, tzinfo=UTC)), "history-odd"),
    "end first": (lambda spd: a_past_load(spd, ended_at=LONG_AGO - timedelta(minutes=1)), "history-order"),
    "seen first": (lambda spd: a_past_alarm(spd, acknowledged_at=LONG_AGO), "history-order"),
    "gone first": (lambda spd: a_past_alarm(spd, cleared_at=LONG_AGO), "history-order"),
    "back first": (lambda spd: a_past_repair(spd, back_at=LONG_AGO), "history-order"),
    "chamber": (lambda spd: a_past_load(spd, chamber="7"), "chamber-unknown"),
    "no chamber": (lambda spd: a_past_load(spd, chamber=""), "chamber-unknown"),
    "its chamber": (lambda spd: a_past_repair(spd, chamber="7"), "chamber-unknown"),
    "counter": (lambda spd: a_past_load(spd, -1), "counter-odd"),
    "long": (lambda spd: a_past_load(spd, programme="x" * 81), "text-too-long"),
    "long tray": (lambda spd: a_past_load(spd, trays=("x" * 81,)), "text-too-long"),
    "trays": (lambda spd: a_past_load(spd, trays=tuple(map(str, range(201)))), "trays-many"),
    "code": (lambda spd: a_past_alarm(spd, code=""), "code-missing"),
    "machine": (lambda spd: a_past_load(spd, machine=id_of("nobody's")), "machine-unknown"),
}


@pytest.mark.parametrize("flaw", FLAWS)
def test_what_cannot_be_history_is_refused_and_nothing_is_written(spd: Department, flaw: str) -> None:
    said, code = FLAWS[flaw]
    before = everything()
    assert refused(tell_of(spd, said(spd))) == code
    assert everything() == before


def test_one_facilitys_past_is_not_anothers(spd: Department) -> None:
    other = open_department()
    import_past(spd)
    done(tell_of(other, a_past_load(other)))
    assert {event.stream.id for event in whole_log(other)}.isdisjoint(event.stream.id for event in whole_log(spd))


# --- the fold -----------------------------------------------------------------------------------------


def test_the_first_telling_stands_whatever_is_written_beside_it() -> None:
    told = PastLoadImported(ALDER, "Alder", "1", "", "unknown", "", "loads.csv", 2, machine_cycle=7)
    stream = Stream("history", id_of("past"))
    events = story(NoteAdded(words=WORDS), told, replace(told, outcome="complete"), stream=stream)
    past = rules.fold(stream.id, events)
    assert (past.told, past.at, past.version, past.name) == (told, events[1].occurred_at, 3, "Alder 7")
    assert rules.fold(stream.id, []) == Past(stream.id)


# --- where it is found --------------------------------------------------------------------------------


@pytest.fixture
def eastmere(monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    rebuilt_equals_live(department)


def read(client: Client, url: str) -> str:
    answer = client.get(url, follow=True)
    assert answer.status_code == 200
    return visitors.words_of(answer)


def test_its_page_says_what_it_is_and_offers_no_deed(eastmere: Department) -> None:
    past = given_past_load(eastmere, trays=("Hip tray 1",), source="loads.csv", line=12, stated="i.O.")
    done(tell_of(eastmere, a_past_alarm(eastmere, title="Pressure low")))
    ines = visitors.visitor(eastmere, "Ines")
    url = visitors.address(eastmere, "past-load", past=past)
    page = read(ines, url)
    assert f"Alder 4470 is {DISPOSITION}" in page
    for words in ("It proves nothing.", "“i.O.”, taken for complete", "Hip tray 1", "loads.csv, line 12", "F07"):
        assert words in page
    main = ines.get(url).content.decode().partition("<main")[2]
    assert "What the record says" in main
    assert 'method="post"' not in main


def test_it_is_found_by_search_by_code_and_on_its_machines_page(eastmere: Department) -> None:
    import_past(eastmere)
    given_past_load(eastmere, 4469, trays=("Hip tray 1",))
    ines = visitors.visitor(eastmere, "Ines")
    for wanted, name in {"Alder 4470": "Alder 4470", "hip tray": "Alder 4469"}.items():
        found = read(ines, visitors.address(eastmere, "loads") + f"?search={wanted}")
        assert "Imported history, not judged here" in found
        assert name in found
    assert "Imported history" not in read(ines, visitors.address(eastmere, "loads"))
    assert "Alder 4470 is imported history" in read(ines, visitors.address(eastmere, "scan") + "?code=alder+4470")
    page = read(ines, visitors.address(eastmere, "machine", machine=eastmere.machine))
    assert "2 loads, 1 alarm and 1 repair from older records" in page
    assert "Circulation pump replaced." in page
    assert "4470" not in read(ines, visitors.address(eastmere, "now"))


def test_its_rows_carry_what_trends_will_ask(spd: Department) -> None:
    import_past(spd)
    load, alarm, repair = PastLoadRow.objects.get(), PastAlarmRow.objects.get(), PastRepairRow.objects.get()
    assert (load.machine, load.machine_cycle, load.started_at) == (spd.machine, 4470, LONG_AGO)
    assert (alarm.machine, alarm.machine_cycle, alarm.code, alarm.phase) == (spd.machine, 4470, "F07", "wash")
    assert alarm.raised_at == LONG_AGO + timedelta(minutes=9)
    assert (repair.machine, repair.out_at, repair.back_at) == (spd.machine, LONG_AGO + timedelta(days=1), None)
    assert in_words(load.outcome) == "complete"


def test_a_released_load_of_the_same_name_is_found_first(spd: Department) -> None:
    past = given_past_load(spd, 4472)
    load = given_released_load(spd, cycle=4472)
    assert search.load_by_code(spd.id, "Alder 4472") == load != past
    assert isinstance(past, UUID)
