"""Deeds through the API: the same ones as on the screens, under the same rules.

Sources: RFC 9457 (problem details), RFC 9562 (ids); design, sections 3.2, 4 and 6 (I5, I16).
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID, uuid5

import pytest

from incidents.api import deeds as door
from incidents.identity.models import AccessToken, Membership
from incidents.ledger.reading import leaf_of
from incidents.operations.deeds import OPERATIONS
from incidents.rules.authority import AT_THE_MACHINE, DEEDS
from incidents.rules.events import Stream
from tests import cast, visitors
from tests.api_callers import Program, problem_of, program, token_of_person, told
from tests.cast import Department
from tests.visitors import written


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def test_every_deed_of_the_authority_table_is_offered_but_what_no_person_does() -> None:
    undone = set(OPERATIONS) ^ set(DEEDS)
    assert not undone, f"DEEDS in rules/authority.py or a function in operations/ lacks {sorted(undone)}"
    assert set(DEEDS) - set(door.OFFERED) == {
        *("observe", "open_facility", "accept_restore", "keep_readings"),
        *("note_overdue", "note_silence", "note_undelivered", "note_unshelved", "escalate"),
    }


def test_the_members_of_a_deed_are_the_operations_own(eastmere: Department) -> None:
    """Given by keyword, so that a member of another name could never arrive."""
    for name, offered in door.OFFERED.items():
        members = set(offered.members.__struct_fields__)
        besides = {"deed_id", "occurred_at", "expected_version", "machine_code"}
        assert set(offered.own) == members - besides, name
        assert ("machine_code" in members) == (name in AT_THE_MACHINE)


def test_a_deed_is_answered_with_the_ledgers_receipt_and_names_what_it_made(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    deed = eastmere.new_deed()
    trays = [str(tray) for tray in eastmere.trays]
    asked = {"machine": eastmere.machine, "chamber": "1", "trays": trays}
    receipt = told(ines.deed("assemble_load", deed_id=deed, **asked), 201)
    assert receipt["deed_id"] == str(deed)
    assert receipt["facility"] == str(eastmere.id)
    load = uuid5(deed, "load")  # RFC 9562, 5.5
    assert receipt["leaves"] == [leaf_of(eastmere.id, Stream("load", load), 1)]
    assert cast.events_of(eastmere, load)[0].actor.id == eastmere.people["Ines"].id


def test_the_same_deed_sent_again_is_one_deed_and_another_under_its_id_is_refused(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_running_load(eastmere)
    body = {"deed_id": eastmere.new_deed(), "load": load, "words": "The lamp flickers."}
    first = ines.post("deeds/add_note/", body)
    size = written(eastmere)
    assert told(ines.post("deeds/add_note/", body), 201) == told(first, 201)
    problem = problem_of(ines.post("deeds/add_note/", body | {"words": "It burns."}), 409)
    assert problem["code"] == "deed-reused"
    assert written(eastmere) == size


def test_a_stale_version_is_refused_and_the_one_that_stands_is_taken(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_assembled_load(eastmere)
    asked = {"load": load, "programme": cast.PROGRAMME_NAME}
    assert problem_of(ines.deed("start_cycle", **asked, expected_version=7), 409)["code"] == "stale"
    told(ines.deed("start_cycle", **asked, expected_version=1), 201)


def test_a_deed_about_no_load_takes_no_version(eastmere: Department) -> None:
    """Nothing would look at it, and a caller would think that something had."""
    answer = program(eastmere, "Bo").deed(
        "block_machine", machine=eastmere.machine, reason="Leaks", expected_version=1
    )
    assert "expected_version" in problem_of(answer, 400)["detail"]


SPOILT: dict[str, dict[str, Any]] = {
    "a member that nobody knows": {"load-released": True},
    "the facility": {"facility": "westmere"},
    "who does it": {"by": {"actor": "somebody"}},
    "the roles": {"roles": ["administrator"]},
    "the moment of the server": {"now": "2026-03-02T06:00:00Z"},
    "a device's counter": {"sequence": 7},
    "an id that is none": {"load": "the newest"},
    "a number for a text": {"words": 7},
    "a list for a text": {"words": ["wet"]},
    "a control character": {"words": "a\x07b"},
    "U+0000": {"words": "a\0b"},
    "4001 characters": {"words": "w" * 4001},
    "a moment without its offset": {"occurred_at": "2026-03-02T06:00:00"},
    "a moment of no calendar": {"occurred_at": "2026-02-30T06:00:00Z"},
    "a moment before all calendars": {"occurred_at": "0001-01-01T00:00:00+14:00"},
    "a version in halves": {"expected_version": 1.5},
    "a version below zero": {"expected_version": -1},
    "a version beyond 53 bits": {"expected_version": 2**53},
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_can_not_be_read_is_refused_and_nothing_is_written(eastmere: Department, spoilt: str) -> None:
    """Mass assignment among it: a member that the deed does not have is an error, never ignored."""
    ines = program(eastmere, "Ines")
    body = {"load": cast.given_running_load(eastmere), "words": "A tray is wet."}
    before = written(eastmere)
    problem_of(ines.deed("hold_load", **(body | SPOILT[spoilt])), 400)
    assert written(eastmere) == before
    told(ines.deed("hold_load", **body), 201)


def test_unknown_members_are_refused_at_every_depth(eastmere: Department) -> None:
    ada = program(eastmere, "Ada")
    phases = [{"code": "wash", "title": "Wash", "minutes": 5}]
    criteria = [{"code": "d", "title": "A0", "kind": "disinfection"}]
    recipe = {"name": "Short", "phases": phases, "expected_s": 600, "grace_s": 60, "criteria": criteria}
    spoilt = recipe | {"phases": [phases[0] | {"approved": True}]}
    assert "approved" in problem_of(ada.deed("draft_programme", **spoilt), 400)["detail"]
    told(ada.deed("draft_programme", **recipe), 201)


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"", "application/json", 415),
        (b"[]", "application/json", 400),
        (b'{"deed_id": 1', "application/json", 400),
        (b'{"load": 1, "load": 2}', "application/json", 400),
        (b"\xff", "application/json", 400),
        (b"load=1", "application/x-www-form-urlencoded", 415),
        (b"{}", "text/plain", 415),
        (b"x" * (256 * 1024 + 1), "application/json", 413),
    ],
    ids=["nothing", "a list", "half of one", "a key twice", "no UTF-8", "a form", "text", "too large"],
)
def test_what_is_no_body(eastmere: Department, body: bytes, kind: str, status: int) -> None:
    problem_of(program(eastmere, "Ines").post("deeds/hold_load/", body, content_type=kind), status)


# --- who ----------------------------------------------------------------------------------------------


def test_a_token_acts_in_the_role_that_it_names_and_no_other(eastmere: Department) -> None:
    """Sanne is a supervisor; her token for a technician's work may not void a form."""
    cast.hire(eastmere, "Sanne", "technician")
    technician = Program(eastmere, token_of_person(eastmere, "Sanne", role="technician"))
    asked = {"count": 1}
    assert problem_of(technician.deed("issue_forms", **asked), 409)["code"] == "role"
    told(program(eastmere, "Sanne").deed("issue_forms", **asked), 201)


