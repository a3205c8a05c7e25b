"""Twelve incidents as a department tells them: given, when, then; each ends with *rebuilt equals live*."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import UUID

import pytest

from incidents.identity.ids import named
from incidents.operations import alarms, cycles, holds, machines, setting_up
from incidents.projections.models import LoadRow
from incidents.queries import counters, rounds, sets
from incidents.queries import machine_story as story_of_machine
from incidents.queries import story as story_of_load
from incidents.queries.counters import Gap
from incidents.rules.events import HoldLifted
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    acknowledge,
    done,
    fate,
    given_aborted_load,
    given_finished_load,
    given_load_with_alarm,
    given_released_load,
    given_reviewed_load,
    given_running_load,
    hold,
    let_go,
    lift,
    load_now,
    rebuilt_equals_live,
    refused,
    register_set,
    request,
    rerun,
    rerun_and_release,
    review,
    standing,
    tell,
)
from tests.floor_cast import (
    asked_round,
    assemble,
    event_id,
    explain,
    floor,
    interrupt,
    it_was,
    machine_now,
    matters,
    reject,
    send,
    stop,
    wrong,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd() -> Iterator[Department]:
    department = floor()
    yield department
    rebuilt_equals_live(department)


def told(spd: Department, load: UUID) -> str:
    """The load's page, oldest line first, as a technician reads it."""
    story = story_of_load.story(spd.id, load)
    assert story is not None
    entries = story_of_load.entries_of(spd.id, story, story.events)
    return "\n".join(f"{entry.sentence}. {entry.detail}" for entry in reversed(entries))


def test_story_1_the_power_fails_and_somebody_forces_the_door(spd: Department) -> None:
    # Given a load in its disinfection phase.
    load = given_running_load(spd, cycle=4471)

    # When the power fails, and somebody forces the door and takes the trays to the clean side.
    done(tell(spd, "power-lost", cycle=4471, phase="disinfection"))
    done(interrupt(spd, load, "door", forced=True, load_taken_out=True))
    done(cycles.place_load(request(spd, "Ines"), load=load, place="clean-side", spot="table 2"))

    # Then nothing is proven, whatever the machine says when it restarts, and what was touched is to be recorded.
    done(tell(spd, "cycle-finished", cycle=4471))
    assert standing(spd, load)[:2] == ["disinfection-not-proven", "cycle-incomplete"]
    assert matters(spd, load) == ["contamination-due", "rerun-due"]
    assert refused(let_go(spd, load)) == "hold-stands"
    assert refused(lift(spd, load, "cycle-incomplete", "Sanne", "Joan")) == "hold-not-liftable"
    page = told(spd, load)
    assert "Power was lost in disinfection, told by the machine" in page
    assert "The door was forced; the load was taken out, told by Ines" in page

    # And only a complete new cycle clears its trays.
    rerun_and_release(spd, load)
    assert fate(spd, load) == "reprocessed"


def test_story_2_a_split_chain_of_which_one_part_falls(spd: Department) -> None:
    # Given an aborted load, run again; in the re-run tray 2 was wet and went through a third load by itself.
    first = given_aborted_load(spd)
    second = rerun(spd, first)
    done(tell(spd, "cycle-finished"))
    done(review(spd, second))
    done(reject(spd, second, spd.trays[1], reason="wet"))
    done(let_go(spd, second))
    assert fate(spd, first) == "quarantined"
    third = rerun_and_release(spd, second)
    assert (fate(spd, first), load_now(spd, third).trays) == ("reprocessed", (spd.trays[1],))

    # When something speaks against the third load.
    done(hold(spd, third, who="Joan", words="The cleaning test of that day failed."))

    # Then the third is under recall and the first is open again; the second stays as it was.
    assert fate(spd, third) == "released, under recall"
    assert (fate(spd, first), fate(spd, second)) == ("quarantined", "released")
    assert "Opened again: a tray is no longer accounted for" in told(spd, first)

    # And when Joan has looked and lifts her hold, the first load has ended again.
    (standing_hold,) = load_now(spd, third).placed_holds
    done(lift(spd, third, f"manual:{standing_hold.id}", "Joan"))
    assert (fate(spd, first), fate(spd, third)) == ("reprocessed", "released")


