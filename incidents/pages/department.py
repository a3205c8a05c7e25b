"""What a department uses and decides: its policy, its racks, its sets with what is missing of each."""

from __future__ import annotations

from datetime import date
from typing import Any
from urllib.parse import urlencode
from uuid import UUID
from zoneinfo import ZoneInfo

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.operations import machines as deeds
from incidents.operations import setting_up
from incidents.operations.deeds import Outcome
from incidents.pages.forms import Lines, Text
from incidents.pages.here import Here, chosen, in_facility, position_of, said, said_shortly
from incidents.pages.programme_limits import requirement_typed, requirements_of
from incidents.queries import facts, policies
from incidents.queries import racks as of_racks
from incidents.queries import sets as of_sets
from incidents.rules import authority
from incidents.rules.events import Shift
from incidents.rules.holds import HOLD_CODES, who_lifts
from incidents.rules.inspection import REJECT_REASONS
from incidents.rules.policies import LONGEST_MIN, ONE_LIFTS
from incidents.rules.refusals import Refusal


def _may_not(here: Here, deed: str) -> Refusal | None:
    return authority.refusal(deed, here.rights.roles, here.rights.competences)


# --- policy -------------------------------------------------------------------------------------------


class ShiftLines(Lines):
    """Shifts, one a line: when it starts, and its name."""

    def to_python(self, value: Any) -> Any:
        lines = [line.strip() for line in super().to_python(value).split("\n")]
        pairs = [line.partition(" ") for line in lines if line]
        return [Shift(starts, name.strip()) for starts, _, name in pairs] or None


class RequirementLines(Lines):
    """What disinfection is asked for, one a line, made into what the policy carries."""

    def to_python(self, value: Any) -> Any:
        try:
            return requirements_of(super().to_python(value))
        except ValueError as error:
            raise forms.ValidationError(f"{error}") from None


class PolicyForm(forms.Form):
    source = Text(label="Source", max_length=400, help_text="The document that these values go by, and its date.")
    same_fault_blocks = forms.IntegerField(
        label="The same fault blocks a machine, times", min_value=2, max_value=100
    )
    same_fault_cycles = forms.IntegerField(label="Within its newest cycles", min_value=2, max_value=10_000)
    silent_min = forms.IntegerField(
        label="A device may be silent for, in minutes",
        required=False,
        min_value=0,
        max_value=LONGEST_MIN,
        help_text="0: nobody is asked to look after a device that is silent.",
    )
    incident_min = forms.IntegerField(
        label="The same fault is one incident within, in minutes",
        required=False,
        min_value=1,
        max_value=LONGEST_MIN,
    )
    rest_may_go_on = forms.MultipleChoiceField(
        label="The rest of a load may go on when a tray was found",
        required=False,
        choices=[(reason, REJECT_REASONS[reason].capitalize()) for reason in ("wet", "soiled")],
        widget=forms.CheckboxSelectMultiple,
        help_text="Unticked: one such tray holds the whole load. A damaged tray holds nothing else.",
    )
    shifts = ShiftLines(
        label="Shifts",
        required=False,
        max_length=400,
        help_text="One a line: when it starts by the wall’s clock, and its name. Each lasts until the next.",
    )
    requirements = RequirementLines(
        label="What disinfection is asked for",
        required=False,
        max_length=4000,
        help_text="One a line: what; from when; source. As in: A0 3000; 2026-01-01; Local rule 7",
    )
    two_people_lift = forms.MultipleChoiceField(
        label="Two people lift these holds, where the trade’s table asks for one",
        required=False,
        choices=[(code, code.replace("-", " ").capitalize()) for code in ONE_LIFTS],
        widget=forms.CheckboxSelectMultiple,
        help_text="The second is a supervisor or infection prevention, and may sign later: held meanwhile.",
    )


@in_facility
def policy(here: Here) -> HttpResponseBase:
    """Read what the facility decides and by which source; an administrator sets new values."""
    form = _policy_form(here, here.request.method == "POST")
    status = 422 if form.is_bound else 200
    if form.is_valid():
        outcome = setting_up.set_policy(here.asks(expecting=False), **form.cleaned_data)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The policy is set. It counts from now on.")
            return redirect("policy", slug=here.facility.slug)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
        status = 409
    return _policy_page(here, form, status)


@require_POST
@in_facility
def set_basis(here: Here) -> HttpResponse:
    """What the evidence rests on in cycles that start from now on."""
    basis: Any = chosen(here.request, "basis", ("transcribed", "computed"))
    outcome = setting_up.set_basis(
        here.asks(expecting=False), basis=basis, source=said(here.request, "basis_source")
    )
    if isinstance(outcome, Refusal):
        return _policy_page(here, _policy_form(here, sent=False), 409, outcome)
    messages.success(here.request, f"Evidence is {basis} in every cycle that starts from now on.")
    return redirect("policy", slug=here.facility.slug)


