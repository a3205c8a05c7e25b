"""Two clients, each in a thread and on a connection of its own, taken through their statements one by one.

Every statement, commit and rollback is a step, before which a client waits for its turn. `play` runs one
order; `every_order` runs all orders that the locks allow: a client that waits for a lock can't be chosen.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

import pytest
from django.db import connection, connections

from incidents.ledger.dialect import Hand

PATIENCE_S = 20.0
WRITING = "BEGIN IMMEDIATE"  # on SQLite, whoever begins so waits for whoever did
Act = Callable[[], object]
Choose = Callable[[list[int]], int]
_here = threading.local()


class Client:
    """One who acts, a step at a time. `outcome` is what the act returned or raised."""

    def __init__(self, act: Act) -> None:
        self.act = act
        self.outcome: object = None
        self.steps: list[str] = []
        self.state = "acting"  # acting, waiting, done
        self.inside = False  # SQLite: it has begun to write, and whoever begins has to wait
        self.backend = 0
        self._turn = threading.Condition()
        self._go = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        _here.client = self
        try:
            connection.ensure_connection()
            if connection.vendor == "postgresql":
                self.backend = connection.connection.info.backend_pid
                _wait_without_end(True)
            ends = {name: getattr(connection, name) for name in ("_commit", "_rollback")}
            for name, end in ends.items():
                setattr(connection, name, self._ending(name, end))
            try:
                with connection.execute_wrapper(self._wrapped):
                    self.outcome = self.act()
            finally:
                for name in ends:
                    delattr(connection, name)
        except BaseException as error:
            self.outcome = error
        finally:
            if self.backend:
                _wait_without_end(False)
            connections.close_all()
            with self._turn:
                self.state = "done"
                self._turn.notify_all()

    def _wrapped(self, execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        self.pause(sql)
        return execute(sql, params, many, context)

    def _ending(self, name: str, end: Callable[[], None]) -> Callable[[], None]:
        def paused() -> None:
            self.pause(name.strip("_"))
            end()
            self.inside = False

        return paused

    def pause(self, what: str) -> None:
        """Wait for the next turn; called in the client's own thread."""
        with self._turn:
            self.steps.append(what.split("\n")[0][:60])
            self.state = "waiting"
            self._turn.notify_all()
            assert self._turn.wait_for(lambda: self._go, PATIENCE_S), f"no turn for {what}"
            self._go, self.state = False, "acting"
            self.inside |= what.startswith(WRITING)

    def step(self) -> None:
        with self._turn:
            self._go, self.state = True, "acting"
            self._turn.notify_all()

    def settled(self) -> bool:
        """Does it wait for its turn, is it done, or stuck behind a lock? Waits until one of them is so."""
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            with self._turn:
                if self._turn.wait_for(lambda: self.state != "acting", 0.003):
                    return True
            if self._behind_a_lock():
                return False
        raise AssertionError(f"stuck after {self.steps}: {self.outcome!r}")

    def _behind_a_lock(self) -> bool:
        if connection.vendor != "postgresql" or not self.backend:
            return False
        with connection.cursor() as cursor:
            cursor.execute("SELECT wait_event_type FROM pg_stat_activity WHERE pid = %s", (self.backend,))
            return bool(cursor.fetchone() == ("Lock",))

    def join(self) -> None:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


def _wait_without_end(on: bool) -> None:
    """PostgreSQL's time limits are not what is tried here: a step may take as long as the machine needs."""
    with connection.cursor() as cursor:
        for limit in ("lock_timeout", "idle_in_transaction_session_timeout"):
            cursor.execute(f"SET {limit} = 0" if on else f"RESET {limit}")


class Played(NamedTuple):
    """One order: who made each step, where there was a choice, and what came of it."""

    order: tuple[int, ...]
    choices: tuple[tuple[int, int], ...]  # (index of the option taken, how many options there were)
    outcomes: tuple[object, ...]
    steps: tuple[tuple[str, ...], ...]


@contextmanager
def gated() -> Iterator[None]:
    """The ledger's own cursors wait for their turn too."""
    execute, insert = Hand.execute, Hand.insert

    def turn(what: str) -> None:
        client = getattr(_here, "client", None)
        if client is not None:
            client.pause(what)

    def gated_execute(hand: Hand, statement: str, params: Sequence[Any]) -> None:
        turn(statement)
        execute(hand, statement, params)

    def gated_insert(hand: Hand, table: str, columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
        if len(rows) > 1:  # a single row goes by `execute`
            turn(f"INSERT INTO {table}")
        insert(hand, table, columns, rows)

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(Hand, "execute", gated_execute)
        patched.setattr(Hand, "insert", gated_insert)
        yield


def play(acts: Sequence[Act], choose: Choose) -> Played:
    """Run the acts; whenever several clients could go on, `choose` says which."""
    with gated():
        clients = [Client(act) for act in acts]
        order, choices = [], []
        while runnable := _runnable(clients):
            taken = choose(runnable) if len(runnable) > 1 else runnable[0]
            if len(runnable) > 1:
                choices.append((runnable.index(taken), len(runnable)))
            order.append(taken)
            clients[taken].step()
        for client in clients:
            client.join()
    outcomes = tuple(client.outcome for client in clients)
    return Played(tuple(order), tuple(choices), outcomes, tuple(tuple(client.steps) for client in clients))


def _runnable(clients: list[Client]) -> list[int]:
    while True:
        free = [client.settled() for client in clients]
        ready = [n for n, client in enumerate(clients) if free[n] and client.state == "waiting"]
        if any(client.inside for client in clients):
            ready = [n for n in ready if clients[n].inside or not clients[n].steps[-1].startswith(WRITING)]
        if ready or all(client.state == "done" for client in clients):
            return ready
        # Nobody is ready, yet somebody isn't done: the lock they wait for is about to be given.
        time.sleep(0.001)


def every_order(make: Callable[[], Sequence[Act]]) -> Iterator[Played]:
    """All orders of the steps that the locks allow, each with acts made anew, depth first."""
    prefix: list[int] = []
    while True:
        played = play(make(), _by_index(iter(prefix)))
        yield played
        taken = list(played.choices)
        while taken and taken[-1][0] + 1 == taken[-1][1]:
            taken.pop()
        if not taken:
            return
        prefix = [index for index, _ in taken[:-1]] + [taken[-1][0] + 1]


def one_cut(make: Callable[[], Sequence[Act]], first: int = 0) -> Iterator[Played]:
    """Every order in which one client is cut once: it makes k steps, the other all of its own, it the rest."""
    k = 0
    while True:
        played = play(make(), _in_turn(iter([first] * k), 1 - first))
        yield played
        if k >= len(played.steps[first]):
            return
        k += 1


def _by_index(wanted: Iterator[int]) -> Choose:
    return lambda runnable: runnable[next(wanted, 0)]


def _in_turn(turns: Iterator[int], then: int) -> Choose:
    return lambda runnable: next(turns, then)
