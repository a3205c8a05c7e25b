"""A record held against its criteria: what is met, what is not, and what can't be proven, by named spoilings.

The rules: ISO 15883-1, 4.3.1 (temperature *continuously maintained* within the band) and 6.8.2 (probes on the
load); that a missing, unreadable or aborted record proves nothing is common practice.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from incidents.analysis import course
from incidents.analysis.criteria import Calibration, Conductivity, Criteria, Lethality, Pair, PhaseLimits
from incidents.analysis.readings import Record, Signal, read_text
from incidents.analysis.records import Judgement, judge
from incidents.simulation import chance, curves
from tests.recorded import (
    ALL_PROBES,
    BEGINS_S,
    CRITERIA,
    HELD_FROM_S,
    HELD_TO_S,
    PHASES,
    PROBES,
    TEMPERATURES,
    Spoiling,
    Table,
    both,
    good,
    put,
    record_of,
    renamed,
    shift,
    twice,
    without,
    without_rows,
)
from tests.test_lethality import published

MIDDLE_S = (HELD_FROM_S + HELD_TO_S) // 2
ENDS_S = {"pre-wash": 118, "wash": 598, "rinse": 798, "disinfection": 1400, "drying": 1700}


class Doubtful(NamedTuple):
    """A spoiling, the criterion it bears on, that one's verdict, and words of what was found."""

    spoiling: Spoiling
    criterion: str
    verdict: str
    words: str


def by_probe() -> dict[str, Doubtful]:
    cases = {}
    for name in PROBES:
        column = f"{name}_degC"
        cases |= {
            f"{name} stuck from the wash on": Doubtful(
                put(column, 57.0, 400), "disinfection", "not-proven", f"{name} is stuck at 57 °C"
            ),
            f"{name} stuck hot": Doubtful(
                put(column, 92.0), "disinfection", "not-proven", f"{name} is stuck at 92 °C"
            ),
            f"{name} open": Doubtful(put(column, 850.0), "disinfection", "not-proven", "open or shorted circuit"),
            f"{name} open in the hold": Doubtful(
                put(column, 3276.7, MIDDLE_S, MIDDLE_S),
                "upper-band",
                "not-proven",
                f"{name} reads 3276.7 °C at 1250 s",
            ),
            f"{name} shorted": Doubtful(
                put(column, -242.0, 900), "lower-band", "not-proven", "open or shorted circuit"
            ),
            f"{name} silent": Doubtful(put(column, None), "disinfection", "not-proven", f"{name} read nothing"),
            f"{name} silent in the hold": Doubtful(
                put(column, None, HELD_FROM_S, HELD_TO_S), "lower-band", "not-proven", "readings are missing at"
            ),
            f"{name} silent once": Doubtful(
                put(column, None, MIDDLE_S, MIDDLE_S),
                "disinfection",
                "not-proven",
                f"missing at {name}, first at 1250 s",
            ),
            f"{name} not there": Doubtful(without(column), "disinfection", "not-proven", "3 of 4 load probes"),
            f"{name} too cold": Doubtful(shift([column], -3, 800, 1400), "lower-band", "not-met", "at most 8"),
            f"{name} dips": Doubtful(
                shift([column], -4, MIDDLE_S, MIDDLE_S + 6), "lower-band", "not-met", "it fell to 87"
            ),
            f"{name} too hot": Doubtful(shift([column], 6, 1300, 1310), "upper-band", "not-met", "97"),
        }
    return cases


def by_phase() -> dict[str, Doubtful]:
    cases = {}
    for code in PHASES:
        begin, end = BEGINS_S[code], ENDS_S[code]
        skipped = "not-proven" if code == "drying" else "not-met"
        words = "the record ends before drying" if code == "drying" else f"{code} is not in the record"
        cases |= {
            f"{code} not marked": Doubtful(put("phase", "idle", begin, end), "cycle-complete", skipped, words),
            f"{code} cut out": Doubtful(without_rows(begin, end), "cycle-complete", skipped, words),
            f"aborted in {code}": Doubtful(
                put("phase", "aborted", end - 20), "cycle-complete", "not-met", f"aborted at {end - 20} s"
            ),
            f"power lost in {code}": Doubtful(
                put("phase", "power-lost", end - 20, end - 10), "cycle-complete", "not-met", "power-lost at"
            ),
            f"halted in {code}": Doubtful(
                put("phase", "halt", begin + 50, begin + 60), "cycle-complete", "not-proven", "then it went on"
            ),
            f"door open in {code}": Doubtful(
                put("door", "open", begin + 50, begin + 60), "cycle-complete", "not-proven", "door at"
            ),
            f"{code} too short": Doubtful(
                put("phase", "idle", begin + 60, end), f"{code}-duration", "not-met", "60 s from mark to mark"
            ),
            f"a gap in {code}": Doubtful(
                without_rows(begin + 50, begin + 70),
                f"{code}-duration",
                "not-proven",
                f"a gap from {begin + 48} to",
            ),
            f"a mark missing in {code}": Doubtful(
                put("phase", None, begin + 50, begin + 50), "cycle-complete", "not-proven", "no mark from"
            ),
        }
    return cases


