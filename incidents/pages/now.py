"""Now: what needs someone, and where every machine stands; and where a scanned code leads."""

from __future__ import annotations

import json
from datetime import timedelta
from itertools import accumulate, groupby
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse

from incidents.identity import drafts
from incidents.identity.models import Person
from incidents.ledger.reading import words_of
from incidents.pages import tour
from incidents.pages.here import Board, Here, Unreadable, in_facility, moment_of
from incidents.pages.panes import fresh_panes, tag_of
from incidents.pages.places import held_by_place
from incidents.pages.scanning import note_scan
from incidents.pages.shift_gauge import shift_gauge
from incidents.pages.templatetags.sluicegate import ago, clock, day, lower_first
from incidents.queries import care, facts, floor, history, joined, loads, search, whereabouts
from incidents.queries.escalation import policy_of
from incidents.queries.floor import Chamber, Matter
from incidents.queries.story import story
from incidents.rules import authority, gs1, paper
from incidents.rules.care import Item
from incidents.rules.events import Stream

GLYPHS = {
    "rerun-due": "reprocessed",
    "held": "held",
    "review-due": "review",
    "outcome-unknown": "overdue",
    "decision-due": "caution",
    "recall": "recall",
    "cycle-without-load": "todo",
    "machine-blocked": "blocked",
    "contamination-due": "caution",
    "forms-missing": "print",
    "alarm-shelved": "clock",
    "message-dead": "caution",
    "exposure": "caution",
    "alarm-unresolved": "caution",
    "device-silent": "offline",
    "observations-missing": "offline",
    "readings-missing": "notproven",
}
WHOLE = [{"title": "", "share": 1.0}]
ALARM_GLYPHS = {"high": "hi", "medium": "med", "low": "lo"}
ACTS = {
    "decision-due": "Decide",
    "rerun-due": "Re-run",
}
A_DAY_S = 24 * 3600
MOST_TOLD = 100
RECALLS = 20  # of more at once, each load’s page says where its trays are


@in_facility
def now(here: Here) -> HttpResponseBase:
    """The page, or only its panes when it asks for itself again; or the past, where a moment is asked for."""
    if here.request.GET.get("when"):
        return _past(here)
    if here.request.headers.get("HX-Request"):
        return fresh_panes(here.request, here.facility, here.now, "now", lambda: _drawn(here, "now_panes.html"))
    return _drawn(here, "now.html")


def _drawn(here: Here, template: str) -> HttpResponse:
    tag = tag_of(here.facility.id, here.now, "now")
    board = board_of(here)
    name_owners(here, board["matters"])
    tell_recalls(here, board["matters"])
    mine = drafts.kept_by(here.person.id, here.facility.id, here.now)
    silent = template == "now.html" and here.may_set_up and not climbs(here)
    return here.page(template, "now", tag=tag, mine=mine, silent=silent, tour=tour.cards(here), **board)


def climbs(here: Here) -> bool:
    """Whether an escalation policy is in force: without one nobody is told of what waits."""
    return policy_of(here.facility.id).in_force(here.now) is not None


def name_owners(here: Here, matters: list[dict[str, Any]]) -> None:
    """Say of each open item who took it, and since when: for a person’s own screen, never for the board."""
    owners = care.owners(here.facility.id, [matter["item"] for matter in matters])
    ids = {matter["taken_by"] for matter in matters} | {owner.person for owner in owners.values()}
    names = dict(Person.objects.filter(id__in=ids - {None}).values_list("id", "name"))
    for matter in matters:
        item: Item = matter["item"]
        owner = owners.get(item)
        name = names.get(owner.person if owner else matter["taken_by"])
        since = f" since {clock(owner.at, here.facility.time_zone)[:5]}" if owner else ""
        matter["owner"] = f"with {name}{since}" if name else "nobody has taken it"
        matter["owner_url"] = url_of_item(here, item)


def url_of_item(here: Here, item: Item) -> str:
    return reverse("open-item", args=[here.facility.slug, item.about.kind, item.about.id, item.key])


def items_of(here: Here, stream: Stream) -> list[dict[str, Any]]:
    """What of a load or machine needs someone, each with the way to its timeline."""
    return [
        {
            "title": row.title,
            "since": row.since,
            "glyph": _glyph(row.kind, row.priority),
            "url": url_of_item(here, care.item_of(row)),
        }
        for row in care.of_stream(here.facility.id, stream)
    ]


def _glyph(kind: str, priority: str) -> str:
    return ALARM_GLYPHS[priority] if kind == "alarm" else GLYPHS.get(kind, "todo")