@pytest.mark.parametrize("way", ["disabled", "membership", "expired", "revoked"])
def test_a_token_opens_nothing_once_what_it_rests_on_is_gone(eastmere: Department, way: str) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_running_load(eastmere)
    told(ines.deed("add_note", load=load, words="Before."), 201)
    person = eastmere.people["Ines"]
    token = AccessToken.objects.get(user=person)
    if way == "disabled":
        person.is_active = False
        person.save()
    elif way == "membership":
        Membership.objects.filter(person=person, facility=eastmere.facility).delete()
    else:
        moment = token.created - timedelta(seconds=1)
        AccessToken.objects.filter(pk=token.pk).update(**{"expiry" if way == "expired" else "revoked_at": moment})
    before = written(eastmere)
    assert problem_of(ines.deed("add_note", load=load, words="After."), 401)["code"] == "token"
    assert written(eastmere) == before


def test_the_last_use_of_a_token_is_noted(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    assert AccessToken.objects.get(user=eastmere.people["Ines"]).last_used_at is None
    told(ines.deed("add_note", load=cast.given_running_load(eastmere), words="Looked at."), 201)
    assert AccessToken.objects.get(user=eastmere.people["Ines"]).last_used_at is not None


def test_a_token_may_send_so_many_requests_a_minute(eastmere: Department, settings: Any) -> None:
    settings.API_RATE = 3
    ines = program(eastmere, "Ines")
    answers = [ines.deed("add_note", load=UUID(int=7), words="?") for _ in range(4)]
    assert [answer.status_code for answer in answers] in ([404, 404, 404, 429], [404] * 4)  # a minute may turn
    if answers[-1].status_code == 429:
        assert 1 <= int(answers[-1].headers["Retry-After"]) <= 60


def test_another_facilitys_things_are_as_if_they_had_never_been(eastmere: Department) -> None:
    westmere = visitors.another_department()
    ines = program(eastmere, "Ines")
    theirs = cast.given_running_load(westmere)
    foreign = problem_of(ines.deed("hold_load", load=theirs, words="Mine."), 404)
    assert foreign == problem_of(ines.deed("hold_load", load=UUID(int=7), words="Mine."), 404)
    elsewhere = problem_of(ines.post("deeds/hold_load/", {}, slug="westmere"), 404)
    assert elsewhere == problem_of(ines.post("deeds/hold_load/", {}, slug="nowhere"), 404)
    for path in ("nothing/of/this/name/", "loads/of%0Anow/", "machines/%23%0A/"):
        assert elsewhere == problem_of(ines.get(path), 404)


# --- at the machine -----------------------------------------------------------------------------------


def test_an_alarm_is_answered_with_the_code_read_off_its_machine(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    cast.register_machine(eastmere, "Birch")
    load, alarm = cast.given_load_with_alarm(eastmere)
    seen = {"stream": {"kind": "load", "id": load}, "alarm": alarm}
    assert "machine_code" in problem_of(ines.deed("acknowledge_alarm", **seen), 400)["detail"]
    before = written(eastmere)
    for code in ("M-Birch", "M-Nowhere", ""):
        problem = problem_of(ines.deed("acknowledge_alarm", **seen, machine_code=code), 409)
        assert problem["code"] == "scan-first"
    assert written(eastmere) == before
    told(ines.deed("acknowledge_alarm", **seen, machine_code=visitors.ALDER), 201)
    abort = {"load": load, "alarm": alarm, "reason": "fault"}
    assert problem_of(ines.deed("abort_cycle", **abort, machine_code="M-Birch"), 409)["code"] == "scan-first"
    told(ines.deed("abort_cycle", **abort, machine_code=visitors.ALDER), 201)


def test_an_alarm_without_a_load_is_answered_at_its_machine(eastmere: Department) -> None:
    receipt = cast.done(cast.tell(eastmere, "alarm-raised", code="W02", phase="wash"))
    seen = {"stream": {"kind": "machine", "id": eastmere.machine}, "alarm": uuid5(receipt.deed_id, "alarm")}
    ines = program(eastmere, "Ines")
    assert problem_of(ines.deed("acknowledge_alarm", **seen, machine_code="M-1"), 409)["code"] == "scan-first"
    told(ines.deed("acknowledge_alarm", **seen, machine_code=visitors.ALDER), 201)


def test_a_deed_of_long_ago_keeps_the_time_claimed(eastmere: Department) -> None:
    load = cast.given_running_load(eastmere)
    claimed = "2026-03-02T07:15:00+01:00"
    told(program(eastmere, "Ines").deed("add_note", load=load, words="Seen.", occurred_at=claimed), 201)
    assert cast.events_of(eastmere, load)[-1].occurred_at.isoformat() == "2026-03-02T06:15:00+00:00"
