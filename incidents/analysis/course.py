"""The course of a cycle: whether its phases are all there and in order, what broke it, doses, water, sampling."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from incidents.analysis.criteria import DISINFECTION, Criteria, Dose
from incidents.analysis.findings import Doubt, Finding, Verdict, at_most, told, unset
from incidents.analysis.lethality import MAX_GAP_S, Floats
from incidents.analysis.phases import BROKEN_OFF, STOPS, Piece, duration, longest_piece, marked, pieces
from incidents.analysis.readings import Record, Signal

SLIGHT = 1e-9
STATES = {"conductivity_25degC": "25-degC", "conductivity_raw": "uncompensated"}


class Course(NamedTuple):
    """`parts` are the unbroken pieces of each phase of the programme, in the record's order."""

    marked: bool
    order: tuple[Piece, ...]
    parts: dict[str, list[Piece]]
    times: Floats

    def broken(self, code: str) -> list[Doubt]:
        """A phase in more than one piece: the longest is judged, and never counts as proven."""
        parts = self.parts.get(code, [])
        if len(parts) < 2:
            return []
        first, last = parts[0], parts[-1]
        between = [
            each.code or "a row without a mark" for each in self.order if first.last < each.first <= last.first
        ]
        by = ", ".join(dict.fromkeys(word for word in between if word != code)) or "falling below 65 °C"
        lengths = ", ".join(f"{told(float(self.times[each.last] - self.times[each.first]))} s" for each in parts)
        return [
            Doubt(
                "broken", f"{code} was broken by {by}: its pieces ({lengths}) are not added, the longest is judged"
            )
        ]


def follow(record: Record, criteria: Criteria, coldest: Floats) -> Course:
    order = pieces(record, criteria, coldest)
    parts: dict[str, list[Piece]] = {}
    known = {limits.code for limits in criteria.phases} | {DISINFECTION}
    for piece in order:
        if piece.code in known:
            parts.setdefault(piece.code, []).append(piece)
    return Course(marked(record), tuple(order), parts, record.times)


def findings(record: Record, criteria: Criteria, cycle: Course) -> Iterator[Finding]:
    """Is it complete, and is it one cycle?"""
    required = "every phase of the programme, in order, without a stop"
    words, verdict = _complete(record, criteria, cycle)
    yield Finding("cycle-complete", "documentation", required, words, "", verdict, criteria.source)
    words, verdict = _one(record, criteria, cycle)
    yield Finding("one-cycle", "documentation", "the record of one cycle", words, "", verdict, criteria.source)


def _complete(record: Record, criteria: Criteria, cycle: Course) -> tuple[str, Verdict]:
    stop = next((piece for piece in cycle.order if piece.code in BROKEN_OFF), None)
    if stop is not None:
        return f"{stop.code} at {told(record.times[stop.first])} s", "not-met"
    if not cycle.marked:
        unseen = [limits.code for limits in criteria.phases if limits.code not in cycle.parts]
        words = (
            f"no phase is marked, and {', '.join(unseen)} can’t be told by the curve" if unseen else "by the curve"
        )
        return words, "not-proven" if unseen else "met"
    wanted = [limits.code for limits in criteria.phases]
    missing = [code for code in wanted if code not in cycle.parts]
    last = max((wanted.index(code) for code in wanted if code in cycle.parts), default=-1)
    skipped = [code for code in missing if wanted.index(code) < last]
    if skipped:
        return f"{', '.join(skipped)} is not in the record", "not-met"
    if missing:
        return f"the record ends before {missing[0]}", "not-proven"
    course = [n for n, piece in enumerate(cycle.order) if piece.code in wanted]
    within = cycle.order[course[0] : course[-1]] if course else ()
    halted = next((piece for piece in within if piece.code in STOPS), None)
    if halted is not None:
        return f"{halted.code} at {told(record.times[halted.first])} s, then it went on", "not-proven"
    bare = next((piece for piece in within if piece.code == ""), None)
    if bare is not None:
        return f"no mark from {told(record.times[bare.first])} to {told(record.times[bare.last])} s", "not-proven"
    return f"{len(wanted)} phases", "met"


