"""A programme's limits as they are typed in Set-up: fields and lines, made into what the programme carries."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Any

import msgspec
from django import forms

from incidents.pages.forms import Lines, ProgrammeForm, Text
from incidents.rules.events import ProgrammeDrafted, ProgrammePublished
from incidents.rules.limits import (
    RESUMES_MOST,
    ConductivityLimit,
    DoseLimit,
    Limits,
    PhaseLimit,
    Requirement,
    Resuming,
)

_A0 = re.compile(r"A0\s*([0-9]{1,7})(?:\s*s)?", re.ASCII | re.IGNORECASE)
_PAIR = re.compile(r"([0-9]{1,3}(?:[.,][0-9]{1,3})?)\s*°?\s*C\s+([0-9]{1,5})\s*s", re.ASCII | re.IGNORECASE)
STATES = {"25": "25-degC", "raw": "uncompensated"}


def _number(label: str, help_text: str = "") -> Text:
    return Text(
        label=label,
        required=False,
        max_length=12,
        help_text=help_text,
        widget=forms.TextInput(attrs={"inputmode": "decimal"}),
    )


class LimitedProgrammeForm(ProgrammeForm):
    """A programme with the limits by which its records can be judged by calculation.

    `requirements` are those of the facility's policy; one of them can be chosen instead of being typed.
    """

    part_from = "by_policy"
    part_title = "Limits for judging records by calculation"
    part_lead = "What stays empty is not proven by calculation. The values come from the validation report, the"
    part_lead += " instructions for use and local policy."

    by_policy = forms.ChoiceField(
        label="Disinfection asked for by policy",
        required=False,
        help_text="What is chosen here takes the place of the three fields below it.",
    )
    requirement = Text(
        label="Or another requirement",
        required=False,
        help_text="“A0 3000”, or a temperature and a time as they are given: “71 °C 180 s”.",
    )
    requirement_source = Text(label="Where that is asked for", required=False, max_length=400)
    requirement_from = forms.DateField(
        label="It holds from",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
        input_formats=["%Y-%m-%d"],
    )
    phase_limits = Lines(
        label="Temperatures and times of phases",
        required=False,
        max_length=4000,
        help_text="One a line: phase; set °C; lower °C; upper °C; held s; shortest s; longest s..",
    )
    doses = Lines(
        label="Doses", required=False, help_text="One a line: phase; line; ml; ± %. As in: wash; 1; 50; 10"
    )
    gap_s = _number("Longest gap, s", "A longer stretch without a reading counts as nothing.")
    sampling_s = _number("Longest sampling interval, s")
    agreement_k = _number("Control and independent probe at most apart, K")
    probes = forms.IntegerField(label="Load probes", required=False, min_value=1, max_value=40)
    tolerance_k = _number("Calibration tolerance of a probe, ± K")
    conductivity = Text(
        label="Final rinse: highest conductivity",
        required=False,
        help_text="µS/cm; how it is meant: “30; 25” compensated to 25 °C, “30; raw” not. Of the phase rinse.",
    )
    decides = forms.ChoiceField(
        label="Of the calibration’s range, what decides",
        required=False,
        choices=[("worst", "The worse end"), ("value", "The reading itself")],
    )

    protected = Text(
        label="Phases in which nobody resumes",
        required=False,
        max_length=200,
        help_text="Their codes, separated by commas. In disinfection nobody ever does.",
    )
    longest_halt_s = forms.IntegerField(
        label="Longest halt before a resume, s", required=False, min_value=1, max_value=86_400
    )
    resumes = forms.IntegerField(
        label="Resumes in a cycle at most", required=False, min_value=0, max_value=RESUMES_MOST
    )

    def __init__(self, *args: Any, requirements: Sequence[Requirement] = (), **more: Any) -> None:
        super().__init__(*args, **more)
        self.requirements = {requirement_typed(each): each for each in requirements}
        choices: Any = self.fields["by_policy"]
        choices.choices = [("", "Typed below"), *((typed, typed) for typed in self.requirements)]

    def clean(self) -> dict[str, Any]:
        """Whatever is typed here makes limits; nothing typed, none."""
        given = super().clean() or self.cleaned_data
        given["resuming"] = resuming_of(given)
        given["chosen"] = self.requirements.get(given.get("by_policy") or "")
        try:
            given["limits"] = limits_of(given)
        except ValueError as error:
            raise forms.ValidationError(f"{error}") from None
        return given


def resuming_of(given: dict[str, Any]) -> Resuming | None:
    """What was said of resuming; nothing said, None."""
    protected = tuple(code for each in (given.get("protected") or "").split(",") if (code := each.strip()))
    halt, most = given.get("longest_halt_s"), given.get("resumes")
    if not protected and halt is None and most is None:
        return None
    return Resuming(protected, halt, 1 if most is None else most)


def limits_of(given: dict[str, Any]) -> Limits | None:
    """Raises ValueError where a line can't be read."""
    told = [_phase(line) for line in _lines(given, "phase_limits")]
    phases = {phase.code: phase for phase in told}
    if len(phases) < len(told):
        raise ValueError("The limits of a phase stand twice.")
    doses: dict[str, list[DoseLimit]] = {}
    for line in _lines(given, "doses"):
        code, dose = _dose(line)
        doses.setdefault(code, []).append(dose)
    limits = Limits(
        phases=tuple(
            msgspec.structs.replace(phases.get(code, PhaseLimit(code)), doses=tuple(doses.get(code, ())))
            for code in dict.fromkeys((*phases, *doses))
        ),
        disinfection=given.get("chosen") or _requirement(given),
        gap_s=_decimal(given, "gap_s"),
        sampling_s=_decimal(given, "sampling_s"),
        agreement_k=_decimal(given, "agreement_k"),
        conductivity=_conductivity(given.get("conductivity") or ""),
        probes=given.get("probes"),
        tolerance_k=_decimal(given, "tolerance_k"),
    )
    return None if limits == Limits() else msgspec.structs.replace(limits, decides=given.get("decides") or "worst")


