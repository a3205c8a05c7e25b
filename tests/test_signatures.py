"""Signing and releasing: once, within a minute, by whom it takes, on the load exactly as it was seen (I14, I15)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.identity.ids import named
from incidents.identity.models import Signing
from incidents.identity.signing import GOOD_FOR
from incidents.operations import cycles, holds, setting_up
from incidents.operations.deeds import Outcome, Request
from incidents.rules.refusals import Refusal
from tests.cast import (
    Department,
    bare_department,
    done,
    events_of,
    fate,
    given_finished_load,
    given_released_load,
    given_reviewed_load,
    hire,
    hold,
    last_event,
    let_go,
    lift,
    open_department,
    rebuilt_equals_live,
    refused,
    register_set,
    request,
    review,
    signed_by,
    standing,
    whole_log,
)

pytestmark = pytest.mark.django_db


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


# --- signatures ---------------------------------------------------------------------------------------


def release_with(spd: Department, load: UUID, signing: UUID, asked: Request) -> Outcome:
    return holds.release_load(asked, load=load, purpose="packing", signings=[signing])


def test_a_release_carries_who_signed_and_what_they_had_seen(spd: Department) -> None:
    load = given_reviewed_load(spd)
    seen = events_of(spd, load)[-1]
    done(let_go(spd, load))
    signature = last_event(spd, load).signature
    assert (signature.person, signature.meaning) == (spd.people["Ines"].id, "I sign this load")
    assert [(each.load, each.version) for each in signature.seen] == [(load, seen.version)]
    assert "technician" in signature.roles


@pytest.mark.parametrize(("late_s", "good"), [(0, True), (60, True), (61, False), (3600, False)])
def test_a_signature_is_good_for_a_minute(spd: Department, late_s: int, good: bool) -> None:
    assert timedelta(seconds=60) == GOOD_FOR  # design: a single-use 60 s row
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signing = signed_by(spd, "Ines", load, asked.deed)
    outcome = release_with(spd, load, signing, replaced(asked, now=spd.now + timedelta(seconds=late_s)))
    assert isinstance(outcome, Refusal) != good
    assert (fate(spd, load) == "released") == good


def test_a_signature_serves_one_act(spd: Department) -> None:
    """Used once, it signs nothing more: neither another deed nor another load."""
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signing = signed_by(spd, "Ines", load, asked.deed)
    done(release_with(spd, load, signing, asked))
    other = given_reviewed_load(spd, trays=register_set(spd, "Second set", 1))
    assert refused(release_with(spd, other, signing, request(spd, "Ines"))) == "signature-void"


def test_a_signature_for_another_deed_is_void(spd: Department) -> None:
    load = given_reviewed_load(spd)
    signing = signed_by(spd, "Ines", load, spd.new_deed())
    assert refused(release_with(spd, load, signing, request(spd, "Ines", now=spd.now))) == "signature-void"


def test_a_signature_on_another_load_does_not_release_this_one(spd: Department) -> None:
    load = given_reviewed_load(spd)
    other = given_reviewed_load(spd, trays=register_set(spd, "Second set", 1))
    asked = request(spd, "Ines")
    assert refused(release_with(spd, load, signed_by(spd, "Ines", other, asked.deed), asked)) == "stale"


def test_an_event_between_signing_and_release_voids_the_signature(spd: Department) -> None:
    """I14, with an event that doesn't even hold the load."""
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signing = signed_by(spd, "Ines", load, asked.deed)
    done(cycles.place_load(request(spd, "Sanne", now=spd.now), load=load, place="clean-side"))
    assert refused(release_with(spd, load, signing, asked)) == "stale"
    assert fate(spd, load) == "awaiting review"


def test_a_signature_on_another_leaf_of_the_same_version_is_stale(spd: Department) -> None:
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signing = signed_by(spd, "Ines", load, asked.deed)
    row = Signing.objects.get(id=signing)
    row.bound[0][2] = "0" * 64
    row.save()
    assert refused(release_with(spd, load, signing, asked)) == "stale"


def test_a_refused_act_uses_up_no_signature(spd: Department) -> None:
    """The signature is consumed inside the deed, so what was refused left it as it was."""
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    signing = signed_by(spd, "Ines", load, asked.deed)
    assert refused(holds.release_load(asked, load=load, purpose="fun", signings=[signing]))  # type: ignore[arg-type]
    assert Signing.objects.get(id=signing).used_at is None
    done(release_with(spd, load, signing, asked))


