"""The device door: what a machine's gateway may send, what it is told, and where its observation then stands.

Sources: CloudEvents 1.0 (required members, JSON format), RFC 3339 (time), RFC 7493 (JSON that all readers take
alike), RFC 9457 (problem details); design, sections 4.13 and 6 (I5, I10, I16).
"""

import json
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.http import HttpResponse
from django.utils import timezone

from incidents.api.observations import BATCH_LIMIT_BYTES
from incidents.identity.models import AccessToken, Person
from incidents.ledger.reading import read_all
from incidents.projections.models import OpenItemRow
from incidents.rules.events import AlarmRaised, CycleFinished, CycleStarted, Recorded, Stream
from tests import cast, visitors
from tests.cast import Department
from tests.visitors import cloud_event, nobody, report, token_of, visitor, words_of, written

LIMIT = 64 * 1024
MEMBERS = {"type", "title", "status", "detail", "code", "next_step"}


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def secret(eastmere: Department) -> str:
    return token_of(eastmere)[1]


def last(department: Department) -> Recorded:
    return list(read_all(department.id))[-1]


def problem_of(answer: HttpResponse) -> dict[str, Any]:
    """The problem in the answer, with all that every problem has."""
    assert answer.headers["Content-Type"] == "application/problem+json"
    body = json.loads(answer.content)
    assert set(body) == MEMBERS
    assert body["status"] == answer.status_code
    assert body["type"] == "about:blank"
    assert all(isinstance(body[name], str) and body[name] for name in MEMBERS - {"status"})
    return body


def taken(department: Department, secret: str, event: Any, **more: Any) -> dict[str, Any]:
    answer = report(department, secret, event, **more)
    assert answer.status_code == 201, answer.content
    assert answer.headers["Content-Type"] == "application/json"
    receipt: dict[str, Any] = json.loads(answer.content)
    return receipt


def not_taken(department: Department, secret: str, event: Any, status: int = 400, **more: Any) -> dict[str, Any]:
    """Refused with a problem, and nothing written."""
    before = written(department)
    answer = report(department, secret, event, **more)
    assert answer.status_code == status, answer.content
    assert written(department) == before
    return problem_of(answer)


# --- the envelope -------------------------------------------------------------------------------------


def test_an_observation_is_answered_with_the_ledgers_receipt(eastmere: Department, secret: str) -> None:
    receipt = taken(eastmere, secret, cloud_event())
    assert receipt.keys() == {"deed_id", "facility", "first_position", "count", "leaves"}
    assert receipt["facility"] == str(eastmere.id)
    assert receipt["first_position"] == last(eastmere).position
    assert receipt["count"] == len(receipt["leaves"]) == 1
    assert last(eastmere).actor.kind == "device"
    assert last(eastmere).actor.id == eastmere.machine


@pytest.mark.parametrize("member", ["specversion", "type", "source", "id", "data"])
def test_every_required_member_is_missed_by_name(eastmere: Department, secret: str, member: str) -> None:
    event = cloud_event()
    del event[member]
    assert member in not_taken(eastmere, secret, event)["detail"]


@pytest.mark.parametrize("member", ["specversion", "type", "source", "id", "data"])
@pytest.mark.parametrize("value", [None, "", 1, 1.5, True, [], ["1.0"], {}], ids=repr)
def test_a_required_member_of_another_kind_is_refused(
    eastmere: Department, secret: str, member: str, value: Any
) -> None:
    not_taken(eastmere, secret, cloud_event() | {member: value})


@pytest.mark.parametrize("version", ["0.3", "1", "1.1", "2.0", " 1.0", "1.0\n"])
def test_only_version_1_0_is_spoken(eastmere: Department, secret: str, version: str) -> None:
    assert "1.0" in not_taken(eastmere, secret, cloud_event(specversion=version))["detail"]


@pytest.mark.parametrize(
    "kind", ["load-released", "hold-lifted", "cycle-resumed", "cycle_started", "Cycle-started", "x" * 400]
)
def test_a_machine_tells_what_it_saw_and_decides_nothing(eastmere: Department, secret: str, kind: str) -> None:
    assert (
        "cycle-started, alarm-raised, alarm-cleared, cycle-finished"
        in (not_taken(eastmere, secret, cloud_event(kind))["detail"])
    )


def test_members_that_a_gateway_adds_do_not_matter(eastmere: Department, secret: str) -> None:
    """CloudEvents 1.0: extension attributes may come along."""
    extra = {
        "subject": "chamber 1",
        "dataschema": "https://example.org/x",
        "traceparent": "00-1",
        "partitionkey": 7,
    }
    taken(eastmere, secret, cloud_event() | extra)


