"""One department can neither read, change nor infer what is another's (I16)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import alarms, cycles, holds
from incidents.operations.deeds import Outcome, Request
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    given_reviewed_load,
    hire,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
    signed_by,
    tell,
    whole_log,
)
from tests.story import ALL_MET, id_of

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


def replaced(asked: Request, **changed: Any) -> Request:
    return Request(**{name: getattr(asked, name) for name in asked.__struct_fields__} | changed)


# --- another department -------------------------------------------------------------------------------


@pytest.fixture
def westmere() -> Department:
    """Where Otto works: a department of the same make, with loads of its own."""
    other = open_department(name="Westmere")
    hire(other, "Otto", "supervisor", "release")
    return other


ON_A_LOAD: dict[str, Callable[[Request, UUID], Outcome]] = {
    "start": lambda asked, load: cycles.start_cycle(asked, load=load, programme=PROGRAMME_NAME),
    "alarm": lambda asked, load: alarms.report_alarm(asked, load=load, code="W01", phase="wash"),
    "end": lambda asked, load: cycles.report_end(asked, load=load),
    "abort": lambda asked, load: alarms.abort_cycle(asked, load=load, reason="fault"),
    "place": lambda asked, load: cycles.place_load(asked, load=load, place="quarantine"),
    "rerun": lambda asked, load: cycles.rerun_load(asked, load=load),
    "review": lambda asked, load: holds.review_load(asked, load=load, record_seen=True, verdicts=ALL_MET),
    "hold": lambda asked, load: holds.hold_load(asked, load=load, words="wet"),
    "lift": lambda asked, load: holds.lift_hold(asked, load=load, hold="manual:x", words="dry", signings=[]),
    "release": lambda asked, load: holds.release_load(asked, load=load, purpose="use", signings=[]),
}


@pytest.mark.parametrize("act", ON_A_LOAD.values(), ids=ON_A_LOAD)
def test_another_departments_load_is_no_load_at_all(spd: Department, westmere: Department, act: Any) -> None:
    """I16: the answer is the same as for a load that never was."""
    theirs = given_reviewed_load(westmere)
    before = len(whole_log(westmere))
    otto = replaced(request(westmere, "Otto"), facility=spd.id)
    answers = [act(replaced(otto, deed=spd.new_deed()), load) for load in (theirs, NOBODY)]
    assert answers[0] == answers[1]
    assert refused(answers[0]) == "load-unknown"
    assert len(whole_log(westmere)) == before


def test_another_departments_trays_and_machine_are_unknown_here(spd: Department, westmere: Department) -> None:
    def assemble(**what: Any) -> str:
        given: dict[str, Any] = {"machine": spd.machine, "chamber": "1", "trays": spd.trays} | what
        return nothing_written(spd, lambda: cycles.assemble_load(request(spd, "Ines"), **given))

    assert assemble(trays=westmere.trays) == "tray-unknown"
    assert assemble(machine=westmere.machine) == "machine-unknown"
    assert nothing_written(spd, lambda: tell(spd, "cycle-finished", machine=westmere.machine)) == "machine-unknown"


def test_a_signature_made_elsewhere_is_void_here(spd: Department, westmere: Department) -> None:
    load, theirs = given_reviewed_load(spd), given_reviewed_load(westmere)
    asked = request(spd, "Ines")
    signings = [signed_by(westmere, "Ines", theirs, asked.deed)]
    asked = replaced(asked, now=westmere.now)
    assert refused(holds.release_load(asked, load=load, purpose="packing", signings=signings)) == "signature-void"


def test_rights_here_are_none_there(spd: Department, westmere: Department) -> None:
    from incidents.identity.rights import Rights, rights

    assert rights(westmere.people["Otto"].id, spd.id, spd.now.date()) == Rights((), ())
