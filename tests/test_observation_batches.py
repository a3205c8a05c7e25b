"""Batches at the device door, the numbers that are missing between others, and the sender's clock.

Sources: CloudEvents 1.0 (JSON batch format, section 4; HTTP protocol binding, 3.3), RFC 9110, 6.6.1 (Date),
RFC 9457 (problem details); design, sections 4.13 and 6 (I5, I8, I10).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from datetime import timedelta
from itertools import pairwise
from typing import Any
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.utils.http import http_date
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from incidents.identity.ids import named
from incidents.ledger.reading import read_all
from incidents.ledger.writing import Receipt
from incidents.operations import machines as deeds
from incidents.operations import observations
from incidents.operations.observations import Observed, Told
from incidents.projections.models import OpenItemRow
from incidents.queries import machine_story, rounds
from incidents.rules import devices, holds
from incidents.rules.devices import Heard, Run
from incidents.rules.machines import Machine
from tests import cast, visitors
from tests.cast import Department, done, given_assembled_load, load_now, open_department, refused, register_set
from tests.story import ALDER, MONDAY
from tests.visitors import cloud_event, nobody, token_of, undone, written

KIBIBYTE = 1024
LIMIT = 1024 * KIBIBYTE


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    monkeypatch.setattr("django.conf.settings.PASSWORD_HASHERS", visitors.QUICK_HASHERS)
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def secret(spd: Department) -> str:
    return token_of(spd)[1]


def send(spd: Department, secret: str, events: Any, **more: Any) -> HttpResponse:
    body = events if isinstance(events, str | bytes) else json.dumps(events)
    headers = {"Authorization": f"Token {secret}"} | more.pop("headers", {})
    sent = {"content_type": "application/cloudevents-batch+json"} | more
    return nobody().post(visitors.address(spd, "observation-batch"), body, headers=headers, **sent)


def taken(spd: Department, secret: str, events: Sequence[Any], **more: Any) -> list[dict[str, Any]]:
    answer = send(spd, secret, events, **more)
    assert answer.status_code == 200, answer.content
    told: list[dict[str, Any]] = json.loads(answer.content)
    assert len(told) == len(events)
    return told


def not_taken(spd: Department, secret: str, events: Any, status: int) -> str:
    """Refused as a whole: nothing written, and a sentence why."""
    before = written(spd)
    answer = send(spd, secret, events)
    assert answer.status_code == status, answer.content
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert written(spd) == before
    return str(json.loads(answer.content)["detail"])


def items(spd: Department, kind: str) -> list[str]:
    rows = OpenItemRow.objects.filter(facility_id=spd.id, owner=spd.machine, kind=kind, known_to=None)
    return [row.title for row in rows]


def numbered(*numbers: int, **more: Any) -> list[dict[str, Any]]:
    return [cloud_event("alarm-cleared", {"code": "W02"}, sequence=number, **more) for number in numbers]


# --- a batch ------------------------------------------------------------------------------------------


def test_each_observation_has_its_own_receipt_in_order(spd: Department, secret: str) -> None:
    answers = taken(spd, secret, [cloud_event(), cloud_event("alarm-raised", {"code": "W02"}), cloud_event()])
    assert [answer["status"] for answer in answers] == [201, 201, 201]
    log = {event.event_id: event for event in read_all(spd.id)}
    for answer in answers:
        receipt = answer["receipt"]
        assert receipt["count"] == len(receipt["leaves"]) == 1
        assert log[named(UUID(receipt["deed_id"]), "0")].position == receipt["first_position"]


def test_what_is_wrong_with_one_is_told_of_it_alone(spd: Department, secret: str) -> None:
    events: list[Any] = [cloud_event(), cloud_event(id=""), 17, cloud_event(data={"chamber": 1}), cloud_event()]
    before = written(spd)
    answers = taken(spd, secret, events)
    assert [answer["status"] for answer in answers] == [201, 400, 400, 400, 201]
    assert [answer["problem"]["code"] for answer in answers[1:4]] == ["malformed"] * 3
    assert "`id`" in answers[1]["problem"]["detail"]
    assert written(spd) == before + 2


def test_even_where_a_key_comes_twice_or_a_character_is_half(spd: Department, secret: str) -> None:
    """RFC 8259, 4 and 8.2: readers differ about such an object; the others of the batch are sound."""
    sound = json.dumps(cloud_event())
    twice = json.dumps(cloud_event()).replace('"data":', '"id": "e-0", "data":')
    half = json.dumps(cloud_event(data={"programme": "\ud800"}))
    answer = send(spd, secret, f"[{sound}, {twice}, {half}]")
    assert [each["status"] for each in json.loads(answer.content)] == [201, 400, 400]


def test_the_same_batch_again_gives_the_same_answer(spd: Department, secret: str) -> None:
    """I5: an answer that was lost is asked for again, and a batch may hold the same observation twice."""
    events = numbered(1, 2, 3)
    first = taken(spd, secret, [*events, events[1]])
    assert first[3] == first[1]
    size = written(spd)
    spd.wait(60)
    assert taken(spd, secret, [*events, events[1]]) == first
    assert written(spd) == size


def test_a_name_used_for_something_else_is_refused_alone(spd: Department, secret: str) -> None:
    event = cloud_event()
    answers = taken(spd, secret, [event, event | {"type": "cycle-finished"}, cloud_event()])
    assert [answer["status"] for answer in answers] == [201, 409, 201]
    assert answers[1]["problem"]["code"] == "deed-reused"


def test_one_by_one_and_in_a_batch_is_the_same_deed(spd: Department, secret: str) -> None:
    event = cloud_event(sequence=1)
    (answer,) = taken(spd, secret, [event])
    alone = visitors.report(spd, secret, event)
    assert json.loads(alone.content) == answer["receipt"]


def test_an_empty_batch_is_a_batch(spd: Department, secret: str) -> None:
    assert taken(spd, secret, []) == []


NO_BATCH = {
    "blanks": b"  ",
    "one event": json.dumps(cloud_event()),
    "half a list": b'[{"specversion": "1.0"',
    "two lists": b"[] []",
    "a text": b'"cycle-started"',
    "not UTF-8": b'["\xff"]',
    "very deep": b"[" * 30_000 + b"]" * 30_000,
}


@pytest.mark.parametrize("case", NO_BATCH)
def test_what_is_no_batch_is_refused_as_a_whole(spd: Department, secret: str, case: str) -> None:
    assert not_taken(spd, secret, NO_BATCH[case], status=400)


def padded(size: int) -> str:
    """A batch of one sound event, of exactly so many bytes."""
    bare = len(json.dumps([cloud_event(id="sized", padding="")]))
    return json.dumps([cloud_event(id="sized", padding="x" * (size - bare))])


def test_a_mebibyte_is_taken_and_a_byte_more_is_not(spd: Department, secret: str) -> None:
    assert send(spd, secret, padded(LIMIT)).status_code == 200
    assert str(LIMIT) in not_taken(spd, secret, padded(LIMIT + 1), status=413)


def test_a_thousand_are_taken_and_one_more_is_not(spd: Department, secret: str) -> None:
    assert len(taken(spd, secret, [{}] * 1000)) == 1000
    assert "1000" in not_taken(spd, secret, [{}] * 1001, status=413)


def test_a_batch_says_what_it_is(spd: Department, secret: str) -> None:
    assert send(spd, secret, [], content_type="text/csv").status_code == 415


# --- numbers that are missing -------------------------------------------------------------------------


def test_a_number_that_was_missed_needs_someone_until_it_arrives(spd: Department, secret: str) -> None:
    late = numbered(17, 18, 19)
    taken(spd, secret, numbered(15, 16, 20))
    assert items(spd, "observations-missing") == ["Alder: 3 observations are missing: 17–19."]
    taken(spd, secret, [late[1]])
    assert items(spd, "observations-missing") == ["Alder: 2 observations are missing: 17, 19."]
    spd.wait(72 * 60)
    taken(spd, secret, [late[2], late[0], late[1]])
    assert items(spd, "observations-missing") == []


def test_or_until_a_person_explains_it(spd: Department, secret: str) -> None:
    taken(spd, secret, numbered(1, 5, 9))
    explain = {"machine": spd.machine, "words": "The gateway was replaced."}
    done(deeds.explain_missing(cast.request(spd, "Bo"), first=2, last=7, **explain))
    assert items(spd, "observations-missing") == ["Alder: 1 observation is missing: 8."]
    assert (
        refused(deeds.explain_missing(cast.request(spd, "Bo"), first=3, last=4, **explain)) == "number-not-missing"
    )
    assert refused(deeds.explain_missing(cast.request(spd, "Bo"), first=9, last=8, **explain)) == "numbers-odd"
    taken(spd, secret, numbered(3))  # it comes after all: recorded as ever
    assert items(spd, "observations-missing") == ["Alder: 1 observation is missing: 8."]


@pytest.mark.parametrize("ends", ["it arrives", "a person explains it"])
def test_a_gap_noticed_since_a_load_began_keeps_it_from_its_release(
    spd: Department, secret: str, ends: str
) -> None:
    """I7: the number that is missing may be an alarm of this very cycle."""
    load = cast.given_reviewed_load(spd)
    late = numbered(2)
    taken(spd, secret, numbered(1, 3))
    assert holds.disposition(load_now(spd, load)) == "awaiting review"
    refusal = cast.let_go(spd, load)
    assert refused(refusal) == "observations-missing"
    assert "was not heard (2)" in refusal.sentence  # type: ignore[union-attr]
    unheard = rounds.unheard(spd.id, load_now(spd, load))
    assert unheard == refusal, "the load’s page says it before anybody signs"
    if ends == "it arrives":
        taken(spd, secret, late)
    else:
        asked = cast.request(spd, "Bo")
        done(deeds.explain_missing(asked, machine=spd.machine, first=2, last=2, words="A test print."))
    assert rounds.unheard(spd.id, load_now(spd, load)) is None
    done(cast.let_go(spd, load))


def test_a_gap_noticed_before_a_load_began_tells_nothing_of_it(spd: Department, secret: str) -> None:
    taken(spd, secret, numbered(1, 3))
    spd.wait(1)
    done(cast.let_go(spd, cast.given_reviewed_load(spd)))


def test_what_came_before_the_first_is_no_gap(spd: Department, secret: str) -> None:
    taken(spd, secret, numbered(5000))
    assert items(spd, "observations-missing") == []


def test_the_machines_page_lists_them_and_takes_the_explanation(spd: Department, secret: str) -> None:
    errand = visitors.explain_missing(spd, "Sanne")
    client = visitors.visitor(spd, "Sanne")
    page = client.get(visitors.address(spd, "machine", machine=spd.machine))
    assert "17–19" in visitors.words_of(page)
    assert client.post(errand.url, errand.fields).status_code == 302
    told = machine_story.story(spd.id, spd.machine)
    assert told is not None
    assert told.entries[0].sentence.startswith("Explained by Sanne: observations 17 to 19")


NUMBERS = st.lists(st.integers(0, 30), min_size=1, max_size=12, unique=True)


@given(NUMBERS)
def test_the_numbers_missing_are_those_between_that_were_not_heard(numbers: list[int]) -> None:
    """Against the definition, whatever the order in which they were heard."""
    heard: Heard | None = None
    missing: tuple[Run, ...] = ()
    for number in numbers:
        gap = devices.missed(heard, number)
        if devices.is_missing(missing, number):
            missing = devices.without(missing, number, number)
        elif gap is not None:
            missing = devices.among(missing, Run(gap.first, gap.last, MONDAY))
        heard = heard.with_number(number) if heard else Heard(ALDER, number, number)
    named_ones = {number for run in missing for number in range(run.first, run.last + 1)}
    assert named_ones == set(range(min(numbers), max(numbers))) - set(numbers)


# --- the sender's clock -------------------------------------------------------------------------------


def dated(spd: Department, seconds: float) -> dict[str, str]:
    return {"Date": http_date((spd.now + timedelta(seconds=seconds)).timestamp())}


def test_a_clock_that_is_off_is_flagged_until_it_is_right(spd: Department, secret: str) -> None:
    """I10: skew beyond 2 min is flagged; what was observed is recorded all the same."""
    taken(spd, secret, numbered(1), headers=dated(spd, 121))
    (title,) = items(spd, "clock-skewed")
    assert "2 min ahead" in title
    size = written(spd)
    taken(spd, secret, numbered(2), headers=dated(spd, 121 + 9))  # as it was, but for the way
    assert written(spd) == size + 1
    taken(spd, secret, numbered(3), headers=dated(spd, -7200))
    assert "2 h behind" in items(spd, "clock-skewed")[0]
    taken(spd, secret, numbered(4), headers=dated(spd, 0))
    assert items(spd, "clock-skewed") == []


@pytest.mark.parametrize("date", ["", "yesterday", "Tue, 99 Nov 2026 10:00:00 GMT"])
def test_a_date_that_is_none_is_not_compared(spd: Department, secret: str, date: str) -> None:
    before = written(spd)
    taken(spd, secret, numbered(1), headers={"Date": date})
    assert written(spd) == before + 1


def test_two_minutes_are_no_skew(spd: Department, secret: str) -> None:
    taken(spd, secret, numbered(1), headers=dated(spd, 120))
    assert items(spd, "clock-skewed") == []


# --- in any order, twice, three days late -------------------------------------------------------------

CYCLE = ("cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished", "door-opened")


@pytest.fixture
def far(db: None) -> Department:
    """Three loads, washed one after the other while nothing was heard of the machine."""
    department = open_department()
    trays = register_set(department, "Late set", 3)
    for tray in trays:
        given_assembled_load(department, [tray])
        department.wait(100)
    return department


def story_of(department: Department, lost: frozenset[int]) -> list[Observed]:
    """What the machine told: of an empty run before the first load, then of each; `lost` never arrives."""
    told: list[Observed] = []
    loads = [event for event in read_all(department.id) if event.stream.kind == "load"]
    starts = [event.occurred_at + timedelta(minutes=5) for event in loads]
    for cycle, began in enumerate([starts[0] - timedelta(minutes=60), *starts], 4471):
        for step, kind in enumerate(CYCLE):
            number = 16 + len(told)
            about: dict[str, Any] = {"code": "P01", "phase": "drying", "halts": False} if "alarm" in kind else {}
            name = {"programme": cast.PROGRAMME_NAME} if kind == "cycle-started" else {}
            given = Told(chamber="1", machine_cycle=cycle, **about, **name)
            at = began + timedelta(minutes=10 * step)
            told.append(Observed(named(department.machine, f"e {number}"), kind, given, at, number))  # type: ignore[arg-type]
    return [each for each in told if each.sequence not in lost]


def heard(department: Department, batches: Sequence[Sequence[Observed]]) -> dict[str, Any]:
    """What then stands: every load, the machine, every open item."""
    department.now = MONDAY + timedelta(hours=9 + 72)
    for batch in batches:
        outcomes = observations.hear(
            cast.request(department, "Alder"), machine=department.machine, observed=list(batch)
        )
        assert all(isinstance(outcome, Receipt) for outcome in outcomes), outcomes
    cast.rebuilt_equals_live(department)
    loads = {event.stream.id for event in read_all(department.id) if event.stream.kind == "load"}
    states = {load: load_now(department, load) for load in loads}
    machine = machine_story.machine(department.id, department.machine)
    assert machine is not None
    rows = OpenItemRow.objects.filter(facility_id=department.id, known_to=None)
    return {
        "loads": {load: replace(state, version=0) for load, state in states.items()},
        "dispositions": {load: (holds.disposition(state), holds.holds(state)) for load, state in states.items()},
        "machine": _but_for_when(machine),
        "items": sorted(rows.values_list("owner", "item", "kind", "priority", "title", "alarm")),
    }


def _but_for_when(machine: Machine) -> Machine:
    """When something was concluded depends on what had arrived by then; what was concluded doesn't."""
    missing = tuple(replace(run, at=MONDAY) for run in machine.missing)
    blocks = tuple(replace(block, at=MONDAY) for block in machine.blocks)
    return replace(machine, version=0, missing=missing, blocks=blocks)


