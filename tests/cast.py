"""The cast, and the department they work in: builders for tests on the real database.

Ines is a technician, Sanne the shift's supervisor, Joan infection prevention, Bo engineering, Ada the
administrator; Otto works in another department. Alder is a washer-disinfector that reports by itself.
Time is the department's own: every request comes a minute after the one before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

from factory.declarations import Sequence as Numbered
from factory.declarations import SubFactory
from factory.django import DjangoModelFactory

from incidents.identity import signing
from incidents.identity.ids import named
from incidents.identity.models import Competence, Facility, Membership, Person
from incidents.identity.rights import rights
from incidents.ledger.reading import leaf_of, read_all, read_stream
from incidents.ledger.writing import Receipt, open_ledger
from incidents.operations import alarms, catalogue, cycles, holds, machines, observations, programmes, setting_up
from incidents.operations.deeds import Doer, Outcome, Request
from incidents.projections import rebuild
from incidents.queries import facts
from incidents.rules import loads
from incidents.rules.events import Actor, Fault, Recorded, SeenLoad, Stream, Verdict
from incidents.rules.holds import disposition, under_recall
from incidents.rules.holds import holds as standing_holds
from incidents.rules.loads import Load
from incidents.rules.programmes import STARTING_FAULTS
from incidents.rules.refusals import Refusal
from tests.story import ALL_MET, CRITERIA, MONDAY, PHASES

CAST = {
    "Ines": "technician",
    "Sanne": "supervisor",
    "Joan": "infection-prevention",
    "Bo": "engineering",
    "Ada": "administrator",
}
RELEASES = ("Ines", "Sanne")  # who has a current release competence
PROGRAMME_NAME = "Instruments"
NO_MACHINE = UUID(int=0)


class FacilityFactory(DjangoModelFactory[Facility]):
    class Meta:
        model = Facility

    slug = Numbered(lambda n: f"department-{n}")
    name = "Eastmere"


class PersonFactory(DjangoModelFactory[Person]):
    class Meta:
        model = Person

    login = Numbered(lambda n: f"person-{n}")
    name = "Someone"


class MembershipFactory(DjangoModelFactory[Membership]):
    class Meta:
        model = Membership

    person = SubFactory(PersonFactory)


class CompetenceFactory(DjangoModelFactory[Competence]):
    class Meta:
        model = Competence

    kind = "release"
    valid_from = date(2026, 1, 1)
    valid_until = date(2026, 12, 31)


@dataclass
class Department:
    """A facility with its people, its machine and its trays, at a moment of its own."""

    facility: Facility
    people: dict[str, Person] = field(default_factory=dict)
    now: datetime = MONDAY
    machine: UUID = NO_MACHINE
    trays: tuple[UUID, ...] = ()
    deeds: int = 0
    told: int = 0

    @property
    def id(self) -> UUID:
        return self.facility.id

    def new_deed(self) -> UUID:
        self.deeds += 1
        return named(self.id, f"deed {self.deeds}")

    def wait(self, minutes: float = 1) -> datetime:
        self.now += timedelta(minutes=minutes)
        return self.now


# --- a department -------------------------------------------------------------------------------------


def bare_department(**more: Any) -> Department:
    """A facility with its people and an empty ledger."""
    department = Department(FacilityFactory.create(**more))
    for name, role in CAST.items():
        hire(department, name, role, *(["release"] if name in RELEASES else []))
    open_ledger(department.id, department.now)
    return department


def open_department(**more: Any) -> Department:
    """A department ready for work: machine Alder with chamber 1, a programme, a catalogue, a set of two trays."""
    department = bare_department(**more)
    done(setting_up.open_facility(request(department, "Ada")))
    department.machine = register_machine(department, "Alder")
    done(setting_up.publish_catalogue(request(department, "Ada"), faults=STARTING_FAULTS))
    publish_programme(department)
    department.trays = register_set(department, "Basic set", 2)
    return department


def hire(department: Department, name: str, role: str, *competences: str) -> Person:
    """Give someone a role here, and competences that are current all year."""
    person = department.people.get(name) or PersonFactory.create(name=name)
    department.people[name] = person
    MembershipFactory.create(facility=department.facility, person=person, role=role)
    for kind in competences:
        CompetenceFactory.create(facility=department.facility, person=person, kind=kind)
    return person


def register_machine(department: Department, name: str, *chambers: str) -> UUID:
    asked = request(department, "Ada")
    done(setting_up.register_machine(asked, name=name, code=f"M-{name}", chambers=chambers or ("1",)))
    return named(asked.deed, "machine")


def publish_programme(department: Department, name: str = PROGRAMME_NAME, **more: Any) -> Receipt:
    recipe: dict[str, Any] = {"phases": PHASES, "expected_s": 3600, "grace_s": 600, "criteria": CRITERIA} | more
    if not facts.has_programme(department.id):
        return done(setting_up.publish_programme(request(department, "Ada"), name=name, **recipe))
    done(programmes.draft_programme(request(department, "Bo"), name=name, **recipe))
    return approve_programme(department, name)


def approve_programme(department: Department, name: str = PROGRAMME_NAME, who: str = "Ada") -> Receipt:
    """The draft that stands becomes the next edition: a second person agrees."""
    found = facts.programme_id(department.id, name)
    assert found is not None
    return done(programmes.approve_programme(request(department, who), programme=found))


def given_drafted_programme(department: Department) -> UUID:
    """Bo's draft of a programme that is new."""
    asked = request(department, "Bo")
    recipe: dict[str, Any] = {"phases": PHASES, "expected_s": 3600, "grace_s": 600, "criteria": CRITERIA}
    done(programmes.draft_programme(asked, name="Deep", **recipe))
    return named(asked.deed, "programme")


