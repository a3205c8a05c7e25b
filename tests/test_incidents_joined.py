"""Related alarms join one incident: a burst wakes people once, and a fault that chatters is one open item.

Source: the issue on escalation; chattering: IEC 62682 as quoted in ALM-CHATTER (common practice here).
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from uuid import UUID

import pytest

from incidents.ledger.reading import read_stream
from incidents.operations import alarms, climbing, incidents
from incidents.operations.deeds import Outcome
from incidents.outbox.models import Message
from incidents.projections.models import OpenItemRow
from incidents.queries import floor, joined
from incidents.queries.joined import IncidentStory
from incidents.rules.events import Stream
from incidents.rules.incidents import Anchor, Joins, join
from tests import cast, floor_cast, visitors
from tests.api_callers import program, told
from tests.cast import Department, done, named, refused, request, tell
from tests.story import MONDAY, id_of
from tests.test_escalation import LADDER, agree, steps

HOUR = timedelta(hours=1)


# --- the rule -----------------------------------------------------------------------------------------


def at(minutes: float, name: str, code: str = "W02", load: str = "", machine: str = "Alder") -> Joins:
    return Joins(
        id_of(name), id_of(load) if load else None, id_of(machine), code, MONDAY + timedelta(minutes=minutes)
    )


def names(groups: list[list[Joins]], *known: str) -> list[list[str]]:
    by_id = {id_of(name): name for name in known}
    return [[by_id[each.alarm] for each in group] for group in groups]


@pytest.mark.parametrize(
    ("second", "together"),
    [
        (at(300, "b", code="D01", load="L1"), True),  # the same load, whatever the fault
        (at(60, "b", load="L2"), True),  # the same fault within the window
        (at(61, "b", load="L2"), False),
        (at(5, "b", code="w02"), True),  # a shift key makes no other fault
        (at(5, "b", code="D01", load="L2"), False),
        (at(5, "b", load="L2", machine="Birch"), False),
    ],
)
def test_what_joins(second: Joins, together: bool) -> None:
    for given in ([at(0, "a", load="L1"), second], [second, at(0, "a", load="L1")]):
        assert names(join(given, HOUR, {}), "a", "b") == ([["a", "b"]] if together else [["a"], ["b"]])


def test_a_fault_that_comes_again_and_again_stays_one_incident_until_it_is_verified() -> None:
    chain = [at(50 * n, f"a{n}") for n in range(5)]
    assert len(join(chain, HOUR, {})) == 1
    verified = {each.alarm: Anchor(id_of("incident"), MONDAY + timedelta(minutes=110)) for each in chain[:3]}
    assert [len(group) for group in join(chain, HOUR, verified)] == [3, 2]


# --- waking people once -------------------------------------------------------------------------------


@pytest.fixture
def spd(db: None) -> Iterator[Department]:
    department = cast.open_department()
    yield department
    cast.rebuilt_equals_live(department)


def raise_again(spd: Department, code: str = "W02", phase: str = "wash") -> UUID:
    return named(done(tell(spd, "alarm-raised", code=code, phase=phase)).deed_id, "alarm")


def given_burst(spd: Department, *codes: str) -> tuple[UUID, list[UUID]]:
    load, first = cast.given_load_with_alarm(spd)
    return load, [first, *(raise_again(spd, code) for code in codes)]


def open_alarms(spd: Department) -> list[UUID]:
    rows = OpenItemRow.objects.filter(facility_id=spd.id, kind="alarm", known_to=None)
    return sorted(alarm for alarm in rows.values_list("alarm", flat=True) if alarm)


def shown(spd: Department) -> list[str]:
    found = joined.merged(spd.id, floor.open_items(spd.id), HOUR)
    return [matter.title for matter in found if matter.kind == "alarm"]


def test_a_burst_wakes_people_once_and_is_one_item_on_now(spd: Department) -> None:
    agree(spd, LADDER)
    _load, _burst = given_burst(spd, "D01", "W02", "W02")
    climbing.sweep(spd.wait(1))
    assert steps(spd) == [("alarm", 1, 0)]
    (message,) = Message.objects.all()
    assert "3 more alarms of the same incident." in message.text
    (title,) = shown(spd)
    assert title.endswith("Nobody has seen it. 4 alarms, one incident.")
    assert len(open_alarms(spd)) == 4, "each alarm keeps its own state"


def test_seeing_the_first_leaves_the_others_to_climb_at_once(spd: Department) -> None:
    """No alarm is muted by another one that was seen."""
    agree(spd, LADDER)
    load, (first, other) = given_burst(spd, "D01")
    climbing.sweep(spd.wait(1))
    lead = next(each for each in (first, other) if str(each) in Message.objects.get().about_item)
    done(cast.acknowledge(spd, load, lead))
    climbing.sweep(spd.now)
    assert steps(spd) == [("alarm", 1, 0), ("alarm", 1, 0)]


def test_a_chattering_fault_is_seen_once(spd: Department) -> None:
    load, burst = given_burst(spd, "W02", "W02", "D01")
    done(cast.acknowledge(spd, load, burst[1]))
    assert open_alarms(spd) == [burst[3]]
    assert refused(cast.acknowledge(spd, load, burst[0])) == "already-acknowledged"


def test_the_same_fault_beyond_the_policys_window_is_another_incident(spd: Department) -> None:
    done(floor_cast.set_policy(spd, incident_min=10))
    machine = Stream("machine", spd.machine)
    first = raise_again(spd)
    spd.wait(5)
    second = raise_again(spd)
    spd.wait(11)
    third = raise_again(spd)
    assert [each.alarm for each in story(spd, first).alarms] == [first, second]
    assert [each.alarm for each in story(spd, third).alarms] == [third]
    done(alarms.acknowledge_alarm(request(spd, "Ines"), stream=machine, alarm=first))


# --- looking into it ----------------------------------------------------------------------------------


def story(spd: Department, alarm: UUID) -> IncidentStory:
    found = joined.story(spd.id, alarm)
    assert found is not None
    return found


def told_of(spd: Department, alarm: UUID, part: str, who: str = "Bo", words: str = "Grit in the valve.") -> Outcome:
    return incidents.tell_incident(request(spd, who), alarm=alarm, part=part, words=words)  # type: ignore[arg-type]


def test_an_incident_has_an_owner_a_cause_a_correction_and_a_verification_that_closes_it(spd: Department) -> None:
    _load, (first, second) = given_burst(spd, "D01")
    done(incidents.take_incident(request(spd, "Bo"), alarm=second))
    assert refused(incidents.take_incident(request(spd, "Bo"), alarm=first)) == "yours-already"
    assert refused(told_of(spd, first, "correction")) == "cause-missing"
    assert refused(told_of(spd, first, "cause", words=" ")) == "reason-missing"
    done(told_of(spd, first, "cause"))
    assert refused(told_of(spd, first, "verification")) == "correction-missing"
    done(told_of(spd, second, "correction", words="Valve cleaned."))
    late = raise_again(spd, "W02", "rinse")
    done(told_of(spd, late, "verification", "Sanne", "Ten cycles without it."))
    found = story(spd, first)
    assert (found.owner_name, found.next_part, len(found.alarms)) == ("Bo", None, 3)
    assert [(each.part, each.words, each.by) for each in found.parts] == [
        ("cause", "Grit in the valve.", "Bo"),
        ("correction", "Valve cleaned.", "Bo"),
        ("verification", "Ten cycles without it.", "Sanne"),
    ]
    assert refused(told_of(spd, first, "cause")) == "incident-verified"
    assert refused(incidents.take_incident(request(spd, "Ines"), alarm=first)) == "incident-verified"
    newest = raise_again(spd)
    assert [each.alarm for each in story(spd, newest).alarms] == [newest]
    assert len(read_stream(spd.id, Stream("incident", found.id))) == 4


def test_whoever_looked_at_something_older_is_told_so(spd: Department) -> None:
    _, (first, _) = given_burst(spd, "D01")
    done(told_of(spd, first, "cause"))
    asked = request(spd, "Bo", expected_version=0)
    assert refused(incidents.tell_incident(asked, alarm=first, part="correction", words="Done.")) == "stale"
    assert refused(told_of(spd, id_of("nobody's"), "cause")) == "alarm-unknown"


def test_its_page_and_its_address_of_the_api(db: None, monkeypatch: pytest.MonkeyPatch) -> None:
    spd = visitors.department_with_doors(monkeypatch, slug="eastmere")
    load, (first, second) = given_burst(spd, "D01")
    url = visitors.address(spd, "incident", alarm=second)
    bo = visitors.visitor(spd, "Bo")
    for sent in ({"act": "take"}, {"act": "cause", "words": "Grit in the valve."}):
        assert bo.post(url, visitors.carried(spd) | sent).status_code == 302
    words = visitors.words_of(bo.get(url))
    for said in (
        "2 alarms, one incident",
        "Bo looks into it since",
        "“Grit in the valve.”",
        "Record the correction",
    ):
        assert said in words
    item = visitors.address(spd, "open-item", kind="load", owner=load, item=f"alarm:{first}")
    assert visitors.address(spd, "incident", alarm=first) in bo.get(item).content.decode()
    answer = told(program(spd, "Joan").get(f"incidents/{first}/"))
    assert [each["alarm"] for each in answer["alarms"]] == [str(first), str(second)]
    assert (answer["next_part"], answer["parts"][0]["words"]) == ("correction", "Grit in the valve.")
    cast.rebuilt_equals_live(spd)
