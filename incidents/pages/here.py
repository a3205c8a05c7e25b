"""Who stands where: the facility in the address, the person in the session, and the moment of the request.

What belongs to another facility answers 404, with the same body as what never existed.
"""

from __future__ import annotations

import functools
import unicodedata
import zoneinfo
from collections.abc import Callable, Collection
from datetime import UTC, datetime
from typing import Any, Concatenate, NamedTuple, ParamSpec
from urllib.parse import urlsplit
from uuid import UUID

from django.contrib.auth.views import redirect_to_login
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django_htmx.http import HttpResponseClientRedirect

from incidents.identity import drafts
from incidents.identity.ids import new_id
from incidents.identity.models import Facility, Person
from incidents.identity.rights import Rights, day_of, rights
from incidents.operations.deeds import Doer, Request
from incidents.queries import floor
from incidents.rules import authority
from incidents.rules.events import Actor

P = ParamSpec("P")
NO_FACILITY = Facility(id=UUID(int=0), time_zone="UTC")


class Here(NamedTuple):
    request: HttpRequest
    facility: Facility
    person: Person
    rights: Rights
    now: datetime

    @property
    def may_set_up(self) -> bool:
        return authority.administers(self.rights.roles)

    def asks(self, *, expecting: bool = True) -> Request:
        """The deed that this form posts: its id and the version that stood on the screen travel in it."""
        return Request(
            deed=posted_uuid(self.request, "deed") or new_id(),
            facility=self.facility.id,
            by=Doer(Actor("person", self.person.id), self.rights.roles, self.rights.competences),
            now=self.now,
            expected_version=self._seen_version() if expecting else None,
        )

    def _seen_version(self) -> int:
        version = posted_whole(self.request, "version")
        if version is None:
            raise Unreadable("The page does not say what you saw.", "Open the load’s page again.")
        return version

    def context(self, nav: str, **more: Any) -> dict[str, Any]:
        watch_at = floor.watch_at()
        return {
            "facility": self.facility,
            "person": self.person,
            "person_roles": ", ".join(role.replace("-", " ") for role in self.rights.roles),
            "may_set_up": self.may_set_up,
            "sets_workstations": authority.sets_workstations(self.rights.roles),
            "nav": nav,
            "now": self.now,
            "watch_at": watch_at,
            "watch_age_s": int((self.now - watch_at).total_seconds()) if watch_at else None,
            "log": floor.log_head(self.facility.id),
            "deed": new_id(),
            **more,
        }

    def page(self, template: str, nav: str, status: int = 200, **more: Any) -> HttpResponse:
        return render(self.request, template, self.context(nav, **more), status=status)


class Board(NamedTuple):
    """A facility's board read by nobody in particular."""

    facility: Facility
    now: datetime


View = Callable[Concatenate[Here, P], HttpResponseBase]
Page = Callable[..., HttpResponseBase]


