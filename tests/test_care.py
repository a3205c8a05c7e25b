"""Who looks after what, handed on with a note; alarms put aside for a time, and back by themselves.

Sources: IEC 62682 (alarm states; shelving is time-limited), here by the published sequence ALM-STATES; the rest is
common practice.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import transaction

from incidents.identity.ids import named
from incidents.operations import care as deeds
from incidents.operations.sweep import sweep
from incidents.outbox.messages import enqueue
from incidents.projections.models import AlarmRow, OpenItemRow
from incidents.queries import care
from incidents.rules import alarms
from incidents.rules.care import Item
from incidents.rules.events import AlarmCleared, AlarmShelved, AlarmUnshelved, Stream, WordsRef
from tests import cast
from tests.cast import Department, done, refused, request
from tests.published_values import given
from tests.story import ALARM, MONDAY, alarm, seen, story
from tests.test_outbox import outgoing

SHELVED = AlarmShelved(alarm=ALARM, until=MONDAY + timedelta(hours=1), words=WordsRef("0" * 64))
HAPPENS: dict[str, Any] = {
    "raise": alarm(),
    "ack": seen(),
    "return": AlarmCleared(code="W02", alarm=ALARM),
    "shelve": SHELVED,
    "unshelve": AlarmUnshelved(alarm=ALARM),
}
STATES = {
    "UNACK": "unacknowledged",
    "ACK": "acknowledged",
    "NORMAL": "normal",
    "RTN_UNACK": "returned-unacknowledged",
    "SHELVED": "shelved",
}


def test_the_states_are_those_of_the_standard() -> None:
    """ALM-STATES. An alarm raised again is another one here, with an id of its own."""
    inputs, expected, _ = given("ALM-STATES")
    standing: tuple[alarms.Alarm, ...] = ()
    found = []
    for what in inputs["sequence"]:
        (event,) = story(HAPPENS[what])
        match event.data:
            case AlarmShelved() as data:
                standing = alarms.shelved(standing, event, data)
            case AlarmUnshelved() as data:
                standing = alarms.unshelved(standing, data)
            case AlarmCleared() as data:
                standing = alarms.cleared(standing, event, data)
            case data if what == "ack":
                standing = alarms.acknowledged(standing, event, data)
            case data:
                standing = alarms.raised((), event, data)
        found.append(standing[-1].state)
    assert found == [STATES[state] for state in expected["states"]]


# --- who looks after what -----------------------------------------------------------------------------


@pytest.fixture
def eastmere(db: None) -> Iterator[Department]:
    department = cast.open_department()
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def held(eastmere: Department) -> Item:
    """An aborted load that is to be run again."""
    cast.given_aborted_load(eastmere)
    return open_item(eastmere, "rerun-due")


def open_item(department: Department, kind: str) -> Item:
    row = OpenItemRow.objects.get(facility_id=department.id, kind=kind, known_to__isnull=True)
    return care.item_of(row)


def owner(department: Department, item: Item) -> care.Owner | None:
    return care.owners(department.id, [item]).get(item)


def take(department: Department, item: Item, who: str) -> Any:
    return deeds.take_item(request(department, who), stream=item.about, item=item.key)


def hand_on(department: Department, item: Item, who: str, to: UUID, words: str = "The arm is stiff.") -> Any:
    return deeds.hand_on_item(request(department, who), stream=item.about, item=item.key, to=to, words=words)


def test_an_open_item_is_taken_over_and_handed_on_with_a_note(eastmere: Department, held: Item) -> None:
    sanne, bo = eastmere.people["Sanne"].id, eastmere.people["Bo"].id
    assert owner(eastmere, held) is None
    done(take(eastmere, held, "Sanne"))
    assert owner(eastmere, held) == care.Owner(sanne, eastmere.now, None, "")
    assert refused(take(eastmere, held, "Sanne")) == "yours-already"
    done(hand_on(eastmere, held, "Sanne", bo))
    assert owner(eastmere, held) == care.Owner(bo, eastmere.now, sanne, "The arm is stiff.")
    told = care.story(eastmere.id, held.about, held.key)
    assert told is not None
    assert [line.sentence for line in told.lines[1:]] == ["Taken over by Sanne", "Handed on by Sanne to Bo"]
    assert told.lines[2].detail == "The arm is stiff."


def test_taking_over_decides_nothing_about_the_load(eastmere: Department, held: Item) -> None:
    before = cast.load_now(eastmere, held.about.id)
    done(take(eastmere, held, "Sanne"))
    assert cast.load_now(eastmere, held.about.id) == before
    assert open_item(eastmere, "rerun-due") == held


def test_what_needs_nobody_is_taken_by_nobody(eastmere: Department, held: Item) -> None:
    nothing = held._replace(key="no-such-item")
    assert refused(take(eastmere, nothing, "Sanne")) == "item-unknown"
    assert refused(hand_on(eastmere, held, "Sanne", UUID(int=7))) == "person-unknown"
    assert refused(hand_on(eastmere, held, "Sanne", eastmere.people["Bo"].id, " ")) == "reason-missing"
    other = cast.open_department(slug="westmere")
    assert refused(take(other, held, "Sanne")) == "item-unknown"
    assert refused(hand_on(eastmere, held, "Sanne", other.people["Bo"].id)) == "person-unknown"


def test_the_timeline_says_what_was_sent_to_whom_and_whether_it_arrived(eastmere: Department, held: Item) -> None:
    told = outgoing(channel="screen", person=eastmere.people["Sanne"].id, about=held.about, item=held.key)
    with transaction.atomic():
        enqueue(eastmere.id, [told], eastmere.now)
    found = care.story(eastmere.id, held.about, held.key)
    assert found is not None
    begun, line = found.lines
    assert begun.sentence.startswith("It needs someone: Run ")
    assert line.sentence == "A message by the screens here to Sanne is on its way"


# --- the shelf ----------------------------------------------------------------------------------------


def shelve(department: Department, load: UUID, alarm: UUID, hours: float = 1, who: str = "Sanne") -> Any:
    asked = request(department, who)
    until = asked.now + timedelta(hours=hours)
    return deeds.shelve_alarm(asked, stream=Stream("load", load), alarm=alarm, until=until, words="A part is due.")


def alarm_state(department: Department, alarm: UUID) -> str:
    return AlarmRow.objects.get(facility_id=department.id, alarm=alarm, known_to__isnull=True).state


def test_an_alarm_put_aside_is_listed_and_returns_by_itself_unseen(eastmere: Department) -> None:
    load, alarm = cast.given_load_with_alarm(eastmere, code="W01")
    done(shelve(eastmere, load, alarm))
    assert alarm_state(eastmere, alarm) == "shelved"
    assert open_item(eastmere, "alarm-shelved").key == f"shelved:{alarm}"
    eastmere.now += timedelta(minutes=59)
    assert sweep(eastmere.now) == 0
    eastmere.now += timedelta(minutes=2)
    assert sweep(eastmere.now) == 1
    assert sweep(eastmere.now) == 0  # once
    assert alarm_state(eastmere, alarm) == "unacknowledged"
    assert open_item(eastmere, "alarm").key == f"alarm:{alarm}"


def test_no_time_makes_an_unseen_alarm_seen(eastmere: Department) -> None:
    """Shelved through its cycle's end: the load is held for it all the same."""
    load, alarm = cast.given_load_with_alarm(eastmere, code="W01")
    done(shelve(eastmere, load, alarm, hours=8))
    done(cast.tell(eastmere, "cycle-finished"))
    assert "alarm-unseen" in cast.standing(eastmere, load)
    eastmere.now += timedelta(hours=9)
    sweep(eastmere.now)
    assert "alarm-unseen" in cast.standing(eastmere, load)