def test_story_3_two_people_who_were_one(spd: Department) -> None:
    # Given a load of which the rinse was not proven; Sanne and Joan lifted that together, and it was released.
    load = given_finished_load(spd)
    done(review(spd, load, conductivity="not-proven"))
    done(lift(spd, load, "rinse-not-proven:conductivity", "Sanne", "Joan"))
    done(let_go(spd, load))

    # When Joan tells quality that Sanne had left: she signed as Sanne, in her session, and then as herself.
    done(it_was(spd, load, event_id(spd, load, HoldLifted), "Joan", who="Quinn"))

    # Then there were never two people: the hold stands again and the load is under recall.
    assert standing(spd, load) == ["rinse-not-proven"]
    assert fate(spd, load) == "released, under recall"
    assert matters(spd, load) == ["recall"]
    assert "Attribution corrected by Quinn: it was Joan" in told(spd, load)

    # And what was written stays written; the hold falls only to two people who are two.
    assert "Hold lifted by Sanne and Joan" in told(spd, load)
    assert refused(lift(spd, load, "rinse-not-proven:conductivity", "Joan", "Joan")) == "same-person-twice"
    done(lift(spd, load, "rinse-not-proven:conductivity", "Sanne", "Joan"))
    assert fate(spd, load) == "released"


def test_story_4_a_rejection_arrives_while_a_batch_is_being_signed(spd: Department) -> None:
    # Given three reviewed loads on the screen of the release round, and Ines's signature over them.
    listed = [given_reviewed_load(spd, trays=register_set(spd, f"Set {n}", 1)) for n in range(3)]
    asked, given = asked_round(spd, *listed)

    # When at the same moment somebody at the clean side finds the tray of the second one soiled.
    second = listed[1]
    done(reject(spd, second, *load_now(spd, second).trays, reason="soiled", who="Joan"))

    # Then the round releases the other two; the soiled one stays, and the page says which.
    receipt = done(holds.release_round(asked, **given))
    assert [fate(spd, load) for load in listed] == ["released", "quarantined", "released"]
    names = [load_now(spd, load).name for load in listed]
    assert rounds.outcome_of(spd.id, receipt.deed_id, listed) == ([names[0], names[2]], [names[1]])
    assert standing(spd, second) == ["cleaning-not-met"]


def test_story_4b_the_batch_was_quicker_than_the_rejection(spd: Department) -> None:
    # Given the same batch, and when the round is written first.
    load = given_reviewed_load(spd)
    asked, given = asked_round(spd, load)
    done(holds.release_round(asked, **given))
    done(reject(spd, load, spd.trays[0], reason="soiled", who="Joan"))

    # Then nothing is lost: the load is under recall at once.
    assert fate(spd, load) == "released, under recall"


def test_story_5_somebody_restarts_at_the_panel_without_a_scan(spd: Department) -> None:
    # Given a load that stopped and was aborted here.
    load, alarm = given_load_with_alarm(spd, "W02", "wash", cycle=4471)
    done(acknowledge(spd, load, alarm))
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault", alarm=alarm))

    # When somebody presses start at the panel, with the trays still in, and the machine reports a whole cycle.
    done(tell(spd, "cycle-started", programme=PROGRAMME_NAME, cycle=4472))
    done(tell(spd, "cycle-finished", cycle=4472))

    # Then the load is as aborted as before: the machine's new cycle is one without a load, and somebody's matter.
    assert (load_now(spd, load).stage, fate(spd, load)) == ("aborted", "quarantined")
    assert counters.gaps(spd.id, spd.machine) == [Gap(4472, True)]
    assert matters(spd, spd.machine) == ["cycle-without-load"]

    # And when Sanne explains it, and says that these trays were in it, they are none the more proven.
    done(explain(spd, 4472, load=load, contents_confirmed=True, words="Restarted at the panel."))
    assert (matters(spd, spd.machine), fate(spd, load)) == ([], "quarantined")
    rerun_and_release(spd, load, cycle=4473)
    assert fate(spd, load) == "reprocessed"


