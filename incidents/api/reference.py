"""The schema as people read it: addresses by subject, each with its members, an example and its answers."""

from __future__ import annotations

import functools
import json
from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from incidents.api.documents import schema_document

SUBJECTS = {
    "floor": "The floor now",
    "loads": "Loads",
    "machines": "Machines",
    "department": "The department’s own things",
    "evidence": "Evidence",
    "deeds": "Deeds",
    "tokens": "Tokens",
    "devices": "Machines that report",
}


class Member(NamedTuple):
    name: str
    kind: str
    needed: bool
    told: str


class Address(NamedTuple):
    id: str
    method: str
    path: str
    summary: str
    told: str
    members: tuple[Member, ...]
    example: str
    answers: tuple[tuple[str, str], ...]


class Subject(NamedTuple):
    title: str
    addresses: tuple[Address, ...]


@functools.cache
def subjects() -> tuple[Subject, ...]:
    schema = json.loads(schema_document())
    found = list(_addresses(schema))
    return tuple(
        Subject(title, tuple(address for told, address in found if told == tag)) for tag, title in SUBJECTS.items()
    )


def _addresses(schema: Mapping[str, Any]) -> Iterator[tuple[str, Address]]:
    shapes = schema["components"]["schemas"]
    for path, methods in schema["paths"].items():
        for method, told in methods.items():
            content: Mapping[str, Any] = next(iter(told.get("requestBody", {}).get("content", {}).values()), {})
            example = content.get("example")
            yield (
                told["tags"][0],
                Address(
                    told["operationId"],
                    method.upper(),
                    path.removeprefix("/api/v1/f/{slug}/"),
                    told["summary"],
                    told["description"],
                    (*_parameters(told["parameters"]), *_members(content.get("schema"), shapes)),
                    json.dumps(example, indent=2, ensure_ascii=False) if example is not None else "",
                    tuple((status, answer["description"]) for status, answer in told["responses"].items()),
                ),
            )


def _parameters(parameters: list[Any]) -> Iterator[Member]:
    for each in parameters:
        if each["in"] == "query":
            yield Member(each["name"], _kind(each["schema"]), each["required"], each["description"])


def _members(schema: Any, shapes: Mapping[str, Any]) -> Iterator[Member]:
    shape = _resolved(schema or {}, shapes)
    for choice in shape.get("anyOf", [shape]):
        told = _resolved(choice, shapes)
        for name, each in told.get("properties", {}).items():
            if ("const" not in each and "enum" not in each) or name != "operation":
                yield Member(name, _kind(each), name in told.get("required", ()), each.get("description", ""))
        if "anyOf" in shape:
            return  # one of several alike: the example and the schema tell them apart


def _resolved(schema: Mapping[str, Any], shapes: Mapping[str, Any]) -> Mapping[str, Any]:
    name = schema.get("$ref", "").rpartition("/")[2]
    found: Mapping[str, Any] = shapes[name] if name else schema
    return found


def _kind(schema: Mapping[str, Any]) -> str:
    """The kind of a value in a few words."""
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2].removesuffix("Given")
    if "enum" in schema:
        return "one of " + ", ".join(str(value) for value in schema["enum"])
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_kind(each) for each in schema["anyOf"] if each != {"type": "null"}))
    if schema.get("type") == "array":
        return f"list of {_kind(schema.get('items', {}))}"
    if schema.get("type") == "object":
        return f"object of {_kind(schema.get('additionalProperties') or {})}"
    formats = {"uuid": "id", "date-time": "moment (RFC 3339)"}
    kinds = {"string": "text", "integer": "whole number", "boolean": "true or false"}
    return formats.get(schema.get("format", "")) or kinds.get(schema.get("type", ""), "anything")
