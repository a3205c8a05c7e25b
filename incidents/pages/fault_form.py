"""The form of one fault: everything that the catalogue says of it, in the choices that the rules know."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms

from incidents.pages.forms import Text
from incidents.rules.events import Fault
from incidents.rules.faults import (
    CAUTION_NAMES,
    CONSEQUENCES,
    PRIORITIES,
    TIMES,
    caution_of,
    parts_of,
    proposed_priority,
)

RESUMES = (("never", "Never"), ("supervisor", "Supervisor"), ("technician", "Technician"))
PROTECTED = "disinfection"


def _choices(known: Iterable[str], standing: str) -> list[tuple[str, str]]:
    """The known words, and the one that stands although it is none of them."""
    words = list(known)
    if standing and standing not in words:
        words.append(standing)
    return [(word, word[:1].upper() + word[1:]) for word in words]


class FaultForm(forms.Form):
    """`fault` is the one to change, or None for a new one; `phases` are those that programmes here have."""

    code = Text(label="Fault code", max_length=40, help_text="As the machine shows and reports it.")
    title = Text(label="Title", max_length=120, help_text="What happened, in a few words.")
    consequence = forms.ChoiceField(label="Consequence")
    time_to_respond = forms.ChoiceField(label="Time to respond")
    priority = forms.ChoiceField(
        label="Priority",
        required=False,
        choices=[("", "As proposed"), *((each, each.capitalize()) for each in PRIORITIES)],
        widget=forms.RadioSelect,
    )
    why = Text(
        label="Why", max_length=400, required=False, help_text="A priority lower than the proposed one needs it."
    )
    first_instruction = Text(
        label="Do this first", max_length=400, help_text="One plain instruction for whoever stands there."
    )
    caution = forms.MultipleChoiceField(
        label="Caution",
        required=False,
        choices=list(CAUTION_NAMES.items()),
        widget=forms.CheckboxSelectMultiple,
        help_text="Each comes with its own sentence.",
    )
    caution_more = Text(label="Caution in your words", max_length=400, required=False)

    def __init__(self, data: Any = None, *, fault: Fault | None, phases: Iterable[str]) -> None:
        super().__init__(data, initial=_initial(fault) if fault else {"priority": ""})
        known = fault or Fault("", "", "", "", "high", "", "", "")
        for name, words, standing in (
            ("consequence", CONSEQUENCES, known.consequence),
            ("time_to_respond", TIMES, known.time_to_respond),
        ):
            field = self.fields[name]
            assert isinstance(field, forms.ChoiceField)
            field.choices = _choices(words, standing)
        self.phases = [phase for phase in dict.fromkeys([*phases, *known.resume]) if phase != PROTECTED]
        for phase in self.phases:
            self.fields[f"resume-{phase}"] = forms.ChoiceField(
                label=f"In {phase}", choices=RESUMES, initial=known.resume.get(phase, "never")
            )

    @property
    def resume_fields(self) -> list[forms.BoundField]:
        return [self[f"resume-{phase}"] for phase in self.phases]

    @property
    def said(self) -> Fault:
        """The fault as the whole form says it; an absent phase means never."""
        given = self.cleaned_data
        proposed = proposed_priority(given["consequence"], given["time_to_respond"])
        resume = {phase: given[f"resume-{phase}"] for phase in self.phases}
        return Fault(
            code=given["code"],
            title=given["title"],
            consequence=given["consequence"],
            time_to_respond=given["time_to_respond"],
            priority=given["priority"] or proposed,
            why=given["why"],
            first_instruction=given["first_instruction"],
            caution=caution_of(given["caution"], given["caution_more"]),
            resume={phase: who for phase, who in resume.items() if who != "never"},
        )


def _initial(fault: Fault) -> dict[str, Any]:
    parts, more = parts_of(fault.caution)
    return {
        "code": fault.code,
        "title": fault.title,
        "consequence": fault.consequence,
        "time_to_respond": fault.time_to_respond,
        "priority": fault.priority,
        "why": fault.why,
        "first_instruction": fault.first_instruction,
        "caution": list(parts),
        "caution_more": more,
    }
