"""A record of readings kept for a load: its storage, its verdict, and what stands against the release by it.

The verdicts themselves are held against published numbers in `test_lethality` and `test_records`.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from incidents.analysis import packing, readings, structured
from incidents.identity.ids import named
from incidents.ledger import blobs
from incidents.operations import corrections, cycles, setting_up
from incidents.operations import holds as deeds
from incidents.operations import readings as keeping
from incidents.operations.deeds import Outcome
from incidents.rules.events import CycleReadingsKept, RecordShared, Verdict
from incidents.rules.holds import holds
from incidents.rules.refusals import Refusal
from tests import test_lethality as of_csv
from tests import test_records as of_records
from tests import test_structured as of_json
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    events_of,
    fate,
    given_finished_load,
    given_running_load,
    last_event,
    let_go,
    lift,
    load_now,
    open_department,
    publish_programme,
    rebuilt_equals_live,
    refused,
    register_set,
    request,
    standing,
    tell,
    whole_log,
)
from tests.record_cast import computing_department, given_recorded_load, keep, record_of, spoilt
from tests.recorded import ALL_PROBES, HELD_FROM_S, HELD_TO_S, as_csv, as_json, both, good, put, shift, without_rows
from tests.test_judge import LIMITS, RECIPE

pytestmark = pytest.mark.django_db
MID_HOLD_S = (HELD_FROM_S + HELD_TO_S) / 2


@pytest.fixture
def spd() -> Iterator[Department]:
    department = computing_department()
    yield department
    rebuilt_equals_live(department)


def look_at(spd: Department, load: UUID, who: str = "Ines") -> Outcome:
    return keeping.review_readings(request(spd, who), load=load, remark="")


# --- bytes ----------------------------------------------------------------------------------------------


def test_the_raw_bytes_lie_under_their_own_digest_and_the_columns_come_back_as_read(spd: Department) -> None:
    file = as_csv(good())
    load = given_recorded_load(spd)
    kept = record_of(spd, load)
    assert kept.digest == hashlib.sha256(file).hexdigest()
    assert blobs.get(spd.id, kept.digest) == file
    read, again = readings.read(io.BytesIO(file)), packing.unpacked(blobs.get(spd.id, kept.packed))
    assert np.array_equal(read.times, again.times) and read.marks == again.marks
    for one, other in zip(read.signals, again.signals, strict=True):
        assert (one.name, one.unit) == (other.name, other.unit)
        assert np.array_equal(one.values, other.values, equal_nan=True)
    event = last_event(spd, load)
    assert isinstance(event, CycleReadingsKept)
    assert (event.rows, event.span_s, event.size_bytes) == (851, "1700", len(file))
    assert (event.programme_name, event.programme_edition) == (PROGRAMME_NAME, 2)


def test_the_same_readings_in_another_file_are_the_same_content(spd: Department) -> None:
    load = given_recorded_load(spd)
    assert refused(keep(spd, load, as_json(good()))) == "record-kept-already"
    crlf = as_csv(good()).replace(b"\n", b"\r\n")
    assert refused(keep(spd, load, crlf)) == "record-kept-already"
    assert len(load_now(spd, load).records) == 1


def test_the_same_deed_again_gets_its_receipt_and_writes_nothing(spd: Department) -> None:
    load = given_finished_load(spd)
    deed = spd.new_deed()
    first = done(keep(spd, load, as_csv(good()), deed=deed))
    size = len(whole_log(spd))
    assert done(keep(spd, load, as_csv(good()), deed=deed)) == first
    assert len(whole_log(spd)) == size
    other = keep(spd, load, as_csv(spoilt(put("probe_1_degC", None, 1200, 1200))), deed=deed)
    assert refused(other) == "deed-reused"


def test_a_reading_takes_few_bytes() -> None:
    """Told in docs/records.md; a bound, so that a change that loses the differences shows."""
    record = structured.read_either(io.BytesIO(as_csv(good())))
    cells = record.times.size * (1 + len(record.signals))
    assert len(packing.packed(packing.canonical(record))) / cells < 2.0


# --- the verdict stands against the release -------------------------------------------------------------


def test_a_proven_record_is_reviewed_signed_and_released(spd: Department) -> None:
    load = given_recorded_load(spd)
    assert record_of(spd, load).verdict == "met", [f for f in record_of(spd, load).findings if f.verdict != "met"]
    assert standing(spd, load) == [] and fate(spd, load) == "awaiting review"
    assert refused(let_go(spd, load)) == "not-reviewed"
    done(look_at(spd, load))
    done(let_go(spd, load))
    assert fate(spd, load) == "released"


AGAINST = {
    "a dip of the band": ((shift(ALL_PROBES, -3, MID_HOLD_S, MID_HOLD_S + 4),), "disinfection-not-met"),
    "resumed in mid-hold": ((put("phase", "halt", MID_HOLD_S, MID_HOLD_S + 10),), "disinfection-not-proven"),
    "a gap over the hold": ((without_rows(MID_HOLD_S, MID_HOLD_S + 60),), "disinfection-not-proven"),
    "a dead independent probe": ((put("independent_degC", None),), "disinfection-not-proven"),
    "aborted": ((put("phase", "aborted", MID_HOLD_S),), "cycle-incomplete"),
    "complete printed after a gap": (
        (both(without_rows(MID_HOLD_S, MID_HOLD_S + 60), put("phase", "complete", 1690)),),
        "disinfection-not-proven",
    ),
}


@pytest.mark.parametrize("name", AGAINST)
def test_what_is_not_met_or_not_proven_holds_and_nobody_lifts_it(spd: Department, name: str) -> None:
    spoilings, code = AGAINST[name]
    load = given_recorded_load(spd, *spoilings)
    assert code in standing(spd, load)
    done(look_at(spd, load))
    assert refused(let_go(spd, load)) == "hold-stands"
    hold = next(hold for hold in holds(load_now(spd, load)) if hold.code == code)
    assert "Required:" in hold.sentence and hold.evidence
    assert refused(lift(spd, load, hold.key, "Sanne", "Joan")) == "hold-not-liftable"


def test_without_readings_a_computed_load_is_held(spd: Department) -> None:
    load = given_finished_load(spd)
    assert standing(spd, load) == ["record-missing"]
    assert refused(look_at(spd, load)) == "record-missing"
    assert refused(let_go(spd, load)) == "hold-stands"


def strip(spd: Department, load: UUID, who: str, **otherwise: Verdict) -> Outcome:
    """One person reads the machine's own strip: everything met, but for what the test says."""
    programme = load_now(spd, load).programme
    assert programme is not None
    said: dict[str, Verdict] = {criterion.code: "met" for criterion in programme.criteria}
    return deeds.review_load(request(spd, who), load=load, record_seen=True, verdicts=said | otherwise)


