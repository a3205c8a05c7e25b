"""What is wrong with a file, and what to do about it."""

from __future__ import annotations

import msgspec

EXCERPT = 40  # characters of a cell that are shown


class Problem(msgspec.Struct, frozen=True):
    """`line` is where the row begins, from 1; `column` is the file's own heading, if the fault lies in one."""

    file: str
    line: int
    column: str
    code: str
    what: str
    to_do: str

    def __str__(self) -> str:
        column = f", column “{self.column}”" if self.column else ""
        return f"{self.file}, line {self.line}{column}: {self.what} {self.to_do}"


class Flaw(Exception):
    """A cell, a row or a whole file can't be taken as it stands."""

    def __init__(self, code: str, what: str, to_do: str, column: str = "", line: int = 1) -> None:
        super().__init__(what)
        self.code, self.what, self.to_do, self.column, self.line = code, what, to_do, column, line

    def in_file(self, file: str, line: int | None = None, column: str = "") -> Problem:
        return Problem(file, line or self.line, self.column or column, self.code, self.what, self.to_do)


def excerpt(text: str) -> str:
    """The beginning of a cell, in quotes, without what would break the line."""
    shown = "".join(sign if sign.isprintable() else "·" for sign in text[:EXCERPT])
    return f"“{shown}…”" if len(text) > EXCERPT else f"“{shown}”"
