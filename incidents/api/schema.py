"""The schema (OpenAPI 3.1), made from the same types that the doors read and answer with."""

from __future__ import annotations

from typing import Any

import msgspec
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import ResolvedComponent

from incidents.api.examples import example_of
from incidents.api.problems import MEANINGS, MEDIA_TYPE, Problem

READS = (400, 401, 403, 404, 429, 503)
ACTS = (400, 401, 403, 404, 409, 413, 415, 429, 503)


class FromTypes(AutoSchema):
    """One operation of the schema, from what its door says: `asks`, `takes`, `gives`, `success`."""

    def get_operation(
        self, path: str, path_regex: str, path_prefix: str, method: str, registry: Any
    ) -> dict[str, Any] | None:
        self.registry, self.path, self.path_regex = registry, path, path_regex
        self.path_prefix, self.method = path_prefix, method.upper()
        door: Any = self.view
        told: dict[str, Any] = {
            "operationId": door.operation_id,
            "summary": door.summary,
            "description": _paragraphs(door.__doc__),
            "tags": [door.tag],
            "parameters": [*self._in_path(path), *self._in_query(door.asks), *self._conditions()],
            "security": [{"token": []}],
            "responses": self._answers(door),
        }
        if self.method == "POST":
            content: dict[str, Any] = {"schema": self._schema(door.takes)}
            content["example"] = door.example or example_of(door.takes)
            told["requestBody"] = {"required": True, "content": dict.fromkeys(door.media_types, content)}
        self._register_scheme()
        return told

    def _in_path(self, path: str) -> list[dict[str, Any]]:
        names = [part[1:-1] for part in path.split("/") if part.startswith("{")]
        found: list[dict[str, Any]] = self._resolve_path_parameters(names)  # type: ignore[no-untyped-call]
        for parameter in found:
            if parameter["name"] == "slug":
                parameter["description"] = "The facility, as its pages’ addresses name it."
        return found

    def _in_query(self, asks: type[msgspec.Struct] | None) -> list[dict[str, Any]]:
        if asks is None:
            return []
        schema = self._inline(asks)
        return [
            {
                "in": "query",
                "name": name,
                "required": name in schema.get("required", ()),
                "description": told.pop("description", ""),
                "schema": _without_null(told),
            }
            for name, told in schema.get("properties", {}).items()
        ]

    def _conditions(self) -> list[dict[str, Any]]:
        if self.method != "GET":
            return []
        return [
            {
                "in": "header",
                "name": "If-None-Match",
                "required": False,
                "description": "The `ETag` of the answer that you have: unchanged, it is not sent again (304).",
                "schema": {"type": "string"},
            }
        ]

    def _answers(self, door: Any) -> dict[str, Any]:
        answers: dict[str, Any] = {
            str(door.success): {
                "description": "Done: the ledger’s receipt." if self.method == "POST" else "As it stands.",
                "content": {"application/json": {"schema": self._schema(door.gives)}},
            }
        }
        if self.method == "GET":
            answers["304"] = {"description": "Not modified."}
        problem = {MEDIA_TYPE: {"schema": self._schema(Problem)}}
        for status in READS if self.method == "GET" else ACTS:
            answers[str(status)] = {"description": MEANINGS[status], "content": problem}
        return answers

    def _inline(self, kind: Any) -> dict[str, Any]:
        (schema,), components = msgspec.json.schema_components([kind])
        found: dict[str, Any] = components[schema["$ref"].rpartition("/")[2]]
        return found

    def _schema(self, kind: Any) -> dict[str, Any]:
        """A reference, once what it refers to is among the components."""
        (schema,), components = msgspec.json.schema_components([kind], ref_template="#/components/schemas/{name}")
        for name, told in components.items():
            component = _component(name, ResolvedComponent.SCHEMA, told)
            if component not in self.registry:
                self.registry.register(component)
            elif self.registry[component].schema != told:
                raise LookupError(f"two types are called {name} in the schema")
        found: dict[str, Any] = schema
        return found

    def _register_scheme(self) -> None:
        scheme = _component("token", ResolvedComponent.SECURITY_SCHEMA, SCHEME)
        if scheme not in self.registry:
            self.registry.register(scheme)


SCHEME = {
    "type": "apiKey",
    "in": "header",
    "name": "Authorization",
    "description": "`Token` and the secret, as in “Token 3f9c…”. A token opens one facility in one role.",
}


def _component(name: str, kind: str, told: dict[str, Any]) -> Any:
    return ResolvedComponent(name, kind, told, name)  # type: ignore[no-untyped-call]


def _paragraphs(text: str | None) -> str:
    return "\n".join(line.strip() for line in (text or "").splitlines()).strip()


def _without_null(schema: dict[str, Any]) -> dict[str, Any]:
    """A parameter is there or it isn't: there is no null in an address."""
    schema.pop("default", None)
    kept = [each for each in schema.get("anyOf", ()) if each != {"type": "null"}]
    if not kept:
        return schema
    rest = {name: told for name, told in schema.items() if name != "anyOf"}
    return rest | (kept[0] if len(kept) == 1 else {"anyOf": kept})


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    """Named here so that nothing is guessed of it; the doors say it of themselves."""

    target_class = "incidents.api.tokens.BoundToken"
    name = "token"

    def get_security_definition(self, auto_schema: Any) -> dict[str, Any]:
        return SCHEME
