"""What every deed has in common: who asks, for what, when; and that it happens once, whole, or not at all."""

from __future__ import annotations

import functools
import inspect
import unicodedata
from collections.abc import Callable, Iterable
from datetime import datetime, timedelta
from typing import Any, Concatenate, NamedTuple, ParamSpec, TypeVar
from uuid import UUID

import msgspec

from incidents.identity.ids import named
from incidents.ledger import writing
from incidents.ledger.canonical import NotCanonical
from incidents.ledger.writing import Deed, DeedReused, Log, Receipt, digest_of
from incidents.operations import reprocessing
from incidents.projections.live import state_of
from incidents.rules import authority
from incidents.rules.events import Actor, AnyEvent, Recorded, Stream, WordsRef
from incidents.rules.loads import SKEW, Load
from incidents.rules.machines import Machine
from incidents.rules.refusals import Refusal

Outcome = Receipt | Refusal
P = ParamSpec("P")
T = TypeVar("T")
TEXT_LIMIT = 4_000  # characters
SEQUENCE_LIMIT = 2**53 - 1
_TEXTLESS = frozenset({bool, int, UUID, datetime})
# How a deed was signed is not what was asked; and from a digest a PIN or a number is found by trying them all.
NOT_ASKED = ("signings", "password", "pin", "address")
# What is kept beside the log, under a salt, so that it can be emptied. The digest of a request says only whether it
# was given: else a short text could be guessed from it after it was emptied. A request sent again is compared with
# the text itself while that is there.
FREE_TEXTS = ("words", "remark", "surfaces", "cleaned_by")


class Doer(msgspec.Struct, frozen=True):
    """Who does it, with the roles and current competences they have in this facility."""

    actor: Actor
    roles: tuple[str, ...]
    competences: tuple[str, ...] = ()


class Request(msgspec.Struct, frozen=True):
    """A deed asked for: its id (a UUIDv7 of whoever asks), where, by whom, at what moment of the server.

    `occurred_at` is the moment claimed, if another one. `expected_version` is the version of the load that
    the asker had on the screen. `sequence` is a device's own counter.
    """

    deed: UUID
    facility: UUID
    by: Doer
    now: datetime
    occurred_at: datetime | None = None
    expected_version: int | None = None
    sequence: int | None = None


class Operation(NamedTuple):
    """A deed as a door offers it: its name in the ledger and the authority table, and what it asks for."""

    name: str
    run: Callable[..., Outcome]
    asks: Callable[..., None]
    observation: bool


OPERATIONS: dict[str, Operation] = {}


class Refused(Exception):
    """Unwinds a deed that the rules refuse; whoever called it gets the refusal as a value."""

    def __init__(self, refusal: Refusal) -> None:
        super().__init__(refusal.sentence)
        self.refusal = refusal


class Doing:
    """A deed under way, under its facility's lock."""

    def __init__(self, request: Request, log: Log) -> None:
        self.request = request
        self.log = log
        self.facility = request.facility
        self.by = request.by
        self.occurred_at = request.occurred_at or request.now
        self._before: dict[UUID, reprocessing.Fate] = {}

    def load(self, load_id: UUID) -> Load:
        """The load that this deed is about, as it is now; refuses a stranger and a stale screen."""
        load = self.state_of_load(load_id)
        self._refuse_stale(load)
        return load

    def _refuse_stale(self, holder: Load | Machine) -> None:
        expected = self.request.expected_version
        if expected is not None and expected != holder.version:
            raise Refused(
                Refusal(
                    "stale",
                    f"{holder.name} changed since you looked. Nothing was written.",
                    "Read what changed, then decide again.",
                )
            )

    def state_of_load(self, load_id: UUID) -> Load:
        """Another load that the deed names; refuses a stranger."""
        load: Load = state_of(self.log, Stream("load", load_id))
        if load.stage == "none":
            raise Refused(Refusal("load-unknown", "There is no such load here.", "Scan its tag or search for it."))
        return load

    def machine(self, machine_id: UUID) -> Machine:
        machine: Machine = state_of(self.log, Stream("machine", machine_id))
        if not machine.name:
            raise Refused(Refusal("machine-unknown", "There is no such machine here.", "Scan its code again."))
        return machine

    def machine_as_seen(self, machine_id: UUID) -> Machine:
        """The machine that this deed is about; refuses a stranger and a stale screen."""
        machine = self.machine(machine_id)
        self._refuse_stale(machine)
        return machine

    def state(self, stream: Stream) -> Any:
        return state_of(self.log, stream)

    def fact(self, ask: Callable[..., T], *about: Any) -> T:
        """A fact from elsewhere that no observation changes: among many of them it is asked once."""
        if not self.log.of_many:
            return ask(self.facility, *about)
        memo: dict[Any, T] = self.log.memo
        if (ask, about) not in memo:
            memo[ask, about] = ask(self.facility, *about)
        return memo[ask, about]

    def new(self, what: str) -> UUID:
        """The id of something that this deed brings into being."""
        return named(self.request.deed, what)

    def words(self, text: str) -> WordsRef:
        return self.log.words(text)

    def record(self, stream: Stream, decided: AnyEvent | Refusal | None) -> list[Recorded]:
        """Append what the rules decided, or refuse with what they said. None appends nothing."""
        if isinstance(decided, Refusal):
            raise Refused(decided)
        return self._append(stream, decided, self.occurred_at, self.request.sequence) if decided else []

    def _append(
        self, stream: Stream, event: AnyEvent, occurred_at: datetime, sequence: int | None
    ) -> list[Recorded]:
        if stream.kind == "load" and stream.id not in self._before:
            self._before[stream.id] = reprocessing.fate(state_of(self.log, stream))
        return self.log.append(stream, event, occurred_at=occurred_at, sequence=sequence)

    def conclude(self, stream: Stream, event: AnyEvent) -> list[Recorded]:
        """Append what follows from the deed by rule: drawn now, neither observed nor at the time claimed."""
        return self._append(stream, event, self.request.now, None)

    def claim(self, stream: Stream, event: AnyEvent, occurred_at: datetime) -> list[Recorded]:
        """Append one of several things that a deed tells of, at the time claimed for it alone."""
        return self._append(stream, event, occurred_at, None)

    def settle(self) -> None:
        """End or reopen the older loads whose trays' fate this deed changed, and theirs in turn."""
        for load in list(self._before):
            end = reprocessing.own_end(self.log, load)
            if end is not None:
                self.conclude(Stream("load", load), end)
        settled: dict[UUID, reprocessing.Fate] = {}
        while self._before:
            moved = [
                load
                for load, before in self._before.items()
                if settled.get(load, before) != reprocessing.fate(state_of(self.log, Stream("load", load)))
            ]
            if not moved:
                return
            for load in moved:
                settled[load] = reprocessing.fate(state_of(self.log, Stream("load", load)))
                for older, event in reprocessing.consequences(self.log, load):
                    self.conclude(Stream("load", older), event)


