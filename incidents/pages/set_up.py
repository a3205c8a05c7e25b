"""Set-up: people, machines and their tokens, programmes, sets and trays, the fault catalogue."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST
from msgspec.structs import replace

from incidents.identity import tokens
from incidents.identity.ids import named, new_id
from incidents.operations import people, programmes, setting_up
from incidents.operations.deeds import Outcome
from incidents.pages.forms import AddPersonForm, MachineForm, RightsForm, SetForm, TakesForm
from incidents.pages.here import MADE_BEFORE, Here, Unreadable, posted_uuid, set_up
from incidents.pages.now import climbs
from incidents.pages.programme_limits import LimitedProgrammeForm
from incidents.queries import department, facts
from incidents.rules.events import Criterion, Phase
from incidents.rules.refusals import Refusal

# The field that a refusal is about, where it is about one.
FIELDS = {"login-taken": "login", "badge-taken": "badge", "password-weak": "password"}
KINDS = ("disinfection", "cleaning", "rinse", "drying", "upper-band", "documentation")


@set_up
def overview(here: Here) -> HttpResponseBase:
    """What the department is made of; of many, those with what is looked for in their name or code."""
    find = here.request.GET.get("find", "").strip()[:80]
    found = department.overview(here.facility.id, find)
    return here.page("set_up.html", "set-up", department=found, find=find, silent=not climbs(here))


def _form_page(
    here: Here,
    form_class: Callable[..., forms.Form],
    title: str,
    act: str,
    doing: Callable[[dict[str, Any]], Outcome | None],
    lead: str = "",
    stands: dict[str, Any] | None = None,
    done: str = "Done.",
) -> HttpResponse:
    """Show a form; when it is sent and whole, do it, and go back to Set-up or say what was refused."""
    form = form_class(here.request.POST if here.request.method == "POST" else None, initial=stands)
    if here.request.method == "POST" and form.is_valid():
        outcome = doing(form.cleaned_data)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, done)
            return redirect("set-up", slug=here.facility.slug)
        field = FIELDS.get(outcome.code)
        form.add_error(field if field in form.fields else None, f"{outcome.sentence} {outcome.next_step}")
    status = 422 if form.is_bound else 200
    return here.page("set_up_form.html", "set-up", status=status, form=form, title=title, act=act, lead=lead)


@set_up
def add_someone(here: Here) -> HttpResponseBase:
    """A person with roles, competences, badge and PIN."""

    def add(given: dict[str, Any]) -> Outcome:
        return people.add_person(here.asks(expecting=False), **given)

    return _form_page(here, AddPersonForm, "Add a person", "Add the person", add)


@set_up
def set_rights(here: Here, person: UUID) -> HttpResponseBase:
    """The roles and competences of somebody who is here already."""
    found = department.rights_of(here.facility.id, person)
    if found is None:
        raise Http404

    def give(given: dict[str, Any]) -> Outcome:
        return people.set_rights(here.asks(expecting=False), person=person, **given)

    lead = "From now on these are all of them. What was done under the others stands."
    stands = {"roles": found.roles, "competences": found.competences}
    return _form_page(here, RightsForm, f"What {found.name} may do", "Set it", give, lead, stands)


@set_up
def add_machine(here: Here) -> HttpResponseBase:
    def add(given: dict[str, Any]) -> Outcome:
        return setting_up.register_machine(
            here.asks(expecting=False),
            name=given["name"],
            code=given["code"],
            chambers=given["chambers"].split(","),
            **_taken(given),
        )

    return _form_page(here, MachineForm, "Register a machine", "Register the machine", add)


@set_up
def limit_machine(here: Here, machine: UUID) -> HttpResponseBase:
    """The programmes and racks that a machine takes, where that is not all."""
    found = facts.machine(here.facility.id, machine)
    if found is None:
        raise Http404

    def limit(given: dict[str, Any]) -> Outcome:
        return setting_up.limit_machine(here.asks(expecting=False), machine=machine, **_taken(given))

    title = f"What {found.name} takes"
    lead = "No other programme and no other rack is started in it. Its instructions for use say which it takes."
    stands = {
        "takes_programmes": "\n".join(found.takes.programmes),
        "takes_racks": "\n".join(found.takes.racks),
    }
    return _form_page(here, TakesForm, title, "Set it", limit, lead, stands)


def _taken(given: dict[str, Any]) -> dict[str, list[str]]:
    return {"programmes": given["takes_programmes"].splitlines(), "racks": given["takes_racks"].splitlines()}


@set_up
def add_set(here: Here) -> HttpResponseBase:
    def add(given: dict[str, Any]) -> Outcome:
        return setting_up.register_set(
            here.asks(expecting=False),
            name=given["name"],
            owner=given["owner"],
            labels=given["labels"].splitlines(),
            loaner=given["loaner"],
            needed_by=given["needed_by"].isoformat() if given["needed_by"] else "",
        )

    return _form_page(here, SetForm, "Register a set", "Register the set", add)


@set_up
def add_programme(here: Here) -> HttpResponseBase:
    """The draft of a new name; like every edition it is in force once a second person approves it."""

    def draft(given: dict[str, Any]) -> Outcome:
        told = programme_of(given)
        if isinstance(told, Refusal):
            return told
        return programmes.draft_programme(replace(here.asks(expecting=False), expected_version=0), **told)

    lead = "The first edition of a new name. It is in force once a second person has read and approved it."
    done = "The draft stands. A second person compares and approves it: it waits on Now."
    form = partial(LimitedProgrammeForm, requirements=facts.policy(here.facility.id).requirements)
    return _form_page(here, form, "Draft a programme", "Draft it", draft, lead, done=done)


def programme_of(given: dict[str, Any]) -> dict[str, Any] | Refusal:
    """A programme as its form was filled, as the deeds take it."""
    try:
        phases = [_phase(line) for line in given["phases"].splitlines() if line.strip()]
        criteria = [_criterion(n, line) for n, line in enumerate(given["criteria"].splitlines(), 1) if line.strip()]
    except ValueError as error:
        return Refusal("line-unreadable", f"{error}", "Mend the line and send again.")
    return {
        "name": given["name"],
        "phases": phases,
        "expected_s": 60 * sum(phase.minutes for phase in phases),
        "grace_s": 60 * given["grace"],
        "criteria": criteria,
        "limits": given["limits"],
        "resuming": given["resuming"],
    }


def _phase(line: str) -> Phase:
    parts = [part.strip() for part in line.split(";")]
    if len(parts) != 3 or not parts[0] or not parts[2].isdigit() or len(parts[2]) > 4:
        raise ValueError(f"“{line.strip()[:60]}” is not a phase: code; title; minutes.")
    return Phase(parts[0], parts[1] or parts[0], int(parts[2]))


def _criterion(number: int, line: str) -> Criterion:
    kind, _, title = (part.strip() for part in line.partition(";"))
    if kind not in KINDS or not title:
        raise ValueError(
            f"“{line.strip()[:60]}” is not a criterion: kind; what is read. Kinds: {', '.join(KINDS)}."
        )
    known: Any = kind
    return Criterion(f"{kind}-{number}", title, known)


@require_POST
@set_up
def make_token(here: Here, machine: UUID) -> HttpResponse:
    """A token for one machine's gateway; its secret is shown on this answer and never again."""
    found = facts.machine(here.facility.id, machine)
    if found is None:
        raise Http404
    deed = named(posted_uuid(here.request, "deed") or new_id(), f"token {machine}")
    try:
        secret = tokens.make_for_machine(here.person, here.facility, machine, f"Gateway of {found.name}", deed)
    except tokens.MadeBefore:
        raise Unreadable(*MADE_BEFORE, status=409) from None
    response = here.page("token.html", "set-up", machine=found, secret=secret)
    response["Cache-Control"] = "no-store"
    return response


@require_POST
@set_up
def revoke_token(here: Here, token: str) -> HttpResponse:
    if not tokens.revoke(here.facility.id, token, here.person.id, here.rights.roles, here.now):
        raise Http404
    messages.success(here.request, "The token is revoked.")
    return redirect("set-up", slug=here.facility.slug)
