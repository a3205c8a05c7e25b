"""Writing a plan: some hundred lines a transaction, with a rest after each so that others get the log."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import datetime
from itertools import islice
from uuid import UUID

from incidents.ledger.writing import LedgerBusy, Receipt
from incidents.management.importing.plan import Plan, Planned, Progress
from incidents.management.importing.problems import Problem
from incidents.operations.deeds import Doer, Outcome
from incidents.operations.history import KNOWN, import_together

TOGETHER = 500  # lines a transaction, to begin with
FEWEST = 20
LONG_S = 0.5  # a transaction that took longer is followed by one of half the lines
REST = 0.25  # of the time that the log was held: whoever polls for it every 100 ms gets it within 3 s
TRIES = 5


class Written:
    """What came of it. A line may still be refused here, when its load was recorded since it was checked."""

    def __init__(self) -> None:
        self.new: Counter[str] = Counter()
        self.known = 0
        self.longest_s = 0.0
        self.problems: list[Problem] = []


def write(facility: UUID, by: Doer, plan: Plan, clock: Callable[[], datetime], progress: Progress) -> Written:
    """Write every line of the plan. Raises LedgerBusy; what was written before it stays."""
    done = Written()
    lines = plan.written()
    size = TOGETHER
    while together := list(islice(lines, size)):
        began = time.perf_counter()
        for planned, outcome in _patiently(facility, by, together, clock):
            if isinstance(outcome, Receipt):
                done.new[planned.kind] += 1
            elif outcome.code == KNOWN:
                done.known += 1
            else:
                done.problems.append(
                    Problem(planned.file, planned.line, "", outcome.code, outcome.sentence, outcome.next_step)
                )
        progress(len(together))
        took = time.perf_counter() - began
        done.longest_s = max(done.longest_s, took)
        if took > LONG_S:
            size = max(FEWEST, size // 2)
        elif took < LONG_S / 4:
            size = min(TOGETHER, size * 2)
        time.sleep(REST * took)
    return done


def _patiently(
    facility: UUID, by: Doer, together: list[Planned], clock: Callable[[], datetime]
) -> Iterator[tuple[Planned, Outcome]]:
    said = [planned.said for planned in together]
    for left in reversed(range(TRIES)):
        try:
            return zip(together, import_together(facility, by, clock(), said), strict=True)
        except LedgerBusy:
            if not left:
                raise
    raise AssertionError("the last try returns or raises")
