"""Two people, one later (design 4: "at night a second signature may be pending, held meanwhile"; I14, I15)."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from incidents.operations import corrections, cycles, holds
from incidents.operations.deeds import Outcome
from incidents.rules import holds as of_loads
from incidents.rules import release
from incidents.rules.events import HoldLifted, LiftSigned, NoteAdded
from incidents.rules.holds import LIFTED_BY
from tests import floor_cast, visitors
from tests.cast import (
    Department,
    done,
    fate,
    given_finished_load,
    hire,
    hold,
    let_go,
    lift,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
    rerun,
    review,
    sign_first,
    sign_second,
    signed_by,
    standing,
)
from tests.floor import attributed, key_of
from tests.floor import refused as refused_by_the_rules
from tests.floor_cast import event_id, it_was, matters
from tests.story import CONFORMING, FINISHED, INES, JOAN, SANNE, WORDS, held, load_of, reviewed, signature, story

pytestmark = pytest.mark.django_db
RINSE = "rinse-not-proven:conductivity"
IP = "infection-prevention"
HELD = (*FINISHED, reviewed(rinse="not-proven"))
FIRST = LiftSigned(RINSE, "rinse-not-proven", WORDS, signature(SANNE, "supervisor"))
SECOND = signature(JOAN, IP)


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    hire(department, "Piet", "supervisor")
    yield department
    rebuilt_equals_live(department)


@pytest.fixture
def load(spd: Department) -> UUID:
    """One whose rinse is not proven, and nothing else against it."""
    found = given_finished_load(spd)
    done(review(spd, found, conductivity="not-proven"))
    return found


# --- where policy asks for two ------------------------------------------------------------------------


def test_policy_asks_for_a_second_person_where_one_would_do(spd: Department) -> None:
    """Design 4: “Two people where policy says so; at night a second signature may be pending, held meanwhile”."""
    load = given_finished_load(spd)
    done(review(spd, load))
    done(hold(spd, load))
    (key,) = [one.key for one in of_loads.holds(load_now(spd, load))]
    done(floor_cast.set_policy(spd, two_people_lift=["manual"]))
    assert refused(lift(spd, load, key, "Sanne")) == "may-not-lift"
    done(sign_first(spd, load, key, "Sanne"))
    assert fate(spd, load) == "quarantined"
    assert refused(sign_second(spd, load, key, "Sanne")) == "same-person-twice"
    done(sign_second(spd, load, key, "Piet"))
    assert standing(spd, load) == []


# --- the rules ----------------------------------------------------------------------------------------


def test_only_holds_that_need_two_are_signed_first() -> None:
    by_two = {code for code, groups in LIFTED_BY.items() if len(groups) > 1}
    assert by_two == {"rinse-not-proven", "record-ambiguous"}
    manual = load_of(*CONFORMING, held())
    outcome = release.sign_first(manual, key_of(manual, "manual"), WORDS, signature(SANNE, "supervisor"))
    assert refused_by_the_rules(outcome) == "one-signature-lifts"
    broken = load_of(*FINISHED, reviewed(disinfection="not-met"))
    outcome = release.sign_first(
        broken, key_of(broken, "disinfection-not-met"), WORDS, signature(SANNE, "supervisor")
    )
    assert refused_by_the_rules(outcome) == "hold-not-liftable"
    assert refused_by_the_rules(release.sign_first(broken, RINSE, WORDS, SECOND)) == "hold-unknown"


@pytest.mark.parametrize(
    ("person", "role", "code"),
    [
        (INES, "technician", "may-not-lift"),
        (INES, "quality", "may-not-lift"),
        (JOAN, IP, ""),
        (SANNE, "supervisor", ""),
    ],
)
def test_who_signs_first_is_one_of_the_two_whom_the_table_names(person: UUID, role: str, code: str) -> None:
    outcome = release.sign_first(load_of(*HELD), RINSE, WORDS, signature(person, role))
    assert refused_by_the_rules(outcome) == code if code else isinstance(outcome, LiftSigned)


def test_a_second_signature_needs_the_other_role_and_another_person() -> None:
    waiting = load_of(*HELD, FIRST)

    def second(person: UUID, *roles: str) -> Any:
        return release.sign_second(waiting, RINSE, None, signature(person, *roles))

    assert refused_by_the_rules(second(SANNE, IP)) == "same-person-twice"
    assert refused_by_the_rules(second(INES, "supervisor")) == "may-not-lift"
    lifted = second(JOAN, IP)
    assert isinstance(lifted, HoldLifted)
    assert [each.person for each in lifted.signatures] == [SANNE, JOAN]
    assert lifted.words == FIRST.words  # whoever agrees without words of their own agrees to the first's


def test_nobody_is_second_where_nobody_was_first() -> None:
    assert refused_by_the_rules(release.sign_second(load_of(*HELD), RINSE, None, SECOND)) == "first-missing"
    assert refused_by_the_rules(release.withdraw(load_of(*HELD), RINSE, None)) == "first-missing"
    assert refused_by_the_rules(release.sign_first(load_of(*HELD, FIRST), RINSE, WORDS, SECOND)) == (
        "first-signed-already"
    )


def test_whatever_happens_to_the_load_voids_what_was_signed_first() -> None:
    """I14, also where it is only a note; it can be signed anew."""
    changed = load_of(*HELD, FIRST, NoteAdded(WORDS))
    outcome = release.sign_second(changed, RINSE, None, SECOND)
    assert refused_by_the_rules(outcome) == "first-void"
    assert "the load changed since" in outcome.sentence  # type: ignore[union-attr]
    assert isinstance(release.sign_first(changed, RINSE, WORDS, SECOND), LiftSigned)
    again = load_of(*HELD, FIRST, NoteAdded(WORDS), FIRST)
    assert isinstance(release.sign_second(again, RINSE, None, SECOND), HoldLifted)


@pytest.mark.parametrize("was_first", [True, False])
def test_two_who_were_one_lifted_nothing(was_first: bool) -> None:
    """I15, whichever of the two events the attribution of which is corrected."""
    waiting = load_of(*HELD, FIRST)
    lifted = release.sign_second(waiting, RINSE, None, SECOND)
    assert isinstance(lifted, HoldLifted)
    told = (*HELD, FIRST, lifted)
    events = {type(event.data): event.event_id for event in story(*told)}
    wrong = (
        attributed(events[LiftSigned], SANNE, JOAN) if was_first else attributed(events[HoldLifted], JOAN, SANNE)
    )
    assert load_of(*told).lifts
    assert not load_of(*told, wrong).lifts


# --- the deeds ----------------------------------------------------------------------------------------


def test_the_load_stays_held_until_the_second_has_signed(spd: Department, load: UUID) -> None:
    done(sign_first(spd, load, RINSE, "Sanne"))
    assert (standing(spd, load), fate(spd, load)) == (["rinse-not-proven"], "quarantined")
    assert refused(let_go(spd, load)) == "hold-stands"
    assert matters(spd, load) == ["held", "second-signature"]
    spd.wait(7 * 60)  # the night
    done(sign_second(spd, load, RINSE, "Joan"))
    assert (standing(spd, load), matters(spd, load)) == ([], ["review-due"])
    done(let_go(spd, load))


def test_neither_signs_for_the_other(spd: Department, load: UUID) -> None:
    asked = request(spd, "Sanne")
    signings = [signed_by(spd, "Joan", load, asked.deed)]
    outcome = holds.sign_lift(asked, load=load, hold=RINSE, words="Read twice.", signings=signings)
    assert refused(outcome) == "other-person"
    assert refused(holds.sign_lift(request(spd, "Sanne"), load=load, hold=RINSE, words="x", signings=[])) == (
        "signature-missing"
    )
    assert refused(holds.sign_lift(request(spd, "Sanne"), load=load, hold=RINSE, words=" ", signings=[])) == (
        "reason-missing"
    )
    done(sign_first(spd, load, RINSE, "Sanne"))
    assert refused(sign_second(spd, load, RINSE, "Sanne")) == "same-person-twice"
    assert refused(sign_second(spd, load, RINSE, "Piet")) == "may-not-lift"
    assert refused(sign_second(spd, load, RINSE, "Ines")) == "role"


@pytest.mark.parametrize("change", ["a hold", "a place", "a note", "a re-run"])
def test_what_changed_the_load_is_told_and_it_is_signed_anew(spd: Department, load: UUID, change: str) -> None:
    done(sign_first(spd, load, RINSE, "Sanne"))
    changes: dict[str, Any] = {
        "a hold": lambda: done(hold(spd, load)),
        "a place": lambda: done(cycles.place_load(request(spd, "Ines"), load=load, place="quarantine")),
        "a note": lambda: done(corrections.add_note(request(spd, "Ines"), load=load, words="Damp.")),
        "a re-run": lambda: rerun(spd, load),
    }
    changes[change]()
    assert refused(sign_second(spd, load, RINSE, "Joan")) == "first-void"
    assert "second-signature" in matters(spd, load)
    done(sign_first(spd, load, RINSE, "Joan"))
    done(sign_second(spd, load, RINSE, "Piet"))
    assert "second-signature" not in matters(spd, load)


def test_a_signature_binds_what_was_seen_for_the_second_too(spd: Department, load: UUID) -> None:
    done(sign_first(spd, load, RINSE, "Sanne"))
    asked = request(spd, "Joan")
    signings = [signed_by(spd, "Joan", load, asked.deed)]
    late = request(spd, "Joan", deed=asked.deed, now=spd.now + timedelta(seconds=61))
    assert refused(holds.second_lift(late, load=load, hold=RINSE, signings=signings)) == "signature-void"
    done(hold(spd, load))
    assert refused(sign_second(spd, load, RINSE, "Joan")) == "first-void"


def test_a_first_signature_is_taken_back(spd: Department, load: UUID) -> None:
    done(sign_first(spd, load, RINSE, "Sanne"))
    done(holds.withdraw_lift(request(spd, "Joan"), load=load, hold=RINSE, words="I read 12 µS/cm."))
    assert refused(sign_second(spd, load, RINSE, "Joan")) == "first-missing"
    assert (standing(spd, load), matters(spd, load)) == (["rinse-not-proven"], ["held"])
    done(lift(spd, load, RINSE, "Sanne", "Joan"))


def test_a_corrected_attribution_is_asked_before_and_after_the_second(spd: Department, load: UUID) -> None:
    """I15: it was Joan in Sanne's session."""
    done(sign_first(spd, load, RINSE, "Sanne"))
    first = event_id(spd, load, LiftSigned)
    done(it_was(spd, load, first, "Joan", who="Piet"))
    outcome: Outcome = sign_second(spd, load, RINSE, "Joan")
    assert refused(outcome) == "first-void"
    done(sign_first(spd, load, RINSE, "Sanne"))
    done(sign_second(spd, load, RINSE, "Joan"))
    done(let_go(spd, load))
    done(it_was(spd, load, event_id(spd, load, LiftSigned), "Joan", who="Piet"))
    assert (standing(spd, load), fate(spd, load)) == (["rinse-not-proven"], "released, under recall")


