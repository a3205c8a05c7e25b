"""Cycle programmes: what a publication must say before it may be used; and what a facility starts with."""

from __future__ import annotations

from collections.abc import Sequence

from incidents.rules.events import (
    Criterion,
    Fault,
    Phase,
    ProgrammeInForce,
    ProgrammePublished,
)
from incidents.rules.faults import caution_of
from incidents.rules.limits import limits_refusal, resuming_refusal
from incidents.rules.refusals import Refusal

PHASE_CODES = ("pre-wash", "wash", "rinse", "disinfection", "drying")
DAY_S = 24 * 3600


def in_force(programme: ProgrammePublished) -> ProgrammeInForce:
    """The part of a programme that a load keeps."""
    return ProgrammeInForce(
        name=programme.name,
        edition=programme.edition,
        phases=tuple(phase.code for phase in programme.phases),
        expected_s=programme.expected_s,
        grace_s=programme.grace_s,
        criteria=programme.criteria,
        resuming=programme.resuming,
    )


def programme_refusal(programme: ProgrammePublished) -> Refusal | None:
    """Why this programme can't be published, or None."""
    what = f"Programme “{programme.name}” was not published:"
    if not programme.phases:
        return Refusal("programme-empty", f"{what} it has no phases.", "Name at least one phase.")
    codes = [phase.code for phase in programme.phases]
    odd = next((code for code in codes if not is_code(code)), None)
    if odd is not None:
        return Refusal("phase-code", f"{what} “{odd}” is no phase code.", "Use small letters, digits and hyphens.")
    if len(set(codes)) < len(codes):
        return Refusal("phase-twice", f"{what} a phase code stands twice.", "Give each phase its own code.")
    if not 0 < programme.expected_s <= DAY_S or not 0 <= programme.grace_s <= DAY_S:
        return Refusal(
            "duration-out-of-range", f"{what} its duration or grace is out of range.", "Give up to 24 hours."
        )
    names = [criterion.code for criterion in programme.criteria]
    if len(set(names)) < len(names):
        return Refusal("criterion-twice", f"{what} a criterion stands twice.", "Give each its own code.")
    if not any(criterion.kind == "disinfection" for criterion in programme.criteria):
        return Refusal(
            "no-disinfection-criterion",
            f"{what} nothing in it says how disinfection is read off the record.",
            "Add a criterion of kind disinfection.",
        )
    if programme.resuming is not None and (flaw := resuming_refusal(programme.resuming, codes)) is not None:
        return flaw
    return limits_refusal(programme.limits, codes) if programme.limits else None


def is_code(code: str) -> bool:
    """Small letters, digits and hyphens, at most 40."""
    return bool(code) and len(code) <= 40 and set(code) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


STARTING_FAULTS: Sequence[Fault] = (
    Fault(
        code="W01",
        title="Water did not come in",
        consequence="The load is delayed",
        time_to_respond="within the cycle",
        priority="medium",
        why="The cycle waits and its load is delayed",
        first_instruction="Check the water tap and the supply. Leave the door shut.",
        caution=caution_of(("heat", "contaminated")),
        resume={"pre-wash": "technician", "wash": "supervisor"},
    ),
    Fault(
        code="W02",
        title="A spray arm does not turn",
        consequence="Cleaning is not proven",
        time_to_respond="within minutes",
        priority="high",
        why="Parts of the load were not reached by the jets",
        first_instruction="Leave the door shut. It unlocks when the water has drained.",
        caution=caution_of(("sharps", "contaminated")),
        resume={"pre-wash": "technician"},
    ),
    Fault(
        code="W03",
        title="Cleaner was not dosed",
        consequence="Cleaning is not proven",
        time_to_respond="within minutes",
        priority="high",
        why="Without cleaner the soil stays",
        first_instruction="Read the canister’s level. Goggles and gloves before you touch it.",
        caution=caution_of(("chemicals",)),
        resume={},
    ),
    Fault(
        code="T01",
        title="Disinfection temperature not reached",
        consequence="Disinfection is not proven",
        time_to_respond="within minutes",
        priority="high",
        why="Heat is what disinfects this load",
        first_instruction="Leave the door shut. Abort and run it again.",
        caution=caution_of(("heat", "contaminated"), "Up to 95 °C."),
        resume={},
    ),
    Fault(
        code="D01",
        title="The door opened during the cycle",
        consequence="Somebody may be hurt",
        time_to_respond="at once",
        priority="high",
        why="Hot water or steam may come out, and the cycle is broken",
        first_instruction="Step back from the door. Call the supervisor.",
        caution=caution_of(("heat", "contaminated"), "Wet floor."),
        resume={},
    ),
    Fault(
        code="A01",
        title="Drying air too cold",
        consequence="The load is delayed",
        time_to_respond="within the shift",
        priority="medium",
        why="A wet load can’t be packed",
        first_instruction="Check the air filter’s light. Leave the door shut.",
        caution=caution_of(("heat",), "The dryer may exceed 100 °C."),
        resume={"drying": "technician"},
    ),
    Fault(
        code="P01",
        title="The printer has no paper",
        consequence="A consumable runs out",
        time_to_respond="within the cycle",
        priority="low",
        why="Without a record the load can’t be released",
        first_instruction="Put in a new roll and check that the record is printed.",
        caution="",
        resume={
            "pre-wash": "technician",
            "wash": "technician",
            "rinse": "technician",
            "drying": "technician",
        },
    ),
)

# A starting point in this project's own words (invented); a department publishes what its machines run.
STARTING_PHASES: Sequence[Phase] = (
    Phase("pre-wash", "Pre-wash", 3),
    Phase("wash", "Wash", 10),
    Phase("rinse", "Rinse", 4),
    Phase("disinfection", "Disinfection", 8),
    Phase("drying", "Drying", 20),
)
STARTING_CRITERIA: Sequence[Criterion] = (
    Criterion("disinfection", "Disinfection: holding time and temperature at the recorded probe", "disinfection"),
    Criterion("upper-band", "Temperature stayed below the band’s upper limit", "upper-band"),
    Criterion("cleaning", "Wash: time, temperature and doses", "cleaning"),
    Criterion("rinse", "Final rinse: water came in and its conductivity", "rinse"),
    Criterion("drying", "Drying: time and temperature", "drying"),
    Criterion("documentation", "The record is whole and legible", "documentation"),
)
STARTING_GRACE_S = 600
