"""A client to be killed: registers sets, one deed each, and says so a line at a time.

`python -m tests.appender FACILITY PERSON COUNT when` prints `n first_position leaf` for each deed; `when` is
*after* the commit, as every door does, or *before* it, which is the control that must lose what it said.
"""

from __future__ import annotations

import os
import sys
import time
from datetime import UTC, datetime
from uuid import UUID

import django


def main(facility: UUID, person: UUID, count: int, when: str) -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    django.setup()
    for n in range(count):
        n, position, leaf = (acknowledged if when == "after" else premature)(facility, person, n)
        if when == "after":
            say(n, position, leaf)


def say(n: int, position: int, leaf: str) -> None:
    print(n, position, leaf, flush=True)


def acknowledged(facility: UUID, person: UUID, n: int) -> tuple[int, int, str]:
    from incidents.identity.ids import named
    from incidents.ledger.writing import Receipt
    from incidents.operations import setting_up
    from incidents.operations.deeds import Doer, Request
    from incidents.rules.events import Actor

    by = Doer(Actor("person", person), ("administrator",))
    asked = Request(deed=named(facility, f"appended {n}"), facility=facility, by=by, now=datetime.now(UTC))
    labels = [f"Set {n}, tray {k}" for k in (1, 2)]
    receipt = setting_up.register_set(asked, name=f"Set {n}", owner="Theatre 1", labels=labels)
    assert isinstance(receipt, Receipt), receipt
    return n, receipt.first_position, receipt.leaves[0]


def premature(facility: UUID, person: UUID, n: int) -> tuple[int, int, str]:
    """The control: it speaks while the disk has not answered yet."""
    from incidents.ledger import writing

    write = writing._Page.write

    def speaks_too_soon(page: writing._Page) -> None:
        write(page)
        ((*_, receipt),) = page.done.values()
        say(n, receipt.first_position, receipt.leaves[0])
        time.sleep(0.5)  # a slow disk

    writing._Page.write = speaks_too_soon  # type: ignore[assignment,method-assign]
    try:
        return acknowledged(facility, person, n)
    finally:
        writing._Page.write = write  # type: ignore[method-assign]


if __name__ == "__main__":
    main(UUID(sys.argv[1]), UUID(sys.argv[2]), int(sys.argv[3]), sys.argv[4])