def test_a_strip_is_read_by_two_people_and_what_differs_is_told(spd: Department) -> None:
    load = given_finished_load(spd)
    done(strip(spd, load, "Ines"))
    assert standing(spd, load) == ["record-missing"]
    assert refused(strip(spd, load, "Ines")) == "same-person-twice"
    done(strip(spd, load, "Sanne", disinfection="not-met"))
    assert sorted(standing(spd, load)) == ["disinfection-not-met", "documentation"]
    assert refused(strip(spd, load, "Ines")) == "already-reviewed"


def test_two_readers_who_agree_prove_a_strip(spd: Department) -> None:
    load = given_finished_load(spd)
    for who in ("Ines", "Sanne"):
        done(strip(spd, load, who))
    assert standing(spd, load) == []
    done(let_go(spd, load))


def test_two_readers_who_turn_out_to_be_one_prove_nothing(spd: Department) -> None:
    load = given_finished_load(spd)
    for who in ("Ines", "Sanne"):
        done(strip(spd, load, who))
    second, ines = events_of(spd, load)[-1].event_id, spd.people["Ines"].id
    asked = request(spd, "Sanne")
    done(corrections.correct_attribution(asked, load=load, event=second, person=ines, words="It was Ines."))
    assert "record-missing" in standing(spd, load)


# --- records are never chosen between -------------------------------------------------------------------


def test_two_records_of_one_cycle_hold_it_and_the_graver_finding_stays(spd: Department) -> None:
    load = given_recorded_load(spd, shift(ALL_PROBES, -3, MID_HOLD_S, MID_HOLD_S + 4))
    done(keep(spd, load, as_csv(good())))
    assert "record-ambiguous" in standing(spd, load) and "disinfection-not-met" in standing(spd, load)


