"""People as Set-up and first run make them."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.contrib.auth.hashers import make_password

from incidents.identity.models import Person


def add_person(given: Mapping[str, Any]) -> Person:
    """A person with password, badge and PIN; both secrets are kept as Argon2id hashes only."""
    return Person.objects.create_user(
        given["login"], given["name"], given["password"], badge=given["badge"], pin=make_password(given["pin"])
    )