def _lines(given: dict[str, Any], name: str) -> list[str]:
    return [line for line in (given.get(name) or "").splitlines() if line.strip()]


def _decimal(given: dict[str, Any], name: str) -> str:
    return (given.get(name) or "").strip().replace(",", ".")


def _phase(line: str) -> PhaseLimit:
    parts = [part.strip().replace(",", ".") for part in line.split(";")]
    parts += [""] * (7 - len(parts))
    seconds = parts[4:]
    if len(parts) != 7 or not parts[0] or any(part and not _whole(part) for part in seconds):
        raise ValueError(
            f"“{line.strip()[:60]}” is not a phase’s limits: phase; set; lower; upper; held; shortest; longest."
        )
    held, least, most = (int(part) if part else None for part in seconds)
    return PhaseLimit(parts[0], parts[1], parts[2], parts[3], held, least, most)


def _dose(line: str) -> tuple[str, DoseLimit]:
    parts = [part.strip().replace(",", ".") for part in line.split(";")]
    if len(parts) != 4 or not all(parts):
        raise ValueError(f"“{line.strip()[:60]}” is not a dose: phase; line; ml; ± %.")
    return parts[0], DoseLimit(parts[1], parts[2], parts[3])


def _requirement(given: dict[str, Any]) -> Requirement | None:
    text = (given.get("requirement") or "").strip()
    source, day = given.get("requirement_source") or "", given.get("requirement_from")
    if not text:
        if source or day:
            raise ValueError("A source or a day stands without what disinfection is asked for.")
        return None
    return requirement_of(text, source, day.isoformat() if day else "")


def requirement_of(text: str, source: str, effective_on: str) -> Requirement:
    """As it is typed: “A0 3000” or “71 °C 180 s”. Raises ValueError."""
    if found := _A0.fullmatch(text):
        return Requirement(source, effective_on, a0_s=int(found[1]))
    if found := _PAIR.fullmatch(text):
        return Requirement(source, effective_on, celsius=found[1].replace(",", "."), seconds=int(found[2]))
    raise ValueError(f"“{text[:40]}” is neither an A0, as in “A0 3000”, nor a temperature and time, “71 °C 180 s”.")