def test_a_member_of_data_that_nobody_knows_is_refused(eastmere: Department, secret: str) -> None:
    problem = not_taken(eastmere, secret, cloud_event(data={"disposition": "released"}))
    assert "disposition" in problem["detail"]


@pytest.mark.parametrize("size", [1, 400])
def test_source_and_id_may_have_four_hundred_characters(eastmere: Department, secret: str, size: int) -> None:
    taken(eastmere, secret, cloud_event(source="s" * size, id="i" * size))


@pytest.mark.parametrize("member", ["source", "id"])
def test_but_no_more(eastmere: Department, secret: str, member: str) -> None:
    assert member in not_taken(eastmere, secret, cloud_event(**{member: "x" * 401}))["detail"]


# --- what is no event at all --------------------------------------------------------------------------

NO_EVENT: dict[str, bytes | str] = {
    "nothing": b"",
    "blanks": b"   \n",
    "half of one": b'{"specversion": "1.0"',
    "two of them": b'{"specversion": "1.0"} {"specversion": "1.0"}',
    "a list of one": json.dumps([cloud_event()]),
    "a text": b'"cycle-started"',
    "a number": b"4471",
    "null": b"null",
    "NaN": json.dumps(cloud_event(data={"machine_cycle": float("nan")})),
    "Infinity": json.dumps(cloud_event(data={"machine_cycle": float("inf")})),
    "a number too large for any reader": json.dumps(cloud_event()).replace('"1"', "1e400"),
    "a number of a million digits": json.dumps(cloud_event(sequence=0)).replace(": 0", ": " + "9" * 50_000),
    "a key twice": json.dumps(cloud_event()).replace('"data":', '"id": "e-0", "data":'),
    "a key twice inside": json.dumps(cloud_event()).replace('"chamber":', '"chamber": "2", "chamber":'),
    "deep nesting": b'{"specversion": "1.0", "data": ' + b'{"a": ' * 40 + b"1" + b"}" * 41,
    "very deep nesting": b"[" * 30_000 + b"]" * 30_000,
    "not UTF-8": json.dumps(cloud_event(), ensure_ascii=False).encode().replace(b"alder", b"\xff\xfe"),
    "Latin-1": json.dumps(cloud_event(source="Wäscher"), ensure_ascii=False).encode("latin-1"),
    "UTF-16": json.dumps(cloud_event()).encode("utf-16"),
    "a byte order mark": b"\xef\xbb\xbf" + json.dumps(cloud_event()).encode(),
    "U+0000": json.dumps(cloud_event(data={"programme": "a\0b"})),
    "U+0000 in the id": json.dumps(cloud_event(id="a\0b")),
    "half a character": json.dumps(cloud_event(data={"programme": "\ud800"})),
    "half a character in the id": json.dumps(cloud_event(id="\udfff")),
    "a form": b"specversion=1.0&type=cycle-started",
    "XML": b"<event type='cycle-started'/>",
    "an archive": b"\x1f\x8b\x08\x00\x00\x00\x00\x00",
    "Python": b"{'specversion': '1.0'}",
    "a comment": b'{"specversion": "1.0" /* cycle */}',
}


@pytest.mark.parametrize("case", NO_EVENT)
def test_what_is_no_event_is_refused_with_its_place(eastmere: Department, secret: str, case: str) -> None:
    problem = not_taken(eastmere, secret, NO_EVENT[case])
    assert problem["code"] == "malformed"
    assert "Nothing was written." in problem["next_step"]


@pytest.mark.parametrize(
    "content_type", ["multipart/form-data; boundary=x", "application/x-www-form-urlencoded", "image/png"]
)
def test_other_content_is_refused_whatever_it_is_called(
    eastmere: Department, secret: str, content_type: str
) -> None:
    not_taken(eastmere, secret, b"--x\r\n\r\ncycle-started\r\n--x--", content_type=content_type)


@pytest.mark.parametrize("content_type", ["multipart/form-data; boundary=x", "application/x-www-form-urlencoded"])
def test_an_event_is_an_event_whatever_it_is_called(eastmere: Department, secret: str, content_type: str) -> None:
    taken(eastmere, secret, cloud_event(), content_type=content_type)
    assert not_taken(eastmere, secret, "x=" + "y" * 300_000, status=413, content_type=content_type)


