"""An event as stored text, and back.

The body is the whole envelope except the position, which the tree proves. What was stored decodes straight
into today's types where its version is today's; an older one is lifted first.
"""

from __future__ import annotations

import msgspec

from incidents.rules.events import TYPES, Recorded
from incidents.rules.upcasts import to_current

_decoder = msgspec.json.Decoder(Recorded)
_envelope = msgspec.json.Decoder()
CURRENT: dict[str, int] = {kind: event.schema for kind, event in TYPES.items()}


def decode(position: int, kind: str, schema: int, body: str | bytes) -> Recorded:
    """The event at `position`. Raises NoUpcast for a version that this release can't read."""
    if CURRENT.get(kind) == schema:
        recorded = _decoder.decode(body)
    else:
        envelope = _envelope.decode(body)
        lifted = to_current(kind, schema, CURRENT.get(kind, 0), envelope["data"])
        recorded = msgspec.convert(envelope | {"data": lifted}, Recorded)
    msgspec.structs.force_setattr(recorded, "position", position)
    return recorded


class Body(msgspec.Struct, frozen=True):
    """The envelope as it is written; its members are those of `Recorded` without the position."""

    actor: object
    data: object
    deed: object
    event: object
    facility: object
    occurred_at: object
    operation: str
    recorded_at: object
    schema: int
    sequence: int | None
    stream: object
    version: int
