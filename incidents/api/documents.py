"""The schema as a document, and a page on which it can be read."""

from __future__ import annotations

import functools
import hashlib
import json
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_safe
from drf_spectacular.generators import SchemaGenerator


@functools.cache
def schema_document() -> bytes:
    from incidents.api import urls

    generator: Any = SchemaGenerator(patterns=urls.patterns(), api_version="v1")  # type: ignore[no-untyped-call]
    return json.dumps(generator.get_schema(public=True), indent=1).encode()


@require_safe
def schema(request: HttpRequest) -> HttpResponse:
    """The same for everyone: it tells what can be asked, and nothing of any facility."""
    body = schema_document()
    tag = f'"{hashlib.sha256(body).hexdigest()[:32]}"'
    answer = HttpResponse(body, content_type="application/vnd.oai.openapi+json")
    answer["ETag"] = tag
    answer["Cache-Control"] = "no-cache"
    conditional: HttpResponse | None = get_conditional_response(request, tag, response=answer)
    return conditional or answer


@require_safe
def docs(request: HttpRequest) -> HttpResponse:
    """The same, for people to read."""
    from incidents.api.reference import subjects

    return render(
        request, "api_docs.html", {"subjects": subjects(), "origin": f"{request.scheme}://{request.get_host()}"}
    )
