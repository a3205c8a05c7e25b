"""Shifts, rotas and public holidays: who is on now and next, a swap, a holiday, and the whole calendar as lines."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.operations import escalation as deeds
from incidents.operations.deeds import Outcome
from incidents.pages import rota_lines as lines
from incidents.pages.forms import Moment, Text
from incidents.pages.here import Here, in_facility
from incidents.pages.ladder_lines import LineUnreadable
from incidents.queries import escalation as policy
from incidents.queries import rotas as told
from incidents.queries.listing import people_of
from incidents.queries.rotas import Standing
from incidents.rules import authority
from incidents.rules.escalation_events import Holiday
from incidents.rules.refusals import Refusal
from incidents.rules.rotas import LONGEST_HOLIDAY

LONGEST_LINES = 60_000  # characters
AREA = {"spellcheck": "false"}


class CalendarForm(forms.Form):
    """Rotas and holidays, whole."""

    turns = forms.CharField(
        label="Turns",
        required=False,
        max_length=LONGEST_LINES,
        widget=forms.Textarea(attrs={"rows": 16, **AREA}),
        help_text=lines.TURNS_HELP,
    )
    holidays = forms.CharField(
        label="Public holidays",
        required=False,
        max_length=LONGEST_LINES,
        widget=forms.Textarea(attrs={"rows": 8, **AREA}),
        help_text=lines.HOLIDAYS_HELP,
    )

    def __init__(self, here: Here, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._here = here

    def clean_turns(self) -> Any:
        facility, now = self._here.facility.id, self._here.now
        try:
            people, swaps = told.written_as(facility), told.swaps_of(facility, now)
            return lines.rotas_of(self.cleaned_data["turns"], people, swaps)
        except LineUnreadable as flaw:
            raise forms.ValidationError(str(flaw)) from None

    def clean_holidays(self) -> Any:
        try:
            return lines.holidays_of(self.cleaned_data["holidays"])
        except LineUnreadable as flaw:
            raise forms.ValidationError(str(flaw)) from None


class SwapForm(forms.Form):
    """Somebody takes another's turns for a while."""

    rota = forms.ChoiceField()
    instead_of = forms.ChoiceField()
    person = forms.ChoiceField()
    starts_at = Moment(label="From", help_text="By the clock here.")
    ends_at = Moment(label="Until")

    def __init__(self, here: Here, standing: Standing, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._zone = ZoneInfo(here.facility.time_zone)
        self.fields["rota"] = _choice("Rota", [(one.rota.name, one.rota.name) for one in standing.rotas])
        people = [(str(person.id), person.name) for person in people_of(here.facility.id).order_by("name")]
        on_it = {str(turn.person) for one in standing.rotas for turn in one.rota.turns}
        self.fields["instead_of"] = _choice("Whose turns", [each for each in people if each[0] in on_it])
        self.fields["person"] = _choice("Who takes them", people)

    def clean_starts_at(self) -> datetime:
        return self._utc("starts_at")

    def clean_ends_at(self) -> datetime:
        return self._utc("ends_at")

    def _utc(self, name: str) -> datetime:
        local: datetime = self.cleaned_data[name]
        try:
            return local.replace(tzinfo=self._zone).astimezone(UTC)
        except OverflowError:
            raise forms.ValidationError("This is beyond the calendar. Give another day.") from None

    def clean(self) -> dict[str, Any]:
        given = super().clean() or self.cleaned_data
        if given.get("person") and given["person"] == given.get("instead_of"):
            self.add_error("person", "A swap is between two people. Choose somebody else.")
        if "starts_at" in given and "ends_at" in given and given["starts_at"] >= given["ends_at"]:
            self.add_error("ends_at", "A swap ends after it begins.")
        return given


def _choice(label: str, choices: list[tuple[str, str]]) -> forms.ChoiceField:
    return forms.ChoiceField(label=label, choices=[("", "Choose"), *choices])


class HolidayForm(forms.Form):
    day = forms.DateField(
        label="Day", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"), input_formats=["%Y-%m-%d"]
    )
    name = Text(label="Its name", max_length=LONGEST_HOLIDAY)


@in_facility
def read(here: Here) -> HttpResponseBase:
    return _page(here)


def _page(here: Here, status: int = 200, **forms_filled: Any) -> HttpResponse:
    standing = told.standing(here.facility, here.now)
    in_force = policy.policy_of(here.facility.id).in_force(here.now)
    shown = {"swap": SwapForm(here, standing), "holiday": HolidayForm()} | forms_filled
    return here.page(
        "rotas.html",
        _nav(here),
        status,
        standing=standing,
        may_not=_may_not(here),
        quiet=in_force.told.quiet if in_force else (),
        lines=[(one, lines.turn_lines([one.rota], standing.names).splitlines()) for one in standing.rotas],
        **shown,
    )


def _may_not(here: Here) -> Refusal | None:
    return authority.refusal("set_calendar", here.rights.roles, here.rights.competences)


def _nav(here: Here) -> str:
    return "set-up" if here.may_set_up else "now"


@in_facility
def set_whole(here: Here) -> HttpResponseBase:
    """All turns and holidays in one form. Swaps of a rota that keeps its name stay."""
    calendar = policy.calendar_of(here.facility.id)
    rotas, holidays = (calendar.told.rotas, calendar.told.holidays) if calendar.told else ((), ())
    written = lines.turn_lines(rotas, told.names_to_write(here.facility.id))
    initial = {"turns": written, "holidays": lines.holiday_lines(holidays)}
    form = CalendarForm(here, here.request.POST if here.request.method == "POST" else None, initial=initial)
    if form.is_valid():
        given = form.cleaned_data
        outcome = deeds.set_calendar(here.asks(), holidays=given["holidays"], rotas=given["turns"])
        if not isinstance(outcome, Refusal):
            return _done(here, "The calendar is set.")
        form.add_error(_field_of(outcome), f"{outcome.sentence} {outcome.next_step}")
    standing = told.standing(here.facility, here.now)
    return here.page(
        "calendar_set.html", _nav(here), _status(form), standing=standing, form=form, may_not=_may_not(here)
    )


def _field_of(outcome: Refusal) -> str | None:
    about = outcome.code.partition("-")[0]
    return {"rota": "turns", "day": "holidays", "holiday": "holidays"}.get(about)


def _status(form: forms.Form) -> int:
    return 200 if not form.is_bound else 422 if set(form.errors) - {"__all__"} else 409


@require_POST
@in_facility
def swap(here: Here) -> HttpResponseBase:
    form = SwapForm(here, told.standing(here.facility, here.now), here.request.POST)
    if may_not := _may_not(here):
        return _page(here, 409, refusal=may_not)
    if form.is_valid():
        given = form.cleaned_data
        people = {name: UUID(given[name]) for name in ("person", "instead_of")}
        outcome = deeds.swap_turn(here.asks(expecting=False), **(given | people))
        if not isinstance(outcome, Refusal):
            return _done(here, "The swap is recorded.")
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
    return _page(here, _status(form), swap=form)


@require_POST
@in_facility
def add_holiday(here: Here) -> HttpResponseBase:
    """One more public holiday; all else stays as it is."""
    form = HolidayForm(here.request.POST)
    if may_not := _may_not(here):
        return _page(here, 409, refusal=may_not)
    if form.is_valid():
        outcome = _added(here, form.cleaned_data["day"], form.cleaned_data["name"])
        if not isinstance(outcome, Refusal):
            return _done(here, "The holiday is added.")
        field = "day" if outcome.code == "holiday-twice" else None
        form.add_error(field, f"{outcome.sentence} {outcome.next_step}")
    return _page(here, _status(form), holiday=form)


def _added(here: Here, day: date, name: str) -> Outcome:
    calendar = policy.calendar_of(here.facility.id).told
    rotas, holidays = (calendar.rotas, calendar.holidays) if calendar else ((), ())
    added = Holiday(day.isoformat(), name)
    every = sorted((*(each for each in holidays if each != added), added), key=lambda each: each.day)
    return deeds.set_calendar(here.asks(), holidays=every, rotas=rotas)  # sent twice, it says the same again


def _done(here: Here, sentence: str) -> HttpResponse:
    messages.success(here.request, sentence)
    return redirect("rotas", slug=here.facility.slug)
