"""Open items climb: each step is decided once and queued with it, however often, late or crowded the sweep runs."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import connection

from incidents.identity.models import Contact
from incidents.operations import care, climbing, escalation, machines
from incidents.outbox.models import Message
from incidents.pages.ladder_lines import LineUnreadable, ladders_of
from incidents.projections import climbing as rows
from incidents.projections.models import OpenItemRow
from incidents.queries import escalation as escalation_told
from incidents.queries.care import story as story_of
from incidents.rules.escalation_events import (
    EscalationApproved,
    Holiday,
    ItemEscalated,
    Ladder,
    Quiet,
    Rota,
    Rung,
    ToWhom,
    Turn,
)
from incidents.rules.events import Stream
from incidents.rules.refusals import Refusal
from incidents.rules.starting_ladders import STARTING
from tests.cast import (
    Department,
    acknowledge,
    done,
    given_load_with_alarm,
    open_department,
    rebuilt_equals_live,
    refused,
    register_set,
    request,
    tell,
    whole_log,
)
from tests.story import id_of

pytestmark = pytest.mark.django_db

SUPERVISOR, ENGINEER = ToWhom("role", "supervisor"), ToWhom("role", "engineering")
LADDER = Ladder(
    "alarm",
    (
        Rung(60, SUPERVISOR, "screen", "acknowledged"),
        Rung(300, ENGINEER, "email", "acknowledged", repeat_s=600),
    ),
)


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def agree(spd: Department, *ladders: Ladder, **more: Any) -> None:
    """A policy drafted by Ada and approved by Sanne."""
    done(escalation.draft_escalation(request(spd, "Ada"), source="Local rule 7", ladders=ladders, **more))
    done(escalation.approve_escalation(request(spd, "Sanne")))


def steps(spd: Department) -> list[tuple[str, int, int]]:
    told = [event.data for event in whole_log(spd) if isinstance(event.data, ItemEscalated)]
    return [(data.ladder, data.rung, data.repeat) for data in told]


def test_an_items_timeline_tells_what_was_taken_what_is_planned_and_when_it_was_over(spd: Department) -> None:
    agree(spd, LADDER)
    load, alarm = given_load_with_alarm(spd)
    about, key = Stream("load", load), f"alarm:{alarm}"
    sweep_after(spd, 2)
    told = story_of(spd.id, about, key)
    assert told is not None
    begun, step, message = told.lines
    assert begun.sentence.startswith("It needs someone")
    assert step.sentence.endswith("until somebody has seen it. Told: Sanne")
    assert step.detail == "Step 1 on screen, by edition 1 of the policy"
    assert message.sentence.startswith("A message by the screens here to Sanne")
    (planned,) = escalation_told.climb(spd.id, told.row, spd.now).planned
    assert (planned.to, planned.channel) == (("Bo",), "by e-mail")
    assert planned.at == told.row.since + timedelta(minutes=5)
    acknowledge(spd, load, alarm)
    after = story_of(spd.id, about, key)
    assert after is not None
    assert (after.over_at, after.lines[-1].sentence) == (spd.now, "It needs nobody any more")


def sweep_after(spd: Department, minutes: float) -> None:
    climbing.sweep(spd.wait(minutes))


# --- climbing -----------------------------------------------------------------------------------------


def test_an_alarm_left_alone_climbs_and_each_step_is_queued_with_its_event(spd: Department) -> None:
    Contact.objects.create(
        id=id_of("bo's address"),
        facility_id=spd.id,
        person=spd.people["Bo"],
        channel="email",
        address="bo@x.example",
    )
    agree(spd, LADDER)
    load, _ = given_load_with_alarm(spd)
    sweep_after(spd, 0.5)
    assert steps(spd) == []
    sweep_after(spd, 0.6)
    assert steps(spd) == [("alarm", 1, 0)]
    sweep_after(spd, 20)
    assert steps(spd) == [("alarm", 1, 0), ("alarm", 2, 0), ("alarm", 2, 1)]
    told = [(each.channel, each.person, each.about_id) for each in Message.objects.order_by("queued_at", "key")]
    sanne, bo = spd.people["Sanne"].id, spd.people["Bo"].id
    assert told == [("screen", sanne, load), ("email", bo, load), ("email", bo, load)]
    newest = Message.objects.order_by("key").last()
    assert newest is not None
    assert "again every 10 min, until somebody has seen it. This is repeat 1." in newest.text
    assert "Ines" not in newest.text


def test_an_acknowledgement_stops_what_waits_for_it_and_nothing_else(spd: Department) -> None:
    """I13."""
    agree(spd, LADDER, Ladder("machine-blocked", (Rung(600, SUPERVISOR, "screen", "resolved"),)))
    load, alarm = given_load_with_alarm(spd)
    done(machines.block_machine(request(spd, "Bo"), machine=spd.machine, reason="Spray arm"))
    sweep_after(spd, 2)
    done(acknowledge(spd, load, alarm))
    sweep_after(spd, 11)
    assert steps(spd) == [("alarm", 1, 0), ("machine-blocked", 1, 0)]


def test_whoever_takes_it_over_stops_the_steps_that_wait_for_that(spd: Department) -> None:
    first, second = Rung(60, SUPERVISOR, "screen", "taken-over"), Rung(120, ENGINEER, "screen", "resolved")
    agree(spd, Ladder("alarm", (first, second)))
    load, alarm = given_load_with_alarm(spd)
    done(care.take_item(request(spd, "Ines"), stream=Stream("load", load), item=f"alarm:{alarm}"))
    sweep_after(spd, 9)
    assert steps(spd) == [("alarm", 2, 0)]


def test_acknowledged_in_time_nobody_is_told(spd: Department) -> None:
    agree(spd, LADDER)
    load, alarm = given_load_with_alarm(spd)
    done(acknowledge(spd, load, alarm))
    sweep_after(spd, 60)
    assert steps(spd) == []


def test_whoever_has_no_contact_of_that_channel_is_told_on_screen(spd: Department) -> None:
    agree(spd, LADDER)
    given_load_with_alarm(spd)
    sweep_after(spd, 6)
    assert set(Message.objects.values_list("channel", flat=True)) == {"screen"}


def test_without_a_policy_nothing_climbs_and_the_first_one_owes_no_month_of_repeats(spd: Department) -> None:
    given_load_with_alarm(spd)
    sweep_after(spd, 60 * 24 * 30)
    assert steps(spd) == []
    agree(spd, LADDER)
    sweep_after(spd, 0)
    assert sorted(key[:2] for key in steps(spd)) == [("alarm", 1), ("alarm", 2)]


def test_an_edition_of_tomorrow_holds_from_tomorrow(spd: Department) -> None:
    agree(spd, LADDER)
    later = Ladder("alarm", (Rung(0, ENGINEER, "screen", "acknowledged"),))
    agree(spd, later, effective_at=spd.now + timedelta(days=1))
    given_load_with_alarm(spd)
    sweep_after(spd, 4)
    assert steps(spd) == [("alarm", 1, 0)]
    sweep_after(spd, 60 * 24)
    assert len(steps(spd)) == 1, "the first step was taken, by another edition"


def test_a_new_calendar_is_looked_at_at_once(spd: Department) -> None:
    agree(spd, LADDER)
    given_load_with_alarm(spd)
    sweep_after(spd, 0)
    assert rows.waiting(spd.id, spd.now, 9) == []
    done(escalation.set_calendar(request(spd, "Sanne"), holidays=[Holiday("2026-12-25", "Christmas")], rotas=[]))
    assert len(rows.waiting(spd.id, spd.now, 9)) == OpenItemRow.objects.filter(known_to__isnull=True).count()


def test_a_sweep_that_is_refused_ends(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody could put off is not asked for again and again: the next sweep tries."""
    agree(spd, LADDER)
    given_load_with_alarm(spd)
    refusal = Refusal("not-due", "Nothing could be looked at.", "Nothing is to be done.")
    with monkeypatch.context() as patched:
        patched.setattr(climbing, "escalate", lambda *_, **__: refusal)
        assert climbing.sweep(spd.wait(5)) == 0
    assert climbing.sweep(spd.wait(1)) == 1


