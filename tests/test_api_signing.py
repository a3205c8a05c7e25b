"""Signatures and late entries over the API.

Sources: design, section 4 (signing: badge and PIN each time, one deed, 60 s), section 3 (one transaction, one deed
row each) and section 6 (I4, I5, I14, I15).
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any, get_args
from uuid import UUID

import pytest

from incidents.api.deeds import OFFERED
from incidents.api.late import ENTRIES
from incidents.api.signings import Signings
from incidents.identity.models import Competence, Signing
from incidents.operations.deeds import OPERATIONS
from tests import cast, visitors
from tests.api_callers import Program, problem_of, program, told
from tests.cast import Department
from tests.visitors import written


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def seen(caller: Program, load: UUID) -> dict[str, Any]:
    load_told = told(caller.get(f"loads/{load}/"))
    return {"load": str(load), "version": load_told["version"], "leaf": load_told["leaf"]}


def release(department: Department, load: UUID, who: str = "Ines") -> dict[str, Any]:
    ines = program(department, "Ines")
    return {
        "operation": "release_load",
        "deed_id": str(department.new_deed()),
        "seen": seen(ines, load),
        "purpose": "packing",
        **visitors.factors(department, who),
    }


def test_a_release_is_signed_with_badge_and_pin_and_says_what_was_signed(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_reviewed_load(eastmere)
    asked = release(eastmere, load)
    ready = told(ines.post("signings/", asked), 201)
    name = cast.load_now(eastmere, load).name
    assert ready["meaning"] == f"I release {name} for packing. I have reviewed its record."
    deed = {"deed_id": asked["deed_id"], "load": load, "purpose": "packing", "signings": [ready["signing"]]}
    told(ines.post("deeds/release_load/", deed), 201)
    assert cast.fate(eastmere, load) == "released"
    assert cast.last_event(eastmere, load).signature.person == eastmere.people["Ines"].id


def test_every_deed_that_takes_signatures_can_be_signed_for() -> None:
    signed = {name for name, deed in OFFERED.items() if "signings" in deed.own}
    assert {kind.__struct_config__.tag for kind in get_args(Signings.takes)} == signed


@pytest.mark.parametrize("way", ["late", "of another deed", "used before", "of somebody else", "invented"])
def test_a_signature_serves_one_deed_within_a_minute(eastmere: Department, way: str) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_reviewed_load(eastmere)
    asked = release(eastmere, load, "Sanne" if way == "of somebody else" else "Ines")
    ready = told(ines.post("signings/", asked), 201)
    deed = {"deed_id": asked["deed_id"], "load": load, "purpose": "packing", "signings": [ready["signing"]]}
    if way == "late":
        eastmere.now += timedelta(seconds=61)
    elif way == "of another deed":
        deed["deed_id"] = str(eastmere.new_deed())
    elif way == "used before":
        Signing.objects.update(used_at=eastmere.now)
    elif way == "invented":
        deed["signings"] = [str(UUID(int=7))]
    before = written(eastmere)
    code = problem_of(ines.post("deeds/release_load/", deed), 409)["code"]
    assert code == ("other-person" if way == "of somebody else" else "signature-void")
    assert written(eastmere) == before


def test_what_changed_since_it_was_signed_is_not_released(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_reviewed_load(eastmere)
    asked = release(eastmere, load)
    ready = told(ines.post("signings/", asked), 201)
    told(ines.deed("add_note", load=load, words="Looked again."), 201)
    deed = {"deed_id": asked["deed_id"], "load": load, "purpose": "packing", "signings": [ready["signing"]]}
    assert problem_of(ines.post("deeds/release_load/", deed), 409)["code"] == "stale"


def test_a_wrong_pin_signs_nothing_and_is_counted(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    asked = release(eastmere, cast.given_reviewed_load(eastmere))
    for _ in range(4):
        assert problem_of(ines.post("signings/", asked | {"pin": "0000"}), 409)["code"] == "signature-wrong"
    last = problem_of(ines.post("signings/", asked | {"pin": "0000"}), 429)
    assert last["code"] == "locked-out"
    locked = ines.post("signings/", asked)  # also with the right one
    assert problem_of(locked, 429) == last
    assert int(locked.headers["Retry-After"]) > 0
    assert not Signing.objects.exists()


def test_a_release_needs_a_competence_that_is_current(eastmere: Department) -> None:
    """It ran out since the token was made: the deed is refused, the token goes on reading."""
    ines = program(eastmere, "Ines")
    load = cast.given_reviewed_load(eastmere)
    asked = release(eastmere, load)
    ready = told(ines.post("signings/", asked), 201)
    Competence.objects.filter(person=eastmere.people["Ines"]).update(valid_until=eastmere.now - timedelta(days=1))
    deed = {"deed_id": asked["deed_id"], "load": load, "purpose": "packing", "signings": [ready["signing"]]}
    assert problem_of(ines.post("deeds/release_load/", deed), 409)["code"] == "competence"
    assert told(ines.get(f"loads/{load}/"))["disposition"] == "awaiting review"


def test_nobody_from_another_facility_signs_here(eastmere: Department) -> None:
    westmere = visitors.another_department()
    asked = release(eastmere, cast.given_reviewed_load(eastmere)) | visitors.factors(westmere, "Ines")
    assert problem_of(program(eastmere, "Ines").post("signings/", asked), 409)["code"] == "signature-wrong"


def test_a_hold_is_lifted_by_the_two_whom_the_table_names(eastmere: Department) -> None:
    """`rinse-not-proven` needs a supervisor and infection prevention together (design, section 4)."""
    load = cast.given_finished_load(eastmere)
    cast.done(cast.review(eastmere, load, conductivity="not-proven"))
    sanne = program(eastmere, "Sanne")
    hold = next(hold for hold in told(sanne.get(f"loads/{load}/"))["holds"] if hold["code"] == "rinse-not-proven")
    deed_id = str(eastmere.new_deed())
    asked = {"operation": "lift_hold", "deed_id": deed_id, "seen": seen(sanne, load), "hold": hold["key"]}
    signings = [
        told(sanne.post("signings/", asked | visitors.factors(eastmere, who)), 201)["signing"]
        for who in ("Sanne", "Joan")
    ]
    deed = {"deed_id": deed_id, "load": load, "hold": hold["key"], "words": "Rinsed again by hand, tested."}
    alone = Program(eastmere, "")
    problem_of(alone.post("deeds/lift_hold/", deed | {"signings": signings}), 401)
    told(sanne.post("deeds/lift_hold/", deed | {"signings": signings}), 201)
    assert "rinse-not-proven" not in cast.standing(eastmere, load)


def test_a_round_is_released_under_one_signature(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    loads = [cast.given_reviewed_load(eastmere, trays=[tray]) for tray in eastmere.trays]
    deed_id = str(eastmere.new_deed())
    asked = {
        "operation": "release_round",
        "deed_id": deed_id,
        "seen": [seen(ines, load) for load in loads],
        "purpose": "packing",
        **visitors.factors(eastmere, "Ines"),
    }
    ready = told(ines.post("signings/", asked), 201)
    deed = {"deed_id": deed_id, "loads": loads, "purpose": "packing", "signings": [ready["signing"]]}
    assert told(ines.post("deeds/release_round/", deed), 201)["count"] >= 2
    assert {cast.fate(eastmere, load) for load in loads} == {"released"}


# --- late entries -------------------------------------------------------------------------------------


def note(department: Department, load: Any, words: str, **more: Any) -> dict[str, Any]:
    at = (department.now - timedelta(hours=3)).isoformat()
    return (
        {"operation": "add_note", "deed_id": str(department.new_deed()), "occurred_at": at}
        | {"load": str(load), "words": words}
        | more
    )


def test_every_observation_may_be_entered_late_and_no_decision(eastmere: Department) -> None:
    entered = {deed.operation.name for deed in ENTRIES.values()}
    assert entered == {each.name for each in OPERATIONS.values() if each.observation} - {"observe"}


def test_late_entries_are_answered_one_by_one_in_order(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_running_load(eastmere)
    entries = [
        note(eastmere, load, "First."),
        note(eastmere, UUID(int=7), "Of no load."),
        note(eastmere, load, "  "),
        note(eastmere, load, "Last."),
        note(eastmere, eastmere.machine, "")
        | {"operation": "report_interruption", "what": "power", "load": str(load)},
    ]
    del entries[-1]["words"]
    results = told(ines.post("late-entries/", {"entries": entries}))["results"]
    assert [result["deed_id"] for result in results] == [entry["deed_id"] for entry in entries]
    assert [result["problem"] and result["problem"]["status"] for result in results] == [None, 404, 409, None, None]
    first, last = results[0]["receipt"], results[3]["receipt"]
    assert last["first_position"] == first["first_position"] + first["count"]
    told_of = cast.events_of(eastmere, load)[-3:]
    assert [event.occurred_at for event in told_of[:2]] == [eastmere.now - timedelta(hours=3)] * 2
    assert cast.standing(eastmere, load)


def test_the_same_entries_sent_again_are_the_same_entries(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_running_load(eastmere)
    body = {"entries": [note(eastmere, load, "First."), note(eastmere, load, "Second.")]}
    once, size = told(ines.post("late-entries/", body)), written(eastmere)
    assert told(ines.post("late-entries/", body)) == once
    assert written(eastmere) == size
    other = {"entries": [body["entries"][0] | {"words": "Another."}, note(eastmere, load, "Third.")]}
    results = told(ines.post("late-entries/", other))["results"]
    assert (results[0]["problem"]["code"], results[1]["problem"]) == ("deed-reused", None)


def test_entries_that_can_not_be_read_are_sent_back_whole(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_running_load(eastmere)
    good = note(eastmere, load, "Good.")
    before = written(eastmere)
    spoilt: list[Any] = [
        [],
        [good] * 101,
        [good, good | {"operation": "release_load"}],
        [good, good | {"operation": "observe"}],
        [good, good | {"occurred_at": None}],
        [good, {name: value for name, value in good.items() if name != "occurred_at"}],
        [good, good | {"released": True}],
        [good, 7],
    ]
    for entries in spoilt:
        problem_of(ines.post("late-entries/", {"entries": entries}), 400)
    assert written(eastmere) == before
