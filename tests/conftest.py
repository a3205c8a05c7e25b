"""What every test may lean on: the drill switch, tools that must not be missed in silence, and real commits."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import psutil
import pytest
from django.db import connection


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--drill", action="store_true", help="kills, races and crashes at full length")


@pytest.hookimpl(tryfirst=True)
def pytest_configure(config: pytest.Config) -> None:
    config.option.reportchars += "s"  # a skip says why, also under -q


def pytest_sessionfinish() -> None:
    """SQLite's test database is a file: remove what a killed run, or a connection open to the end, left of it."""
    for path in Path(tempfile.gettempdir()).glob("sluicegate-test-*.sqlite3*"):
        owner = path.name.removeprefix("sluicegate-test-").partition(".")[0]
        if owner == str(os.getpid()) or (owner.isdecimal() and not psutil.pid_exists(int(owner))):
            path.unlink(missing_ok=True)


@pytest.fixture(scope="session")
def long_drill(pytestconfig: pytest.Config) -> bool:
    """Whether drills run at full length."""
    return bool(pytestconfig.getoption("--drill"))


@pytest.fixture(scope="session")
def chromium_path() -> str:
    names = ("chromium", "chromium-browser", "google-chrome")
    return next(filter(None, map(shutil.which, names)), None) or _lacking("Chromium", "apt-get install chromium")


@pytest.fixture(scope="session")
def mosquitto_path() -> str:
    found = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    return found or _lacking("Mosquitto", "apt-get install mosquitto")


@pytest.fixture(scope="session")
def curl_path() -> str:
    return shutil.which("curl") or _lacking("curl", "apt-get install curl")


@pytest.fixture(scope="session")
def postgresql_bin() -> Path:
    """The folder with `initdb` and `postgres` of the newest PostgreSQL, for tests with a server of their own."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
    return found[-1] if found else _lacking("PostgreSQL", "apt-get install postgresql")


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    """On PostgreSQL no table is analysed behind a test's back: most rows are rolled back, and by what is left of
    others the planner would take a month of history for one row."""
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            for table in connection.introspection.table_names(cursor):
                cursor.execute(f'ALTER TABLE "{table}" SET (autovacuum_enabled = false)')


@pytest.fixture(autouse=True)
def no_witness(settings: Any) -> None:
    """The witness of whoever works at this desk knows other logs than a test's."""
    settings.WITNESS = Path("/nonexistent/witness.json")


@pytest.fixture
def committed(transactional_db: None) -> Iterator[None]:
    """Real commits, seen by second connections.

    The tables are flushed afterwards, which the triggers would refuse; the flush itself brings them back.
    """
    from incidents.ledger.guards import thaw

    yield
    thaw(connection)


def _lacking(what: str, remedy: str) -> NoReturn:
    """A skip on a desk; a failure where SLUICEGATE_REQUIRE is set, as in .ci/run."""
    sentence = f"{what} is not here: {remedy}"
    if os.environ.get("SLUICEGATE_REQUIRE"):
        pytest.fail(sentence, pytrace=False)
    pytest.skip(sentence)
