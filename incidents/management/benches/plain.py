"""Every production address, and the least that a deed can be: the same token check, the same operation."""

from __future__ import annotations

import json
from typing import Any
from uuid import UUID

import msgspec
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import include, path
from django.utils import timezone
from django.views.decorators.csrf import csrf_exempt
from rest_framework.settings import api_settings

from incidents.identity.rights import competences, day_of
from incidents.operations.deeds import OPERATIONS, Doer, Request
from incidents.rules.events import Actor, Stream
from incidents.rules.refusals import Refusal

TOKENS: Any = api_settings.DEFAULT_AUTHENTICATION_CLASSES[0]


@csrf_exempt
def deed(request: HttpRequest, slug: str, name: str) -> HttpResponse:
    """What a view has to do in any case. It trusts what it is sent, and asks for no machine's code."""
    person, token = TOKENS().authenticate(request)
    if token.facility.slug != slug:
        raise Http404
    now = timezone.now()
    able = competences(person.id, token.facility_id, day_of(now, token.facility.time_zone))
    told = json.loads(request.body)
    by = Doer(Actor("person", person.id), (token.role,), able)
    asked = Request(deed=UUID(told["deed_id"]), facility=token.facility_id, by=by, now=now)
    done = OPERATIONS[name].run(asked, **_members(name, told))
    if isinstance(done, Refusal):
        raise RuntimeError(f"the bench was refused: {done.sentence}")
    return HttpResponse(msgspec.json.encode(done), status=201, content_type="application/json")


def _members(name: str, told: dict[str, Any]) -> dict[str, Any]:
    if name == "add_note":
        return {"load": UUID(told["load"]), "words": told["words"]}
    return {"stream": Stream(told["stream"]["kind"], UUID(told["stream"]["id"])), "alarm": UUID(told["alarm"])}


urlpatterns = [path("plain/<slug:slug>/<str:name>/", deed), path("", include("config.urls"))]