BROKEN = {
    f"broken by {word} at {second} s": Doubtful(
        put("phase", word, second, second + 4), "disinfection", verdict, f"was broken by {word}"
    )
    for word in ("drain", "halt", "idle")
    for second, verdict in ((MIDDLE_S, "not-met"), (900, "not-proven"))
}
WATER = "conductivity_25degC_uS_cm"
OTHERS = {
    **BROKEN,
    "the halves of a hold are not added": Doubtful(
        put("phase", "drain", MIDDLE_S, MIDDLE_S), "lower-band", "not-met", "are not added"
    ),
    "door open in the hold": Doubtful(
        put("door", "open", MIDDLE_S, MIDDLE_S + 4), "disinfection", "not-met", "was broken by door"
    ),
    "the door's state unknown in the hold": Doubtful(
        put("door", None, MIDDLE_S, MIDDLE_S), "lower-band", "not-met", "was broken by door"
    ),
    "complete printed after a gap over the hold": Doubtful(
        both(without_rows(HELD_FROM_S, HELD_TO_S), put("phase", "complete", 1690)),
        "disinfection",
        "not-proven",
        "a gap from 1098 to 1402 s",
    ),
    "a gap over the middle of the hold": Doubtful(
        without_rows(MIDDLE_S, MIDDLE_S + 20), "lower-band", "not-proven", "a gap from 1248 to 1272 s"
    ),
    "a gap at the end of the hold": Doubtful(
        without_rows(1390, 1420), "disinfection", "not-proven", "a gap from 1388 to 1422 s"
    ),
    "a gap anywhere": Doubtful(without_rows(20, 60), "gaps", "not-proven", "1 longer: 18 to 62 s"),
    "the recorder slowed down": Doubtful(without_rows(1201, 1207), "sampling", "not-proven", "at most 8 s"),
    "all probes too cold": Doubtful(shift(TEMPERATURES, -12, 800, 1400), "disinfection", "not-met", "A0"),
    "just under the band": Doubtful(shift(TEMPERATURES, -1.7, 800, 1400), "lower-band", "not-met", "longest 0 s"),
    "the calibration reaches below the band": Doubtful(
        shift(TEMPERATURES, -1.3, 800, 1400), "lower-band", "not-proven", "longest 2"
    ),
    "the calibration reaches above the band": Doubtful(
        shift(TEMPERATURES, 3.3, 800, 1400), "upper-band", "not-proven", "94.9"
    ),
    "held too short": Doubtful(shift(TEMPERATURES, -30, 1340, 1400), "lower-band", "not-met", "longest 24"),
    "no load probe": Doubtful(without(*ALL_PROBES), "disinfection", "not-proven", "no load probe"),
    "control apart from the independent": Doubtful(
        shift(["control_degC"], 2.5, 1100, 1400), "agreement", "not-met", "K apart at"
    ),
    "independent too low once": Doubtful(
        shift(["independent_degC"], -3, 1200, 1200), "agreement", "not-met", "K apart at 1200 s"
    ),
    "independent dead": Doubtful(
        put("independent_degC", None), "agreement", "not-proven", "independent read nothing"
    ),
    "independent open": Doubtful(put("independent_degC", 850.0), "agreement", "not-proven", "open or shorted"),
    "independent stuck": Doubtful(put("independent_degC", 91.4), "agreement", "not-proven", "independent is stuck"),
    "independent missing once": Doubtful(
        put("independent_degC", None, 1200, 1200), "agreement", "not-proven", "a reading is missing at independent"
    ),
    "no independent probe": Doubtful(
        without("independent_degC"), "agreement", "not-proven", "no independent probe"
    ),
    "no control probe": Doubtful(without("control_degC"), "agreement", "not-proven", "no control probe"),
    "control stuck": Doubtful(put("control_degC", 91.0), "agreement", "not-proven", "control is stuck"),
    "wash too cold": Doubtful(shift(ALL_PROBES, -5, 120, 598), "wash-held", "not-met", "at most 5"),
    "wash too hot": Doubtful(shift(["probe_2_degC"], 9, 400, 410), "wash-upper", "not-met", "66"),
    "wash held too short": Doubtful(shift(ALL_PROBES, -20, 450, 598), "wash-held", "not-met", "without a break"),
    "wash not seen": Doubtful(
        put("probe_3_degC", None, 300, 400), "wash-held", "not-proven", "readings are missing"
    ),
    "cleaner not dosed": Doubtful(put("dose_1_ml", 0.0), "wash-dose_1", "not-met", "0 ml"),
    "cleaner dosed twice": Doubtful(put("dose_1_ml", 100.0, 300), "wash-dose_1", "not-met", "100 ml"),
    "cleaner short": Doubtful(put("dose_1_ml", 44.0, 200), "wash-dose_1", "not-met", "44 ml"),
    "cleaner dosed in another phase": Doubtful(put("dose_1_ml", 0.0, 0, 620), "wash-dose_1", "not-met", "0 ml"),
    "no line 1": Doubtful(without("dose_1_ml"), "wash-dose_1", "not-proven", "no column dose_1_ml"),
    "line 1 not read": Doubtful(put("dose_1_ml", None, 300, 300), "wash-dose_1", "not-proven", "are missing"),
    "line 1 counts down": Doubtful(put("dose_1_ml", 20.0, 500, 520), "wash-dose_1", "not-proven", "falls"),
    "rinse aid not dosed": Doubtful(put("dose_2_ml", 0.0), "rinse-dose_2", "not-met", "0 ml"),
    "no line 2": Doubtful(without("dose_2_ml"), "rinse-dose_2", "not-proven", "no column dose_2_ml"),
    "water too hard to rinse": Doubtful(put(WATER, 31.0, 700), "conductivity", "not-met", "31 µS/cm"),
    "conductivity not compensated": Doubtful(
        renamed(WATER, "conductivity_raw_uS_cm"), "conductivity", "not-proven", "never converted"
    ),
    "conductivity of an unknown kind": Doubtful(
        renamed(WATER, "conductivity_uS_cm"), "conductivity", "not-proven", "is not known"
    ),
    "no conductivity": Doubtful(without(WATER), "conductivity", "not-proven", "no conductivity"),
    "conductivity not read": Doubtful(put(WATER, None, 780, 780), "conductivity", "not-proven", "are missing"),
    "conductivity never read": Doubtful(put(WATER, None), "conductivity", "not-proven", "nothing was read"),
    "conductivity below zero": Doubtful(put(WATER, -1.0, 780, 780), "conductivity", "not-proven", "below zero"),
    "two cycles in one record": Doubtful(
        twice, "one-cycle", "not-proven", "2 disinfection phases, pre-wash begins again"
    ),
    "two cycles are not one": Doubtful(twice, "disinfection", "not-proven", "are not added"),
    "the wash comes again": Doubtful(
        put("phase", "wash", 1450, 1500), "one-cycle", "not-proven", "wash begins again"
    ),
    "the record ends in the hold": Doubtful(
        without_rows(MIDDLE_S, 1700), "cycle-complete", "not-proven", "ends before drying"
    ),
    "cut in the hold it is too short": Doubtful(
        without_rows(MIDDLE_S, 1700), "lower-band", "not-met", "longest 15"
    ),
    "nothing marked": Doubtful(
        without("phase"), "cycle-complete", "not-proven", "pre-wash, rinse, drying can’t be told"
    ),
    "marks all empty": Doubtful(put("phase", None), "cycle-complete", "not-proven", "no phase is marked"),
    "marks of somebody else": Doubtful(put("phase", "P3"), "disinfection", "not-proven", "no disinfection phase"),
    "two cycles, nothing marked": Doubtful(
        both(twice, without("phase")), "one-cycle", "not-proven", "2 disinfection phases by the curve"
    ),
    "drained in the hold, nothing marked": Doubtful(
        both(shift(ALL_PROBES, -40, MIDDLE_S, MIDDLE_S + 10), without("phase")),
        "disinfection",
        "not-met",
        "falling below 65 °C",
    ),
    "a dip, nothing marked": Doubtful(
        both(shift(ALL_PROBES, -4, MIDDLE_S, MIDDLE_S + 10), without("phase")),
        "lower-band",
        "not-met",
        "it fell to",
    ),
    "a reading missing, nothing marked": Doubtful(
        both(put("probe_1_degC", None, 40, 40), without("phase")), "one-cycle", "not-proven", "readings are missing"
    ),
}
DOUBTFUL = by_probe() | by_phase() | OTHERS


