"""A load's readings: give a record, look at its curve and what was computed from it, and say that you did."""

from __future__ import annotations

from typing import Any, BinaryIO, cast
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_POST

from incidents.analysis.readings import Columns, preview
from incidents.analysis.readings import Unreadable as NoRecord
from incidents.analysis.readings import read as read_csv
from incidents.operations import readings as deeds
from incidents.pages.here import Here, Unreadable, chosen, in_facility, posted_whole, said
from incidents.pages.loads import done, headline, story_or_404
from incidents.queries import facts, judging
from incidents.queries import readings as of_readings
from incidents.queries.story import Story
from incidents.rules import authority, record_forms
from incidents.rules.events import ColumnMeaning, ProbeReport
from incidents.rules.readings import KIND_NAMES, differences, readers_of
from incidents.rules.readings import review_readings as review_rule
from incidents.rules.refusals import Refusal


@in_facility
def readings(here: Here, load: UUID) -> HttpResponseBase:
    """The record of a load; sent a file, it is kept and judged, or refused with line and column (409)."""
    told = story_or_404(here, load)
    if here.request.method != "POST":
        return _page(here, told)
    file = here.request.FILES.get("record")
    if file is None or file.file is None:
        raise Unreadable("No file was chosen.", "Choose the record’s file, and send it again.")
    outcome = deeds.keep(here.asks(expecting=False), load=load, file=cast(BinaryIO, file.file))
    if isinstance(outcome, Refusal):
        return _page(here, told, outcome)
    return done(here, load, outcome, "The record is kept, and judged by the programme of its start.")


@require_POST
@in_facility
def review(here: Here, load: UUID) -> HttpResponseBase:
    told = story_or_404(here, load)
    outcome = deeds.review_readings(here.asks(), load=load, remark=said(here.request, "remark"))
    if isinstance(outcome, Refusal):
        return _page(here, told, outcome)
    return done(here, load, outcome, "The review is recorded.")


@in_facility
def what_if(here: Here, load: UUID) -> HttpResponseBase:
    """What another edition would have found. The load keeps what it was judged by."""
    told = story_or_404(here, load)
    asked = here.request.GET.get("edition", "")
    edition = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 10 else 0
    try:
        found = of_readings.what_if(here.facility.id, told.load, edition)
    except LookupError as error:
        return _page(here, told, Refusal("record-unreadable", f"The record can’t be read back: {error}.", ""))
    if not found:
        sentence = (
            f"{told.load.name} can’t be judged by edition {asked[:10]}: there is no such edition, or no record."
        )
        return _page(
            here, told, Refusal("no-edition", sentence if asked else "No edition was chosen.", "Choose one.")
        )
    return here.page("what_if.html", "loads", story=told, load=told.load, edition=edition, records=found)


@in_facility
def record_form(here: Here, machine: UUID) -> HttpResponseBase:
    """How a machine's own exports are read: tried on a file first, of which nothing is kept; then set."""
    found = facts.machine(here.facility.id, machine)
    if found is None:
        raise Http404
    stands = facts.record_form(here.facility.id, machine)
    given: dict[str, Any] = {
        "columns": "\n".join(f"{each.column} = {each.signal}" for each in stands.columns) if stands else "",
        "header_line": stands.header_line if stands else 1,
        "probes": "\n".join(f"{each.signal} = {each.report}" for each in stands.probes) if stands else "",
    }
    may_not = authority.refusal("set_record_form", here.rights.roles, here.rights.competences)
    refusal, shown = None, None
    if here.request.method == "POST":
        given = {name: said(here.request, name) for name in ("columns", "probes")}
        given["header_line"] = posted_whole(here.request, "header_line") or 1
        columns = [ColumnMeaning(*pair) for pair in _pairs(given["columns"], "columns")]
        probes = [ProbeReport(*pair) for pair in _pairs(given["probes"], "probes")]
        file = here.request.FILES.get("record")
        if chosen(here.request, "do", ("try", "set")) == "try":
            refusal, shown = _tried(file, columns, given["header_line"])
        else:
            outcome = deeds.set_record_form(
                here.asks(expecting=False),
                machine=machine,
                columns=columns,
                header_line=given["header_line"],
                probes=probes,
            )
            if not isinstance(outcome, Refusal):
                messages.success(here.request, "Its records are read so from now on.")
                return redirect("record-form", slug=here.facility.slug, machine=machine)
            refusal = outcome
    status = 409 if refusal else 200
    more = {"given": given, "may_not": may_not, "refusal": refusal, "shown": shown}
    return here.page("record_form.html", "now", status, machine=found, **more)


