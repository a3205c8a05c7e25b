"""The release label, 100 × 60 mm, and a cycle's record on one page. Black on white.

Both carry the load's number as Code 128 and as GS1 DataMatrix, so that a scan opens the load.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from datetime import datetime
from uuid import UUID

from reportlab.graphics.barcode.code128 import Code128
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.lib.utils import simpleSplit
from reportlab.pdfgen.canvas import Canvas

from incidents.analysis.cycle_plot import HEIGHT, WIDTH
from incidents.identity.models import Person
from incidents.pages import svg_on_paper
from incidents.pages.fonts import BOLD, WRITING, embed, shortened
from incidents.pages.gs1_matrix import Gs1DataMatrix
from incidents.pages.here import Here
from incidents.pages.loads import headline
from incidents.pages.templatetags.sluicegate import local
from incidents.queries import readings
from incidents.queries.story import Story
from incidents.rules import gs1
from incidents.rules.readings import VERDICT_WORDS

LABEL = (100 * mm, 60 * mm)
MARGIN, SIDE = 4 * mm, 15 * mm


def label(here: Here, told: Story) -> bytes:
    embed()
    held, (width, height) = io.BytesIO(), LABEL
    load, release = told.load, told.load.release
    assert release is not None
    canvas = Canvas(held, pagesize=LABEL, invariant=True)
    canvas.setTitle(f"Release label {load.number}")
    matrix = _codes(canvas, load.number, width - MARGIN, height - MARGIN, (MARGIN, 2.5 * mm))
    room = width - 2 * MARGIN - matrix - 3 * mm
    canvas.setFont(BOLD, 20)
    canvas.drawString(MARGIN, height - 10.5 * mm, f"For {release.purpose}")
    canvas.setFont(BOLD, 13)
    canvas.drawString(MARGIN, height - 18 * mm, shortened(load.name, room, 13, BOLD))
    names = _names([release.by])
    who = names.get(release.by, "someone who left")
    rows = [
        f"Released {local(release.at, here.facility.time_zone)[:-3]} by {who}",
        _programme(told),
        f"Evidence {load.basis}" + (f", record {load.records[-1].digest[:12]}" if load.records else ""),
    ]
    at = height - 24 * mm
    canvas.setFont(WRITING, 7.5)
    for row in rows:
        canvas.drawString(MARGIN, at, shortened(row, room, 7.5))
        at -= 4 * mm
    trays = ", ".join(told.going) or ", ".join(tray.label for tray in told.trays)
    for line in simpleSplit(trays, WRITING, 7.5, room)[:2]:
        canvas.drawString(MARGIN, at, line)
        at -= 3.4 * mm
    canvas.setFont(BOLD, 10)
    canvas.drawRightString(width - MARGIN, 8 * mm, load.number)
    canvas.setFont(WRITING, 6)
    canvas.drawString(MARGIN, 12.5 * mm, "Criteria of the washer stage met. Later stages have their own.")
    canvas.drawRightString(width - MARGIN, 4 * mm, shortened(here.facility.on_paper, 45 * mm, 6))
    canvas.showPage()
    canvas.save()
    return held.getvalue()


def record(here: Here, told: Story) -> bytes:
    embed()
    held, (width, height) = io.BytesIO(), A4
    load, kept = told.load, told.load.records[-1]
    zone = here.facility.time_zone
    canvas = Canvas(held, pagesize=A4, invariant=True)
    canvas.setTitle(f"Record of {load.number}")
    room = width - 2 * SIDE
    matrix = _codes(canvas, load.number, width - SIDE, height - 10 * mm, (SIDE, 10 * mm))
    canvas.setFont(BOLD, 17)
    title = f"{load.name} is {headline(told)['words']}"
    canvas.drawString(SIDE, height - 17 * mm, shortened(title, room - matrix - 4 * mm, 17, BOLD))
    verdict = VERDICT_WORDS[kept.verdict]
    at = _lines(
        canvas,
        [
            f"Criteria {verdict} by the record {kept.digest[:16]}, kept {local(kept.at, zone)}.",
            f"{_programme(told)}, in force at its start. Evidence {load.basis}.",
            f"Started {_when(load.started_at, zone)}, ended {_when(load.ended_at, zone)}; {load.machine_name},"
            f" chamber {load.chamber}; {len(load.trays)} trays.",
            *_signed(told, zone),
        ],
        height - 23 * mm,
        room - matrix - 4 * mm,
    )
    picture = readings.picture(here.facility.id, load, kept)
    tall = room / WIDTH * HEIGHT
    at = min(at, height - 32 * mm) - tall
    svg_on_paper.draw(canvas, picture.svg, SIDE, at, room)
    at = _findings(canvas, told, at - 6 * mm, room)
    _lines(canvas, _standing(told), at - 2 * mm, room)
    canvas.setFont(WRITING, 6)
    foot = f"{here.facility.on_paper} · this load after its event {load.version}: leaf {told.leaf}"
    canvas.drawString(SIDE, 6 * mm, shortened(foot, room, 6))
    if len(load.records) > 1:
        canvas.drawRightString(width - SIDE, 12 * mm, f"{len(load.records)} records are kept: this is the newest.")
    canvas.showPage()
    canvas.save()
    return held.getvalue()


def _codes(canvas: Canvas, number: str, right: float, top: float, bars_at: tuple[float, float]) -> float:
    """The matrix at the upper right, the bars there; returns the matrix's width."""
    matrix = Gs1DataMatrix(gs1.element_string([(gs1.INTERNAL, number)]), barWidth=0.4 * mm)
    matrix.x = matrix.y = 0
    width = float(matrix.width)
    matrix.drawOn(canvas, right - width, top - matrix.height)
    bars = Code128(number, barHeight=8 * mm, barWidth=0.33 * mm, humanReadable=False, quiet=True)
    bars.drawOn(canvas, bars_at[0] - bars.lquiet, bars_at[1])
    return width


