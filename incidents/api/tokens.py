"""Bearer tokens: bound to one facility and role, and to one machine where a device holds them."""

from __future__ import annotations

from typing import Any

from knox.auth import TokenAuthentication
from rest_framework.exceptions import AuthenticationFailed


class BoundToken(TokenAuthentication):  # type: ignore[misc]
    """Knox's check, closed to revoked tokens and to headers that are no text."""

    def authenticate_credentials(self, token: bytes) -> Any:
        if not token.isascii():
            raise AuthenticationFailed("The token is unknown.")
        user, found = super().authenticate_credentials(token)
        if found.revoked_at is not None:
            raise AuthenticationFailed("The token is revoked.")
        return user, found

    def validate_user(self, auth_token: Any) -> Any:
        """A machine's token is the machine's: it goes on reporting when whoever made it has left."""
        return (auth_token.user, auth_token) if auth_token.machine else super().validate_user(auth_token)