def _one(record: Record, criteria: Criteria, cycle: Course) -> tuple[str, Verdict]:
    if not cycle.marked:
        n = len(cycle.parts.get(DISINFECTION, []))
        if n > 1:
            return f"{n} disinfection phases by the curve: two cycles in one record?", "not-proven"
        curves = [signal.values for signal in record.signals if signal.name.startswith("probe_")]
        if any(not np.isfinite(curve).all() for curve in curves):
            return "readings are missing, and nothing is marked", "not-proven"
        return ("one disinfection phase by the curve", "met") if n else ("no disinfection phase", "not-proven")
    wanted = [limits.code for limits in criteria.phases]
    phases = [piece for piece in cycle.order if piece.code in wanted]
    back = [b for a, b in pairwise(phases) if wanted.index(b.code) < wanted.index(a.code)]
    if back:
        again = sum(1 for a, b in pairwise(phases) if b.code == DISINFECTION != a.code)
        count = f"{again} disinfection phases, " if again > 1 else ""
        at = told(record.times[back[0].first])
        return f"{count}{back[0].code} begins again at {at} s: two cycles in one record?", "not-proven"
    return "one", "met"


def two_of_one(one: Record, other: Record) -> str | None:
    """Why these two can't be records of two cycles of one chamber: their times overlap. None where they don't.

    Raises ValueError where a record doesn't say when it began (a `time` column in ISO 8601), or the two differ in
    whether they say an offset.
    """
    if one.started_at is None or other.started_at is None:
        raise ValueError("a record without a date and time can’t be compared")
    if (one.started_at.tzinfo is None) != (other.started_at.tzinfo is None):
        raise ValueError("one record says its offset from UTC, the other doesn’t")
    later = (other.started_at - one.started_at).total_seconds()
    shared = min(one.times[-1], later + other.times[-1]) - max(one.times[0], later + other.times[0])
    if shared <= 0:
        return None
    same = later == 0 and one.times.size == other.times.size and _alike(one, other)
    return "the same readings twice" if same else f"two records of one cycle: {told(float(shared))} s stand in both"


def _alike(one: Record, other: Record) -> bool:
    theirs = {signal.name: signal for signal in other.signals}
    return np.array_equal(one.times, other.times) and all(
        signal.name in theirs and np.array_equal(signal.values, theirs[signal.name].values, equal_nan=True)
        for signal in one.signals
    )


# --- gaps and sampling --------------------------------------------------------------------------------


def gaps_over(record: Record, criteria: Criteria, piece: Piece) -> list[Doubt]:
    """Gaps in a piece, and those in which it begins or ends."""
    first, last = max(piece.first - 1, 0), min(piece.last + 1, record.times.size - 1)
    times = record.times[first : last + 1]
    limit = MAX_GAP_S if criteria.gap_s is None else criteria.gap_s
    return [
        Doubt("unseen", f"a gap from {told(times[n])} to {told(times[n + 1])} s")
        for n in np.flatnonzero(np.diff(times) > limit)[:3]
    ]


def sampling(record: Record, criteria: Criteria, cycle: Course) -> Iterator[Finding]:
    spans = np.diff(record.times)
    source, kind = criteria.source, "documentation"
    if criteria.gap_s is None:
        yield unset("gaps", kind, "no limit for gaps is set", source)
    else:
        over = np.flatnonzero(spans > criteria.gap_s)
        listed = ", ".join(f"{told(record.times[n])} to {told(record.times[n + 1])} s" for n in over[:3])
        words = f"{len(over)} longer: {listed}" if over.size else f"longest {told(float(np.max(spans)))} s"
        required = f"no gap longer than {told(criteria.gap_s)} s"
        yield Finding("gaps", kind, required, words, "", "not-proven" if over.size else "met", source)
    if criteria.sampling_s is None:
        yield unset("sampling", kind, "no limit for the sampling interval is set", source)
        return
    parts = cycle.parts.get(DISINFECTION)
    required = f"a reading at least every {told(criteria.sampling_s)} s in disinfection"
    rows = longest_piece(parts, record.times).rows if parts else slice(0, 0)
    inside = np.diff(record.times[rows])
    if not inside.size:
        yield Finding("sampling", kind, required, "no disinfection phase", "", "not-proven", source)
        return
    slow = float(np.max(inside))
    middle, jitter = float(np.median(inside)), float(np.std(inside))
    words = f"every {told(middle)} s, at most {told(slow)} s, jitter {told(jitter)} s"
    verdict: Verdict = "met" if slow <= criteria.sampling_s + SLIGHT else "not-proven"
    yield Finding("sampling", kind, required, words, "", verdict, source)