def test_a_signature_given_twice_is_one(spd: Department, load: UUID) -> None:
    asked = request(spd, "Sanne")
    given: dict[str, Any] = {"load": load, "hold": RINSE, "words": "Read twice."}
    signings = [signed_by(spd, "Sanne", load, asked.deed)]
    first = done(holds.sign_lift(asked, **given, signings=signings))
    assert done(holds.sign_lift(asked, **given, signings=[])) == first
    assert len(load_now(spd, load).first_signatures) == 1


# --- the pages ----------------------------------------------------------------------------------------


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Department:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


def test_the_night_by_its_pages(eastmere: Department) -> None:
    """Sanne signs first from the load's page; in the morning Joan finds it on the release round."""
    load = given_finished_load(eastmere)
    done(review(eastmere, load, conductivity="not-proven"))
    sanne, joan = visitors.visitor(eastmere, "Sanne"), visitors.visitor(eastmere, "Joan")
    query = f"?hold={RINSE.replace(':', '%3A')}"
    both = sanne.get(visitors.address(eastmere, "lift", load=load) + query)
    first = visitors.address(eastmere, "lift-first", load=load) + query
    assert first in [attrs.get("href") for _, attrs in visitors.read(both).elements]
    typed = {"words": "Read twice.", **visitors.factors(eastmere, "Sanne")}
    assert sanne.post(first, visitors.form_of_deed(sanne.get(first)) | typed).status_code == 302
    name = load_now(eastmere, load).name
    assert f"{name}: a second signature is missing to lift a hold." in visitors.words_of(
        joan.get(visitors.address(eastmere, "now"))
    )
    round_page = joan.get(visitors.address(eastmere, "release-round"))
    assert "Sanne signed first" in visitors.words_of(round_page)
    second = visitors.address(eastmere, "lift-second", load=load) + query
    assert second in [attrs.get("href") for _, attrs in visitors.read(round_page).elements]
    page = joan.get(second)
    assert "Sanne signed first" in visitors.words_of(page)
    assert visitors.unsound(page) == []
    own = visitors.factors(eastmere, "Joan")
    assert joan.post(second, visitors.form_of(page) | own).status_code == 302
    assert standing(eastmere, load) == []
    assert "Second signatures" not in visitors.words_of(joan.get(visitors.address(eastmere, "release-round")))


def test_what_no_longer_counts_is_said_on_every_page(eastmere: Department) -> None:
    load = given_finished_load(eastmere)
    done(review(eastmere, load, conductivity="not-proven"))
    done(sign_first(eastmere, load, RINSE, "Sanne"))
    done(hold(eastmere, load))
    joan = visitors.visitor(eastmere, "Joan")
    query = f"?hold={RINSE.replace(':', '%3A')}"
    for url in (
        visitors.address(eastmere, "load", load=load),
        visitors.address(eastmere, "release-round"),
        visitors.address(eastmere, "lift-second", load=load) + query,
    ):
        assert "no longer counts: the load changed since" in visitors.words_of(joan.get(url)), url
    errand = visitors.address(eastmere, "withdraw-lift", load=load) + query
    assert joan.post(errand, visitors.carried(eastmere, load)).status_code == 302
    assert "no longer counts" not in visitors.words_of(joan.get(visitors.address(eastmere, "load", load=load)))
