"""Alarms put aside for a time (IEC 62682, *shelved*): with a reason, listed, back by themselves when it is over."""

from __future__ import annotations

from datetime import datetime, timedelta
from uuid import UUID

from incidents.rules.alarms import HasAlarms, find, no_such_alarm
from incidents.rules.events import AlarmShelved, AlarmUnshelved, WordsRef
from incidents.rules.refusals import Refusal

# Common practice: nothing is put aside for longer than a shift, and what is urgent not at all.
LONGEST = {"medium": timedelta(hours=8), "low": timedelta(hours=8)}
SHORTEST = timedelta(minutes=1)


def shelve(
    holder: HasAlarms, alarm_id: UUID, until: datetime, now: datetime, words: WordsRef
) -> AlarmShelved | Refusal:
    alarm = find(holder, alarm_id)
    if alarm is None:
        return no_such_alarm(holder)
    if alarm.state == "normal":
        return Refusal("alarm-over", "This alarm stands no more.", "There is nothing to put aside.")
    if alarm.state == "shelved":
        return Refusal("shelved-already", "This alarm is put aside already.", "Take it back first.")
    longest = LONGEST.get(alarm.priority)
    if longest is None:
        return Refusal("never-shelved", "A high alarm is never put aside.", "See it, and answer it.")
    if not SHORTEST <= until - now <= longest:
        hours = int(longest.total_seconds() // 3600)
        return Refusal("shelf-time", f"An alarm is put aside for a minute to {hours} h.", "Choose another time.")
    return AlarmShelved(alarm=alarm_id, until=until, words=words)


def unshelve(holder: HasAlarms, alarm_id: UUID) -> AlarmUnshelved | Refusal:
    alarm = find(holder, alarm_id)
    if alarm is None:
        return no_such_alarm(holder)
    if alarm.state != "shelved":
        return Refusal("not-shelved", "This alarm is not put aside.", "Read its page again.")
    return AlarmUnshelved(alarm=alarm_id)


def is_over(holder: HasAlarms, alarm_id: UUID, now: datetime) -> bool:
    """Is its time over, so that it returns by itself?"""
    alarm = find(holder, alarm_id)
    return alarm is not None and alarm.shelved_until is not None and alarm.shelved_until <= now
