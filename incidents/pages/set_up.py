"""Set-up: people, machines and their tokens, programmes, sets and trays, the fault catalogue."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, timedelta
from typing import Any
from uuid import UUID

from django import forms
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity.models import AccessToken, Competence, Membership
from incidents.identity.people import add_person
from incidents.operations import setting_up
from incidents.operations.deeds import Outcome
from incidents.pages.forms import AddPersonForm, MachineForm, ProgrammeForm, SetForm
from incidents.pages.here import Here, set_up
from incidents.queries import department, facts
from incidents.rules.events import Criterion, Phase
from incidents.rules.refusals import Refusal

KINDS = ("disinfection", "cleaning", "rinse", "drying", "upper-band", "documentation")


@set_up
def overview(here: Here) -> HttpResponseBase:
    return here.page("set_up.html", "set-up", department=department.overview(here.facility.id))


def _form_page(
    here: Here,
    form_class: type[forms.Form],
    title: str,
    act: str,
    doing: Callable[[dict[str, Any]], Outcome | None],
    lead: str = "",
) -> HttpResponse:
    """Show a form; when it is sent and whole, do it, and go back to Set-up or say what was refused."""
    form = form_class(here.request.POST if here.request.method == "POST" else None)
    if here.request.method == "POST" and form.is_valid():
        outcome = doing(form.cleaned_data)
        if not isinstance(outcome, Refusal):
            messages.success(here.request, "Done.")
            return redirect("set-up", slug=here.facility.slug)
        form.add_error(None, f"{outcome.sentence} {outcome.next_step}")
    status = 422 if form.is_bound else 200
    return here.page("set_up_form.html", "set-up", status=status, form=form, title=title, act=act, lead=lead)


@set_up
def add_someone(here: Here) -> HttpResponseBase:
    """A person with roles, competences, badge and PIN."""

    def add(given: dict[str, Any]) -> None:
        today = here.now.astimezone(UTC).date()
        with transaction.atomic():
            person = add_person(given)
            for role in given["roles"]:
                Membership.objects.create(facility=here.facility, person=person, role=role)
            for kind in given["competences"]:
                until = today + timedelta(days=365)
                Competence.objects.create(
                    facility=here.facility, person=person, kind=kind, valid_from=today, valid_until=until
                )

    return _form_page(here, AddPersonForm, "Add a person", "Add the person", add)


@set_up
def add_machine(here: Here) -> HttpResponseBase:
    def add(given: dict[str, Any]) -> Outcome:
        return setting_up.register_machine(
            here.asks(expecting=False),
            name=given["name"],
            code=given["code"],
            chambers=given["chambers"].split(","),
        )

    return _form_page(here, MachineForm, "Register a machine", "Register the machine", add)


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
    def publish(given: dict[str, Any]) -> Outcome:
        try:
            phases = [_phase(line) for line in given["phases"].splitlines() if line.strip()]
            criteria = [
                _criterion(n, line) for n, line in enumerate(given["criteria"].splitlines(), 1) if line.strip()
            ]
        except ValueError as error:
            return Refusal("line-unreadable", f"{error}", "Mend the line and send again.")
        return setting_up.publish_programme(
            here.asks(expecting=False),
            name=given["name"],
            phases=phases,
            expected_s=60 * sum(phase.minutes for phase in phases),
            grace_s=60 * given["grace"],
            criteria=criteria,
        )

    lead = "A name that is published already gets its next edition. Loads that have started keep theirs."
    return _form_page(here, ProgrammeForm, "Publish a programme", "Publish", publish, lead)


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
    _, secret = AccessToken.objects.create(
        user=here.person, facility=here.facility, role="device", machine=machine, label=f"Gateway of {found.name}"
    )
    response = here.page("token.html", "set-up", machine=found, secret=secret)
    response["Cache-Control"] = "no-store"
    return response


@require_POST
@set_up
def revoke_token(here: Here, token: str) -> HttpResponse:
    mine = AccessToken.objects.filter(facility=here.facility, token_key=token)
    if not mine.exists():
        raise Http404
    mine.filter(revoked_at=None).update(revoked_at=here.now)
    messages.success(here.request, "The token is revoked.")
    return redirect("set-up", slug=here.facility.slug)