def test_an_alarm_is_taken_back_before_its_time(eastmere: Department) -> None:
    load, alarm = cast.given_load_with_alarm(eastmere, code="W01")
    asked = {"stream": Stream("load", load), "alarm": alarm}
    assert refused(deeds.unshelve_alarm(request(eastmere, "Ines"), **asked)) == "not-shelved"
    done(shelve(eastmere, load, alarm))
    assert refused(shelve(eastmere, load, alarm)) == "shelved-already"
    done(deeds.unshelve_alarm(request(eastmere, "Ines"), **asked))
    assert alarm_state(eastmere, alarm) == "unacknowledged"


def test_what_may_not_be_put_aside(eastmere: Department) -> None:
    load, alarm = cast.given_load_with_alarm(eastmere, code="W01")
    for hours in (-1, 0, 8.1):
        assert refused(shelve(eastmere, load, alarm, hours)) == "shelf-time"
    assert refused(shelve(eastmere, load, alarm, who="Ines")) == "role"
    high = named(done(cast.tell(eastmere, "alarm-raised", code="W02", phase="wash")).deed_id, "alarm")
    assert refused(shelve(eastmere, load, high)) == "never-shelved"


def test_acknowledged_while_put_aside_it_returns_as_seen(eastmere: Department) -> None:
    load, alarm = cast.given_load_with_alarm(eastmere, code="W01")
    done(shelve(eastmere, load, alarm))
    done(cast.acknowledge(eastmere, load, alarm))
    eastmere.now += timedelta(hours=2)
    sweep(eastmere.now)
    assert alarm_state(eastmere, alarm) == "acknowledged"


def test_an_item_that_opens_again_is_nobodys() -> None:
    first = Item(Stream("load", UUID(int=1)), "held", MONDAY)
    again = first._replace(since=MONDAY + timedelta(days=1))
    assert care.care_of(first) != care.care_of(again)
