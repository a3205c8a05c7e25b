"""What is concluded of a device itself: which of its numbers are missing, and how far its clock is off."""

from __future__ import annotations

from datetime import datetime

from incidents.rules.vocabulary import Event, WordsRef


class ObservationsMissed(Event, frozen=True, tag="observations-missed"):
    """Between two numbers of a device's own counter these, both included, have not been heard."""

    first: int
    last: int


class ObservationArrived(Event, frozen=True, tag="observation-arrived"):
    """A number that was missed has been heard after all."""

    number: int


class MissingExplained(Event, frozen=True, tag="missing-explained"):
    """Why these numbers, both included, will not come. It proves nothing about what they would have told."""

    first: int
    last: int
    words: WordsRef


class ClockCompared(Event, frozen=True, tag="clock-compared"):
    """What the sender's clock said when it sent, and how many seconds ahead of ours that was."""

    sent_at: datetime
    ahead_s: int


class DeviceFellSilent(Event, frozen=True, tag="device-fell-silent"):
    """A device’s door heard nothing of it for as long as policy allows."""

    last_heard_at: datetime


class SilenceEnded(Event, frozen=True, tag="silence-ended"):
    """The device was heard again; None where its last door was closed, so that nothing is to be heard of it."""

    heard_at: datetime | None = None
