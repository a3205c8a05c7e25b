"""`manage.py backup FILE`: the embedded database, whole, while everything goes on."""

import os
import sqlite3
from argparse import ArgumentParser
from contextlib import closing
from pathlib import Path
from typing import Any, NoReturn

from django.core.management.base import BaseCommand
from django.db import connection


class Command(BaseCommand):
    help = "Copy the embedded database to FILE as it stands at one moment. PostgreSQL has pg_dump for that."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE", help="must not exist; better on another disk")

    def handle(self, *args: Any, file: Path, **options: Any) -> None:
        if connection.vendor != "sqlite":
            self._leave("This is not the embedded database: use pg_dump --format=custom.")
        if file.exists():
            self._leave(f"{file} exists. A backup never takes another one's place: name a new file.")
        beside = file.with_name(f"{file.name}.unfinished")
        try:
            _copy(beside)
            beside.rename(file)
        except (OSError, sqlite3.Error) as error:
            beside.unlink(missing_ok=True)
            self._leave(f"{file} could not be written: {error}")
        self.stdout.write(f"{file}: {file.stat().st_size} bytes")

    def _leave(self, sentence: str) -> NoReturn:
        self.stderr.write(sentence)
        raise SystemExit(2)


def _copy(file: Path) -> None:
    """SQLite's own online backup, then on the disk before it gets its name. Only its owner may read it."""
    os.close(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    connection.ensure_connection()
    with closing(sqlite3.connect(file)) as copy:
        connection.connection.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
    with file.open("rb+") as written:
        os.fsync(written.fileno())
