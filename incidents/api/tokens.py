"""Bearer tokens: bound to one facility and one role, and to the person or the machine that holds it.

Whatever a token rests on is looked up each time: once its person is disabled or has lost the role, it opens
nothing any more. Competences are the person's own and are asked by each deed.
"""

from __future__ import annotations

from datetime import timedelta
from hmac import compare_digest
from typing import Any

from django.conf import settings
from django.core.cache import cache
from django.db import OperationalError
from django.db.models import Q
from django.utils import timezone
from knox.auth import TokenAuthentication
from knox.crypto import hash_token
from knox.settings import CONSTANTS
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.throttling import BaseThrottle

from incidents.identity.models import AccessToken, Membership
from incidents.ledger.writing import is_lock_wait

NOTED_EVERY = timedelta(minutes=1)


class BoundToken(TokenAuthentication):  # type: ignore[misc]
    """`Authorization: Token …`, as knox keeps them, checked against what stands now."""

    def authenticate_credentials(self, token: bytes) -> Any:
        if not token.isascii():
            raise AuthenticationFailed("The token is unknown.")
        secret = token.decode()
        now = timezone.now()
        rows = AccessToken.objects.select_related("user", "facility").filter(
            Q(expiry=None) | Q(expiry__gt=now), token_key=secret[: CONSTANTS.TOKEN_KEY_LENGTH], revoked_at=None
        )
        digest = _digest(secret)
        found = next((row for row in rows if compare_digest(row.digest, digest)), None)
        if found is None or not _still_holds(found):
            raise AuthenticationFailed("The token is unknown.")
        _note_use(found)
        return found.user, found


def _digest(secret: str) -> str:
    try:
        return str(hash_token(secret))
    except ValueError:  # it isn't made of hex digits
        raise AuthenticationFailed("The token is unknown.") from None


def _still_holds(token: AccessToken) -> bool:
    """A machine's token is the machine's: it goes on reporting when whoever made it has left."""
    if token.machine is not None:
        return True
    mine = Membership.objects.filter(facility=token.facility_id, person=token.user_id, role=token.role)
    return token.user.is_active and mine.exists()


def _note_use(token: AccessToken) -> None:
    """Once a minute at most, so that reading stays reading; a busy database has better things to do."""
    now = timezone.now()
    if token.last_used_at is not None and now - token.last_used_at < NOTED_EVERY:
        return
    try:
        AccessToken.objects.filter(digest=token.digest).update(last_used_at=now)
    except OperationalError as error:
        if not is_lock_wait(error):
            raise


class PerMinute(BaseThrottle):
    """So many requests a minute for each token, counted in this process."""

    def allow_request(self, request: Any, view: Any) -> bool:
        if not isinstance(request.auth, AccessToken) or not settings.API_RATE:
            return True
        minute = int(timezone.now().timestamp() // 60)
        key = f"api-rate:{request.auth.token_key}:{minute}"
        cache.add(key, 0, timeout=120)
        try:
            return int(cache.incr(key)) <= settings.API_RATE
        except ValueError:  # pushed out by others meanwhile
            return True

    def wait(self) -> float:
        return 60 - timezone.now().timestamp() % 60
