"""Time to acknowledge, resolve and re-run: open ones censored, groups of fewer than five people never shown.

The estimate itself is held against lifelines in `test_annunciation`, and here against a published table.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest

from incidents.analysis import annunciation
from incidents.operations import alarms
from incidents.queries import answering
from incidents.queries.answering import Line, Spread
from incidents.rules.answering import Wait, shown, waits
from incidents.rules.events import AlarmCleared, CycleAborted, CycleResumed, RerunLinked, Stream
from tests import cast, visitors
from tests.api_callers import program, told
from tests.cast import Department, done, request
from tests.story import ALARM, MONDAY, alarm, id_of, seen, story

FIVE = ("Ines", "Sanne", "Bo", "Joan", "Noor")


def test_remission_times_as_published() -> None:
    """Freireich and others 1963, in Kaplan-Meier form in most textbooks, here from memory: weeks in remission of 21
    patients under 6-mercaptopurine, 12 of them censored: median 23; of 21 under placebo: median 8.
    """
    ended = [6, 6, 6, 7, 10, 13, 16, 22, 23]
    censored = [6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35]
    # Each patient's clock begins so that the censored ones still run at the same moment.
    raised = [100 - each for each in censored] + [0] * len(ended)
    happened = [math.nan] * len(censored) + ended
    found = annunciation.waited(raised, happened, 100)
    assert (found.median, found.served, found.waiting) == (23, 9, 12)
    assert math.isnan(found.p90)
    placebo = [1, 1, 2, 2, 3, 4, 4, 5, 5, 8, 8, 8, 8, 11, 11, 12, 12, 15, 17, 22, 23]
    assert annunciation.waited([0] * 21, placebo, 100).median == 8


# --- which clock, from when to when -------------------------------------------------------------------


def spans(*happened: object) -> list[tuple[str, float | None]]:
    """(clock, seconds until its end) of a stream in which a thing happens each minute."""
    found = waits(story(*happened))  # type: ignore[arg-type]
    return [
        (each.clock, (each.ended_at - each.begun_at).total_seconds() if each.ended_at else None) for each in found
    ]


def test_each_clock_runs_from_its_beginning_to_its_first_end() -> None:
    raised, ack, gone = alarm(), seen(), AlarmCleared(code="w02")
    abort, again = CycleAborted(reason="fault", alarm=ALARM), RerunLinked(load=id_of("new"))
    resumed = CycleResumed(alarm=ALARM, phase="wash", halt_s=0)
    step = 60.0
    assert spans(raised) == [("acknowledge", None), ("resolve", None)]
    assert spans(raised, ack, gone, resumed) == [("acknowledge", step), ("resolve", 2 * step)]
    assert spans(raised, resumed, ack, ack) == [("acknowledge", 2 * step), ("resolve", step)]
    assert spans(raised, abort) == [("acknowledge", None), ("resolve", step), ("re-run", None)]
    assert spans(raised, abort, again, again)[2] == ("re-run", step)


def test_only_what_five_people_did_is_shown() -> None:
    def wait(who: str) -> Wait:
        return Wait("acknowledge", "W02", "Water", MONDAY, MONDAY, id_of(who) if who else None)

    assert shown([wait(who) for who in "abcde"])
    assert not shown([wait(who) for who in "abcdaaaa"])
    assert not shown([wait(who) for who in ("a", "b", "c", "d", "")])


# --- of a department ----------------------------------------------------------------------------------


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    cast.hire(department, "Noor", "technician")
    yield department
    cast.rebuilt_equals_live(department)


def seen_after(spd: Department, minutes: float, who: str) -> None:
    """An alarm of the machine itself, seen after so long and never resolved."""
    alarm_id = cast.named(done(cast.tell(spd, "alarm-raised", code="W02", phase="wash")).deed_id, "alarm")
    spd.wait(minutes - 1)
    machine = Stream("machine", spd.machine)
    done(alarms.acknowledge_alarm(request(spd, who), stream=machine, alarm=alarm_id))


def lines(spd: Department) -> dict[tuple[str, str], Line]:
    found = answering.times(spd.id, *answering.window(30, spd.now))
    return {(line.by, line.name): line for line in found.lines}


def test_what_still_waits_counts_and_what_four_people_did_is_nobodys_to_see(spd: Department) -> None:
    for minutes, who in zip((10, 20, 30, 40), FIVE, strict=False):
        seen_after(spd, minutes, who)
    assert lines(spd)["all", "All together"].acknowledge is None
    seen_after(spd, 50, FIVE[4])
    cast.tell(spd, "alarm-raised", code="W02", phase="wash")
    spd.wait(60)
    found = lines(spd)
    together = found["all", "All together"]
    # Six clocks, the last runs for 60 min: S falls by a sixth at each end, so half is reached at 30 min.
    assert together.acknowledge == Spread(1800, None, 5, 1)
    assert (together.resolve, together.rerun, together.few) == (None, None, ("resolve",))
    assert {by for by, _ in found} == {"all", "fault", "machine", "shift"}
    assert found["machine", "Alder"].acknowledge == together.acknowledge


def test_its_page_and_its_address_of_the_api_name_nobody(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    for minutes, who in zip((10, 20, 30, 40, 50), FIVE, strict=True):
        seen_after(spd, minutes, who)
    bo = visitors.visitor(spd, "Bo")
    page = bo.get(visitors.address(spd, "times") + "?days=90")
    words = visitors.words_of(page)
    assert "Not shown: fewer than five people" in words
    main = words.partition("Times to answer, 90 days")[2]
    assert main and not [who for who in FIVE if who != "Bo" and who in main]
    assert visitors.address(spd, "times") in bo.get(visitors.address(spd, "evidence")).content.decode()
    answer = told(program(spd, "Joan").get("times/?days=90"))
    assert answer["lines"][0]["by"] == "all"
    assert program(spd, "Joan").get("times/?days=91").status_code == 400