def agree_on_faults(department: Department, faults: Sequence[Fault]) -> Receipt:
    """The next edition of the fault catalogue: Bo drafts it, Ada publishes it."""
    done(catalogue.draft_catalogue(request(department, "Bo"), faults=faults))
    return done(catalogue.publish_draft(request(department, "Ada")))


def register_rack(department: Department, name: str) -> UUID:
    asked = request(department, "Ada")
    done(machines.register_rack(asked, code=f"R-{name}", name=name))
    return named(asked.deed, "rack")


def register_set(department: Department, name: str, size: int, **more: Any) -> tuple[UUID, ...]:
    asked = request(department, "Ada")
    labels = [f"{name} {n}" for n in range(1, size + 1)]
    given: dict[str, Any] = {"owner": "Theatre 1"} | more
    done(setting_up.register_set(asked, name=name, labels=labels, **given))
    return tuple(named(asked.deed, f"tray {n}") for n in range(1, size + 1))


# --- asking -------------------------------------------------------------------------------------------


def doer(department: Department, who: str) -> Doer:
    """Who asks, with the rights that a door would find for them here and now."""
    if who == "Alder":
        return Doer(Actor("device", department.machine), ("device",))
    person = department.people[who]
    here = rights(person.id, department.id, department.now.date())
    return Doer(Actor("person", person.id), here.roles, here.competences)


def request(department: Department, who: str, **more: Any) -> Request:
    """A minute later, someone asks for a deed."""
    given: dict[str, Any] = {
        "deed": department.new_deed(),
        "facility": department.id,
        "now": department.wait(),
    } | more
    return Request(by=given.pop("by", None) or doer(department, who), **given)


def done(outcome: Outcome) -> Receipt:
    assert isinstance(outcome, Receipt), outcome
    return outcome


def refused(outcome: Outcome) -> str:
    """The code of a refusal; every refusal also says why, and what to do next."""
    assert isinstance(outcome, Refusal), outcome
    assert outcome.sentence and outcome.next_step, outcome
    return outcome.code


def tell(department: Department, kind: Any, *, cycle: int | None = None, **more: Any) -> Outcome:
    """Alder reports something, under its next number unless the test says which."""
    department.told += 1
    asked = {name: more.pop(name) for name in ("deed", "occurred_at", "sequence", "by") if name in more}
    about = more.pop("machine", department.machine)
    told = observations.Told(**({"chamber": "1", "machine_cycle": cycle} | more))
    asking = request(department, "Alder", **({"sequence": department.told} | asked))
    return observations.observe(asking, machine=about, kind=kind, told=told)


def signed_by(department: Department, who: str, load: UUID, deed: UUID, meaning: str = "I sign this load") -> UUID:
    """A signature made ready by badge and PIN, on the load exactly as it is now."""
    stream = Stream("load", load)
    version = len(read_stream(department.id, stream))
    bound = [SeenLoad(load, version, leaf_of(department.id, stream, version))]
    return signing.sign(department.people[who], department.id, deed, meaning, bound, department.now).id


# --- loads, as far as a story needs them --------------------------------------------------------------


def given_assembled_load(department: Department, trays: Sequence[UUID] = (), **more: Any) -> UUID:
    asked = request(department, "Ines")
    given: dict[str, Any] = {
        "machine": department.machine,
        "chamber": "1",
        "trays": trays or department.trays,
    } | more
    done(cycles.assemble_load(asked, **given))
    return named(asked.deed, "load")


def given_running_load(department: Department, cycle: int | None = None, **more: Any) -> UUID:
    load = given_assembled_load(department, **more)
    begun = cycles.start_cycle(
        request(department, "Ines"), load=load, programme=PROGRAMME_NAME, machine_cycle=cycle
    )
    done(begun)
    return load


