"""Whose factors these are: all of them checked each time, each failure counted."""

from __future__ import annotations

from django.contrib.auth import authenticate
from django.http import HttpRequest

from incidents.identity.models import Person

LONGEST_BADGE, LONGEST_PIN = 64, 128  # no badge and no PIN is as long as that


def by_badge(request: HttpRequest, badge: str, pin: str) -> Person | None:
    """The person whose badge and PIN these are, or None."""
    if len(badge) > LONGEST_BADGE or len(pin) > LONGEST_PIN:
        return None
    found = authenticate(request, username=badge, password=pin, badge=True)
    return found if isinstance(found, Person) else None


def by_password(request: HttpRequest, login: str, password: str) -> Person | None:
    found = authenticate(request, username=login, password=password)
    return found if isinstance(found, Person) else None