def test_a_second_record_needs_two_people_who_say_why_it_may_go(spd: Department) -> None:
    load = given_recorded_load(spd)
    done(keep(spd, load, as_csv(spoilt(shift(("control_degC",), 0.01)))))
    (hold,) = holds(load_now(spd, load))
    assert hold.code == "record-ambiguous"
    assert refused(lift(spd, load, hold.key, "Sanne")) == "may-not-lift"
    done(lift(spd, load, hold.key, "Sanne", "Joan"))
    assert standing(spd, load) == []


def test_one_record_for_two_loads_holds_both_also_after_a_release(spd: Department) -> None:
    first = given_recorded_load(spd)
    done(look_at(spd, first))
    done(let_go(spd, first))
    second = given_recorded_load(spd, trays=register_set(spd, "Second set", 1))
    assert isinstance(last_event(spd, first), RecordShared)
    assert standing(spd, first) == ["record-ambiguous"] == standing(spd, second)
    assert fate(spd, first) == "released, under recall"


def test_another_department_has_its_own_records(spd: Department) -> None:
    given_recorded_load(spd)
    other = computing_department()
    load = given_recorded_load(other)
    assert standing(other, load) == []
    with pytest.raises(LookupError):
        blobs.get(open_department().id, record_of(other, load).digest)


# --- the basis, and the edition of the start ------------------------------------------------------------


def test_the_basis_counts_from_its_position_on() -> None:
    spd = open_department()
    before = given_running_load(spd)
    done(setting_up.set_basis(request(spd, "Ada"), basis="computed", source="Local rule R-7 (invented)"))
    assert (
        refused(setting_up.set_basis(request(spd, "Ada"), basis="computed", source="the same")) == "nothing-to-do"
    )
    assert refused(setting_up.set_basis(request(spd, "Ada"), basis="transcribed", source=" ")) == "source-missing"
    done(tell(spd, "cycle-finished"))
    after = given_finished_load(spd, trays=register_set(spd, "Second set", 1))
    assert (load_now(spd, before).basis, load_now(spd, after).basis) == ("transcribed", "computed")
    assert (standing(spd, before), standing(spd, after)) == ([], ["record-missing"])
    rebuilt_equals_live(spd)


def test_a_load_is_judged_by_the_edition_of_its_start_and_never_again(spd: Department) -> None:
    load = given_running_load(spd)
    publish_programme(spd, **RECIPE, limits=None)
    done(tell(spd, "cycle-finished"))
    done(keep(spd, load, as_csv(good())))
    assert record_of(spd, load).verdict == "met" and last_event(spd, load).programme_edition == 2
    newer = given_recorded_load(spd, shift(("control_degC",), 0.01), trays=register_set(spd, "Second set", 1))
    assert record_of(spd, newer).verdict == "not-proven"


def test_on_the_transcribed_basis_readings_speak_only_against_a_release() -> None:
    spd = open_department()
    publish_programme(spd, **RECIPE, limits=LIMITS)
    load = given_recorded_load(spd, without_rows(MID_HOLD_S, MID_HOLD_S + 60))
    assert record_of(spd, load).verdict == "not-proven" and standing(spd, load) == []
    cold = given_recorded_load(spd, shift(ALL_PROBES, -8, 1000, 1400), trays=register_set(spd, "Second set", 1))
    assert "disinfection-not-met" in standing(spd, cold)


def test_a_record_of_another_hour_is_told(spd: Department) -> None:
    load = given_finished_load(spd)
    table = good()
    begun = load_now(spd, load).started_at
    assert begun is not None
    for days, expected in ((0, []), (1, ["documentation", "record-ambiguous"])):
        at = [(begun + timedelta(days=days, seconds=float(t or 0))).isoformat() for t in table["time_s"]]
        rows = {"time": at} | {name: cells for name, cells in table.items() if name != "time_s"}
        done(keep(spd, load, as_csv(rows)))
        assert sorted(standing(spd, load)) == expected


# --- when -----------------------------------------------------------------------------------------------


