"""Visitors at the doors: the cast in front of a browser, what they send, and what they then read.

`ERRANDS` has one valid request for every form of the pages, with the department made ready for it.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from types import SimpleNamespace
from typing import Any, NamedTuple
from urllib.parse import urlencode
from uuid import UUID

import pytest
from django.contrib.auth.hashers import make_password
from django.core.signals import request_finished
from django.db import close_old_connections, transaction
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from incidents.identity.contacts import set_own
from incidents.identity.ids import named
from incidents.identity.models import AccessToken
from incidents.ledger.reading import head, leaf_of, read_stream
from incidents.operations import (
    catalogue,
    cycles,
    delivery,
    escalation,
    machines,
    programmes,
    restoring,
    setting_up,
)
from incidents.operations import readings as keeping
from incidents.outbox.messages import Outgoing, enqueue
from incidents.pages import programme_limits
from incidents.queries import escalation as escalation_told
from incidents.queries import facts, handover
from incidents.queries import programmes as programme_told
from incidents.queries.catalogue import phases, standing
from incidents.rules.escalation_events import Holiday, Rota, Turn
from incidents.rules.events import Stream
from incidents.rules.faults import CONSEQUENCES, TIMES
from incidents.rules.starting_ladders import STARTING
from tests import cast, floor_cast, history_cast, recorded
from tests.cast import Department
from tests.story import CRITERIA, PHASES

QUICK_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # the real one is slow on purpose
BY_BADGE = "incidents.identity.backends.BadgeAndPin"
PINS = {"Ines": "1001", "Sanne": "2002", "Joan": "3003", "Bo": "4004", "Ada": "5005", "Quinn": "6006"}
PEOPLE = tuple(PINS)
ROLES = cast.CAST | {"Quinn": "quality"}
PASSWORD = "seven swans aswimming"
READS_THE_CLOCK = (
    *("incidents.pages.here", "incidents.pages.entry", "incidents.pages.wall"),
    "incidents.api.door",
)
ALDER = "M-Alder"  # the code on the department's machine


# --- a department with doors --------------------------------------------------------------------------


def department_with_doors(monkeypatch: pytest.MonkeyPatch, **more: Any) -> Department:
    """A department ready for work whose people have badges, and whose moment is the doors' moment too."""
    department = cast.open_department(**more)
    give_badges(department)
    keep_time(monkeypatch, department)
    return department


def another_department(slug: str = "westmere") -> Department:
    """A department beside it, with people and machines of its own."""
    department = cast.open_department(slug=slug, name="Westmere")
    give_badges(department)
    return department


def keep_time(monkeypatch: pytest.MonkeyPatch, department: Department) -> None:
    clock = SimpleNamespace(now=lambda: department.now)
    for door in READS_THE_CLOCK:
        monkeypatch.setattr(f"{door}.timezone", clock)


def give_badges(department: Department) -> None:
    """Everyone gets a sign-in name, a password, a badge and a PIN; Quinn reads records for quality."""
    if "Quinn" not in department.people:
        cast.hire(department, "Quinn", "quality")
    for name, person in department.people.items():
        person.login = f"{name.lower()}.{department.facility.slug}"
        person.badge = badge_of(department, name)
        person.pin = make_password(PINS[name])
        person.set_password(PASSWORD)
        person.save()


def badge_of(department: Department, who: str) -> str:
    return f"{department.facility.slug}-{who}"


def factors(department: Department, who: str, suffix: str = "") -> dict[str, str]:
    return {f"badge{suffix}": badge_of(department, who), f"pin{suffix}": PINS[who]}


def visitor(department: Department, who: str, **more: Any) -> Client:
    """Somebody of this department, signed in; a fault of the server is an answer like any other."""
    client = Client(raise_request_exception=False, **more)
    client.force_login(department.people[who], backend=BY_BADGE)
    return client


def nobody(**more: Any) -> Client:
    return Client(raise_request_exception=False, **more)


def address(department: Department, route: str, **named: Any) -> str:
    return reverse(route, kwargs={"slug": department.facility.slug, **named})


def scan(client: Client, department: Department, code: str = ALDER) -> None:
    """Stand at the machine: whoever answers its alarms scanned it a moment ago."""
    answer = client.get(address(department, "scan"), {"code": code})
    assert answer.status_code == 302


def put_down(response: HttpResponse) -> None:
    """Close an answer that was not read to its end, and leave the test its own connection to the database."""
    request_finished.disconnect(close_old_connections)
    response.close()
    request_finished.connect(close_old_connections)


def page_of(department: Department, load: UUID, who: str = "Ines") -> HttpResponse:
    return visitor(department, who).get(address(department, "load", load=load))


def written(department: Department) -> int:
    """How many events the department's log holds."""
    found = head(department.id)
    assert found is not None
    return found.size


@contextmanager
def undone() -> Iterator[None]:
    """Whatever happens inside is taken back afterwards, as if every attempt had a database of its own."""
    block = transaction.atomic()
    block._from_testcase = True  # deeds may open their own transaction inside, as in Django's TestCase
    with block:
        yield
        transaction.set_rollback(True)


# --- errands: a valid request for every form ----------------------------------------------------------


class Errand(NamedTuple):
    """What is sent where; `first` is an address that is visited before, as the machine that is scanned."""

    url: str
    fields: dict[str, Any] = {}
    first: str = ""


