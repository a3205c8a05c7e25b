"""`manage.py start`: the whole house from one command, and nothing left behind when it ends."""

import contextlib
import http.client
import os
import socket
import sys
import time
from argparse import ArgumentTypeError
from types import FrameType
from typing import Any, NoReturn

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser
from django.db import DatabaseError, connections
from django.utils import timezone

from incidents.ledger.witness import LogShortened, WitnessUnreadable, require_unshortened
from incidents.management import broker, plans
from incidents.management.demo import NotThisWay, introduce, load, require_kind
from incidents.management.possession import LOOPBACK, NotToBeHad, data_folder, listening_on
from incidents.management.processes import Child, ChildEnded, StopAsked, Tree, on_request

READY_S = 60.0
LOOK_AGAIN_S = 0.2


class Command(BaseCommand):
    help = "Start all that Sluicegate needs, until Ctrl-C. --data DIR names the data folder."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--port", type=_port, default=8000, help="loopback port of the pages; 0 picks a free one"
        )

        parser.add_argument(
            "--demo", action="store_true", help="a living department, all invented, in a data folder of its own"
        )

    def handle(self, *args: Any, port: int, demo: bool, **options: Any) -> None:
        on_request(_leave)
        os.umask(0o077)
        try:
            with data_folder(settings.DATA_DIR) as lock, listening_on(port) as listening:
                _prepare_database(demo)
                _run(lock, listening, demo)
        except (NotToBeHad, NotThisWay) as refusal:
            sys.exit(str(refusal))


def _port(text: str) -> int:
    if text.isdecimal() and int(text) < 65536:
        return int(text)
    raise ArgumentTypeError("a port is a number from 0 to 65535")


def _leave(_signal: int, _frame: FrameType | None) -> NoReturn:
    """Before there are children, there is nothing to undo: an open transaction rolls back."""
    sys.exit(0)


def _say(line: str) -> None:
    """A line of progress; a terminal that was closed must not keep the children from being stopped."""
    with contextlib.suppress(OSError):
        print(line, flush=True)


def _prepare_database(demo: bool) -> None:
    """Migrate, load a demonstration if asked to, then keep no connection: the children have their own."""
    _say(f"Preparing the database ({connections['default'].vendor}).")
    try:
        call_command("migrate", verbosity=0, interactive=False)
        require_unshortened()
        require_kind(demo)
        if demo:
            load(settings.DATA_DIR, timezone.now(), _say)
    except DatabaseError as error:
        sys.exit(f"The database could not be prepared: {error}")
    except (LogShortened, WitnessUnreadable) as doubt:
        sys.exit(str(doubt))
    for connection in connections.all(initialized_only=True):
        connection.close()
        if connection.vendor == "postgresql":
            connection.close_pool()  # type: ignore[attr-defined]


def _run(lock: int, listening: socket.socket, demo: bool) -> None:
    """Start everything and watch it, until someone asks for the end or a child ends by itself."""
    try:
        with Tree(folder=settings.BASE_DIR, logs=settings.DATA_DIR / "logs", lock=lock) as tree:
            _serve(tree, listening, demo)
    except StopAsked:
        _say("Sluicegate has stopped.")
    except ChildEnded as found:
        sys.exit(_report(found.child))


def _report(child: Child) -> str:
    ending = f"The {child.name} process ended by itself ({child.ending}), so everything was stopped."
    return f"{ending} The last lines of {child.log}:\n{child.last_lines()}"


def _serve(tree: Tree, listening: socket.socket, demo: bool) -> None:
    port = listening.getsockname()[1]
    _launch_all(tree, listening, demo)
    if not _answers(tree, port):
        log = settings.DATA_DIR / "logs" / "web.log"
        sys.exit(f"The pages were not well within {READY_S:.0f} s, so everything was stopped; see {log}.")
    if demo:
        introduce(_say)
    _say(f"Sluicegate is ready: http://{LOOPBACK}:{port}/")
    try:
        tree.wait()
    except StopAsked:
        _say("Stopping.")
        raise


def _launch_all(tree: Tree, listening: socket.socket, demo: bool) -> None:
    """In the order opposite to that of the stop: no page without a worker, no worker without a broker."""
    if settings.EMBEDDED_BROKER:
        _say("Starting the broker.")
        broker.start(tree, settings.DATA_DIR / "broker", settings.BROKER_SOCKET)
    _say("Starting worker, beat and web.")
    tree.launch(plans.worker())
    acting = [plans.demonstration()] if demo else []
    tree.launch(plans.web(listening.fileno()), plans.beat(settings.DATA_DIR / "beat-schedule"), *acting)
    listening.close()  # were it kept here, a browser would wait for ever for a web process that died


def _answers(tree: Tree, port: int) -> bool:
    """Whether the pages are up within the time allowed."""
    deadline = time.monotonic() + READY_S
    while (left_s := deadline - time.monotonic()) > 0:
        if _healthy(tree, port, left_s):
            return True
        tree.wait(wait_s=LOOK_AGAIN_S)
    return False


def _healthy(tree: Tree, port: int, wait_s: float) -> bool:
    """One look at /readyz, kept open while the web process loads: nothing is asked twice."""
    line = http.client.HTTPConnection(LOOPBACK, port, timeout=5)
    with contextlib.closing(line), contextlib.suppress(OSError, http.client.HTTPException):
        line.request("GET", "/readyz", headers={"Host": settings.ALLOWED_HOSTS[0]})
        return tree.wait(answer=line.sock.fileno(), wait_s=wait_s) and line.getresponse().status == 200
    return False
