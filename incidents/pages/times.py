"""How long alarms wait to be seen and resolved, and broken loads to be run again: of groups, never of people."""

from __future__ import annotations

from typing import Any

from django.http import HttpResponseBase

from incidents.pages.here import Here, in_facility
from incidents.queries import answering, joined
from incidents.queries.answering import Line, Spread

DAYS = {"7": "7 days", "30": "30 days", "90": "90 days"}
BY = {"all": "All together", "fault": "By fault", "machine": "By machine", "shift": "By shift"}
CLOCKS = (("Seen", "acknowledge"), ("Resolved", "resolve"), ("Run again", "re-run"))


@in_facility
def times(here: Here) -> HttpResponseBase:
    """Of the last 30 days, or as many as are chosen; and the incidents under way."""
    days = here.request.GET.get("days", "30")
    days = days if days in DAYS else "30"
    told = answering.times(here.facility.id, *answering.window(int(days), here.now))
    tables = [
        (title, rows) for by, title in BY.items() if (rows := [_row(each) for each in told.lines if each.by == by])
    ]
    return here.page(
        "times.html",
        "evidence",
        told=told,
        tables=tables,
        clocks=[title for title, _ in CLOCKS],
        days=days,
        choices=DAYS.items(),
        under_way=joined.under_way(here.facility.id),
    )


def _row(line: Line) -> dict[str, Any]:
    spreads = (line.acknowledge, line.resolve, line.rerun)
    cells = [
        {"title": title, "words": _words(spread, clock in line.few), "detail": _detail(spread)}
        for (title, clock), spread in zip(CLOCKS, spreads, strict=True)
    ]
    return {"name": line.name, "cells": cells}


def _words(spread: Spread | None, few: bool) -> str:
    if spread is None:
        return "Not shown: fewer than five people" if few else "None"
    return f"Half {_span(spread.median_s)}; 90 % {_span(spread.p90_s)}"


def _detail(spread: Spread | None) -> str:
    if spread is None:
        return ""
    return f"{spread.served} done" + (f", {spread.waiting} still waiting" if spread.waiting else "")


def _span(seconds: float | None) -> str:
    """Too few are done to say: the rest still waits."""
    if seconds is None:
        return "not yet"
    minutes = round(seconds / 60)
    if minutes < 1:
        return "within 1 min"
    return f"within {minutes} min" if minutes < 120 else f"within {minutes // 60} h {minutes % 60} min"