def carried(department: Department, load: UUID | None = None, *, leaf: bool = False) -> dict[str, str]:
    """What a form carries besides what is typed: the deed's id, and what stood on the screen."""
    fields = {"deed": str(department.new_deed())}
    if load is not None:
        version = len(cast.events_of(department, load))
        fields["version"] = str(version)
        if leaf:
            fields["leaf"] = leaf_of(department.id, Stream("load", load), version)
    return fields


def _of_load(department: Department, route: str, load: UUID, **typed: Any) -> Errand:
    return Errand(address(department, route, load=load), carried(department, load) | typed)


def _at_machine(department: Department, route: str, load: UUID, alarm: UUID, **typed: Any) -> Errand:
    """A deed on an alarm, by somebody who scanned the machine just before."""
    named = {"kind": "load"} if route in ("alarm", "acknowledge") else {}
    url = address(department, route, owner=load, alarm=alarm, **named)
    scanned = address(department, "scan") + "?" + urlencode({"code": ALDER})
    return Errand(url, carried(department, load) | typed, scanned)


def assemble(department: Department, who: str) -> Errand:
    typed = {"chamber": f"{department.machine}/1", "tray": [str(tray) for tray in department.trays]}
    return Errand(address(department, "assemble"), carried(department) | typed)


def start(department: Department, who: str) -> Errand:
    load = cast.given_assembled_load(department)
    return _of_load(department, "start", load, programme=cast.PROGRAMME_NAME, machine_cycle="4471")


def report_end(department: Department, who: str) -> Errand:
    load = cast.given_running_load(department)
    return _of_load(department, "report-end", load, machine_cycle="4471", complete="yes")


def report_alarm(department: Department, who: str) -> Errand:
    return _of_load(department, "report-alarm", cast.given_running_load(department), code="W02", phase="wash")


def place(department: Department, who: str) -> Errand:
    return _of_load(department, "place", cast.given_aborted_load(department), place="quarantine", spot="Bay 3")


def rerun(department: Department, who: str) -> Errand:
    return _of_load(department, "rerun", cast.given_aborted_load(department), programme=cast.PROGRAMME_NAME)


def draft(department: Department, who: str) -> Errand:
    """What a page keeps of a form that was not sent."""
    path = address(department, "hold", load=cast.given_running_load(department))
    typed = {"author": str(department.people[who].id), "form": path, "page": path.removesuffix("hold/")}
    return Errand(address(department, "drafts"), typed | {"title": "Hold it", "fields": '{"words":["A tray is"]}'})


def throw_away(department: Department, who: str) -> Errand:
    return Errand(address(department, "drop-draft"), {"draft": address(department, "now")})


def hold_tag(department: Department, who: str) -> Errand:
    return Errand(address(department, "hold-tag", load=cast.given_aborted_load(department)))


def record_form(department: Department, who: str) -> Errand:
    typed = {"columns": "Zeit = time_s\nFühler 1 = probe_1_degC", "header_line": "3", "do": "set"}
    typed["probes"] = "probe_1 = Report V-12"
    return Errand(address(department, "record-form", machine=department.machine), carried(department) | typed)


def release_label(department: Department, who: str) -> Errand:
    return Errand(address(department, "release-label", load=cast.given_released_load(department)))


def record_page(department: Department, who: str) -> Errand:
    load = cast.given_finished_load(department)
    file = io.BytesIO(recorded.as_csv(recorded.good()))
    cast.done(keeping.keep(cast.request(department, "Ines"), load=load, file=file))
    return Errand(address(department, "record-page", load=load))


def hold(department: Department, who: str) -> Errand:
    return _of_load(department, "hold", cast.given_finished_load(department), words="A tray is wet.")


def review(department: Department, who: str) -> Errand:
    load = cast.given_finished_load(department)
    stated = {f"criterion-{criterion.code}": "met" for criterion in CRITERIA}
    return _of_load(department, "review", load, record="seen", remark="Read at the printer.", **stated)


class File(io.BytesIO):
    """A file that can be sent more than once."""

    name = "record.csv"

    def read(self, size: int | None = -1) -> bytes:
        self.seek(0)
        return super().read()


def readings(department: Department, who: str) -> Errand:
    load = cast.given_finished_load(department)
    return _of_load(department, "readings", load, record=File(recorded.as_csv(recorded.good())))


def review_readings(department: Department, who: str) -> Errand:
    cast.done(setting_up.set_basis(cast.request(department, "Ada"), basis="computed", source="Rule R-7"))
    load = cast.given_finished_load(department)
    file = io.BytesIO(recorded.as_csv(recorded.good()))
    cast.done(keeping.keep(cast.request(department, "Ines"), load=load, file=file))
    return _of_load(department, "review-readings", load, remark="Looked at on the screen.")


def set_basis(department: Department, who: str) -> Errand:
    typed = {"basis": "computed", "basis_source": "Rule R-7"}
    return Errand(address(department, "set-basis"), carried(department) | typed)


def release(department: Department, who: str) -> Errand:
    load = cast.given_reviewed_load(department)
    typed = {"purpose": "packing", **factors(department, who)}
    return Errand(address(department, "release", load=load), carried(department, load, leaf=True) | typed)


def lift(department: Department, who: str) -> Errand:
    load = cast.given_reviewed_load(department)
    cast.done(cast.hold(department, load))
    return lift_of(department, load, who)


