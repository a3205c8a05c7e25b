"""What the database itself refuses: a change of what stands in the ledger (design decision 8).

Every ledger table has triggers. Each is kept here as the statement that makes it, and `flaws` compares that
with what the database remembers, letter for letter, so that one which is gone, switched off or replaced by
a weaker one is named. On PostgreSQL the app's role can neither drop nor disable them. On SQLite whoever can
write the file can, which is why a start refuses a ledger with flaws.
"""

from typing import NamedTuple

from django.conf import settings
from django.db import connections, transaction
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.utils import CursorWrapper

# The ledger's tables and the facilities', each with the change of a row that is refused; no column is nullable.
REFUSED_CHANGES = {
    "ledger_event": "TRUE",
    "ledger_deed": "TRUE",
    "ledger_blob": "TRUE",
    "ledger_head": "NEW.facility_id <> OLD.facility_id OR NEW.size < OLD.size"
    " OR (NEW.size = OLD.size AND NEW.frontier <> OLD.frontier)",
    "ledger_words": "NEW.facility_id <> OLD.facility_id OR NEW.digest <> OLD.digest"
    " OR NEW.text <> '' OR (NEW.salt <> OLD.salt AND length(NEW.salt) > 0)",
    # What is a demonstration never becomes a department, nor the other way round: there signatures need no PIN.
    "incidents_facility": "NEW.id <> OLD.id OR NEW.demo <> OLD.demo",
}
# What names a row. On SQLite, INSERT OR REPLACE removes the row of that name and asks no other trigger.
KEYS = {
    "ledger_event": ["facility_id position", "facility_id event_id", "facility_id stream_kind stream_id version"],
    "ledger_deed": ["facility_id deed_id"],
    "ledger_blob": ["facility_id digest seq"],
    "ledger_head": ["facility_id"],
    "ledger_words": ["facility_id digest"],
    "incidents_facility": ["id", "slug"],
}
# What the app's role may do on PostgreSQL with these tables, and with all others.
GRANTS = {
    "ledger_event": "SELECT, INSERT",
    "ledger_deed": "SELECT, INSERT",
    "ledger_blob": "SELECT, INSERT",
    "ledger_head": "SELECT, INSERT, UPDATE (size, frontier, recorded_at)",
    "ledger_words": "SELECT, INSERT, UPDATE (text, salt)",
}
GRANT_ON_OTHERS = "SELECT, INSERT, UPDATE, DELETE"


class LedgerUnsound(Exception):
    """The database would not keep what it acknowledges. Nothing may be written until every flaw is gone."""

    def __init__(self, found: list[str]) -> None:
        super().__init__("\n".join(["The ledger's database is not sound:", *(f"- {flaw}." for flaw in found)]))
        self.flaws = found


def freeze(connection: BaseDatabaseWrapper) -> None:
    """Make every trigger that is missing or altered, on those ledger tables that exist."""
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        tables = _column(cursor, TABLES[connection.vendor])
        for trigger in _missing(connection.vendor, cursor):
            if trigger.table in tables:
                for statement in (trigger.drop, *trigger.make):
                    cursor.execute(statement)


def thaw(connection: BaseDatabaseWrapper) -> None:
    """Drop the triggers, for the flush between tests and for nothing else."""
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        tables = _column(cursor, TABLES[connection.vendor])
        for trigger in _triggers(connection.vendor):
            if trigger.table in tables:
                cursor.execute(trigger.drop)


def grant(connection: BaseDatabaseWrapper, role: str) -> None:
    """Let the app's role do what it may in this schema, and no more (PostgreSQL; the role must exist)."""
    name = connection.ops.quote_name
    with transaction.atomic(using=connection.alias), connection.cursor() as cursor:
        (schema,) = _column(cursor, "SELECT current_schema()")
        cursor.execute(f"GRANT USAGE ON SCHEMA {name(schema)} TO {name(role)}")
        for table in _column(cursor, TABLES["postgresql"]):
            rights = GRANTS.get(table, GRANT_ON_OTHERS)
            cursor.execute(f"REVOKE ALL ON TABLE {name(table)} FROM {name(role)}")
            cursor.execute(f"GRANT {rights} ON TABLE {name(table)} TO {name(role)}")
        for sequence in _column(cursor, SEQUENCES):
            cursor.execute(f"GRANT USAGE ON SEQUENCE {name(sequence)} TO {name(role)}")


def flaws(connection: BaseDatabaseWrapper) -> list[str]:
    """Why this database would not keep what it acknowledges, and what to do; empty when it would."""
    careless = _careless_postgresql if connection.vendor == "postgresql" else _careless_sqlite
    with connection.cursor() as cursor:
        unguarded = [
            f"the trigger {trigger.name} is missing, off or altered: run manage.py migrate"
            for trigger in _missing(connection.vendor, cursor)
        ]
        return unguarded + careless(cursor)


def require_sound(connection: BaseDatabaseWrapper) -> None:
    """Raise LedgerUnsound with every flaw, if there is one."""
    found = flaws(connection)
    if found:
        raise LedgerUnsound(found)


def reapply(sender: object, *, using: str, **_: object) -> None:
    """After `migrate` and `flush`. A table that SQLite remade has lost its triggers, a new one has no grants."""
    connection = connections[using]
    with connection.cursor() as cursor:
        if REFUSED_CHANGES.keys().isdisjoint(_column(cursor, TABLES[connection.vendor])):
            return
    freeze(connection)
    if connection.vendor == "postgresql" and settings.APP_ROLE:
        grant(connection, settings.APP_ROLE)


# The triggers.