@pytest.mark.parametrize("query", ["?x=%00", "?%00", "?facility=westmere", "?format=api", "?format=html"])
def test_what_stands_in_the_address_is_no_matter_here(eastmere: Department, secret: str, query: str) -> None:
    client = nobody(headers={"Authorization": f"Token {secret}"})
    url = visitors.address(eastmere, "observations") + query
    assert client.post(url, json.dumps(cloud_event()), content_type="application/json").status_code == 201
    assert problem_of(client.post(url, "{}", content_type="application/json"))["status"] == 400


@pytest.mark.parametrize(
    "accept",
    ["*/*", "application/json", "application/problem+json", "application/cloudevents+json", "text/xml", "x"],
)
def test_whatever_a_gateway_accepts_its_observation_is_taken(
    eastmere: Department, secret: str, accept: str
) -> None:
    """Observations are never refused, least of all for the form of the answer."""
    headers = {"Authorization": f"Token {secret}", "Accept": accept}
    taken(eastmere, secret, cloud_event(), headers=headers)
    not_taken(eastmere, secret, "{}", headers=headers)


def padded(size: int) -> bytes:
    """One well-formed event of exactly so many bytes."""
    bare = len(json.dumps(cloud_event(id="sized", padding="")))
    return json.dumps(cloud_event(id="sized", padding="x" * (size - bare))).encode()


@pytest.mark.parametrize("size", [LIMIT - 1, LIMIT])
def test_sixty_four_kibibytes_are_taken(eastmere: Department, secret: str, size: int) -> None:
    assert len(padded(size)) == size
    taken(eastmere, secret, padded(size))


@pytest.mark.parametrize(
    ("size", "limit"),
    [
        *((size, LIMIT) for size in (LIMIT + 1, 2 * LIMIT, 300 * 1024)),
        (5_000_000, BATCH_LIMIT_BYTES),  # more than any address but a record's takes: not even opened
    ],
)
def test_one_byte_more_is_not(eastmere: Department, secret: str, size: int, limit: int) -> None:
    problem = not_taken(eastmere, secret, padded(size), status=413)
    assert problem["code"] == "too-large"
    assert str(limit) in problem["detail"]


# --- data ---------------------------------------------------------------------------------------------

BAD_DATA: dict[str, Any] = {
    "no chamber": {"chamber": None},
    "a chamber that is a number": {"chamber": 1},
    "a chamber of forty-one characters": {"chamber": "c" * 41},
    "a programme of eighty-one": {"programme": "p" * 81},
    "a code of forty-one": {"code": "c" * 41},
    "a phase of forty-one": {"phase": "p" * 41},
    "a text of two hundred and one": {"text": "t" * 201},
    "a bell in the programme": {"programme": "a\x07"},
    "an escape in the code": {"code": "\x1b[31m"},
    "a counter below zero": {"machine_cycle": -1},
    "a counter in halves": {"machine_cycle": 1.5},
    "a counter as text": {"machine_cycle": "4471"},
    "a counter beyond 53 bits": {"machine_cycle": 2**53},
    "a counter that is true": {"machine_cycle": True},
    "complete as text": {"complete": "yes"},
    "complete as a number": {"complete": 1},
    "halts as nothing": {"halts": None},
    "a list as the code": {"code": ["W02"]},
}


@pytest.mark.parametrize("case", BAD_DATA)
def test_data_of_another_shape_is_refused(eastmere: Department, secret: str, case: str) -> None:
    not_taken(eastmere, secret, cloud_event(data=BAD_DATA[case]))


def test_the_largest_values_are_kept_whole(eastmere: Department, secret: str) -> None:
    data = {
        "machine_cycle": 2**53 - 1,
        "code": "c" * 40,
        "phase": "p" * 40,
        "text": "ä" * 200,
        "programme": "p" * 80,
    }
    taken(eastmere, secret, cloud_event("alarm-raised", data=data))
    raised = last(eastmere).data
    assert isinstance(raised, AlarmRaised)
    assert (raised.machine_cycle, raised.code, raised.title) == (2**53 - 1, "c" * 40, "ä" * 200)


def test_text_is_kept_in_unicodes_composed_form(eastmere: Department, secret: str) -> None:
    taken(eastmere, secret, cloud_event(data={"programme": "Spu\u0308len"}))
    assert last(eastmere).data.programme_name == "Sp\u00fclen"


# --- the machine's own counter and clock --------------------------------------------------------------

SEQUENCES = {0: 0, 17: 17, "17": 17, "0017": 17, 2**53 - 1: 2**53 - 1, str(2**53 - 1): 2**53 - 1, None: None}


@pytest.mark.parametrize("sent", SEQUENCES, ids=repr)
def test_the_counter_may_come_as_number_or_as_digits(eastmere: Department, secret: str, sent: Any) -> None:
    taken(eastmere, secret, cloud_event(sequence=sent))
    assert last(eastmere).sequence == SEQUENCES[sent]