def lift_of(department: Department, load: UUID, *signers: str) -> Errand:
    """Lift the first hold that someone may lift, signed by these people."""
    from incidents.rules.holds import holds

    key = next(hold.key for hold in holds(cast.load_now(department, load)) if hold.liftable)
    typed = {"words": "Looked into it."}
    for suffix, who in zip(("", "-2"), signers, strict=False):
        typed |= factors(department, who, suffix)
    url = address(department, "lift", load=load) + "?" + urlencode({"hold": key})
    return Errand(url, carried(department, load, leaf=True) | typed)


def withdraw_record(department: Department, who: str) -> Errand:
    """A wrong file: Sanne and Joan take it off the load."""
    load = cast.given_finished_load(department)
    file = io.BytesIO(recorded.as_csv(recorded.good()))
    cast.done(keeping.keep(cast.request(department, "Ines"), load=load, file=file))
    record = cast.load_now(department, load).records[0].event_id
    typed = {"words": "Another machine’s file."} | factors(department, who)
    typed |= factors(department, "Joan" if who == "Sanne" else "Sanne", "-2")
    url = address(department, "withdraw-record", load=load) + f"?record={record}"
    return Errand(url, carried(department, load, leaf=True) | typed)


def _of_two(department: Department, route: str, first: str = "", **typed: Any) -> Errand:
    """A load whose rinse is not proven: two people lift that, the first of whom may have signed already."""
    load = cast.given_finished_load(department)
    cast.done(cast.review(department, load, conductivity="not-proven"))
    key = "rinse-not-proven:conductivity"
    if first:
        cast.done(cast.sign_first(department, load, key, first))
    url = address(department, route, load=load) + "?" + urlencode({"hold": key})
    return Errand(url, carried(department, load, leaf=True) | typed)


def lift_first(department: Department, who: str) -> Errand:
    return _of_two(department, "lift-first", words="Read twice.", **factors(department, who))


def lift_second(department: Department, who: str) -> Errand:
    first = "Joan" if who == "Sanne" else "Sanne"
    return _of_two(department, "lift-second", first, words="", **factors(department, who))


def withdraw_lift(department: Department, who: str) -> Errand:
    return _of_two(department, "withdraw-lift", "Sanne", words="Nobody else is here.")


def see_alarm(department: Department, who: str) -> Errand:
    load, alarm = cast.given_load_with_alarm(department)
    return Errand(address(department, "alarm", kind="load", owner=load, alarm=alarm))


def acknowledge(department: Department, who: str) -> Errand:
    load, alarm = cast.given_load_with_alarm(department)
    return _at_machine(department, "acknowledge", load, alarm)


def resume(department: Department, who: str) -> Errand:
    """After a printer without paper a technician may resume the wash."""
    load, alarm = cast.given_load_with_alarm(department, code="P01")
    cast.done(cast.acknowledge(department, load, alarm))
    return _at_machine(department, "resume", load, alarm)


def abort(department: Department, who: str) -> Errand:
    load, alarm = cast.given_load_with_alarm(department)
    cast.done(cast.acknowledge(department, load, alarm))
    return _at_machine(department, "abort", load, alarm, reason="fault", words="The arm hangs.")


def add_person(department: Department, who: str) -> Errand:
    typed = {
        "name": "Pia",
        "login": "pia",
        "password": PASSWORD,
        "badge": "B-77",
        "pin": "7007",
        "roles": ["technician"],
        "competences": ["release"],
    }
    return Errand(address(department, "add-person"), carried(department) | typed)


def set_rights(department: Department, who: str) -> Errand:
    typed = {"roles": ["technician", "quality"], "competences": ["release"]}
    url = address(department, "set-rights", person=department.people["Ines"].id)
    return Errand(url, carried(department) | typed)


def add_machine(department: Department, who: str) -> Errand:
    typed = {"name": "Birch", "code": "M-Birch", "chambers": "1, 2"}
    return Errand(address(department, "add-machine"), carried(department) | typed)


def limit_machine(department: Department, who: str) -> Errand:
    typed = {"takes_programmes": cast.PROGRAMME_NAME, "takes_racks": "R-3\nR-4"}
    return Errand(address(department, "limit-machine", machine=department.machine), carried(department) | typed)


def add_programme(department: Department, who: str) -> Errand:
    typed = {
        "name": "Heavy soil",
        "phases": "wash; Wash; 15\ndisinfection; Disinfect; 10",
        "grace": "10",
        "criteria": "disinfection; A0 at the recorded probe",
    }
    return Errand(address(department, "add-programme"), carried(department) | typed)


def add_set(department: Department, who: str) -> Errand:
    typed = {"name": "Eye set", "owner": "Theatre 2", "labels": "Eye 1\nEye 2"}
    return Errand(address(department, "add-set"), carried(department) | typed)


# --- machines, racks, the catalogue and the policy ----------------------------------------------------


def _of_machine(department: Department, route: str, **typed: Any) -> Errand:
    return Errand(address(department, route, machine=department.machine), carried(department) | typed)


def block_machine(department: Department, who: str) -> Errand:
    return _of_machine(department, "block-machine", words="The door leaks.", chamber="")


def return_machine(department: Department, who: str) -> Errand:
    asked = cast.request(department, "Sanne")
    cast.done(machines.block_machine(asked, machine=department.machine, reason="The door leaks."))
    return _of_machine(department, "return-machine", words="New seal, tested.", chamber="")


def bind_machine(department: Department, who: str) -> Errand:
    return _of_machine(department, "bind-machine")


