"""The shift handed over: one list, read together, signed by two (I14, I15); what was looked after goes with it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from msgspec.structs import replace

from incidents.identity.signing import sign
from incidents.ledger.reading import read_stream
from incidents.operations import care as caring
from incidents.operations import handover as deeds
from incidents.queries import care
from incidents.queries import handover as query
from incidents.rules import handover as rules
from incidents.rules.events import SeenLoad, ShiftHandedOver, Stream
from tests import cast
from tests.cast import Department, done, refused, request

pytestmark = pytest.mark.django_db


@pytest.fixture
def eastmere(db: None) -> Iterator[Department]:
    department = cast.open_department()
    cast.given_aborted_load(department)
    yield department
    cast.rebuilt_equals_live(department)


def hand_over(
    department: Department, *signers: str, by: str = "", seen: str = "", later: int = 0, **more: Any
) -> Any:
    """The signers sign the list that stands now, or `seen`; sent by the first of them."""
    asked = request(department, by or signers[0])
    digest = seen or query.standing(department.id).digest
    bound = [SeenLoad(department.id, 0, digest)]
    signings = [
        sign(department.people[who], department.id, asked.deed, rules.meaning(1, digest), bound, asked.now).id
        for who in signers
    ]
    sent = replace(asked, now=asked.now + timedelta(seconds=later))
    return deeds.hand_over_shift(sent, seen=digest, signings=signings, **more)


def kept(department: Department) -> list[ShiftHandedOver]:
    events = read_stream(department.id, Stream("handover", department.id))
    return [event.data for event in events if isinstance(event.data, ShiftHandedOver)]


def person(department: Department, who: str) -> UUID:
    return department.people[who].id


def test_two_people_sign_one_list_and_it_is_kept(eastmere: Department) -> None:
    done(hand_over(eastmere, "Sanne", "Ines", words="Theatre 2 calls at 15:00."))
    (event,) = kept(eastmere)
    assert (event.outgoing.person, event.incoming.person) == (person(eastmere, "Sanne"), person(eastmere, "Ines"))
    assert [item.item for item in event.items] == ["rerun"]
    before = query.standing(eastmere.id).before
    assert [(one.outgoing, one.incoming, one.words) for one in before] == [
        ("Sanne", "Ines", "Theatre 2 calls at 15:00.")
    ]


def test_one_person_alone_hands_nothing_over(eastmere: Department) -> None:
    assert refused(hand_over(eastmere, "Sanne")) == "signature-missing"
    assert refused(hand_over(eastmere, "Sanne", "Sanne")) == "same-person"
    assert refused(hand_over(eastmere, "Sanne", "Ines", by="Bo")) == "other-person"
    assert kept(eastmere) == []


def test_a_list_that_moved_is_read_again(eastmere: Department) -> None:
    digest = query.standing(eastmere.id).digest
    cast.register_machine(eastmere, "Birch")  # changes nothing that is open
    done(hand_over(eastmere, "Sanne", "Ines", seen=digest))
    trays = cast.register_set(eastmere, "Bowls", 1)
    cast.given_load_with_alarm(eastmere, trays=trays)
    assert refused(hand_over(eastmere, "Sanne", "Ines", seen=digest)) == "stale"


def test_signatures_run_out_as_everywhere(eastmere: Department) -> None:
    assert refused(hand_over(eastmere, "Sanne", "Ines", later=61)) == "signature-void"


def test_somebody_of_another_department_signs_nothing_here(eastmere: Department) -> None:
    other = cast.open_department(slug="westmere")
    eastmere.people["Otto"] = other.people["Sanne"]
    assert refused(hand_over(eastmere, "Sanne", "Otto")) == "role"


def test_what_the_outgoing_person_looked_after_goes_to_the_incoming_one(eastmere: Department) -> None:
    (item,) = care.open_items(eastmere.id)
    done(caring.take_item(request(eastmere, "Sanne"), stream=item.about, item=item.key))
    done(hand_over(eastmere, "Sanne", "Ines"))
    owner = care.owners(eastmere.id, [item])[item]
    assert (owner.person, owner.note) == (person(eastmere, "Ines"), "Handed over with the shift.")
    done(hand_over(eastmere, "Bo", "Sanne"))
    assert care.owners(eastmere.id, [item])[item].person == person(eastmere, "Ines")  # hers stays hers


def test_what_the_outgoing_person_has_seen_goes_with_it_too(eastmere: Department) -> None:
    """On the list it is with them, though they never took it over by a deed of its own."""
    (row,) = [each.row for _, things in query.standing(eastmere.id).groups for each in things]
    (seen_by,) = [who for who, one in eastmere.people.items() if one.id == row.taken_by]
    done(hand_over(eastmere, seen_by, "Bo"))
    (item,) = care.open_items(eastmere.id)
    assert care.owners(eastmere.id, [item])[item].person == person(eastmere, "Bo")
    assert care.looked_after_by(eastmere.id, person(eastmere, seen_by)) == []


def test_a_signature_that_saw_no_list_hands_nothing_over(eastmere: Department) -> None:
    """Missing evidence is none (I7, I14)."""
    digest = query.standing(eastmere.id).digest
    for bound in ([], [SeenLoad(eastmere.id, 0, "0" * 64)], [SeenLoad(eastmere.id, 0, digest)] * 2):
        asked = request(eastmere, "Sanne")
        signings = [
            sign(eastmere.people[who], eastmere.id, asked.deed, rules.meaning(1, digest), bound, asked.now).id
            for who in ("Sanne", "Ines")
        ]
        assert refused(deeds.hand_over_shift(asked, seen=digest, signings=signings)) == "stale"
    assert kept(eastmere) == []


def test_every_open_item_stands_in_some_group(eastmere: Department) -> None:
    told = query.standing(eastmere.id)
    assert sum(len(things) for _, things in told.groups) == told.things == len(care.open_items(eastmere.id))
