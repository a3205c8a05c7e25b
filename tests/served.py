"""A department served by this very process: the builders and the browser meet on one database and one clock.

Quicker than a process tree. What needs the tree (kills, the broker, a gateway) takes `browser.Department`.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from typing import Any

import pytest
import uvicorn
from django.core.asgi import get_asgi_application
from django.core.management import call_command
from django.db import connection
from django.test import override_settings
from django.test.utils import setup_databases, teardown_databases
from playwright.sync_api import Browser

from incidents.ledger.guards import thaw
from tests import visitors
from tests.browser import Screen
from tests.cast import Department

# WhiteNoise hands out files by plain iterators; config/asgi.py says the same for the real server.
PLAIN_FILES = pytest.mark.filterwarnings("ignore:StreamingHttpResponse must consume synchronous iterators")


class Room:
    """One server and one browser; departments come and go. The doors' clock is the newest department's."""

    def __init__(self, browser: Browser, address: str) -> None:
        self.browser, self.address = browser, address
        self.department: Department | None = None

    def now(self) -> datetime:
        return self.department.now if self.department else datetime.now(UTC)

    def opens(self, slug: str) -> Department:
        """Another department, ready for work, whose moment is the doors' from here on."""
        self.department = visitors.another_department(slug)
        return self.department

    @contextmanager
    def screen(self) -> Iterator[Screen]:
        """A fresh browser profile; afterwards nobody may have complained."""
        screen = Screen(self.browser, self.address)
        try:
            yield screen
        finally:
            screen.page.context.close()
        assert not screen.complaints, screen.complaints

    def comes(self, screen: Screen, who: str) -> None:
        """Somebody of the department stands at this screen, signed in."""
        assert self.department is not None
        session = visitors.visitor(self.department, who).cookies["sessionid"].value
        screen.page.context.add_cookies([{"name": "sessionid", "value": session, "url": self.address}])


@contextmanager
def serving(blocker: Any, browser: Browser) -> Iterator[Room]:
    """Serve the tests' own database. Afterwards it is as empty as before."""
    with blocker.unblock(), pytest.MonkeyPatch.context() as patched:
        # Playwright's loop runs in this thread, and the builders ask the database beside it.
        patched.setenv("DJANGO_ALLOW_ASYNC_UNSAFE", "yes")
        with _database(), override_settings(PASSWORD_HASHERS=visitors.QUICK_HASHERS):
            with _uvicorn() as address:
                room = Room(browser, address)
                for door in visitors.READS_THE_CLOCK:
                    patched.setattr(f"{door}.timezone", room)
                yield room
            thaw(connection)
            call_command("flush", verbosity=0, interactive=False)
            connection.close()


@contextmanager
def _database() -> Iterator[None]:
    """The session's test database. pytest-django makes it for tests with its own mark; else it is made here."""
    if connection.settings_dict["NAME"] == connection.creation._get_test_db_name():
        yield
        return
    made = setup_databases(verbosity=0, interactive=False)
    try:
        yield
    finally:
        with suppress(FileNotFoundError):  # a session that stops early has swept its file away already
            teardown_databases(made, verbosity=0)


@contextmanager
def _uvicorn() -> Iterator[str]:
    config = uvicorn.Config(get_asgi_application(), port=0, lifespan="off", log_level="critical", ws="none")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, name="the doors")
    thread.start()
    while not server.started:
        thread.join(0.01)
        assert thread.is_alive(), "the server did not start"
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = server.force_exit = True  # a live stream would go on for hours
        thread.join(10)