def compute_figures(department: Department, who: str) -> Errand:
    return _of_machine(department, "compute-figures", when=f"{department.now:%Y-%m-%dT%H:%M}")


def change_supply(department: Department, who: str) -> Errand:
    typed = {"line": "1", "product": "Cleaner", "lot": "L-17", "expires_on": "2027-01-31"}
    return _of_machine(department, "change-supply", **typed)


def explain_cycle(department: Department, who: str) -> Errand:
    cast.done(cast.tell(department, "cycle-started", cycle=4471))
    return _of_machine(department, "explain-cycle", machine_cycle="4471", words="A test run, empty.")


def explain_missing(department: Department, who: str) -> Errand:
    cast.done(cast.tell(department, "alarm-cleared", sequence=16))
    cast.done(cast.tell(department, "alarm-cleared", sequence=20))
    return _of_machine(department, "explain-missing", first="17", last="19", words="The gateway’s disk failed.")


def settle_restore(department: Department, who: str) -> Errand:
    asked = cast.request(department, "Ada")
    cast.done(restoring.accept_restore(asked, noted_size=99, noted_root="00", words="The disk failed."))
    typed = {"words": "The paper of the night was entered late."}
    return Errand(address(department, "settle-restore"), carried(department) | typed)


def given_undelivered(department: Department) -> UUID:
    """A message that did not arrive, for nobody knows its address."""
    told = Outgoing(
        key=f"told {department.deeds}",
        channel="email",
        subject="Alder stopped.",
        text="It stands since 09:40.",
        link="",
        priority="high",
        about=Stream("machine", department.machine),
        item="blocked:",
        due_at=department.now,
        person=department.people["Bo"].id,
    )
    with transaction.atomic():
        enqueue(department.id, [told], department.now)
    delivery.deliver(lambda: department.now)
    return named(department.id, told.key)


def open_item(department: Department, who: str) -> Errand:
    load = cast.given_aborted_load(department)
    return Errand(address(department, "open-item", kind="load", owner=load, item="rerun"))


def hand_over(department: Department, who: str) -> Errand:
    cast.given_aborted_load(department)
    other = "Ines" if who != "Ines" else "Sanne"
    signed = factors(department, who if who in PINS else "Ines") | factors(department, other, "-2")
    digest = handover.standing(department.id).digest
    return Errand(address(department, "handover"), carried(department) | signed | {"digest": digest, "words": ""})


def care_for(department: Department, who: str) -> Errand:
    load = cast.given_aborted_load(department)
    typed = {"act": "hand-on", "to": str(department.people["Sanne"].id), "words": "The arm is stiff."}
    return Errand(
        address(department, "care-for", kind="load", owner=load, item="rerun"), carried(department) | typed
    )


def tell_incident(department: Department, who: str) -> Errand:
    _, alarm = cast.given_load_with_alarm(department)
    typed = {"act": "cause", "words": "Grit in the inlet valve."}
    return Errand(address(department, "incident", alarm=alarm), carried(department) | typed)


def answer_message(department: Department, who: str) -> Errand:
    message = given_undelivered(department)
    typed = {"answer": "settled", "words": "Told by phone."}
    return Errand(address(department, "answer-message", message=message), carried(department) | typed)


def set_contact(department: Department, who: str) -> Errand:
    return Errand(
        address(department, "contacts"), carried(department) | {"channel": "email", "address": "a@b.example"}
    )


def test_contact(department: Department, who: str) -> Errand:
    person = department.people[who] if who in department.people else department.people["Ines"]
    contact = set_own(department.id, person.id, "email", "a@b.example")
    return Errand(address(department, "test-contact"), carried(department) | {"contact": str(contact)})


def record_exposure(department: Department, who: str) -> Errand:
    return _of_machine(
        department, "record-exposure", kind="splash", words="On the forearm.", person="", happened_at=""
    )


def take_on_exposure(department: Department, who: str) -> Errand:
    asked = cast.request(department, "Ines")
    cast.done(machines.record_exposure(asked, machine=department.machine, kind="burn", words="Her hand."))
    told = floor_cast.machine_now(department).exposed[0].event_id
    return _of_machine(department, "take-on-exposure", exposure=str(told))


def see_rack(department: Department, who: str) -> Errand:
    return Errand(address(department, "rack", rack=cast.register_rack(department, "Rack 3")))


def see_past_load(department: Department, who: str) -> Errand:
    past = history_cast.given_past_load(department)
    return Errand(address(department, "past-load", past=past))


def register_rack(department: Department, who: str) -> Errand:
    return Errand(address(department, "racks"), carried(department) | {"code": "R-4", "name": "Rack 4"})


def block_rack(department: Department, who: str) -> Errand:
    rack = cast.register_rack(department, "Rack 3")
    return Errand(address(department, "block-rack", rack=rack), carried(department) | {"words": "A wheel is off."})


def return_rack(department: Department, who: str) -> Errand:
    rack = cast.register_rack(department, "Rack 3")
    cast.done(machines.block_rack(cast.request(department, "Sanne"), rack=rack, words="A wheel is off."))
    return Errand(address(department, "return-rack", rack=rack), carried(department) | {"words": "A new wheel."})


def release_round(department: Department, who: str) -> Errand:
    """Two loads, each as the list shows it, under one signature."""
    loads = [cast.given_reviewed_load(department, trays=[tray]) for tray in department.trays]
    seen = []
    for load in loads:
        version = len(cast.events_of(department, load))
        seen.append(f"{load}/{version}/{leaf_of(department.id, Stream('load', load), version)}")
    typed = {"load": seen, "purpose": "packing", **factors(department, who)}
    return Errand(address(department, "release-round"), carried(department) | typed)


