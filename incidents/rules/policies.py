"""What the trade leaves to the facility: values with their source, published as a whole like a programme."""

from __future__ import annotations

from incidents.rules.events import PolicySet
from incidents.rules.refusals import Refusal

# A starting point (invented for this project); a facility sets its own, with the source it goes by.
STARTING_POLICY = PolicySet(
    edition=0,
    source="starting values, until the facility sets its own",
    same_fault_blocks=3,
    same_fault_cycles=60,
    rest_may_go_on=("wet",),
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
    return None
