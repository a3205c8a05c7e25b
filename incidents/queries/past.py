"""What stood when the log was shorter: rows by the positions between which they were known.

A row stood at a size if it began before it and had not ended. Neither end alone finds few rows in a long log,
so rows are looked for by how long they stood: of those that stood for at most 16 positions, only the ones that
began within the last 16 can still have stood, and so on. Migration 0011 has the index.
"""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet

SPANS = (16, 256, 4096, 65_536, 1_048_576)
FOR_EVER = 0
SPAN = (
    f"(CASE {' '.join(f'WHEN known_to - known_from <= {span} THEN {span}' for span in SPANS)} ELSE {FOR_EVER} END)"
)


def standing_at(rows: QuerySet[Any], before: int | None) -> list[Any]:
    """Those that stood when the log had this size; None: that stand now."""
    still = rows.filter(known_to=None)
    if before is None:
        return list(still)
    found = list(still.filter(known_from__lt=before))
    for span in (*SPANS, FOR_EVER):
        began = {"known_from__gte": before - span} if span else {}
        ended = rows.filter(known_from__lt=before, known_to__gte=before, known_to__isnull=False, **began)
        found += ended.extra(where=[f"{SPAN} = {span}"])
    return found