def in_facility(view: View[P]) -> Page:
    """A page of a facility, for people who have a role in it."""

    @functools.wraps(view)
    def seen(request: HttpRequest, slug: str, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        if not isinstance(request.user, Person):
            return _to_sign_in(request, slug)
        now = timezone.now()
        facility = Facility.objects.filter(slug=slug).first()
        asked = facility or NO_FACILITY  # looked up all the same, so that no clock tells a foreign one from none
        found = rights(request.user.id, asked.id, day_of(now, asked.time_zone))
        if facility is None or not found.roles:
            raise Http404
        here = Here(request, facility, request.user, found, now)
        try:
            return _sent(here, view(here, *args, **kwargs))
        except Unreadable as unread:
            return here.page(
                "problem.html",
                "now",
                status=unread.status,
                title="That could not be read",
                sentence=unread.sentence,
                next_step=unread.next_step,
                next_url=_to_come_back_to(request, slug),
                next_label="Go back",
            )

    return seen


def _sent(here: Here, answer: HttpResponseBase) -> HttpResponseBase:
    """Once a form is sent and done, what was kept of it is forgotten; what can be mended stays."""
    form = here.request.POST.get("draft", "") if here.request.method == "POST" else ""
    if form and answer.status_code == 302:
        drafts.drop(here.person.id, here.facility.id, form)
    return answer


def _to_sign_in(request: HttpRequest, slug: str) -> HttpResponseBase:
    """A page that refreshes a part of itself is led away whole; else that part would show the sign-in."""
    answer = redirect_to_login(_to_come_back_to(request, slug))
    return HttpResponseClientRedirect(answer.url) if request.headers.get("HX-Request") else answer


def _to_come_back_to(request: HttpRequest, slug: str) -> str:
    """The page that was asked for; after a form, the page that it stood on, for nothing of it was recorded."""
    if request.method in ("GET", "HEAD"):
        return request.get_full_path()
    came_from = urlsplit(request.headers.get("Referer", ""))
    return came_from.path if came_from.netloc == request.get_host() else reverse("now", args=[slug])


def sets_workstations(view: View[P]) -> Page:
    """What a workstation is for is said by those whom the authority table names."""

    @functools.wraps(view)
    def seen(here: Here, /, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        if not authority.sets_workstations(here.rights.roles):
            return here.page(
                "problem.html",
                "now",
                status=403,
                title="A supervisor or administrator says what a workstation is for",
                sentence="You have neither role in this facility.",
                next_step="Ask one of them.",
            )
        return view(here, *args, **kwargs)

    return in_facility(seen)


def set_up(view: View[P]) -> Page:
    """A page of Set-up, for administrators."""

    @functools.wraps(view)
    def seen(here: Here, /, *args: P.args, **kwargs: P.kwargs) -> HttpResponseBase:
        if not here.may_set_up:
            return here.page(
                "problem.html",
                "set-up",
                status=403,
                title="Set-up is for administrators",
                sentence="You have no administrator’s role in this facility.",
                next_step="Ask an administrator.",
                next_url=reverse("now", args=[here.facility.slug]),
                next_label="Back to Now",
            )
        return view(here, *args, **kwargs)

    return in_facility(seen)


def position_of(text: str) -> int | None:
    """A position in the log as a link names it; None for anything else."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else None


def moment_of(here: Here, text: str) -> datetime | None:
    """A moment typed by the facility's own clock, in UTC; None where it can't be read."""
    try:
        local = datetime.fromisoformat(text)
        if local.tzinfo is not None:
            return None
        return local.replace(tzinfo=zoneinfo.ZoneInfo(here.facility.time_zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        return None


MADE_BEFORE = (
    "This form made a token already, and its secret was shown then.",
    "If nobody has the secret, revoke that token and make another.",
)


class Unreadable(Exception):
    """A form says something that can't be read; nothing is guessed, and nothing was written."""

    def __init__(
        self, sentence: str, next_step: str = "Go back, look, and send it again.", status: int = 400
    ) -> None:
        super().__init__(sentence)
        self.sentence = f"{sentence} Nothing was written."
        self.next_step = next_step
        self.status = status


def said(request: HttpRequest, name: str) -> str:
    """A posted text, trimmed and in Unicode's composed form."""
    return unicodedata.normalize("NFC", request.POST.get(name, "").replace("\r\n", "\n")).strip()


def said_shortly(request: HttpRequest, name: str, limit: int = 40) -> str:
    """A posted text that must be there and fit its field. Raises Unreadable."""
    text = said(request, name)
    if not 0 < len(text) <= limit:
        raise Unreadable(f"“{name.replace('_', ' ')}” needs 1 to {limit} characters.")
    return text


def chosen(request: HttpRequest, name: str, choices: Collection[str]) -> str:
    """A posted choice. Raises Unreadable where none, or none of these, was made."""
    text = request.POST.get(name, "")
    if text not in choices:
        raise Unreadable(f"Nothing was chosen for “{name.replace('_', ' ')}”.")
    return text


def posted_uuid(request: HttpRequest, name: str) -> UUID | None:
    """A posted id, None where the field is empty. Raises Unreadable."""
    text = request.POST.get(name, "")
    return uuid_of(text, name) if text else None


def uuid_of(text: str, name: str) -> UUID:
    try:
        return UUID(text)
    except ValueError:
        raise Unreadable(f"The page’s “{name}” can’t be read.", "Open the page again.") from None


def posted_whole(request: HttpRequest, name: str) -> int | None:
    """A posted whole number of 0 or more, None where the field is empty. Raises Unreadable."""
    text = request.POST.get(name, "").strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit()) or len(text) > 15:
        raise Unreadable(f"“{name.replace('_', ' ')}” is not a whole number of at most 15 digits.")
    return int(text)