@pytest.mark.parametrize(
    "line",
    [
        "alarm (urgent); 2 h; supervisor; screen; resolved",
        "ghost; 2 h; supervisor; screen; resolved",
        "alarm; soon; supervisor; screen; resolved",
        "alarm; 2 h; wizard; screen; resolved",
        "alarm; 2 h; supervisor; smoke; resolved",
        "alarm; 2 h",
    ],
)
def test_a_line_that_cannot_be_read_is_named(line: str) -> None:
    good = "held; 2 h; supervisor; screen; taken-over"
    with pytest.raises(LineUnreadable, match=r"^Line 3: "):
        ladders_of(f"{good}\n\n{line}")


def test_the_sweep_sleeps_until_the_next_step(spd: Department) -> None:
    agree(spd, LADDER)
    given_load_with_alarm(spd)
    sweep_after(spd, 0)
    row = OpenItemRow.objects.get(kind="alarm", known_to__isnull=True)
    assert row.next_due_at == row.since + timedelta(seconds=60)


def test_the_same_fault_after_it_was_resolved_goes_to_engineering(spd: Department) -> None:
    again = Ladder("fault-again", (Rung(0, ENGINEER, "screen", "resolved"),))
    agree(spd, LADDER, again, again_within_cycles=5)
    load, alarm = given_load_with_alarm(spd, cycle=1)
    done(acknowledge(spd, load, alarm))
    done(tell(spd, "alarm-cleared", cycle=1, code="W02"))
    done(tell(spd, "cycle-finished", cycle=1, complete=False))
    sweep_after(spd, 0)
    assert steps(spd) == []
    given_load_with_alarm(spd, trays=register_set(spd, "Another set", 1), cycle=2)
    sweep_after(spd, 0)
    assert steps(spd) == [("fault-again", 1, 0)]


