"""Figures in words: each statement is a sentence with its verdict, and what it rests on."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import NamedTuple

from incidents.analysis.told_figures import FALLING, NOTHING, RISING, Fleet, Rate, Trend
from incidents.queries.figures import MachineFigures, Told

Clock = Callable[[datetime], str]


class Statement(NamedTuple):
    """`sentence` carries the verdict; the rest opens: data, method, what the method assumes, sources."""

    sentence: str
    data: str
    method: str
    checks: str
    source: str


def headline(figures: MachineFigures) -> str:
    """What the page says first, of the faults that are told apart; without any, of all together."""
    finals = [one.final for one in figures.faults if one.final]
    together = figures.together.final
    rising = sum(final.verdict == RISING for final in finals)
    repaired = any(final.repaired for final in (together, *finals) if final)
    if rising:
        return f"{rising} fault is rising" if rising == 1 else f"{rising} faults are rising"
    if together and together.verdict == RISING:
        return "faults are rising, taken together"
    if repaired:
        return "a repair is shown to have worked"
    if together and together.verdict in (FALLING, NOTHING):
        return "no fault is shown to rise"
    return "too few faults to say"


def statements(told: Told, clock: Clock) -> Iterator[Statement]:
    """All that is said of one fault; `clock` tells a moment as the facility's wall does."""
    worked = told.final is not None and told.final.repaired
    if worked:
        yield repair(told, clock)
    yield trend(told)
    yield rate(told)
    if told.final and told.final.fleet_q is not None:
        yield beside_the_rest(told)
    if told.own.repair and not worked:
        yield repair(told, clock)
    if told.own.came_back:
        yield came_back(told)
    if told.own.weeks:
        yield weeks(told)


def trend(told: Told) -> Statement:
    own, final = told.own, told.final
    over = f"over {own.cycles} cycles"
    data = f"{_count(own.count)} at the cycles in which they came, {over}, ended by time. {_told(told)}"
    if own.trend is None or final is None:
        return Statement(
            f"Too few to say: {_count(own.count)} {over}.",
            data,
            "Fewer than 4 faults show no trend, whatever their order.",
            "None is needed.",
            "Common practice: no order of fewer gaps is unlikely enough.",
        )
    q = _p("q", final.trend_q)
    words = {RISING: f"Rising, {q} {over}.", FALLING: f"Falling, {q} {over}."}
    return Statement(
        words.get(final.verdict, f"No trend is shown, {q} {over}."),
        data,
        _trend_method(own.trend),
        _trend_checks(own.trend),
        "MIL-HDBK-189 (1981); Lewis and Robinson (1974); Greenwood (1946); Crow (1974, 1982); Benjamini and"
        " Hochberg (1995)",
    )


def _trend_method(of: Trend) -> str:
    law = of.likeliest
    return (
        f"MIL-HDBK-189’s test: χ² {_n(of.mil_hdbk_chi2)} on {of.mil_hdbk_df}, {_p('p', of.mil_hdbk_p)}. Lewis and"
        f" Robinson’s, which bears uneven gaps: z {_n(of.lewis_robinson_z)}, {_p('p', of.lewis_robinson_p)}. The"
        f" verdict takes {'the second, for the gaps are uneven' if of.uneven else 'the first'}; q counts in all"
        f" such tests of the report. Beside them Laplace z"
        f" {_n(of.laplace_z)} ({_p('p', of.laplace_p)}) and {of.reversals} reverse arrangements"
        f" ({_p('p', of.reversals_p)}). Power law by maximum likelihood: shape {_n(law.shape)}"
        f" ({_n(law.shape_low)} to {_n(law.shape_high)}), one fault in {_n(law.mtbf_now)} cycles now"
        f" ({_n(law.mtbf_now_low)} to {_n(law.mtbf_now_high)}, 95 %)."
    )


def _trend_checks(of: Trend) -> str:
    said = []
    if of.fit is not None and of.fit_critical_10 is not None:
        fits = of.fit <= of.fit_critical_10
        words = "The power law fits" if fits else "The power law does not fit: read shape and rate with care"
        said.append(f"{words} (C² {_n(of.fit)}; a true one exceeds {_n(of.fit_critical_10)} once in ten).")
    words = "Faults came in bunches" if of.uneven else "The gaps are not unusually uneven"
    said.append(f"{words} (Greenwood’s statistic {_n(of.unevenness)}; Poisson faults have about 2).")
    said.append("A repair in between, or a change of what is washed, is no part of any of these tests.")
    return " ".join(said)


def rate(told: Told) -> Statement:
    own = told.own
    if own.per_100_cycles is None:
        return Statement("Without a cycle there is no rate.", _told(told), "None.", "None.", "None.")
    hours = "" if own.per_100_hours is None else f" In 100 running hours: {_between(own.per_100_hours)}."
    pulled = ""
    if told.final and told.final.shrunken and told.final.weight is not None and told.final.ratio_high is not None:
        pulled = (
            f" For ranking it is pulled to the fleet’s: {_n(told.final.shrunken.value)}, rank {told.final.rank}"
            f" (weight of its own record {told.final.weight:.2f})."
        )
    return Statement(
        f"{_n(own.per_100_cycles.value)} in 100 cycles.",
        f"{_count(own.count)} in {own.cycles} cycles and {own.hours:.0f} running hours. {_told(told)}",
        f"Exact Poisson interval at 95 %: {_between(own.per_100_cycles)} in 100 cycles.{hours}{pulled}",
        "It takes one rate for the whole time: where a trend is shown, read the rate now instead.",
        "Garwood (1936); Marshall (1991) for the pull",
    )


