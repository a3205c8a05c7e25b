"""The items of a held load run again: when the old load's story ends, and when it opens again."""

from collections.abc import Sequence
from uuid import UUID

import pytest

from incidents.rules import reruns
from incidents.rules.events import (
    AnyEvent,
    LoadReopened,
    LoadReprocessed,
    RerunLinked,
    TrayProof,
)
from incidents.rules.refusals import Refusal
from incidents.rules.reruns import LaterLoad
from tests.story import (
    ABORTED,
    CONFORMING,
    FINISHED,
    RELEASED,
    STOPPED,
    TRAY_1,
    TRAY_2,
    Happening,
    aborted,
    assembled,
    held,
    id_of,
    load_of,
    started,
)

Story = Sequence[AnyEvent | Happening]
REPROCESSED = LoadReprocessed((TrayProof(TRAY_1, id_of("later")), TrayProof(TRAY_2, id_of("later"))))
RERUN = RerunLinked(id_of("later"))


def refused(outcome: object) -> str:
    assert isinstance(outcome, Refusal), outcome
    assert outcome.sentence and outcome.next_step
    return outcome.code


# --- the items run again ------------------------------------------------------------------------------

B, C = id_of("load B"), id_of("load C")


def went(load: UUID, disposition: str = "released", complete: bool = True, recalled: bool = False) -> LaterLoad:
    """A load that a tray went through later."""
    return LaterLoad(load, complete, disposition, recalled)


def settled(*tray_1: LaterLoad, tray_2: Sequence[LaterLoad] = (), old: Story = (*ABORTED, RERUN)) -> object:
    return reruns.settle(load_of(*old), {TRAY_1: tray_1, TRAY_2: tray_2})


def test_the_old_load_ends_when_each_tray_is_accounted_for() -> None:
    outcome = settled(went(B), tray_2=[went(C)])
    assert outcome == LoadReprocessed((TrayProof(TRAY_1, B), TrayProof(TRAY_2, C)))


@pytest.mark.parametrize(
    "tray_2",
    [
        [],
        [went(C, "in process", complete=False)],
        [went(C, "awaiting review")],
        [went(C, "quarantined")],
        [went(C, "quarantined", complete=False)],
        [went(C, "released", recalled=True)],
        [went(C, "quarantined"), went(B)],
    ],
)
def test_one_tray_unaccounted_for_keeps_it_open(tray_2: list[LaterLoad]) -> None:
    assert settled(went(B), tray_2=tray_2) is None


def test_an_aborted_rerun_proves_nothing_and_the_next_one_does() -> None:
    again = [went(B, "quarantined", complete=False), went(C)]
    assert settled(*again, tray_2=again) == LoadReprocessed((TrayProof(TRAY_1, C), TrayProof(TRAY_2, C)))


def test_a_rerun_that_was_itself_reprocessed_passes_the_question_on() -> None:
    again = [went(B, "reprocessed"), went(C)]
    assert settled(*again, tray_2=again) == LoadReprocessed((TrayProof(TRAY_1, C), TrayProof(TRAY_2, C)))


def test_the_old_load_falls_again_when_a_proof_falls() -> None:
    ended = (*ABORTED, RERUN, REPROCESSED)
    fallen = went(C, recalled=True)
    assert settled(went(B), tray_2=[fallen], old=ended) == LoadReopened(TRAY_2)
    assert settled(went(B), tray_2=[went(C)], old=ended) is None


def test_it_ends_again_when_the_recall_is_lifted() -> None:
    reopened = (*ABORTED, RERUN, REPROCESSED, LoadReopened(TRAY_2))
    assert isinstance(settled(went(B), tray_2=[went(C)], old=reopened), LoadReprocessed)


def test_a_released_load_is_no_one_elses_to_end() -> None:
    assert settled(went(B), tray_2=[went(B)], old=RELEASED) is None


def test_a_load_without_trays_never_ends_by_them() -> None:
    assert reruns.settle(load_of(started(), aborted()), {}) is None


@pytest.mark.parametrize(
    ("happened", "code"),
    [
        ((assembled(),), "not-started"),
        ((assembled(), started()), "cycle-running"),
        (STOPPED, "cycle-running"),
        (FINISHED, "awaiting-review"),
        (CONFORMING, "awaiting-review"),
        (RELEASED, "already-released"),
        ((*ABORTED, RERUN, REPROCESSED), "already-reprocessed"),
    ],
)
def test_reruns_that_are_refused(happened: Story, code: str) -> None:
    assert refused(reruns.rerun_refusal(load_of(*happened))) == code


@pytest.mark.parametrize("happened", [ABORTED, (*CONFORMING, held()), (*RELEASED, held())])
def test_held_and_recalled_loads_may_be_run_again(happened: Story) -> None:
    assert reruns.rerun_refusal(load_of(*happened)) is None
