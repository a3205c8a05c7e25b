"""Words, names and numbers that nobody should send: refused with a sentence, or recorded; they break nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from incidents.ledger.reading import words_of
from incidents.ledger.writing import Receipt
from incidents.operations import cycles, holds, programmes, setting_up
from incidents.operations.deeds import Outcome
from incidents.rules.events import Criterion, Phase, Stream
from incidents.rules.refusals import Refusal
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    events_of,
    given_aborted_load,
    given_assembled_load,
    given_finished_load,
    given_reviewed_load,
    given_running_load,
    hold,
    last_event,
    let_go,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
    tell,
    whole_log,
)
from tests.story import CRITERIA, PHASES, id_of

pytestmark = pytest.mark.django_db
NOBODY = id_of("nobody's")


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def nothing_written(spd: Department, deed: Callable[[], Outcome]) -> str:
    """Do it; it must be refused without a trace. Returns the refusal's code."""
    before = len(whole_log(spd))
    code = refused(deed())
    assert len(whole_log(spd)) == before
    return code


# --- with what words ----------------------------------------------------------------------------------

BAD_TEXT = {
    "a bell": ("ring\a", "control-character"),
    "a null": ("a\0b", "control-character"),
    "an escape": ("\x1b[31mred", "control-character"),
    "half a character": ("\ud83d", "control-character"),
    "100 kB": ("wet " * 25_000, "text-too-long"),
}


@pytest.mark.parametrize(("text", "code"), BAD_TEXT.values(), ids=BAD_TEXT)
def test_text_that_cannot_be_kept_is_refused(spd: Department, text: str, code: str) -> None:
    load = given_aborted_load(spd)
    assert nothing_written(spd, lambda: hold(spd, load, words=text)) == code
    assert nothing_written(spd, lambda: register(spd, text)) == code


def register(spd: Department, name: str) -> Outcome:
    return setting_up.register_set(request(spd, "Ada"), name=name, owner="Theatre 1", labels=["one"])


@pytest.mark.parametrize("words", ["", "   ", "\n\t"])
def test_a_hold_says_why(spd: Department, words: str) -> None:
    load = given_aborted_load(spd)
    assert nothing_written(spd, lambda: hold(spd, load, words=words)) == "reason-missing"


def test_words_in_any_language_are_kept_as_they_were(spd: Department) -> None:
    load = given_aborted_load(spd)
    words = "Sieb 3 naß: 滤网 🧪 \u202emore\u202c\nsecond line\tend"
    done(hold(spd, load, words=words))
    digest = last_event(spd, load).words.digest
    assert words_of(spd.id, [digest]) == {digest: words}


LONG = "A very long name, " * 20  # 360 characters: more than any column of a name holds
TOO_LONG: dict[str, Callable[[Department], Outcome]] = {
    "a set": lambda spd: register(spd, LONG),
    "a tray": lambda spd: setting_up.register_set(request(spd, "Ada"), name="x", owner="y", labels=[LONG]),
    "an owner": lambda spd: setting_up.register_set(request(spd, "Ada"), name="x", owner=LONG, labels=["z"]),
    "a machine": lambda spd: setting_up.register_machine(request(spd, "Ada"), name=LONG, code="x", chambers=["1"]),
    "a code": lambda spd: setting_up.register_machine(request(spd, "Ada"), name="x", code=LONG, chambers=["1"]),
    "a chamber": lambda spd: setting_up.register_machine(
        request(spd, "Ada"), name="x", code="y", chambers=["1", LONG]
    ),
    "a programme": lambda spd: programmes.draft_programme(
        request(spd, "Bo"), name=LONG, phases=PHASES, expected_s=60, grace_s=0, criteria=CRITERIA
    ),
    "a spot": lambda spd: cycles.place_load(
        request(spd, "Ines"), load=given_aborted_load(spd), place="quarantine", spot=LONG
    ),
}


@pytest.mark.parametrize("name", TOO_LONG.values(), ids=TOO_LONG)
def test_a_name_that_no_column_holds_is_kept_or_refused_but_breaks_nothing(spd: Department, name: Any) -> None:
    """The same on both databases: PostgreSQL's columns end, SQLite's don't."""
    assert isinstance(name(spd), Receipt | Refusal)


MACHINE_SAYS: dict[str, tuple[str, dict[str, Any]]] = {
    "a long text": ("alarm-raised", {"code": "X99", "phase": "wash", "text": LONG}),
    "a long code": ("alarm-raised", {"code": LONG, "phase": "wash"}),
    "a long phase": ("alarm-raised", {"code": "W01", "phase": LONG}),
    "a long programme": ("cycle-started", {"programme": LONG}),
    "a large counter": ("cycle-finished", {"cycle": 2**53 - 1}),
    "a negative counter": ("cycle-finished", {"cycle": -1}),
}


