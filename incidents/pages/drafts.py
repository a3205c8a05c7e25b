"""The door for what was typed and not sent: kept and given back to its author, and to nobody else."""

from __future__ import annotations

from urllib.parse import urlsplit

import msgspec
from django.http import HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import redirect
from django.urls import Resolver404, resolve
from django.views.decorators.http import require_POST

from incidents.identity import drafts as kept
from incidents.pages.here import Here, Unreadable, in_facility, said
from incidents.pages.templatetags.sluicegate import clock

LONGEST_PATH = 300
LONGEST_TITLE = 120


@in_facility
def drafts(here: Here) -> HttpResponseBase:
    """Keep what stands in a form (204), or give back what its author left on a page."""
    if here.request.method == "POST":
        return _keep(here)
    page = here.request.GET.get("page", "")[:LONGEST_PATH]
    found = kept.kept_by(here.person.id, here.facility.id, here.now, page) if page else []
    told = [
        {
            "form": draft.form,
            "kept_at": clock(draft.kept_at, here.facility.time_zone),
            "fields": msgspec.json.decode(draft.body),
        }
        for draft in found
    ]
    response = JsonResponse({"drafts": told})
    response["Cache-Control"] = "no-store"
    return response


@require_POST
@in_facility
def drop_draft(here: Here) -> HttpResponseBase:
    """Thrown away by its author, from Now. The door of every form forgets it, as of one that was recorded."""
    return redirect("now", slug=here.facility.slug)


def _keep(here: Here) -> HttpResponse:
    """A page that another person left open keeps nothing in this one's name."""
    if here.request.POST.get("author") != str(here.person.id):
        return HttpResponse(status=409)
    fields = kept.fields_of(here.request.POST.get("fields", ""))
    if fields is None:
        raise Unreadable("What was typed can’t be read, or is too long to be kept.", "Send it, or shorten it.")
    form, page = (_path_here(here, name) for name in ("form", "page"))
    title = " ".join(said(here.request, "title").split())[:LONGEST_TITLE]
    kept.keep(here.person.id, here.facility.id, form=form, page=page, title=title, fields=fields, now=here.now)
    return HttpResponse(status=204)


def _path_here(here: Here, name: str) -> str:
    """A posted address of this facility’s own pages, with its query. Raises Unreadable."""
    path = said(here.request, name)
    try:
        fits = (
            path.startswith("/")
            and len(path) <= LONGEST_PATH
            and resolve(urlsplit(path).path).kwargs.get("slug") == here.facility.slug
        )
    except (Resolver404, ValueError):
        fits = False
    if not fits:
        raise Unreadable(f"“{name}” is no page of this facility.", "Open the page again.")
    return path
