"""Programs at the API: the cast's tokens, what they send, and the problem that comes back."""

from __future__ import annotations

import json
from typing import Any

from django.http import HttpResponse
from django.test import Client

from incidents.identity.models import AccessToken
from tests import visitors
from tests.cast import Department
from tests.visitors import ROLES

MEMBERS = {"type", "title", "status", "detail", "code", "next_step"}


def token_of_person(department: Department, who: str, **more: Any) -> str:
    """The secret of a token that this person made, for the role that they have here."""
    given = {
        "user": department.people[who],
        "facility": department.facility,
        "role": ROLES[who],
        "label": "A script",
    }
    _, secret = AccessToken.objects.create(**(given | more))
    return str(secret)


class Program:
    """A program with somebody's token, or with none."""

    def __init__(self, department: Department, secret: str) -> None:
        self.department = department
        self.authorization = f"Token {secret}" if secret else ""
        headers = {"Authorization": self.authorization} if secret else {}
        self.client = Client(raise_request_exception=False, enforce_csrf_checks=True, headers=headers)

    def url(self, path: str, slug: str = "") -> str:
        return f"/api/v1/f/{slug or self.department.facility.slug}/{path}"

    def post(self, path: str, body: Any, slug: str = "", **more: Any) -> HttpResponse:
        data = body if isinstance(body, str | bytes) else json.dumps(body, default=str)
        return self.client.post(self.url(path, slug), data, **({"content_type": "application/json"} | more))

    def get(self, path: str, slug: str = "", **more: Any) -> HttpResponse:
        return self.client.get(self.url(path, slug), **more)

    def deed(self, name: str, /, **members: Any) -> HttpResponse:
        """Under a new deed id, unless the test says which."""
        return self.post(f"deeds/{name}/", {"deed_id": self.department.new_deed()} | members)


def program(department: Department, who: str = "") -> Program:
    """Somebody's program; `nobody`'s has no token, `Alder`'s is the machine's own gateway."""
    if not who:
        return Program(department, "")
    if who == "Alder":
        return Program(department, visitors.token_of(department)[1])
    return Program(department, token_of_person(department, who))


def told(answer: HttpResponse, status: int = 200) -> Any:
    assert answer.status_code == status, answer.content
    assert answer.headers["Content-Type"] == "application/json"
    return json.loads(answer.content)


def problem_of(answer: HttpResponse, status: int) -> dict[str, Any]:
    """The problem in the answer, with all that every problem has (RFC 9457)."""
    assert answer.status_code == status, answer.content
    assert answer.headers["Content-Type"] == "application/problem+json"
    body: dict[str, Any] = json.loads(answer.content)
    assert set(body) == MEMBERS
    assert (body["status"], body["type"]) == (status, "about:blank")
    assert all(isinstance(body[name], str) and body[name] for name in MEMBERS - {"status"})
    return body
