"""The two departments of the demonstration: their people, machines, programmes, sets and racks. All invented."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from incidents.rules.events import Criterion, Fault, Phase
from incidents.rules.faults import caution_of
from incidents.rules.limits import ConductivityLimit, DoseLimit, Limits, PhaseLimit, Requirement
from incidents.rules.policies import STARTING_REQUIREMENTS
from incidents.rules.programmes import STARTING_CRITERIA, STARTING_FAULTS, STARTING_PHASES
from incidents.simulation.chance import Ageing


class Someone(NamedTuple):
    """`shift` is when they work: early, late, night, day (week days), or "" for whoever is called in."""

    login: str
    name: str
    role: str
    badge: str
    pin: str
    shift: str
    releases: bool = False


class Washer(NamedTuple):
    """A washer-disinfector. One without a gateway tells nothing by itself: people report for it."""

    name: str
    code: str
    chambers: tuple[str, ...]
    gateway: bool
    temper: str
    first_cycle: int


class Recipe(NamedTuple):
    name: str
    phases: tuple[Phase, ...]
    criteria: Sequence[Criterion]
    limits: Limits

    @property
    def minutes(self) -> int:
        return sum(phase.minutes for phase in self.phases)


class Place(NamedTuple):
    """A department as it is founded."""

    slug: str
    name: str
    time_zone: str
    people: tuple[Someone, ...]
    washers: tuple[Washer, ...]
    sets: tuple[tuple[str, str, int], ...]

    def of_role(self, role: str, shift: str = "") -> list[Someone]:
        return [one for one in self.people if one.role == role and shift in ("", one.shift)]


def _quick() -> tuple[Phase, ...]:
    parts = [("pre-wash", "Pre-wash", 1), ("wash", "Wash", 4), ("rinse", "Rinse", 2)]
    parts += [("disinfection", "Disinfection", 6), ("drying", "Drying", 3)]
    return tuple(Phase(*part) for part in parts)


def _delicate() -> tuple[Phase, ...]:
    longer = {"wash": 12, "drying": 24}
    return tuple(Phase(p.code, p.title, longer.get(p.code, p.minutes)) for p in STARTING_PHASES)


_ASKED = {each.a0_s: each for each in STARTING_REQUIREMENTS}


def _limits(asked: Requirement, held_s: int, wash_s: int, drying_s: int) -> Limits:
    """What these machines are held to: a band of −0/+5 K above 90 °C, doses within 10 %, a rinse of 30 µS/cm,
    probes within 2 K and calibrated to 0.5 K (common practice, from memory); the rest is invented."""
    return Limits(
        phases=(
            PhaseLimit("pre-wash", least_s=45),
            PhaseLimit("wash", "57", "55", "62", wash_s, doses=(DoseLimit("1", "50", "10"),)),
            PhaseLimit("rinse", least_s=100, doses=(DoseLimit("2", "20", "10"),)),
            PhaseLimit("disinfection", "91.5", "90", "95", held_s),
            PhaseLimit("drying", "70", "60", held_s=drying_s),
        ),
        disinfection=asked,
        gap_s="10",
        sampling_s="5",
        agreement_k="2",
        conductivity=ConductivityLimit("30", "25-degC", "25-degC"),
        probes=4,
        tolerance_k="0.5",
    )


RECIPES: dict[str, Recipe] = {
    recipe.name: recipe
    for recipe in (
        Recipe("Instruments", tuple(STARTING_PHASES), STARTING_CRITERIA, _limits(_ASKED[3000], 300, 300, 600)),
        Recipe("Delicate", _delicate(), STARTING_CRITERIA, _limits(_ASKED[3000], 300, 420, 720)),
        Recipe("Bowls", _quick(), STARTING_CRITERIA, _limits(_ASKED[600], 120, 60, 60)),
    )
}
_CONTAMINATED = caution_of(("heat", "sharps", "contaminated"))
FAULTS: tuple[Fault, ...] = (
    *STARTING_FAULTS,
    Fault(
        code="S01",
        title="The strainer is blocked",
        consequence="Cleaning is not proven",
        time_to_respond="within minutes",
        priority="high",
        why="Dirty water goes round again",
        first_instruction="Leave the door shut until it has drained. Then lift the strainer out with tongs.",
        caution=_CONTAMINATED,
        resume={"pre-wash": "technician"},
    ),
    Fault(
        code="W05",
        title="Circulation pressure is low",
        consequence="Cleaning is not proven",
        time_to_respond="within minutes",
        priority="high",
        why="The jets are too weak to clean",
        first_instruction="Leave the door shut. Read the pressure on the display and tell engineering.",
        caution=_CONTAMINATED,
        resume={"pre-wash": "technician", "wash": "supervisor"},
    ),
    Fault(
        code="Q01",
        title="Conductivity of the last rinse too high",
        consequence="Cleaning is not proven",
        time_to_respond="within the cycle",
        priority="high",
        why="Residues may stay on the instruments",
        first_instruction="Leave the door shut. Check the water plant’s display.",
        caution=caution_of(("heat", "contaminated")),
        resume={},
    ),
)
# What comes up in which phase, and how often beside the others: (code, weight). Invented.
COMES_UP: dict[str, dict[str, tuple[tuple[str, float], ...]]] = {
    "steady": {
        "pre-wash": (("W01", 3), ("S01", 2), ("P01", 1)),
        "wash": (("W02", 2), ("W03", 3), ("W01", 1)),
        "rinse": (("W01", 2), ("Q01", 2)),
        "disinfection": (("T01", 4), ("X17", 1)),
        "drying": (("A01", 5), ("P01", 1)),
    },
    "worsens": dict.fromkeys(("pre-wash", "wash", "rinse"), (("W02", 6), ("W03", 1)))
    | {"disinfection": (("T01", 1),), "drying": (("A01", 1),)},
    "repaired": dict.fromkeys(("pre-wash", "wash", "rinse"), (("W05", 6), ("S01", 1)))
    | {"disinfection": (("T01", 1),), "drying": (("A01", 1),)},
}
HOURS_A_DAY = 5.4  # of running, of one chamber, about
REPAIRED_AT = 0.45  # of the history


def ageing(temper: str, days: float) -> Ageing:
    """How a machine of this temper fails over a history of so many days."""
    whole_h = days * HOURS_A_DAY
    if temper == "worsens":
        faults = min(26.0, 4.0 + 0.75 * days)
        return Ageing(shape=2.8, scale_h=whole_h / faults ** (1 / 2.8))
    if temper == "repaired":
        return Ageing(shape=1.0, scale_h=7.0, repaired_h=REPAIRED_AT * whole_h, rate_after=1 / 150.0)
    return Ageing(shape=1.0, scale_h=22.0)


_WASHERS = (
    (
        Washer("Alder", "M-ALDER", ("1",), True, "steady", 4401),
        Washer("Birch", "M-BIRCH", ("1",), True, "worsens", 6012),
        Washer("Cedar", "M-CEDAR", ("1", "2"), True, "steady", 880),
        Washer("Hazel", "M-HAZEL", ("1",), False, "steady", 2190),
        Washer("Larch", "M-LARCH", ("1",), True, "steady", 310),
        Washer("Maple", "M-MAPLE", ("1",), True, "steady", 7003),
    ),
    (
        Washer("Rowan", "M-ROWAN", ("1",), True, "repaired", 5098),
        Washer("Elder", "M-ELDER", ("1",), True, "steady", 1544),
        Washer("Thorn", "M-THORN", ("1",), False, "steady", 3371),
        Washer("Aspen", "M-ASPEN", ("1",), True, "steady", 972),
        Washer("Yew", "M-YEW", ("1", "2"), True, "steady", 150),
        Washer("Willow", "M-WILLOW", ("1",), True, "steady", 2630),
    ),
)
LEAST_MACHINES, MOST_MACHINES = 6, sum(len(each) for each in _WASHERS)
_PEOPLE = (
    (
        Someone("ada.lind", "Ada Lind", "administrator", "E-100", "4711", "day"),
        Someone("ines.malk", "Ines Malk", "technician", "E-101", "1101", "early", releases=True),
        Someone("oskar.vehl", "Oskar Vehl", "technician", "E-102", "1202", "early"),
        Someone("tamsin.roke", "Tamsin Roke", "technician", "E-103", "1303", "late", releases=True),
        Someone("levan.ashby", "Levan Ashbrook", "technician", "E-104", "1404", "late"),
        Someone("bela.druin", "Bela Druin", "technician", "E-105", "1505", "night", releases=True),
        Someone("sanne.okter", "Sanne Okter", "supervisor", "E-110", "2110", "early", releases=True),
        Someone("marek.toll", "Marek Tollen", "supervisor", "E-111", "2111", "late", releases=True),
        Someone("joan.averby", "Joan Averby", "infection-prevention", "E-120", "3120", "day"),
        Someone("bo.lantz", "Bo Lantzer", "engineering", "E-130", "4130", "day"),
        Someone("petra.quist", "Petra Quistby", "quality", "E-140", "5140", "day"),
    ),
    (
        Someone("nuala.fenn", "Nuala Fennick", "administrator", "Q-100", "4712", "day"),
        Someone("corin.abel", "Corin Abelard", "technician", "Q-101", "1106", "early", releases=True),
        Someone("yara.stenn", "Yara Stennet", "technician", "Q-102", "1207", "early"),
        Someone("piet.warrow", "Piet Warrow", "technician", "Q-103", "1308", "late", releases=True),
        Someone("mina.ostley", "Mina Ostley", "technician", "Q-104", "1409", "night", releases=True),
        Someone("rafe.dunmore", "Rafe Dunmarrow", "supervisor", "Q-110", "2115", "early", releases=True),
        Someone("silke.brandt", "Silke Brandmoor", "supervisor", "Q-111", "2116", "late", releases=True),
        Someone("amara.lyle", "Amara Lylewood", "infection-prevention", "Q-120", "3125", "day"),
        Someone("jonas.kerr", "Jonas Kerrigold", "engineering", "Q-130", "4135", "day"),
        Someone("teodor.vance", "Teodor Vancey", "quality", "Q-140", "5145", "day"),
    ),
)
_KINDS = ("Basic set", "Hip set", "Knee set", "Hand set", "Ear set", "Bowel set", "Scope set", "Eye set", "Jaw set")
_OWNERS = ("Theatre 1", "Theatre 2", "Theatre 3", "Day surgery", "Maternity")
RACKS = ("Instrument rack", "Instrument rack", "Container rack", "Tube rack", "Bowl rack", "Delicate rack")
LOANER = ("Loan spine set", "Northlight Loans", 4)


def _sets(count: int) -> tuple[tuple[str, str, int], ...]:
    """(name, owner, trays): one to four trays each."""
    made = []
    for n in range(count):
        kind = _KINDS[n % len(_KINDS)]
        made.append(
            (f"{kind} {n // len(_KINDS) + 1:02d}", _OWNERS[n % len(_OWNERS)], (2, 4, 3, 1, 2, 4, 2, 1, 3)[n % 9])
        )
    return tuple(made)


def places(machines: int) -> tuple[Place, Place]:
    """The two departments, with so many machines between them (6 to 12)."""
    if not LEAST_MACHINES <= machines <= MOST_MACHINES:
        raise ValueError(f"a demonstration has {LEAST_MACHINES} to {MOST_MACHINES} machines")
    first = (machines + 1) // 2
    named = (("eastmere", "Eastmere", "Europe/Berlin"), ("quillhaven", "Quillhaven", "Europe/Dublin"))
    counts = (first, machines - first)
    eastmere, quillhaven = (
        Place(*named[n], _PEOPLE[n], _WASHERS[n][: counts[n]], _sets(18 * counts[n])) for n in (0, 1)
    )
    return eastmere, quillhaven