def judged(table: Table, criteria: Criteria = CRITERIA) -> Judgement:
    return judge(record_of(table), criteria)


def finding(judgement: Judgement, criterion: str) -> Any:
    return next(each for each in judgement.findings if each.criterion == criterion)


def test_a_good_record_is_met() -> None:
    judgement = judged(good())
    assert [each for each in judgement.findings if each.verdict != "met"] == []
    assert judgement.verdict == "met"
    assert {each.kind for each in judgement.findings} == {*CRITERIA.kinds, "drying"}
    assert all(each.source for each in judgement.findings)


def test_there_are_enough_doubtful_records() -> None:
    assert len(DOUBTFUL) >= 120


@pytest.mark.parametrize("name", DOUBTFUL)
def test_a_spoilt_record_is_never_met(name: str) -> None:
    case = DOUBTFUL[name]
    judgement = judged(case.spoiling(good()))
    found = finding(judgement, case.criterion)
    assert (found.verdict, case.words in found.found) == (case.verdict, True), found
    assert judgement.verdict == (
        "not-met" if "not-met" in {each.verdict for each in judgement.findings} else "not-proven"
    )


# --- limits that nobody set ---------------------------------------------------------------------------

UNSET: dict[str, tuple[dict[str, Any], str, str]] = {
    "no requirement": ({"disinfection": None}, "disinfection", "no disinfection requirement is set"),
    "no limit for gaps": ({"gap_s": None}, "gaps", "no limit for gaps"),
    "no sampling limit": ({"sampling_s": None}, "sampling", "no limit for the sampling"),
    "no agreement": ({"agreement_k": None}, "agreement", "no limit for control"),
    "no conductivity": ({"conductivity": None}, "conductivity", "no limit for the final rinse"),
    "no calibration": ({"calibration": None}, "disinfection", "no calibration of probe_1 is known"),
    "no band": ({"phases": tuple(PhaseLimits(code) for code in PHASES)}, "lower-band", "no lower limit"),
    "no upper limit": ({"phases": tuple(PhaseLimits(code) for code in PHASES)}, "upper-band", "no upper limit"),
    "nothing for drying": (
        {"phases": tuple(PhaseLimits(code) for code in PHASES), "kinds": ("drying",)},
        "drying",
        "says nothing that can be computed",
    ),
}


