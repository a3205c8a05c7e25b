"""What may be done now with a load, and why the rest may not: asked of the rules, for this person."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse

from incidents.pages.here import Here
from incidents.queries.rounds import unheard
from incidents.queries.story import Board, Story
from incidents.rules import authority, release, reruns
from incidents.rules.holds import may_sign_to_lift
from incidents.rules.readings import second_reading_refusal
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
            yield _lift(here, told, n + 1, board)
    if load.stage not in ("running", "stopped", "assembled") and not told.under_recall:
        yield placing
    yield _form(here, told, "hold_load", "Hold it", "with a reason; anyone may.", "hold", "held")


def _lift(here: Here, told: Story, number: int, board: Board) -> Act:
    """Lift a hold; where one of two has signed, the other signs, or they see that this no longer counts."""
    signed = board.first is not None
    query = "?" + urlencode({"hold": board.key})
    url = reverse("lift-second" if signed else "lift", args=[here.facility.slug, told.load.id]) + query
    title = f"Second signature for hold {number}." if signed else f"Lift hold {number}."
    if not may_sign_to_lift(board.code, here.rights.roles, (board.code,) if board.people > 1 else ()):
        return refused(title, Refusal("may-not-lift", f"{board.who}.", "Ask them to sign."))
    sentence = f"{board.sentence} {board.who}."
    return _act(here, told, "lift_hold", title, sentence, "Open it" if signed else "Lift it", url, "eye")


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
    if told.load.records:
        return _review_readings(here, told)
    url = reverse("review", args=[here.facility.slug, told.load.id])
    if told.load.basis == "computed" and not told.load.reviews:
        words = "by its readings; or two people read the machine’s strip."
        to_readings = reverse("readings", args=[here.facility.slug, told.load.id])
        return _act(here, told, "keep_readings", "Give its record", words, "Readings", to_readings, "review")
    if told.load.basis == "computed" and second_reading_refusal(told.load, here.person.id) is None:
        words = "as a second person, by yourself, before you see what the first one read."
        return _act(here, told, "review_load", "Read the strip", words, "Review", url, "review")
    if told.load.review is not None and told.load.review.record_seen:
        return refused("Review", Refusal("already-reviewed", "The record was reviewed already.", ""))
    return _act(
        here, told, "review_load", "Review the record", "and state each criterion.", "Review", url, "review"
    )


def _review_readings(here: Here, told: Story) -> Act:
    url = reverse("readings", args=[here.facility.slug, told.load.id])
    reviewed = told.load.review is not None and told.load.review.record_seen
    words = "its curve, and what was computed from it."
    if told.load.basis != "computed" and not reviewed:
        url = reverse("review", args=[here.facility.slug, told.load.id])
        words = "and state each criterion."
    title = "Look at the readings again:" if reviewed else "Review the record:"
    return _act(here, told, "review_load", title, words, "Readings" if reviewed else "Review", url, "review")


def _release(here: Here, told: Story) -> Act:
    refusal = release.release_refusal(told.load) or unheard(here.facility.id, told.load)
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