Tried = tuple[Refusal | None, dict[str, Any] | None]


def _tried(file: Any, columns: list[ColumnMeaning], header_line: int) -> Tried:
    """What a file shows under these columns: its first rows, and whether all of it can be read. Nothing is kept."""
    if file is None or file.file is None:
        raise Unreadable("No file was chosen to try it on.", "Choose one of the machine’s own exports.")
    flaw = record_forms.set_form(columns, header_line, ())
    if isinstance(flaw, Refusal):
        return flaw, None
    read_as = Columns({each.column: each.signal for each in columns}, header_line)
    theirs: list[str] = []
    ours: list[str] = []
    rows: list[list[str]] = []
    try:
        theirs, ours, rows = preview(file.file, read_as)
        file.file.seek(0)
        record = read_csv(file.file, read_as)
    except NoRecord as error:
        told = {"names": list(zip(theirs, ours, strict=True)), "rows": rows, "read": ""}
        return deeds.unreadable(str(error)), told if theirs else None
    signals = ", ".join(signal.name for signal in record.signals)
    words = f"{record.times.size} rows over {record.times[-1] - record.times[0]:g} s; signals: {signals}."
    return None, {"names": list(zip(theirs, ours, strict=True)), "rows": rows, "read": words}


def _pairs(text: str, name: str) -> list[tuple[str, str]]:
    """Lines “theirs = ours”. Raises Unreadable."""
    pairs = []
    for line in filter(None, map(str.strip, text.split("\n"))):
        left, sign, right = line.rpartition(" = ")
        if not sign:
            raise Unreadable(f"“{line[:40]}” in {name} has no “ = ” between two names.")
        pairs.append((left.strip(), right.strip()))
    return pairs


def _page(here: Here, told: Story, refusal: Refusal | None = None) -> HttpResponse:
    load = told.load
    return here.page(
        "readings.html",
        "loads",
        409 if refusal else 200,
        story=told,
        load=load,
        headline=headline(told),
        refusal=refusal,
        records=[_shown(here, told, n) for n in range(len(load.records))],
        editions=judging.editions_of(here.facility.id, load.programme_name) if load.records else [],
        readers=len(readers_of(load)),
        differing=list(differences(load)),
        may_keep=authority.refusal("keep_readings", here.rights.roles, here.rights.competences) is None,
        may_withdraw=authority.refusal("withdraw_record", here.rights.roles, here.rights.competences) is None,
        may_review=not isinstance(review_rule(load, None), Refusal)
        and authority.refusal("review_readings", here.rights.roles, here.rights.competences) is None,
    )


def _shown(here: Here, told: Story, n: int) -> dict[str, Any]:
    """One record: its picture, its phases, and its findings gravest first."""
    kept = told.load.records[n]
    gravity = ("not-met", "not-proven", "met")
    form = facts.record_form(here.facility.id, told.load.machine) if told.load.machine else None
    reports = {each.signal: each.report for each in form.probes} if form else {}
    try:
        picture = of_readings.picture(here.facility.id, told.load, kept)
    except LookupError as error:
        return {"kept": kept, "number": n + 1, "missing": str(error), "findings": kept.findings}
    return {
        "kept": kept,
        "number": n + 1,
        "svg": mark_safe(picture.svg),  # every word in it is escaped where it is drawn
        "phases": picture.rows,
        "related": [
            {"name": name.replace("_", " "), "report": reports[name]} for name in picture.probes if name in reports
        ],
        "unrelated": [name.replace("_", " ") for name in picture.probes if name not in reports],
        "findings": sorted(kept.findings, key=lambda finding: gravity.index(finding.verdict)),
        "kinds": KIND_NAMES,
    }