@pytest.mark.parametrize("name", UNSET)
def test_a_limit_that_nobody_set_is_not_proven(name: str) -> None:
    without_it, criterion, words = UNSET[name]
    judgement = judged(good(), CRITERIA._replace(**without_it))
    found = finding(judgement, criterion)
    assert found.verdict == "not-proven"
    assert words in found.found
    assert judgement.verdict == "not-proven"


# --- on the limit, either requirement, either end -----------------------------------------------------


def held(celsius: float, seconds: int, **more: Any) -> Judgement:
    """A disinfection that stands at a temperature, at one load probe."""
    limits = PhaseLimits("disinfection", celsius, celsius, celsius, held_s=seconds)
    criteria = Criteria((limits,), "test", calibration=Calibration(0.0), gap_s=1, **more)
    times = np.arange(seconds + 1.0)
    signal = Signal("probe_1", "degC", np.full(times.size, float(celsius)))
    return judge(Record(times, (signal,), ("disinfection",) * times.size, None, 0), criteria)


def test_on_the_limit_is_met() -> None:
    judgement = held(90, 300)
    for criterion in ("lower-band", "upper-band"):
        assert finding(judgement, criterion).verdict == "met"


@published("A0-PUB-90")
def test_published_a0_is_met_on_the_limit_and_not_beyond(value: Any) -> None:
    """Ninety degrees for five and ten minutes: A0 3000 and 6000, as published (source beside the value)."""
    a0, seconds = value["expected"]["A0"], value["inputs"]["hold_s"]
    assert finding(held(90, seconds, disinfection=Lethality(a0, "p")), "disinfection").verdict == "met"
    more = held(90, seconds, disinfection=Lethality(a0 + 10, "p"))
    assert finding(more, "disinfection").verdict == "not-met"