def test_a_record_comes_after_the_end(spd: Department) -> None:
    load = given_running_load(spd)
    assert refused(keep(spd, load, as_csv(good()))) == "cycle-not-ended"
    assembled = cycles.assemble_load(
        request(spd, "Ines"), machine=spd.machine, chamber="1", trays=register_set(spd, "Second set", 1)
    )
    assert refused(keep(spd, named(done(assembled).deed_id, "load"), as_csv(good()))) == "not-started"


def packed_file() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as pack:
        pack.writestr("record.csv", as_csv(good()))
    return file.getvalue()


UNREADABLE = {
    "empty": (b"", "Line 1"),
    "a packed file": (packed_file(), "packed"),
    "a word for a number": (as_csv(good()).replace(b"\n4,", b"\nfour,"), "Line 4, column 1"),
    "time runs backwards": (as_csv(good()).replace(b"\n8,", b"\n3,"), "Line 6, column 1"),
    "too long": (b"time_s,probe_1_degC\n" + b"1" * (21 * 1024 * 1024), "20 MB"),
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_cannot_be_read_leaves_the_ledger_and_the_hold(spd: Department, name: str) -> None:
    file, words = UNREADABLE[name]
    load = given_finished_load(spd)
    size = len(whole_log(spd))
    outcome = keep(spd, load, file)
    assert isinstance(outcome, Refusal) and outcome.code == "record-unreadable"
    assert words in outcome.sentence or name == "too long", outcome.sentence
    assert outcome.next_step
    assert len(whole_log(spd)) == size and standing(spd, load) == ["record-missing"]


NO_RECORDS = {
    **{f"CSV: {name}": (text, words) for name, (text, _, words) in of_csv.MALFORMED.items()},
    **{f"JSON: {name}": (text, words) for name, (text, words) in of_json.MALFORMED.items()},
}


def test_whatever_cannot_be_read_is_refused_at_the_door_with_its_words(spd: Department) -> None:
    load = given_finished_load(spd)
    size = len(whole_log(spd))
    assert len(NO_RECORDS) >= 60
    for name, (text, words) in NO_RECORDS.items():
        outcome = keep(spd, load, text if isinstance(text, bytes) else text.encode())
        assert isinstance(outcome, Refusal) and outcome.code == "record-unreadable", name
        assert words in outcome.sentence, (name, outcome.sentence)
    assert len(whole_log(spd)) == size and standing(spd, load) == ["record-missing"]


def test_every_doubtful_record_is_kept_with_its_verdict_and_holds_its_load(spd: Department) -> None:
    assert len(of_records.DOUBTFUL) >= 120
    loads = cast_loads(spd, len(of_records.DOUBTFUL))
    for load, (name, doubtful) in zip(loads, of_records.DOUBTFUL.items(), strict=True):
        done(keep(spd, load, as_csv(doubtful.spoiling(good()))))
        found = {finding.criterion: finding for finding in record_of(spd, load).findings}[doubtful.criterion]
        assert found.verdict == doubtful.verdict, name
        assert doubtful.words in found.found, (name, found.found)
        assert standing(spd, load) and fate(spd, load) == "quarantined", name


def cast_loads(spd: Department, count: int) -> Iterator[UUID]:
    for n in range(count):
        yield given_finished_load(spd, trays=register_set(spd, f"Set {n}", 1))


@given(
    st.lists(st.one_of(st.floats(allow_nan=True), st.decimals(-300, 300, places=2).map(float)), min_size=2),
    st.lists(st.sampled_from(["", "wash", "halt"]), max_size=6),
)
def test_whatever_was_read_comes_back_bit_by_bit(values: list[float], marks: list[str]) -> None:
    """Also what is no decimal: infinities aside, which the reader refuses."""
    column = np.array([np.nan if np.isinf(value) else value for value in values])
    times = np.arange(column.size) * 0.1
    record = readings.Record(times, (readings.Signal("probe_1", "degC", column),), tuple(marks), None, 1)
    again = packing.unpacked(packing.packed(packing.canonical(record)))
    assert np.array_equal(again.times, times) and again.marks == tuple(marks) and again.repeated == 1
    assert np.array_equal(again.signals[0].values, column, equal_nan=True)
