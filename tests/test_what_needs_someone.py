"""Where open items come from that nobody reports: alarms seen and not resolved, readings not given, silent devices.

Source: the issue on escalation; acknowledged is not resolved: IEC 62682. Each ends by an event, never by time.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.identity.models import AccessToken
from incidents.operations import alarms, care, climbing, cycles, machines
from incidents.operations.sweep import sweep
from incidents.projections.models import OpenItemRow
from incidents.rules.escalation_events import Ladder, Rung, ToWhom
from incidents.rules.events import Stream
from tests import cast, floor_cast, record_cast, visitors
from tests.cast import Department, done, refused, request, tell
from tests.recorded import as_csv, good
from tests.test_escalation import LADDER, agree, steps


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    department = cast.open_department()
    yield department
    cast.rebuilt_equals_live(department)


def needs(department: Department) -> list[str]:
    rows = OpenItemRow.objects.filter(facility_id=department.id, known_to=None)
    return sorted(rows.values_list("kind", flat=True))


def only(department: Department, kind: str) -> OpenItemRow:
    return OpenItemRow.objects.get(facility_id=department.id, kind=kind, known_to=None)


# --- seen, not resolved -------------------------------------------------------------------------------


def test_an_alarm_seen_stays_open_across_shifts_until_its_condition_clears(spd: Department) -> None:
    alarm = alarm_without_load(spd)
    machine = Stream("machine", spd.machine)
    done(alarms.acknowledge_alarm(request(spd, "Ines"), stream=machine, alarm=alarm))
    row = only(spd, "alarm-unresolved")
    assert (row.since, row.alarm, row.taken_by) == (spd.now, alarm, spd.people["Ines"].id)
    spd.wait(60 * 24 * 3)
    sweep(spd.now)
    assert needs(spd) == ["alarm-unresolved"], "no alarm is closed by the passing of time"
    assert refused(alarms.report_cleared(request(spd, "Bo"), alarm=alarm)) == "alarm-of-what"
    done(alarms.report_cleared(request(spd, "Bo"), alarm=alarm, machine=spd.machine))
    assert needs(spd) == []


def alarm_without_load(spd: Department) -> UUID:
    receipt = done(tell(spd, "alarm-raised", code="W02", phase="wash"))
    return cast.named(receipt.deed_id, "alarm")


def test_a_stopped_cycle_asks_once_and_an_alarm_that_outlives_it_asks_until_the_release(spd: Department) -> None:
    load, alarm = cast.given_load_with_alarm(spd)
    done(cast.acknowledge(spd, load, alarm))
    assert needs(spd) == ["decision-due"]
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault", alarm=alarm))
    assert needs(spd) == ["rerun-due"], "the abort answered for the alarm"


def test_its_page_takes_the_word_that_the_condition_is_gone(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    spd = visitors.department_with_doors(monkeypatch, slug="eastmere")
    alarm = alarm_without_load(spd)
    done(alarms.acknowledge_alarm(request(spd, "Ines"), stream=Stream("machine", spd.machine), alarm=alarm))
    named = {"kind": "machine", "owner": spd.machine, "item": f"unresolved:{alarm}"}
    page = visitors.visitor(spd, "Bo").get(visitors.address(spd, "open-item", **named))
    assert "The condition is gone" in visitors.words_of(page)
    sent = visitors.carried(spd) | {"act": "cleared"}
    answer = visitors.visitor(spd, "Bo").post(visitors.address(spd, "care-for", **named), sent)
    assert answer.status_code == 302
    assert needs(spd) == []


# --- readings -----------------------------------------------------------------------------------------


def test_a_finished_cycle_without_readings_asks_for_them_and_for_nothing_else(db: None) -> None:
    spd = record_cast.computing_department()
    load = cast.given_running_load(spd)
    assert needs(spd) == []
    done(tell(spd, "cycle-finished"))
    row = only(spd, "readings-missing")
    assert (row.since, row.owner, needs(spd)) == (spd.now, load, ["readings-missing"])
    done(cast.hold(spd, load))
    assert needs(spd) == ["held", "readings-missing"]
    done(record_cast.keep(spd, load, as_csv(good())))
    assert needs(spd) == ["held"]
    cast.rebuilt_equals_live(spd)


def test_where_a_person_reads_the_record_no_readings_are_missing(spd: Department) -> None:
    cast.given_finished_load(spd)
    assert needs(spd) == ["review-due"]


# --- a silent device ----------------------------------------------------------------------------------


def heard(spd: Department, **more: Any) -> None:
    """Alder's device is heard at its door now."""
    rows = AccessToken.objects.filter(machine=spd.machine)
    rows.update(last_used_at=spd.now, **more)