class Trigger(NamedTuple):
    table: str
    name: str
    drop: str
    make: tuple[str, ...]
    remembered: tuple[str, str]  # its statement and its function's body, as the database gives them back


def _triggers(vendor: str) -> list[Trigger]:
    of_table = _postgresql_triggers if vendor == "postgresql" else _sqlite_triggers
    return [trigger for table in REFUSED_CHANGES for trigger in of_table(table)]


def _missing(vendor: str, cursor: CursorWrapper) -> list[Trigger]:
    cursor.execute(REMEMBERED[vendor])
    remembered = set(cursor.fetchall())
    return [trigger for trigger in _triggers(vendor) if trigger.remembered not in remembered]


def _sqlite_triggers(table: str) -> list[Trigger]:
    """`rowid` is a second name of every row, by which INSERT and UPDATE OR REPLACE could hit another one."""
    taken = " OR ".join(f"EXISTS (SELECT 1 FROM {table} WHERE {_same(key)})" for key in [*KEYS[table], "rowid"])
    changed = f"{REFUSED_CHANGES[table]} OR NEW.rowid <> OLD.rowid"
    refused = {"INSERT": taken, "UPDATE": changed, "DELETE": "TRUE"}
    return [_sqlite_trigger(table, act, condition) for act, condition in refused.items()]


def _sqlite_trigger(table: str, act: str, condition: str) -> Trigger:
    name = f"{table}_no_{act.lower()}"
    create = (
        f"CREATE TRIGGER {name} BEFORE {act} ON {table} WHEN {condition}"
        f" BEGIN SELECT RAISE(ABORT, '{table} stands: {act} refused'); END"
    )
    return Trigger(table, name, f"DROP TRIGGER IF EXISTS {name}", (create,), (create, ""))


def _same(key: str) -> str:
    return " AND ".join(f"{column} = NEW.{column}" for column in key.split())


def _postgresql_triggers(table: str) -> list[Trigger]:
    """Rows are asked one by one, so that partitions and logical replication ask too; TRUNCATE knows no rows."""
    return [
        _postgresql_trigger(table, "no_change", "DELETE OR UPDATE", "ROW"),
        _postgresql_trigger(table, "no_truncate", "TRUNCATE", "STATEMENT"),
    ]


def _postgresql_trigger(table: str, what: str, acts: str, each: str) -> Trigger:
    name, function = f"{table}_{what}", f"{table}_stands()"
    body = FUNCTION_BODY.format(table=table, refused=REFUSED_CHANGES[table])
    create = f"CREATE TRIGGER {name} BEFORE {acts} ON {table} FOR EACH {each} EXECUTE FUNCTION {function}"
    make = (
        f"CREATE OR REPLACE FUNCTION {function} RETURNS trigger LANGUAGE plpgsql"
        f" SET search_path = pg_catalog AS $body${body}$body$",
        create,
        # ALWAYS, because `session_replication_role = replica` switches ordinary triggers off.
        f"ALTER TABLE {table} ENABLE ALWAYS TRIGGER {name}",
    )
    return Trigger(table, name, f"DROP TRIGGER IF EXISTS {name} ON {table}", make, (create, body))


FUNCTION_BODY = """
BEGIN
  IF TG_OP = 'UPDATE' THEN
    IF NOT ({refused}) THEN
      RETURN NEW;
    END IF;
  END IF;
  RAISE EXCEPTION '{table} stands: % refused', TG_OP USING ERRCODE = 'restrict_violation';
END
"""


# What the database says of itself.

SQLITE_FULL = 2  # of OFF 0, NORMAL 1, FULL 2, EXTRA 3

REMEMBERED = {
    "sqlite": "SELECT sql, '' FROM sqlite_master WHERE type = 'trigger'",
    "postgresql": (
        "SELECT pg_get_triggerdef(t.oid, true), prosrc FROM pg_trigger t JOIN pg_proc ON pg_proc.oid = tgfoid"
        " WHERE tgenabled = 'A' AND pg_table_is_visible(tgrelid)"
    ),
}
# Ours are those whose owner we are. A partition is reached through its table alone.
OURS = (
    "SELECT relname FROM pg_class WHERE relnamespace = to_regnamespace(quote_ident(current_schema()))"
    " AND pg_has_role(relowner, 'USAGE') AND NOT relispartition AND relkind IN "
)
SEQUENCES = OURS + "('S')"
TABLES = {
    "sqlite": "SELECT name FROM sqlite_master WHERE type = 'table'",
    "postgresql": OURS + "('r', 'p')",
}


def _column(cursor: CursorWrapper, query: str) -> list[str]:
    cursor.execute(query)
    return [value for (value,) in cursor.fetchall()]


def _careless_postgresql(cursor: CursorWrapper) -> list[str]:
    off = _column(
        cursor,
        "SELECT name FROM pg_settings WHERE setting = 'off'"
        " AND name IN ('fsync', 'full_page_writes', 'synchronous_commit') ORDER BY name",
    )
    return [
        f"PostgreSQL has {name} = off, so that a crash loses what was acknowledged: set it to on" for name in off
    ]


def _careless_sqlite(cursor: CursorWrapper) -> list[str]:
    (synchronous,), (journal,) = _column(cursor, "PRAGMA synchronous"), _column(cursor, "PRAGMA journal_mode")
    found = []
    if int(synchronous) < SQLITE_FULL:
        found.append("SQLite syncs less than FULL, a power cut loses what was acknowledged: set synchronous=FULL")
    if journal != "wal":
        found.append(f"SQLite's journal is {journal}, readers and writers stop each other: set journal_mode=WAL")
    return found
