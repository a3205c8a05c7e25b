"""What a department uses and decides: its policy, its racks, its sets with what is missing of each."""

from __future__ import annotations

from datetime import date
from typing import Any
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
from incidents.pages.forms import Text
from incidents.pages.here import Here, in_facility, said, said_shortly
from incidents.queries import facts, policies
from incidents.queries import racks as of_racks
from incidents.queries import sets as of_sets
from incidents.rules import authority
from incidents.rules.inspection import REJECT_REASONS
from incidents.rules.refusals import Refusal


def _may_not(here: Here, deed: str) -> Refusal | None:
    return authority.refusal(deed, here.rights.roles, here.rights.competences)


# --- policy -------------------------------------------------------------------------------------------


class PolicyForm(forms.Form):
    source = Text(label="Source", max_length=400, help_text="The document that these values go by, and its date.")
    same_fault_blocks = forms.IntegerField(
        label="The same fault blocks a machine, times", min_value=2, max_value=100
    )
    same_fault_cycles = forms.IntegerField(label="Within its newest cycles", min_value=2, max_value=10_000)
    rest_may_go_on = forms.MultipleChoiceField(
        label="The rest of a load may go on when a tray was found",
        required=False,
        choices=[(reason, REJECT_REASONS[reason].capitalize()) for reason in ("wet", "soiled")],
        widget=forms.CheckboxSelectMultiple,
        help_text="Unticked: one such tray holds the whole load. A damaged tray holds nothing else.",
    )


@in_facility
def policy(here: Here) -> HttpResponseBase:
    """Read what the facility decides and by which source; an administrator sets new values."""
    standing = facts.policy(here.facility.id)
    initial = {
        "same_fault_blocks": standing.same_fault_blocks,
        "same_fault_cycles": standing.same_fault_cycles,
        "rest_may_go_on": list(standing.rest_may_go_on),
    }
    form = PolicyForm(here.request.POST if here.request.method == "POST" else None, initial=initial)
    status = 422 if form.is_bound else 200
    if form.is_valid():
        outcome = setting_up.set_policy(here.asks(expecting=False), **form.cleaned_data)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "The policy is set. It counts from now on.")
            return redirect("policy", slug=here.facility.slug)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
        status = 409
    return here.page(
        "policy.html",
        "set-up" if here.may_set_up else "now",
        status,
        policy=standing,
        rest=[REJECT_REASONS[reason] for reason in standing.rest_may_go_on],
        editions=policies.editions(here.facility.id),
        form=form,
        may_not=_may_not(here, "set_policy"),
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
    found = of_sets.sets(here.facility.id)
    today = here.now.astimezone(ZoneInfo(here.facility.time_zone)).date().isoformat()
    rows: list[dict[str, Any]] = [
        {
            "set": one,
            "needed_by": date.fromisoformat(one.needed_by) if one.needed_by else None,
            "late": bool(one.loaner and one.needed_by and one.needed_by <= today),
            "missing": [tray for tray in one.trays if tray.where],
        }
        for one in found
    ]
    return here.page("sets.html", "loads", rows=rows, whole=sum(one.available for one in found))
