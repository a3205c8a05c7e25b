"""A folder's lines to the server: read, kept with their numbers, sent, and forgotten once it has answered."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from datetime import datetime
from pathlib import Path
from typing import Any

from incidents.management.gateway import files
from incidents.management.gateway.config import Config, Odd
from incidents.management.gateway.door import Away, Clock, Patience, send_all
from incidents.management.gateway.files import Piece, Text
from incidents.management.gateway.mapping import Reading, Unreadable, read_line, reading_of, row_of
from incidents.management.gateway.memory import Memory
from incidents.management.gateway.rejects import Rejects

AHEAD = 10_000  # observations read ahead of the server, at most


class Tail:
    """`pause(seconds)` waits, and says whether to go on; `say` tells whoever watches."""

    def __init__(
        self, config: Config, clock: Clock, pause: Callable[[float], bool], say: Callable[[str], None]
    ) -> None:
        self.reading = reading_of(config)
        self.config, self.folder = config, self.reading.folder
        self.clock, self.pause, self.say = clock, pause, say
        self.patience = Patience(config.door)
        self.rejects = Rejects(Path(self.folder.rejects), clock)

    def run(self, *, once: bool = False) -> None:
        """Until told to stop; with `once`, until everything that is there was answered for. Raises Odd."""
        folder = Path(self.folder.path)
        if not folder.is_dir():
            raise Odd(f"{folder} is no folder.")
        with closing(Memory(Path(self.folder.memory), self.config.machine.first_number)) as memory:
            while True:
                new = self._read(memory)
                if not self._send(memory):
                    return
                if once and not new:
                    return
                if not new and not self.pause(self.folder.every_s):
                    return

    def _read(self, memory: Memory) -> bool:
        """Keep what is new, as far as there is room; was there anything?"""
        found = False
        for piece in files.pieces(memory, Path(self.folder.path), self.folder.files, self.folder.encoding):
            header, read = self._observed(piece)
            memory.keep(piece.file._replace(header=header), read)
            found = True
            if len(memory.waiting(AHEAD)) >= AHEAD:
                break
        return found

    def _observed(self, piece: Piece) -> tuple[str, list[tuple[dict[str, Any], str]]]:
        header, read = piece.file.header, []
        for text in piece.lines:
            place = f"{piece.file.name} line {text.number}"
            try:
                if text.line is None:
                    raise Unreadable(text.why)
                if _is_header(self.config, text):
                    header = text.line
                    continue
                event = self._event(piece, text, header, place)
                if event is not None:
                    read.append((event, place))
            except Unreadable as error:
                self.rejects.write(place, f"not sent, {error}", text.line or "")
        return header, read

    def _event(self, piece: Piece, text: Text, header: str, place: str) -> dict[str, Any] | None:
        seen = read_line(self.reading, text.line or "", _columns(self.reading, header))
        if seen is None:
            return None
        if seen.doubt:
            self.rejects.write(place, f"sent, but in doubt: {seen.doubt}", text.line or "")
        file = piece.file
        return {
            "specversion": "1.0",
            "type": seen.kind,
            "source": self.config.machine.source,
            "id": f"{file.id}-{file.device:x}-{file.inode:x}:{text.offset}",
            "time": _written(seen.at),
            "data": seen.data,
        }

    def _send(self, memory: Memory) -> bool:
        """Send all that waits; False where it was told to stop before."""
        while waiting := memory.waiting(self.config.door.batch):
            try:
                said = send_all(self.config.door, [each.event for each in waiting], self.clock)
            except Away as away:
                wait = self.patience.after(away)
                self.say(f"{len(waiting)} or more observations wait; again in {wait:.0f} s ({away}).")
                if not self.pause(wait):
                    return False
                continue
            self.patience.answered()
            for one, word in zip(waiting, said, strict=True):
                if not word.taken:
                    self.rejects.write(one.place, f"not taken by the server, {word.why}", f"number {one.number}")
            memory.confirmed([one.number for one in waiting])
        return True


def _is_header(config: Config, text: Text) -> bool:
    return config.csv is not None and config.csv.header and text.number == 1


def _columns(reading: Reading, header: str) -> list[str]:
    table = reading.config.csv
    return row_of(header, table.delimiter) if table is not None and header else []


def _written(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")