def refuse(code: str, sentence: str, next_step: str) -> Refused:
    return Refused(Refusal(code, sentence, next_step))


NOTHING_TO_WRITE = Refusal("nothing-to-do", "Nothing was to be written.", "Read the page again.")


def _deed(
    function: Callable[Concatenate[Doing, P], None], *, observation: bool
) -> Callable[Concatenate[Request, P], Outcome]:
    name = function.__name__
    if name not in authority.DEEDS:
        raise LookupError(f"{name} has no row in DEEDS of rules/authority.py")
    names = list(inspect.signature(function).parameters)[1:]

    @functools.wraps(function)
    def done(request: Request, /, *args: P.args, **kwargs: P.kwargs) -> Outcome:
        asked: dict[str, Any] = {**dict(zip(names, args, strict=False)), **kwargs}
        malformed = _malformed(asked)
        if malformed is not None:
            return malformed
        try:
            texts = {key: asked[key] for key in FREE_TEXTS if isinstance(asked.get(key), str)}
            given = asked | {key: bool(text.strip()) for key, text in texts.items()}
            digest = digest_of(name, request.by.actor, _asked(request, given))
            former = digest_of(name, request.by.actor, _asked(request, asked)) if texts else b""
        except NotCanonical as flaw:
            return Refusal(
                "malformed", f"What was sent can’t be kept: {flaw.what}.", "Correct it and send it again."
            )
        said = tuple(text for text in texts.values() if text.strip())
        deed = Deed(request.deed, name, request.by.actor, digest, said, former)
        try:
            with writing.writing(request.facility, request.now, deed) as log:
                if log.receipt is not None:
                    return log.receipt
                _check(request, name, observation=observation)
                doing = Doing(request, log)
                function(doing, *args, **kwargs)
                doing.settle()
        except Refused as refused:
            return refused.refusal
        except DeedReused:
            return Refusal(
                "deed-reused",
                "This deed id was used for something else. Nothing was written.",
                "Use a new deed id.",
            )
        if log.receipt is None:
            return NOTHING_TO_WRITE
        return log.receipt

    OPERATIONS[name] = Operation(name, done, function, observation)
    return done


def decision(function: Callable[Concatenate[Doing, P], None]) -> Callable[Concatenate[Request, P], Outcome]:
    """A deed that the rules may refuse: one transaction, one receipt."""
    return _deed(function, observation=False)


def observation(function: Callable[Concatenate[Doing, P], None]) -> Callable[Concatenate[Request, P], Outcome]:
    """A deed that tells what happened: whatever time it claims, it is recorded; what doesn't fit holds."""
    return _deed(function, observation=True)


def _asked(request: Request, asked: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in asked.items() if key not in NOT_ASKED} | {
        "expected_version": request.expected_version,
        "occurred_at": request.occurred_at,
        "sequence": request.sequence,
    }


def _check(request: Request, name: str, *, observation: bool) -> None:
    refusal = authority.refusal(name, request.by.roles, request.by.competences)
    if refusal is not None and request.by.actor.kind != "system":
        raise Refused(refusal)
    ahead = (request.occurred_at or request.now) - request.now
    if not observation and ahead > SKEW:
        raise refuse(
            "time-ahead",
            f"The time given is {_in_words(ahead)} ahead of the clock here. Nothing was written.",
            "Give the time at which it happened.",
        )


def _in_words(span: timedelta) -> str:
    minutes = int(span.total_seconds() // 60)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h"


def _malformed(asked: Any) -> Refusal | None:
    for text in _texts(asked):
        if len(text) > TEXT_LIMIT:
            return Refusal(
                "text-too-long",
                f"A text of {len(text)} characters was given; at most {TEXT_LIMIT} are kept. Nothing was written.",
                "Shorten it.",
            )
        if text.isprintable():
            continue
        odd = next(
            (sign for sign in text if unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\t"), None
        )
        if odd is not None:
            return Refusal(
                "control-character",
                f"The text holds a control character (U+{ord(odd):04X}). Nothing was written.",
                "Remove it and send again.",
            )
    return None


def _texts(value: Any) -> Iterable[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from _texts(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            if type(inner) is str:
                yield inner
            elif inner is not None and type(inner) not in _TEXTLESS:
                yield from _texts(inner)
    elif isinstance(value, msgspec.Struct):
        yield from _texts(msgspec.structs.astuple(value))
