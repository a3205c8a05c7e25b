"""Signed webhooks, as the Standard Webhooks specification says (version 1.0.0: headers, signature, 2xx is success).

An address that people may type must not open what only this server can reach. So its name is looked up once, every
address found is looked at, and the connection goes to one of these, whatever the name means a moment later.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import http.client
import ipaddress
import socket
import ssl
import threading
from datetime import datetime
from urllib.parse import SplitResult, urlsplit
from uuid import UUID

import msgspec
from django.conf import settings

from incidents.outbox.channels.failing import NotTaken
from incidents.outbox.channels.letter import Letter

CONNECT_S = 5.0
WHOLE_S = 15.0  # from the connection to the end of the answer, however slowly that drips
ANSWER_BYTES = 4096
GONE = 410
_TRANSLATED = ipaddress.IPv6Network("64:ff9b::/96")
Address = ipaddress.IPv4Address | ipaddress.IPv6Address


def secret_of(contact: UUID) -> str:
    """What a webhook's receiver checks signatures with. It follows from this site's key, and is kept nowhere."""
    drawn = hmac.digest(settings.SECRET_KEY.encode(), b"webhook" + contact.bytes, hashlib.sha256)
    return f"whsec_{base64.b64encode(drawn).decode()}"


def signed(secret: str, key: str, sent_s: int, body: bytes) -> str:
    """The signature of `id.timestamp.body` under the secret behind its prefix."""
    drawn = base64.b64decode(secret.removeprefix("whsec_"))
    told = hmac.digest(drawn, f"{key}.{sent_s}.".encode() + body, hashlib.sha256)
    return f"v1,{base64.b64encode(told).decode()}"


def send(letter: Letter, address: str, secret: str, now: datetime) -> None:
    """POST it, signed. Raises NotTaken for every answer but 2xx; no redirection is followed."""
    where = urlsplit(address)
    pinned = _pinned(where)
    body = msgspec.json.encode(
        {
            "type": "open-item.escalated",
            "timestamp": now.isoformat(),
            "data": {
                "subject": letter.subject,
                "text": letter.text,
                "link": letter.link,
                "priority": letter.priority,
            },
        }
    )
    sent_s = int(now.timestamp())
    headers = {
        "Content-Type": "application/json",
        "webhook-id": str(letter.key),
        "webhook-timestamp": str(sent_s),
        "webhook-signature": signed(secret, str(letter.key), sent_s, body),
    }
    status = _posted(where, pinned, body, headers)
    if not 200 <= status < 300:
        raise NotTaken(f"The webhook answered {status}.", for_good=status == GONE)


def _posted(where: SplitResult, pinned: Address, body: bytes, headers: dict[str, str]) -> int:
    line = _Pinned(where, pinned)
    overdue = threading.Timer(WHOLE_S, line.cut)
    try:
        overdue.start()
        line.connect()
        line.request("POST", where.path + (f"?{where.query}" if where.query else "") or "/", body, headers)
        answer = line.getresponse()
        answer.read(ANSWER_BYTES)
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise NotTaken(f"The webhook did not answer ({type(error).__name__}).") from None
    else:
        return answer.status
    finally:
        overdue.cancel()
        line.close()


class _Pinned(http.client.HTTPConnection):
    """A connection to one address, which asks for the name it was found under."""

    def __init__(self, where: SplitResult, pinned: Address) -> None:
        assert where.hostname is not None
        self._encrypted = where.scheme == "https"
        super().__init__(where.hostname, where.port or (443 if self._encrypted else 80), timeout=CONNECT_S)
        self._to = str(pinned)

    def connect(self) -> None:
        self.sock = socket.create_connection((self._to, self.port), self.timeout)
        if self._encrypted:
            context = ssl.create_default_context()
            inside = context.wrap_socket(self.sock, server_hostname=self.host, do_handshake_on_connect=False)
            self.sock = inside
            inside.do_handshake()

    def cut(self) -> None:
        """End whatever is still going on; called from a timer."""
        if self.sock is not None:
            with contextlib.suppress(OSError):
                socket.socket.shutdown(self.sock, socket.SHUT_RDWR)


def _pinned(where: SplitResult) -> Address:
    """The address that the connection goes to. Raises NotTaken where one that was found may not be reached."""
    found = _found(where)
    allowed = [ipaddress.ip_network(net) for net in settings.WEBHOOK_NETWORKS]
    inside = [any(each in net for net in allowed if net.version == each.version) for each in found]
    if not all(here or _is_public(each) for each, here in zip(found, inside, strict=True)):
        raise NotTaken(
            "The webhook’s address leads into this network, which SLUICEGATE_WEBHOOK_NETWORKS does not allow.",
            for_good=True,
        )
    if where.scheme != "https" and not all(inside):
        raise NotTaken("A webhook outside this network needs https.", for_good=True)
    return found[0]


def _found(where: SplitResult) -> list[Address]:
    refusal = address_flaw(where.geturl())
    if refusal:
        raise NotTaken(refusal, for_good=True)
    try:
        told = socket.getaddrinfo(where.hostname, where.port, type=socket.SOCK_STREAM)
    except OSError:
        raise NotTaken("The webhook’s name could not be looked up.") from None
    return [ipaddress.ip_address(str(each[4][0]).partition("%")[0]) for each in told]


def _is_public(address: Address) -> bool:
    """Neither loopback, private, link-local, shared, multicast nor reserved, nor IPv6 with such an IPv4 in it."""
    told = _inside(address) or address if isinstance(address, ipaddress.IPv6Address) else address
    return told.is_global and not told.is_multicast


def _inside(address: ipaddress.IPv6Address) -> ipaddress.IPv4Address | None:
    """The IPv4 address that an IPv6 one carries: mapped, 6to4 (RFC 3056), or translated (RFC 6052)."""
    if address in _TRANSLATED:
        return ipaddress.IPv4Address(int(address) & 0xFFFF_FFFF)
    return address.ipv4_mapped or address.sixtofour


def address_flaw(address: str) -> str:
    """Why this is no address of a webhook, whatever its name means; empty where it is one."""
    try:
        where = urlsplit(address)
        port = where.port
    except ValueError:
        return "This can’t be read as an address."
    if where.scheme not in ("https", "http") or not where.hostname or port == 0:
        return "A webhook’s address begins with https:// and a name."
    if where.username is not None or where.password is not None or where.fragment:
        return "A webhook’s address holds no name, password or fragment."
    return "" if address.isascii() and address.isprintable() and " " not in address else "Write it in ASCII."
