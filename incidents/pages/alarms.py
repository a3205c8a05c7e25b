"""The alarm deed: seen, decided, placed. One page that always shows the next step."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from incidents.identity.ids import named
from incidents.identity.models import Person
from incidents.operations import alarms as deeds
from incidents.operations.deeds import Outcome
from incidents.pages.here import Here, Unreadable, in_facility, posted_uuid, said, said_shortly
from incidents.pages.hold_tag import Tag, tag_of
from incidents.pages.loads import faults_of, load_page, story_or_404
from incidents.pages.scanning import scan_first, stands_at
from incidents.pages.templatetags.sluicegate import clock
from incidents.queries import facts, floor, machine_story, whereabouts
from incidents.queries.story import Story
from incidents.rules import alarms, authority
from incidents.rules.alarms import Alarm
from incidents.rules.events import Fault, Stream
from incidents.rules.refusals import Refusal

STEPS = ("Scan", "Seen", "Decide", "Place")


@in_facility
def alarm(here: Here, kind: str, owner: UUID, alarm: UUID) -> HttpResponseBase:
    return alarm_page(here, kind, owner, alarm)


def alarm_page(here: Here, kind: str, owner: UUID, alarm_id: UUID, refusal: Refusal | None = None) -> HttpResponse:
    """The step that this alarm stands at; after a refused deed with what was refused (409)."""
    if kind not in ("load", "machine"):
        raise Http404
    told = story_or_404(here, owner) if kind == "load" else None
    holder = told.load if told else machine_story.machine(here.facility.id, owner)
    found = alarms.find(holder, alarm_id) if holder else None
    if holder is None or found is None:
        raise Http404
    load = told.load if told else None
    machine = load.machine if load else owner
    step = _step(found, load)
    if step in ("seen", "decide") and not stands_at(here.request, machine, here.now):
        step = "scan"
    catalogue = facts.catalogue(here.facility.id, load.catalogue_edition or None if load else None)
    fault = alarms.catalogue_entry(catalogue.faults, found.code) if catalogue else None
    refused = _resume_refusal(here, found, load)
    return here.page(
        f"alarm_{step}.html",
        "now",
        status=409 if refusal else 200,
        kind=kind,
        owner=owner,
        holder=holder,
        machine_name=load.machine_name if load else holder.name,
        load=load,
        story=told,
        alarm=found,
        fault=fault,
        catalogue=catalogue,
        instruction=fault.first_instruction if fault else alarms.UNKNOWN_FAULT_INSTRUCTION,
        caution=fault.caution if fault else alarms.UNKNOWN_FAULT_CAUTION,
        resume_refusal=refused,
        resumable=_resumable(fault) if fault else "",
        unseen=[each for each in alarms.standing_with(holder, found) if each.acknowledged_at is None],
        reasons=_reasons(refused),
        halted=sum(each.halt_s for each in load.resumes) if load else 0,
        free=floor.free_chambers(here.facility.id, load) if load else [],
        refusal=refusal,
        tag=_tag(here, told) if told and _is_to_be_run_again(told.load) else None,
        steps=_steps(step) if load and (step != "done" or load.stage == "aborted") else [],
    )


def _reasons(refused: Refusal | None) -> list[tuple[str, str]]:
    """Why a cycle is aborted. That a fault permits no resume is none where a resume is permitted."""
    return [(code, words) for code, words in alarms.ABORT_REASONS.items() if refused or code != "fault"]


def _tag(here: Here, told: Story) -> Tag | None:
    return tag_of(told, here.facility.time_zone, whereabouts.stand(here.facility.id, told.load.id))


def _is_to_be_run_again(load: Any) -> bool:
    return load.stage == "aborted" and not load.reruns


def _step(alarm: Alarm, load: Any) -> str:
    if alarm.acknowledged_at is None:
        return "seen"
    if load is not None and load.stage in ("running", "stopped") and not alarm.decided:
        return "decide"
    if load is not None and load.stage == "aborted" and load.place == "chamber":
        return "place"
    return "done"


def _steps(step: str) -> list[dict[str, str]]:
    names = ["scan", "seen", "decide", "place", "done"]
    at = names.index(step)
    return [
        {"title": title, "state": "done" if n < at else "current" if n == at else "ahead"}
        for n, title in enumerate(STEPS)
    ]


def _resumable(fault: Fault) -> str:
    """Where the catalogue lets somebody resume after this fault."""
    named = [f"in {phase} by a {who}" for phase, who in fault.resume.items() if who != "never"]
    return " or ".join(named) or "in no phase"


def _resume_refusal(here: Here, alarm: Alarm, load: Any) -> Refusal | None:
    if load is None:
        return None
    mine = authority.refusal("resume_cycle", here.rights.roles, here.rights.competences)
    return mine or alarms.resume_refusal(load, alarm, here.rights.roles, here.now)


def _done(here: Here, kind: str, owner: UUID, alarm: UUID, outcome: Outcome, words: str = "") -> HttpResponse:
    """The page of the next step says by itself that this one is done."""
    if isinstance(outcome, Refusal):
        return alarm_page(here, kind, owner, alarm, outcome)
    if words:
        messages.success(here.request, words)
    return redirect("alarm", slug=here.facility.slug, kind=kind, owner=owner, alarm=alarm)


@require_POST
@in_facility
def report_alarm(here: Here, load: UUID) -> HttpResponse:
    """An alarm that the machine shows, typed off its display."""
    asks = here.asks(expecting=False)
    code, phase = said_shortly(here.request, "code"), said_shortly(here.request, "phase")
    known = alarms.catalogue_entry(faults_of(here, story_or_404(here, load)), code)
    outcome: Outcome
    if known is None and said(here.request, "all_the_same") != code:
        outcome = alarms.ask_about_unknown(code)
    else:
        outcome = deeds.report_alarm(asks, load=load, code=code, phase=phase)
    if isinstance(outcome, Refusal):
        return load_page(here, load, outcome)
    alarm = named(asks.deed, "alarm")
    return redirect("alarm", slug=here.facility.slug, kind="load", owner=load, alarm=alarm)


@require_POST
@in_facility
def acknowledge(here: Here, kind: str, owner: UUID, alarm: UUID) -> HttpResponse:
    if kind not in ("load", "machine"):
        raise Http404
    _require_scan(here, story_or_404(here, owner).load.machine if kind == "load" else owner)
    outcome = deeds.acknowledge_alarm(here.asks(expecting=False), stream=Stream(kind, owner), alarm=alarm)
    if isinstance(outcome, Refusal) and outcome.code == "already-acknowledged":
        outcome = _who_saw_it(here, kind, owner, alarm) or outcome
    return _done(here, kind, owner, alarm, outcome)


def _require_scan(here: Here, machine: UUID | None) -> None:
    """An alarm is answered at its machine; a deed sent twice was answered there already. Raises Unreadable."""
    deed = posted_uuid(here.request, "deed")
    if deed is not None and floor.has_deed(here.facility.id, deed):
        return
    if not stands_at(here.request, machine, here.now):
        refusal = scan_first("the machine")
        raise Unreadable(refusal.sentence.removesuffix(" Nothing was written."), refusal.next_step, status=409)


def _who_saw_it(here: Here, kind: str, owner: UUID, alarm_id: UUID) -> Refusal | None:
    """The first acknowledgement, by name and in the facility's own time."""
    told = story_or_404(here, owner).load if kind == "load" else machine_story.machine(here.facility.id, owner)
    found = alarms.find(told, alarm_id) if told else None
    if found is None or found.acknowledged_by is None:
        return None
    name = Person.objects.filter(id=found.acknowledged_by).values_list("name", flat=True).first()
    at = clock(found.acknowledged_at, here.facility.time_zone)
    return Refusal(
        "already-acknowledged",
        f"This alarm was seen already by {name or 'the machine'}, {at}.",
        "Go on with the decision: resume or abort.",
    )


@require_POST
@in_facility
def resume(here: Here, owner: UUID, alarm: UUID) -> HttpResponse:
    _require_scan(here, story_or_404(here, owner).load.machine)
    outcome = deeds.resume_cycle(here.asks(), load=owner, alarm=alarm)
    return _done(here, "load", owner, alarm, outcome, "The resume is recorded.")


@require_POST
@in_facility
def abort(here: Here, owner: UUID, alarm: UUID) -> HttpResponse:
    _require_scan(here, story_or_404(here, owner).load.machine)
    outcome = deeds.abort_cycle(
        here.asks(),
        load=owner,
        reason=here.request.POST.get("reason", ""),
        alarm=alarm,
        words=said(here.request, "words"),
    )
    return _done(here, "load", owner, alarm, outcome)
