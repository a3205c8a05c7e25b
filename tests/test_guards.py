"""What the database refuses by itself, whoever asks: on SQLite, on PostgreSQL, and as the app's own role."""

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from django.apps import apps
from django.contrib.auth import get_user_model
from django.core.management import call_command
from django.db import DatabaseError, IntegrityError, connection, transaction

from incidents.ledger import guards

pytestmark = pytest.mark.django_db

only_postgresql = pytest.mark.skipif(
    connection.vendor != "postgresql", reason="asks PostgreSQL; this run is on SQLite"
)
only_sqlite = pytest.mark.skipif(connection.vendor != "sqlite", reason="asks SQLite; this run is on PostgreSQL")

ALDER, BIRCH = "0" * 31 + "a", "0" * 31 + "b"  # two facilities, as both databases take them
NOON = "2026-03-04 12:00:00"
ROWS: dict[str, dict[str, Any]] = {
    "ledger_event": {
        "facility_id": ALDER,
        "position": 0,
        "event_id": "1" * 32,
        "stream_kind": "load",
        "stream_id": "2" * 32,
        "version": 1,
        "type": "load-assembled",
        "schema": 1,
        "occurred_at": NOON,
        "recorded_at": NOON,
        "body": "{}",
    },
    "ledger_deed": {"facility_id": ALDER, "deed_id": "3" * 32, "digest": b"d", "first_position": 0, "count": 1},
    "ledger_blob": {"facility_id": ALDER, "digest": b"d", "seq": 0, "piece": b"curve"},
    "ledger_head": {"facility_id": ALDER, "size": 5, "frontier": b"f" * 64, "recorded_at": NOON},
    "ledger_words": {"facility_id": ALDER, "digest": "d" * 64, "salt": b"s", "text": "door seal torn"},
}
STANDING = ["ledger_event", "ledger_deed", "ledger_blob"]
EVERY = list(ROWS)


def say(statement: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement, values or None)


def ask(query: str) -> Any:
    with connection.cursor() as cursor:
        cursor.execute(query)
        return cursor.fetchall()


def insert(table: str, verb: str = "INSERT", **changed: Any) -> None:
    row = ROWS[table] | changed
    say(f"{verb} INTO {table} ({', '.join(row)}) VALUES ({', '.join(['%s'] * len(row))})", *row.values())


def refused(statement: str, *values: Any, why: str = "stands: .* refused") -> None:
    with pytest.raises(DatabaseError, match=why), transaction.atomic():
        say(statement, *values)


@pytest.fixture
def ledger() -> None:
    """One row in every table."""
    for table in EVERY:
        insert(table)


# On both databases.


def test_a_migrated_database_is_sound() -> None:
    assert guards.flaws(connection) == []
    guards.require_sound(connection)


@pytest.mark.parametrize("table", STANDING)
@pytest.mark.usefixtures("ledger")
def test_what_stands_is_never_changed(table: str) -> None:
    before = ask(f"SELECT * FROM {table}")
    for column, value in ROWS[table].items():
        refused(f"UPDATE {table} SET {column} = %s", value)
    refused(f"DELETE FROM {table}")
    assert ask(f"SELECT * FROM {table}") == before


@pytest.mark.usefixtures("ledger")
def test_the_refusal_is_an_integrity_error_on_both_databases() -> None:
    with pytest.raises(IntegrityError, match="ledger_event stands: DELETE refused"), transaction.atomic():
        say("DELETE FROM ledger_event")


@pytest.mark.usefixtures("ledger")
def test_upsert_is_an_update() -> None:
    refused(
        "INSERT INTO ledger_deed (facility_id, deed_id, digest, first_position, count) VALUES (%s, %s, %s, 9, 9)"
        " ON CONFLICT (facility_id, deed_id) DO UPDATE SET first_position = 9",
        *list(ROWS["ledger_deed"].values())[:3],
    )


@pytest.mark.usefixtures("ledger")
def test_a_head_only_grows() -> None:
    refused("UPDATE ledger_head SET size = 4")
    refused("UPDATE ledger_head SET size = 4, frontier = %s", b"g" * 32)
    refused("UPDATE ledger_head SET frontier = %s", b"g" * 64)
    refused("UPDATE ledger_head SET facility_id = %s, size = 6", BIRCH)
    refused("DELETE FROM ledger_head")
    say("UPDATE ledger_head SET size = 6, frontier = %s, recorded_at = %s", b"g" * 64, NOON)
    say("UPDATE ledger_head SET recorded_at = %s", "2026-03-04 12:00:01")
    assert ask("SELECT size FROM ledger_head") == [(6,)]


