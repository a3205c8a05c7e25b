"""The way to the server: batches of CloudEvents, sent until it has answered for each of them."""

from __future__ import annotations

import http.client
import json
import ssl
from collections.abc import Callable, Sequence
from datetime import datetime
from email.utils import format_datetime
from typing import Any, NamedTuple
from urllib.parse import urlsplit

from incidents.management.gateway.config import Door, Odd, secret

ANSWER_S = 30.0
BATCH = "application/cloudevents-batch+json"
PERMANENT = (400, 413)  # what is wrong with the batch as it is
Clock = Callable[[], datetime]


class Away(Exception):
    """The server did not take the batch; the sentence says why, `wait_s` how long it asked to be left alone."""

    def __init__(self, why: str, wait_s: float = 0) -> None:
        super().__init__(why)
        self.wait_s = wait_s


class NotAsItIs(Exception):
    """The server takes this batch never; a smaller one perhaps."""


class Said(NamedTuple):
    """What the server said of one observation: its receipt's, or why it never takes it."""

    taken: bool
    why: str


def send(door: Door, events: Sequence[dict[str, Any]], clock: Clock) -> list[Said]:
    """The server's word on each, in order. Raises Away and NotAsItIs."""
    body = json.dumps(list(events)).encode()
    try:
        token = secret(door.token_file, door.token_env)
        status, headers, answer = post(door.url, body, token, clock(), BATCH)
    except (OSError, http.client.HTTPException) as error:
        raise Away(f"no answer: {error or type(error).__name__}") from None
    except Odd as odd:
        raise Away(str(odd)) from None
    if status in PERMANENT:
        raise NotAsItIs(_detail(answer))
    if status != 200:
        raise Away(f"{status}: {_detail(answer)}", _seconds(headers.get("Retry-After", "")))
    try:
        told = json.loads(answer)
        said = [_said(each) for each in told]
    except (ValueError, TypeError, KeyError, AttributeError):
        raise Away("the answer can’t be read: is this the right address?") from None
    if len(said) != len(events):
        raise Away(f"{len(said)} answers for {len(events)} observations")
    return said


def send_all(door: Door, events: Sequence[dict[str, Any]], clock: Clock) -> list[Said]:
    """As `send`, a batch that is not taken as it is in halves, down to the one that is at fault. Raises Away."""
    try:
        return send(door, events, clock)
    except NotAsItIs as error:
        if len(events) == 1:
            return [Said(False, str(error))]
    half = len(events) // 2
    return send_all(door, events[:half], clock) + send_all(door, events[half:], clock)


def _said(entry: dict[str, Any]) -> Said:
    if entry["status"] == 201:
        return Said(True, "")
    problem = entry["problem"]
    return Said(False, f"{problem['code']}: {problem['detail']}")


def post(url: str, body: bytes, token: str, now: datetime, kind: str) -> tuple[int, http.client.HTTPMessage, bytes]:
    """Status, headers and body of the answer. Raises OSError and HTTPException."""
    parts = urlsplit(url)
    line: http.client.HTTPConnection
    if parts.scheme == "https":
        line = http.client.HTTPSConnection(parts.netloc, timeout=ANSWER_S, context=ssl.create_default_context())
    else:
        line = http.client.HTTPConnection(parts.netloc, timeout=ANSWER_S)
    try:
        line.request(
            "POST",
            (parts.path or "/") + (f"?{parts.query}" if parts.query else ""),
            body,
            {
                "Authorization": f"Token {token}",
                "Content-Type": kind,
                "Date": format_datetime(now, usegmt=True),
            },
        )
        answer = line.getresponse()
        return answer.status, answer.headers, answer.read()
    finally:
        line.close()


def _detail(answer: bytes) -> str:
    return detail_of(answer)[1]


def detail_of(answer: bytes) -> tuple[str, str]:
    """A problem's code and sentence."""
    try:
        told = json.loads(answer)
        return str(told.get("code", ""))[:80], str(told["detail"])[:300]
    except (ValueError, TypeError, KeyError, AttributeError):
        return "", "no word why"


def _seconds(text: str) -> float:
    return float(text) if text.isascii() and text.isdecimal() and len(text) < 6 else 0


class Patience:
    """How long to wait before the next attempt: twice as long each time, up to a limit, and then as before."""

    def __init__(self, door: Door) -> None:
        self._first, self._longest, self._next = door.wait_s, door.longest_wait_s, door.wait_s

    def after(self, away: Away) -> float:
        wait, self._next = max(self._next, away.wait_s), min(self._next * 2, self._longest)
        return wait

    def answered(self) -> None:
        self._next = self._first