@published("A0-UK-PAIRS")
def test_a_pair_is_held_as_given_and_never_converted(value: Any) -> None:
    """Each pair is met by itself and by no other of them, though some deliver more A0 than the next asks for."""
    pairs = value["inputs"]["pairs_T_s"]
    for celsius, seconds in pairs:
        for other, others in pairs:
            asked = Pair(celsius, seconds, "HTM 01-04")
            met = finding(held(other, others, disinfection=asked), "disinfection").verdict == "met"
            assert met == (other >= celsius and others >= seconds)


@published("A0-GAP")
def test_a_gap_in_the_hold_is_not_proven_whatever_a0_remains(value: Any) -> None:
    times = np.concatenate([np.arange(101.0), np.arange(200.0, 301.0)])
    record = Record(times, (Signal("probe_1", "degC", np.full(202, 90.0)),), ("disinfection",) * 202, None, 0)
    asked = Lethality(value["expected"]["A0_counting_gap_as_zero"], "p")
    criteria = Criteria((PhaseLimits("disinfection"),), "t", asked, gap_s=30, calibration=Calibration(0.0))
    found = finding(judge(record, criteria), "disinfection")
    assert found.verdict == "not-proven"
    assert found.found.startswith("A0 2000 s") and "a gap from 100 to 200 s" in found.found


def test_which_end_decides_is_policy() -> None:
    cold = shift(TEMPERATURES, -1.3, 800, 1400)(good())
    by_worst, by_value = (judged(cold, CRITERIA._replace(decides=decides)) for decides in ("worst", "value"))
    assert finding(by_worst, "lower-band").verdict == "not-proven"
    assert finding(by_value, "lower-band").verdict == "met"
    assert finding(by_worst, "lower-band").uncertainty == finding(by_value, "lower-band").uncertainty


def test_a_bias_is_taken_off_the_probe_that_has_it() -> None:
    """A probe that reads 3 K too much overstates A0 by 10^(3/10) (definition, ISO 15883-1 Annex B)."""
    shown = judged(good(), CRITERIA._replace(calibrations={"probe_2": Calibration(0.3, 3.0)}))
    assert finding(shown, "lower-band").verdict == "not-met"
    assert "probe_2" in finding(shown, "disinfection").found
    true = shift(["probe_2_degC"], 3)(good())
    assert judged(true, CRITERIA._replace(calibrations={"probe_2": Calibration(0.3, 3.0)})).verdict == "met"


def test_a_sensor_known_to_compensate_needs_no_word_in_the_record() -> None:
    plain = renamed(WATER, "conductivity_uS_cm")(good())
    known = CRITERIA._replace(conductivity=Conductivity(30, "25-degC", sensor="25-degC"))
    assert judged(plain, known).verdict == "met"


def test_phases_tell_their_figures() -> None:
    told = {phase.code: phase for phase in judged(good()).phases}
    assert tuple(told) == PHASES
    assert [told[code].duration_s for code in PHASES] == [120, 480, 200, 602, 298]
    hold = told["disinfection"]
    assert hold.heating_k_min == pytest.approx(60 * 65.5 / 298, rel=0.01)  # 25 to 90.5 °C in 298 s
    assert hold.min_c == pytest.approx(25, abs=0.1)
    assert hold.max_c == pytest.approx(91.66, abs=0.05)
    assert hold.in_band_s == pytest.approx(302, abs=4)


def test_a_curve_alone_is_enough_where_it_shows_every_phase() -> None:
    criteria = CRITERIA._replace(
        phases=tuple(each._replace(least_s=None, most_s=None, doses=()) for each in CRITERIA.phases if each.low_c),
        conductivity=None,
        kinds=(),
    )
    judgement = judged(without("phase")(good()), criteria)
    assert [each.criterion for each in judgement.findings if each.verdict != "met"] == ["conductivity"]
    assert [phase.code for phase in judgement.phases] == ["wash", "disinfection"]


