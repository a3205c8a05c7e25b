"""What may be done now with a load, and why the rest may not: asked of the rules, for this person."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.urls import reverse

from incidents.pages.here import Here
from incidents.queries.story import Story
from incidents.rules import authority, release, reruns
from incidents.rules.refusals import Refusal

Act = dict[str, Any]
PRIORITY_GLYPHS = {"high": "hi", "medium": "med", "low": "lo"}
OPEN_AT_ONCE = ("start", "rerun")
THIS_PAGE = "Read the load’s page."


def acts_of(here: Here, told: Story) -> list[Act]:
    """Acts of this load for this person: what is open first, each refused one with its reason."""
    acts = list(_acts(here, told))
    opened = [act for act in acts if act["kind"] == "open"]
    if opened and opened[0].get("posts_to") in (None, *OPEN_AT_ONCE):
        opened[0]["main"] = True
    return opened + [act for act in acts if act["kind"] == "refused"]


def _acts(here: Here, told: Story) -> Iterator[Act]:
    load = told.load
    for alarm in load.alarms:
        if alarm.acknowledged_at is None or (load.stage == "stopped" and not alarm.decided):
            url = reverse("alarm", args=[here.facility.slug, "load", load.id, alarm.id])
            seen = alarm.acknowledged_at is not None
            yield {
                "kind": "open",
                "title": f"{alarm.title}.",
                "sentence": "Resume or abort." if seen else "Nobody has seen it.",
                "label": "Decide" if seen else "See the alarm",
                "url": url,
                "glyph": PRIORITY_GLYPHS[alarm.priority] + "-ack" * seen,
            }
    if load.stage == "assembled":
        yield _form(here, told, "start_cycle", "Start its cycle", "once the machine runs.", "start")
    if load.stage in ("running", "stopped"):
        yield _form(here, told, "report_end", "Record its end", "as the machine shows it.", "report-end", "free")
        yield _form(here, told, "report_alarm", "Record an alarm", "that the machine shows.", "report-alarm", "hi")
    if load.stage == "finished" and told.disposition in ("awaiting review", "quarantined"):
        yield _review(here, told)
    placing = _form(here, told, "place_load", "Record its place", "when it is moved.", "place", "scan")
    if told.under_recall:
        yield placing
    yield _release(here, told)
    yield _rerun(here, told)
    for n, board in enumerate(told.holds):
        if board.liftable:
            url = reverse("lift", args=[here.facility.slug, load.id]) + f"?hold={board.key}"
            sentence = f"{board.sentence} {board.who}."
            yield _act(here, told, "lift_hold", f"Lift hold {n + 1}.", sentence, "Lift it", url, "eye")
    if load.stage not in ("running", "stopped", "assembled") and not told.under_recall:
        yield placing
    yield _form(here, told, "hold_load", "Hold it", "with a reason; anyone may.", "hold", "held")


def _act(
    here: Here, told: Story, deed: str, title: str, sentence: str, label: str, url: str, glyph: str = "arrow"
) -> Act:
    """An act that leads to a page of its own."""
    refusal = authority.refusal(deed, here.rights.roles, here.rights.competences)
    if refusal is not None:
        return refused(title, refusal)
    return {"kind": "open", "title": title, "sentence": sentence, "label": label, "url": url, "glyph": glyph}


def _form(
    here: Here, told: Story, deed: str, title: str, sentence: str, posts_to: str, glyph: str = "arrow"
) -> Act:
    """An act whose form opens in place; `posts_to` names its URL and its template."""
    act = _act(here, told, deed, title, sentence, title, "", glyph)
    return act if act["kind"] == "refused" else act | {"form": f"deeds/{posts_to}.html", "posts_to": posts_to}


def refused(title: str, refusal: Refusal) -> Act:
    """The reason names the act by itself, or its title goes before; this page is no next step from this page."""
    sentence = refusal.sentence if refusal.next_step == THIS_PAGE else f"{refusal.sentence} {refusal.next_step}"
    bold, colon, rest = sentence.partition(":")
    if colon and bold.startswith(title.rstrip(".")):
        return {"kind": "refused", "title": f"{bold}:", "sentence": rest.strip()}
    return {"kind": "refused", "title": f"{title.rstrip('.')}:", "sentence": sentence}


def _review(here: Here, told: Story) -> Act:
    url = reverse("review", args=[here.facility.slug, told.load.id])
    if told.load.review is not None and told.load.review.record_seen:
        return refused("Review", Refusal("already-reviewed", "The record was reviewed already.", ""))
    return _act(
        here, told, "review_load", "Review the record", "and state each criterion.", "Review", url, "review"
    )


def _release(here: Here, told: Story) -> Act:
    refusal = release.release_refusal(told.load)
    if refusal is not None:
        return refused("Release", refusal)
    url = reverse("release", args=[here.facility.slug, told.load.id])
    return _act(here, told, "release_load", "Release it", "with your signature.", "Release", url, "released")


def _rerun(here: Here, told: Story) -> Act:
    refusal = reruns.rerun_refusal(told.load)
    if refusal is not None:
        return refused("Re-run", refusal)
    if told.load.reruns and told.reruns and told.reruns[-1].disposition in ("in process", "awaiting review"):
        return refused(
            "Re-run",
            Refusal("rerun-under-way", f"It is being run again as {told.reruns[-1].name}.", "Follow that load."),
        )
    sentence = "as a new, linked load. Only a complete new cycle clears its items."
    return _form(here, told, "rerun_load", "Run it again", sentence, "rerun", "reprocessed")
