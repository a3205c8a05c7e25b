"""What the logs were when somebody last looked, noted outside the database.

A database restored from a backup proves itself without a flaw and is shorter all the same; only a note kept
elsewhere tells. The witness is one small file: the size and the frontier of each facility's log. A log has to
be the one noted or a continuation of it, which its frontier and the bodies since prove (RFC 9162, 2.1).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple
from uuid import UUID

import msgspec
from django.conf import settings
from django.db import connection

from incidents.ledger.dialect import id_out
from incidents.ledger.merkle import grow, leaf_hash, root_of_frontier

BATCH = 5_000


class Note(msgspec.Struct, frozen=True):
    """A log as it was: how many events, and its frontier (hex)."""

    size: int
    frontier: str

    @property
    def root(self) -> str:
        return root_of_frontier(self.size, bytes.fromhex(self.frontier)).hex()


class Doubt(NamedTuple):
    """A log that is not the one noted, nor a continuation of it."""

    facility: UUID
    sentence: str
    noted: Note


class LogShortened(Exception):
    """The database is not the one that was noted last. Nothing may be written until somebody accepts that."""

    def __init__(self, doubts: list[Doubt]) -> None:
        lines = [f"- facility {doubt.facility}: {doubt.sentence}" for doubt in doubts]
        super().__init__(
            "\n".join(
                [
                    "The ledger is not the one that the witness noted:",
                    *lines,
                    "If a backup was restored on purpose, accept it: manage.py accept-restore --help",
                ]
            )
        )


class WitnessUnreadable(Exception):
    """The witness's file can't be read; a witness that says nothing must not pass for one that agrees."""


def witness_file() -> Path:
    return Path(settings.WITNESS)


def doubts() -> list[Doubt]:
    """Every log that is shorter than noted, other than noted, or gone. Raises WitnessUnreadable."""
    noted, heads = _read(), _heads()
    found = (_doubt(facility, note, heads.get(facility)) for facility, note in noted.items())
    return [doubt for doubt in found if doubt is not None]


def require_unshortened() -> None:
    """Raise LogShortened with every doubt, if there is one."""
    found = doubts()
    if found:
        raise LogShortened(found)


def note() -> list[Doubt]:
    """Note every log that continues what was noted; one in doubt keeps its old note, and is given back."""
    with _alone():
        noted, heads = _read(), _heads()
        found = [
            doubt
            for facility, before in noted.items()
            if (doubt := _doubt(facility, before, heads.get(facility))) is not None
        ]
        doubted = {doubt.facility for doubt in found}
        fresh = {facility: Note(size, frontier.hex()) for facility, (size, frontier) in heads.items()}
        agreed = {facility: note for facility, note in fresh.items() if facility not in doubted}
        _write(noted | agreed)
    return found


def forget(facility: UUID) -> None:
    """Let a log that somebody accepted as it is be noted anew."""
    with _alone():
        _write({each: note for each, note in _read().items() if each != facility})


def _doubt(facility: UUID, noted: Note, head: tuple[int, bytes] | None) -> Doubt | None:
    if head is None:
        return Doubt(facility, f"its log is gone; {noted.size} events were noted.", noted)
    size, frontier = head
    if size < noted.size:
        return Doubt(facility, f"it holds {size} events; {noted.size} were noted.", noted)
    if _grown(facility, noted, size) != frontier:
        return Doubt(facility, f"its first {noted.size} events are not those that were noted.", noted)
    return None


def _grown(facility: UUID, noted: Note, size: int) -> bytes:
    """The noted frontier, grown by the bodies that stand in the log since."""
    at, frontier = noted.size, bytes.fromhex(noted.frontier)
    with connection.cursor() as cursor:
        while at < size:
            cursor.execute(_BODIES, (facility, at, min(size, at + BATCH)))
            bodies = cursor.fetchall()
            if not bodies:
                return b""
            for (body,) in bodies:
                frontier = grow(at, frontier, leaf_hash(body.encode()))
                at += 1
    return frontier


def _heads() -> dict[UUID, tuple[int, bytes]]:
    with connection.cursor() as cursor:
        cursor.execute("SELECT facility_id, size, frontier FROM ledger_head")
        return {id_out(facility): (size, bytes(frontier)) for facility, size, frontier in cursor.fetchall()}


def _read() -> dict[UUID, Note]:
    path = witness_file()
    try:
        notes = msgspec.json.decode(path.read_bytes(), type=dict[UUID, Note])
        for note in notes.values():
            root_of_frontier(note.size, bytes.fromhex(note.frontier))
    except FileNotFoundError:
        return {}
    except (OSError, msgspec.DecodeError, ValueError) as error:
        raise WitnessUnreadable(f"The witness {path} can’t be read: {error}") from None
    return notes


def _write(notes: dict[UUID, Note]) -> None:
    """Whole or not at all, and on the disk before it counts."""
    path = witness_file()
    beside = path.with_name(f"{path.name}.new")
    with beside.open("wb") as file:
        kept = {str(facility): notes[facility] for facility in sorted(notes)}
        file.write(msgspec.json.format(msgspec.json.encode(kept)))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@contextlib.contextmanager
def _alone() -> Iterator[None]:
    """One at a time: the file is read, compared and written by any worker."""
    path = witness_file()
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with path.with_name(f"{path.name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


_BODIES = (
    "SELECT body FROM ledger_event WHERE facility_id = %s AND position >= %s AND position < %s ORDER BY position"
)
