"""The client against the real doors, and against wires that break.

Sources: RFC 9110 (13 conditional requests, 10.2.3 Retry-After), RFC 9562 (ids); design, section 3.2: the same deed
sent again is the same deed.
"""

import ast
import http.client
import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

import incidents.client as module
from incidents.client import Answer, Client, NoAnswer, Refused, made_by, new_deed_id
from incidents.identity import ids
from tests import cast, visitors
from tests.api_callers import token_of_person
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


class Wire:
    """Carries requests to the doors; `breaks` says what becomes of the next ones."""

    def __init__(self) -> None:
        self.browser = visitors.nobody()
        self.breaks: list[str] = []
        self.carried: list[int] = []
        self.waited: list[float] = []

    def send(self, method: str, path: str, headers: Mapping[str, str], body: bytes | None) -> Answer:
        how = self.breaks.pop(0) if self.breaks else ""
        if how == "before":
            raise ConnectionRefusedError
        kind = headers.get("Content-Type", "application/octet-stream")
        told = self.browser.generic(method, path, body or b"", content_type=kind, headers=dict(headers))
        if how == "after":
            raise http.client.RemoteDisconnected
        if how == "busy":
            return Answer(503, {"Retry-After": "2", "Content-Type": "text/html"}, b"")
        self.carried.append(told.status_code)
        return Answer(told.status_code, dict(told.headers), told.content)


def client(department: Department, wire: Wire, who: str = "Ines", **more: Any) -> Client:
    secret = visitors.token_of(department)[1] if who == "Alder" else token_of_person(department, who)
    return Client(
        "http://nowhere", department.facility.slug, secret, send=wire.send, wait=wire.waited.append, **more
    )


def test_a_load_goes_its_way_by_the_client_alone(eastmere: Department) -> None:
    """From the trays to the release, an alarm at its machine included."""
    wire = Wire()
    ines, alder = client(eastmere, wire), client(eastmere, wire, "Alder")
    assembled = new_deed_id()
    trays = [tray["id"] for tray in ines.items("trays/", limit=1)]
    ines.deed("assemble_load", deed_id=assembled, machine=eastmere.machine, chamber="1", trays=trays)
    load = made_by(assembled, "load")
    ines.deed("start_cycle", load=load, programme=cast.PROGRAMME_NAME, expected_version=1)
    alder.observe(visitors.cloud_event("alarm-raised", {"code": "P01", "phase": "wash"}))
    item = next(item for item in ines.items("open-items/") if item["alarm"])
    seen = {"kind": item["owner_kind"], "id": item["owner"]}
    ines.deed("acknowledge_alarm", stream=seen, alarm=item["alarm"], machine_code=visitors.ALDER)
    ines.deed("resume_cycle", load=load, alarm=item["alarm"], machine_code=visitors.ALDER)
    alder.observe(visitors.cloud_event("cycle-finished"))
    criteria = {each["code"]: "met" for each in ines.read(f"loads/{load}/")["criteria"]}
    ines.deed("review_load", load=load, record_seen=True, verdicts=criteria)

    told = ines.read(f"loads/{load}/")
    assert told["disposition"] == "awaiting review", told["holds"]
    deed_id = new_deed_id()
    stands = {"load": load, "version": told["version"], "leaf": told["leaf"]}
    factors = visitors.factors(eastmere, "Ines")
    signature = ines.sign("release_load", deed_id=deed_id, seen=stands, purpose="packing", **factors)
    ines.deed("release_load", deed_id=deed_id, load=load, purpose="packing", signings=[signature["signing"]])
    assert ines.read(f"loads/{load}/")["disposition"] == "released"
    assert cast.fate(eastmere, load) == "released"


@pytest.mark.parametrize("breaks", [["before"], ["after"], ["busy"], ["after", "before", "busy", "after"]], ids=str)
def test_whatever_breaks_on_the_way_the_deed_is_done_once(eastmere: Department, breaks: list[str]) -> None:
    wire = Wire()
    ines = client(eastmere, wire)
    load = cast.given_running_load(eastmere)
    before = written(eastmere)
    wire.breaks = list(breaks)
    receipt = ines.deed("add_note", load=load, words="Looked at.")
    assert written(eastmere) == before + 1 == receipt["first_position"] + receipt["count"]
    assert len(wire.waited) == len(breaks)
    assert ("busy" in breaks) == (
        2.0 in wire.waited and wire.waited[breaks.index("busy")] == 2.0 if "busy" in breaks else False
    )


def test_a_server_that_never_answers_is_no_answer(eastmere: Department) -> None:
    wire = Wire()
    wire.breaks = ["before"] * 9
    with pytest.raises(NoAnswer):
        client(eastmere, wire, tries=3).deed("add_note", load=eastmere.id, words="Looked at.")
    assert len(wire.breaks) == 6


def test_a_refusal_is_not_asked_again(eastmere: Department) -> None:
    wire = Wire()
    with pytest.raises(Refused) as refused:
        client(eastmere, wire).deed("issue_forms", count=3)
    assert (refused.value.status, refused.value.code) == (409, "role")
    assert "This needs the role" in str(refused.value)
    assert (wire.carried, wire.waited) == ([409], [])


def test_late_entries_and_their_problems_come_back_in_order(eastmere: Department) -> None:
    ines = client(eastmere, Wire())
    load = cast.given_running_load(eastmere)
    entry = {"operation": "add_note", "occurred_at": eastmere.now.isoformat(), "words": "Seen."}
    results = ines.enter_late([{**entry, "deed_id": new_deed_id(), "load": each} for each in (load, eastmere.id)])
    assert [result["problem"] and result["problem"]["code"] for result in results] == [None, "load-unknown"]


def test_what_did_not_change_is_not_sent_again(eastmere: Department) -> None:
    wire = Wire()
    ines = client(eastmere, wire)
    first = ines.read("machines/")
    assert ines.read("machines/") == first
    assert wire.carried == [200, 304]
    cast.register_machine(eastmere, "Birch")
    assert len(ines.read("machines/")["items"]) == 2


def test_its_ids_are_the_servers(eastmere: Department) -> None:
    deed_id = new_deed_id()
    assert (deed_id.version, deed_id.variant) == (7, "specified in RFC 4122")
    assert abs(ids.unix_ms(deed_id) - ids.unix_ms(ids.new_id())) < 60_000
    assert made_by(deed_id, "load") == ids.named(deed_id, "load")


def test_it_leans_on_the_standard_library_alone() -> None:
    """So that it can be copied to where it is needed."""
    tree = ast.parse(Path(module.__file__).read_text())
    named = {alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names}
    named |= {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert {name.partition(".")[0] for name in named} <= set(sys.stdlib_module_names)


def test_it_speaks_to_a_real_server(eastmere: Department) -> None:
    """Over a socket: the plainest server that there is, which says back what came."""
    import threading
    from http.server import BaseHTTPRequestHandler, HTTPServer

    came: list[tuple[str, str, str]] = []

    class Echo(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            came.append((self.command, self.path, self.headers["Authorization"]))
            body = json.dumps({"items": [], "next": None}).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *anything: Any) -> None:
            """Nothing."""

    server = HTTPServer(("127.0.0.1", 0), Echo)
    running = threading.Thread(target=server.serve_forever)
    running.start()
    try:
        far = Client(f"http://127.0.0.1:{server.server_port}", "eastmere", "abc")
        assert list(far.items("loads/", under_recall=True)) == []
    finally:
        server.shutdown()
        running.join()
        server.server_close()
    assert came == [("GET", "/api/v1/f/eastmere/loads/?under_recall=true", "Token abc")]