def test_story_6_a_second_resume_is_refused(spd: Department) -> None:
    # Given a load that stopped in the pre-wash and was resumed.
    load, first = given_load_with_alarm(spd, "W02", "pre-wash")
    done(acknowledge(spd, load, first))
    done(alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=first))

    # When the same fault stops it again.
    second = named(done(tell(spd, "alarm-raised", code="W02", phase="pre-wash")).deed_id, "alarm")
    done(acknowledge(spd, load, second))

    # Then nobody resumes a second time, not even a supervisor; an abort and a new cycle are left.
    for who in ("Ines", "Sanne"):
        outcome = alarms.resume_cycle(request(spd, who), load=load, alarm=second)
        assert refused(outcome) == "resumed-before"
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="fault", alarm=second))
    rerun_and_release(spd, load)
    assert fate(spd, load) == "reprocessed"


def test_story_7_a_gap_in_the_counter_was_an_empty_test_run(spd: Department) -> None:
    # Given Alder's cycles 4471 and 4473, each with its load, and nothing known of 4472.
    given_released_load(spd, cycle=4471)
    given_running_load(spd, cycle=4473, trays=register_set(spd, "Extra", 1))
    assert counters.gaps(spd.id, spd.machine) == [Gap(4472, False)]

    # When Bo remembers: it was his test run, empty, after he had cleaned the arms.
    done(explain(spd, 4472, who="Bo", words="Test run, empty, after cleaning the arms."))

    # Then the counter has no gap, and Alder's page says why.
    assert counters.gaps(spd.id, spd.machine) == []
    story = story_of_machine.story(spd.id, spd.machine)
    assert story is not None
    assert story.entries[0].sentence == "Cycle 4472 without a load explained by Bo"
    assert "Test run, empty" in story.entries[0].detail


@pytest.mark.parametrize("what", ["an alarm in disinfection", "the power in disinfection"])
def test_story_8_a_late_entry_at_the_shifts_end_holds_a_released_load(spd: Department, what: str) -> None:
    # Given a load that ran while the network was down, and was released in good faith.
    load = given_running_load(spd)
    happened = spd.wait(40)
    done(tell(spd, "cycle-finished", occurred_at=spd.wait(20)))
    done(review(spd, load))
    done(let_go(spd, load))

    # When Ines enters at the end of her shift what she had written on paper, with the time at which it happened.
    spd.wait(5 * 60)
    if what == "an alarm in disinfection":
        late = request(spd, "Ines", occurred_at=happened)
        done(alarms.report_alarm(late, load=load, code="T01", phase="disinfection"))
    else:
        done(interrupt(spd, load, "power", phase="disinfection", occurred_at=happened))

    # Then the release stays written, the load is under recall, and no signature changes that.
    assert fate(spd, load) == "released, under recall"
    assert "disinfection-not-proven" in standing(spd, load)
    assert "recall" in matters(spd, load)
    assert "late" in told(spd, load).lower()


def test_story_9_a_tray_that_goes_to_repair_closes_an_aborted_load(spd: Department) -> None:
    # Given an aborted load: a hinge in tray 1 is bent and stopped the arm.
    load = given_aborted_load(spd)

    # When tray 1 goes to repair, tagged as contaminated, and tray 2 runs again and is released.
    assert refused(send(spd, load, spd.trays[0], contaminated=False)) == "tag-it"
    done(send(spd, load, spd.trays[0], words="Hinge bent. Tagged contaminated, to the workshop."))
    again = rerun(spd, load)
    assert load_now(spd, again).trays == (spd.trays[1],)
    done(tell(spd, "cycle-finished"))
    done(review(spd, again))
    assert fate(spd, load) == "quarantined"
    done(let_go(spd, again))

    # Then every tray is accounted for, each in its own way, and the set is one tray short.
    assert fate(spd, load) == "reprocessed"
    (basic,) = sets.sets(spd.id)
    assert (basic.there, [tray.where for tray in basic.trays]) == (1, ["to repair", ""])
    page = told(spd, load)
    assert "Basic set 1 went to repair, tagged contaminated" in page
    assert "Reprocessed: 2 trays accounted for" in page