@pytest.mark.parametrize(
    "sent",
    [
        -1,
        "-1",
        1.0,
        1.5,
        "1.0",
        "",
        " 1",
        "1 ",
        "+1",
        "0x1",
        "one",
        "١٧",
        "²",
        2**53,
        str(2**53),
        "9" * 17,
        True,
        [],
    ],
    ids=repr,
)
def test_a_counter_that_is_no_whole_number_is_refused(eastmere: Department, secret: str, sent: Any) -> None:
    not_taken(eastmere, secret, cloud_event(sequence=sent))


TIMES = {
    "2026-03-02T06:00:00Z": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-02t06:00:00z": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-02T06:00:00.5Z": datetime(2026, 3, 2, 6, microsecond=500_000, tzinfo=UTC),
    "2026-03-02T06:00:00.123456789Z": datetime(2026, 3, 2, 6, microsecond=123_456, tzinfo=UTC),
    "2026-03-02T06:00:00+00:00": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-02T06:00:00-00:00": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-02T07:00:00+01:00": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-02T00:15:00-05:45": datetime(2026, 3, 2, 6, tzinfo=UTC),
    "2026-03-01T23:59:60Z": datetime(2026, 3, 1, 23, 59, 59, 999_999, tzinfo=UTC),  # a leap second
    "2026-03-02T00:59:60.25+01:00": datetime(2026, 3, 1, 23, 59, 59, 999_999, tzinfo=UTC),
    "2024-02-29T12:00:00Z": datetime(2024, 2, 29, 12, tzinfo=UTC),
    "0001-01-01T00:00:00Z": datetime(1, 1, 1, tzinfo=UTC),
    "9999-12-31T23:59:59.999999Z": datetime(9999, 12, 31, 23, 59, 59, 999_999, tzinfo=UTC),
}


@pytest.mark.parametrize("sent", TIMES)
def test_a_time_may_be_written_as_rfc_3339_has_it(eastmere: Department, secret: str, sent: str) -> None:
    taken(eastmere, secret, cloud_event(time=sent))
    assert last(eastmere).occurred_at == TIMES[sent]


@pytest.mark.parametrize(
    "sent",
    [
        *("2026-03-02", "2026-03-02T06:00:00", "2026-03-02 06:00:00Z", "2026-03-02T06:00Z", "20260302T060000Z"),
        *("2026-02-29T12:00:00Z", "2026-13-01T00:00:00Z", "2026-03-02T24:00:00Z", "2026-03-02T06:61:00Z"),
        *(
            "2026-03-02T06:00:00+24:00",
            "2026-03-02T06:00:00+0100",
            "2026-03-02T06:00:00,5Z",
            "0000-01-01T00:00:00Z",
        ),
        *("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-01:00", "10000-01-01T00:00:00Z", "yesterday", ""),
        *("2026-03-02T06:00:00Z\n", "٢٠٢٦-03-02T06:00:00Z", 1_772_431_200, 1.5, True, [], {}),
    ],
    ids=repr,
)
def test_another_time_is_refused(eastmere: Department, secret: str, sent: Any) -> None:
    assert "time" in not_taken(eastmere, secret, cloud_event(time=sent))["detail"]


def test_without_a_time_it_happened_now(eastmere: Department, secret: str) -> None:
    for event in (cloud_event(), cloud_event(time=None)):
        taken(eastmere, secret, event)
        assert last(eastmere).occurred_at == eastmere.now


# --- once and for all ---------------------------------------------------------------------------------


def test_the_same_event_twice_is_one_event_and_one_receipt(eastmere: Department, secret: str) -> None:
    """I5: an answer that was lost is asked for again."""
    event = cloud_event(time="2026-03-02T06:00:00Z", sequence=1)
    first = taken(eastmere, secret, event)
    after = written(eastmere)
    eastmere.wait(60)
    assert taken(eastmere, secret, event) == first
    assert taken(eastmere, secret, json.dumps(event, indent=4)) == first
    assert written(eastmere) == after


CHANGED: dict[str, dict[str, Any]] = {
    "another type": {"type": "cycle-finished"},
    "another time": {"time": "2026-03-02T06:00:01Z"},
    "no time": {"time": None},
    "another counter": {"sequence": 2},
    "another chamber": {"data": {"chamber": "2"}},
    "one word more": {"data": {"chamber": "1", "text": "again"}},
}


