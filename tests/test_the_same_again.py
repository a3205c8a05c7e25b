"""What is sent again, twice, or broken on its way: one deed, one answer, and nothing left out in silence (I5)."""

from __future__ import annotations

from typing import Any

import pytest

from incidents.identity.models import AccessToken
from incidents.ledger.writing import digest_of
from incidents.operations import deeds, holds, inspection, sweep
from incidents.rules.events import (
    Actor,
    AlarmAcknowledged,
    CycleAborted,
    CycleResumed,
    LoadReleased,
    OutcomeOverdue,
)
from tests import cast, visitors
from tests.bare_ledger import ask, ask_nothing
from tests.cast import Department, done, events_of, given_running_load, whole_log
from tests.floor_cast import machine_now, matters
from tests.visitors import address, alert_of, errand_of, form_of_deed, visitor, words_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Department:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


@pytest.mark.parametrize(
    ("route", "kind"), [("resume", CycleResumed), ("abort", CycleAborted), ("acknowledge", AlarmAcknowledged)]
)
def test_an_answer_sent_again_after_its_scan_ran_out_finds_its_receipt(
    eastmere: Department, route: str, kind: Any
) -> None:
    """A scan counts for ten minutes; the deed was done at the machine already."""
    client, errand = errand_of(eastmere, route)
    first = client.post(errand.url, errand.fields)
    written = len(whole_log(eastmere))
    eastmere.wait(11)
    again = client.post(errand.url, errand.fields)
    assert (first.status_code, again.status_code, alert_of(again)) == (302, 302, "")
    assert len(whole_log(eastmere)) == written
    assert sum(isinstance(each.data, kind) for each in whole_log(eastmere)) == 1


