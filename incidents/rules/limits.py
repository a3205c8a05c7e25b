"""The limits that a programme carries, so that a record can be held against them by calculation.

Temperatures, doses and the like are decimal texts (events hold no floats), times whole seconds. What is empty or
None nobody set: that criterion is then *not proven* by calculation. What countries and departments differ in is a
value with its source and the day from which it holds; a time and a temperature stay as given, never converted.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date
from typing import Literal, NamedTuple

import msgspec

from incidents.rules.refusals import Refusal

_DECIMAL = re.compile(r"-?[0-9]{1,5}(\.[0-9]{1,3})?", re.ASCII)
_NAME = re.compile(r"[A-Za-z0-9_-]{1,40}", re.ASCII)
SECONDS_MOST = 24 * 3600
DISINFECTION = "disinfection"
WATER_C = (0.0, 150.0)


class DoseLimit(msgspec.Struct, frozen=True):
    """What one line (`1` for the column `dose_1_ml`) doses in a phase, and by how many per cent it may differ."""

    line: str
    set_ml: str
    tolerance_percent: str


class PhaseLimit(msgspec.Struct, frozen=True):
    """°C; `held_s` at or above `low_c` without a break; `least_s` and `most_s` from mark to mark."""

    code: str
    set_c: str = ""
    low_c: str = ""
    high_c: str = ""
    held_s: int | None = None
    least_s: int | None = None
    most_s: int | None = None
    doses: tuple[DoseLimit, ...] = ()


class Requirement(msgspec.Struct, frozen=True):
    """What disinfection is asked for: an A0 in seconds, or else a temperature in °C for so many seconds."""

    source: str
    effective_on: str
    a0_s: int | None = None
    celsius: str = ""
    seconds: int | None = None


class ConductivityLimit(msgspec.Struct, frozen=True):
    """At most so many µS/cm at the end of a phase. `sensor`: how this machine's sensor tells it, if known."""

    most_us_cm: str
    state: Literal["25-degC", "uncompensated"]
    sensor: Literal["25-degC", "uncompensated", "unknown"] = "unknown"
    phase: str = "rinse"
    final_s: int = 30


class ProbeCalibration(msgspec.Struct, frozen=True):
    """From one probe's calibration record: reading minus truth, and what stays uncertain either way, in K."""

    signal: str
    tolerance_k: str
    bias_k: str = "0"


class Limits(msgspec.Struct, frozen=True):
    """All of a programme's limits. `tolerance_k` is for probes that `calibrations` doesn't name."""

    phases: tuple[PhaseLimit, ...] = ()
    disinfection: Requirement | None = None
    gap_s: str = ""
    sampling_s: str = ""
    agreement_k: str = ""
    conductivity: ConductivityLimit | None = None
    probes: int | None = None
    tolerance_k: str = ""
    calibrations: tuple[ProbeCalibration, ...] = ()
    decides: Literal["worst", "value"] = "worst"
    rule: Literal["exact", "lower"] = "exact"


class Resuming(msgspec.Struct, frozen=True):
    """What the programme allows after a halt, beside the catalogue: the stricter of both wins.

    Nobody resumes in a `protected` phase, after a halt of more than `longest_halt_s`, nor more often than `most`.
    """

    protected: tuple[str, ...] = ()
    longest_halt_s: int | None = None
    most: int = 1


RESUMES_MOST = 3


def resuming_refusal(resuming: Resuming, codes: list[str]) -> Refusal | None:
    """Why this can't be said of a programme with these phases, or None."""
    strange = next((code for code in resuming.protected if code not in codes), None)
    flaw = next(_seconds("the longest halt", resuming.longest_halt_s), None)
    if strange is not None:
        flaw = f"the programme has no phase “{strange[:40]}” to protect"
    elif not 0 <= resuming.most <= RESUMES_MOST:
        flaw = f"a cycle is resumed 0 to {RESUMES_MOST} times"
    return None if flaw is None else Refusal("resuming", f"This can’t be kept: {flaw}.", "Correct it.")