@pytest.mark.parametrize("case", CHANGED)
def test_the_same_name_with_another_body_is_refused(eastmere: Department, secret: str, case: str) -> None:
    event = cloud_event(time="2026-03-02T06:00:00Z", sequence=1)
    taken(eastmere, secret, event)
    assert not_taken(eastmere, secret, event | CHANGED[case], status=409)["code"] == "deed-reused"


def test_names_are_told_apart_by_source_and_by_id(eastmere: Department, secret: str) -> None:
    """`source` and `id` name an event together (CloudEvents 1.0, 3.1): it matters where one ends."""
    names = [("a", "b"), ("a", "c"), ("c", "b"), ("b", "a"), ("a", "b c"), ("a", " b"), ("a", "b "), ("ab", "c")]
    receipts = [taken(eastmere, secret, cloud_event(source=source, id=name)) for source, name in names]
    assert len({receipt["deed_id"] for receipt in receipts}) == len(names)


@pytest.mark.parametrize("source", ["a b", "a ", " a", "a\tb", "a\nb"])
def test_a_source_holds_no_blank(eastmere: Department, secret: str, source: str) -> None:
    """It is a URI-reference (CloudEvents 1.0, 3.1); so that where it ends is certain."""
    assert "source" in not_taken(eastmere, secret, cloud_event(source=source))["detail"]


def test_two_machines_may_use_the_same_names(eastmere: Department, secret: str) -> None:
    birch = cast.register_machine(eastmere, "Birch")
    _, other = token_of(eastmere, machine=birch)
    event = cloud_event(id="1")
    assert taken(eastmere, secret, event)["deed_id"] != taken(eastmere, other, event)["deed_id"]
    assert last(eastmere).stream == Stream("machine", birch)


# --- who may speak ------------------------------------------------------------------------------------

HEADERS: dict[str, str] = {
    "nothing": "",
    "only the word": "Token",
    "only the word and a blank": "Token ",
    "another scheme": "Bearer {}",
    "Basic": "Basic QWxkZXI6QWxkZXI=",
    "one letter more": "Token {}0",
    "one letter less": "Token {:.63}",
    "two of them": "Token {0} {0}",
    "a comma": "Token {},",
    "another token's beginning": "Token {:.15}" + "0" * 49,
    "garbage": "Token " + "g" * 64,
    "a very long one": "Token " + "a" * 10_000,
    "letters of another script": "Token \u0430\u0431\u0432".encode().decode("latin-1"),
    "bytes that are no text": "Token \xff\xfe\x80",
    "a byte that is no text behind it": "Token {}\xff",
    "quotes": 'Token "{}"',
    "SQL": "Token ' OR 1=1 --",
    "a star": "Token *",
    "a percent sign": "Token %",
}


@pytest.mark.parametrize("case", HEADERS)
def test_without_its_token_a_machine_is_nobody(eastmere: Department, secret: str, case: str) -> None:
    header = HEADERS[case].format(secret)  # as the server hands it on: a character for each byte
    before = written(eastmere)
    answer = nobody().post(
        visitors.address(eastmere, "observations"),
        json.dumps(cloud_event()),
        content_type="application/json",
        HTTP_AUTHORIZATION=header,
    )
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == "Token"
    assert problem_of(answer)["code"] == "token"
    assert secret not in answer.content.decode()
    assert written(eastmere) == before


def test_no_header_at_all_is_asked_for_one(eastmere: Department) -> None:
    answer = nobody().post(visitors.address(eastmere, "observations"), b"{}", content_type="application/json")
    assert answer.status_code == 401
    assert "Authorization" in problem_of(answer)["next_step"]


def test_the_token_is_known_by_its_word_in_any_case(eastmere: Department, secret: str) -> None:
    for word in ("token", "TOKEN"):
        taken(eastmere, secret, cloud_event(), headers={"Authorization": f"{word} {secret}"})


def test_a_revoked_token_is_nobodys(eastmere: Department) -> None:
    token, secret = token_of(eastmere)
    taken(eastmere, secret, cloud_event())
    page = visitors.address(eastmere, "revoke-token", token=token.token_key)
    assert visitor(eastmere, "Ada").post(page).status_code == 302
    assert not_taken(eastmere, secret, cloud_event(), status=401)["code"] == "token"


def test_a_token_that_ran_out_is_nobodys(eastmere: Department) -> None:
    token, secret = token_of(eastmere)
    AccessToken.objects.filter(digest=token.digest).update(expiry=timezone.now() - timedelta(seconds=1))
    not_taken(eastmere, secret, cloud_event(), status=401)


def test_a_token_that_has_not_run_out_is_good(eastmere: Department) -> None:
    token, secret = token_of(eastmere)
    AccessToken.objects.filter(digest=token.digest).update(expiry=timezone.now() + timedelta(hours=1))
    taken(eastmere, secret, cloud_event())


