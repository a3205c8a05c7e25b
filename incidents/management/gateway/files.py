"""The files of a folder as they grow: whole lines only, each once, through rotation, copies and truncation."""

from __future__ import annotations

import codecs
import os
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple

from incidents.management.gateway.memory import Known, Memory

HEAD = TAIL = 512  # bytes that tell one file from another
PIECE = 256 * 1024  # bytes that are read at a time
LONGEST = 64 * 1024  # bytes of a line
_MARKS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


class Text(NamedTuple):
    """A line with the place where it begins; `line` is None where it can't be read, and `why` says so."""

    offset: int
    number: int
    line: str | None
    why: str = ""


class Piece(NamedTuple):
    """Some whole lines of a file, and how far it is read with them."""

    file: Known
    lines: list[Text]


def pieces(memory: Memory, folder: Path, pattern: str, encoding: str) -> Iterator[Piece]:
    """Everything new in the folder, the file that changed longest ago first."""
    for path in sorted(_paths(folder, pattern), key=_changed):
        try:
            with path.open("rb") as file:
                known = _recognise(memory, path.name, file)
                while known is not None:
                    piece = _read(known, file, encoding)
                    if piece is None:
                        break
                    yield piece
                    known = piece.file
        except FileNotFoundError:
            continue  # rotated away between two looks: it is met under its new name


def _paths(folder: Path, pattern: str) -> list[Path]:
    """Files that stand in the folder itself: no link leads out of it."""
    return [path for path in folder.glob(pattern) if path.is_file() and not path.is_symlink()]


def _changed(path: Path) -> tuple[float, str]:
    try:
        return path.stat().st_mtime, path.name
    except FileNotFoundError:
        return 0.0, path.name


def _recognise(memory: Memory, name: str, file: BinaryIO) -> Known | None:
    """The file as far as it was read, or a new one. Nothing in it yet: none."""
    status = os.fstat(file.fileno())
    head = file.read(HEAD)
    if not head:
        return None
    files = memory.files()
    same = [known for known in files if (known.device, known.inode) == (status.st_dev, status.st_ino)]
    for known in (*same[:1], *(each for each in files if each.offset)):
        if _goes_on(known, file, head, status.st_size):
            longer = head if len(head) > len(known.head) else known.head
            return known._replace(device=status.st_dev, inode=status.st_ino, head=longer, name=name)
    return memory.meet(status.st_dev, status.st_ino, head, name)


def _goes_on(known: Known, file: BinaryIO, head: bytes, size: int) -> bool:
    """Does it begin as the known file did, and have before our place what we read there last?"""
    if size < known.offset or not head.startswith(known.head[: known.offset or HEAD]):
        return False
    file.seek(known.offset - len(known.tail))
    return file.read(len(known.tail)) == known.tail


def _read(known: Known, file: BinaryIO, encoding: str) -> Piece | None:
    mark, encoding = _encoding(known.head, encoding)
    start = max(known.offset, len(mark))
    file.seek(start)
    raw = file.read(PIECE)
    end = _last_break(raw, encoding)
    if not end:
        return None if len(raw) < PIECE else _skipped(known, start, raw)
    lines, offset, number = [], start, known.lines
    for one in _split(raw[:end], encoding):
        number += 1
        lines.append(_decoded(offset, number, one, encoding))
        offset += len(one)
    tail = (known.tail + raw[:end])[-TAIL:] if known.offset else raw[:end][-TAIL:]
    return Piece(known._replace(offset=start + end, lines=number, tail=tail), lines)


def _skipped(known: Known, start: int, raw: bytes) -> Piece:
    """A line without an end: pass over it, and say so."""
    told = Text(start, known.lines + 1, None, f"a line of more than {LONGEST} bytes")
    return Piece(known._replace(offset=start + len(raw), tail=raw[-TAIL:]), [told])


def _encoding(head: bytes, given: str) -> tuple[bytes, str]:
    return next(((mark, name) for mark, name in _MARKS if head.startswith(mark)), (b"", given))


def _break(encoding: str) -> bytes:
    return "\n".encode(encoding)


def _breaks(raw: bytes, encoding: str) -> Iterator[int]:
    """Where lines end, just behind the break. In UTF-16 its two bytes stand at an even place."""
    wide, at = _break(encoding), -1
    while (at := raw.find(wide, at + 1)) >= 0:
        if at % len(wide) == 0:
            yield at + len(wide)


def _last_break(raw: bytes, encoding: str) -> int:
    return max(_breaks(raw, encoding), default=0)


def _split(raw: bytes, encoding: str) -> Iterator[bytes]:
    start = 0
    for end in _breaks(raw, encoding):
        yield raw[start:end]
        start = end


def _decoded(offset: int, number: int, raw: bytes, encoding: str) -> Text:
    if len(raw) > LONGEST:
        return Text(offset, number, None, f"a line of more than {LONGEST} bytes")
    try:
        return Text(offset, number, raw.decode(encoding).rstrip("\r\n"))
    except UnicodeDecodeError as error:
        return Text(offset, number, None, f"byte {error.start + 1} of the line is not {encoding}")