@pytest.mark.parametrize(("kind", "said"), MACHINE_SAYS.values(), ids=MACHINE_SAYS)
def test_whatever_a_machine_says_is_recorded(spd: Department, kind: str, said: dict[str, Any]) -> None:
    """Design 13: observations are never refused, in whatever length they come."""
    load = given_assembled_load(spd)
    if kind != "cycle-started":
        done(tell(spd, "cycle-started", programme=PROGRAMME_NAME))
    before = len(events_of(spd, load))
    done(tell(spd, kind, **said))
    assert len(events_of(spd, load)) == before + 1


def test_a_chamber_that_the_machine_has_not_is_the_machines_affair(spd: Department) -> None:
    done(tell(spd, "alarm-raised", chamber=LONG, code="W01", phase="wash"))
    alarm: Any = whole_log(spd)[-1]
    assert alarm.stream == Stream("machine", spd.machine)
    assert alarm.data.chamber == LONG


ODD_ANSWERS: dict[str, Callable[[Department], Outcome]] = {
    "a criterion in Greek": lambda spd: holds.review_load(
        request(spd, "Ines"), load=given_finished_load(spd), record_seen=True, verdicts={"θ": "met"}
    ),
    "a counter beyond 2^53": lambda spd: cycles.start_cycle(
        request(spd, "Ines"), load=given_assembled_load(spd), programme=PROGRAMME_NAME, machine_cycle=2**60
    ),
    "a verdict that is none": lambda spd: holds.review_load(
        request(spd, "Ines"),
        load=given_finished_load(spd),
        record_seen=True,
        verdicts={"a0": "fine"},  # type: ignore[dict-item]
    ),
    "a purpose that is none": lambda spd: let_go(spd, given_reviewed_load(spd), purpose="fun"),
    "a place that is none": lambda spd: cycles.place_load(
        request(spd, "Ines"),
        load=given_aborted_load(spd),
        place="roof",  # type: ignore[arg-type]
    ),
    "a chamber as a place": lambda spd: cycles.place_load(
        request(spd, "Ines"), load=given_aborted_load(spd), place="chamber"
    ),
    "no trays": lambda spd: cycles.assemble_load(request(spd, "Ines"), machine=spd.machine, chamber="1", trays=[]),
    "a chamber it has not": lambda spd: cycles.assemble_load(
        request(spd, "Ines"), machine=spd.machine, chamber="9", trays=spd.trays
    ),
    "a programme nobody published": lambda spd: cycles.start_cycle(
        request(spd, "Ines"), load=given_assembled_load(spd), programme="Turbo"
    ),
    "two signatures to release": lambda spd: let_go(spd, given_reviewed_load(spd), signings=[NOBODY, NOBODY]),
    "no signature to release": lambda spd: let_go(spd, given_reviewed_load(spd), signings=[]),
    "a start of a started load": lambda spd: cycles.start_cycle(
        request(spd, "Ines"), load=given_running_load(spd), programme=PROGRAMME_NAME
    ),
    "an end of an unstarted load": lambda spd: cycles.report_end(
        request(spd, "Ines"), load=given_assembled_load(spd)
    ),
}


@pytest.mark.parametrize("answer", ODD_ANSWERS.values(), ids=ODD_ANSWERS)
def test_odd_answers_get_a_sentence_and_no_traceback(spd: Department, answer: Any) -> None:
    assert refused(answer(spd))


SET_UP: dict[str, Callable[[Department], Outcome]] = {
    "a machine without a chamber": lambda spd: setting_up.register_machine(
        request(spd, "Ada"), name="Birch", code="M-2", chambers=[" "]
    ),
    "a second machine of that name": lambda spd: setting_up.register_machine(
        request(spd, "Ada"), name="alder", code="M-2", chambers=["1"]
    ),
    "a tray label that exists": lambda spd: setting_up.register_set(
        request(spd, "Ada"), name="Other", owner="", labels=["Basic set 1"]
    ),
    "a tray label twice": lambda spd: setting_up.register_set(
        request(spd, "Ada"), name="Other", owner="", labels=["A", "A"]
    ),
    "a programme without phases": lambda spd: publish(spd, phases=[]),
    "a phase twice": lambda spd: publish(spd, phases=[Phase("wash", "Wash", 1)] * 2),
    "a programme of no time": lambda spd: publish(spd, expected_s=0),
    "a programme of two days": lambda spd: publish(spd, expected_s=2 * 86400),
    "a criterion twice": lambda spd: publish(spd, criteria=CRITERIA[:1] * 2),
    "nothing about disinfection": lambda spd: publish(spd, criteria=[Criterion("dose", "Dosed", "cleaning")]),
}


def publish(spd: Department, **more: Any) -> Outcome:
    recipe: dict[str, Any] = {"phases": PHASES, "expected_s": 60, "grace_s": 0, "criteria": CRITERIA} | more
    return programmes.draft_programme(request(spd, "Bo"), name="New", **recipe)


@pytest.mark.parametrize("attempt", SET_UP.values(), ids=SET_UP)
def test_what_set_up_does_not_take(spd: Department, attempt: Any) -> None:
    assert nothing_written(spd, lambda: attempt(spd))
