"""The wall: what stands on Now in letters that are read at four metres, without anybody's name.

A workstation that an administrator or supervisor made a board of may show it with nobody signed in.
"""

from __future__ import annotations

from django.conf import settings
from django.db import connection
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_POST

from incidents.identity.models import Facility, Person
from incidents.identity.rights import rights
from incidents.pages import live
from incidents.pages.here import Board, Here, sets_workstations
from incidents.pages.now import board_of
from incidents.pages.panes import fresh_panes, tag_of
from incidents.queries import floor

COOKIE = "sluicegate_board"
SALT = "incidents.board"
A_YEAR_S = 365 * 24 * 3600


@never_cache
def wall(request: HttpRequest, slug: str) -> HttpResponseBase:
    """The board of a facility, for its people and for workstations that are its boards; else 404."""
    facility = Facility.objects.filter(slug=slug).first()
    if facility is None or not _may_read(request, facility):
        raise Http404
    board = Board(facility, timezone.now())
    if request.headers.get("HX-Request"):
        return fresh_panes(request, facility, board.now, "wall", lambda: _drawn(request, board, "wall_panes.html"))
    return _drawn(request, board, "wall.html")


def _drawn(request: HttpRequest, board: Board, template: str) -> HttpResponse:
    watch_at = floor.watch_at()
    context = {
        "tag": tag_of(board.facility.id, board.now, "wall"),
        **board_of(board),
        "facility": board.facility,
        "now": board.now,
        "watch_at": watch_at,
        "watch_age_s": int((board.now - watch_at).total_seconds()) if watch_at else None,
    }
    return render(request, template, context)


def stream(request: HttpRequest, slug: str) -> HttpResponseBase:
    """The live stream, for whoever may read the board: it tells how long the log is, and nothing of it."""
    facility = Facility.objects.filter(slug=slug).first()
    if facility is None or not _may_read(request, facility):
        raise Http404
    if not connection.in_atomic_block:
        connection.close()  # a stream that stays open for hours keeps no connection from the others
    return live.response_of(facility.id)


def _may_read(request: HttpRequest, facility: Facility) -> bool:
    if board_facility(request) == facility:
        return True
    today = timezone.now().date()
    return isinstance(request.user, Person) and bool(rights(request.user.id, facility.id, today).roles)


def board_facility(request: HttpRequest) -> Facility | None:
    """The facility whose board this workstation is, by its signed cookie."""
    slug = request.get_signed_cookie(COOKIE, default=None, salt=SALT, max_age=A_YEAR_S)
    return Facility.objects.filter(slug=slug).first() if slug else None


@require_POST
@sets_workstations
def make_board(here: Here) -> HttpResponse:
    """Let this workstation show the board with nobody signed in."""
    response = redirect("wall", slug=here.facility.slug)
    response.set_signed_cookie(
        COOKIE,
        here.facility.slug,
        salt=SALT,
        max_age=A_YEAR_S,
        httponly=True,
        samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )
    return response