def test_a_simulated_curve_is_judged() -> None:
    """A cycle of the physical model, its probe 2 K too high: told the bias, the verdict turns."""
    probe = curves.Probe(bias_c=2.0)
    curve = curves.cycle(curves.INSTRUMENTS, curves.Plant(), probe, chance.generator(5, 1))
    record = Record(curve.at_s, (Signal("probe_1", "degC", curve.probe_c),), curve.phase, None, 0)
    limits = tuple(PhaseLimits(stage.code) for stage in curves.INSTRUMENTS[:3])
    hold = PhaseLimits("disinfection", 91, 90, 95, held_s=290)
    criteria = Criteria((*limits, hold), "p", Pair(90, 290, "p"), gap_s=5, calibration=Calibration(0.5))
    assert finding(judge(record, criteria), "lower-band").verdict == "met"
    biased = criteria._replace(calibration=Calibration(0.5, 2.0))
    assert finding(judge(record, biased), "lower-band").verdict == "not-met"
    gave_up = curves.cycle(curves.INSTRUMENTS, curves.Plant(heater=0.3), curves.Probe(), None)
    weak = Record(gave_up.at_s, (Signal("probe_1", "degC", gave_up.probe_c),), gave_up.phase, None, 0)
    assert judge(weak, criteria).verdict == "not-met"


# --- two records for one cycle ------------------------------------------------------------------------


def dated(begin: str, celsius: float = 90.0) -> Record:
    rows = "".join(f"{begin}:{s:02}Z,{celsius}\n" for s in range(60))
    return read_text("time,probe_1_degC\n" + rows)


def test_two_records_of_one_cycle_are_found_by_their_times() -> None:
    one = dated("2026-11-24T02:00")
    assert course.two_of_one(one, dated("2026-11-24T02:01")) is None
    assert course.two_of_one(one, dated("2026-11-24T02:00")) == "the same readings twice"
    assert course.two_of_one(one, dated("2026-11-24T02:00", 91)) == "two records of one cycle: 59 s stand in both"
    with pytest.raises(ValueError):
        course.two_of_one(one, record_of(good()))


# --- properties ---------------------------------------------------------------------------------------

RARELY = settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)


def missing_at(record: Record, column: int, row: int, length: int) -> Record:
    signals = list(record.signals)
    values = signals[column].values.copy()
    values[row : row + length] = np.nan
    signals[column] = signals[column]._replace(values=values)
    return record._replace(signals=tuple(signals))


BASES = {name: record_of(case.spoiling(good())) for name, case in DOUBTFUL.items()} | {"good": record_of(good())}


@RARELY
@given(st.sampled_from(sorted(BASES)), st.data())
def test_a_missing_reading_never_turns_a_verdict_into_met(name: str, data: st.DataObject) -> None:
    record = BASES[name]
    column = data.draw(st.integers(0, len(record.signals) - 1))
    row = data.draw(st.integers(0, record.times.size - 1))
    spoilt = missing_at(record, column, row, data.draw(st.integers(1, 200)))
    before = {each.criterion: each.verdict for each in judge(record, CRITERIA).findings}
    after = judge(spoilt, CRITERIA)
    improved = [each for each in after.findings if each.verdict == "met" != before.get(each.criterion, "not-met")]
    assert improved == []


@RARELY
@given(st.sampled_from(sorted(BASES)), st.floats(0, 3), st.floats(0, 3), st.sampled_from(["worst", "value"]))
def test_a_wider_tolerance_never_turns_anything_into_met(name: str, k: float, more: float, decides: Any) -> None:
    narrow, wide = (
        judge(BASES[name], CRITERIA._replace(calibration=Calibration(each), decides=decides))
        for each in (k, k + more)
    )
    for one, other in zip(narrow.findings, wide.findings, strict=True):
        assert not (other.verdict == "met" != one.verdict), (one, other)


@RARELY
@given(st.sampled_from(sorted(BASES)), st.randoms(use_true_random=False))
def test_the_order_of_columns_changes_nothing(name: str, random: Any) -> None:
    record = BASES[name]
    signals = list(record.signals)
    random.shuffle(signals)
    again = judge(record._replace(signals=tuple(signals)), CRITERIA)
    assert again.findings == judge(record, CRITERIA).findings
