"""Text messages, pagers and chat, through the gateways that the environment names, by the `apprise` library.

A contact is `gateway:address`. What a gateway needs to be let in stands in the environment alone; from a contact
comes only the number or name that goes into its place.
"""

from __future__ import annotations

import re
from urllib.parse import quote

from django.conf import settings

from incidents.outbox.channels.failing import NotTaken
from incidents.outbox.channels.letter import Letter

PLACE = "{address}"
_ADDRESS = re.compile(r"[+@#]?[0-9A-Za-z][0-9A-Za-z._@-]{0,79}", re.ASCII)
_KINDS = {"high": "failure", "medium": "warning", "low": "info"}  # as the library calls them


def address_flaw(address: str) -> str:
    """Why this is no contact of a gateway here; empty where it is one."""
    gateway, _, told = address.partition(":")
    if gateway not in settings.GATEWAYS:
        named = ", ".join(sorted(settings.GATEWAYS)) or "none is set up"
        return f"“{gateway[:40]}” is no gateway here ({named}). Write gateway:number."
    return "" if _ADDRESS.fullmatch(told) else "A number or name behind the gateway holds no blanks or other signs."


def send(letter: Letter, address: str) -> None:
    """Hand it to the contact's gateway. Raises NotTaken."""
    flaw = address_flaw(address)
    if flaw:
        raise NotTaken(flaw, for_good=True)
    gateway, _, told = address.partition(":")
    import apprise  # it takes a third of a second, which no page should wait for

    line = apprise.Apprise()
    if not line.add(settings.GATEWAYS[gateway].replace(PLACE, quote(told, safe=""))):
        raise NotTaken(f"The gateway “{gateway}” is not set up as the library wants it.")
    kind = apprise.NotifyType(_KINDS[letter.priority])
    if not line.notify(title=letter.subject, body=f"{letter.body}\n\n{letter.key}", notify_type=kind):
        raise NotTaken(f"The gateway “{gateway}” did not take it.")