def test_a_deed_sent_again_with_a_new_signature_is_still_the_same_deed(spd: Department) -> None:
    """The answer was lost and the first signature is used up: signing again gets the old receipt."""
    load = given_reviewed_load(spd)
    asked = request(spd, "Ines")
    first = done(release_with(spd, load, signed_by(spd, "Ines", load, asked.deed), asked))
    assert done(release_with(spd, load, signed_by(spd, "Ines", load, asked.deed), asked)) == first


def test_whoever_signs_a_release_must_be_competent_themselves(spd: Department) -> None:
    """Sanne may release and asks for it; the signature is Bo's, who may not."""
    load = given_reviewed_load(spd)
    asked = request(spd, "Sanne")
    assert refused(release_with(spd, load, signed_by(spd, "Bo", load, asked.deed), asked))


def test_the_roles_of_a_signature_are_those_held_when_it_is_used(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(hold(spd, load))
    key = f"manual:{last_event(spd, load).hold}"
    asked = request(spd, "Joan")
    signing = signed_by(spd, "Joan", load, asked.deed)
    spd.people["Joan"].membership_set.all().delete()
    outcome = holds.lift_hold(asked, load=load, hold=key, words="Looked into it.", signings=[signing])
    assert refused(outcome) == "may-not-lift"


def test_a_rinse_that_is_not_proven_takes_two_signatures_of_two_people(spd: Department) -> None:
    """I15."""
    load = given_finished_load(spd)
    done(review(spd, load, conductivity="not-proven"))
    key = "rinse-not-proven:conductivity"
    hire(spd, "Sanne", "infection-prevention")
    assert refused(lift(spd, load, key, "Sanne")) == "may-not-lift"
    assert refused(lift(spd, load, key, "Sanne", "Sanne")) == "same-person-twice"
    done(lift(spd, load, key, "Sanne", "Joan"))
    assert standing(spd, load) == []


def test_a_lift_says_why(spd: Department) -> None:
    load = given_reviewed_load(spd)
    done(hold(spd, load))
    key = f"manual:{last_event(spd, load).hold}"
    outcome = holds.lift_hold(request(spd, "Sanne"), load=load, hold=key, words=" ", signings=[])
    assert refused(outcome) == "reason-missing"


def test_what_nobody_lifts_two_signatures_do_not_lift_either(spd: Department) -> None:
    load = given_finished_load(spd)
    done(review(spd, load, a0="not-met"))
    assert refused(lift(spd, load, "disinfection-not-met:a0", "Sanne", "Joan")) == "hold-not-liftable"


# --- release ------------------------------------------------------------------------------------------


def test_a_technician_with_the_competence_releases_and_a_supervisor_without_it_does_not(spd: Department) -> None:
    """Design: release belongs to anyone with current release competence, not to a rank."""
    hire(spd, "Nils", "supervisor")
    load = given_reviewed_load(spd)
    assert refused(let_go(spd, load, who="Nils")) == "competence"
    done(let_go(spd, load, who="Ines"))


def test_a_release_keeps_the_policy_position_and_what_was_lifted(spd: Department) -> None:
    load = given_finished_load(spd)
    done(review(spd, load, paper="not-proven"))
    done(lift(spd, load, "documentation-not-proven:paper", "Sanne"))
    size = len(whole_log(spd))
    done(let_go(spd, load))
    release = last_event(spd, load)
    assert (release.policy_position, release.lifted) == (size, ("documentation-not-proven:paper",))


def test_a_released_load_cannot_be_released_or_reviewed_again(spd: Department) -> None:
    load = given_released_load(spd)
    assert nothing_written(spd, lambda: let_go(spd, load)) == "already-ended"
    assert nothing_written(spd, lambda: review(spd, load)) == "already-released"


def test_a_deed_for_a_department_that_never_opened_says_so() -> None:
    from incidents.ledger.writing import NoLedger

    spd = bare_department()
    with pytest.raises(NoLedger):
        setting_up.open_facility(replaced(request(spd, "Ada"), facility=named(spd.id, "nowhere")))