@pytest.mark.usefixtures("ledger")
def test_words_can_be_emptied_and_nothing_else() -> None:
    refused("UPDATE ledger_words SET text = 'door seal fine'")
    refused("UPDATE ledger_words SET text = '', salt = %s", b"t")
    refused("UPDATE ledger_words SET text = '', digest = %s", "e" * 64)
    refused("UPDATE ledger_words SET text = '', facility_id = %s", BIRCH)
    refused("DELETE FROM ledger_words")
    say("UPDATE ledger_words SET text = '', salt = %s", b"")  # with its salt the digest tells nothing any more
    assert ask("SELECT text FROM ledger_words") == [("",)]


def append_everywhere() -> None:
    insert("ledger_event", position=1, event_id="4" * 32, version=2)
    insert("ledger_event", facility_id=BIRCH)
    insert("ledger_deed", deed_id="5" * 32)
    insert("ledger_blob", seq=1)
    insert("ledger_head", facility_id=BIRCH)
    insert("ledger_words", digest="e" * 64)


@pytest.mark.usefixtures("ledger")
def test_the_log_goes_on() -> None:
    append_everywhere()
    assert ask("SELECT count(*) FROM ledger_event") == [(3,)]


def test_a_thawed_ledger_is_unsound_and_names_every_table() -> None:
    guards.thaw(connection)
    found = guards.flaws(connection)
    assert len(found) == {"sqlite": 18, "postgresql": 12}[connection.vendor]
    for table in EVERY:
        assert any(f"trigger {table}_no_" in flaw and "manage.py migrate" in flaw for flaw in found)
    with pytest.raises(guards.LedgerUnsound) as unsound:
        guards.require_sound(connection)
    assert unsound.value.flaws == found
    assert all(flaw in str(unsound.value) for flaw in found)

    insert("ledger_event")
    say("DELETE FROM ledger_event")  # the positive control: it is the triggers that refuse

    guards.freeze(connection)
    guards.freeze(connection)
    assert guards.flaws(connection) == []


def test_guards_wait_for_their_tables() -> None:
    guards.thaw(connection)
    for table in EVERY[:-1]:
        say(f"DROP TABLE {table}")
    guards.reapply(None, using="default")
    assert {flaw.partition("_no_")[0] for flaw in guards.flaws(connection)} == {
        f"the trigger {t}" for t in EVERY[:-1]
    }

    guards.thaw(connection)
    say(f"DROP TABLE {EVERY[-1]}")
    guards.reapply(None, using="default")
    assert len(guards.flaws(connection)) == {"sqlite": 15, "postgresql": 10}[connection.vendor]


@pytest.mark.usefixtures("committed")
@pytest.mark.parametrize("turn", [1, 2])
def test_the_flush_after_a_committed_test_brings_the_triggers_back(turn: int) -> None:
    assert guards.flaws(connection) == []
    assert ask("SELECT count(*) FROM ledger_event") == [(0,)]
    insert("ledger_event", position=turn)


@pytest.mark.parametrize("demo", [True, False])
def test_a_facility_is_a_demonstration_for_ever_or_never(demo: bool) -> None:
    facility = apps.get_model("incidents", "Facility").objects.create(slug="alder", name="Alder", demo=demo)
    refused("UPDATE incidents_facility SET demo = NOT demo", why="incidents_facility stands: UPDATE refused")
    refused("UPDATE incidents_facility SET id = %s", BIRCH, why="incidents_facility stands")
    refused("DELETE FROM incidents_facility", why="incidents_facility stands: DELETE refused")
    with pytest.raises(IntegrityError, match="incidents_facility stands"), transaction.atomic():
        type(facility).objects.update(demo=not demo)
    say("UPDATE incidents_facility SET name = 'Alder House', time_zone = 'Europe/Berlin'")
    facility.refresh_from_db()
    assert (facility.demo, facility.name) == (demo, "Alder House")


# On SQLite.


@only_sqlite
@pytest.mark.parametrize("table", EVERY)
@pytest.mark.parametrize("verb", ["INSERT", "INSERT OR REPLACE", "REPLACE", "INSERT OR IGNORE"])
@pytest.mark.usefixtures("ledger")
def test_nothing_is_inserted_over_what_stands(table: str, verb: str) -> None:
    before = ask(f"SELECT * FROM {table}")
    with pytest.raises(IntegrityError, match="INSERT refused"), transaction.atomic():
        insert(table, verb)
    with pytest.raises(IntegrityError, match="INSERT refused"), transaction.atomic():
        insert(table, verb, facility_id=BIRCH, rowid=ask(f"SELECT rowid FROM {table}")[0][0])
    assert ask(f"SELECT * FROM {table}") == before