def _waiting(matters: list[Matter]) -> str:
    """What a screen tells when it is new: unseen alarms, and high priority. Keys begin with the owner."""
    newest = sorted(matters, key=lambda matter: matter.since, reverse=True)
    told = [matter for matter in newest if matter.kind == "alarm" or matter.priority == "high"][:MOST_TOLD]
    keys = [f"{matter.owner}-{matter.alarm or matter.item}-{matter.kind}" for matter in told]
    said = [(matter.title, matter.priority, matter.kind == "alarm") for matter in told]
    return json.dumps(dict(zip(keys, said, strict=True)))


def tell_recalls(here: Here, matters: list[dict[str, Any]]) -> None:
    """Say of the oldest recalls why, and where each tray was last known to be; of each item what was said of it."""
    texts = words_of(here.facility.id, {matter["words"] for matter in matters} - {""})
    recalled = [matter["item"].about.id for matter in matters if matter["kind"] == "recall"][:RECALLS]
    where = whereabouts.of_trays(here.facility.id, recalled)
    for matter in matters:
        matter["said"] = texts.get(matter["words"], "")
        matter["whereabouts"] = where.get(matter["item"].about.id, []) if matter["kind"] == "recall" else []


def _past(here: Here) -> HttpResponseBase:
    """What needed someone as it was known then. Nobody acts on it."""
    moment = moment_of(here, here.request.GET["when"])
    if moment is None:
        raise Unreadable("The moment asked for can’t be read.", "Give a date and a time.")
    size = floor.size_at(here.facility.id, moment)
    return here.page(
        "now_past.html",
        "now",
        when=moment,
        size=size,
        matters=floor.open_items(here.facility.id, before=size),
        passages=floor.passages_at(here.facility.id, size),
    )


def board_of(here: Here | Board) -> dict[str, Any]:
    """What stands on Now and on the wall: nobody's name is in it."""
    matters = floor.open_items(here.facility.id)
    chambers = floor.chambers(here.facility.id)
    alarming = {matter.owner: matter for matter in matters if matter.owner_kind == "machine" and matter.alarm}
    unseen = [matter for matter in matters if matter.kind == "alarm"]
    lanes = [lane_of(here, chamber, alarming.get(chamber.machine)) for chamber in chambers]
    shown = joined.merged(here.facility.id, matters, timedelta(minutes=facts.policy(here.facility.id).incident_min))
    return {
        "gauge": shift_gauge(here, matters),
        "held_places": held_by_place(here),
        "machines": _machines(lanes),
        "ready": sum(matter.kind == "review-due" and matter.title.startswith("Release ") for matter in matters),
        "matters": [_matter(here, matter, first=n == 0) for n, matter in enumerate(shown)],
        "lanes": lanes,
        "tiles": _tiles(here, unseen),
        "unseen": len(unseen),
        "waiting": _waiting(matters),
    }