@pytest.mark.parametrize("route", ["resume", "abort", "acknowledge"])
def test_a_new_answer_after_its_scan_ran_out_is_none(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    eastmere.wait(11)
    written = len(whole_log(eastmere))
    answer = client.post(errand.url, errand.fields)
    assert answer.status_code == 409
    assert "Scan the machine first" in words_of(answer)
    assert len(whole_log(eastmere)) == written


@pytest.mark.parametrize("line", ["these", "", "7/7/7", "{load}", "{load}/", "{load}/²/x", "{load}/1e3/x"])
def test_a_line_of_a_release_round_that_can_not_be_read_is_told(eastmere: Department, line: str) -> None:
    """Whoever signs believes that all of the list went; so none of it does."""
    client, errand = errand_of(eastmere, "release-round")
    load = errand.fields["load"][0].partition("/")[0]
    answer = client.post(errand.url, errand.fields | {"load": [*errand.fields["load"], line.format(load=load)]})
    assert answer.status_code == 400
    assert "can’t be read" in words_of(answer)
    assert not any(isinstance(each.data, LoadReleased) for each in whole_log(eastmere))


def test_a_double_click_makes_one_token(eastmere: Department) -> None:
    ada = visitor(eastmere, "Ada")
    fields = form_of_deed(ada.get(address(eastmere, "set-up")))
    url = address(eastmere, "make-token", machine=eastmere.machine)
    first, second = ada.post(url, fields), ada.post(url, fields)
    assert (first.status_code, second.status_code) == (200, 409)
    assert "This form made a token already" in words_of(second)
    assert AccessToken.objects.filter(machine=eastmere.machine).count() == 1


def test_one_page_makes_a_token_for_each_of_two_machines(eastmere: Department) -> None:
    cedar = cast.register_machine(eastmere, "Cedar")
    ada = visitor(eastmere, "Ada")
    fields = form_of_deed(ada.get(address(eastmere, "set-up")))
    for machine in (eastmere.machine, cedar):
        assert ada.post(address(eastmere, "make-token", machine=machine), fields).status_code == 200


def test_a_sweep_counts_what_it_noted_and_not_what_another_did(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two sweeps that found the same cycle overdue before either had noted it."""
    spd = cast.open_department()
    load = given_running_load(spd)
    now = spd.wait(90)
    found = list(sweep.floor.overdue(now))
    monkeypatch.setattr(sweep.floor, "overdue", lambda now: iter(found))
    assert [sweep.sweep(now), sweep.sweep(now)] == [1, 0]
    assert sum(isinstance(each.data, OutcomeOverdue) for each in events_of(spd, load)) == 1


def test_a_cycle_without_a_number_is_explained_from_its_machines_page(eastmere: Department) -> None:
    """Its machine told of it, and not under which number."""
    done(cast.tell(eastmere, "cycle-started", cycle=None, programme="Turbo"))
    assert matters(eastmere, eastmere.machine) == ["cycle-without-load"]
    sanne = visitor(eastmere, "Sanne")
    page = sanne.get(address(eastmere, "machine", machine=eastmere.machine))
    assert "Alder started a cycle without a load in chamber 1" in words_of(page)
    url = address(eastmere, "explain-cycle", machine=eastmere.machine)
    fields = next(fields for to, fields in visitors.read(page).forms if to == url and "stray" in fields)
    assert sanne.post(url, fields | {"words": "A test run, empty."}).status_code == 302
    assert machine_now(eastmere).strays == ()
    assert matters(eastmere, eastmere.machine) == []
    assert "told no number" not in words_of(sanne.get(address(eastmere, "machine", machine=eastmere.machine)))


# --- free text ----------------------------------------------------------------------------------------


def stored_digest(department: Department, deed: Any) -> bytes:
    ((digest,),) = ask(
        "SELECT digest FROM ledger_deed WHERE facility_id = %s AND deed_id = %s", department.id, deed
    )
    return bytes(digest)


def held_for(spd: Department, load: Any, deed: Any, words: str) -> Any:
    return holds.hold_load(cast.request(spd, "Ines", deed=deed), load=load, words=words)


@pytest.fixture
def spd(db: None) -> Department:
    return cast.open_department()


def test_no_text_can_be_guessed_from_what_was_asked(spd: Department) -> None:
    """Design 10: free text may be emptied. Two texts of the same deed leave the same digest behind."""
    digests = []
    for words in ("A tray is wet.", "M. Smith's tray."):
        load, deed = given_running_load(spd, trays=cast.register_set(spd, words, 1)), spd.new_deed()
        cast.done(cast.tell(spd, "cycle-finished"))
        cast.done(held_for(spd, load, deed, words))
        asked = {"load": load, "words": True, "expected_version": None, "occurred_at": None, "sequence": None}
        actor = Actor("person", spd.people["Ines"].id)
        digests.append(stored_digest(spd, deed) == digest_of("hold_load", actor, asked))
    assert digests == [True, True]


@pytest.mark.parametrize("words", ["Wet.", "  Wet.  "])
def test_a_deed_with_words_is_one_and_other_words_are_another(spd: Department, words: str) -> None:
    load, deed = given_running_load(spd), spd.new_deed()
    first = cast.done(held_for(spd, load, deed, words))
    assert cast.done(held_for(spd, load, deed, words)) == first
    for other in ("Dry.", "", "wet."):
        assert cast.refused(held_for(spd, load, deed, other)) in ("deed-reused", "reason-missing")
    assert len(cast.load_now(spd, load).placed_holds) == 1


def test_two_texts_are_both_compared(spd: Department) -> None:
    load, deed = cast.given_aborted_load(spd), spd.new_deed()

    def record(surfaces: str, cleaned_by: str) -> Any:
        asked = cast.request(spd, "Ines", deed=deed)
        return inspection.record_contamination(asked, load=load, surfaces=surfaces, cleaned_by=cleaned_by)

    first = cast.done(record("The shelf.", "Ines."))
    assert cast.done(record("The shelf.", "Ines.")) == first
    assert cast.refused(record("The shelf.", "Sanne.")) == "deed-reused"
    assert cast.refused(record("The bench.", "Ines.")) == "deed-reused"


def test_after_its_words_were_emptied_a_deed_is_known_by_the_rest(spd: Department) -> None:
    load, deed = given_running_load(spd), spd.new_deed()
    first = cast.done(held_for(spd, load, deed, "M. Smith's tray."))
    ask_nothing("UPDATE ledger_words SET text = '', salt = %s WHERE facility_id = %s", b"", spd.id)
    assert cast.done(held_for(spd, load, deed, "M. Smith's tray.")) == first


def test_a_deed_that_an_older_release_stored_still_finds_its_receipt(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its digest covers the text itself."""
    load, deed = given_running_load(spd), spd.new_deed()
    with monkeypatch.context() as older:
        older.setattr(deeds, "FREE_TEXTS", ())
        first = cast.done(held_for(spd, load, deed, "Wet."))
    assert cast.done(held_for(spd, load, deed, "Wet.")) == first
    assert cast.refused(held_for(spd, load, deed, "Dry.")) == "deed-reused"