@only_sqlite
@pytest.mark.usefixtures("ledger")
def test_an_event_is_not_replaced_by_any_of_its_names() -> None:
    free = {"position": 7, "event_id": "7" * 32, "version": 7}
    for name in free:
        with pytest.raises(IntegrityError, match="INSERT refused"), transaction.atomic():
            insert("ledger_event", "REPLACE", **{column: value for column, value in free.items() if column != name})
    insert("ledger_event", "REPLACE", **free)
    assert ask("SELECT count(*) FROM ledger_event") == [(2,)]


@only_sqlite
@pytest.mark.parametrize("table", ["ledger_head", "ledger_words"])
@pytest.mark.usefixtures("ledger")
def test_a_lawful_update_does_not_replace_another_row(table: str) -> None:
    insert(table, facility_id=BIRCH)
    lawful = {"ledger_head": "size = 6", "ledger_words": "text = ''"}[table]
    other = f"(SELECT rowid FROM {table} WHERE facility_id = %s)"
    refused(f"UPDATE OR REPLACE {table} SET {lawful}, rowid = {other} WHERE facility_id = %s", BIRCH, ALDER)
    assert ask(f"SELECT count(*) FROM {table}") == [(2,)]


@only_sqlite
def test_a_trigger_that_is_gone_or_weaker_is_named_on_sqlite() -> None:
    ((strong,),) = ask("SELECT sql FROM sqlite_master WHERE name = 'ledger_head_no_update'")
    say("DROP TRIGGER ledger_head_no_update")
    assert ["ledger_head_no_update" in flaw for flaw in guards.flaws(connection)] == [True]
    say(strong.replace("NEW.size < OLD.size", "NEW.size < 0"))
    assert ["ledger_head_no_update" in flaw for flaw in guards.flaws(connection)] == [True]
    guards.freeze(connection)
    assert guards.flaws(connection) == []


@only_sqlite
@pytest.mark.usefixtures("committed")
def test_a_table_that_sqlite_remade_gets_its_triggers_back() -> None:
    editor: Any
    with connection.schema_editor() as editor:
        editor._remake_table(apps.get_model("incidents", "Event"))  # what AlterField does
    assert len(guards.flaws(connection)) == 3
    call_command("migrate", verbosity=0)
    assert guards.flaws(connection) == []


@only_sqlite
@pytest.mark.usefixtures("committed")
def test_a_careless_sqlite_is_named(tmp_path: Path) -> None:
    """On a copy: no other connection that is still open somewhere keeps its journal from being changed."""
    here = sqlite3.connect(connection.settings_dict["NAME"])
    with closing(here), closing(sqlite3.connect(tmp_path / "copy.sqlite3")) as copy:
        here.backup(copy)
    other = connection.copy()
    other.settings_dict["NAME"] = tmp_path / "copy.sqlite3"
    with closing(other), other.cursor() as cursor:
        assert guards.flaws(other) == []
        cursor.execute("PRAGMA synchronous = NORMAL")
        assert [flaw.partition(",")[0] for flaw in guards.flaws(other)] == ["SQLite syncs less than FULL"]
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA journal_mode = DELETE")
        assert [flaw.partition(",")[0] for flaw in guards.flaws(other)] == ["SQLite's journal is delete"]


# On PostgreSQL.


@only_postgresql
@pytest.mark.parametrize("table", EVERY)
@pytest.mark.usefixtures("ledger")
def test_nothing_is_truncated(table: str) -> None:
    refused(f"TRUNCATE {table}")
    refused(f"TRUNCATE {table} CASCADE")


@only_postgresql
@pytest.mark.parametrize(
    "weakened",
    [
        "DROP TRIGGER ledger_event_no_change ON ledger_event",
        "ALTER TABLE ledger_event DISABLE TRIGGER ledger_event_no_change",
        "ALTER TABLE ledger_event ENABLE TRIGGER ledger_event_no_change",
        "CREATE OR REPLACE TRIGGER ledger_event_no_change BEFORE UPDATE ON ledger_event"
        " FOR EACH ROW EXECUTE FUNCTION ledger_event_stands()",
        "CREATE OR REPLACE TRIGGER ledger_event_no_change BEFORE DELETE OR UPDATE ON ledger_event"
        " FOR EACH ROW WHEN (false) EXECUTE FUNCTION ledger_event_stands()",
        "CREATE OR REPLACE FUNCTION ledger_event_stands() RETURNS trigger LANGUAGE plpgsql"
        " AS $$ BEGIN RETURN NEW; END $$",
    ],
)
def test_a_trigger_that_is_gone_or_weaker_is_named_on_postgresql(weakened: str) -> None:
    say(weakened)
    assert any("ledger_event_no_change" in flaw for flaw in guards.flaws(connection))
    guards.freeze(connection)
    assert guards.flaws(connection) == []