def test_story_9b_the_repair_comes_last(spd: Department) -> None:
    # Given an aborted load of one tray, which nobody will run again.
    tray = register_set(spd, "Single", 1)
    load = given_aborted_load(spd, trays=tray)

    # When it goes back to its owner.
    done(send(spd, load, tray[0], way="owner"))

    # Then nothing is left to wait for.
    assert fate(spd, load) == "reprocessed"
    assert matters(spd, load) == []


def test_story_10_a_loaner_is_needed_tonight_and_its_load_is_held(spd: Department) -> None:
    # Given a loaner set, needed tonight, in a load that somebody stopped by hand and aborted.
    asked = request(spd, "Ada")
    given: dict[str, Any] = {"name": "Hip loaner", "owner": "A company", "labels": ["Hip 1", "Hip 2"]}
    done(setting_up.register_set(asked, loaner=True, needed_by="2026-03-02", **given))
    hips = tuple(named(asked.deed, f"tray {n}") for n in (1, 2))
    load = given_running_load(spd, trays=hips)
    done(stop(spd, load, who="Bo"))
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="cant-tell"))

    # When the theatre presses.
    first = sets.sets(spd.id)[0]
    assert (first.name, first.there, first.available) == ("Hip loaner", 0, False)

    # Then the page says where it is, no signature lets it go, and it fits into no other load.
    assert {tray.where for tray in first.trays} == {load_now(spd, load).name}
    assert refused(let_go(spd, load, "Sanne")) == "hold-stands"
    assert refused(lift(spd, load, "cycle-incomplete", "Sanne", "Joan")) == "hold-not-liftable"
    assert refused(assemble(spd, *hips)[0]) == "tray-occupied"

    # And the quickest way is the honest one: a whole new cycle, an hour.
    rerun_and_release(spd, load)
    assert sets.sets(spd.id)[0].available


def test_story_11_an_emergency_stop_and_a_burnt_hand(spd: Department) -> None:
    # Given a load in the chamber when hot water comes out at the door.
    load = given_running_load(spd, cycle=4471)

    # When Ines hits the emergency stop, and Sanne records the burn and keeps the machine out of use.
    done(stop(spd, load, "emergency"))
    first_aid = request(spd, "Sanne")
    words = "Hot water on the left hand. Cooled for ten minutes, seen by occupational health."
    done(machines.record_exposure(first_aid, machine=spd.machine, kind="burn", words=words, load=load))
    done(machines.block_machine(request(spd, "Sanne"), machine=spd.machine, reason="Hot water at the door"))

    # Then the cycle is not resumed, the load is held, and Alder starts nothing.
    done(alarms.abort_cycle(request(spd, "Ines"), load=load, reason="part-damaged"))
    assert standing(spd, load) == ["disinfection-not-proven", "cycle-incomplete"]
    assert refused(cycles.rerun_load(request(spd, "Ines"), load=load)) == "machine-blocked"
    assert "Stopped by the emergency stop, told by Ines" in told(spd, load)

    # And when Bo has mended it, the load runs again there.
    mended = request(spd, "Bo")
    done(machines.return_machine(mended, machine=spd.machine, words="New door seal; a test run was dry."))
    assert machine_now(spd).blocks == ()
    rerun_and_release(spd, load, cycle=4472)
    assert fate(spd, load) == "reprocessed"


def test_story_12_the_wrong_programme_is_noticed_after_the_release(spd: Department) -> None:
    # Given a load of eye instruments that was released, and whose record met every criterion of what ran.
    load = given_released_load(spd)
    assert LoadRow.objects.get(facility_id=spd.id, owner=load).disposition == "released"

    # When packing notices that it should have run under another programme.
    done(wrong(spd, load, meant="Eye instruments", who="Sanne"))

    # Then the load is under recall, and its trays go into nothing else but their re-run.
    assert fate(spd, load) == "released, under recall"
    assert matters(spd, load) == ["recall"]
    assert refused(assemble(spd, *spd.trays)[0]) == "tray-occupied"
    assert "Wrong programme noticed by Sanne: Eye instruments was meant" in told(spd, load)

    # And once its trays have gone through the right one it ends; the mark stays on what had been let go.
    rerun_and_release(spd, load)
    assert fate(spd, load) == "reprocessed, under recall"
