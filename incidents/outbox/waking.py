"""Who is woken when a message was queued. It only saves time: a lost wake delays, it never loses."""

from __future__ import annotations

from collections.abc import Callable

from django.db import transaction

_wakers: list[Callable[[], object]] = []


def wake(waker: Callable[[], object]) -> None:
    """Have `waker` called after each commit that queued a message. Called once each, at start-up."""
    if waker not in _wakers:
        _wakers.append(waker)


def when_committed() -> None:
    for waker in _wakers:
        transaction.on_commit(waker, robust=True)
