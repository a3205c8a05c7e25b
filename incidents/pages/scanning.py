"""Which machine the person stands at: scanned or typed a moment ago, or where the workstation is bound to one.

An alarm is acknowledged, resumed or aborted only at its machine, so that one tablet for several machines never
answers for the wrong one.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from incidents.rules.refusals import Refusal

GOOD_FOR = timedelta(minutes=10)
COOKIE = "sluicegate_machine"
SALT = "incidents.machine"
A_YEAR_S = 365 * 24 * 3600


def note_scan(request: HttpRequest, machine: UUID, now: datetime) -> None:
    """Remember that this machine was scanned or its code typed."""
    request.session["scanned"] = [str(machine), now.isoformat()]


def stands_at(request: HttpRequest, machine: UUID | None, now: datetime) -> bool:
    """Was this machine scanned a moment ago, or is the workstation bound to it?"""
    if machine is None:
        return False
    if request.get_signed_cookie(COOKIE, default="", salt=SALT, max_age=A_YEAR_S) == str(machine):
        return True
    scanned = request.session.get("scanned")
    if not scanned or scanned[0] != str(machine):
        return False
    return now - datetime.fromisoformat(scanned[1]) <= GOOD_FOR


def bind(response: HttpResponse, machine: UUID) -> None:
    """Bind this workstation to the machine that it stands at."""
    response.set_signed_cookie(
        COOKIE,
        str(machine),
        salt=SALT,
        max_age=A_YEAR_S,
        httponly=True,
        samesite="Lax",
        secure=settings.SESSION_COOKIE_SECURE,
    )


def scan_first(name: str) -> Refusal:
    return Refusal(
        "scan-first",
        f"Scan {name} first, so that no other machine is meant. Nothing was written.",
        "Scan its code, or type it.",
    )
