"""The control: workers that note a message as sent before they send it. A drill must catch what they lose."""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import datetime

import django

django.setup()

from config.celery import app  # noqa: E402
from incidents.operations import delivery  # noqa: E402
from incidents.outbox import leasing, sending  # noqa: E402
from incidents.outbox.models import Message  # noqa: E402

DELAY_S = 1.0
__all__ = ["app"]


def _marked_first(message: Message, clock: Callable[[], datetime]) -> None:
    leasing.sent(message, clock())
    time.sleep(DELAY_S)
    sending.send(message, clock())


delivery._try = _marked_first
