"""Held loads by where they stand, so that whoever looks for one knows where to go."""

from __future__ import annotations

from typing import Any

from django.urls import reverse

from incidents.pages.here import Board, Here
from incidents.queries import floor

# The clean side first: a held load has no business there.
PLACES = {
    "clean-side": ("Clean side", "caution"),
    "quarantine": ("Quarantine", "held"),
    "dirty-side": ("Dirty side", "held"),
    "chamber": ("In a chamber", "process"),
}
# And what is told only where there is any.
BESIDES = {
    "again": ("In another cycle since", "reprocessed"),
    "unknown": ("No place recorded since", "caution"),
}
SHOWN = 6


def held_by_place(here: Here | Board) -> list[dict[str, Any]]:
    """The four places with the loads held in each, oldest first, as many as are read at a glance.

    A load whose trays are run again stands nowhere any more: it is named with the load that they are in.
    """
    held = floor.held_loads(here.facility.id)
    groups = []
    for place, (title, glyph) in (PLACES | BESIDES).items():
        loads = [load for load in held if load.place == place]
        if not loads and place in BESIDES:
            continue
        shown = [
            {
                "name": load.name,
                "spot": f"as {load.run_again_as}" if load.run_again_as else load.spot,
                "url": reverse("load", args=[here.facility.slug, load.owner]),
            }
            for load in loads[:SHOWN]
        ]
        groups.append(
            {
                "key": place,
                "title": title,
                "glyph": glyph if loads else "free",
                "count": len(loads),
                "loads": shown,
                "more": len(loads) - len(shown),
                "url": reverse("loads", args=[here.facility.slug]) + "?disposition=quarantined",
            }
        )
    return groups