def limits_refusal(limits: Limits, codes: list[str]) -> Refusal | None:
    """Why these limits can't belong to a programme with these phases, or None."""
    flaw = next(_flaws(limits, codes), None)
    return None if flaw is None else Refusal("limits", f"The limits can’t be kept: {flaw}.", "Correct them.")


def _flaws(limits: Limits, codes: list[str]) -> Iterator[str]:
    named = [phase.code for phase in limits.phases]
    if len(set(named)) < len(named):
        yield "a phase has limits twice"
    for phase in limits.phases:
        if phase.code not in codes:
            yield f"the programme has no phase “{phase.code[:40]}”"
        yield from _of_phase(phase)
    yield from _of_requirement(limits.disinfection)
    for word, number in (("gap", limits.gap_s), ("sampling interval", limits.sampling_s)):
        yield from _numbers(word, 0.01, SECONDS_MOST, number)
    yield from _numbers("agreement of control and independent probe", 0, 50, limits.agreement_k)
    yield from _numbers("tolerance", 0, 50, limits.tolerance_k)
    if limits.probes is not None and not 1 <= limits.probes <= 40:
        yield "the load probes must be 1 to 40"
    if limits.conductivity is not None:
        yield from _numbers("conductivity", 0, 99_999, limits.conductivity.most_us_cm, needed=True)
        yield from _seconds("the conductivity’s last seconds", limits.conductivity.final_s)
        if limits.conductivity.phase not in codes:
            yield f"the programme has no phase “{limits.conductivity.phase[:40]}” for the conductivity"
    signals = [each.signal for each in limits.calibrations]
    if len(set(signals)) < len(signals) or not all(map(_NAME.fullmatch, signals)):
        yield "a calibration must name one signal, each once"
    for each in limits.calibrations:
        yield from _numbers(f"tolerance of {each.signal}", 0, 50, each.tolerance_k, needed=True)
        yield from _numbers(f"bias of {each.signal}", -50, 50, each.bias_k, needed=True)


def _of_phase(phase: PhaseLimit) -> Iterator[str]:
    for word, text in (("set value", phase.set_c), ("lower limit", phase.low_c), ("upper limit", phase.high_c)):
        yield from _numbers(f"{word} of {phase.code}", *WATER_C, text)
    if all(_is_decimal(text) for text in (phase.low_c, phase.set_c, phase.high_c) if text):
        ordered = [float(text) for text in (phase.low_c, phase.set_c, phase.high_c) if text]
        if ordered != sorted(ordered):
            yield f"lower limit, set value and upper limit of {phase.code} must rise"
    for word, seconds in (("holding time", phase.held_s), ("shortest", phase.least_s), ("longest", phase.most_s)):
        yield from _seconds(f"{word} of {phase.code}", seconds)
    if phase.least_s is not None and phase.most_s is not None and phase.least_s > phase.most_s:
        yield f"{phase.code} can’t be shorter than its shortest"
    if phase.held_s is not None and not phase.low_c:
        yield f"a holding time of {phase.code} needs its lower limit"
    lines = [dose.line for dose in phase.doses]
    if len(set(lines)) < len(lines) or not all(map(_NAME.fullmatch, lines)):
        yield f"a dose of {phase.code} must name one line, each once"
    for dose in phase.doses:
        yield from _numbers(f"dose of {phase.code}", 0.001, 99_999, dose.set_ml, needed=True)
        yield from _numbers(f"tolerance of a dose of {phase.code}", 0, 100, dose.tolerance_percent, needed=True)


def requirement_flaw(asked: Requirement) -> str | None:
    """What is wrong with a requirement, or None."""
    return next(_of_requirement(asked), None)


