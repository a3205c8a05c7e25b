"""Is this cycle proven? A record of readings held against its criteria, one finding for each.

Heat and holding time count within one uninterrupted disinfection phase only: the pieces before and after a drain,
an open door or a halt are shown, never added (ISO 15883-1, 4.3.1: *continuously maintained*). The lower and the
upper limit of the band are criteria of their own, as is A0; on a limit is met; the coldest load probe decides. What
was not seen (a missing reading, a gap, a dead or stuck probe, a limit that nobody set) leaves a criterion *not
proven* at best, whatever word the record ends with. A probe proves what it saw, not what the load got.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from incidents.analysis import course, phases, probes
from incidents.analysis.criteria import DISINFECTION, Criteria, Lethality, Pair, PhaseLimits
from incidents.analysis.findings import (
    Doubt,
    Finding,
    Verdict,
    at_least,
    at_most,
    degrees,
    told,
    unset,
)
from incidents.analysis.lethality import MAX_GAP_S, delivered
from incidents.analysis.phases import Piece, Seen, Stretch
from incidents.analysis.readings import Record

SLIGHT = 1e-9  # of a quantity: what binary arithmetic may take off it
KIND_OF = {"pre-wash": "cleaning", "wash": "cleaning", "rinse": "rinse", "drying": "drying"}


class Judgement(NamedTuple):
    """`verdict` is *met* only where every finding is."""

    verdict: Verdict
    findings: tuple[Finding, ...]
    phases: tuple[Seen, ...]


def judge(record: Record, criteria: Criteria) -> Judgement:
    """Hold a record against its criteria."""
    load = probes.load(record, criteria)
    cycle = course.follow(record, criteria, load.coldest)
    view = _View(record, criteria, load, cycle)
    findings = [
        *course.findings(record, criteria, cycle),
        *_disinfection(view),
        *_phases(view),
        *course.doses(record, criteria, cycle),
        course.conductivity(record, criteria, cycle),
        _agreement(view),
        *course.sampling(record, criteria, cycle),
    ]
    spoken = {finding.kind for finding in findings}
    findings += [
        unset(kind, kind, "the programme says nothing that can be computed", criteria.source)
        for kind in criteria.kinds
        if kind not in spoken
    ]
    seen = tuple(
        phases.seen(code, parts, record.times, load.coldest, load.hottest, criteria.phase(code))
        for code, parts in cycle.parts.items()
    )
    return Judgement(worst([finding.verdict for finding in findings]), tuple(findings), seen)


def worst(verdicts: list[Verdict]) -> Verdict:
    order: tuple[Verdict, ...] = ("not-met", "not-proven")
    return next((verdict for verdict in order if verdict in verdicts), "met")


class _View(NamedTuple):
    record: Record
    criteria: Criteria
    load: probes.Load
    cycle: course.Course


# --- disinfection -------------------------------------------------------------------------------------


def _disinfection(view: _View) -> Iterator[Finding]:
    criteria, limits = view.criteria, view.criteria.phase(DISINFECTION)
    parts = view.cycle.parts.get(DISINFECTION)
    required = criteria.disinfection
    if parts is None or not view.load.names:
        why = "no load probe (probe_…) is in the record" if parts else "no disinfection phase is in the record"
        for code, kind in (("disinfection", "disinfection"), ("lower-band", "disinfection"), ("upper-band",) * 2):
            source = required.source if required and code == "disinfection" else criteria.source
            yield Finding(code, kind, _required(code, view), why, "", "not-proven", source)
        return
    piece = phases.longest_piece(parts, view.record.times)
    doubts = _doubts(view, piece, DISINFECTION)
    if required is None:
        yield unset("disinfection", "disinfection", "no disinfection requirement is set", criteria.source)
    elif isinstance(required, Lethality):
        yield _lethality(view, piece, required, doubts)
    else:
        yield _held(view, piece, "disinfection", required.celsius, required.seconds, doubts, required.source)
    if limits.low_c is None or limits.held_s is None:
        yield unset("lower-band", "disinfection", "no lower limit with a holding time is set", criteria.source)
    else:
        yield _held(view, piece, "lower-band", limits.low_c, limits.held_s, doubts, criteria.source)
    yield _upper(view, piece, "upper-band", limits, doubts)


def _required(code: str, view: _View) -> str:
    asked = view.criteria.disinfection
    if code != "disinfection":
        return "the disinfection’s band"
    if asked is None:
        return "nothing set"
    if isinstance(asked, Pair):
        return f"{told(asked.celsius)} °C for {told(asked.seconds)} s"
    return f"A0 of {told(asked.a0_s)} s"


def _lethality(view: _View, piece: Piece, asked: Lethality, doubts: list[Doubt]) -> Finding:
    """A0 at each load probe; the least decides."""
    gap_s = MAX_GAP_S if view.criteria.gap_s is None else view.criteria.gap_s
    found = {}
    for name in view.load.names:
        calibration = view.load.calibrations[name]
        found[name] = delivered(
            view.record.times[piece.rows],
            view.load.celsius[name][piece.rows],
            max_gap=gap_s,
            bias=calibration.bias_k,
            tolerance=calibration.tolerance_k,
            rule=view.criteria.rule,
        )
    coldest = min(found, key=lambda name: (found[name].low, found[name].value, name))
    least = found[coldest]
    value = min(each.value for each in found.values())
    end = least.low if view.criteria.decides == "worst" else value
    verdict = at_least(value, end, asked.a0_s * (1 - SLIGHT), doubts)
    words = f"A0 {told(value)} s at the coldest recorded probe, {coldest} ({view.criteria.rule} rule)"
    uncertainty = f"{told(least.low)} to {told(least.high)} s"
    return Finding(
        "disinfection",
        "disinfection",
        f"A0 of at least {told(asked.a0_s)} s",
        _with(words, doubts),
        uncertainty,
        verdict,
        asked.source,
    )


def _held(
    view: _View,
    piece: Piece,
    code: str,
    celsius: float,
    seconds: float,
    doubts: list[Doubt],
    source: str,
    kind: str = "disinfection",
) -> Finding:
    """At or above a temperature for a time without a break, at every load probe at once."""
    times, gap_s = view.record.times[piece.rows], view.criteria.gap_s
    value, low, high = (
        phases.longest(times, curve[piece.rows], celsius, gap_s)
        for curve in (view.load.coldest, view.load.coldest_low, view.load.coldest_high)
    )
    end = low if view.criteria.decides == "worst" else value
    verdict = at_least(value.seconds, end.seconds, seconds - 1e-6, doubts)
    words = f"longest {told(value.seconds)} s without a break{_when(value)}{_dip(view, piece, celsius)}"
    return Finding(
        code,
        kind,
        f"at or above {degrees(celsius)} for at least {told(seconds)} s without a break",
        _with(words, doubts),
        f"{told(low.seconds)} to {told(high.seconds)} s",
        verdict,
        source,
    )


def _when(stretch: Stretch) -> str:
    return f", from {told(stretch.from_s)} to {told(stretch.to_s)} s" if stretch.seconds else ""


def _dip(view: _View, piece: Piece, celsius: float) -> str:
    """Where the coldest probe fell below between two times above."""
    cold = view.load.coldest[piece.rows]
    above = np.flatnonzero(cold >= celsius - phases.SLIGHT_K)
    if above.size == 0:
        most = np.nanmax(cold) if np.isfinite(cold).any() else np.nan
        return f"; at most {degrees(float(most))} was reached" if np.isfinite(most) else ""
    between = cold[above[0] : above[-1] + 1]
    below = between < celsius - phases.SLIGHT_K
    if not below.any():
        return ""
    at = int(np.nanargmin(between))
    return f"; it fell to {degrees(float(between[at]))} at {told(view.record.times[piece.first + above[0] + at])} s"


def _upper(view: _View, piece: Piece, code: str, limits: PhaseLimits, doubts: list[Doubt]) -> Finding:
    source = view.criteria.source
    if limits.high_c is None:
        return unset(code, "upper-band", "no upper limit is set", source)
    hottest, end = view.load.hottest[piece.rows], view.load.hottest_high[piece.rows]
    if not np.isfinite(hottest).any():
        return Finding(
            code,
            "upper-band",
            f"at most {degrees(limits.high_c)}",
            _with("nothing was read", doubts),
            "",
            "not-proven",
            source,
        )
    value, high = float(np.nanmax(hottest)), float(np.nanmax(end))
    deciding = high if view.criteria.decides == "worst" else value
    verdict = at_most(value, deciding, limits.high_c + phases.SLIGHT_K, doubts)
    at = view.record.times[piece.first + int(np.nanargmax(hottest))]
    low = float(np.nanmax(view.load.hottest_low[piece.rows]))
    return Finding(
        code,
        "upper-band",
        f"at most {degrees(limits.high_c)}",
        _with(f"{degrees(value)} at {told(at)} s", doubts),
        f"{degrees(low)} to {degrees(high)}",
        verdict,
        source,
    )


# --- the other phases ---------------------------------------------------------------------------------


def _phases(view: _View) -> Iterator[Finding]:
    for limits in view.criteria.phases:
        kind = KIND_OF.get(limits.code, "disinfection" if limits.code == DISINFECTION else "cleaning")
        if limits.least_s is not None or limits.most_s is not None:
            yield _duration(view, limits, kind)
        if limits.code == DISINFECTION or (limits.low_c is None and limits.high_c is None):
            continue
        parts = view.cycle.parts.get(limits.code)
        if not parts or not view.load.names:
            why = "no load probe (probe_…) is in the record" if parts else "the phase is not marked in the record"
            yield Finding(f"{limits.code}-band", kind, "its band", why, "", "not-proven", view.criteria.source)
            continue
        piece = phases.longest_piece(parts, view.record.times)
        doubts = _doubts(view, piece, limits.code)
        if limits.low_c is not None:
            code, held = f"{limits.code}-held", limits.held_s
            if held is None:
                yield unset(code, kind, "a lower limit without a holding time is set", view.criteria.source)
            else:
                yield _held(view, piece, code, limits.low_c, held, doubts, view.criteria.source, kind)
        if limits.high_c is not None:
            yield _upper(view, piece, f"{limits.code}-upper", limits, doubts)


def _duration(view: _View, limits: PhaseLimits, kind: str) -> Finding:
    code, source = f"{limits.code}-duration", view.criteria.source
    least, most = limits.least_s, limits.most_s
    ends = [f"at least {told(least)} s"] if least is not None else []
    ends += [f"at most {told(most)} s"] if most is not None else []
    required = " and ".join(ends)
    parts = view.cycle.parts.get(limits.code)
    if not parts or not view.cycle.marked:
        return Finding(code, kind, required, "the phase is not marked in the record", "", "not-proven", source)
    piece = phases.longest_piece(parts, view.record.times)
    doubts = [*view.cycle.broken(limits.code), *course.gaps_over(view.record, view.criteria, piece)]
    seconds = phases.duration(piece, view.record.times)
    short = least is not None and seconds < least - 1e-6
    long = most is not None and seconds > most + 1e-6
    unsure = any(doubt.kind == "unseen" for doubt in doubts)
    verdict: Verdict = "not-proven" if unsure else "not-met" if short or long else "not-proven" if doubts else "met"
    return Finding(code, kind, required, _with(f"{told(seconds)} s from mark to mark", doubts), "", verdict, source)


# --- control against the independent probe ------------------------------------------------------------


def _agreement(view: _View) -> Finding:
    """The readings less their biases, while the control is in the band (or over the whole phase without one)."""
    limit, source = view.criteria.agreement_k, view.criteria.source
    if limit is None:
        return unset("agreement", "disinfection", "no limit for control and independent probe is set", source)
    required = f"control and independent probe within {told(limit)} K"
    parts = view.cycle.parts.get(DISINFECTION)
    pair = probes.pair(view.record, view.criteria)
    missing = [name for name in ("control", "independent") if name not in pair]
    if missing or not parts:
        why = (
            f"no {' and no '.join(missing)} probe is in the record" if missing else "no disinfection phase is there"
        )
        return Finding("agreement", "disinfection", required, why, "", "not-proven", source)
    piece = phases.longest_piece(parts, view.record.times)
    scope = piece.rows if view.cycle.marked else slice(None)
    doubts = list(view.cycle.broken(DISINFECTION))
    for name in ("control", "independent"):
        doubts += probes.doubts(view.record, view.criteria, name, scope)
    doubts += course.gaps_over(view.record, view.criteria, piece)
    control, independent = pair["control"][piece.rows], pair["independent"][piece.rows]
    low_c = view.criteria.phase(DISINFECTION).low_c
    compared = np.isfinite(control) & np.isfinite(independent)
    if low_c is not None:
        compared &= (control >= low_c - phases.SLIGHT_K) | (independent >= low_c - phases.SLIGHT_K)
    if not compared.any():
        return Finding(
            "agreement", "disinfection", required, _with("never both in the band", doubts), "", "not-proven", source
        )
    apart = np.abs(control - independent)[compared]
    most = float(np.max(apart))
    at = view.record.times[piece.rows][compared][int(np.argmax(apart))]
    verdict = at_most(most, most, limit + phases.SLIGHT_K, doubts)
    words = f"{told(most)} K apart at {told(at)} s, {told(float(np.mean(apart)))} K on average"
    return Finding("agreement", "disinfection", required, _with(words, doubts), "", verdict, source)


# --- what leaves a criterion open ---------------------------------------------------------------------


def _doubts(view: _View, piece: Piece, code: str) -> list[Doubt]:
    """Everything that keeps a criterion on the load probes in this piece from being proven."""
    found = list(view.cycle.broken(code))
    found += course.gaps_over(view.record, view.criteria, piece)
    scope = piece.rows if view.cycle.marked else slice(None)
    wanted = view.criteria.probes
    if wanted is not None and len(view.load.names) < wanted:
        found.append(Doubt("sensor", f"{len(view.load.names)} of {wanted} load probes are in the record"))
    for name in view.load.names:
        found += probes.doubts(view.record, view.criteria, name, scope)
        if view.criteria.decides == "worst" and view.criteria.calibration_of(name) is None:
            found.append(Doubt("limit", f"no calibration of {name} is known"))
    return found


def _with(words: str, doubts: list[Doubt]) -> str:
    return "; ".join([words, *dict.fromkeys(doubt.sentence for doubt in doubts)])
