"""What one fault of the catalogue says: its priority by consequence and time, its cautions, who may resume.

Source of the classes: a sterile processing department's common practice, from memory (high: disinfection not
proven, a release in error or an injury possible; medium: a load delayed, one machine down; low: something runs
out or is due). That a longer time lowers them one step is an analogy to IEC 60601-1-8, no requirement of it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Literal, NamedTuple, get_args

from incidents.rules.events import Fault, Priority, Resume
from incidents.rules.refusals import Refusal

Gravity = Literal["grave", "delay", "upkeep"]
CONSEQUENCES: Mapping[str, Gravity] = {
    "Somebody may be hurt": "grave",
    "Disinfection is not proven": "grave",
    "Cleaning is not proven": "grave",
    "A load may be released in error": "grave",
    "The load is delayed": "delay",
    "The machine is out of use": "delay",
    "A consumable runs out": "upkeep",
    "Maintenance is due": "upkeep",
}
TIMES = ("at once", "within minutes", "within the cycle", "within the shift")
PRIORITIES: tuple[Priority, ...] = get_args(Priority)  # gravest first
RESUMES: tuple[Resume, ...] = get_args(Resume)
PROPOSED: Mapping[Gravity, tuple[Priority, Priority, Priority, Priority]] = {
    "grave": ("high", "high", "high", "medium"),
    "delay": ("high", "medium", "medium", "low"),
    "upkeep": ("medium", "low", "low", "low"),
}
# The four dangers of a stopped machine, in words that every page repeats alike.
CAUTIONS: Mapping[str, str] = {
    "heat": "Surfaces, water and steam may be hot.",
    "chemicals": "Concentrate burns: goggles and gloves. Never pour leftovers into the new container.",
    "sharps": "Sharps: never reach into a tray that you can’t see into.",
    "contaminated": "The load is contaminated: gloves, apron, visor.",
}
CAUTION_NAMES: Mapping[str, str] = {
    "heat": "Heat",
    "chemicals": "Chemicals",
    "sharps": "Sharps",
    "contaminated": "Contaminated load",
}


def proposed_priority(consequence: str, time_to_respond: str) -> Priority:
    """Consequence × time to respond by the one table; what is not in it counts as high."""
    gravity = CONSEQUENCES.get(consequence)
    if gravity is None or time_to_respond not in TIMES:
        return "high"
    return PROPOSED[gravity][TIMES.index(time_to_respond)]


def caution_of(parts: Collection[str], more: str = "") -> str:
    """The caution in words: one sentence for each danger, then what this fault adds."""
    said = [words for part, words in CAUTIONS.items() if part in parts]
    return " ".join([*said, more.strip()] if more.strip() else said)


def parts_of(caution: str) -> tuple[tuple[str, ...], str]:
    """Which dangers a caution names, and the words that are its own."""
    parts = tuple(part for part, words in CAUTIONS.items() if words in caution)
    for part in parts:
        caution = caution.replace(CAUTIONS[part], "")
    return parts, " ".join(caution.split())


def fault_refusal(fault: Fault) -> Refusal | None:
    """Why this fault can't stand in a catalogue, or None."""
    if not (fault.code.strip() and fault.title.strip() and fault.first_instruction.strip()):
        return Refusal(
            "fault-incomplete", "A fault needs its code, its title and what to do first.", "Fill them in."
        )
    if fault.priority not in PRIORITIES or not set(fault.resume.values()) <= set(RESUMES):
        return Refusal("fault-odd", f"Fault {fault.code} has an unknown priority or resume.", "Choose known ones.")
    proposed = proposed_priority(fault.consequence, fault.time_to_respond)
    lower = PRIORITIES.index(fault.priority) > PRIORITIES.index(proposed)
    if lower and not fault.why.strip():
        return Refusal(
            "why-missing",
            f"Fault {fault.code} is {proposed} by its consequence and its time; {fault.priority} needs a reason.",
            "Say why, or choose the proposed priority.",
        )
    if fault.resume.get("disinfection", "never") != "never":
        return Refusal(
            "phase-protected",
            f"Fault {fault.code} would allow a resume in disinfection, whose time counts only without a break.",
            "Leave disinfection out of its resume rule.",
        )
    return None


class Change(NamedTuple):
    """One field of a fault: what it said, and what it is to say."""

    field: str
    old: str
    new: str


def changes(old: Fault, new: Fault) -> tuple[Change, ...]:
    """What differs between two faults of the same code, in words."""
    before, after = in_words(old), in_words(new)
    return tuple(Change(field, before[field], after[field]) for field in before if before[field] != after[field])


def in_words(fault: Fault) -> dict[str, str]:
    """Every field but the code, by its name on the page."""
    return {
        "Title": fault.title,
        "Consequence": fault.consequence,
        "Time to respond": fault.time_to_respond,
        "Priority": fault.priority,
        "Why": fault.why,
        "Do this first": fault.first_instruction,
        "Caution": fault.caution,
        "Resume": resume_in_words(fault.resume),
    }


def resume_in_words(resume: Mapping[str, Resume]) -> str:
    """Who may resume in which phase; a phase that is absent means never."""
    allowed = [f"{phase}: {who}" for phase, who in sorted(resume.items()) if who != "never"]
    return "; ".join(allowed) or "never"
