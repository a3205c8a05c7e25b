"""Every deed of the operations as an address: its members are the operation's own parameters.

A deed that is done at a machine takes `machine_code` besides: what its caller has just read off the machine. A
scan in a page's session means the same.
"""

from __future__ import annotations

import importlib
import pkgutil
import typing
from collections.abc import Mapping
from datetime import datetime
from inspect import Parameter, signature
from typing import Annotated, Any
from uuid import UUID

import msgspec
from msgspec import Meta

from incidents import operations
from incidents.api.door import Act, Caller
from incidents.api.members import Moment, Text, Whole, plain, strict
from incidents.ledger.writing import Receipt
from incidents.operations.deeds import OPERATIONS, Operation, Outcome
from incidents.queries import facts, floor
from incidents.rules.authority import AT_THE_MACHINE
from incidents.rules.events import Stream
from incidents.rules.refusals import Refusal

for _module in pkgutil.iter_modules(operations.__path__):
    importlib.import_module(f"{operations.__name__}.{_module.name}")

# What a machine tells has a door of its own, and the sweep has none. A facility is opened by its first run, and a
# restored log is accepted where its witness lies: on the server.
# A record of readings comes as a file.
ELSEWHERE = frozenset(
    {
        *("observe", "keep_readings", "open_facility", "accept_restore"),
        *("note_overdue", "note_silence", "note_undelivered", "note_unshelved", "escalate"),
    }
)


SeenVersion = Annotated[Whole, Meta(description="The version that you saw. Another one is refused as stale.")]
MachineCode = Annotated[Text, Meta(description="The code, read off the machine a moment ago.")]


class DeedMembers(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What every deed says besides its own members."""

    deed_id: Annotated[UUID, Meta(description="A UUIDv7 of yours. The same deed sent twice is done once.")]
    occurred_at: Annotated[Moment, Meta(description="When it happened, if not now.")] | None = None


class Offered(typing.NamedTuple):
    """An operation with the members that its address takes."""

    operation: Operation
    members: type[msgspec.Struct]
    own: Mapping[str, Any]


def offered(operation: Operation) -> Offered:
    """The members of a deed, from the operation's own signature and the types of the rules."""
    hints = typing.get_type_hints(operation.asks)
    own: dict[str, Any] = {}
    fields: list[Any] = []
    for name, parameter in list(signature(operation.asks).parameters.items())[1:]:
        own[name] = hints[name]
        kind = strict(hints[name])
        fields.append((name, kind) if parameter.default is Parameter.empty else (name, kind, parameter.default))
    if takes_version(operation):
        fields.append(("expected_version", SeenVersion | None, None))
    if operation.name in AT_THE_MACHINE:
        fields.append(("machine_code", MachineCode))
    members = msgspec.defstruct(
        "".join(word.capitalize() for word in operation.name.split("_")),
        fields,
        bases=(DeedMembers,),
        frozen=True,
        kw_only=True,
        forbid_unknown_fields=True,
        module=__name__,
    )
    members.__doc__ = operation.asks.__doc__
    return Offered(operation, members, own)


def takes_version(operation: Operation) -> bool:
    """Is there one thing whose version its caller saw: a load, an alarm's holder, the catalogue, a programme?"""
    parameters = signature(operation.asks).parameters
    about = [parameters[name].default for name in ("load", "stream") if name in parameters]
    return Parameter.empty in about or operation.asks.__module__.endswith(
        (".catalogue", ".programmes", ".escalation")
    )


OFFERED = {name: offered(operation) for name, operation in OPERATIONS.items() if name not in ELSEWHERE}


def do(caller: Caller, deed: Offered, given: Any) -> Outcome:
    """The deed, as its caller asks for it. Raises Malformed."""
    own = {name: plain(getattr(given, name), kind) for name, kind in deed.own.items()}
    if deed.operation.name in AT_THE_MACHINE:
        elsewhere = _elsewhere(caller.facility.id, own, given.machine_code)
        if elsewhere is not None:
            return elsewhere
    claimed: datetime | None = given.occurred_at
    asked = caller.asks(
        given.deed_id,
        occurred_at=None if claimed is None else plain(claimed, datetime),
        expected_version=getattr(given, "expected_version", None),
    )
    return deed.operation.run(asked, **own)


def _elsewhere(facility: UUID, own: Mapping[str, Any], code: str) -> Refusal | None:
    """The refusal of a deed whose caller stands at another machine, or None."""
    stream = own.get("stream") or Stream("load", own["load"])
    machine = stream.id if stream.kind == "machine" else floor.machine_of(facility, stream.id)
    at = facts.machine_by_code(facility, code)
    if machine is None or (at is not None and at.id == machine):
        return None  # of a load that isn't here the operation says so
    return Refusal(
        "scan-first",
        "This is not the code of that machine. Nothing was written.",
        "Read the code on the machine itself and send it as “machine_code”.",
    )


class Deed(Act):
    """One deed; the answer is the ledger's receipt."""

    tag = "deeds"
    gives = Receipt
    deed: Offered

    def act(self, caller: Caller, given: Any, **path: Any) -> Outcome:
        return do(caller, self.deed, given)


def door_of(name: str) -> type[Deed]:
    """The door of one deed."""
    deed = OFFERED[name]
    told: dict[str, Any] = {
        "deed": deed,
        "takes": deed.members,
        "operation_id": name,
        "__doc__": deed.operation.asks.__doc__,
        "summary": name.replace("_", " ").capitalize(),
    }
    return type(f"Deed_{name}", (Deed,), told)
