"""What a shift asks of the screens in words, and not in records that have to be opened."""

import pytest

from incidents.identity.ids import named
from incidents.operations import alarms
from tests import cast, visitors
from tests.cast import Department, done, request
from tests.visitors import address, visitor, words_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd(db: None) -> Department:
    return visitors.another_department("eastmere")


def test_evidence_says_which_hold_was_lifted_by_whom_and_why(spd: Department) -> None:
    load = cast.given_finished_load(spd)
    done(cast.hold(spd, load, words="A tray is wet."))
    key = next(hold.key for hold in cast.standing_holds(cast.load_now(spd, load)) if hold.code == "manual")
    done(cast.lift(spd, load, key, "Sanne"))
    page = words_of(visitor(spd, "Quinn").get(address(spd, "evidence") + "?type=overrides"))
    assert "Hold lifted by Sanne" in page
    assert "“Looked into it.”" in page


def test_the_decision_names_who_may_resume_and_where(spd: Department) -> None:
    """W01 of the starting catalogue: a technician in the pre-wash, a supervisor in the wash."""
    load = cast.given_running_load(spd)
    asked = request(spd, "Ines")
    done(alarms.report_alarm(asked, load=load, code="W01", phase="rinse"))
    alarm = named(asked.deed, "alarm")
    done(cast.acknowledge(spd, load, alarm))
    client = visitor(spd, "Ines")
    client.get(address(spd, "scan") + "?code=M-Alder")
    page = words_of(client.get(address(spd, "alarm", kind="load", owner=load, alarm=alarm)))
    assert "After W01, a cycle may be resumed in pre-wash by a technician or in wash by a supervisor" in page


def test_a_load_says_how_often_it_was_resumed_and_how_long_it_halted(spd: Department) -> None:
    load = cast.given_running_load(spd)
    asked = request(spd, "Ines")
    done(alarms.report_alarm(asked, load=load, code="P01", phase="wash"))
    alarm = named(asked.deed, "alarm")
    done(cast.acknowledge(spd, load, alarm))
    done(alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=alarm))
    page = words_of(visitor(spd, "Ines").get(address(spd, "load", load=load)))
    assert "resumed one time, halted 120 s in all" in page
