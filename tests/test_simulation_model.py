"""The simulation's model held against theory: heat, probes, and processes that fail at random."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from itertools import takewhile
from uuid import UUID
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from incidents.analysis import readings
from incidents.analysis.lethality import delivered
from incidents.analysis.records import judge
from incidents.queries import judging
from incidents.rules.events import ProgrammePublished
from incidents.simulation import cast, chance, curves, model, records
from incidents.simulation.chance import Ageing
from incidents.simulation.curves import Plant, Probe, Stage
from incidents.simulation.floor import Act

END = datetime(2026, 11, 1, tzinfo=UTC)
SELDOM = 1e-6  # how seldom a true process leaves its bounds


# --- heat ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("duty", [0.0, 0.4, 1.0])
def test_water_heats_as_the_lumped_capacitance_says(duty: float) -> None:
    """Incropera et al., Fundamentals of Heat and Mass Transfer, 6th ed., eq. 5.25 with a constant source:
    T(t) = T_end + (T_0 − T_end) exp(−t / τ), τ = C / UA, T_end = T_room + P / UA."""
    plant, water_kg, start_c = Plant(), 14.0, 15.0
    tau_s = (water_kg * 4186.0 + plant.steel_kg * 500.0) / plant.loss_w_k
    end_c = plant.room_c + plant.power_w * duty / plant.loss_w_k
    at_s = np.arange(1801)
    expected = end_c + (start_c - end_c) * np.exp(-at_s / tau_s)
    assert curves.heated(plant, water_kg, start_c, 1800, duty) == pytest.approx(expected, abs=1e-3)


def test_a_probe_lags_behind_a_ramp_by_rate_times_time_constant() -> None:
    """First-order response to a ramp of rate r: r (t − τ (1 − exp(−t / τ))) (a thermocouple as a lumped body,
    Incropera et al., ch. 5.1)."""
    lag_s, rate = 4.0, 0.1
    at_s = np.arange(601.0)
    expected = 20.0 + rate * (at_s - lag_s * (1 - np.exp(-at_s / lag_s)))
    assert curves.followed(20.0 + rate * at_s, lag_s) == pytest.approx(expected, abs=5e-3)


def test_a_fresh_filling_keeps_the_heat_that_was_there() -> None:
    """First law: what the steel gives the water takes."""
    plant = Plant()
    mixed = curves.mixed_c(plant, 60.0, 14.0, 15.0)
    assert plant.steel_kg * 500.0 * (60.0 - mixed) == pytest.approx(14.0 * 4186.0 * (mixed - 15.0))


def a0_s(probe_c: np.ndarray) -> float:
    """ISO 15883-1, Annex B: seconds at 80 °C, z = 10 K, nothing below 65 °C; trapezoids between readings."""
    rate = np.where(probe_c >= 65.0, 10 ** ((probe_c - 80.0) / 10.0), 0.0)
    return float(np.sum((rate[1:] + rate[:-1]) / 2))


def test_an_ideal_plateau_of_90_for_5_minutes_gives_3000() -> None:
    """Published: "A0 value of 3,000 e.g. being reached by 90 °C and 5 min" (review on hepatitis B and thermal
    disinfection, abstract)."""
    ideal = Plant(loss_w_k=0.0, steel_kg=0.0)
    plateau = Stage("disinfection", 300, 14.0, inlet_c=90.0, set_c=90.0, margin_k=0.0)
    curve = curves.cycle([plateau], ideal, Probe(lag_s=0.0, noise_c=0.0), None)
    assert len(curve.at_s) == 301
    assert a0_s(curve.probe_c) == pytest.approx(3000.0, abs=1e-6)


def test_a_whole_cycle_disinfects_and_a_weak_element_does_not() -> None:
    whole = curves.cycle(curves.INSTRUMENTS, Plant(), Probe(), chance.generator(1, 2))
    disinfecting = np.array([code == "disinfection" for code in whole.phase])
    plateau = whole.probe_c[disinfecting]
    assert whole.reached
    assert a0_s(plateau) >= 3000.0
    assert plateau.max() < 95.0, "a band of 5 K above 90 °C (common practice)"
    weak = curves.cycle(curves.INSTRUMENTS, Plant(heater=0.3), Probe(), None)
    assert not weak.reached
    assert a0_s(weak.probe_c) < 3000.0


def test_a_probe_that_reads_high_hides_colder_water() -> None:
    """The controller believes its probe: a bias of +2 K leaves the water 2 K colder on the plateau."""
    true, high = (
        curves.cycle(curves.INSTRUMENTS, Plant(), Probe(bias_c=bias, noise_c=0.0), None) for bias in (0.0, 2.0)
    )
    assert true.water_c[-1] - high.water_c[-1] == pytest.approx(2.0, abs=0.2)


# --- chance -------------------------------------------------------------------------------------------


def poisson_bounds(mean: float, outside: float = SELDOM) -> tuple[int, int]:
    """Exact: the counts that a Poisson variable of this mean stays within, but for `outside` on either side."""
    low, below = 0, 0.0
    while (below := below + _poisson(low, mean)) < outside:
        low += 1
    high, within = low, below
    while within < 1 - outside:
        high += 1
        within += _poisson(high, mean)
    return low, high


def _poisson(count: int, mean: float) -> float:
    return math.exp(count * math.log(mean) - mean - math.lgamma(count + 1))


def test_the_bounds_are_those_of_a_printed_table() -> None:
    """Cumulative Poisson, mean 10: P(N ≤ 4) = 0.0293, P(N ≤ 3) = 0.0103, P(N ≤ 15) = 0.9513 (any table)."""
    assert poisson_bounds(10.0, 0.025)[0] == 4
    assert poisson_bounds(10.0, 0.049)[1] == 15


AGEINGS = {
    "steady": Ageing(shape=1.0, scale_h=22.0),
    "worsens": Ageing(shape=2.8, scale_h=50.0),
    "repaired": Ageing(shape=1.0, scale_h=7.0, repaired_h=70.0, rate_after=1 / 150),
}


@pytest.mark.parametrize("temper", AGEINGS)
def test_faults_are_a_poisson_process_of_the_intensity_said(temper: str) -> None:
    """Counts of disjoint intervals are Poisson, their mean the integral of the intensity (S. M. Ross,
    Introduction to Probability Models, 5.4.1). The integral is summed here anew, from the intensity."""
    ageing, histories = AGEINGS[temper], 400
    told = [list(takewhile(lambda h: h < 160, ageing.moments(chance.generator(n, 5)))) for n in range(histories)]
    for begin, end in [(0, 40), (40, 70), (70, 110), (110, 160)]:
        steps = np.linspace(begin, end, 4001)
        middles = (steps[1:] + steps[:-1]) / 2
        mean = float(sum(ageing.intensity(float(h)) for h in middles)) * (end - begin) / 4000
        assert ageing.expected(begin, end) == pytest.approx(mean, rel=1e-3)
        low, high = poisson_bounds(mean * histories)
        assert low <= sum(begin <= h < end for each in told for h in each) <= high


def test_thinning_gives_the_intensity_asked_for() -> None:
    """Lewis and Shedler 1979; over a day whose intensity goes up and down."""

    def intensity(hour: float) -> float:
        return 3.0 + 2.5 * math.sin(hour * math.tau / 24)

    days = 300
    told = [list(chance.thinned(chance.generator(n, 6), intensity, 5.5, 0.0, 24.0)) for n in range(days)]
    for begin in range(0, 24, 4):
        wave = math.cos(begin * math.tau / 24) - math.cos((begin + 4) * math.tau / 24)
        low, high = poisson_bounds(days * (12.0 + 2.5 * 24 / math.tau * wave))
        assert low <= sum(begin <= h < begin + 4 for each in told for h in each) <= high


def laplace(moments: Sequence[float], until: float) -> float:
    """Cox and Lewis, The Statistical Analysis of Series of Events, 3.3: about normal where nothing changes."""
    n = len(moments)
    return (sum(moments) / n - until / 2) / (until * math.sqrt(1 / (12 * n)))


def test_the_laplace_statistic_is_that_of_the_reference_libraries() -> None:
    """NIST's repair times and the USS Halfbeak's, as R and the reliability library give them."""
    nist = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    halfbeak = [1.382, 2.99, 4.124, 6.827, 7.472, 7.567, 8.845, 9.45, 9.794, 10.848, 11.993, 12.3, 15.413, 16.497]
    halfbeak += [17.352, 17.632, 18.122, 19.067, 19.172, 19.299, 19.36, 19.686, 19.94, 19.944]
    assert laplace(nist, 1500) == pytest.approx(-1.326949183, abs=1e-8)
    assert laplace(halfbeak, 20) == pytest.approx(2.65433743522, abs=1e-8)


def history(seed: int, days: int = 30, machines: int = 8, end: datetime = END) -> list[list[Act]]:
    return [
        list(takewhile(lambda act: act.at < end, department.acts))
        for department in model.departments(seed, end, days, machines)
    ]


@pytest.mark.parametrize("seed", [7, 11])
def test_one_machine_worsens_and_one_was_truly_repaired(seed: int) -> None:
    """Beyond 2 the Laplace statistic says so at the 5 % level; a steady machine stays within 3."""
    found = {}
    for department in model.departments(seed, END, 30, 8):
        list(takewhile(lambda act: act.at < END, department.acts))
        for lane in department.floor.lanes:
            if len(lane.failed_h) >= 5:
                found.setdefault(lane.machine.washer.temper, []).append(laplace(lane.failed_h, lane.run_h))
    assert min(found["worsens"]) > 2
    assert max(found["repaired"]) < -2
    assert all(abs(each) < 3 for each in found["steady"])


# --- people -------------------------------------------------------------------------------------------


def test_the_same_seed_and_end_give_the_same_deeds_and_another_seed_does_not() -> None:
    assert history(7, days=4) == history(7, days=4)
    assert history(7, days=4)[0][200:] != history(8, days=4)[0][200:]


def test_a_month_is_no_more_than_was_promised_and_has_its_bad_days() -> None:
    told = [act for department in history(7) for act in department]
    assert 8_000 <= len(told) <= 15_000
    assert {act.refused for act in told} >= {"other-person", "same-person-twice", "phase-protected"}
    done = {act.operation for act in told}
    assert done >= {
        "record_contamination",
        "record_exposure",
        "note_overdue",
        "explain_cycle",
        "hold_load",
        "send_tray",
    }
    assert done >= {"enter_form", "void_form", "note_wrong_programme", "block_rack", "change_supply", "rerun_load"}
    forgotten = [act for act in told if act.operation == "review_load" and not act.given["record_seen"]]
    assert forgotten


def test_nobody_acts_while_the_tool_is_down() -> None:
    for department in model.departments(7, END, 30, 8):
        [(begins, ends)] = department.floor.quiet
        told = list(takewhile(lambda act: act.at < END, department.acts))
        assert not [act for act in told if begins <= act.at < ends]
        forms = [act for act in told if act.operation == "enter_form"]
        assert forms
        assert all(begins <= act.given["paper"]["started_at"] < ends < act.at for act in forms)


def test_shifts_keep_to_the_local_clock_on_the_night_it_changes() -> None:
    """In Berlin the 25th of October 2026 has 25 hours: from three in the morning the clocks say two again."""
    zone = ZoneInfo("Europe/Berlin")
    early = {one.login for one in cast.places(8)[0].people if one.role == "technician" and one.shift == "early"}
    eastmere = history(7, days=12)[0]
    begins = [act.at for act in eastmere if act.by in early and act.operation == "assemble_load"]
    assert {6, 7} <= {at.astimezone(zone).hour for at in begins} <= set(range(6, 14))
    before, after = datetime(2026, 10, 24, tzinfo=UTC), datetime(2026, 10, 26, tzinfo=UTC)
    assert min(at.hour for at in begins if at < before) == 4
    assert min(at.hour for at in begins if at > after) == 5
    assert datetime(2026, 10, 26, tzinfo=zone).astimezone(UTC) - datetime(2026, 10, 25, tzinfo=zone).astimezone(
        UTC
    ) == timedelta(hours=25)


# --- records ------------------------------------------------------------------------------------------


def test_the_same_cycle_has_the_same_record_and_another_its_own() -> None:
    plan = records.planned([("wash", 600), ("disinfection", 480)])
    begun = datetime(2026, 11, 24, 2, 0, tzinfo=UTC)
    one, again, other = (records.record(UUID(int=n), begun, plan) for n in (7, 7, 8))
    assert one == again != other
    read = readings.read(io.BytesIO(one))
    assert read.started_at == begun
    assert set(np.diff(read.times)) == {5.0}
    assert read.times.size == 1080 // 5


def test_a_records_disinfection_delivers_what_its_water_did() -> None:
    """A0 of the probes is within a kelvin's worth of the water's own: 10^(1/10) either way."""
    plan = records.planned([("disinfection", 600)])
    water, _ = records._water(plan)
    record = readings.read(io.BytesIO(records.record(UUID(int=3), datetime(2026, 11, 24, tzinfo=UTC), plan)))
    truth = a0_s(water)
    for name, curve in record.temperatures.items():
        assert truth / 1.26 < delivered(record.times, curve).value < truth * 1.26, name


@pytest.mark.parametrize("name", cast.RECIPES)
def test_a_simulated_cycle_meets_its_programmes_own_limits(name: str) -> None:
    """Published: 90 °C for 5 min reaches A0 3000 (review on hepatitis B and thermal disinfection, abstract)."""
    recipe = cast.RECIPES[name]
    plan = records.planned([(phase.code, 60 * phase.minutes) for phase in recipe.phases])
    programme = ProgrammePublished(
        name, 1, recipe.phases, 60 * recipe.minutes, 600, tuple(recipe.criteria), recipe.limits
    )
    for n in range(20):
        file = records.record(UUID(int=n), datetime(2026, 11, 24, tzinfo=UTC), plan)
        judged = judge(readings.read(io.BytesIO(file)), judging.criteria_of(programme))
        assert [finding for finding in judged.findings if finding.verdict != "met"] == []