def test_a_machine_goes_on_reporting_after_who_made_its_token_has_left(eastmere: Department, secret: str) -> None:
    """Observations are never refused (13): a machine must not fall silent because an administrator left."""
    Person.objects.filter(id=eastmere.people["Ada"].id).update(is_active=False)
    taken(eastmere, secret, cloud_event())


def test_a_token_of_another_facility_finds_nothing_here(eastmere: Department) -> None:
    """I16: word for word what a facility that does not exist answers."""
    westmere = visitors.another_department()
    _, theirs = token_of(westmere)
    problem = not_taken(eastmere, theirs, cloud_event(), status=404)
    answer = nobody(headers={"Authorization": f"Token {theirs}"}).post("/api/v1/f/nowhere/observations/")
    assert json.loads(answer.content) == problem


# A person's token names a role that the person has (Ada is administrator); no person is a device.
@pytest.mark.parametrize(("role", "status"), [("technician", 401), ("device", 401), ("administrator", 403)])
def test_a_token_without_a_machine_reports_nothing(eastmere: Department, role: str, status: int) -> None:
    _, secret = token_of(eastmere, role=role, machine=None)
    not_taken(eastmere, secret, cloud_event(), status=status)


def test_a_persons_role_tells_nothing_in_a_machines_name(eastmere: Department) -> None:
    _, secret = token_of(eastmere, role="technician")
    problem = not_taken(eastmere, secret, cloud_event(), status=409)
    assert (problem["code"], problem["detail"]) == ("role", "This needs the role device.")


def test_a_token_of_a_machine_that_never_was_is_refused(eastmere: Department) -> None:
    _, secret = token_of(eastmere, machine=UUID(int=7))
    assert not_taken(eastmere, secret, cloud_event(), status=404)["code"] == "machine-unknown"


@pytest.mark.parametrize("method", ["GET", "PUT", "PATCH", "DELETE"])
def test_other_methods_are_problems_too(eastmere: Department, secret: str, method: str) -> None:
    client = nobody(headers={"Authorization": f"Token {secret}"})
    answer = getattr(client, method.lower())(visitors.address(eastmere, "observations"))
    assert answer.status_code == 405
    assert "POST" in answer.headers["Allow"]
    problem_of(answer)


# --- when the ledger is busy --------------------------------------------------------------------------