def make_board(department: Department, who: str) -> Errand:
    return Errand(address(department, "make-board"))


def close_tour(department: Department, who: str) -> Errand:
    return Errand(address(department, "close-tour"))


def _of_catalogue(department: Department, route: str, **typed: Any) -> Errand:
    version = str(standing(department.id).version)
    return Errand(address(department, route), carried(department) | {"version": version} | typed)


def draft_fault(department: Department, who: str) -> Errand:
    typed = {
        "code": "L01",
        "title": "Water on the floor",
        "consequence": next(iter(CONSEQUENCES)),
        "time_to_respond": next(iter(TIMES)),
        "priority": "",
        "why": "",
        "first_instruction": "Close the water tap.",
        "caution": ["heat"],
        "caution_more": "",
    }
    never = {f"resume-{phase}": "never" for phase in phases(department.id)}
    return _of_catalogue(department, "catalogue-fault", **typed, **never)


def remove_fault(department: Department, who: str) -> Errand:
    return _of_catalogue(department, "catalogue-remove", code="W01")


def _given_draft(department: Department, who: str) -> None:
    """Somebody else than this person drafted an edition without W01."""
    kept = [fault for fault in standing(department.id).faults if fault.code != "W01"]
    author = "Ada" if who == "Bo" else "Bo"
    cast.done(catalogue.draft_catalogue(cast.request(department, author), faults=kept))


def drop_draft(department: Department, who: str) -> Errand:
    _given_draft(department, who)
    return _of_catalogue(department, "catalogue-drop")


def publish_draft(department: Department, who: str) -> Errand:
    _given_draft(department, who)
    return _of_catalogue(department, "catalogue-publish")


def catalogue_attribution(department: Department, who: str) -> Errand:
    """The founding edition was Sanne's work, not Ada's; she is no administrator."""
    event = str(read_stream(department.id, Stream("catalogue", department.id))[0].event_id)
    typed = {"event": event, "person": str(department.people["Sanne"].id), "words": "In another’s session."}
    return Errand(address(department, "catalogue-attribution"), carried(department) | typed)


def set_policy(department: Department, who: str) -> Errand:
    typed = {"source": "Procedure 12", "same_fault_blocks": "3", "same_fault_cycles": "60"}
    return Errand(address(department, "policy"), carried(department) | typed | {"rest_may_go_on": ["wet"]})


# --- the floor's other deeds on a load ----------------------------------------------------------------


def _deed(department: Department, name: str, load: UUID, **typed: Any) -> Errand:
    return Errand(address(department, "load-deed", load=load, name=name), carried(department) | typed)


def cleared(department: Department, who: str) -> Errand:
    load, alarm = cast.given_load_with_alarm(department)
    return _deed(department, "cleared", load, alarm=str(alarm))


def stopped(department: Department, who: str) -> Errand:
    return _deed(department, "stopped", cast.given_running_load(department), how="by-hand")


def power(department: Department, who: str) -> Errand:
    return _deed(department, "power", cast.given_running_load(department), phase="wash")


def door(department: Department, who: str) -> Errand:
    load = cast.given_running_load(department)
    return _deed(department, "door", load, phase="wash", forced="no", out="no")


def wrong_programme(department: Department, who: str) -> Errand:
    cast.publish_programme(department, "Heavy")
    return _deed(department, "wrong-programme", cast.given_running_load(department), meant="Heavy")


def reject(department: Department, who: str) -> Errand:
    load = cast.given_finished_load(department)
    return _deed(department, "reject", load, trays=[str(department.trays[0])], reason="wet", words="At a hinge.")


def contamination(department: Department, who: str) -> Errand:
    nearby = cast.given_finished_load(department, trays=department.trays[:1])
    load = cast.given_aborted_load(department, trays=department.trays[1:])
    cast.done(cycles.place_load(cast.request(department, "Ines"), load=load, place="clean-side"))
    typed = {"surfaces": "The shelf.", "loads_nearby": [str(nearby)], "cleaned_by": "Ines, with wipes."}
    return _deed(department, "contamination", load, **typed)


def send_tray(department: Department, who: str) -> Errand:
    load = cast.given_finished_load(department)
    typed = {"way": "repair", "contaminated": "yes", "words": "A hinge is bent."}
    return _deed(department, "send-tray", load, tray=str(department.trays[0]), **typed)


def note(department: Department, who: str) -> Errand:
    return _deed(department, "note", cast.given_running_load(department), words="The lamp flickers.")


def correct(department: Department, who: str) -> Errand:
    load = cast.given_running_load(department, cycle=4471)
    event = str(cast.events_of(department, load)[-1].event_id)
    typed = {"event": event, "field": "machine_cycle", "value": "4472", "words": "Misread."}
    return _deed(department, "correct", load, **typed)


def attribution(department: Department, who: str) -> Errand:
    load = cast.given_running_load(department)
    event = str(cast.events_of(department, load)[0].event_id)
    typed = {"event": event, "person": str(department.people["Sanne"].id), "words": "In another’s session."}
    return _deed(department, "attribution", load, **typed)


def make_token(department: Department, who: str) -> Errand:
    return Errand(address(department, "make-token", machine=department.machine), carried(department))


