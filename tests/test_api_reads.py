"""Looks through the API: the same things as on the pages, a page at a time, and “not modified” where nothing is.

Sources: RFC 9110, 13 (conditional requests); RFC 9162, 2.1 (inclusion and consistency); design, sections 3.9 and 6.
"""

from collections.abc import Iterator
from hashlib import sha256
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

import pytest

from incidents.ledger import merkle
from incidents.operations import machines
from tests import cast, recorded, visitors
from tests.api_callers import Program, problem_of, program, told
from tests.cast import Department
from tests.visitors import written

LISTS = (
    *("open-items", "alarms", "loads", "machines", "programmes", "trays", "sets", "racks", "paper-forms", "people"),
    "events",
)
LOOKS = (*(f"{name}/" for name in LISTS), "now/", "catalogue/", "policy/", "log/", "log/consistency/?first=3")


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


@pytest.fixture
def busy(eastmere: Department) -> Department:
    """A department with some of everything."""
    from incidents.operations.downtime import issue_forms

    for name in ("Eye set", "Knee set", "Arm set"):
        cast.register_set(eastmere, name, 3)
    for name in ("Birch", "Cedar"):
        cast.register_machine(eastmere, name)
    for name in ("Rack 1", "Rack 2", "Rack 3"):
        cast.register_rack(eastmere, name)
    for name in ("Heavy soil", "Quick"):
        cast.publish_programme(eastmere, name)
    cast.done(issue_forms(cast.request(eastmere, "Sanne"), count=5))
    for _ in range(2):
        load = cast.given_aborted_load(eastmere)
        cast.done(cast.hold(eastmere, load))
        new = cast.rerun_and_release(eastmere, load)
        cast.done(cast.hold(eastmere, new))
        new = cast.rerun_and_release(eastmere, new)
        assert cast.fate(eastmere, new) == "released"
    cast.given_load_with_alarm(eastmere)
    return eastmere


def walk(ines: Program, name: str, limit: int, **asked: Any) -> Iterator[dict[str, Any]]:
    """Every item of a list, page by page."""
    cursor = None
    while True:
        query = asked | {"limit": limit} | ({"cursor": cursor} if cursor else {})
        page = told(ines.get(f"{name}/?{urlencode(query)}"))
        assert len(page["items"]) <= limit
        yield from page["items"]
        cursor = page["next"]
        if cursor is None:
            return


@pytest.mark.parametrize("name", LISTS)
def test_pages_of_any_size_tell_the_same_list_whole_and_once(busy: Department, name: str) -> None:
    ines = program(busy, "Ines")
    whole = list(walk(ines, name, 200))
    assert len(whole) >= 3
    assert list(walk(ines, name, 1)) == whole
    assert list(walk(ines, name, 2)) == whole
    assert len({str(item) for item in whole}) == len(whole)


@pytest.mark.parametrize("name", LISTS)
def test_what_a_list_can_not_read_is_refused(busy: Department, name: str) -> None:
    ines = program(busy, "Ines")
    foreign = told(program(busy, "Ines").get("loads/?limit=1"))["next"]
    for query in ("limit=0", "limit=201", "limit=x", "limit=1.5", "limit=", "cursor=", "cursor=x", "no=such"):
        problem_of(ines.get(f"{name}/?{query}"), 400)
    problem_of(ines.get(f"{name}/?limit=1&limit=2"), 400)
    if name != "loads":
        problem_of(ines.get(f"{name}/?" + urlencode({"cursor": foreign})), 400)


def test_a_load_that_is_added_meanwhile_moves_no_page(busy: Department) -> None:
    ines = program(busy, "Ines")
    whole = [item["id"] for item in walk(ines, "loads", 200)]
    first = told(ines.get("loads/?limit=2"))
    cast.given_assembled_load(
        busy, machine=cast.register_machine(busy, "Dogwood"), trays=cast.register_set(busy, "New set", 1)
    )
    second = told(ines.get("loads/?" + urlencode({"limit": 2, "cursor": first["next"]})))
    assert [item["id"] for item in (*first["items"], *second["items"])] == whole[:4]


@pytest.mark.parametrize("path", LOOKS)
def test_an_unchanged_answer_is_not_sent_again(busy: Department, path: str) -> None:
    """RFC 9110, 13.1.2."""
    ines = program(busy, "Ines")
    first = ines.get(path)
    tag = first.headers["ETag"]
    again = ines.get(path, headers={"If-None-Match": tag})
    assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
    assert ines.get(path, headers={"If-None-Match": '"another"'}).content == first.content
    assert ines.get(path, headers={"If-None-Match": f'W/"x", {tag}'}).status_code == 304