@pytest.fixture
def other_hand(committed: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[tuple[Department, Any]]:
    """A department whose lock another connection can hold; nobody waits long for it in a test."""
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    with connection.cursor() as cursor:
        if connection.vendor == "postgresql":
            cursor.execute("SET lock_timeout = '50ms'")
            import psycopg

            params = connection.get_connection_params()
            wanted = ("host", "port", "user", "password", "dbname")
            hand: Any = psycopg.connect(**{name: params[name] for name in wanted if params.get(name)})
            take = f"SELECT 1 FROM ledger_head WHERE facility_id = '{department.id}' FOR UPDATE"
        else:
            cursor.execute("PRAGMA busy_timeout = 50")
            hand = sqlite3.connect(connection.settings_dict["NAME"], isolation_level=None)
            take = "BEGIN IMMEDIATE"
    try:
        yield department, lambda: hand.execute(take)
    finally:
        hand.rollback()
        hand.close()
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                cursor.execute("RESET lock_timeout")
            else:
                cursor.execute("PRAGMA busy_timeout = 3000")


def busy(answer: HttpResponse) -> bool:
    return answer.status_code == 503 and int(answer.headers["Retry-After"]) > 0


def test_a_busy_ledger_says_so_and_the_same_event_may_come_again(other_hand: tuple[Department, Any]) -> None:
    eastmere, hold_the_lock = other_hand
    _, secret = token_of(eastmere)
    event = cloud_event()
    before = written(eastmere)
    lock = hold_the_lock()
    answer = report(eastmere, secret, event)
    assert busy(answer)
    assert problem_of(answer)["code"] == "busy"
    lock.connection.rollback()
    assert written(eastmere) == before
    taken(eastmere, secret, event)


def test_a_busy_ledger_says_so_to_people_and_their_deed_may_come_again(other_hand: tuple[Department, Any]) -> None:
    eastmere, hold_the_lock = other_hand
    client, errand = visitors.errand_of(eastmere, "hold")
    before = written(eastmere)
    lock = hold_the_lock()
    answer = client.post(errand.url, errand.fields)
    assert busy(answer)
    assert "The record is busy" in words_of(answer)
    assert visitors.unsound(answer) == []
    lock.connection.rollback()
    assert written(eastmere) == before
    assert client.post(errand.url, errand.fields).status_code == 302


@pytest.mark.parametrize("route", ["release", "lift", "add-person", "make-token", "revoke-token"])
def test_whatever_else_waits_for_the_database_says_the_same(other_hand: tuple[Department, Any], route: str) -> None:
    """A signature, a person, a token: what writes no event waits on SQLite alone. Never a fault, never half."""
    eastmere, hold_the_lock = other_hand
    client, errand = visitors.errand_of(eastmere, route)
    lock = hold_the_lock()
    answer = client.post(errand.url, errand.fields)
    waits = connection.vendor == "sqlite" or route in ("release", "lift", "add-person")
    assert busy(answer) == waits, answer.status_code
    if waits:
        lock.connection.rollback()
        assert client.post(errand.url, errand.fields).status_code in (200, 302)


def test_coming_in_while_the_ledger_is_busy(other_hand: tuple[Department, Any]) -> None:
    """The session's row waits on SQLite; the next try opens the door."""
    eastmere, hold_the_lock = other_hand
    client = nobody()
    lock = hold_the_lock()
    answer = client.post("/sign-in/", visitors.factors(eastmere, "Ines"))
    assert busy(answer) or answer.status_code == 302
    lock.connection.rollback()
    assert client.post("/sign-in/", visitors.factors(eastmere, "Ines")).status_code == 302


def test_pages_are_read_while_the_ledger_is_busy(other_hand: tuple[Department, Any]) -> None:
    eastmere, hold_the_lock = other_hand
    load = cast.given_running_load(eastmere)
    client = visitor(eastmere, "Ines")
    hold_the_lock()
    for route, named in (("now", {}), ("loads", {}), ("load", {"load": load}), ("assemble", {})):
        assert client.get(visitors.address(eastmere, route, **named)).status_code == 200


# --- where it then stands -----------------------------------------------------------------------------


def stream_of(department: Department, secret: str, kind: str, cycle: int | None = None, **data: Any) -> Stream:
    told = data | ({"machine_cycle": cycle} if cycle is not None else {})
    taken(department, secret, cloud_event(kind, data=told))
    return last(department).stream


ON_ALDER = ("cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished")


@pytest.mark.parametrize("kind", ON_ALDER)
def test_what_names_a_cycle_goes_to_the_load_of_that_cycle(eastmere: Department, secret: str, kind: str) -> None:
    load = cast.given_running_load(eastmere, cycle=4471)
    assert stream_of(eastmere, secret, kind, 4471) == Stream("load", load)


@pytest.mark.parametrize("kind", ON_ALDER)
def test_what_names_no_cycle_goes_to_the_load_in_the_chamber(eastmere: Department, secret: str, kind: str) -> None:
    load = cast.given_running_load(eastmere, cycle=4471)
    assert stream_of(eastmere, secret, kind) == Stream("load", load)


@pytest.mark.parametrize("kind", ON_ALDER)
def test_what_names_a_cycle_goes_to_a_running_load_whose_counter_nobody_knows(
    eastmere: Department, secret: str, kind: str
) -> None:
    load = cast.given_running_load(eastmere)
    assert stream_of(eastmere, secret, kind, 4471, programme="Instruments") == Stream("load", load)
    if kind != "alarm-cleared":
        assert cast.load_now(eastmere, load).name == "Alder 4471"


def test_a_start_goes_to_the_load_assembled_for_the_chamber(eastmere: Department, secret: str) -> None:
    load = cast.given_assembled_load(eastmere)
    assert stream_of(eastmere, secret, "cycle-started", 4471, programme="Instruments") == Stream("load", load)
    assert cast.load_now(eastmere, load).stage == "running"
    assert isinstance(last(eastmere).data, CycleStarted)


@pytest.mark.parametrize("kind", ["alarm-raised", "alarm-cleared", "cycle-finished"])
def test_only_a_start_goes_to_an_assembled_load(eastmere: Department, secret: str, kind: str) -> None:
    cast.given_assembled_load(eastmere)
    assert stream_of(eastmere, secret, kind, 4471) == Stream("machine", eastmere.machine)


def test_a_start_of_two_assembled_loads_goes_to_the_one_assembled_first(eastmere: Department, secret: str) -> None:
    """It is the one that Now shows before this chamber; the other waits behind it."""
    loads = [cast.given_assembled_load(eastmere, trays=[tray]) for tray in eastmere.trays]
    streams = [stream_of(eastmere, secret, "cycle-started", cycle) for cycle in (4471, 4472)]
    assert streams == [Stream("load", load) for load in loads]


def test_a_cycle_that_is_not_the_running_loads_is_nobodys(eastmere: Department, secret: str) -> None:
    cast.given_running_load(eastmere, cycle=4471)
    assert stream_of(eastmere, secret, "cycle-finished", 4472) == Stream("machine", eastmere.machine)


def test_another_chamber_is_another_load(eastmere: Department, secret: str) -> None:
    cast.given_running_load(eastmere, cycle=4471)
    assert stream_of(eastmere, secret, "cycle-finished", 4471, chamber="2").kind == "machine"


def test_a_late_word_about_an_ended_cycle_finds_its_load(eastmere: Department, secret: str) -> None:
    load = cast.given_running_load(eastmere, cycle=4471)
    taken(eastmere, secret, cloud_event("cycle-finished", data={"machine_cycle": 4471}))
    assert stream_of(eastmere, secret, "cycle-finished", 4471) == Stream("load", load)
    assert stream_of(eastmere, secret, "alarm-raised", 4471, code="W02", phase="wash") == Stream("load", load)


@pytest.mark.parametrize("kind", ["cycle-started", "cycle-finished"])
def test_a_cycle_without_a_load_is_an_open_item(eastmere: Department, secret: str, kind: str) -> None:
    """A machine cycle without a load is listed until explained."""
    assert stream_of(eastmere, secret, kind, 4471) == Stream("machine", eastmere.machine)
    items = OpenItemRow.objects.filter(facility_id=eastmere.id, known_to=None)
    assert [item.kind for item in items] == ["cycle-without-load"]
    page = visitor(eastmere, "Ines").get(visitors.address(eastmere, "now"))
    assert "cycle without a load" in words_of(page)


def test_start_and_end_of_the_same_strange_cycle_are_one_open_item(eastmere: Department, secret: str) -> None:
    for kind in ("cycle-started", "cycle-finished"):
        taken(eastmere, secret, cloud_event(kind, data={"machine_cycle": 4471}))
    assert OpenItemRow.objects.filter(facility_id=eastmere.id, known_to=None).count() == 1


def test_an_alarm_without_a_load_is_the_machines_and_can_be_seen(eastmere: Department, secret: str) -> None:
    receipt = taken(eastmere, secret, cloud_event("alarm-raised", data={"code": "W02", "phase": "wash"}))
    alarm = cast.named(UUID(receipt["deed_id"]), "alarm")
    named = {"kind": "machine", "owner": eastmere.machine, "alarm": alarm}
    client = visitor(eastmere, "Bo")
    visitors.scan(client, eastmere)
    page = client.get(visitors.address(eastmere, "alarm", **named))
    assert "No load is known in" in words_of(page)
    answer = client.post(visitors.address(eastmere, "acknowledge", **named), visitors.form_of_deed(page))
    assert answer.status_code == 302
    assert "Seen" in words_of(client.get(answer.headers["Location"]))
    (left,) = OpenItemRow.objects.filter(facility_id=eastmere.id, known_to=None)
    assert left.kind == "alarm-unresolved"


def test_a_whole_cycle_told_by_the_machine_alone(eastmere: Department, secret: str) -> None:
    load = cast.given_assembled_load(eastmere)
    cycle = {"machine_cycle": 4471}
    taken(eastmere, secret, cloud_event("cycle-started", data=cycle | {"programme": "Instruments"}, sequence=1))
    taken(eastmere, secret, cloud_event("cycle-finished", data=cycle, sequence=2))
    assert isinstance(last(eastmere).data, CycleFinished)
    assert cast.fate(eastmere, load) == "awaiting review"
    assert cast.standing(eastmere, load) == []


def test_what_arrives_in_another_order_tells_the_same(eastmere: Department, secret: str) -> None:
    """Arrival order alone never changes a disposition (13)."""
    load = cast.given_running_load(eastmere, cycle=4471)
    cycle = {"machine_cycle": 4471}
    at = eastmere.now.isoformat()
    alarm = cloud_event("alarm-raised", data=cycle | {"code": "W02", "phase": "wash"}, sequence=1, time=at)
    ended = cloud_event("cycle-finished", data=cycle | {"complete": False}, sequence=2, time=at)
    with visitors.undone():
        for event in (alarm, ended):
            taken(eastmere, secret, event)
        in_order = (cast.fate(eastmere, load), cast.standing(eastmere, load))
    for event in (ended, alarm):
        taken(eastmere, secret, event)
    assert (cast.fate(eastmere, load), cast.standing(eastmere, load)) == in_order
