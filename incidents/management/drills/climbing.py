"""The department whose alarms nobody sees: made, fed and counted by processes of their own within a drill's house.

`python -m incidents.management.drills.climbing found ITEMS URL` makes it, with a machine for each alarm and a
policy by which each alarm climbs three rungs; `… feed ITEMS SECONDS` raises the alarms and prints when; `… count
MOMENT` prints which steps were due by then, which events tell of them, and the ids of the messages they queued.
"""

from __future__ import annotations

import json
import sys
import time
from datetime import datetime
from uuid import UUID

import django

django.setup()

from django.utils import timezone  # noqa: E402

from incidents.identity.ids import new_id  # noqa: E402
from incidents.identity.models import Contact, Facility, Person  # noqa: E402
from incidents.ledger import reading  # noqa: E402
from incidents.ledger.writing import LedgerBusy  # noqa: E402
from incidents.management.drills.department import FIRST_RUN  # noqa: E402
from incidents.operations import contacts, escalation, founding, observations, people, setting_up  # noqa: E402
from incidents.operations.deeds import Doer, Request  # noqa: E402
from incidents.outbox.models import Message  # noqa: E402
from incidents.projections import climbing  # noqa: E402
from incidents.queries import floor  # noqa: E402
from incidents.queries.escalation import climber, policy_of  # noqa: E402
from incidents.rules.escalation import outlook, times_of  # noqa: E402
from incidents.rules.escalation_events import Ladder, Rung, ToWhom  # noqa: E402
from incidents.rules.events import Actor, ItemEscalated  # noqa: E402
from incidents.rules.refusals import Refusal  # noqa: E402

AFTER_S = (0, 1, 3)
SECOND = {"name": "Bo Ek", "login": "bo", "password": "a drill needs none", "badge": "drill 2", "pin": "0001"}


def found(items: int, url: str) -> None:
    ada = founding.found(FIRST_RUN, new_id(), timezone.now())
    assert isinstance(ada, Person), ada
    facility = Facility.objects.get()

    def asked(person: UUID, *roles: str) -> Request:
        return Request(
            deed=new_id(), facility=facility.id, by=Doer(Actor("person", person), roles), now=timezone.now()
        )

    for n in range(1, items):
        _done(
            setting_up.register_machine(
                asked(ada.id, "administrator"), name=f"Alder {n}", code=f"M-{n}", chambers=("1",)
            )
        )
    _done(people.add_person(asked(ada.id, "administrator"), **SECOND, roles=["supervisor"]))
    _done(contacts.set_shared_contact(asked(ada.id, "administrator"), label="Desk", channel="webhook", address=url))
    to = ToWhom("contact", contact=Contact.objects.get().id)
    rungs = tuple(Rung(after, to, "webhook", "acknowledged") for after in AFTER_S)
    _done(
        escalation.draft_escalation(
            asked(ada.id, "supervisor"), source="the drill", ladders=[Ladder("alarm", rungs)]
        )
    )
    _done(escalation.approve_escalation(asked(Person.objects.get(login="bo").id, "supervisor")))


def _done(outcome: object) -> None:
    assert not isinstance(outcome, Refusal), outcome


def feed(items: int, seconds: float) -> dict[str, float]:
    """When each machine's alarm was recorded, by the clock of the wall."""
    facility, raised = Facility.objects.get().id, {}
    for n, chamber in enumerate(floor.chambers(facility)):
        machine = chamber.machine
        deed, told = new_id(), observations.Told(chamber="1", code=f"D{n}", phase="wash")
        while True:
            try:
                by = Doer(Actor("device", machine), ("device",))
                asked = Request(deed=deed, facility=facility, by=by, now=timezone.now())
                _done(observations.observe(asked, machine=machine, kind="alarm-raised", told=told))
                break
            except LedgerBusy:
                time.sleep(0.05)
        raised[chamber.machine_name] = time.time()
        time.sleep(seconds / items)
    return raised


def count(moment: datetime) -> dict[str, object]:
    """By the rules, from nothing but open items and policy; beside it what the log and the outbox hold."""
    facility = Facility.objects.get()
    edition = policy_of(facility.id).in_force(moment)
    assert edition is not None
    times = times_of(edition.effective_at, timezone.get_default_timezone(), None)
    due = [
        [str(item.about.id), item.item, step.key.rung, step.key.repeat]
        for item in climbing.waiting(facility.id, climbing.NEVER, 10**6)
        for step in outlook(climber(facility.id, item, edition.told, None), edition.told, times, (), moment).due
    ]
    told = (event.data for event in reading.read_all(facility.id))
    taken = [
        [str(data.about), data.item, data.rung, data.repeat] for data in told if isinstance(data, ItemEscalated)
    ]
    return {
        "due": due,
        "taken": taken,
        "queued": [str(each) for each in Message.objects.values_list("id", flat=True)],
    }


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["found", items, url]:
            found(int(items), url)
        case ["feed", items, seconds]:
            print(json.dumps(feed(int(items), float(seconds))))
        case ["count", moment]:
            print(json.dumps(count(datetime.fromisoformat(moment))))