def test_a_rota_says_who_is_told(spd: Department) -> None:
    bo = spd.people["Bo"].id
    on_call = Rota("Engineers", "on-call", (Turn(bo, (1, 2, 3, 4, 5, 6, 7), "00:00", "00:00"),))
    done(escalation.set_calendar(request(spd, "Sanne"), holidays=[], rotas=[on_call]))
    agree(spd, Ladder("alarm", (Rung(0, ToWhom("rota", "Engineers"), "screen", "acknowledged"),)))
    given_load_with_alarm(spd)
    sweep_after(spd, 0)
    assert list(Message.objects.values_list("person", flat=True)) == [bo]
    gone = escalation.set_calendar(request(spd, "Sanne"), holidays=[], rotas=[])
    assert refused(gone) == "rota-in-use"


def test_a_swap_moves_a_turn_to_somebody_else(spd: Department) -> None:
    bo, ines = spd.people["Bo"].id, spd.people["Ines"].id
    on_call = Rota("Engineers", "on-call", (Turn(bo, (1, 2, 3, 4, 5, 6, 7), "00:00", "00:00"),))
    done(escalation.set_calendar(request(spd, "Sanne"), holidays=[], rotas=[on_call]))
    end = spd.now + timedelta(days=1)
    swap = {"rota": "Engineers", "person": ines, "instead_of": bo, "starts_at": spd.now, "ends_at": end}
    done(escalation.swap_turn(request(spd, "Sanne"), **swap))
    agree(spd, Ladder("alarm", (Rung(0, ToWhom("rota", "Engineers"), "screen", "acknowledged"),)))
    given_load_with_alarm(spd)
    sweep_after(spd, 0)
    assert list(Message.objects.values_list("person", flat=True)) == [ines]
    assert refused(escalation.swap_turn(request(spd, "Sanne"), **(swap | {"rota": "Nobody’s"}))) == "rota-unknown"
    assert refused(escalation.swap_turn(request(spd, "Sanne"), **(swap | {"person": id_of("x")}))) == "swap-wrong"


# --- who decides the policy ---------------------------------------------------------------------------


def test_a_policy_needs_two_people(spd: Department) -> None:
    """I15."""
    done(escalation.draft_escalation(request(spd, "Sanne"), source="Local rule 7", ladders=[LADDER]))
    assert refused(escalation.approve_escalation(request(spd, "Sanne"))) == "same-person-twice"
    done(escalation.approve_escalation(request(spd, "Bo")))
    assert refused(escalation.approve_escalation(request(spd, "Bo"))) == "no-draft"
    newest = whole_log(spd)[-1].data
    assert isinstance(newest, EscalationApproved)
    assert (newest.edition, newest.ladders) == (1, (LADDER,))


def test_the_starting_values_are_taken_up_by_one_person_once(spd: Department) -> None:
    done(escalation.adopt_escalation(request(spd, "Ada")))
    assert refused(escalation.adopt_escalation(request(spd, "Ada"))) == "in-force-already"
    newest = whole_log(spd)[-1].data
    assert isinstance(newest, EscalationApproved)
    assert newest.ladders == STARTING.ladders


def test_a_stale_screen_approves_nothing(spd: Department) -> None:
    done(escalation.draft_escalation(request(spd, "Sanne"), source="Local rule 7", ladders=[LADDER]))
    done(escalation.draft_escalation(request(spd, "Sanne"), source="Local rule 8", ladders=[LADDER]))
    assert refused(escalation.approve_escalation(request(spd, "Bo", expected_version=1))) == "stale"