def _of_requirement(asked: Requirement | None) -> Iterator[str]:
    if asked is None:
        return
    if not asked.source.strip() or len(asked.source) > 400:
        yield "the disinfection requirement needs its source, in at most 400 characters"
    try:
        if date.fromisoformat(asked.effective_on).isoformat() != asked.effective_on:
            yield "the disinfection requirement’s day must be a date such as 2026-11-25"
    except ValueError:
        yield "the disinfection requirement needs the day from which it holds, such as 2026-11-25"
    pair = bool(asked.celsius) or asked.seconds is not None
    if (asked.a0_s is not None) == pair:
        yield "disinfection is asked for as an A0 or as a temperature and a time, not both"
    if asked.a0_s is not None and not 1 <= asked.a0_s <= 1_000_000:
        yield "the A0 must be 1 to 1 000 000 s"
    if pair:
        yield from _numbers("required temperature", *WATER_C, asked.celsius, needed=True)
        if asked.seconds is None:
            yield "a required temperature needs its time"
        yield from _seconds("required time", asked.seconds)


def _numbers(word: str, least: float, most: float, text: str, *, needed: bool = False) -> Iterator[str]:
    if not text and not needed:
        return
    if not _is_decimal(text):
        yield f"the {word} is no number with at most three decimals: “{text[:40]}”"
    elif not least <= float(text) <= most:
        yield f"the {word} must be {least:g} to {most:g}, not {text}"


def _seconds(word: str, seconds: int | None) -> Iterator[str]:
    if seconds is not None and not 1 <= seconds <= SECONDS_MOST:
        yield f"{word} must be 1 to {SECONDS_MOST} s"


def _is_decimal(text: str) -> bool:
    return bool(_DECIMAL.fullmatch(text))


class Calculation(NamedTuple):
    """Whether a programme as set meets its own requirement, in a sentence that shows the sum."""

    verdict: Literal["met", "not-met", "not-proven"]
    sentence: str


def calculation(limits: Limits | None, delivered_s: float | None) -> Calculation:
    """The disinfection phase as set, held against what the programme itself asks for.

    `delivered_s` is the A0 of the set temperature over the holding time, in seconds, where both are set.
    """
    asked = limits.disinfection if limits else None
    if limits is None or asked is None:
        return Calculation("not-proven", "The programme does not say what disinfection is asked for.")
    phase = next((each for each in limits.phases if each.code == DISINFECTION), PhaseLimit(DISINFECTION))
    if not phase.set_c or phase.held_s is None or delivered_s is None:
        return Calculation(
            "not-proven", "Whether the programme meets its disinfection requirement can’t be calculated."
        )
    if asked.a0_s is not None:
        power = f"10^(({phase.set_c} − 80) / 10)"
        sum_ = f"{phase.held_s} s × {power} = {delivered_s:.1f} s" if delivered_s else "nothing: below 65 °C"
        told = f"{phase.set_c} °C for {phase.held_s} s delivers an A0 of {sum_}; {asked.a0_s} s are required"
        short = delivered_s < asked.a0_s * (1 - 1e-9)
    else:
        told = (
            f"it is set to {phase.set_c} °C for {phase.held_s} s;"
            f" {asked.celsius} °C for {asked.seconds} s is required"
        )
        short = float(phase.set_c) < float(asked.celsius) or phase.held_s < (asked.seconds or 0)
    verb = "misses" if short else "meets"
    sentence = f"The programme {verb} its own disinfection requirement: {told} ({asked.source})."
    return Calculation("not-met" if short else "met", sentence)


def requirement_refusal(limits: Limits, delivered_s: float | None) -> Refusal | None:
    """Why the disinfection phase as set can't meet the programme's own requirement: the calculation; or None."""
    told = calculation(limits, delivered_s)
    if limits.disinfection is None or told.verdict == "met":
        return None
    if told.verdict == "not-met":
        return Refusal("requirement-missed", told.sentence, "Raise its set temperature or its holding time.")
    return Refusal(
        "requirement-unchecked",
        told.sentence,
        "Give the disinfection phase its set temperature, lower limit and holding time.",
    )
