"""A programme in words: everything that it says, line by line, so that two editions can be compared."""

from __future__ import annotations

from collections.abc import Iterator

from incidents.rules.events import ProgrammeDrafted, ProgrammePublished
from incidents.rules.limits import ConductivityLimit, Limits, PhaseLimit, Requirement, Resuming

STATES = {"25-degC": "compensated to 25 °C", "uncompensated": "not compensated", "unknown": "not known"}


def described(programme: ProgrammePublished | ProgrammeDrafted) -> dict[str, str]:
    """What it says, by what it says it of; what it doesn't set isn't there."""
    return {what: words for what, words in _lines(programme) if words}


def _lines(programme: ProgrammePublished | ProgrammeDrafted) -> Iterator[tuple[str, str]]:
    yield "Phases in their order", ", ".join(phase.code for phase in programme.phases)
    limits = programme.limits or Limits()
    by_code = {phase.code: phase for phase in limits.phases}
    for phase in programme.phases:
        yield f"{phase.title} ({phase.code})", f"{phase.minutes} min"
        yield from _of_phase(phase.title, by_code.get(phase.code, PhaseLimit(phase.code)))
    yield "Expected duration", f"{programme.expected_s} s, and {programme.grace_s} s of grace"
    for criterion in programme.criteria:
        yield f"Criterion {criterion.code}", f"{criterion.title} ({criterion.kind})"
    yield "Disinfection asked for", _requirement(limits.disinfection)
    yield "Longest gap in a record", _with(limits.gap_s, "s")
    yield "Longest sampling interval", _with(limits.sampling_s, "s")
    yield "Control and independent probe apart", _with(limits.agreement_k, "K at most")
    yield "Final conductivity", _conductivity(limits.conductivity)
    yield "Load probes", str(limits.probes or "")
    yield "Tolerance of a probe", _with(limits.tolerance_k, "K either way")
    for each in limits.calibrations:
        yield f"Calibration of {each.signal}", f"bias {each.bias_k} K, ± {each.tolerance_k} K"
    yield "What decides", "the worse end" if limits.decides == "worst" else "the reading itself"
    yield "Rule of the sum", "exact" if limits.rule == "exact" else "each interval at its lower reading"
    yield from _resuming(programme.resuming)
    yield "In force from", f"{programme.effective_at:%Y-%m-%d %H:%M} UTC" if programme.effective_at else ""


def _of_phase(title: str, limit: PhaseLimit) -> Iterator[tuple[str, str]]:
    yield f"{title}: set", _with(limit.set_c, "°C")
    yield f"{title}: lower limit", _with(limit.low_c, "°C")
    yield f"{title}: upper limit", _with(limit.high_c, "°C")
    yield f"{title}: held", _with(limit.held_s, "s without a break")
    yield f"{title}: shortest", _with(limit.least_s, "s")
    yield f"{title}: longest", _with(limit.most_s, "s")
    for dose in limit.doses:
        yield f"{title}: dose of line {dose.line}", f"{dose.set_ml} ml ± {dose.tolerance_percent} %"


def _with(value: str | int | None, unit: str) -> str:
    return f"{value} {unit}" if value or value == 0 else ""


def _requirement(asked: Requirement | None) -> str:
    if asked is None:
        return ""
    what = f"A0 {asked.a0_s} s" if asked.a0_s is not None else f"{asked.celsius} °C for {asked.seconds} s"
    return f"{what}, from {asked.effective_on} ({asked.source})"


def _conductivity(limit: ConductivityLimit | None) -> str:
    if limit is None:
        return ""
    told = f"at most {limit.most_us_cm} µS/cm, {STATES[limit.state]}, last {limit.final_s} s of {limit.phase}"
    return f"{told}; sensor {STATES[limit.sensor]}"


def _resuming(resuming: Resuming | None) -> Iterator[tuple[str, str]]:
    if resuming is None:
        return
    yield "Nobody resumes in", ", ".join(resuming.protected)
    yield "Longest halt before a resume", _with(resuming.longest_halt_s, "s")
    yield "Resumes in a cycle", f"at most {resuming.most}"
