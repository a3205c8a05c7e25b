"""More of the department, for what happens on the floor: quality, a second machine, racks, rounds of release."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from uuid import UUID

from incidents.identity import signing
from incidents.identity.ids import named
from incidents.ledger.reading import leaf_of, read_stream
from incidents.operations import alarms, corrections, cycles, holds, inspection, interruptions, machines, setting_up
from incidents.operations.deeds import Outcome, Request
from incidents.projections.models import OpenItemRow
from incidents.queries import machine_story
from incidents.rules.events import RejectReason, SeenLoad, Stream
from incidents.rules.machines import Machine
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    events_of,
    hire,
    open_department,
    request,
)


def floor() -> Department:
    """A department with Quinn of quality, and Piet, a second supervisor."""
    department = open_department()
    hire(department, "Quinn", "quality")
    hire(department, "Piet", "supervisor", "release")
    return department


# --- deeds in one line --------------------------------------------------------------------------------


def stop(department: Department, load: UUID, how: Any = "by-hand", who: str = "Ines") -> Outcome:
    return interruptions.stop_cycle(request(department, who), load=load, how=how)


def interrupt(department: Department, load: UUID, what: Any = "power", who: str = "Ines", **more: Any) -> Outcome:
    asked = {"occurred_at": more.pop("occurred_at")} if "occurred_at" in more else {}
    return interruptions.report_interruption(request(department, who, **asked), load=load, what=what, **more)


def wrong(department: Department, load: UUID, meant: str = "Heavy", who: str = "Ines") -> Outcome:
    return interruptions.note_wrong_programme(request(department, who), load=load, meant=meant)


def reject(
    department: Department, load: UUID, *trays: UUID, reason: RejectReason = "wet", who: str = "Ines"
) -> Outcome:
    return inspection.reject_trays(request(department, who), load=load, trays=trays, reason=reason)


def send(department: Department, load: UUID, tray: UUID, **more: Any) -> Outcome:
    given: dict[str, Any] = {"way": "repair", "contaminated": True, "words": "A hinge is bent."} | more
    return inspection.send_tray(request(department, "Ines"), load=load, tray=tray, **given)


def abort(department: Department, load: UUID, who: str = "Ines") -> Outcome:
    return alarms.abort_cycle(request(department, who), load=load, reason="cant-tell")


def run(department: Department, load: UUID, cycle: int | None = None) -> Outcome:
    asked = request(department, "Ines")
    return cycles.start_cycle(asked, load=load, programme=PROGRAMME_NAME, machine_cycle=cycle)


def assemble(department: Department, *trays: UUID, **more: Any) -> tuple[Outcome, UUID]:
    asked = request(department, "Ines")
    given: dict[str, Any] = {"machine": department.machine, "chamber": "1", "trays": trays} | more
    return cycles.assemble_load(asked, **given), named(asked.deed, "load")


def block(department: Department, chamber: str = "", who: str = "Ines", **more: Any) -> Outcome:
    given: dict[str, Any] = {"machine": department.machine, "reason": "The door leaks"} | more
    return machines.block_machine(request(department, who), chamber=chamber, **given)


def bring_back(department: Department, chamber: str = "", who: str = "Bo", **more: Any) -> Outcome:
    given: dict[str, Any] = {"machine": department.machine, "words": "New seal, tested."} | more
    return machines.return_machine(request(department, who), chamber=chamber, **given)


def explain(department: Department, cycle: int, who: str = "Sanne", **more: Any) -> Outcome:
    given: dict[str, Any] = {"machine": department.machine, "words": "A test run, empty."} | more
    return machines.explain_cycle(request(department, who), machine_cycle=cycle, **given)


def given_rack(department: Department, name: str = "Rack 3") -> UUID:
    asked = request(department, "Ada")
    done(machines.register_rack(asked, code=f"R-{name}", name=name))
    return named(asked.deed, "rack")


def block_rack(department: Department, rack: UUID, who: str = "Ines") -> Outcome:
    return machines.block_rack(request(department, who), rack=rack, words="A wheel is off.")


def set_policy(department: Department, **more: Any) -> Outcome:
    given: dict[str, Any] = {
        "source": "Local procedure 12",
        "same_fault_blocks": 3,
        "same_fault_cycles": 60,
        "rest_may_go_on": ["wet"],
    } | more
    return setting_up.set_policy(request(department, "Ada"), **given)


def it_was(department: Department, load: UUID, event: UUID, person: str, who: str = "Quinn") -> Outcome:
    """Somebody puts right who did it."""
    asked = request(department, who)
    really = department.people[person].id
    return corrections.correct_attribution(
        asked, load=load, event=event, person=really, words="It was in another’s session."
    )


# --- a round of release -------------------------------------------------------------------------------


def signed_round(department: Department, who: str, deed: UUID, loads: Sequence[UUID]) -> UUID:
    """One signature over a list of loads, each exactly as it is now."""
    bound = []
    for load in dict.fromkeys(loads):
        stream = Stream("load", load)
        version = len(read_stream(department.id, stream))
        bound.append(SeenLoad(load, version, leaf_of(department.id, stream, version)))
    signature = signing.sign(
        department.people[who], department.id, deed, "I release these loads", bound, department.now
    )
    return signature.id


def asked_round(
    department: Department, *loads: UUID, who: str = "Ines", signer: str = ""
) -> tuple[Request, dict[str, Any]]:
    """A round that is signed and not sent yet."""
    asked = request(department, who)
    given = {"loads": loads, "purpose": "packing"}
    return asked, given | {"signings": [signed_round(department, signer or who, asked.deed, loads)]}


def release_round(department: Department, *loads: UUID, **more: Any) -> Outcome:
    asked, given = asked_round(department, *loads, **more)
    return holds.release_round(asked, **given)


# --- what then stands ---------------------------------------------------------------------------------


def machine_now(department: Department, machine: UUID | None = None) -> Machine:
    found = machine_story.machine(department.id, machine or department.machine)
    assert found is not None
    return found


def event_id(department: Department, load: UUID, kind: type) -> UUID:
    """The id of the load's last event of this kind."""
    return next(each.event_id for each in reversed(events_of(department, load)) if isinstance(each.data, kind))


def matters(department: Department, owner: UUID) -> list[str]:
    """The kinds of open items of a load or a machine."""
    rows = OpenItemRow.objects.filter(facility_id=department.id, owner=owner, known_to=None)
    return sorted(rows.values_list("kind", flat=True))