@pytest.fixture
def with_a_door(spd: Department) -> Department:
    ada = spd.people["Ada"]
    AccessToken.objects.create(user=ada, facility=spd.facility, role="device", machine=spd.machine, label="Alder")
    return spd


def test_a_device_that_is_silent_for_as_long_as_policy_allows_needs_someone_until_it_is_heard(
    with_a_door: Department,
) -> None:
    spd = with_a_door
    done(floor_cast.set_policy(spd, silent_min=30))
    sweep(spd.wait(600))
    assert needs(spd) == [], "a device that was never heard is not silent"
    heard(spd)
    since = spd.now
    sweep(spd.wait(29))
    assert needs(spd) == []
    assert sweep(spd.wait(1)) == 1
    assert only(spd, "device-silent").since == since
    assert sweep(spd.wait(60 * 24 * 9)) == 0
    assert needs(spd) == ["device-silent"]
    heard(spd)
    assert [sweep(spd.wait(1)), sweep(spd.wait(1))] == [1, 0]
    assert needs(spd) == []


def test_nothing_is_asked_of_a_device_whose_machine_is_out_or_whose_door_is_closed(with_a_door: Department) -> None:
    spd = with_a_door
    heard(spd)
    done(machines.block_machine(request(spd, "Bo"), machine=spd.machine, reason="Spray arm"))
    assert sweep(spd.wait(60 * 25)) == 0
    done(machines.return_machine(request(spd, "Bo"), machine=spd.machine, words="Mended."))
    assert sweep(spd.wait(1)) == 1
    heard(spd, revoked_at=spd.now)
    assert sweep(spd.wait(1)) == 1
    assert needs(spd) == []


def test_a_facility_may_ask_nothing_of_its_devices(with_a_door: Department) -> None:
    spd = with_a_door
    done(floor_cast.set_policy(spd, silent_min=0))
    heard(spd)
    assert sweep(spd.wait(60 * 24 * 9)) == 0
    assert refused(floor_cast.set_policy(spd, silent_min=-1)) == "number-out-of-range"
    assert refused(floor_cast.set_policy(spd, incident_min=0)) == "number-out-of-range"


# --- a hold without an owner --------------------------------------------------------------------------


def test_a_hold_has_an_owner_only_once_somebody_took_it_over(spd: Department) -> None:
    """Whoever placed it has told of it; that is no promise to look after it."""
    agree(spd, LADDER, Ladder("held", (Rung(600, ToWhom("role", "supervisor"), "screen", "taken-over", 600),)))
    load = cast.given_finished_load(spd)
    done(cast.hold(spd, load))
    climbing.sweep(spd.wait(11))
    assert steps(spd) == [("held", 1, 0)]
    done(care.take_item(request(spd, "Sanne"), stream=Stream("load", load), item="held"))
    climbing.sweep(spd.wait(60))
    assert steps(spd) == [("held", 1, 0)]


def test_an_overdue_load_is_no_load_without_readings(db: None) -> None:
    spd = record_cast.computing_department()
    load = cast.given_running_load(spd)
    spd.now += timedelta(hours=9)
    sweep(spd.now)
    assert needs(spd) == ["outcome-unknown"]
    done(cycles.report_end(request(spd, "Ines"), load=load))
    assert "readings-missing" in needs(spd)
