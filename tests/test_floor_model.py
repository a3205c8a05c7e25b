"""A load's life on the floor against a second, smaller model of it: stops, power, door, unloading, corrections.

`FloorDesk` is written from the design's text (sections 3, 4 and 6), not from the rules. What it adds to the
plain `Desk`: a broken cycle never comes back, rejected trays hold their load by policy, trays leave, and a
correction never lifts a hold.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection
from typing import Any
from uuid import UUID

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import initialize, invariant, precondition, rule

from incidents.rules import alarms, corrections, holds, inspection, open_items, release, reruns
from incidents.rules.events import AnyEvent, HoldLifted, LiftSigned, LoadPlaced, RejectReason, Way
from incidents.rules.loads import Load
from incidents.rules.refusals import Refusal
from tests.floor import (
    ROLES,
    attributed,
    cleaned_up,
    corrected,
    door_opened,
    power_lost,
    stopped,
    wrong_programme,
)
from tests.story import INES, JOAN, MONDAY, SANNE, TRAY_1, TRAY_2, WORDS, by, id_of, signature, story
from tests.test_load_model import LIFTERS, NEITHER, Desk, LoadsLife

# The kinds of hold that nobody lifts, as the design lists them; the rest someone may.
PINNED = {
    "disinfection-not-met", "disinfection-not-proven", "cleaning-not-met", "cleaning-not-proven", "rinse-not-met",
    "drying-not-met", "drying-not-proven", "record-missing", "cycle-incomplete", "outcome-unknown", "alarm-unseen",
}  # fmt: skip
RESTS = {"wet": "drying-not-met", "soiled": "cleaning-not-met"}
TRAYS = (TRAY_1, TRAY_2)
ENDED = ("complete", "broken")


class FloorDesk(Desk):
    """What the design says of one load on the floor, in plain sets and counts."""

    def __init__(self) -> None:
        super().__init__()
        self.hand = self.interrupted = False
        self.rejected: set[UUID] = set()
        self.gone: set[UUID] = set()
        self.clean_side = self.cleaned = False

    def pinned(self) -> bool:
        return bool(set(self.holds()) & PINNED)

    def may_resume(self, alarm_id: UUID, role: str) -> bool:
        return not self.hand and super().may_resume(alarm_id, role)

    def may_rerun(self) -> bool:
        if self.way not in ENDED or self.reprocessed:
            return False
        if self.released and self.rejected - self.gone:
            return True
        if self.released:
            return self.under_recall()
        return bool(self.holds() or self.rejected)

    def to_run(self) -> set[UUID]:
        """Of a released load what was rejected, else what has not left."""
        here = set(TRAYS) - self.gone
        return here & self.rejected if self.released and not self.under_recall() else here

    def break_off(self) -> None:
        self.way, self.interrupted = "broken", True
        self.unanswered.clear()


class FloorsLife(LoadsLife):
    """Every new deed beside the old ones; after each step both models must agree."""

    desk: FloorDesk

    def __init__(self) -> None:
        super().__init__()
        self.desk = FloorDesk()
        self.stages: list[str] = []

    @initialize(begun=st.sampled_from([True, True, False]))
    def assemble(self, begun: bool) -> None:
        """Most stories begin with a running cycle: there is more to go wrong."""
        LoadsLife.assemble(self)
        if begun:
            self.start()

    def tell(self, event: AnyEvent) -> None:
        self.happened.append(event)

    @precondition(lambda self: self.desk.way == "waiting")
    @rule()
    def go_all_the_way(self) -> None:
        """So that more stories tell what comes after a release."""
        self.start()
        LoadsLife.end(self, complete=True)
        self.review(record_seen=True, kinds=set(), verdict="met")
        self.let_go()

    @precondition(lambda self: self.desk.way == "running")
    @rule(how=st.sampled_from(["by-hand", "emergency"]), complete=st.booleans())
    def stop_after_a_fault_that_may_be_resumed(self, how: Any, complete: bool) -> None:
        """Seen, and not resumed by anybody; what the machine then says of its end is not believed."""
        self.raise_alarm(("W02", "pre-wash", "technician", True, True))
        which = self.alarms[-1]
        self.decide(alarms.acknowledge(self.load, which), permitted=True)
        self.desk.unseen.discard(which)
        self.stop(how)
        assert isinstance(alarms.resume(self.load, which, ["supervisor"], MONDAY), Refusal)
        self.end(complete)

    @precondition(lambda self: self.desk.way == "waiting")
    @rule(person=st.sampled_from([SANNE, JOAN, INES]), authorised=st.booleans())
    def two_lift_the_rinse_and_were_one(self, person: UUID, authorised: bool) -> None:
        """Sanne and Joan signed; then it turns out who Sanne was."""
        self.start()
        LoadsLife.end(self, complete=True)
        self.review(record_seen=True, kinds={"rinse"}, verdict="not-proven")
        both = [signature(SANNE, "supervisor"), signature(JOAN, "infection-prevention")]
        key = next(hold.key for hold in holds.holds(self.load) if hold.code == "rinse-not-proven")
        self.decide(release.lift(self.load, key, WORDS, both), permitted=True)
        lift = story(*self.happened)[-1].event_id
        self.tell(attributed(lift, SANNE, person, authorised))
        stands = authorised and person == SANNE
        self.desk.standing["rinse-not-proven"] -= stands
        self.desk.standing["unexpected"] += not authorised

    # --- what broke it --------------------------------------------------------------------------------

    @rule(how=st.sampled_from(["by-hand", "emergency"]))
    def stop(self, how: Any) -> None:
        self.tell(stopped(how))
        if self.desk.way in ("running", "stopped"):
            self.desk.way, self.desk.hand = "stopped", True
        else:
            self.desk.standing["unexpected"] += 1

    @rule(event=st.sampled_from([power_lost(), power_lost(cycle=4471), door_opened(forced=True)]))
    def interrupt(self, event: AnyEvent) -> None:
        self.tell(event)
        if self.desk.way in ("running", "stopped"):
            self.desk.break_off()
        elif self.desk.way != "broken":
            self.desk.standing["unexpected"] += 1

    @rule()
    def open_the_door(self) -> None:
        """In mid-cycle it ends the cycle; after a complete one it is the unloading."""
        self.tell(door_opened())
        if self.desk.way in ("running", "stopped"):
            self.desk.break_off()
        elif self.desk.way == "waiting":
            self.desk.standing["unexpected"] += 1

    @rule()
    def notice_the_wrong_programme(self) -> None:
        self.tell(wrong_programme())
        self.desk.standing["unexpected"] += 1

    @rule(complete=st.booleans())
    def end(self, complete: bool) -> None:
        """After a hand stopped it, a machine that calls it complete is not believed."""
        by_hand = self.desk.hand and self.desk.way == "stopped"
        LoadsLife.end(self, complete)
        if by_hand:
            self.desk.way = "broken"

    @precondition(lambda self: self.desk.way == "complete")
    @rule(event=st.sampled_from([power_lost(), door_opened(), door_opened(forced=True, phase="wash")]))
    def enter_an_interruption_late(self, event: AnyEvent) -> None:
        """With the time at which it happened: half a minute before the end that was told first."""
        ended = self.load.ended_at
        assert ended is not None
        self.happened.append(by(INES, event, minute=(ended - MONDAY).total_seconds() / 60 - 0.5))
        self.desk.break_off()

    # --- the unloading --------------------------------------------------------------------------------

    @rule(
        trays=st.sets(st.sampled_from(TRAYS), min_size=1),
        reason=st.sampled_from(["wet", "soiled", "damaged"]),
        rest=st.booleans(),
    )
    def reject(self, trays: set[UUID], reason: RejectReason, rest: bool) -> None:
        desk = self.desk
        permitted = desk.way in ENDED and not trays & (desk.rejected | desk.gone)
        outcome = inspection.reject(self.load, sorted(trays), reason, rest, None)
        if self.decide(outcome, permitted):
            desk.rejected |= trays
            if not rest and reason in RESTS:
                desk.standing[RESTS[reason]] += len(trays)
            desk.standing["unexpected"] += desk.released

    @rule(
        tray=st.sampled_from(TRAYS),
        way=st.sampled_from(sorted(inspection.WAYS)),
        tagged=st.booleans(),
    )
    def send(self, tray: UUID, way: Way, tagged: bool) -> None:
        desk = self.desk
        proven = desk.released and not desk.under_recall() and tray not in desk.rejected
        permitted = desk.way not in ("running", "stopped") and tray not in desk.gone and (tagged or proven)
        if self.decide(inspection.leave(self.load, tray, way, tagged, WORDS), permitted):
            desk.gone.add(tray)

    @precondition(lambda self: self.desk.way in ENDED)
    @rule(place=st.sampled_from(["dirty-side", "clean-side", "quarantine"]))
    def put(self, place: Any) -> None:
        self.tell(LoadPlaced(place))
        if place == "clean-side":
            self.desk.clean_side = True
            self.desk.standing["unexpected"] += self.desk.way != "complete"

    @rule()
    def clean_up(self) -> None:
        self.tell(cleaned_up())
        self.desk.cleaned = True

    # --- run again ------------------------------------------------------------------------------------

    @rule(proven=st.tuples(st.booleans(), st.booleans()))
    def the_trays_go_on(self, proven: tuple[bool, bool]) -> None:
        """Only trays that left by another way count without a later load; see the plain model for the rest."""
        if not self.desk.rerun:
            return
        desk = self.desk
        later = {
            tray: [reruns.LaterLoad(id_of("later"), True, "released", not proves)]
            for tray, proves in zip(TRAYS, proven, strict=True)
        }
        event = reruns.settle(self.load, later)
        if event is not None:
            self.happened.append(event)
        accounted = all(proves or tray in desk.gone for tray, proves in zip(TRAYS, proven, strict=True))
        if desk.reprocessed or not desk.released or desk.under_recall():
            desk.reprocessed = accounted

    # --- corrections ----------------------------------------------------------------------------------

    @rule(field=st.sampled_from(["machine_cycle", "place", "spot", "stage", "trays"]), data=st.data())
    def correct(self, field: str, data: st.DataObject) -> None:
        """Only fields that decide nothing; whatever is corrected, no hold goes."""
        events = story(*self.happened)
        which = data.draw(st.sampled_from(events))
        value = {"machine_cycle": "4471", "place": "quarantine"}.get(field, "shelf 3")
        kind = str(type(which.data).__struct_config__.tag)
        listed = {"cycle-started": ["machine_cycle"], "cycle-finished": ["machine_cycle"]}
        listed |= {"load-placed": ["place", "spot"]}
        before = {hold.key for hold in holds.holds(self.load)}
        outcome = corrections.correct(events, which.event_id, field, value, WORDS)
        self.decide(outcome, field in listed.get(kind, []))
        assert before <= {hold.key for hold in holds.holds(self.load)}

    @rule()
    def correct_what_can_not_be(self) -> None:
        """Somebody wrote it all the same: it does not fit."""
        self.tell(corrected("stage", "finished"))
        self.desk.standing["unexpected"] += 1

    @precondition(lambda self: any(isinstance(each, HoldLifted) for each in self.happened))
    @rule(
        data=st.data(),
        was=st.sampled_from([SANNE, JOAN]),
        person=st.sampled_from([SANNE, JOAN, INES]),
        authorised=st.booleans(),
    )
    def correct_who_it_was(self, data: st.DataObject, was: UUID, person: UUID, authorised: bool) -> None:
        """A lift falls when its two people were one, or whoever it was might not; it never comes back."""
        lifts = [event for event in story(*self.happened) if isinstance(event.data, HoldLifted)]
        which = data.draw(st.sampled_from(lifts))
        before = {hold.key for hold in holds.holds(self.load)}
        self.tell(attributed(which.event_id, was, person, authorised))
        after = {hold.key for hold in holds.holds(self.load)}
        assert before <= after
        fallen = after - before - {f"unexpected:{story(*self.happened)[-1].event_id}"}
        signed = [(each.person, each.roles) for each in which.data.signatures]
        really = [(person, ROLES[person]) if each[0] == was else each for each in signed]
        roles = {role for _, theirs in really for role in theirs}
        falls = not authorised or len(set(really)) < len(really) or roles not in LIFTERS[which.data.code]
        others = {lift.key for lift in self.load.lifts if lift.event_id != which.event_id}
        if falls and which.data.hold not in others:  # it may have been lifted again, by other people
            assert which.data.hold in after
        for key in fallen:
            self.desk.standing[key.partition(":")[0]] += 1
        self.desk.standing["unexpected"] += not authorised

    @precondition(lambda self: any(isinstance(each, LiftSigned) for each in self.happened))
    @rule(data=st.data(), person=st.sampled_from([SANNE, JOAN, INES]), authorised=st.booleans())
    def correct_who_signed_first(self, data: st.DataObject, person: UUID, authorised: bool) -> None:
        """Before the second has signed it voids the first; afterwards the lift falls where the two were one."""
        firsts = [event for event in story(*self.happened) if isinstance(event.data, LiftSigned)]
        which = data.draw(st.sampled_from(firsts))
        before = {hold.key for hold in holds.holds(self.load)}
        self.tell(attributed(which.event_id, which.data.signature.person, person, authorised))
        after = {hold.key for hold in holds.holds(self.load)}
        assert before <= after
        assert not [first for first in self.load.first_signatures if not first.void]
        for key in after - before - {f"unexpected:{story(*self.happened)[-1].event_id}"}:
            self.desk.standing[key.partition(":")[0]] += 1
        self.desk.standing["unexpected"] += not authorised

    @precondition(lambda self: self.desk.way == "waiting")
    @rule(person=st.sampled_from([SANNE, JOAN, INES]), first=st.booleans())
    def one_signs_in_the_evening_and_one_in_the_morning(self, person: UUID, first: bool) -> None:
        """Sanne and Joan signed; then it turns out who one of them was."""
        self.come_to_a_rinse_that_one_signs()
        self.sign_second((JOAN, "infection-prevention"))
        kind, was = (LiftSigned, SANNE) if first else (HoldLifted, JOAN)
        lift = next(event for event in reversed(story(*self.happened)) if isinstance(event.data, kind))
        self.tell(attributed(lift.event_id, was, person, authorised=True))
        self.desk.standing["rinse-not-proven"] += person != was

    @invariant()
    def no_lift_rests_on_one_person(self) -> None:
        """I15, whatever was corrected."""
        for lift in self.load.lifts:
            assert len(set(lift.by)) == len(lift.by)
            assert {role for roles in lift.roles for role in roles} in LIFTERS[lift.code]

    @rule(data=st.data())
    def lift_and_see_who_may(self, data: st.DataObject) -> None:
        """One person who has two roles is one person."""
        standing = holds.holds(self.load)
        if not standing:
            return
        hold = data.draw(st.sampled_from(standing))
        twice = [signature(SANNE, "supervisor"), signature(SANNE, "infection-prevention")]
        outcome = release.lift(self.load, hold.key, WORDS, twice)
        assert isinstance(outcome, Refusal)
        assert LIFTERS.get(hold.code, NEITHER) == NEITHER or outcome.code == "same-person-twice"

    # --- what always holds ----------------------------------------------------------------------------

    @invariant()
    def what_nobody_lifts_is_never_simply_released(self) -> None:
        """I6, I9: released against a hold that nobody lifts means *under recall*."""
        load = self.load
        assert not (holds.disposition(load) == "released" and self.desk.pinned()) or holds.under_recall(load)

    @invariant()
    def a_broken_cycle_never_comes_back(self) -> None:
        self.stages.append(self.load.stage)
        ended = [stage for stage in self.stages if stage in ("aborted", "incomplete")]
        assert not ended or self.load.stage in ("aborted", "incomplete")
        if self.desk.interrupted:
            assert {"cycle-incomplete", "disinfection-not-proven"} <= standing(self.load)

    @invariant()
    def the_trays_are_where_the_model_says(self) -> None:
        load, desk = self.load, self.desk
        assert {left.tray for left in load.left} == desk.gone
        assert {tray for tray in TRAYS if load.fate_of(tray) == "rejected"} == desk.rejected - desk.gone
        if desk.may_rerun():
            assert set(reruns.trays_to_run(load)) == desk.to_run()

    @invariant()
    def unproven_things_on_the_clean_side_are_somebodys_matter(self) -> None:
        due = any(item.kind == "contamination-due" for item in open_items.of_load(self.load))
        desk = self.desk
        assert due == (desk.clean_side and not desk.cleaned and desk.pinned() and not desk.reprocessed)


def standing(load: Load) -> Collection[str]:
    return Counter(hold.code for hold in holds.holds(load)).keys()


TestFloorsLife = pytest.mark.filterwarnings("error")(FloorsLife.TestCase)
TestFloorsLife.settings = settings(max_examples=150, stateful_step_count=25, deadline=None)
