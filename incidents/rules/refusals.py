"""A refusal is a value with a name: what was not done, why, and what to do next."""

from __future__ import annotations

import msgspec


class Refusal(msgspec.Struct, frozen=True):
    """`code` for programs, `sentence` for whoever stands there, `next_step` for what to do."""

    code: str
    sentence: str
    next_step: str