def revoke_token(department: Department, who: str) -> Errand:
    token, _ = token_of(department)
    return Errand(address(department, "revoke-token", token=token.token_key))


def make_own_token(department: Department, who: str) -> Errand:
    typed = {"label": "A script", "role": ROLES[who], "days": "30", **factors(department, who)}
    return Errand(address(department, "tokens"), carried(department) | typed)


def revoke_own_token(department: Department, who: str) -> Errand:
    token, _ = token_of(department, user=department.people[who], role=ROLES[who], machine=None)
    return Errand(address(department, "revoke-own-token", token=token.token_key))


def _programme(department: Department, route: str, **typed: Any) -> Errand:
    programme = facts.programme_id(department.id, cast.PROGRAMME_NAME)
    return _as_seen(department, address(department, route, programme=programme), **typed)


def _as_seen(department: Department, url: str, **typed: Any) -> Errand:
    programme = UUID(url.split("/programmes/")[1].split("/")[0])
    standing = programme_told.standing(department.id, programme, department.now)
    assert standing is not None
    return Errand(url, carried(department) | {"version": str(standing.version)} | typed)


def draft_programme(department: Department, who: str) -> Errand:
    newest = facts.programme(department.id, cast.PROGRAMME_NAME)
    assert newest is not None
    told = {name: value for name, value in programme_limits.typed(newest).items() if value not in (None, "")}
    return _programme(department, "programme-draft", **(told | {"grace": "11"}))


def approve_programme(department: Department, who: str) -> Errand:
    """Quinn’s own draft is nobody else’s: whoever goes on this errand agrees to a draft of another person."""
    author = "Bo" if who != "Bo" else "Ada"
    recipe = {"phases": PHASES, "expected_s": 3600, "grace_s": 720, "criteria": CRITERIA}
    asked = cast.request(department, author)
    cast.done(programmes.draft_programme(asked, name=cast.PROGRAMME_NAME, **recipe))
    return _programme(department, "programme-approve")


def programme_attribution(department: Department, who: str) -> Errand:
    """The founding edition was Sanne's work, not Ada's; she is no administrator."""
    programme = facts.programme_id(department.id, cast.PROGRAMME_NAME)
    assert programme is not None
    event = str(read_stream(department.id, Stream("programme", programme))[0].event_id)
    typed = {"event": event, "person": str(department.people["Sanne"].id), "words": "In another’s session."}
    return Errand(address(department, "programme-attribution", programme=programme), carried(department) | typed)


def _escalation(department: Department, route: str, **typed: Any) -> Errand:
    version = str(escalation_told.policy_of(department.id).version)
    return Errand(address(department, route), carried(department) | {"version": version} | typed)


def draft_escalation(department: Department, who: str) -> Errand:
    cast.done(escalation.adopt_escalation(cast.request(department, "Ada")))
    unseen = "alarm (high); 5 min; supervisor; email; acknowledged; 15 min; engineering"
    steps = f"{unseen}\nheld; 2 h; supervisor; screen; taken-over"
    typed = {"source": "Local rule 7", "steps": steps, "quiet": "low; 20:00; 07:00; holidays", "again": "5"}
    return _escalation(department, "escalation-draft", **typed)


def approve_escalation(department: Department, who: str) -> Errand:
    """A draft of somebody else."""
    asked = cast.request(department, "Bo" if who != "Bo" else "Ada")
    cast.done(escalation.draft_escalation(asked, source="Local rule 7", ladders=STARTING.ladders))
    return _escalation(department, "escalation-approve")


def adopt_escalation(department: Department, who: str) -> Errand:
    return _escalation(department, "escalation-adopt")


def _calendar(department: Department, route: str, **typed: Any) -> Errand:
    """Where Sanne is on the night shift."""
    night = Turn(department.people["Sanne"].id, (1, 2, 3, 4, 5), "22:00", "06:00")
    holidays = [Holiday("2026-12-25", "Midwinter")]
    rotas = [Rota("Nights", "shift", (night,))]
    cast.done(escalation.set_calendar(cast.request(department, "Ada"), holidays=holidays, rotas=rotas))
    version = str(escalation_told.calendar_of(department.id).version)
    return Errand(address(department, route), carried(department) | {"version": version} | typed)


def set_calendar(department: Department, who: str) -> Errand:
    turns = "Nights; shift; Sanne; Mon-Fri; 22:00; 06:00; 2; 2026-W10\nOn call; on-call; Bo; Sat, Sun; 08:00; 08:00"
    return _calendar(
        department, "set-calendar", turns=turns, holidays="2026-12-25; Midwinter\n2027-01-01; New year"
    )


def swap_turn(department: Department, who: str) -> Errand:
    people = {name: str(department.people[name].id) for name in ("Sanne", "Ines")}
    when = {"starts_at": "2026-03-03T22:00", "ends_at": "2026-03-04T06:00"}
    return _calendar(
        department, "swap-turn", rota="Nights", instead_of=people["Sanne"], person=people["Ines"], **when
    )


def add_holiday(department: Department, who: str) -> Errand:
    return _calendar(department, "add-holiday", day="2027-01-01", name="New year")


def withdraw_programme(department: Department, who: str) -> Errand:
    return _programme(department, "programme-withdraw", words="The machine is gone.")