@st.composite
def told_badly(draw: st.DrawFn) -> tuple[frozenset[int], list[int], list[int]]:
    """Numbers that never arrive, an order of arrival with some twice, and where it is cut into batches."""
    lost = draw(st.frozensets(st.integers(17, 34), max_size=3))
    numbers = [number for number in range(16, 36) if number not in lost]
    again = draw(st.lists(st.sampled_from(numbers), max_size=6))
    order = draw(st.permutations(numbers + again))
    cuts = sorted(draw(st.sets(st.integers(1, len(order) - 1), max_size=5)))
    return lost, list(order), cuts


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example((frozenset(), [23, 24, *range(16, 23), *range(25, 36)], [2]))  # a condition is cleared, before all else
@given(told_badly())
def test_however_it_arrives_the_same_stands(
    far: Department, how: tuple[frozenset[int], list[int], list[int]]
) -> None:
    """Design 13: permuted, doubled, cut into batches and 72 h late: same states, dispositions and open items."""
    lost, order, cuts = how
    with undone():
        story = story_of(far, lost)
        by_number = {each.sequence: each for each in story}
        now, deeds_done = far.now, far.deeds
        with undone():
            straight = heard(far, [story])
        far.now, far.deeds = now, deeds_done
        bounds = [0, *cuts, len(order)]
        batches = [[by_number[n] for n in order[a:b]] for a, b in pairwise(bounds)]
        assert heard(far, batches) == straight
        far.now, far.deeds = now, deeds_done