def test_a_changed_answer_is_sent_whole(busy: Department) -> None:
    ines = program(busy, "Ines")
    tag = ines.get("open-items/").headers["ETag"]
    loads = ines.get("loads/").headers["ETag"]
    cast.done(cast.hold(busy, UUID(told(ines.get("loads/?limit=1"))["items"][0]["id"])))
    assert ines.get("loads/", headers={"If-None-Match": loads}).status_code == 200
    cast.register_machine(busy, "Elm")
    cast.done(cast.tell(busy, "alarm-raised", code="W01", phase="wash", chamber="1", cycle=99))
    assert ines.get("open-items/", headers={"If-None-Match": tag}).status_code == 200


# --- loads --------------------------------------------------------------------------------------------


def test_loads_are_found_by_what_they_are(busy: Department) -> None:
    ines = program(busy, "Ines")

    def found(**asked: Any) -> set[str]:
        return {item["id"] for item in walk(ines, "loads", 200, **asked)}

    everything = list(walk(ines, "loads", 200))
    for name in ("disposition", "stage", "place", "programme", "machine"):
        for value in {item[name] for item in everything}:
            assert found(**{name: value}) == {item["id"] for item in everything if item[name] == value}
    number = everything[0]["number"]
    assert found(search=number[-4:]) == {item["id"] for item in everything if number[-4:] in item["number"]}
    recalled = {item["id"] for item in everything if item["under_recall"]}
    assert found(under_recall="true") == recalled
    assert found(under_recall="false") == {item["id"] for item in everything} - recalled
    moment = everything[3]["assembled_at"]
    assert found(assembled_since=moment) | found(assembled_before=moment) == found()
    assert everything[3]["id"] in found(assembled_since=moment)
    for spoilt in (
        "disposition=safe",
        "under_recall=perhaps",
        "machine=Alder",
        "assembled_since=monday",
        "search=",
    ):
        problem_of(ines.get(f"loads/?{spoilt}"), 400)