def _programme(told: Story) -> str:
    force = told.load.programme
    return f"Programme {told.load.programme_name}, edition {force.edition if force else 'unknown'}"


def _when(moment: datetime | None, zone: str) -> str:
    return local(moment, zone) if moment else "not recorded"


def _signed(told: Story, zone: str) -> list[str]:
    load = told.load
    names = _names([review.by for review in load.reviews] + ([load.release.by] if load.release else []))
    found = [f"Reviewed {local(each.at, zone)} by {names.get(each.by, 'someone')}." for each in load.reviews[:2]]
    if load.release:
        who = names.get(load.release.by, "someone")
        found.append(f"Released for {load.release.purpose} {local(load.release.at, zone)} by {who}.")
    return found or ["Nobody has reviewed it."]


def _standing(told: Story) -> list[str]:
    if not told.holds:
        return ["Nothing stands against a release."]
    more = len(told.holds) - 3
    lines = [f"Stands against a release: {board.sentence} {board.who.rstrip('.')}." for board in told.holds[:3]]
    return lines + ([f"And {more} more holds, on the load’s page."] if more > 0 else [])


def _findings(canvas: Canvas, told: Story, at: float, room: float) -> float:
    """Each finding on one line or two: verdict in words, required, found; as many as there is room for."""
    found = told.load.records[-1].findings
    gravity = ("not-met", "not-proven", "met")
    ordered = sorted(found, key=lambda finding: gravity.index(finding.verdict))
    for place, finding in enumerate(ordered):
        words = f"{finding.criterion}: required {finding.required}; found {finding.found}"
        lines = simpleSplit(words, WRITING, 6.5, room - 24 * mm)[:2]
        if at - 3.2 * mm * len(lines) < 34 * mm:
            canvas.setFont(BOLD, 6.5)
            canvas.drawString(SIDE, at, f"And {len(ordered) - place} more findings, on the load’s page.")
            return float(at - 3.2 * mm)
        canvas.setFont(BOLD, 6.5)
        canvas.drawString(SIDE, at, VERDICT_WORDS[finding.verdict].upper())
        canvas.setFont(WRITING, 6.5)
        for line in lines:
            canvas.drawString(SIDE + 24 * mm, at, line)
            at -= 2.9 * mm
        at -= 0.6 * mm
    return at


def _lines(canvas: Canvas, lines: Sequence[str], at: float, room: float) -> float:
    canvas.setFont(WRITING, 8)
    for words in lines:
        for line in simpleSplit(words, WRITING, 8, room)[:2]:
            canvas.drawString(SIDE, at, line)
            at -= 3.7 * mm
    return at


def _names(people: Sequence[UUID]) -> dict[UUID, str]:
    return dict(Person.objects.filter(id__in=set(people)).values_list("id", "name"))
