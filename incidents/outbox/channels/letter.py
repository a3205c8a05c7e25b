"""What is sent, whatever the channel: a subject, a text, and a link that asks for sign-in."""

from __future__ import annotations

from urllib.parse import urljoin
from uuid import UUID

import msgspec
from django.conf import settings

from incidents.outbox.models import Message


class Letter(msgspec.Struct, frozen=True):
    """`key` is the same whenever it is sent again. `link` is empty where the site has no address of its own."""

    key: UUID
    subject: str
    text: str
    link: str
    priority: str

    @property
    def body(self) -> str:
        return "\n\n".join(part for part in (self.text, self.link) if part)


def letter_of(message: Message) -> Letter:
    link = urljoin(settings.ORIGIN, message.link) if settings.ORIGIN else ""
    return Letter(message.id, _line(message.subject), message.text, link, message.priority)


def _line(text: str) -> str:
    """On one line: in a mail's header a second one would be a header of its own."""
    return " ".join(text.split())
