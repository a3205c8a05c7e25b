"""What a gateway must not forget: how far it read each file, and what it read and the server has not confirmed.

One SQLite file. How far a file was read moves in the same transaction that keeps what was read there, with its
number; so a kill at any moment loses nothing and doubles nothing.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

_TABLES = """
CREATE TABLE IF NOT EXISTS file (
  id INTEGER PRIMARY KEY, device INTEGER, inode INTEGER, head BLOB, tail BLOB,
  offset INTEGER, lines INTEGER, header TEXT, name TEXT
);
CREATE TABLE IF NOT EXISTS waiting (number INTEGER PRIMARY KEY, event TEXT NOT NULL, place TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS counter (next INTEGER NOT NULL);
"""


class Known(NamedTuple):
    """A file as far as it was read: its first bytes, and the last before `offset`, tell it from another."""

    id: int
    device: int
    inode: int
    head: bytes
    tail: bytes
    offset: int
    lines: int
    header: str
    name: str


class Waiting(NamedTuple):
    """An observation that the server has not confirmed; `place` is where it was read, for people."""

    number: int
    event: dict[str, Any]
    place: str


class Memory:
    def __init__(self, file: Path, first_number: int) -> None:
        self._base = sqlite3.connect(file, isolation_level=None, timeout=10)
        self._base.executescript("PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL;" + _TABLES)
        self._base.execute("INSERT INTO counter SELECT ? WHERE NOT EXISTS (SELECT 1 FROM counter)", (first_number,))

    def close(self) -> None:
        self._base.close()

    def files(self) -> list[Known]:
        """Every file that was ever read from, the newest first."""
        return [Known(*row) for row in self._base.execute("SELECT * FROM file ORDER BY id DESC")]

    def meet(self, device: int, inode: int, head: bytes, name: str) -> Known:
        """A file that was never read from."""
        made = self._base.execute(
            "INSERT INTO file (device, inode, head, tail, offset, lines, header, name)"
            " VALUES (?, ?, ?, x'', 0, 0, '', ?)",
            (device, inode, head, name),
        )
        return Known(int(made.lastrowid or 0), device, inode, head, b"", 0, 0, "", name)

    def keep(self, file: Known, read: Sequence[tuple[dict[str, Any], str]]) -> None:
        """How far the file is read now, and what was read there, each numbered."""
        self._base.execute("BEGIN IMMEDIATE")
        try:
            (number,) = self._base.execute("SELECT next FROM counter").fetchone()
            for event, place in read:
                row = (number, json.dumps(event | {"sequence": number}), place)
                self._base.execute("INSERT INTO waiting VALUES (?, ?, ?)", row)
                number += 1
            self._base.execute("UPDATE counter SET next = ?", (number,))
            self._base.execute(
                "UPDATE file SET device=?, inode=?, head=?, tail=?, offset=?, lines=?, header=?, name=? WHERE id=?",
                (*file[1:], file.id),
            )
            self._base.execute("COMMIT")
        except BaseException:
            self._base.execute("ROLLBACK")
            raise

    def waiting(self, limit: int) -> list[Waiting]:
        """The first observations that the server has not confirmed, by number."""
        rows = self._base.execute("SELECT number, event, place FROM waiting ORDER BY number LIMIT ?", (limit,))
        return [Waiting(number, json.loads(event), place) for number, event, place in rows]

    def confirmed(self, numbers: Sequence[int]) -> None:
        """The server has them, or has said why it never will."""
        marks = ", ".join("?" * len(numbers))
        self._base.execute(f"DELETE FROM waiting WHERE number IN ({marks})", tuple(numbers))
