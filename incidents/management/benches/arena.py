"""A database of its own for a bench: made empty, migrated, thrown away; the user's data is never touched."""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from uuid import uuid4

import psycopg
from django.core.management import call_command
from django.db import connection

from incidents.ledger.dialect import on_postgresql


@contextmanager
def arena() -> Iterator[None]:
    """Within it, Django's connection is to a new database with every table and trigger, and no row."""
    own = _pointed_at()
    with _place() as place, _pointed(place):
        if _pointed_at() == own:
            raise RuntimeError("the bench would have written into the user's own database")
        call_command("migrate", verbosity=0)
        yield


@contextmanager
def twin() -> Iterator[str]:
    """A copy of the arena as it stands; gives what the driver opens it by."""
    here = connection.settings_dict["NAME"]
    leave()
    with _place(copy_of=here) as place:
        yield str(place)


@contextmanager
def environment() -> Iterator[dict[str, str]]:
    """What another process of ours works on the arena by."""
    place = _pointed_at()
    if not on_postgresql():
        yield {"SLUICEGATE_DATA": str(Path(place).parent)}
        return
    url = urlsplit(os.environ["DATABASE_URL"])._replace(path=f"/{place}").geturl()
    with tempfile.TemporaryDirectory(prefix="sluicegate-bench-") as folder:
        yield {"SLUICEGATE_DATA": folder, "DATABASE_URL": url}


def leave() -> None:
    """End this process's connections to the arena, pooled ones included."""
    connection.close()
    if on_postgresql():
        connection.close_pool()  # type: ignore[attr-defined]


def driver(name: str) -> Any:
    """The driver's own connection to a database, with the settings that Django's has."""
    if not on_postgresql():
        options = connection.settings_dict["OPTIONS"]
        made = sqlite3.connect(name, timeout=options["timeout"], isolation_level=None)
        made.executescript(options["init_command"])
        return made
    return psycopg.connect(**_server(name))


def _server(name: str) -> dict[str, Any]:
    """What psycopg connects by."""
    given: dict[str, Any] = connection.get_connection_params() | {"dbname": name}
    return {key: given[key] for key in ("dbname", "user", "password", "host", "port", "options") if given.get(key)}


def _pointed_at() -> str:
    return str(connection.settings_dict["NAME"])


@contextmanager
def _pointed(place: str) -> Iterator[None]:
    before = connection.settings_dict["NAME"]
    leave()
    connection.settings_dict["NAME"] = place
    try:
        yield
    finally:
        leave()
        connection.settings_dict["NAME"] = before


def _place(copy_of: Any = None) -> Any:
    return _database(copy_of) if on_postgresql() else _file(copy_of)


@contextmanager
def _file(copy_of: str | None) -> Iterator[str]:
    with tempfile.TemporaryDirectory(prefix="sluicegate-bench-") as folder:
        place = Path(folder) / "sluicegate.sqlite3"
        if copy_of is not None:
            shutil.copyfile(copy_of, place)
        yield str(place)


@contextmanager
def _database(copy_of: str | None) -> Iterator[str]:
    """Beside the user's database, on the same server."""
    place = f"sluicegate_bench_{uuid4().hex[:12]}"
    server = _server(_pointed_at())
    with psycopg.connect(**server, autocommit=True) as made_by:
        template = f' TEMPLATE "{copy_of}"' if copy_of else ""
        made_by.execute(f'CREATE DATABASE "{place}"{template}')
    try:
        yield place
    finally:
        with psycopg.connect(**server, autocommit=True) as dropped_by:
            dropped_by.execute(f'DROP DATABASE "{place}"')  # FORCE may not end an autovacuum