def _conductivity(text: str) -> ConductivityLimit | None:
    if not text.strip():
        return None
    number, _, state = (part.strip() for part in text.partition(";"))
    if state not in STATES:
        raise ValueError(f"“{text[:40]}” doesn’t say how the conductivity is meant: “30; 25” or “30; raw”.")
    known: Any = STATES[state]
    return ConductivityLimit(number.replace(",", "."), known)


def _whole(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) <= 6


# --- what stands, as it would be typed -----------------------------------------------------------------


def typed(programme: ProgrammePublished | ProgrammeDrafted) -> dict[str, Any]:
    """The fields of the form as this programme would have filled them."""
    limits, resuming = programme.limits or Limits(), programme.resuming
    asked, water = limits.disinfection, limits.conductivity
    return {
        "name": programme.name,
        "phases": "\n".join(f"{each.code}; {each.title}; {each.minutes}" for each in programme.phases),
        "grace": programme.grace_s // 60,
        "criteria": "\n".join(f"{each.kind}; {each.title}" for each in programme.criteria),
        "requirement": _asked_typed(asked) if asked else "",
        "requirement_source": asked.source if asked else "",
        "requirement_from": asked.effective_on if asked else "",
        "phase_limits": "\n".join(filter(None, map(_phase_typed, limits.phases))),
        "doses": "\n".join(
            f"{phase.code}; {dose.line}; {dose.set_ml}; {dose.tolerance_percent}"
            for phase in limits.phases
            for dose in phase.doses
        ),
        "gap_s": limits.gap_s,
        "sampling_s": limits.sampling_s,
        "agreement_k": limits.agreement_k,
        "probes": limits.probes,
        "tolerance_k": limits.tolerance_k,
        "conductivity": f"{water.most_us_cm}; {'25' if water.state == '25-degC' else 'raw'}" if water else "",
        "decides": limits.decides,
        "protected": ", ".join(resuming.protected) if resuming else "",
        "longest_halt_s": resuming.longest_halt_s if resuming else None,
        "resumes": resuming.most if resuming else None,
    }


def requirement_typed(asked: Requirement) -> str:
    """One line, as in the policy: what is asked for; from when; by which source."""
    return f"{_asked_typed(asked)}; {asked.effective_on}; {asked.source}"


def requirements_of(lines: str) -> tuple[Requirement, ...]:
    """The policy's requirements, one a line. Raises ValueError."""
    told = []
    for line in filter(str.strip, lines.splitlines()):
        parts = [part.strip() for part in line.split(";", 2)]
        if len(parts) != 3:
            raise ValueError(f"“{line.strip()[:60]}” is not a requirement: what is asked for; from when; source.")
        told.append(requirement_of(parts[0], parts[2], parts[1]))
    return tuple(told)


def _asked_typed(asked: Requirement) -> str:
    return f"A0 {asked.a0_s}" if asked.a0_s is not None else f"{asked.celsius} °C {asked.seconds} s"


def _phase_typed(phase: PhaseLimit) -> str:
    told = (phase.set_c, phase.low_c, phase.high_c, phase.held_s, phase.least_s, phase.most_s)
    if not any(each not in ("", None) for each in told):
        return ""
    return "; ".join([phase.code, *("" if each is None else str(each) for each in told)])


def kept(limits: Limits | None, before: Limits | None) -> Limits | None:
    """What the form can't say stays as it stood: calibrations, the rule of the sum, the water's sensor."""
    if before is None or (limits is None and not before.calibrations):
        return limits
    told = limits or Limits()
    water, stood = told.conductivity, before.conductivity
    if water and stood and water.state == stood.state:
        water = msgspec.structs.replace(stood, most_us_cm=water.most_us_cm)
    return msgspec.structs.replace(told, calibrations=before.calibrations, rule=before.rule, conductivity=water)
