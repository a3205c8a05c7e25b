"""An alarm's life by the rules alone: seen, cleared, answered by a resume or an abort; a machine's own story.

States follow IEC 62682. Acknowledging is *seen*, not *solved* (trade, B1).
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest

from incidents.rules import alarms, machines, open_items
from incidents.rules.alarms import RESUMES_PER_CYCLE
from incidents.rules.events import (
    AlarmCleared,
    AnyEvent,
    MachineRegistered,
)
from incidents.rules.loads import Load
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from tests.story import (
    ABORTED,
    ALARM,
    ALDER,
    ALDER_STREAM,
    FINISHED,
    MONDAY,
    SANNE,
    STOPPED,
    Happening,
    aborted,
    alarm,
    assembled,
    by,
    finished,
    id_of,
    load_of,
    released,
    resumed,
    seen,
    started,
    story,
    told,
)

Story = Sequence[AnyEvent | Happening]
SEEN = (seen(),)


def minutes(count: float) -> datetime:
    return MONDAY + timedelta(minutes=count)


def refused(outcome: object) -> str:
    assert isinstance(outcome, Refusal), outcome
    assert outcome.sentence and outcome.next_step
    return outcome.code


# --- alarms -------------------------------------------------------------------------------------------


def the_alarm(load: Load) -> alarms.Alarm:
    found = alarms.find(load, ALARM)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("happened", "state"),
    [
        (STOPPED, "unacknowledged"),
        ((*STOPPED, seen()), "acknowledged"),
        ((*STOPPED, AlarmCleared("W02")), "returned-unacknowledged"),
        ((*STOPPED, AlarmCleared("W02"), seen()), "normal"),
        ((*STOPPED, seen(), AlarmCleared("W02", alarm=ALARM)), "normal"),
        ((*STOPPED, seen(), AlarmCleared("W99")), "acknowledged"),
        ((*STOPPED, seen(), resumed()), "normal"),
    ],
)
def test_the_states_of_iec_62682(happened: Story, state: str) -> None:
    assert the_alarm(load_of(*happened)).state == state


def test_acknowledging_is_seen_and_solves_nothing() -> None:
    load = load_of(*STOPPED, by(SANNE, seen()))
    assert (load.stage, the_alarm(load).acknowledged_by) == ("stopped", SANNE)


def test_a_second_acknowledgement_is_answered_with_the_first() -> None:
    load = load_of(*STOPPED, seen())
    outcome = alarms.acknowledge(load, ALARM)
    assert refused(outcome) == "already-acknowledged"
    assert isinstance(outcome, Refusal)
    assert "06:04" in outcome.sentence  # Monday's clock, one event a minute


def test_an_alarm_that_nobody_raised_cannot_be_acknowledged() -> None:
    assert refused(alarms.acknowledge(load_of(*STOPPED), id_of("another"))) == "alarm-unknown"


def test_a_warning_does_not_stop_the_cycle() -> None:
    assert load_of(assembled(), started(), alarm("P01", halts=False)).stage == "running"


def resume_after(alarm_event: AnyEvent, *roles: str, then: Story = SEEN) -> object:
    return alarms.resume(load_of(assembled(), started(), alarm_event, *then), ALARM, roles, minutes(9))


def test_a_technician_resumes_where_the_catalogue_lets_them() -> None:
    outcome = resume_after(alarm("W02", "pre-wash", resume="technician"), "technician")
    assert outcome == resumed("pre-wash", halt_s=6 * 60)  # stopped at 06:03, resumed at 06:09


def test_a_resume_claimed_before_its_alarm_halted_for_no_time() -> None:
    load = load_of(assembled(), started(), alarm(resume="technician"), seen())
    outcome = alarms.resume(load, ALARM, ["technician"], minutes(1))
    assert outcome == resumed("wash", halt_s=0)


def test_a_supervisor_resumes_where_only_they_may() -> None:
    stopped = alarm("W01", "wash", resume="supervisor")
    assert refused(resume_after(stopped, "technician")) == "supervisor-resumes"
    assert not isinstance(resume_after(stopped, "supervisor"), Refusal)


@pytest.mark.parametrize(
    ("stopped", "then", "code"),
    [
        (alarm(resume="technician"), (), "alarm-unseen"),
        (alarm(resume="never"), (seen(),), "resume-not-permitted"),
        (alarm(resume="technician", known=False), (seen(),), "fault-unknown"),
        (alarm(phase="disinfection", resume="technician"), (seen(),), "phase-protected"),
        (alarm(resume="technician"), (seen(), resumed(), alarm("W02", alarm=id_of("2"))), "resumed-before"),
        (alarm(resume="technician"), (seen(), aborted()), "not-stopped"),
        (alarm(resume="technician"), (seen(), alarm("W03", alarm=id_of("2"))), "alarm-unseen"),
        (
            alarm(resume="technician"),
            (seen(), alarm("W03", alarm=id_of("2"), resume="never"), seen(id_of("2"))),
            "resume-not-permitted",
        ),
    ],
)
def test_resumes_that_are_refused(stopped: AnyEvent, then: Story, code: str) -> None:
    assert refused(resume_after(stopped, "technician", "supervisor", then=then)) == code


def test_a_cycle_is_resumed_once() -> None:
    """The rules' own limit, stricter than any catalogue (trade B1: the same fault again means no)."""
    assert RESUMES_PER_CYCLE == 1


def test_no_starting_fault_may_be_resumed_in_disinfection() -> None:
    assert not [fault.code for fault in STARTING_FAULTS if fault.resume.get("disinfection", "never") != "never"]


@pytest.mark.parametrize("happened", [(assembled(), started()), STOPPED])
def test_a_running_or_stopped_cycle_may_be_aborted(happened: Story) -> None:
    assert not isinstance(alarms.abort(load_of(*happened), "cant-tell", None), Refusal)


@pytest.mark.parametrize(
    ("happened", "reason", "code"),
    [
        (FINISHED, "fault", "cycle-not-running"),
        (ABORTED, "fault", "cycle-not-running"),
        (STOPPED, "boredom", "reason-unknown"),
    ],
)
def test_aborts_that_are_refused(happened: Story, reason: str, code: str) -> None:
    assert refused(alarms.abort(load_of(*happened), reason, None)) == code


# --- the machine's own stream -------------------------------------------------------------------------


def machine_of(*happened: AnyEvent | Happening) -> machines.Machine:
    registered = MachineRegistered("Alder", "M-Alder", ("1",))
    return machines.fold(ALDER, story(registered, *happened, stream=ALDER_STREAM))


def kinds(items: Any) -> list[str]:
    return [item.kind for item in items]


def test_an_alarm_of_an_empty_machine_is_the_machines() -> None:
    idle = machine_of(told(1, alarm()))
    assert kinds(open_items.of_machine(idle)) == ["alarm"]
    assert kinds(open_items.of_machine(machine_of(told(1, alarm()), seen()))) == ["alarm-unresolved"]


def test_a_cycle_without_a_load_is_listed_once() -> None:
    machine = machine_of(told(1, started(4471)), told(2, finished(4471)))
    assert [(stray.machine_cycle, stray.sentence) for stray in machine.strays] == [
        (4471, "Alder started a cycle without a load")
    ]
    assert kinds(open_items.of_machine(machine)) == ["cycle-without-load"]


def test_two_cycles_without_a_counter_are_two() -> None:
    assert len(machine_of(told(1, started()), told(2, started())).strays) == 2


def test_what_does_not_concern_a_machine_leaves_it_as_it_is() -> None:
    assert machine_of(assembled(), released()).name == "Alder"