ERRANDS: dict[str, Callable[[Department, str], Errand]] = {
    "assemble": assemble,
    "start": start,
    "report-end": report_end,
    "report-alarm": report_alarm,
    "place": place,
    "rerun": rerun,
    "hold": hold,
    "review": review,
    "readings": readings,
    "review-readings": review_readings,
    "set-basis": set_basis,
    "record-form": record_form,
    "release": release,
    "lift": lift,
    "withdraw-record": withdraw_record,
    "lift-first": lift_first,
    "lift-second": lift_second,
    "withdraw-lift": withdraw_lift,
    "acknowledge": acknowledge,
    "resume": resume,
    "abort": abort,
    "add-person": add_person,
    "set-rights": set_rights,
    "add-machine": add_machine,
    "limit-machine": limit_machine,
    "add-programme": add_programme,
    "add-set": add_set,
    "make-token": make_token,
    "revoke-token": revoke_token,
    "tokens": make_own_token,
    "revoke-own-token": revoke_own_token,
    "block-machine": block_machine,
    "return-machine": return_machine,
    "bind-machine": bind_machine,
    "compute-figures": compute_figures,
    "change-supply": change_supply,
    "explain-cycle": explain_cycle,
    "explain-missing": explain_missing,
    "settle-restore": settle_restore,
    "care-for": care_for,
    "handover": hand_over,
    "incident": tell_incident,
    "answer-message": answer_message,
    "contacts": set_contact,
    "test-contact": test_contact,
    "record-exposure": record_exposure,
    "take-on-exposure": take_on_exposure,
    "racks": register_rack,
    "block-rack": block_rack,
    "return-rack": return_rack,
    "release-round": release_round,
    "make-board": make_board,
    "close-tour": close_tour,
    "drop-draft": throw_away,
    "escalation-draft": draft_escalation,
    "escalation-approve": approve_escalation,
    "escalation-adopt": adopt_escalation,
    "set-calendar": set_calendar,
    "swap-turn": swap_turn,
    "add-holiday": add_holiday,
    "programme-draft": draft_programme,
    "programme-approve": approve_programme,
    "programme-withdraw": withdraw_programme,
    "programme-attribution": programme_attribution,
    "catalogue-fault": draft_fault,
    "catalogue-remove": remove_fault,
    "catalogue-drop": drop_draft,
    "catalogue-publish": publish_draft,
    "catalogue-attribution": catalogue_attribution,
    "policy": set_policy,
    # One address with a deed's name in it.
    "load-deed cleared": cleared,
    "load-deed stopped": stopped,
    "load-deed power": power,
    "load-deed door": door,
    "load-deed wrong-programme": wrong_programme,
    "load-deed reject": reject,
    "load-deed contamination": contamination,
    "load-deed send-tray": send_tray,
    "load-deed note": note,
    "load-deed correct": correct,
    "load-deed attribution": attribution,
}


def _of_form(route: str, **typed: str) -> Callable[[Department, str], Errand]:
    """An errand about the first of three downtime forms."""

    def errand(department: Department, who: str) -> Errand:
        from incidents.operations.downtime import issue_forms

        cast.done(issue_forms(cast.request(department, "Sanne"), count=3))
        named = {} if route in ("issue-forms", "print-forms", "find-form") else {"number": 1}
        fields = {"chamber": f"{department.machine}/1"} if route == "enter-form" else {}
        return Errand(address(department, route, **named), carried(department) | fields | typed)

    return errand


PAPER_ERRANDS = {
    "issue-forms": _of_form("issue-forms", count="3"),
    "print-forms": _of_form("print-forms"),
    "enter-form": _of_form("enter-form", programme=cast.PROGRAMME_NAME, ending="aborted"),
    "void-form": _of_form("void-form", words="Torn."),
}


SET_UP = (
    "add-person",
    "add-machine",
    "add-programme",
    "add-set",
    "make-token",
    "revoke-token",
    "racks",
    "policy",
    "set-basis",
)
SET_UP += ("limit-machine", "set-rights", "record-form")
PROGRAMME = ("programme-draft", "programme-approve", "programme-withdraw", "programme-attribution")
PROGRAMME += ("escalation-draft", "escalation-approve", "escalation-adopt")
PROGRAMME += ("set-calendar", "swap-turn", "add-holiday")
CATALOGUE = ("catalogue-fault", "catalogue-remove", "catalogue-drop", "catalogue-publish", "catalogue-attribution")
SUPERVISOR = (
    "lift",
    "withdraw-record",
    "lift-first",
    "lift-second",
    "withdraw-lift",
    "issue-forms",
    "void-form",
    "return-machine",
    "explain-cycle",
    "explain-missing",
    "take-on-exposure",
    "settle-restore",
    "return-rack",
    "make-board",
    "bind-machine",
)


def usual_visitor(route: str) -> str:
    """Who ordinarily goes on this errand."""
    if route in (*SET_UP, *CATALOGUE, *PROGRAMME):
        return "Ada"
    return "Sanne" if route in (*SUPERVISOR, "load-deed attribution") else "Ines"


def errand_of(department: Department, route: str) -> tuple[Client, Errand]:
    """Who goes on it, on the way: the machine is scanned where that comes first."""
    who = usual_visitor(route)
    client, errand = visitor(department, who), ERRANDS[route](department, who)
    if errand.first:
        client.get(errand.first)
    return client, errand


# --- a machine at its door ----------------------------------------------------------------------------


def token_of(department: Department, **more: Any) -> tuple[AccessToken, str]:
    """A token for the gateway of the department's machine, unless the test says whose it is."""
    given = {
        "user": department.people["Ada"],
        "facility": department.facility,
        "role": "device",
        "machine": department.machine,
        "label": "Gateway of Alder",
    }
    token, secret = AccessToken.objects.create(**(given | more))
    return token, secret