def given_load_with_alarm(
    department: Department, code: str = "W02", phase: str = "wash", **more: Any
) -> tuple[UUID, UUID]:
    """A load whose machine has just stopped; returns it and the alarm, which nobody has seen."""
    load = given_running_load(department, **more)
    receipt = done(tell(department, "alarm-raised", code=code, phase=phase))
    return load, named(receipt.deed_id, "alarm")


def given_aborted_load(department: Department, **more: Any) -> UUID:
    load, alarm = given_load_with_alarm(department, **more)
    done(acknowledge(department, load, alarm))
    done(alarms.abort_cycle(request(department, "Ines"), load=load, reason="fault", alarm=alarm))
    return load


def given_finished_load(department: Department, **more: Any) -> UUID:
    load = given_running_load(department, **more)
    done(tell(department, "cycle-finished"))
    return load


def given_reviewed_load(department: Department, **more: Any) -> UUID:
    load = given_finished_load(department, **more)
    done(review(department, load))
    return load


def given_released_load(department: Department, **more: Any) -> UUID:
    load = given_reviewed_load(department, **more)
    done(let_go(department, load))
    return load


# --- deeds in one line --------------------------------------------------------------------------------


def acknowledge(department: Department, load: UUID, alarm: UUID, who: str = "Ines") -> Outcome:
    return alarms.acknowledge_alarm(request(department, who), stream=Stream("load", load), alarm=alarm)


def review(department: Department, load: UUID, record_seen: bool = True, **verdicts: Verdict) -> Outcome:
    """Read the record: everything met, but for what the test says, by criterion."""
    said = ALL_MET | verdicts
    return holds.review_load(request(department, "Ines"), load=load, record_seen=record_seen, verdicts=said)


def hold(department: Department, load: UUID, who: str = "Ines", words: str = "A tray is wet.") -> Outcome:
    return holds.hold_load(request(department, who), load=load, words=words)


def lift(department: Department, load: UUID, key: str, *signers: str) -> Outcome:
    asked = request(department, signers[0])
    signings = [signed_by(department, who, load, asked.deed) for who in signers]
    return holds.lift_hold(asked, load=load, hold=key, words="Looked into it.", signings=signings)


def sign_first(department: Department, load: UUID, key: str, who: str) -> Outcome:
    """Sign as the first of two; the second comes later."""
    asked = request(department, who)
    signings = [signed_by(department, who, load, asked.deed)]
    return holds.sign_lift(asked, load=load, hold=key, words="Its conductivity was read twice.", signings=signings)


def sign_second(department: Department, load: UUID, key: str, who: str, **more: Any) -> Outcome:
    asked = request(department, who)
    given = {"signings": [signed_by(department, who, load, asked.deed)]} | more
    return holds.second_lift(asked, load=load, hold=key, **given)


def let_go(department: Department, load: UUID, who: str = "Ines", **more: Any) -> Outcome:
    """Release the load for packing, signed at once."""
    asked = request(department, who)
    given = {"purpose": "packing", "signings": [signed_by(department, who, load, asked.deed)]} | more
    return holds.release_load(asked, load=load, **given)


def rerun(department: Department, load: UUID, **more: Any) -> UUID:
    asked = request(department, "Ines")
    done(cycles.rerun_load(asked, load=load, **more))
    return named(asked.deed, "load")


def rerun_and_release(department: Department, load: UUID, cycle: int | None = None) -> UUID:
    new = rerun(department, load)
    done(tell(department, "cycle-finished", cycle=cycle))
    done(review(department, new))
    done(let_go(department, new))
    return new


# --- what then stands ---------------------------------------------------------------------------------


def events_of(department: Department, load: UUID) -> list[Recorded]:
    return read_stream(department.id, Stream("load", load))


def load_now(department: Department, load: UUID) -> Load:
    return loads.fold(load, events_of(department, load))


def last_event(department: Department, load: UUID) -> Any:
    return events_of(department, load)[-1].data


def fate(department: Department, load: UUID) -> str:
    """What the load is now, as its events make it: "released", "released, under recall"…"""
    state = load_now(department, load)
    return disposition(state) + (", under recall" if under_recall(state) else "")


def standing(department: Department, load: UUID) -> list[str]:
    """The codes of the holds that stand, gravest first."""
    return [hold.code for hold in standing_holds(load_now(department, load))]


def whole_log(department: Department) -> list[Recorded]:
    return list(read_all(department.id))


def rebuilt_equals_live(department: Department) -> None:
    """Fold the whole log anew: every read model row must be as the deeds left it."""
    assert rebuild.check(department.id).differences == 0
