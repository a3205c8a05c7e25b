"""A wrong file put on a load: two people withdraw it, and what it proved is missing from then on (I7, I11, I15)."""

from __future__ import annotations

from collections.abc import Iterator
from uuid import UUID

import pytest

from incidents.operations import holds as deeds
from incidents.operations.deeds import Outcome
from incidents.rules.events import RecordWithdrawn
from tests.cast import (
    Department,
    done,
    fate,
    given_finished_load,
    hire,
    last_event,
    let_go,
    load_now,
    open_department,
    publish_programme,
    rebuilt_equals_live,
    refused,
    request,
    signed_by,
    standing,
)
from tests.floor_cast import event_id, it_was
from tests.record_cast import computing_department, given_recorded_load, keep, record_of, spoilt
from tests.recorded import ALL_PROBES, HELD_FROM_S, HELD_TO_S, as_csv, good, put, shift
from tests.test_judge import LIMITS, RECIPE
from tests.test_readings_kept import look_at

pytestmark = pytest.mark.django_db
MID_HOLD_S = (HELD_FROM_S + HELD_TO_S) / 2
DIP = shift(ALL_PROBES, -3, MID_HOLD_S, MID_HOLD_S + 4)
OTHER = put("probe_1_degC", 91.3, MID_HOLD_S, MID_HOLD_S)


@pytest.fixture
def spd() -> Iterator[Department]:
    department = computing_department()
    hire(department, "Quinn", "quality")
    yield department
    rebuilt_equals_live(department)


def withdraw(
    spd: Department, load: UUID, *signers: str, record: UUID | None = None, words: str = "Wrong."
) -> Outcome:
    asked = request(spd, signers[0])
    signings = [signed_by(spd, who, load, asked.deed) for who in signers]
    found = record or record_of(spd, load).event_id
    return deeds.withdraw_record(asked, load=load, record=found, words=words, signings=signings)


def test_what_it_proved_is_missing_until_the_loads_own_record_is_given_and_looked_at(spd: Department) -> None:
    load = given_recorded_load(spd, DIP)
    wrong = record_of(spd, load)
    assert "disinfection-not-met" in standing(spd, load)
    done(withdraw(spd, load, "Sanne", "Joan"))
    assert set(standing(spd, load)) == {"record-missing"}
    assert refused(keep(spd, load, as_csv(spoilt(DIP)))) == "record-withdrawn"
    done(keep(spd, load, as_csv(good())))
    assert standing(spd, load) == []
    assert refused(let_go(spd, load)) == "not-reviewed"
    done(look_at(spd, load))
    done(let_go(spd, load))
    assert load_now(spd, load).withdrawn[0].record == wrong


def test_a_review_of_the_withdrawn_record_is_none_of_the_next(spd: Department) -> None:
    load = given_recorded_load(spd)
    done(look_at(spd, load))
    done(withdraw(spd, load, "Sanne", "Joan"))
    assert fate(spd, load) == "quarantined"
    done(keep(spd, load, as_csv(spoilt(OTHER))))
    assert refused(let_go(spd, load)) == "not-reviewed"


def test_of_two_records_the_right_one_stays_and_nothing_is_ambiguous(spd: Department) -> None:
    load = given_recorded_load(spd)
    done(keep(spd, load, as_csv(spoilt(DIP))))
    assert {"record-ambiguous", "disinfection-not-met"} <= set(standing(spd, load))
    done(withdraw(spd, load, "Joan", "Sanne"))
    assert standing(spd, load) == []


def test_released_by_a_record_that_is_withdrawn_it_comes_under_recall(spd: Department) -> None:
    """I9: what stands against it after its release is recorded, and it goes under recall."""
    load = given_recorded_load(spd)
    done(look_at(spd, load))
    done(let_go(spd, load))
    done(withdraw(spd, load, "Sanne", "Joan"))
    assert fate(spd, load) == "released, under recall"


@pytest.mark.parametrize(
    ("signers", "code"),
    [
        (("Sanne",), "may-not-withdraw"),
        (("Sanne", "Sanne"), "same-person-twice"),
        (("Sanne", "Quinn"), "may-not-withdraw"),
        (("Quinn", "Joan"), "role"),
        (("Ines", "Joan"), "role"),
    ],
)
def test_a_supervisor_and_infection_prevention_sign(spd: Department, signers: tuple[str, ...], code: str) -> None:
    load = given_recorded_load(spd, DIP)
    assert refused(withdraw(spd, load, *signers)) == code
    assert "disinfection-not-met" in standing(spd, load)


def test_it_needs_a_reason_and_a_record(spd: Department) -> None:
    load = given_recorded_load(spd)
    assert refused(withdraw(spd, load, "Sanne", "Joan", words=" ")) == "reason-missing"
    assert refused(withdraw(spd, load, "Sanne", "Joan", record=UUID(int=9))) == "record-unknown"


def test_two_people_who_were_one_have_withdrawn_nothing(spd: Department) -> None:
    """I15: the attribution corrected, the record counts again with whatever it found."""
    load = given_recorded_load(spd, DIP)
    done(withdraw(spd, load, "Sanne", "Joan"))
    assert isinstance(last_event(spd, load), RecordWithdrawn)
    done(it_was(spd, load, event_id(spd, load, RecordWithdrawn), "Joan"))
    assert "disinfection-not-met" in standing(spd, load)
    assert load_now(spd, load).withdrawn == ()


def test_on_the_transcribed_basis_it_is_reviewed_again_and_nothing_found_is_taken_back() -> None:
    spd = open_department()
    publish_programme(spd, **RECIPE, limits=LIMITS)
    load = given_finished_load(spd)
    done(keep(spd, load, as_csv(good())))
    kinds = {criterion.code: "met" for criterion in RECIPE["criteria"]}
    done(_stated(spd, load, kinds | {"cleaning": "not-met"}))
    done(withdraw(spd, load, "Sanne", "Joan"))
    assert standing(spd, load) == ["cleaning-not-met", "record-missing"]
    done(_stated(spd, load, kinds))
    assert standing(spd, load) == ["cleaning-not-met"]
    rebuilt_equals_live(spd)


def _stated(spd: Department, load: UUID, verdicts: dict[str, object]) -> Outcome:
    return deeds.review_load(request(spd, "Ines"), load=load, record_seen=True, verdicts=verdicts)  # type: ignore[arg-type]