_ids = iter(range(1, 1_000_000))


def cloud_event(kind: str = "cycle-started", data: dict[str, Any] | None = None, **members: Any) -> dict[str, Any]:
    """An observation as a gateway sends it, under an id of its own; `data` adds to chamber 1."""
    event = {
        "specversion": "1.0",
        "type": kind,
        "source": "alder/gateway",
        "id": f"e-{next(_ids)}",
        "datacontenttype": "application/json",
        "data": {"chamber": "1"} | (data or {}),
    }
    return event | members


def report(department: Department, secret: str, event: Any, **more: Any) -> HttpResponse:
    """Send it to the device door, a text or bytes as they are."""
    body = event if isinstance(event, str | bytes) else json.dumps(event)
    headers = {"Authorization": f"Token {secret}"} | more.pop("headers", {})
    sent = {"content_type": "application/cloudevents+json"} | more
    return nobody().post(address(department, "observations"), body, headers=headers, **sent)


# --- reading the answer -------------------------------------------------------------------------------


class Reader(HTMLParser):
    """A page as a browser would take it: elements with their attributes, forms, and what can be read."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.forms: list[tuple[str, dict[str, str]]] = []
        self.text: list[str] = []
        self.alerts: list[str] = []
        self._open: list[tuple[str, bool]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.elements.append((tag, found))
        if tag == "form":
            self.forms.append((found.get("action") or "", {}))
        if tag == "input" and self.forms and found.get("type") == "hidden":
            self.forms[-1][1][found["name"] or ""] = found.get("value") or ""
        if tag not in _VOID:
            loud = found.get("role") == "alert" or (bool(self._open) and self._open[-1][1])
            self._open.append((tag, loud))
            if loud and found.get("role") == "alert":
                self.alerts.append("")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop()[0] != tag:
            pass

    def handle_data(self, data: str) -> None:
        if not self._open or self._open[-1][0] not in ("script", "style"):
            self.text.append(data)
            if self._open and self._open[-1][1]:
                self.alerts[-1] += " " + data


_VOID = {"meta", "link", "input", "br", "hr", "img", "path", "rect", "line", "circle", "source", "wbr"}


def read(response: Any) -> Reader:
    """Read the page once, however often it is asked about."""
    found: Reader | None = getattr(response, "reader", None)
    if found is None:
        found = response.reader = Reader()
        found.feed(response.content.decode())
        found.close()
    return found


def words_of(response: HttpResponse) -> str:
    """What can be read on the page, with single blanks."""
    return " ".join(" ".join(read(response).text).split())


def alert_of(response: HttpResponse) -> str:
    """What a page says loudly: the refusal, or why a form was not taken."""
    return " ".join(" ".join(read(response).alerts).split())


def form_of(response: HttpResponse, action: str = "") -> dict[str, str]:
    """The hidden fields of the form that is sent to `action`; without one, of the page's own form."""
    wanted = [fields for url, fields in read(response).forms if url == action and fields.keys() - {_CSRF}]
    assert wanted, f"no form for {action!r}"
    return {name: value for name, value in wanted[0].items() if name != _CSRF}


def form_of_deed(response: HttpResponse) -> dict[str, str]:
    """The hidden fields of the first form that carries a deed's id."""
    found = [fields for _, fields in read(response).forms if "deed" in fields]
    assert found, "no form carries a deed"
    return {name: value for name, value in found[0].items() if name != _CSRF}


_CSRF = "csrfmiddlewaretoken"


def inline_code(response: HttpResponse) -> list[str]:
    """Everything in the page that a strict content security policy would have to forbid."""
    found = []
    for tag, attrs in read(response).elements:
        if tag == "style" or (tag == "script" and not attrs.get("src")):
            found.append(f"<{tag}>")
        for name, value in attrs.items():
            code = name == "style" or name.startswith(("on", "hx-on"))
            link = name in ("href", "src", "action", "formaction", "xlink:href", "data", "srcdoc")
            address = re.sub(r"[\x00-\x20]", "", value or "")
            elsewhere = link and not re.match(r"(?:/(?!/)|[?#]|$)", address)
            if code or elsewhere:
                found.append(f"<{tag} {name}={value!r:.80}>")
    return found


def unsound(response: HttpResponse) -> list[str]:
    """What is wrong with an answer, whatever it answers: headers that are missing, code inside the page."""
    policy = response.get("Content-Security-Policy", "")
    wrong = [
        f"{name} is {response.get(name)!r}"
        for name, value in {"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY"}.items()
        if response.get(name) != value
    ]
    if "default-src 'self'" not in policy or "frame-ancestors 'none'" not in policy or "unsafe" in policy:
        wrong.append(f"Content-Security-Policy is {policy!r}")
    if response.status_code == 500:
        wrong.append(f"a fault of the server: {getattr(response, 'exc_info', None)}")
    if response.get("Content-Type", "").startswith("text/html"):
        wrong += inline_code(response)
        ids = [attrs["id"] for _, attrs in read(response).elements if attrs.get("id")]
        wrong += [f"two elements are called {name!r}" for name in sorted({*ids}) if ids.count(name) > 1]
        if re.search(r"\b(un)?safe", words_of(response), re.IGNORECASE):
            wrong.append("it says “safe”")
    return wrong
