"""One machine as its own stream tells it."""

from __future__ import annotations

from uuid import UUID

from incidents.ledger.reading import read_stream
from incidents.rules import machines
from incidents.rules.events import Stream
from incidents.rules.machines import Machine


def machine(facility: UUID, machine_id: UUID) -> Machine | None:
    """None where this facility has no such machine."""
    events = read_stream(facility, Stream("machine", machine_id))
    return machines.fold(machine_id, events) if events else None