def _machines(lanes: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Lanes by machine, in their order: one with several chambers is drawn as one thing with a lane for each."""
    groups = [list(group) for _, group in groupby(lanes, key=lambda lane: lane["machine"])]
    return [
        {"name": group[0]["machine_name"], "url": group[0]["url"], "lanes": group, "many": len(group) > 1}
        for group in groups
    ]


def _tiles(here: Here | Board, unseen: list[Matter]) -> list[dict[str, Any]]:
    """What there is of each kind: the oldest alarm, the newest loads by name."""
    counts = floor.counts(here.facility.id)
    oldest = _since(here, min(unseen, key=lambda matter: matter.since)) if unseen else ""
    alarms = {
        "glyph": "hi",
        "count": len(unseen),
        "words": "unseen",
        "detail": f"oldest {oldest}" if oldest else "every alarm was seen",
    }
    named = (
        ("review", "awaiting review", "await review", "no record waits"),
        ("held", "quarantined", "held", "no load is quarantined"),
        ("recall", "under recall", "under recall", "none held after release"),
    )
    return [alarms, *(_tile(here, counts[kind], kind, *words) for kind, *words in named)]


def _tile(here: Here | Board, count: int, kind: str, disposition: str, words: str, none: str) -> dict[str, Any]:
    newest = [row.name for row in loads.newest(here.facility.id, disposition=disposition, limit=2)] if count else []
    more = f" and {count - len(newest)} more" if count > len(newest) else ""
    where = urlencode({"disposition": disposition})
    return {
        "key": kind,
        "glyph": kind,
        "count": count,
        "words": words,
        "detail": ", ".join(newest) + more if newest else none,
        "url": f"{reverse('loads', args=[here.facility.slug])}?{where}",
    }


def _matter(here: Here | Board, matter: Matter, *, first: bool) -> dict[str, Any]:
    return {
        "key": f"matter-{matter.owner}-{matter.alarm or matter.kind}",
        "glyph": _glyph(matter.kind, matter.priority),
        "title": matter.title,
        "detail": f"{matter.priority.capitalize()} · {_since(here, matter)}",
        "age": ago(_age_s(here, matter)),
        "taken_by": matter.taken_by,
        "kind": matter.kind,
        "words": matter.words,
        "item": Item(Stream(matter.owner_kind, matter.owner), matter.item, matter.since),
        "url": url_of(here, matter),
        "act": matter.title.split()[0] if matter.kind == "review-due" else ACTS.get(matter.kind, "Open"),
        "main": first,
    }


def _age_s(here: Here | Board, matter: Matter) -> int:
    return max(0, int((here.now - matter.since).total_seconds()))


def _since(here: Here | Board, matter: Matter) -> str:
    """By the clock within a day, else by the date."""
    words = clock if _age_s(here, matter) < A_DAY_S else day
    return f"since {words(matter.since, here.facility.time_zone)}"


def url_of(here: Here | Board, matter: Matter) -> str:
    slug = here.facility.slug
    if matter.alarm is not None:
        return reverse("alarm", args=[slug, matter.owner_kind, matter.owner, matter.alarm])
    if matter.owner_kind == "machine":
        return reverse("machine", args=[slug, matter.owner])
    if matter.owner_kind == "programme":
        return reverse("programme", args=[slug, matter.owner])
    if matter.owner_kind == "catalogue":
        return reverse("catalogue", args=[slug])
    if matter.owner_kind == "downtime":
        return reverse("downtime", args=[slug])
    if matter.owner_kind == "message":
        return reverse("messages", args=[slug])
    if matter.owner_kind == "facility":
        return reverse("evidence", args=[slug]) + "#restored"
    if matter.kind == "contamination-due":
        return reverse("load-deed", args=[slug, matter.owner, "contamination"])
    return reverse("load", args=[slug, matter.owner]) if matter.owner_kind == "load" else ""


def lane_of(here: Here | Board, chamber: Chamber, alarming: Matter | None) -> dict[str, Any]:
    """A chamber's lane; `alarming` is an unseen alarm of the machine itself."""
    load = chamber.load
    lane: dict[str, Any] = {
        "name": chamber.name,
        "machine": chamber.machine,
        "machine_name": chamber.machine_name,
        "chamber": chamber.chamber,
        "key": f"lane-{chamber.machine}-{chamber.chamber}",
        "url": reverse("machine", args=[here.facility.slug, chamber.machine]),
        "phases": chamber.phases or WHOLE,
        "filled": 0.0,
        "kind": "free",
        "glyph": "free",
    }
    if load is None and alarming is not None:
        return lane | {
            "state_words": "Alarm",
            "detail": "no load is known in it",
            "glyph": ALARM_GLYPHS[alarming.priority],
        }
    if load is None and chamber.blocked is not None:
        return lane | {"state_words": "Blocked", "detail": chamber.blocked, "glyph": "blocked", "kind": "blocked"}
    if load is None:
        ready = f"{chamber.last} was last in it: no other place is recorded" if chamber.last else "ready for a load"
        empty = {"state_words": "Free", "detail": ready, "phases": WHOLE}
        return lane | empty
    lane |= {"load_label": load.name, "load_url": reverse("load", args=[here.facility.slug, load.owner])}
    if load.stage == "assembled":
        return lane | {"state_words": "Waiting", "detail": "a load is assembled for it", "glyph": "todo"}
    lane["filled"] = _filled(here, chamber)
    if load.stage == "stopped":
        detail = lower_first(chamber.alarm.title) if chamber.alarm else "resume or abort"
        seen = chamber.alarm is not None and chamber.alarm.state == "acknowledged"
        glyph = ALARM_GLYPHS[chamber.alarm.priority] + "-ack" * seen if chamber.alarm else "hi"
        return lane | {"state_words": "Stopped", "detail": detail, "glyph": glyph, "kind": "stopped"}
    detail = _time_left(here, chamber)
    return lane | {"state_words": "Running", "detail": detail, "glyph": "process", "kind": "running"}


def _filled(here: Here | Board, chamber: Chamber) -> float:
    """The share of the planned time that has gone by; a plan, not a reading."""
    load = chamber.load
    if load is None or load.started_at is None or load.expected_end_at is None:
        return 0.0
    planned = (load.expected_end_at - load.started_at).total_seconds()
    until = chamber.alarm.raised_at if load.stage == "stopped" and chamber.alarm else here.now
    share = min(1.0, max(0.0, (until - load.started_at).total_seconds() / planned)) if planned else 0.0
    return _within_told(chamber, share) if load.stage == "stopped" else share


def _within_told(chamber: Chamber, share: float) -> float:
    """A stopped cycle stands in the phase that its alarm named, whatever the plan says."""
    ends = list(accumulate(phase.share for phase in chamber.phases))
    told = chamber.alarm.phase if chamber.alarm else ""
    for phase, end in zip(chamber.phases, ends, strict=True):
        if phase.code == told and not end - phase.share <= share <= end:
            return end - phase.share / 2
    return share


def _time_left(here: Here | Board, chamber: Chamber) -> str:
    end = chamber.load.expected_end_at if chamber.load else None
    if end is None:
        return "no expected end is known"
    at = clock(end, here.facility.time_zone)[:5]
    minutes = int((end - here.now).total_seconds() // 60)
    return f"about {minutes} min left, to {at}" if minutes > 0 else f"past its expected end, {at}"


@in_facility
def scan(here: Here) -> HttpResponse:
    """Where a code leads: a machine to its alarm or load, a load or a rack to its page, a tray to where it is."""
    code = gs1.load_number(here.request.GET.get("code", "").strip()[:200])
    slug = here.facility.slug
    machine = facts.machine_by_code(here.facility.id, code) if code else None
    if machine is not None:
        note_scan(here.request, machine.id, here.now)
        meant = _alarm_meant(here)
        if meant is not None and meant[0] != machine.id:
            messages.warning(
                here.request, f"That was {machine.name}. This alarm stands at {meant[1]}: go there and scan it."
            )
            return redirect("alarm", slug=slug, kind=meant[2], owner=meant[3], alarm=meant[4])
        return redirect(_of_machine(here, machine.id))
    load = search.load_by_code(here.facility.id, code) if code else None
    if load is not None:
        return redirect("load", slug=slug, load=load)
    tray = search.tray_by_label(here.facility.id, code) if code else None
    if tray is not None:
        return redirect(reverse("assemble", args=[slug]) + f"?tray={tray}")
    rack = search.rack_by_code(here.facility.id, code) if code else None
    if rack is not None:
        return redirect("rack", slug=slug, rack=rack)
    past = history.load_by_code(here.facility.id, code) if code else None
    if past is not None:
        return redirect("past-load", slug=slug, past=past)
    if paper.is_label(code):
        return redirect(reverse("find-form", args=[slug]) + f"?{urlencode({'number': code})}")
    messages.warning(here.request, f"Nothing here has the code “{code}”. Scan again, or search under Loads.")
    return redirect("now", slug=slug)


def _alarm_meant(here: Here) -> tuple[UUID, str, str, UUID, UUID] | None:
    """The alarm whose page asked for its machine: (machine, its name, kind, owner, alarm); None from elsewhere."""
    kind, _, rest = here.request.GET.get("alarm", "").partition("/")
    try:
        owner, alarm = (UUID(text) for text in rest.split("/"))
    except ValueError:
        return None
    where = floor.machine_of_alarm(here.facility.id, kind, owner)
    return (*where, kind, owner, alarm) if where else None


def to_its_place(here: Here, load: UUID) -> str:
    """Where it is said where a broken load stands: the last step of its alarm, else its own page."""
    slug = here.facility.slug
    told = story(here.facility.id, load)
    seen = [alarm for alarm in told.load.alarms if alarm.acknowledged_at] if told else []
    if told is not None and told.load.stage == "aborted" and seen:
        return reverse("alarm", args=[slug, "load", load, seen[-1].id])
    return reverse("load", args=[slug, load])


def _of_machine(here: Here, machine: UUID) -> str:
    """An unseen alarm of it or of a load that was in it, else its load or what is left in it, or a new one.

    Whoever may assemble none, and whoever scans a blocked machine, comes to the machine's own page.
    """
    slug = here.facility.slug
    alarm = floor.unseen_alarm_of(here.facility.id, machine)
    if alarm is not None:
        return reverse("alarm", args=[slug, alarm.owner_kind, alarm.owner, alarm.alarm])
    stopped = floor.undecided_alarm_of(here.facility.id, machine)
    if stopped is not None:
        return reverse("alarm", args=[slug, "load", stopped.owner, stopped.alarm])
    chambers = [one for one in floor.chambers(here.facility.id) if one.machine == machine]
    inside = [one.load for one in chambers if one.load]
    if inside:
        return reverse("load", args=[slug, inside[0].owner])
    left = [one.left for one in floor.with_what_is_left(here.facility.id, chambers) if one.left]
    if left:
        return to_its_place(here, left[0].owner)
    shut = all(one.blocked is not None for one in chambers)
    if shut or authority.refusal("assemble_load", here.rights.roles, here.rights.competences) is not None:
        return reverse("machine", args=[slug, machine])
    return reverse("assemble", args=[slug]) + f"?machine={machine}"
