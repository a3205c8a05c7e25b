"""Who is at the workstation: a badge and the PIN that goes with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.contrib.auth.backends import ModelBackend
from django.contrib.auth.hashers import check_password, make_password
from django.http import HttpRequest

from incidents.identity.models import Person


def counted_as(request: HttpRequest | None, credentials: Mapping[str, Any] | None = None) -> str | None:
    """Under whose name a failure counts: the person's, whether by badge or by password."""
    typed = (credentials or {}).get("username")
    if not typed or not (credentials or {}).get("badge"):
        return typed
    person = Person.objects.filter(badge=typed).first()
    return person.login if person else typed


class LoginAndPassword(ModelBackend):
    """A sign-in name and a password."""

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        badge: bool = False,
        **more: Any,
    ) -> Person | None:
        if badge:
            return None
        found = super().authenticate(request, username=username, password=password)
        return found if isinstance(found, Person) else None


class BadgeAndPin(ModelBackend):
    """A badge names a person; only the PIN beside it proves who holds it (Argon2id)."""

    def authenticate(
        self,
        request: HttpRequest | None,
        username: str | None = None,
        password: str | None = None,
        badge: bool = False,
        **more: Any,
    ) -> Person | None:
        if not badge or not username or not password:
            return None
        person = Person.objects.filter(badge=username, is_active=True).first()
        if person is None or not person.pin:
            make_password(password)  # as slow as a wrong PIN, so that a badge can't be guessed by the clock
            return None
        return person if check_password(password, person.pin) else None
