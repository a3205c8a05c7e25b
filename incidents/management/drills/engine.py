"""The processes of a drill: web, workers, beats, broker and perhaps a database server; killed and started again."""

from __future__ import annotations

import contextlib
import http.client
import os
import pwd
import resource
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from urllib.parse import quote

from django.conf import settings

from incidents.management import broker, plans
from incidents.management.possession import LOOPBACK
from incidents.management.processes import Plan

READY_S = 60.0
APPLICATION = "config.asgi:application"


class NotHere(Exception):
    """The drill needs something that this machine lacks; the sentence says what."""


class Engine:
    """A house in `folder` whose parts can be killed one by one. Ends them all when left."""

    def __init__(
        self, folder: Path, *, postgresql: bool, application: str = APPLICATION, celery: str = "config"
    ) -> None:
        self.folder, self.application, self.celery = folder, application, celery
        self.environment = {
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("SLUICEGATE_", "DATABASE_URL", "REDIS_URL"))
        } | {"SLUICEGATE_DATA": str(folder), "DJANGO_SETTINGS_MODULE": "config.settings"}
        self.database = Postgres(folder) if postgresql else None
        if self.database:
            self.environment["DATABASE_URL"] = self.database.url
        self.listening = socket.create_server((LOOPBACK, 0))
        self.port: int = self.listening.getsockname()[1]
        self.running: dict[str, subprocess.Popen[bytes]] = {}
        self.file_limit: int | None = None

    def __enter__(self) -> Engine:
        (self.folder / "broker").mkdir(parents=True)
        if self.database:
            self.database.make()
            self.start("database")
        self.manage("migrate", "--verbosity", "0")
        return self

    def __exit__(self, *_: object) -> None:
        for name in reversed(list(self.running)):
            self.kill(name)
        self.listening.close()

    @property
    def parts(self) -> tuple[str, ...]:
        return ("web", "worker", "broker", *(["database"] if self.database else []))

    def start(self, name: str) -> None:
        """Start a part and, for those that answer, wait until it does."""
        command, descriptors, as_whom = self._plan(name)
        with (self.folder / f"{name}.log").open("ab") as log:
            self.running[name] = subprocess.Popen(
                command,
                cwd=settings.BASE_DIR if as_whom is None else self.folder,
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                pass_fds=descriptors,
                start_new_session=True,
                preexec_fn=self._limits() if name == "web" else None,
                user=as_whom,
                group=as_whom,
                extra_groups=[] if as_whom is not None else None,
            )
        if name == "web":
            _until(self.is_ready, "the web process")
        elif name == "database":
            assert self.database is not None
            _until(self.database.answers, "PostgreSQL")

    def kill(self, name: str) -> None:
        """kill -9, the part and whatever it started."""
        process = self.running.pop(name)
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def manage(self, *words: str) -> None:
        self.python("manage.py", *words)

    def python(self, *words: str, told: str = "") -> str:
        """What a Python of its own says, within this house. Raises CalledProcessError."""
        with (self.folder / "python.log").open("ab") as log:
            ran = subprocess.run(
                [sys.executable, *words],
                cwd=settings.BASE_DIR,
                env=self.environment,
                input=told,
                text=True,
                stdout=subprocess.PIPE,
                stderr=log,
                check=True,
            )
        return ran.stdout

    def is_ready(self) -> bool:
        line = http.client.HTTPConnection(LOOPBACK, self.port, timeout=5)
        with contextlib.closing(line), contextlib.suppress(OSError, http.client.HTTPException):
            line.request("GET", "/readyz")
            return line.getresponse().status == 200
        return False

    def _plan(self, name: str) -> tuple[Sequence[str], tuple[int, ...], int | None]:
        if name == "broker":
            return broker.plan(self.folder / "broker", self.folder / "broker.sock").command, (), None
        if name.startswith("worker"):
            return [*self._celery(plans.worker()), "--hostname", name], (), None
        if name.startswith("beat"):
            return self._celery(plans.beat(self.folder / name)), (), None
        if name == "web":
            command = plans.web(self.listening.fileno()).command
            return (
                [self.application if word == APPLICATION else word for word in command],
                (self.listening.fileno(),),
                None,
            )
        assert self.database is not None
        return self.database.command, (), self.database.owner

    def _celery(self, plan: Plan) -> list[str]:
        return [self.celery if word == "config" else word for word in plan.command]

    def _limits(self) -> Callable[[], None] | None:
        if self.file_limit is None:
            return None
        limit = self.file_limit
        return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))


class Postgres:
    """A PostgreSQL server of the drill's own, on a unix socket, as durable as it comes."""

    def __init__(self, folder: Path) -> None:
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: int(path.parent.name))
        if not found:
            raise NotHere("PostgreSQL is not here: apt-get install postgresql")
        self.programs, self.home = found[-1], folder / "postgresql"
        # It refuses to run as root; Debian's package brings a user for it.
        self.owner = pwd.getpwnam("postgres").pw_uid if os.getuid() == 0 else None
        self.url = f"postgresql://owner@{quote(str(self.home), safe='')}/postgres"
        self.command = [
            str(self.programs / "postgres"),
            *("-D", str(self.home / "data"), "-k", str(self.home), "-c", "listen_addresses="),
        ]

    def make(self) -> None:
        self.home.mkdir()
        if self.owner is not None:
            os.chown(self.home, self.owner, -1)
            for folder in (self.home.parent, *self.home.parent.parents):
                if folder.stat().st_uid == os.getuid() and folder != Path("/"):
                    folder.chmod(folder.stat().st_mode | 0o011)
        made = [str(self.programs / "initdb"), "-D", str(self.home / "data"), "-A", "trust", "-U", "owner"]
        subprocess.run(
            [*made, "-E", "UTF8", "--locale=C.UTF-8"],
            cwd=self.home,
            user=self.owner,
            check=True,
            stdout=subprocess.DEVNULL,
        )

    def answers(self) -> bool:
        asked = [str(self.programs / "pg_isready"), "-q", "-h", str(self.home), "-U", "owner", "-d", "postgres"]
        return subprocess.run(asked, check=False).returncode == 0


def _until(answers: Callable[[], bool], what: str) -> None:
    deadline = time.monotonic() + READY_S
    while not answers():
        if time.monotonic() > deadline:
            raise NotHere(f"{what} did not answer within {READY_S:.0f} s")
        time.sleep(0.05)


@contextlib.contextmanager
def started(engine: Engine) -> Iterator[Engine]:
    """The engine with everything running."""
    with engine:
        for part in ("broker", "worker", "web"):
            engine.start(part)
        yield engine
