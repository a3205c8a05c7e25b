"""Coming in: first run, sign-in by badge and PIN or by password, sign-out."""

from __future__ import annotations

from typing import Any

from django.contrib.auth import login, logout
from django.http import HttpRequest, HttpResponse, HttpResponseBase, QueryDict
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from incidents.identity import proving
from incidents.identity.ids import new_id
from incidents.identity.models import Person
from incidents.identity.rights import facilities_of
from incidents.operations import founding
from incidents.pages.forms import BadgeForm, FirstRunForm, PasswordForm
from incidents.pages.here import Board
from incidents.pages.now import board_of
from incidents.pages.wall import board_facility
from incidents.rules.refusals import Refusal


@never_cache
def root(request: HttpRequest) -> HttpResponse:
    """Where a bare address leads: first run, sign-in, or the person's facility."""
    if not Person.objects.exists():
        return redirect("first-run")
    if not isinstance(request.user, Person):
        return redirect("sign-in")
    mine = facilities_of(request.user)
    if len(mine) == 1:
        return redirect("now", slug=mine[0].slug)
    return render(request, "facilities.html", {"facilities": mine, "person": request.user})


@never_cache
@require_http_methods(["GET", "POST"])
def sign_in(request: HttpRequest) -> HttpResponseBase:
    """Badge and PIN, or a password. Whoever was signed in before is signed out on the server."""
    if not Person.objects.exists():
        return redirect("first-run")
    by_password = request.GET.get("by") == "password"
    form: BadgeForm | PasswordForm = (PasswordForm if by_password else BadgeForm)(_posted(request))
    if request.method == "POST" and form.is_valid():
        person = _known(request, form.cleaned_data, by_password=by_password)
        if person is not None:
            request.session.flush()  # a new session, also for the same person
            login(request, person)
            return redirect(_onward(request))
        form.add_error(None, "That did not match. Nothing was opened. Try again, or use the other way in.")
    context = {"form": form, "by_password": by_password, "next": request.GET.get("next", ""), **_board(request)}
    return render(request, "sign_in.html", context, status=422 if form.is_bound else 200)


def _board(request: HttpRequest) -> dict[str, Any]:
    """What a workstation that is a board goes on showing while nobody is signed in: no names, no links."""
    facility = board_facility(request)
    if facility is None:
        return {"lanes": None}
    shown = board_of(Board(facility, timezone.now()))
    lanes = [lane | {"url": "", "load_url": ""} for lane in shown["lanes"]]
    return {"lanes": lanes, "tiles": shown["tiles"], "facility_shown": facility}


def _posted(request: HttpRequest) -> QueryDict | None:
    return request.POST if request.method == "POST" else None


def _known(request: HttpRequest, given: dict[str, Any], *, by_password: bool) -> Person | None:
    if by_password:
        return proving.by_password(request, given["login"], given["password"])
    return proving.by_badge(request, given["badge"], given["pin"])


def _onward(request: HttpRequest) -> str:
    wanted = request.GET.get("next", "")
    if url_has_allowed_host_and_scheme(wanted, {request.get_host()}, request.is_secure()):
        return wanted
    return "/"


@require_POST
def sign_out(request: HttpRequest) -> HttpResponse:
    logout(request)
    return redirect("sign-in")


@never_cache
@require_http_methods(["GET", "POST"])
def first_run(request: HttpRequest) -> HttpResponseBase:
    """The first visit: an administrator, a facility, its first machine, programme and fault catalogue."""
    if Person.objects.exists():
        return redirect("root")
    form = FirstRunForm(_posted(request))
    if request.method == "POST" and form.is_valid():
        founded = founding.found(form.cleaned_data, new_id(), timezone.now())
        if not isinstance(founded, Refusal):
            login(request, founded, backend="incidents.identity.backends.LoginAndPassword")
            return redirect("set-up", slug=form.cleaned_data["slug"])
        form.add_error(None, f"{founded.sentence} {founded.next_step}")
    return render(request, "first_run.html", {"form": form}, status=422 if form.is_bound else 200)
