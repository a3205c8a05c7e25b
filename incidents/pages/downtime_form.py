"""What a downtime form asks, in one order: for the paper that is printed and for the page that it is entered on."""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from django import forms

from incidents.operations.paper import Paper
from incidents.pages.forms import Lines, Moment, Text
from incidents.pages.here import Here, Unreadable
from incidents.queries import downtime, floor, search
from incidents.rules.events import Criterion, ProgrammePublished

Choices = Sequence[tuple[str, str]]
NOT_WRITTEN = ("", "Not written")
VERDICTS = (("met", "Met"), ("not-met", "Not met"), ("not-proven", "Not proven"))
ENDINGS = (("ended", "Ended by itself"), ("aborted", "Aborted"))
DECISIONS = (("packing", "Released for packing"), ("use", "Released for use"), ("held", "Held"))


def _one_of(label: str, choices: Choices, **more: Any) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label, required=False, choices=[NOT_WRITTEN, *choices], widget=forms.RadioSelect, **more
    )


def _from_list(label: str, choices: Choices, none: str = NOT_WRITTEN[1], **more: Any) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, required=False, choices=[("", none), *choices], **more)


def _moment(label: str) -> forms.DateTimeField:
    return Moment(label=label, required=False)


class TrayLabels(Lines):
    """Trays by their labels, one on a line, where there are too many to tick."""

    def __init__(self, facility: UUID) -> None:
        super().__init__(label="Trays", required=False, max_length=8000, help_text="A tray’s label on each line.")
        self.facility = facility

    def clean(self, value: Any) -> list[str]:
        """Ids, as the ticked boxes give them. Raises ValidationError where a label is unknown."""
        labels = [line.strip() for line in super().clean(value).split("\n") if line.strip()]
        known = search.trays_labelled(self.facility, labels)
        for label in labels:
            if label not in known:
                raise forms.ValidationError(f"No tray here has the label “{label[:60]}”. Read it again.")
        return [str(tray) for tray in dict.fromkeys(known[label] for label in labels)]


def _trays(here: Here) -> forms.Field:
    if search.trays_are_many(here.facility.id):
        return TrayLabels(here.facility.id)
    trays = search.trays_to_choose(here.facility.id).trays
    boxes = [(str(tray.id), f"{tray.label} ({tray.set_name})") for tray in trays]
    return forms.MultipleChoiceField(
        label="Trays", required=False, choices=boxes, widget=forms.CheckboxSelectMultiple
    )


class EntryForm(forms.Form):
    """Everything that may stand on a form, in the order of the paper. Hardly anything of it is required."""

    def __init__(self, here: Here, data: Any = None) -> None:
        super().__init__(data)
        self.zone = zoneinfo.ZoneInfo(here.facility.time_zone)
        self.recipes = downtime.recipes(here.facility.id)
        self.criteria = _all_criteria(self.recipes)
        self.fields = {**self._of_the_load(here), **self._of_the_cycle(), **self._of_its_end(here)}

    def _of_the_load(self, here: Here) -> dict[str, forms.Field]:
        known = [(str(row.owner), row.name) for row in downtime.unfinished(here.facility.id)]
        chambers = [(one.key, one.name) for one in floor.chambers(here.facility.id)]
        return {
            "load": _from_list("Load, if it was known before", known, "A load that began on paper"),
            "chamber": forms.ChoiceField(label="Chamber", choices=chambers, widget=forms.RadioSelect),
            "trays": _trays(here),
        }

    def _of_the_cycle(self) -> dict[str, forms.Field]:
        names = [(recipe.name, recipe.name) for recipe in self.recipes]
        codes = {phase.code: phase.title for recipe in self.recipes for phase in recipe.phases}
        return {
            "programme": _from_list("Programme", names),
            "machine_cycle": forms.IntegerField(
                label="The machine’s cycle number", required=False, min_value=0, max_value=10**15 - 1
            ),
            "started_at": _moment("Started"),
            "alarm_code": Text(label="Alarm, its fault code", required=False, max_length=40),
            "alarm_phase": _from_list("Alarm, in which phase", list(codes.items())),
            "alarm_at": _moment("Alarm, when"),
            "ending": _one_of("The cycle", ENDINGS),
            "ended_at": _moment("Ended or aborted"),
        }

    def _of_its_end(self, here: Here) -> dict[str, forms.Field]:
        verdicts = {name: _one_of(criterion.title, VERDICTS) for name, criterion in self._named_criteria()}
        people = [(str(person), name) for person, name in downtime.people(here.facility.id).items()]
        return {
            **verdicts,
            "decision": _one_of("The load", DECISIONS),
            "decided_at": _moment("Released or held"),
            "claimed_by": _from_list("Written and signed by", people, "No name stands on it"),
            "words": forms.CharField(
                label="Remarks",
                required=False,
                max_length=4000,
                help_text="Name no patient.",
                widget=forms.Textarea(attrs={"rows": 3}),
            ),
        }

    def _named_criteria(self) -> Iterator[tuple[str, Criterion]]:
        for n, criterion in enumerate(self.criteria, 1):
            yield f"criterion_{n}", criterion

    def paper(self) -> Paper:
        """What was typed, as the form says it; times are by the facility's own clock."""
        given = self.cleaned_data
        machine, _, chamber = given["chamber"].partition("/")
        return Paper(
            machine=UUID(machine),
            chamber=chamber,
            load=_id(given["load"]),
            trays=tuple(UUID(tray) for tray in given["trays"]),
            programme=given["programme"],
            machine_cycle=given["machine_cycle"],
            started_at=self._at("started_at"),
            alarm_code=given["alarm_code"],
            alarm_phase=given["alarm_phase"],
            alarm_at=self._at("alarm_at"),
            ending=given["ending"],
            ended_at=self._at("ended_at"),
            verdicts=self._verdicts(),
            decision=given["decision"],
            decided_at=self._at("decided_at"),
            claimed_by=_id(given["claimed_by"]),
        )

    def _at(self, name: str) -> datetime | None:
        typed: datetime | None = self.cleaned_data[name]
        try:
            return typed.replace(tzinfo=self.zone).astimezone(UTC) if typed else None
        except OverflowError:
            raise Unreadable(f"“{self.fields[name].label}” is in no calendar.") from None

    def _verdicts(self) -> dict[str, Any]:
        """Verdicts by the criterion's code in the programme that ran; another programme's are not its own."""
        recipe = next((one for one in self.recipes if one.name == self.cleaned_data["programme"]), None)
        if recipe is None:
            return {}
        stated = {
            (criterion.kind, criterion.title): self.cleaned_data[name] for name, criterion in self._named_criteria()
        }
        return {
            one.code: stated[one.kind, one.title] for one in recipe.criteria if stated.get((one.kind, one.title))
        }


def _all_criteria(recipes: Sequence[ProgrammePublished]) -> list[Criterion]:
    """Each thing that is read off a record once, however many programmes ask for it."""
    found = {(one.kind, one.title): one for recipe in recipes for one in recipe.criteria}
    return list(found.values())


def _id(text: str) -> UUID | None:
    return UUID(text) if text else None
