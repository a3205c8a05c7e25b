"""A machine's figures: which faults come faster or come back, whether a repair worked, and on what that rests."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from django.contrib import messages
from django.http import Http404, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe
from django.views.decorators.http import require_POST

from incidents.operations import figures as computing
from incidents.pages.here import Here, Unreadable, in_facility, moment_of, said
from incidents.pages.templatetags.sluicegate import local
from incidents.queries import facts, figure_words, floor
from incidents.queries import figures as looks
from incidents.queries.figures import MachineFigures, Told


@in_facility
def machine_figures(here: Here, machine: UUID) -> HttpResponseBase:
    """The newest figures; with `when` those of the log as it was at a moment of the department's clock."""
    found = facts.machine(here.facility.id, machine)
    if found is None:
        raise Http404
    typed = here.request.GET.get("when", "")
    when = moment_of(here, typed) if typed else None
    position = floor.size_at(here.facility.id, when) if when else None
    told = looks.of_machine(here.facility.id, machine, position)
    shown = [_shown(here, told, one) for one in told.rows] if told else []
    return here.page(
        "machine_figures.html",
        "now",
        machine=found,
        when=when,
        typed=typed,
        unreadable=bool(typed) and when is None,
        figures=told,
        computing=position is not None and told is None and looks.begun(here.facility.id, position),
        headline=figure_words.headline(told) if told else "",
        rows=[one for n, one in enumerate(shown) if n == 0 or one["plot"]],
        few=[one for one in shown[1:] if not one["plot"]],
    )


def _shown(here: Here, figures: MachineFigures, told: Told) -> dict[str, Any]:
    def clock(moment: datetime) -> str:
        return local(moment, here.facility.time_zone)

    statements = list(figure_words.statements(told, clock))
    return {"told": told, "statements": statements, "plot": _plot(figures, told)}


def _plot(figures: MachineFigures, told: Told) -> SafeString | str:
    """Every word in it is escaped where it is drawn."""
    from incidents.analysis import plots  # SciPy: see operations/figures.py

    own = told.own
    if own.trend is None or told.final is None:
        return ""
    law = own.trend.likeliest
    keys = {
        "mle": {"beta": law.shape, "lambda": law.scale},
        "until": float(own.cycles),
        "verdict": told.final.verdict,
        "mil_hdbk_p": own.trend.mil_hdbk_p,
        "lewis_robinson_p": own.trend.lewis_robinson_p,
    }
    returns = [one.cycles for one in figures.watch.returns]
    caption = figure_words.trend(told).sentence
    named = f"plot-{own.fault or 'all'}"
    return mark_safe(
        plots.cumulative(own.at, keys, 0.95, returns=returns, caption=caption, name=named, axis="cycles")
    )


@require_POST
@in_facility
def compute(here: Here, machine: UUID) -> HttpResponse:
    """Have the figures computed of the log as it was at a moment; a worker does it within a minute or two."""
    if facts.machine(here.facility.id, machine) is None:
        raise Http404
    typed = said(here.request, "when")
    when = moment_of(here, typed)
    if when is None:
        raise Unreadable("The moment can’t be read.")
    asked = computing.ask(here.facility.id, here.now, before=floor.size_at(here.facility.id, when))
    if asked is None:
        raise Unreadable("Nothing was recorded yet at that moment.", "Choose a later one.")
    messages.success(here.request, "It is being computed. Look again in two minutes.")
    page = reverse("machine-figures", args=[here.facility.slug, machine])
    return redirect(f"{page}?{urlencode({'when': typed})}")
