"""What the trade leaves to the facility: values with their source, published as a whole like a programme."""

from __future__ import annotations

from incidents.rules.calendars import shifts_refusal
from incidents.rules.events import PolicySet
from incidents.rules.holds import LIFTED_BY
from incidents.rules.limits import Requirement, requirement_flaw
from incidents.rules.refusals import Refusal

# What disinfection is asked for, as published; a time and a temperature stay as given, for they are not equivalent.
# The day is the one on which they were put together here; a facility gives its own source and day.
STARTING_REQUIREMENTS = (
    Requirement("ISO 15883-3, from memory: containers of human waste", "2026-01-01", a0_s=60),
    Requirement("ISO 15883-2, from memory: instruments that are sterilised afterwards", "2026-01-01", a0_s=600),
    Requirement("Hygiene training citing EN ISO 15883-1: heat-resistant viruses matter", "2026-01-01", a0_s=3000),
    Requirement("HTM 01-04, as quoted", "2026-01-01", celsius="65", seconds=600),
    Requirement("HTM 01-04, as quoted", "2026-01-01", celsius="71", seconds=180),
)
REQUIREMENTS_MOST = 20
LONGEST_MIN = 30 * 24 * 60
ONE_LIFTS = tuple(code for code, groups in LIFTED_BY.items() if len(groups) == 1)

# A starting point (invented for this project); a facility sets its own, with the source it goes by.
STARTING_POLICY = PolicySet(
    edition=0,
    source="starting values, until the facility sets its own",
    same_fault_blocks=3,
    same_fault_cycles=60,
    rest_may_go_on=("wet",),
    requirements=STARTING_REQUIREMENTS,
)


def policy_refusal(policy: PolicySet) -> Refusal | None:
    """Why this policy can't be set, or None."""
    if not policy.source.strip():
        return Refusal("source-missing", "A policy needs the source it goes by.", "Name the document and its date.")
    if (
        not 2 <= policy.same_fault_blocks <= 100
        or not policy.same_fault_blocks <= policy.same_fault_cycles <= 10_000
    ):
        return Refusal(
            "number-out-of-range",
            "The same fault blocks a machine after 2 to 100 times, within as many to 10 000 cycles.",
            "Correct the numbers.",
        )
    if not set(policy.rest_may_go_on) <= {"wet", "soiled"}:
        return Refusal(
            "reason-unknown", "The rest of a load is asked about wet and soiled trays.", "Choose of these."
        )
    if not set(policy.two_people_lift) <= set(ONE_LIFTS):
        return Refusal(
            "hold-code-unknown",
            "Two people can be asked for holds that one person may lift, and for no others.",
            f"Choose of {', '.join(ONE_LIFTS)}.",
        )
    if not 0 <= policy.silent_min <= LONGEST_MIN or not 1 <= policy.incident_min <= LONGEST_MIN:
        return Refusal(
            "number-out-of-range",
            f"A silence and an incident last up to {LONGEST_MIN} minutes, an incident at least 1.",
            "Correct the numbers.",
        )
    return _requirements_refusal(policy.requirements) or shifts_refusal(policy.shifts)


def _requirements_refusal(requirements: tuple[Requirement, ...]) -> Refusal | None:
    flaw = next(filter(None, map(requirement_flaw, requirements)), None)
    if len(requirements) > REQUIREMENTS_MOST:
        flaw = f"there are more than {REQUIREMENTS_MOST}"
    elif len(set(requirements)) < len(requirements):
        flaw = "one of them stands twice"
    return Refusal("requirements", f"The requirements can’t be kept: {flaw}.", "Correct it.") if flaw else None