@only_postgresql
def test_a_careless_postgresql_is_named() -> None:
    say("SET LOCAL synchronous_commit = off")
    assert ["synchronous_commit = off" in flaw for flaw in guards.flaws(connection)] == [True]


# As the app's role.

ROLE = "sluicegate_test_app"


@pytest.fixture
def app_role() -> str:
    """A role with the app's rights, which our own may become; the rollback takes both away."""
    if not ask(f"SELECT 1 FROM pg_roles WHERE rolname = '{ROLE}'"):
        say(f"CREATE ROLE {ROLE}")
    say(f"GRANT {ROLE} TO CURRENT_USER")
    guards.grant(connection, ROLE)
    return ROLE


@pytest.fixture
def as_app(ledger: None, app_role: str) -> None:
    say(f"SET LOCAL ROLE {app_role}")


@only_postgresql
@pytest.mark.usefixtures("as_app")
def test_the_app_appends() -> None:
    append_everywhere()
    ask("SELECT size FROM ledger_head FOR UPDATE")
    say("UPDATE ledger_head SET size = size + 1, frontier = %s, recorded_at = %s", b"g" * 64, NOON)
    say("UPDATE ledger_words SET text = ''")
    say("INSERT INTO ledger_bookmark (consumer, facility_id, position) VALUES ('sweep', %s, 0)", ALDER)
    say("UPDATE ledger_bookmark SET position = 1")
    say("DELETE FROM ledger_bookmark")


@only_postgresql
@pytest.mark.usefixtures("as_app")
def test_the_app_keeps_its_other_tables() -> None:
    person = get_user_model().objects.create_user("wei", "Wei")
    facility = apps.get_model("incidents", "Facility").objects.create(slug="alder", name="Alder")
    seat = apps.get_model("incidents", "Membership").objects.create(
        person=person, facility=facility, role="quality"
    )
    seat.delete()
    person.delete()


@only_postgresql
@pytest.mark.parametrize("table", EVERY)
@pytest.mark.usefixtures("as_app")
def test_the_app_changes_nothing_that_stands(table: str) -> None:
    denied = "permission denied|must be owner"
    refused(f"UPDATE {table} SET facility_id = %s", BIRCH, why=denied)
    refused(f"DELETE FROM {table}", why=denied)
    refused(f"TRUNCATE {table}", why=denied)
    refused(f"DROP TRIGGER {table}_no_change ON {table}", why=denied)
    refused(f"ALTER TABLE {table} DISABLE TRIGGER ALL", why=denied)
    refused(f"ALTER TABLE {table} ADD COLUMN note text", why=denied)
    refused(f"CREATE TRIGGER mine BEFORE INSERT ON {table} EXECUTE FUNCTION {table}_stands()", why=denied)
    refused(f"DROP FUNCTION {table}_stands() CASCADE", why=denied)
    refused(f"DROP TABLE {table}", why=denied)
    refused("SET LOCAL session_replication_role = replica", why=denied)


@only_postgresql
@pytest.mark.usefixtures("as_app")
def test_the_app_meets_the_triggers_where_it_may_update() -> None:
    refused("UPDATE ledger_head SET size = 4")
    refused("UPDATE ledger_words SET text = 'door seal fine'")
    refused("UPDATE ledger_words SET salt = %s", b"t")
    refused("UPDATE ledger_words SET digest = %s", "e" * 64, why="permission denied")


@only_postgresql
def test_migrate_grants_the_app_no_more_than_that(app_role: str, settings: Any) -> None:
    settings.APP_ROLE = app_role
    say(f"GRANT ALL ON ledger_event TO {app_role}")
    say(f"GRANT UPDATE (body) ON ledger_event TO {app_role}")
    guards.reapply(None, using="default")
    say(f"SET LOCAL ROLE {app_role}")
    refused("UPDATE ledger_event SET body = ''", why="permission denied")
    insert("ledger_event")
