"""Tokens as programs see them: their last use, and a way to revoke one. None is made here: that takes a badge."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID

import msgspec
from django.http import Http404

from incidents.api.door import Act, Caller
from incidents.api.lists import Many, asked_of, page_of
from incidents.api.told import tell
from incidents.identity import tokens
from incidents.queries.listing import Listing, Unnarrowed


class TokenTold(msgspec.Struct, frozen=True):
    """`key` names a token and opens nothing. `last_used_at` is told to the minute."""

    key: str
    label: str
    role: str
    person: UUID | None
    machine: UUID | None
    created: datetime
    expiry: datetime | None
    revoked_at: datetime | None
    last_used_at: datetime | None


class Tokens(Many):
    """One’s own tokens, the newest first; an administrator’s token lists all of the facility."""

    tag, operation_id, summary = "tokens", "tokens", "Tokens"
    asks, gives = asked_of("Tokens", Unnarrowed), page_of("Token", TokenTold)

    def listed(self, caller: Caller) -> Listing:
        mine = tokens.may_see(caller.facility.id, caller.by.actor.id, caller.by.roles)
        return Listing(lambda facility: mine, ("-created", "digest"), Unnarrowed)

    def line(self, row: Any) -> TokenTold:
        return tell(TokenTold, row, key=row.token_key, person=None if row.machine else row.user_id)


class Nothing(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An empty object."""


class Revoked(msgspec.Struct, frozen=True):
    key: str


class RevokeToken(Act):
    """Revoke a token at once: one’s own; an administrator’s token revokes any of the facility."""

    tag, operation_id, summary = "tokens", "revoke_token", "Revoke a token"
    takes, gives, success = Nothing, Revoked, 200

    def act(self, caller: Caller, given: Any, **path: Any) -> Revoked:
        key: str = path["token"]
        if not tokens.revoke(caller.facility.id, key, caller.by.actor.id, caller.by.roles, caller.now):
            raise Http404
        return Revoked(key)
