"""The forms of sign-in, first run and Set-up. What they accept they hand on as plain values."""

from __future__ import annotations

import unicodedata
import zoneinfo
from datetime import datetime
from typing import Any

from django import forms

from incidents.identity.models import Facility
from incidents.rules import people
from incidents.rules.authority import COMPETENCES, PEOPLES_ROLES
from incidents.rules.people import LONGEST
from incidents.rules.programmes import PHASE_CODES

ROLE_CHOICES = [(role, role.replace("-", " ").capitalize()) for role in PEOPLES_ROLES]
MANY_LINES = forms.Textarea(attrs={"rows": 5, "spellcheck": "false"})


class Text(forms.CharField):
    """One line of text in Unicode's composed form."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**{"max_length": 80, **more})

    def to_python(self, value: Any) -> str:
        text = unicodedata.normalize("NFC", super().to_python(value) or "")
        if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in text):
            raise forms.ValidationError("This holds a control character. Remove it.")
        return text


class Moment(forms.DateTimeField):
    """A date and a time by the facility's own clock; one that brings a zone of its own is refused."""

    def __init__(self, **more: Any) -> None:
        super().__init__(
            widget=forms.DateTimeInput(attrs={"type": "datetime-local", "step": "1"}),
            input_formats=["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M"],
            **more,
        )

    def to_python(self, value: Any) -> datetime | None:
        if value in self.empty_values:
            return None
        read: datetime | None = super(forms.DateTimeField, self).to_python(value)  # by these formats alone
        return read


class Lines(Text):
    """Text of several lines."""

    def __init__(self, **more: Any) -> None:
        super().__init__(**{"widget": MANY_LINES, "max_length": 2000, **more})

    def to_python(self, value: Any) -> str:
        lines = (value or "").replace("\r\n", "\n").split("\n")
        return "\n".join(super(Lines, self).to_python(line) for line in lines)


def secret(label: str, **more: Any) -> forms.CharField:
    attrs = {"autocomplete": "off", **more.pop("attrs", {})}
    return forms.CharField(label=label, max_length=128, widget=forms.PasswordInput(attrs=attrs), **more)


def pin(label: str = "PIN", **more: Any) -> forms.CharField:
    return secret(label, attrs={"inputmode": "numeric"}, **more)


def takes_programmes(**more: Any) -> Lines:
    return Lines(
        label="Programmes it takes", required=False, help_text="One name a line. Leave it empty for all.", **more
    )


def takes_racks(**more: Any) -> Lines:
    return Lines(
        label="Racks it takes", required=False, help_text="One code a line. Leave it empty for all.", **more
    )


class BadgeForm(forms.Form):
    badge = Text(label="Badge", help_text="Scan it, or type its number.")
    pin = secret("PIN", attrs={"inputmode": "numeric"})


class PasswordForm(forms.Form):
    login = Text(label="Sign-in name")
    password = secret("Password", attrs={"autocomplete": "current-password"})


class PersonFields(forms.Form):
    """A person with the badge and PIN that sign for them."""

    name = Text(label="Name", max_length=LONGEST["name"])
    login = Text(label="Sign-in name", help_text="For signing in with a password.")
    password = secret("Password", help_text="At least ten characters.", attrs={"autocomplete": "new-password"})
    badge = Text(label="Badge number", max_length=LONGEST["badge"], help_text="Scan the badge here.")
    pin = pin(help_text="4 to 12 digits. Badge and PIN together sign.")

    def clean(self) -> dict[str, Any]:
        """What is wrong with a person is said by the rules; whether they are here already, by the deed."""
        given = super().clean() or self.cleaned_data
        for flaw in list(people.flaws(given)):
            if flaw.field in given:
                self.add_error(flaw.field, f"{flaw.sentence} {flaw.next_step}")
        return given


class FirstRunForm(PersonFields):
    """Everything that a department needs before its first load."""

    facility = Text(label="Facility", max_length=120, help_text="The department’s name, as its people call it.")
    slug = forms.SlugField(
        label="Short name",
        max_length=40,
        help_text="For addresses: letters, digits, hyphens.",
        error_messages={"invalid": "A short name has only letters, digits and hyphens. Leave out the rest."},
    )
    time_zone = forms.ChoiceField(label="Time zone", initial="UTC")
    machine = Text(label="First machine", help_text="The name people call it.")
    machine_code = Text(label="Code on the machine", help_text="The barcode that is scanned, or its serial number.")
    chambers = Text(label="Chambers", initial="1", help_text="Their names, separated by commas.")
    programme = Text(label="First programme", initial="Instruments", help_text="Its name on the machine’s display.")
    takes_programmes = takes_programmes()
    takes_racks = takes_racks()

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        zones = forms.ChoiceField(
            label="Time zone",
            initial="UTC",
            choices=[(zone, zone) for zone in sorted(zoneinfo.available_timezones())],
        )
        self.fields["time_zone"] = zones

    def clean_slug(self) -> str:
        slug = str(self.cleaned_data["slug"])
        if Facility.objects.filter(slug=slug).exists():
            raise forms.ValidationError("This short name is taken. Choose another.")
        return slug


class RightsForm(forms.Form):
    """What a person may be here: at least one role, unless they have left."""

    roles = forms.MultipleChoiceField(
        label="Roles", required=False, choices=ROLE_CHOICES, widget=forms.CheckboxSelectMultiple
    )
    competences = forms.MultipleChoiceField(
        label="Competences",
        required=False,
        choices=[(kind, kind.capitalize()) for kind in COMPETENCES],
        widget=forms.CheckboxSelectMultiple,
        help_text="Valid for a year from today.",
    )
    left = forms.BooleanField(label="They have left: nothing here opens to them any more", required=False)

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if "roles" in given and bool(given["roles"]) == given.pop("left", False):
            self.add_error("roles", "Choose the roles, or else say that they have left.")
        return given


class AddPersonForm(PersonFields):
    """A new person, with at least one role."""

    roles = forms.MultipleChoiceField(label="Roles", choices=ROLE_CHOICES, widget=forms.CheckboxSelectMultiple)
    competences = RightsForm.base_fields["competences"]


class TakesForm(forms.Form):
    """What a machine takes, where that is not everything."""

    takes_programmes = takes_programmes()
    takes_racks = takes_racks()


class MachineForm(TakesForm):
    name = Text(label="Name", help_text="The name people call it.")
    code = Text(label="Code on the machine")
    chambers = Text(label="Chambers", initial="1", help_text="Their names, separated by commas.")
    field_order = ("name", "code", "chambers")


class SetForm(forms.Form):
    name = Text(label="Set", max_length=120)
    owner = Text(label="Owner", max_length=120, required=False, help_text="The department it belongs to.")
    labels = Lines(label="Trays", help_text="One label a line: the code on each tray.")
    loaner = forms.BooleanField(label="It is a loaner: it goes back to its owner", required=False)
    needed_by = forms.DateField(
        label="Needed by",
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
        input_formats=["%Y-%m-%d"],
        help_text="For a loaner: the day by which its owner needs it back.",
    )


class ProgrammeForm(forms.Form):
    name = Text(label="Programme", help_text="Its name on the machine’s display.")
    phases = Lines(
        label="Phases",
        help_text=f"One a line: code; title; minutes. Codes: {', '.join(PHASE_CODES)}, or your own.",
    )
    grace = forms.IntegerField(label="Grace, minutes", min_value=0, max_value=720, initial=10)
    criteria = Lines(
        label="Criteria to be read off the record",
        max_length=4000,
        help_text="One a line: kind; what is read. Kinds: disinfection, cleaning, rinse, drying, upper-band,"
        " documentation.",
    )