def _policy_form(here: Here, sent: bool) -> PolicyForm:
    standing = facts.policy(here.facility.id)
    initial = {
        "same_fault_blocks": standing.same_fault_blocks,
        "same_fault_cycles": standing.same_fault_cycles,
        "silent_min": standing.silent_min,
        "incident_min": standing.incident_min,
        "rest_may_go_on": list(standing.rest_may_go_on),
        "shifts": "\n".join(f"{shift.starts} {shift.name}" for shift in standing.shifts),
        "requirements": "\n".join(map(requirement_typed, standing.requirements)),
        "two_people_lift": list(standing.two_people_lift),
    }
    return PolicyForm(here.request.POST if sent else None, initial=initial)


def _policy_page(here: Here, form: PolicyForm, status: int, refusal: Refusal | None = None) -> HttpResponse:
    standing = facts.policy(here.facility.id)
    return here.page(
        "policy.html",
        "set-up" if here.may_set_up else "now",
        status,
        policy=standing,
        lifted_by=[(code.replace("-", " "), who_lifts(code, standing.two_people_lift)) for code in HOLD_CODES],
        two_people=[code.replace("-", " ") for code in standing.two_people_lift],
        rest=[REJECT_REASONS[reason] for reason in standing.rest_may_go_on],
        editions=policies.editions(here.facility.id),
        form=form,
        may_not=_may_not(here, "set_policy"),
        basis=facts.basis(here.facility.id),
        refusal=refusal,
    )


# --- racks --------------------------------------------------------------------------------------------


@in_facility
def racks(here: Here) -> HttpResponseBase:
    """Every rack with its state; an administrator registers one."""
    refusal = None
    if here.request.method == "POST":
        asks = here.asks(expecting=False)
        outcome = deeds.register_rack(
            asks, code=said_shortly(here.request, "code", 80), name=said_shortly(here.request, "name", 80)
        )
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The rack is registered.")
            return redirect("racks", slug=here.facility.slug)
        refusal = outcome
    return here.page(
        "racks.html",
        "loads",
        409 if refusal else 200,
        racks=of_racks.racks(here.facility.id),
        refusal=refusal,
        given=here.request.POST,
        may_not=_may_not(here, "register_rack"),
    )


@in_facility
def rack(here: Here, rack: UUID) -> HttpResponseBase:
    return _rack_page(here, rack)


def _rack_page(here: Here, rack_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    told = of_racks.rack(here.facility.id, rack_id)
    if told is None:
        raise Http404
    deed = "return_rack" if told.blocked else "block_rack"
    status = 409 if refusal else 200
    return here.page("rack.html", "loads", status, rack=told, refusal=refusal, may_not=_may_not(here, deed))


def _done(here: Here, rack: UUID, outcome: Outcome, words: str) -> HttpResponse:
    if isinstance(outcome, Refusal):
        return _rack_page(here, rack, outcome)
    messages.success(here.request, words)
    return redirect("rack", slug=here.facility.slug, rack=rack)


@require_POST
@in_facility
def block_rack(here: Here, rack: UUID) -> HttpResponse:
    outcome = deeds.block_rack(here.asks(expecting=False), rack=rack, words=said(here.request, "words"))
    return _done(here, rack, outcome, "The rack is blocked. No load is assembled on it.")


@require_POST
@in_facility
def return_rack(here: Here, rack: UUID) -> HttpResponse:
    outcome = deeds.return_rack(here.asks(expecting=False), rack=rack, words=said(here.request, "words"))
    return _done(here, rack, outcome, "The rack is back in use.")


# --- sets ---------------------------------------------------------------------------------------------


@in_facility
def sets(here: Here) -> HttpResponseBase:
    """Which sets are whole, and where each missing tray is; loaners first, the soonest needed on top."""
    find = here.request.GET.get("find", "").strip()[:80]
    first = position_of(here.request.GET.get("from", "")) or 0
    found = of_sets.page(here.facility.id, find, first)
    today = here.now.astimezone(ZoneInfo(here.facility.time_zone)).date().isoformat()
    rows: list[dict[str, Any]] = [
        {
            "set": one,
            "needed_by": date.fromisoformat(one.needed_by) if one.needed_by else None,
            "late": bool(one.loaner and one.needed_by and one.needed_by <= today),
            "missing": [tray for tray in one.trays if tray.where],
        }
        for one in found.sets
    ]
    return here.page(
        "sets.html",
        "loads",
        rows=rows,
        whole=sum(one.available for one in found.sets),
        page=found,
        find=find,
        first=first,
        more=urlencode({"find": find, "from": found.more}) if found.more is not None else "",
    )