def beside_the_rest(told: Told) -> Statement:
    final, own = told.final, told.own
    assert final is not None
    q = _p("q", final.fleet_q)
    times = "there it never came" if final.ratio is None else f"{_n(final.ratio)} times their rate"
    if final.above:
        sentence = f"More often than in the other machines: {times}, {q}."
    elif final.below:
        sentence = f"Less often than in the other machines: {times}, {q}."
    else:
        sentence = f"Not shown to differ from the other machines, {q}."
    return Statement(
        sentence,
        f"{own.count} in {own.cycles} cycles here, {final.rest_count} in {final.rest_cycles} in the others.",
        f"Exact conditional comparison of two rates, central: ratio {_n(final.ratio)}"
        f" ({_bounds(final.ratio_low, final.ratio_high)}, 95 %), {_p('p', final.fleet_p)}; q counts in every"
        f" machine and fault.{_of_all(told.fleet)}",
        "It takes each rate as steady, and the machines as used alike.",
        "Przyborowski and Wilenski (1940); Benjamini and Hochberg (1995)",
    )


def _of_all(fleet: Fleet | None) -> str:
    """What the fault does over all machines."""
    said = ""
    if fleet and fleet.alike_p is not None:
        p = _p("p", fleet.alike_p)
        said += f" Do all machines share one rate? χ² {_n(fleet.alike_chi2)} on {fleet.alike_df}, {p}."
    if fleet and fleet.mcf is not None:
        bounds = _bounds(fleet.mcf_low, fleet.mcf_high)
        said += f" By {_n(fleet.mcf_age)} cycles a machine has had {_n(fleet.mcf)} on the average ({bounds})."
    return said


def repair(told: Told, clock: Clock) -> Statement:
    one, final = told.own.repair, told.final
    assert one is not None
    q = _p("q", final.repair_q if final else None)
    counts = f"{one.after} in the {one.stretch:g} cycles after it, {one.before} in as many before"
    name = (
        f"{'repair' if one.repaired else 'return to service'} of {clock(datetime.fromtimestamp(one.back_at, UTC))}"
    )
    if final is not None and final.repaired:
        sentence = f"The {name} worked: {counts}, {q}."
    elif final is None or final.repair_q is None:  # even none after it would have a chance of 1 in 16 or more
        sentence = f"Too few to say of the {name}: {counts}."
    else:
        sentence = f"The {name} is not shown to have worked: {counts}, {q}."
    return Statement(
        sentence,
        f"It came back at {one.cycles:g} cycles. Why it was out: {one.reason}.",
        f"Exact comparison over equal exposure: the rate after is {_n(one.ratio)} times the one before"
        f" ({_bounds(one.low, one.high)}, 95 %). Had nothing changed, so few would come with a chance of"
        f" {_n(one.fluke)}, so many with {_n(one.worse)}.",
        "Compared is the newest repair by a person, else the newest block that followed this fault. A machine is"
        " taken out when faults bunch, so some of any fall is chance returning to what is usual."
        " Other repairs within the stretch count with it.",
        "Przyborowski and Wilenski (1940)",
    )


def came_back(told: Told) -> Statement:
    one = told.own.came_back
    assert one is not None
    open_ = f" Of {one.unknown} it can’t be said yet." if one.unknown else ""
    return Statement(
        f"It came back within {one.within} cycles after {one.back} of {one.resolved}"
        f" return{'s' if one.resolved > 1 else ''} to service.{open_}",
        "Each return to service before which this fault had come up since the return before.",
        f"The same fault again within {one.within} cycles, the policy’s number for repeats.",
        "A later cause of the same fault counts as the same fault.",
        "The department’s own policy",
    )


def weeks(told: Told) -> Statement:
    one = told.own.weeks
    assert one is not None
    named = ", ".join(map(str, one.signals))
    by_week = ", ".join(f"{seen} in {ran}" for seen, ran in zip(one.counts, one.cycles, strict=True))
    plural = len(one.signals) > 1
    out = f"Week{'s' if plural else ''} {named} {'lie' if plural else 'lies'} beyond the limits."
    return Statement(
        out if one.signals else f"None of {len(one.counts)} weeks lies beyond its limits.",
        f"Faults in cycles, by week: {by_week}.",
        f"u-chart, three standard deviations around {_n(100 * one.center)} in 100 cycles; weeks of seven days since"
        " the first cycle, those without a cycle passed over.",
        "The limits come from these weeks themselves: of a time that was bad throughout, they call all usual.",
        "NIST/SEMATECH e-Handbook 6.3.3.1",
    )


# --- numbers ------------------------------------------------------------------------------------------


def _count(n: int) -> str:
    return f"{n} fault" if n == 1 else f"{n} faults"


def _told(told: Told) -> str:
    more = told.own.told - told.own.count
    return f"{told.own.told} alarms were told; chattering is collapsed." if more else "No chattering was collapsed."


def _n(value: float | None) -> str:
    return "none" if value is None else f"{value:.3g}"


def _p(name: str, value: float | None) -> str:
    if value is None:
        return f"no {name}"
    return f"{name} under 0.001" if value < 0.001 else f"{name} = {value:.2g}"


def _bounds(low: float | None, high: float | None) -> str:
    return f"{_n(low)} to {'no upper bound' if high is None else _n(high)}"


def _between(of: Rate) -> str:
    return f"{_n(of.value)} ({_n(of.low)} to {_n(of.high)})"
