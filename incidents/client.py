"""The API from a program's side, by the standard library alone: this one file may be copied wherever it is needed.

A deed is asked again under the same id until its answer is known: a connection that was cut, a busy ledger (503)
or too many requests (429) leave nobody in doubt. What the rules refuse is `Refused`, with a code and a next step.
"""

from __future__ import annotations

import http.client
import json
import secrets
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple, TypedDict
from urllib.parse import urlencode, urlsplit
from uuid import UUID, uuid5

AGAIN = (429, 503)
WAIT_S = 1.0
LONGEST_WAIT_S = 60.0
TIMEOUT_S = 30.0


class Receipt(TypedDict):
    """Proof of what was written: `leaves` (hex) stand in the log at `first_position` and on."""

    deed_id: str
    facility: str
    first_position: int
    count: int
    leaves: list[str]


class Problem(TypedDict):
    """RFC 9457, with a `code` for programs and a `next_step` for people."""

    type: str
    title: str
    status: int
    detail: str
    code: str
    next_step: str


class EntryResult(TypedDict):
    deed_id: str
    receipt: Receipt | None
    problem: Problem | None


class Signature(TypedDict):
    signing: str
    meaning: str
    good_until: str


class Answer(NamedTuple):
    status: int
    headers: Mapping[str, str]
    body: bytes


class Refused(Exception):
    """The server's no: nothing was written."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(f"{problem['detail']} {problem['next_step']}")
        self.problem = problem
        self.status = problem["status"]
        self.code = problem["code"]


class NoAnswer(Exception):
    """The server gave none, however often it was asked. A deed may or may not be done: ask again with its id."""


Send = Callable[[str, str, Mapping[str, str], bytes | None], Answer]


def new_deed_id() -> UUID:
    """A UUIDv7 of this moment (RFC 9562, 5.7)."""
    unix_ms = time.time_ns() // 1_000_000
    return UUID(int=(unix_ms << 80) | (7 << 76) | (secrets.randbits(12) << 64) | (2 << 62) | secrets.randbits(62))


def made_by(deed_id: UUID, what: str) -> UUID:
    """The id of what a deed brings into being: “load”, “alarm”, “hold”, “machine”, “tray 1” (RFC 9562, 5.5)."""
    return uuid5(deed_id, what)


class Client:
    """One facility, by one token. `origin` is as in a browser's address: https://sluicegate.example.

    `send` carries a request (method, path, headers, body) and raises OSError or HTTPException where none came
    back; `wait` waits so many seconds.
    """

    def __init__(
        self,
        origin: str,
        facility: str,
        token: str,
        *,
        send: Send | None = None,
        wait: Callable[[float], None] = time.sleep,
        tries: int = 6,
    ) -> None:
        self._send = send or over_http(origin)
        self._base = f"/api/v1/f/{facility}/"
        self._headers = {"Authorization": f"Token {token}", "Accept": "application/json"}
        self._wait = wait
        self._tries = tries
        self._kept: dict[str, tuple[str, Any]] = {}

    # --- deeds

    def deed(self, operation: str, /, *, deed_id: UUID | None = None, **members: Any) -> Receipt:
        """Do a deed; the members are those of the schema. Raises Refused, NoAnswer."""
        body = {"deed_id": deed_id or new_deed_id(), **members}
        receipt: Receipt = self._post(f"deeds/{operation}/", body)
        return receipt

    def sign(self, operation: str, /, *, deed_id: UUID, badge: str, pin: str, **members: Any) -> Signature:
        """Make a signature ready for one deed, on what was `seen`; good for 60 s. Raises Refused, NoAnswer."""
        body = {"operation": operation, "deed_id": deed_id, "badge": badge, "pin": pin, **members}
        made: Signature = self._post("signings/", body)
        return made

    def enter_late(self, entries: Sequence[Mapping[str, Any]]) -> list[EntryResult]:
        """At most 100 observations of the past in one transaction, and what came of each. Raises as a deed does."""
        results: list[EntryResult] = self._post("late-entries/", {"entries": list(entries)})["results"]
        return results

    def observe(self, event: Mapping[str, Any]) -> Receipt:
        """Report a CloudEvent with a machine's token. Raises Refused, NoAnswer."""
        receipt: Receipt = self._post("observations/", dict(event))
        return receipt

    # --- looks

    def read(self, path: str, /, **asked: Any) -> Any:
        """What stands at a path, as “loads/{id}/”. What didn't change since it was read last isn't sent again."""
        address = self._base + path + (f"?{urlencode(_plain(asked))}" if asked else "")
        tag, known = self._kept.get(address, ("", None))
        answer = self._ask("GET", address, {"If-None-Match": tag} if tag else {}, None)
        if answer.status == 304:
            return known
        found = json.loads(answer.body)
        if "ETag" in answer.headers:
            self._kept[address] = (answer.headers["ETag"], found)
        return found

    def items(self, path: str, /, **asked: Any) -> Iterator[dict[str, Any]]:
        """Every item of a list, page by page, as “loads/”."""
        cursor: dict[str, str] = {}
        while True:
            page = self.read(path, **asked, **cursor)
            yield from page["items"]
            if page["next"] is None:
                return
            cursor = {"cursor": page["next"]}

    # --- on the wire

    def _post(self, path: str, body: Mapping[str, Any]) -> Any:
        data = json.dumps(body, default=str).encode()
        answer = self._ask("POST", self._base + path, {"Content-Type": "application/json"}, data)
        return json.loads(answer.body)

    def _ask(self, method: str, address: str, more: Mapping[str, str], body: bytes | None) -> Answer:
        """The answer, once there is one that says something."""
        last: Exception | None = None
        for attempt in range(self._tries):
            try:
                answer = self._send(method, address, {**self._headers, **more}, body)
            except (OSError, http.client.HTTPException) as error:
                last = error
                self._wait(WAIT_S * 2**attempt)
                continue
            if answer.status < 400:
                return answer
            last = Refused(_problem(answer))
            if answer.status not in AGAIN or last.code == "locked-out":
                raise last
            self._wait(_asked_to_wait(answer))
        raise NoAnswer(f"no answer from {address.partition('?')[0]} in {self._tries} tries") from last


def _plain(asked: Mapping[str, Any]) -> dict[str, str]:
    return {name: str(value).lower() if isinstance(value, bool) else str(value) for name, value in asked.items()}


def _problem(answer: Answer) -> Problem:
    if answer.headers.get("Content-Type", "").startswith("application/problem+json"):
        told: Problem = json.loads(answer.body)
        return told
    detail = f"The server answered {answer.status}."
    return Problem(
        type="about:blank",
        title="Error",
        status=answer.status,
        detail=detail,
        code="unknown",
        next_step="Ask later.",
    )


def _asked_to_wait(answer: Answer) -> float:
    asked = answer.headers.get("Retry-After", "")
    return min(float(asked), LONGEST_WAIT_S) if asked.isdigit() else WAIT_S


def over_http(origin: str) -> Send:
    """Requests over a connection that is kept. Redirects are not followed: they would carry the token elsewhere."""
    parts = urlsplit(origin)
    kind = http.client.HTTPSConnection if parts.scheme == "https" else http.client.HTTPConnection
    connection = kind(parts.netloc, timeout=TIMEOUT_S)

    def send(method: str, path: str, headers: Mapping[str, str], body: bytes | None) -> Answer:
        try:
            connection.request(method, path, body, dict(headers))
            response = connection.getresponse()
            return Answer(response.status, dict(response.getheaders()), response.read())
        except (OSError, http.client.HTTPException):
            connection.close()
            raise

    return send