def test_a_load_is_told_as_it_stands_and_as_it_was_known(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load = cast.given_finished_load(eastmere)
    size, moment = written(eastmere), eastmere.now.isoformat()
    before = told(ines.get(f"loads/{load}/"))
    assert (before["disposition"], before["version"]) == ("awaiting review", len(cast.events_of(eastmere, load)))
    cast.done(cast.hold(eastmere, load, words="A tray is wet."))
    now = told(ines.get(f"loads/{load}/"))
    assert now["disposition"] == "quarantined"
    assert [hold["code"] for hold in now["holds"]] == ["manual"]
    assert "A tray is wet." in now["holds"][0]["evidence"]
    assert told(ines.get(f"loads/{load}/?at={size}")) == before
    assert told(ines.get(f"loads/{load}/?" + urlencode({"when": moment}))) == before
    problem_of(ines.get(f"loads/{load}/?at={size}&" + urlencode({"when": moment})), 400)
    problem_of(ines.get(f"loads/{load}/?at=1"), 404)
    problem_of(ines.get(f"loads/{UUID(int=7)}/"), 404)


def test_an_alarm_stands_on_now(eastmere: Department) -> None:
    ines = program(eastmere, "Ines")
    load, alarm = cast.given_load_with_alarm(eastmere)
    item = told(ines.get("open-items/"))["items"][0]
    assert (item["owner"], item["alarm"], item["kind"]) == (str(load), str(alarm), "alarm")
    chamber = told(ines.get("now/"))["chambers"][0]
    assert (chamber["load"]["id"], chamber["alarm"]["alarm"]) == (str(load), str(alarm))
    line = told(ines.get("alarms/?state=unacknowledged"))["items"][0]
    assert (line["owner_kind"], line["owner"], line["code"]) == ("load", str(load), "W02")
    assert told(ines.get("alarms/?state=normal"))["items"] == []
    cast.done(cast.acknowledge(eastmere, load, alarm))
    assert told(ines.get("alarms/?state=unacknowledged"))["items"] == []


def test_machines_sets_and_racks_tell_what_stands_in_the_way(busy: Department) -> None:
    ines = program(busy, "Ines")
    elm = cast.register_machine(busy, "Elm")
    cast.done(machines.block_machine(cast.request(busy, "Sanne"), machine=elm, reason="Leaks."))
    line = told(ines.get("machines/?code=M-Elm"))["items"][0]
    assert line["blocked"] == {"": "Leaks."}
    machine = told(ines.get(f"machines/{elm}/"))
    assert machine["blocks"][0]["reason"] == "Leaks."
    basic = told(ines.get("sets/?" + urlencode({"name": "Basic set"})))["items"][0]
    assert not basic["available"]
    assert all(tray["load"] for tray in basic["trays"])
    rack = told(ines.get("racks/"))["items"][0]
    assert told(ines.get(f"racks/{rack['id']}/"))["entries"][0]["sentence"] == "Registered by Ada"
    assert told(ines.get("people/"))["items"][0] == {
        "id": str(busy.people["Ada"].id),
        "name": "Ada",
        "roles": ["administrator"],
        "competences": [],
    }


# --- evidence -----------------------------------------------------------------------------------------


def test_events_are_told_in_order_and_each_proves_itself(busy: Department) -> None:
    ines = program(busy, "Ines")
    events = list(walk(ines, "events", 50))
    assert [event["position"] for event in events] == list(range(written(busy)))
    head = told(ines.get("log/"))
    assert head["size"] == len(events)
    for position in (0, 7, len(events) - 1):
        proof = told(ines.get(f"events/{position}/"))
        assert proof["leaf"] == sha256(b"\0" + proof["body"].encode()).hexdigest() == events[position]["leaf"]
        path = [bytes.fromhex(step) for step in proof["path"]]
        root = bytes.fromhex(head["root"])
        assert merkle.verify_inclusion(position, head["size"], bytes.fromhex(proof["leaf"]), path, root)
    problem_of(ines.get(f"events/{len(events)}/"), 404)
    problem_of(ines.get("events/0/?size=0"), 404)
    problem_of(ines.get(f"events/0/?size={len(events) + 1}"), 404)


@pytest.mark.parametrize("first", [0, 1, 5, 8])
def test_the_log_is_shown_to_begin_as_it_was(busy: Department, first: int) -> None:
    ines = program(busy, "Ines")
    proof = told(ines.get(f"log/consistency/?first={first}"))
    roots = bytes.fromhex(proof["first_root"]), bytes.fromhex(proof["second_root"])
    path = [bytes.fromhex(step) for step in proof["path"]]
    assert proof["second_root"] == told(ines.get("log/"))["root"]
    assert merkle.verify_consistency(first, proof["second"], *roots, path)
    problem_of(ines.get("log/consistency/"), 400)
    problem_of(ines.get("log/consistency/?first=3&second=2"), 404)


def test_events_are_narrowed_by_what_they_are(busy: Department) -> None:
    ines = program(busy, "Ines")
    everything = list(walk(ines, "events", 200))
    held = [event for event in everything if event["event"]["data"]["type"] == "hold-placed"]
    assert list(walk(ines, "events", 2, type="hold-placed")) == held
    assert [list(event["words"].values()) for event in held] == [["A tray is wet."]] * len(held)
    load = held[0]["event"]["stream"][1]
    mine = [event for event in everything if event["event"]["stream"][1] == load]
    assert list(walk(ines, "events", 3, stream_kind="load", stream=load)) == mine
    assert list(walk(ines, "events", 200, first=10)) == everything[10:]
    assert list(walk(ines, "events", 200, late="true")) == []
    for spoilt in ("type=all", "first=-1", "stream=x", "late=yes", "recorded_since=today"):
        problem_of(ines.get(f"events/?{spoilt}"), 400)


def test_a_head_request_says_as_much_without_the_body(busy: Department) -> None:
    ines = program(busy, "Ines")
    answer = ines.client.head(ines.url("loads/"))
    assert (answer.status_code, answer.content) == (200, b"")
    assert answer.headers["ETag"] == ines.get("loads/").headers["ETag"]


def test_a_loads_record_is_given_and_read_over_the_api(eastmere: Department) -> None:
    """The file is the body; what was computed from it is told with the load."""
    load, ines = cast.given_finished_load(eastmere), program(eastmere, "Ines")
    file, deed = recorded.as_csv(recorded.good()), eastmere.new_deed()
    path = f"loads/{load}/readings/?deed_id={deed}"
    first = told(ines.post(path, file, content_type="text/csv"), 201)
    assert told(ines.post(path, file, content_type="text/csv"), 201) == first
    (record,) = told(ines.get(f"loads/{load}/"))["records"]
    assert record["digest"] == sha256(file).hexdigest()
    assert record["verdict"] == "not-proven" and record["shared_with"] == []
    assert {finding["criterion"] for finding in record["findings"]} >= {"disinfection", "upper-band", "gaps"}
    bad = problem_of(ines.post(path, b"time_s,probe_1_degC\n0,x\n", content_type="text/csv"), 400)
    assert bad["code"] == "record-unreadable" and "Line 2, column 2" in bad["detail"]
    problem_of(ines.post(path, file, content_type="application/zip"), 415)
