"""Two people of a programme's edition who were one (I15, also after a corrected attribution)."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from incidents.operations import corrections, programmes
from incidents.operations.deeds import Outcome
from incidents.projections.models import OpenItemRow
from incidents.queries import facts
from incidents.queries import programmes as told
from tests import cast, visitors
from tests.cast import PROGRAMME_NAME, Department, done, open_department, rebuilt_equals_live, refused, request
from tests.test_programmes import approve, draft, id_of, standing
from tests.visitors import address, form_of, visitor, words_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def spd(monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = open_department()
    visitors.give_badges(department)
    visitors.keep_time(monkeypatch, department)
    yield department
    rebuilt_equals_live(department)


def it_was(spd: Department, work: str, person: str, who: str = "Sanne") -> Outcome:
    """Put right who did the newest work of this name."""
    event = next(each.event for each in told.work(spd.id, id_of(spd)) if each.sentence == work)
    return corrections.correct_programme_attribution(
        request(spd, who),
        programme=id_of(spd),
        event=event,
        person=spd.people[person].id,
        words="It was in another’s session.",
    )


def items(spd: Department) -> list[str]:
    rows = OpenItemRow.objects.filter(facility_id=spd.id, owner_kind="programme", known_to=None)
    return sorted(rows.values_list("kind", flat=True))


@pytest.mark.parametrize(("work", "really"), [("Drafted", "Ada"), ("Edition 2 approved", "Bo")])
def test_an_edition_of_one_person_falls_and_the_one_before_is_in_force(
    spd: Department, work: str, really: str
) -> None:
    """Bo drafts, Ada approves, and it was one of them alone."""
    done(draft(spd, grace_s=660))
    done(approve(spd))
    done(it_was(spd, work, really))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None and (newest.edition, newest.grace_s) == (1, 600)
    assert items(spd) == ["programme-draft", "programme-fallen"]
    assert "fell" in words_of(visitor(spd, "Ines").get(address(spd, "programme", programme=id_of(spd))))


def test_what_fell_stands_as_a_draft_for_somebody_else_and_gets_a_number_of_its_own(spd: Department) -> None:
    done(draft(spd, grace_s=660))
    done(approve(spd))
    done(it_was(spd, "Drafted", "Ada"))
    assert refused(approve(spd, "Ada")) == "same-person-twice"
    done(approve(spd, "Bo"))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None and (newest.edition, newest.grace_s) == (3, 660)
    assert items(spd) == []


def test_a_standing_draft_is_its_true_authors(spd: Department) -> None:
    """The drafter isn't the approver, also after the correction."""
    done(draft(spd, grace_s=660))
    done(it_was(spd, "Drafted", "Ada"))
    assert refused(approve(spd, "Ada")) == "same-person-twice"
    done(approve(spd, "Bo"))


@pytest.mark.parametrize("work", ["Drafted", "Edition 2 approved"])
def test_whoever_was_not_authorised_put_nothing_in_force(spd: Department, work: str) -> None:
    """Ines is a technician."""
    done(draft(spd, grace_s=660))
    done(approve(spd))
    done(it_was(spd, work, "Ines"))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None and newest.edition == 1


def test_without_an_edition_that_stands_no_cycle_has_criteria(spd: Department) -> None:
    """I7: the founding edition was nobody's who might, so that what starts by its name is held."""
    done(it_was(spd, "Edition 1 approved", "Ines"))
    assert facts.programme(spd.id, PROGRAMME_NAME) is None
    assert standing(spd).in_force is None
    done(programmes.approve_programme(request(spd, "Bo"), programme=id_of(spd)))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None and newest.edition == 2


def test_what_fell_never_comes_back_and_who_may_not_say_so_is_refused(spd: Department) -> None:
    done(draft(spd, grace_s=660))
    done(approve(spd))
    assert refused(it_was(spd, "Drafted", "Ada", who="Bo")) == "role"
    done(it_was(spd, "Drafted", "Ada"))
    done(it_was(spd, "Drafted", "Bo"))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None and newest.edition == 1
    assert refused(it_was(spd, "Drafted", "Bo")) == "same-person"


def test_it_is_corrected_at_a_screen(spd: Department) -> None:
    done(draft(spd, grace_s=660))
    done(approve(spd))
    sanne = visitor(spd, "Sanne")
    url = address(spd, "programme-attribution", programme=id_of(spd))
    page = sanne.get(url)
    assert "Edition 2 approved" in words_of(page)
    event = next(each.event for each in told.work(spd.id, id_of(spd)) if each.sentence == "Drafted")
    typed = {"event": str(event), "person": str(spd.people["Ada"].id), "words": "She sat in for Bo."}
    answer = sanne.post(url, form_of(page) | typed)
    assert answer.status_code == 302
    assert "edition 2 fell" in words_of(sanne.get(address(spd, "now")))
    assert cast.PROGRAMME_NAME in words_of(sanne.get(answer["Location"]))