# --- doses and water ----------------------------------------------------------------------------------


def doses(record: Record, criteria: Criteria, cycle: Course) -> Iterator[Finding]:
    for limits in criteria.phases:
        for dose in limits.doses:
            yield _dose(record, criteria, cycle, limits.code, dose)


def _dose(record: Record, criteria: Criteria, cycle: Course, code: str, dose: Dose) -> Finding:
    """A line's column is its running total: the phase's part is its rise from the reading before the phase."""
    required = f"{told(dose.set_ml)} ml ± {told(dose.tolerance_percent)} %"
    name, kind = f"dose_{dose.line}", "rinse" if code == "rinse" else "cleaning"
    signal = _signal(record, name, "ml")
    parts = cycle.parts.get(code)

    def say(words: str, verdict: Verdict) -> Finding:
        return Finding(f"{code}-{name}", kind, required, words, "", verdict, criteria.source)

    if signal is None or not parts or not cycle.marked:
        why = f"no column {name}_ml" if signal is None else f"{code} is not marked"
        return say(f"{why} in the record", "not-proven")
    total = signal.values[max(parts[0].first - 1, 0) : parts[-1].last + 1]
    if not np.isfinite(total).all():
        return say(f"readings of {name} are missing in {code}", "not-proven")
    if np.any(np.diff(total) < -SLIGHT):
        return say(f"the running total of {name} falls in {code}", "not-proven")
    dosed = float(total[-1] - total[0])
    apart = abs(dosed - dose.set_ml) <= dose.set_ml * dose.tolerance_percent / 100 + 1e-6
    gap = [doubt.sentence for part in parts for doubt in gaps_over(record, criteria, part)]
    if gap:
        return say(f"{told(dosed)} ml; {gap[0]}", "not-proven")
    return say(f"{told(dosed)} ml", "met" if apart else "not-met")


def conductivity(record: Record, criteria: Criteria, cycle: Course) -> Finding:
    """The highest of the last seconds of the phase, before which the water of the phase before still mixes in."""
    limit, source, name = criteria.conductivity, criteria.source, "conductivity"
    if limit is None:
        return unset(name, "rinse", "no limit for the final rinse’s conductivity is set", source)
    meant = "at 25 °C" if limit.state == "25-degC" else "not compensated"
    required = f"at most {told(limit.most_us_cm)} µS/cm {meant}, last {told(limit.final_s)} s of {limit.phase}"

    def say(words: str, verdict: Verdict) -> Finding:
        return Finding(name, "rinse", required, words, "", verdict, source)

    signal = next((each for each in record.signals if each.name.startswith(name) and each.unit == "uS_cm"), None)
    parts = cycle.parts.get(limit.phase)
    if signal is None or not parts or not cycle.marked:
        why = "no conductivity" if signal is None else f"{limit.phase} is not marked"
        return say(f"{why} in the record", "not-proven")
    piece = parts[-1]
    times = record.times[piece.rows]
    last = times >= times[-1] - limit.final_s - SLIGHT
    values = signal.values[piece.rows][last]
    state = STATES.get(signal.name, limit.sensor)
    doubts = [*cycle.broken(limit.phase), *gaps_over(record, criteria, piece)]
    if state is None:
        doubts.append(Doubt("sensor", "whether it was compensated to 25 °C is not known"))
    elif state != limit.state:
        told_as = "compensated to 25 °C" if state == "25-degC" else "not compensated"
        doubts.append(Doubt("sensor", f"it was recorded {told_as}: that is never converted"))
    if not np.isfinite(values).all():
        doubts.append(Doubt("unseen", "readings of the conductivity are missing"))
    if duration(piece, record.times) < limit.final_s - SLIGHT:
        doubts.append(Doubt("unseen", f"{limit.phase} is shorter than that"))
    if np.any(values < 0):
        doubts.append(Doubt("sensor", "it is below zero"))
    if not np.isfinite(values).any():
        return say("nothing was read", "not-proven")
    most = float(np.nanmax(values))
    words = "; ".join([f"{told(most)} µS/cm", *(doubt.sentence for doubt in doubts)])
    return say(words, at_most(most, most, limit.most_us_cm + SLIGHT, doubts))


def _signal(record: Record, name: str, unit: str) -> Signal | None:
    return next((each for each in record.signals if each.name == name and each.unit == unit), None)
