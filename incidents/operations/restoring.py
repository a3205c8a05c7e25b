"""After a backup was restored: accept the log as it is, and settle what it lost."""

from __future__ import annotations

from incidents.operations.deeds import Doing, decision, refuse
from incidents.queries import facts
from incidents.rules import facility, release
from incidents.rules.events import LogRestored, Stream


@decision
def accept_restore(doing: Doing, *, noted_size: int, noted_root: str, words: str) -> None:
    """Take the restored log for the log. Holds that were placed since the backup may be among what is lost,
    so every load that is neither released nor reprocessed is held until somebody has looked at it."""
    if not words.strip():
        raise refuse("reason-missing", "Accepting a restore needs a reason.", "Say why the backup was restored.")
    reason = doing.words(words.strip())
    event = LogRestored(noted_size=noted_size, noted_root=noted_root, size=doing.log.size, words=reason)
    doing.record(Stream("facility", doing.facility), event)
    why = doing.words("A backup was restored. What was decided on this load since may be lost.")
    for load in facts.unreleased_loads(doing.facility):
        hold = release.place_hold(doing.state_of_load(load), doing.new(f"hold {load}"), why)
        doing.record(Stream("load", load), hold)


@decision
def settle_restore(doing: Doing, *, words: str) -> None:
    """Say what was looked for and entered late; the open item ends. The holds are lifted one by one."""
    if not words.strip():
        raise refuse("reason-missing", "Nothing was said.", "Say what was looked for, and what was entered late.")
    stream = Stream("facility", doing.facility)
    doing.record(stream, facility.settle(doing.state(stream), doing.words(words.strip())))
