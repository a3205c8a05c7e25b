"""A file for people: every line that was not sent, not taken, or sent in doubt, and why."""

from __future__ import annotations

import os
from pathlib import Path

from incidents.management.gateway.door import Clock

SHOWN = 300  # characters of the line


class Rejects:
    """Appended to, never read. After a kill a line may be told twice, but never not at all."""

    def __init__(self, file: Path, clock: Clock) -> None:
        self.file, self.clock = file, clock

    def write(self, place: str, why: str, line: str) -> None:
        shown = "".join(sign if sign.isprintable() else "·" for sign in line[:SHOWN])
        told = f"{self.clock():%Y-%m-%dT%H:%M:%SZ}\t{place}\t{why}\t{shown}\n"
        with self.file.open("a", encoding="utf-8") as file:
            file.write(told)
            file.flush()
            os.fsync(file.fileno())
