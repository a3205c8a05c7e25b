"""The children of `start`: launched under their watchers, waited for, and stopped in order.

Each child lives in a session of its own, so that Ctrl-C in the terminal reaches `start` alone, which then stops
them one after another. Should `start` die instead, the pipes to the watchers close and they end everything.
"""

import contextlib
import os
import select
import signal
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Self

from incidents.management import watcher

LAST_LINES = 15
WATCHER_S = 1.0  # how much longer than its child's grace a watcher may take


@dataclass(frozen=True)
class Plan:
    """What one child runs, and how long it may take to end when asked."""

    name: str
    command: Sequence[str]
    grace_s: float
    environment: Mapping[str, str] = field(default_factory=dict)
    descriptors: Sequence[int] = ()


class Child:
    """A running child, seen through its watcher."""

    def __init__(self, name: str, grace_s: float, watching: subprocess.Popen[bytes], log: Path) -> None:
        assert watching.stdin is not None
        assert watching.stdout is not None
        self.name, self.grace_s, self.log = name, grace_s, log
        self.watcher, self.asks, self.told = watching, watching.stdin, watching.stdout
        self.session = int(self.told.readline() or 0)

    @property
    def ending(self) -> str:
        """How it ended, in words."""
        code = self.watcher.wait()
        if code < 0:
            return f"its watcher was killed by signal {-code}"
        return f"killed by signal {code - 128}" if code > 128 else f"exit code {code}"

    def ask_to_end(self) -> None:
        with contextlib.suppress(BrokenPipeError):  # it is gone already
            self.asks.write(b"%.1f" % self.grace_s)
        self.asks.close()

    def await_end(self) -> None:
        """See it gone: by its watcher within its grace, else by our own hand."""
        try:
            unwatched = self.watcher.wait(self.grace_s + WATCHER_S) < 0
        except subprocess.TimeoutExpired:
            self.watcher.kill()
            unwatched = True
        if unwatched and self.session:
            watcher.end_session(self.session, signal.SIGKILL)
        self.told.close()

    def last_lines(self) -> str:
        lines = self.log.read_text(errors="replace").splitlines()[-LAST_LINES:]
        return "\n".join(f"  {line}" for line in lines)


class StopAsked(Exception):
    """Someone pressed Ctrl-C or sent a signal."""


class ChildEnded(Exception):
    """A child ended though nobody asked it to."""

    def __init__(self, child: Child) -> None:
        super().__init__(child.name)
        self.child = child


def on_request(answer: Callable[[int, FrameType | None], None]) -> None:
    """Have Ctrl-C, SIGTERM and SIGHUP answered so. An ignored SIGHUP stays ignored: `nohup` asks for that."""
    for request in watcher.ASKING_TO_STOP:
        if request != signal.SIGHUP or signal.getsignal(request) != signal.SIG_IGN:
            signal.signal(request, answer)


class Tree:
    """The children that run, in the rows in which they were launched: the last row is stopped first."""

    def __init__(self, *, folder: Path, logs: Path, lock: int) -> None:
        """`folder` is where they run; their watchers hold `lock` until the last one is gone."""
        self._folder, self._logs, self._lock = folder, logs, lock
        self._rows: list[list[Child]] = []
        self._asked = -1

    def __enter__(self) -> Self:
        """From here on a request to stop is only noted, for `wait`."""
        self._logs.mkdir(mode=0o700, exist_ok=True)
        self._asked, ask = os.pipe()
        os.set_blocking(ask, False)
        signal.set_wakeup_fd(ask, warn_on_full_buffer=False)
        on_request(lambda *_: None)
        return self

    def __exit__(self, *_: object) -> None:
        while self._rows:
            self.stop_row()

    def launch(self, *plans: Plan) -> None:
        """Start a row of children that will be stopped together."""
        self._rows.append([])
        for plan in plans:
            self._rows[-1].append(self._launched(plan))

    def _launched(self, plan: Plan) -> Child:
        """A child under a watcher, with a fresh log; the log of its run before is kept as `.log.1`."""
        log = self._logs / f"{plan.name}.log"
        if log.exists():
            log.replace(log.with_suffix(".log.1"))
        with log.open("wb") as output:
            watching = subprocess.Popen(
                self._under_watcher(plan),
                bufsize=0,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=output,
                cwd=self._folder,
                env={**os.environ, "PYTHONUNBUFFERED": "1", **plan.environment},
                pass_fds=(self._lock, *plan.descriptors),
                start_new_session=True,
            )
        return Child(plan.name, plan.grace_s, watching, log)

    def _under_watcher(self, plan: Plan) -> list[str]:
        handed = ",".join(map(str, plan.descriptors))
        return [sys.executable, "-I", "-S", watcher.__file__, str(self._lock), handed, *plan.command]

    def wait(self, *, answer: int | None = None, wait_s: float | None = None) -> bool:
        """Wait until the descriptor `answer` is readable (True) or the time is up (False).

        Raises:
            StopAsked: someone asked for the end first.
            ChildEnded: a child ended first.
        """
        answers = [] if answer is None else [answer]
        ends = {child.told.fileno(): child for row in self._rows for child in row}
        readable, _, _ = select.select([self._asked, *ends, *answers], [], [], wait_s)
        if self._asked in readable:
            raise StopAsked
        for told, child in ends.items():
            if told in readable:
                raise ChildEnded(child)
        return bool(readable)

    def stop_row(self) -> None:
        """End the children of the last row, each within its own grace."""
        row = self._rows.pop()
        for child in row:
            child.ask_to_end()
        for child in row:
            child.await_end()