@pytest.mark.parametrize(
    ("ladders", "more", "code"),
    [
        ([], {}, "alarm-alone"),
        ([LADDER], {"source": " "}, "source-missing"),
        ([LADDER, LADDER], {}, "ladder-twice"),
        ([Ladder("ghost", LADDER.rungs), LADDER], {}, "kind-unknown"),
        ([Ladder("alarm", ())], {}, "rungs"),
        ([Ladder("alarm", (Rung(-1, SUPERVISOR, "screen", "resolved"),))], {}, "rung-wrong"),
        ([Ladder("alarm", (Rung(0, SUPERVISOR, "screen", "resolved", repeat_s=5),))], {}, "rung-wrong"),
        ([Ladder("alarm", (Rung(0, ToWhom("role", "wizard"), "screen", "resolved"),))], {}, "rung-wrong"),
        ([Ladder("alarm", (Rung(0, ToWhom("rota", "ghosts"), "screen", "resolved"),))], {}, "rung-wrong"),
        ([Ladder("alarm", (Rung(0, ToWhom("person"), "screen", "resolved"),))], {}, "rung-wrong"),
        ([LADDER], {"quiet": [Quiet("high", "22:00", "06:00")]}, "high-quiet"),
        ([LADDER], {"quiet": [Quiet("low", "22", "06:00")]}, "quiet-unreadable"),
        ([LADDER], {"again_within_cycles": 0}, "number-out-of-range"),
    ],
)
def test_what_is_no_policy_is_refused(spd: Department, ladders: Any, more: Any, code: str) -> None:
    asked = {"source": "Local rule 7", "ladders": ladders} | more
    assert refused(escalation.draft_escalation(request(spd, "Ada"), **asked)) == code


def turn(spd: Department, **other: Any) -> Turn:
    said = {"person": spd.people["Bo"].id, "days": (1,), "starts": "06:00", "ends": "14:00"} | other
    return Turn(**said)


@pytest.mark.parametrize(
    ("wrong", "code"),
    [
        ({"days": (8,)}, "rota-wrong"),
        ({"days": ()}, "rota-wrong"),
        ({"starts": "25:00"}, "rota-wrong"),
        ({"person": UUID(int=7)}, "rota-wrong"),
        ({"every_weeks": 2}, "rota-wrong"),
        ({"every_weeks": 2, "from_week": "2026-W60"}, "rota-wrong"),
    ],
)
def test_what_is_no_rota_is_refused(spd: Department, wrong: Any, code: str) -> None:
    rota = Rota("Days", "shift", (turn(spd, **wrong),))
    assert refused(escalation.set_calendar(request(spd, "Sanne"), holidays=[], rotas=[rota])) == code
    said = Rota("Days", "shift", (turn(spd),))
    assert (
        refused(escalation.set_calendar(request(spd, "Sanne"), holidays=[], rotas=[said, said])) == "rota-unnamed"
    )
    never = [Holiday("2026-13-01", "Never")]
    assert refused(escalation.set_calendar(request(spd, "Sanne"), holidays=never, rotas=[])) == "day-unreadable"


# --- crowds and delays --------------------------------------------------------------------------------


@pytest.mark.usefixtures("committed")
def test_ten_sweeps_at_once_take_each_step_once() -> None:
    spd = open_department()
    agree(spd, LADDER)
    for cycle in range(1, 6):
        given_load_with_alarm(spd, trays=register_set(spd, f"Set {cycle}", 1), cycle=cycle, code=f"X{cycle}")
        done(tell(spd, "cycle-finished", cycle=cycle, complete=False))
    moment = spd.wait(16)
    failed: list[BaseException] = []

    def swept() -> None:
        try:
            climbing.sweep(moment)
        except BaseException as failure:
            failed.append(failure)
        finally:
            connection.close()

    crowd = [threading.Thread(target=swept) for _ in range(10)]
    for each in crowd:
        each.start()
    for each in crowd:
        each.join()
    assert failed == []
    told = [data for event in whole_log(spd) if isinstance(data := event.data, ItemEscalated)]
    keys = {(data.item, data.ladder, data.rung, data.repeat) for data in told}
    assert len(keys) == len(told) == Message.objects.count() > 5 * 2
    climbing.sweep(moment)
    assert Message.objects.count() == len(told)
    rebuilt_equals_live(spd)


@pytest.mark.parametrize("pause", [1, 7, 61])
def test_however_seldom_it_runs_it_finds_every_step(spd: Department, pause: int) -> None:
    agree(spd, LADDER)
    given_load_with_alarm(spd)
    begun = spd.now
    while spd.now < begun + timedelta(minutes=61):
        sweep_after(spd, min(pause, (begun + timedelta(minutes=61) - spd.now).total_seconds() / 60))
    assert sorted(steps(spd)) == [("alarm", 1, 0), *(("alarm", 2, n) for n in range(6))]
