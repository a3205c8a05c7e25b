"""What grows for ever is shown a page at a time, and asks for as little when it is long as when it is short.

The bound is the project's own: a page sends as many statements for ten times the rows.
"""

import html
import re
from collections.abc import Callable
from typing import Any
from uuid import UUID

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from incidents.ledger import browsing
from incidents.ledger.browsing import Filter, read_matching
from incidents.ledger.dialect import learn_lengths, on_postgresql
from incidents.operations import machines
from incidents.projections.models import OpenItemRow, PassageRow
from incidents.queries import (
    counters,
    department,
    downtime,
    floor,
    history,
    loads,
    machine_story,
    past,
    racks,
    search,
    sets,
    story,
    whereabouts,
)
from incidents.queries.counters import Gap
from tests import cast, history_cast, visitors
from tests.cast import Department, done, request
from tests.visitors import visitor, words_of


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Department:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    return visitors.department_with_doors(monkeypatch)


def some_loads(spd: Department, count: int) -> list[UUID]:
    """Reviewed loads and held ones, each with a tray of its own set and another counter."""
    made = []
    for n in range(count):
        first = len(PassageRow.objects.values_list("owner").distinct())
        trays = cast.register_set(spd, f"Set {first}", 1)
        made.append(cast.given_finished_load(spd, trays=trays, cycle=5000 + first))
        if n % 2:
            done(cast.hold(spd, made[-1]))
    return made


# --- as many statements for ten times the rows ---------------------------------------------------------


ROUTES = ("now", "wall", "last-known", "loads", "release-round", "evidence", "machine", "racks", "sets", "assemble")
ROUTES += ("downtime", "catalogue", "policy", "set-up")


def statements(spd: Department, url: str) -> int:
    someone = visitor(spd, "Ada")
    someone.get(url)
    with CaptureQueriesContext(connection) as sent:
        assert someone.get(url).status_code == 200
    return len(sent)


def test_no_page_asks_more_often_of_more_rows(spd: Department) -> None:
    urls = {route: visitors.address(spd, route) for route in ROUTES if route != "machine"}
    urls["machine"] = visitors.address(spd, "machine", machine=spd.machine)
    urls["search"] = urls["loads"] + "?search=Alder"

    def grow(count: int) -> None:
        some_loads(spd, count)
        for n in range(count):
            rack = cast.register_rack(spd, f"Rack {RackNames.next()}")
            if n % 2:
                done(machines.block_rack(request(spd, "Ines"), rack=rack, words="A nozzle is bent."))
            done(
                machines.record_exposure(request(spd, "Ines"), machine=spd.machine, kind="near-miss", words="Wet.")
            )

    grow(2)
    few = {route: statements(spd, url) for route, url in urls.items()}
    grow(18)
    many = {route: statements(spd, url) for route, url in urls.items()}
    assert many == few


class RackNames:
    used = 0

    @classmethod
    def next(cls) -> int:
        cls.used += 1
        return cls.used


# --- loads, a page at a time -----------------------------------------------------------------------------


def test_loads_are_listed_a_page_at_a_time(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loads, "PAGE", 2)
    made = some_loads(spd, 5)
    seen, before = [], None
    for _ in range(3):
        page = loads.page(spd.id, before=before)
        seen += [row.owner for row in page.rows]
        before = page.older
    assert seen == made[::-1]
    assert before is None
    first = visitor(spd, "Ines").get(visitors.address(spd, "loads"))
    assert "Older" in words_of(first)
    last = visitor(spd, "Ines").get(visitors.address(spd, "loads") + "?before=2026-2")
    assert "Alder 5000" in words_of(last) and "Older" not in words_of(last)


def test_a_search_that_ends_early_says_so_and_goes_on(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(loads, "LOOKED_AT", 2)
    made = some_loads(spd, 3)
    page = loads.page(spd.id, search="5000")
    assert (page.rows, page.unread) == ([], True)
    assert [row.owner for row in loads.page(spd.id, search="5000", before=page.older).rows] == made[:1]
    answer = visitor(spd, "Ines").get(visitors.address(spd, "loads") + "?search=5000")
    assert "Not every load was looked at." in words_of(answer)
    assert "Look further back" in words_of(answer)


@pytest.mark.parametrize("before", ["", "x", "2026", "2026-", "-1", "2026-1-1", "٣-١", "9" * 40 + "-1"])
def test_a_place_that_is_none_is_the_lists_beginning(spd: Department, before: str) -> None:
    some_loads(spd, 1)
    answer = visitor(spd, "Ines").get(visitors.address(spd, "loads"), {"before": before})
    assert answer.status_code == 200
    assert "Alder 5000" in words_of(answer)


@pytest.mark.parametrize("code", ["Alder 5000", "alder 5000", "2026-00001"])
def test_a_load_is_found_by_its_code(spd: Department, code: str) -> None:
    (made,) = some_loads(spd, 1)
    assert search.load_by_code(spd.id, code) == made
    assert search.load_by_code(spd.id, "Alder 5001") is None
    assert search.load_by_code(spd.id, "Alder ٥") is None


# --- sets, what a department is made of, imported history -------------------------------------------------


def test_sets_are_listed_a_page_at_a_time_in_their_order(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sets, "PAGE", 2)
    for n in range(3):
        cast.register_set(spd, f"Hip {n}", 1, loaner=True, owner="Maker A", needed_by=f"2026-03-0{9 - n}")
    every = [one.name for one in sets.sets(spd.id)]
    assert every == ["Hip 2", "Hip 1", "Hip 0", "Basic set"]
    seen: list[str] = []
    first: int | None = 0
    while first is not None:
        page = sets.page(spd.id, first=first)
        seen += [one.name for one in page.sets]
        first = page.more
    assert seen == every
    told = words_of(visitor(spd, "Ines").get(visitors.address(spd, "sets")))
    assert "2 of 4 sets are listed." in told and "Further sets" in told
    rest = visitor(spd, "Ines").get(visitors.address(spd, "sets") + "?from=2")
    assert "Basic set" in words_of(rest) and "Further sets" not in words_of(rest)


def test_a_set_is_found_by_a_part_of_its_name(spd: Department) -> None:
    cast.register_set(spd, "Zygoma", 1)
    assert [one.name for one in sets.page(spd.id, "zygo").sets] == ["Zygoma"]
    none = visitor(spd, "Ines").get(visitors.address(spd, "sets") + "?find=nowhere")
    assert "No set is like that" in words_of(none)


@pytest.mark.parametrize("first", ["x", "-1", "9" * 15, "9" * 40, "٣"])
def test_a_place_among_sets_that_is_none_is_an_empty_page_or_the_beginning(spd: Department, first: str) -> None:
    assert visitor(spd, "Ines").get(visitors.address(spd, "sets"), {"from": first}).status_code == 200


def test_set_up_lists_some_of_many_and_finds_the_others(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(department, "LISTED", 1)
    cast.register_machine(spd, "Zelkova")
    told = words_of(visitor(spd, "Ada").get(visitors.address(spd, "set-up")))
    assert "Zelkova" not in told and "1 of 2 machines are listed." in told
    people = len(spd.people)
    assert f"1 of {people} people are listed." in told
    for find in ("zelk", "M-Zelkova"):
        found = words_of(visitor(spd, "Ada").get(visitors.address(spd, "set-up"), {"find": find}))
        assert "Zelkova" in found and "Alder" not in found and "are listed." not in found
    for name in spd.people:
        (line, *_) = department.overview(spd.id, find=spd.people[name].name).people
        assert line.name == spd.people[name].name and line.roles


def test_a_search_of_imported_history_that_ends_early_says_so_and_goes_on(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "LOOKED_AT", 2)
    made = [history_cast.given_past_load(spd, cycle=4470 + n) for n in range(5)]
    page = history.loads(spd.id, "Alder")
    seen = [row.owner for row in page.rows]
    while page.older:
        assert page.unread
        page = history.loads(spd.id, "Alder", page.older)
        seen += [row.owner for row in page.rows]
    assert len(seen) == 5 and set(seen) == set(made)
    url = visitors.address(spd, "loads") + "?search=Alder"
    first = visitor(spd, "Ines").get(url)
    assert "Not every past load was looked at." in words_of(first)
    further = re.search(r'href="\?([^"]*past=[^"]*)#past"', first.content.decode())
    assert further is not None
    second = visitor(spd, "Ines").get(visitors.address(spd, "loads") + "?" + html.unescape(further[1]))
    assert words_of(second) != words_of(first) and "Imported history" in words_of(second)


@pytest.mark.parametrize(
    "past", ["x", "2026-01-01_1", "2026-01-01T00:00:00_" + "0" * 32, "0001-01-01T00:00+23:59_x"]
)
def test_a_place_in_history_that_is_none_is_its_beginning(spd: Department, past: str) -> None:
    history_cast.given_past_load(spd)
    answer = visitor(spd, "Ines").get(visitors.address(spd, "loads"), {"search": "Alder", "past": past})
    assert answer.status_code == 200
    assert "Alder 4470" in words_of(answer)


@pytest.mark.parametrize("code", ["Alder 4470", "ALDER 4470", "alder 4470"])
def test_a_past_load_is_found_by_its_code(spd: Department, code: str) -> None:
    made = history_cast.given_past_load(spd)
    assert history.load_by_code(spd.id, code) == made
    assert history.load_by_code(spd.id, "Alder 447") is None


# --- stories, forms, trays -------------------------------------------------------------------------------


def test_a_loads_story_is_shown_newest_part_first(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(story, "PAGE", 2)
    (load,) = some_loads(spd, 1)
    told = story.story(spd.id, load)
    assert told is not None
    newest, below = story.shown(spd.id, told)
    earlier, _ = story.shown(spd.id, told, below)
    assert (*earlier, *newest) == story.entries_of(spd.id, told, told.events)[-4:]
    page = visitors.page_of(spd, load)
    assert f"?below={below}#happened" in page.content.decode()


def test_a_machines_story_is_shown_newest_part_first(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(machine_story, "PAGE", 2)
    for n in range(3):
        done(
            machines.change_supply(
                request(spd, "Ines"), machine=spd.machine, line=f"Line {n}", product="A", lot="1"
            )
        )
    first = machine_story.story(spd.id, spd.machine)
    assert first is not None and first.older is not None
    second = machine_story.story(spd.id, spd.machine, first.older)
    assert second is not None and second.older is None
    positions = [entry.position for entry in (*first.entries, *second.entries)]
    assert len(positions) == 4 and positions == sorted(positions, reverse=True)
    assert second.machine == first.machine  # whatever is shown, the machine is what all of it makes


def test_forms_are_listed_a_page_at_a_time_and_the_missing_always(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(downtime, "PAGE", 2)
    done(cast_issue(spd, 5))
    assert [line.number for line in downtime.page(spd.id).lines] == [5, 4]
    assert [line.number for line in downtime.page(spd.id, below=4).lines] == [3, 2]
    assert downtime.page(spd.id, below=2).older is None
    assert downtime.out(spd.id) == (1, 5)
    assert downtime.missing(spd.id) == []


def cast_issue(spd: Department, count: int) -> Any:
    from incidents.operations.downtime import issue_forms

    return issue_forms(request(spd, "Sanne"), count=count)


def test_of_many_trays_some_are_listed_and_the_others_found(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(search, "CHOICES", 3)
    late = cast.register_set(spd, "Zygoma", 2)
    page = visitor(spd, "Ines").get(visitors.address(spd, "assemble"), {"tray": [str(late[1])]})
    assert "3 of 4 trays are listed." in words_of(page)
    assert search.trays_to_choose(spd.id, chosen=[late[1]]).trays[0].id == late[1]
    assert {tray.id for tray in search.trays_to_choose(spd.id, find="zygo").trays} == set(late)
    none = visitor(spd, "Ines").get(visitors.address(spd, "assemble"), {"find": "nowhere", "tray": "no id"})
    assert "No tray is like that" in words_of(none)


def test_where_trays_are_many_a_form_takes_their_labels(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(search, "CHOICES", 1)
    done(cast_issue(spd, 1))
    url = reverse("enter-form", kwargs={"slug": spd.facility.slug, "number": 1})
    typed = {"deed": str(spd.new_deed()), "chamber": f"{spd.machine}/1", "trays": "no such label"}
    answer = visitor(spd, "Ines").post(url, typed)
    assert answer.status_code == 422
    assert "No tray here has the label “no such label”. Read it again." in words_of(answer)
    labels = [tray.label for tray in search.trays(spd.id)]
    assert visitor(spd, "Ines").post(url, typed | {"trays": "\r\n".join(labels)}).status_code == 302
    line = downtime.form(spd.id, 1)
    assert line is not None and line.load is not None
    assert set(cast.load_now(spd, line.load).trays) == {tray.tray for tray in search.trays(spd.id)}


# --- the counter, the past, the evidence ---------------------------------------------------------------


def test_gaps_come_from_the_counter_without_its_whole_story(spd: Department) -> None:
    for cycle in (10, 11, 14):
        cast.given_finished_load(spd, trays=cast.register_set(spd, f"Set {cycle}", 1), cycle=cycle)
    assert counters.gaps(spd.id, spd.machine) == [Gap(12, False), Gap(13, False)]
    owed = [n for n in range(8, 17) if counters.not_owed(spd.id, spd.machine, n, n) is None]
    assert owed == [12, 13]
    assert [counters.not_owed(spd.id, spd.machine, 12, last) for last in (13, 14, 99)] == [None, 14, 14]


def test_what_stood_at_every_size_is_what_the_ends_of_each_row_say(
    spd: Department, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beside a plain comparison of both ends, row by row."""
    some_loads(spd, 6)
    for kind in (OpenItemRow, PassageRow):
        every = list(kind.objects.all())
        assert every
        for size in range(visitors.written(spd) + 2):
            expected = {
                row.pk for row in every if row.known_from < size and (row.known_to is None or row.known_to >= size)
            }
            assert {row.pk for row in past.standing_at(kind.objects.all(), size)} == expected
    assert floor.open_items(spd.id, before=0) == []


def test_the_past_is_found_by_its_index(spd: Department) -> None:
    some_loads(spd, 6)
    learn_lengths()
    rows = OpenItemRow.objects.filter(facility_id=spd.id, known_from__lt=20, known_from__gte=4, known_to__gte=20)
    plan = rows.filter(known_to__isnull=False).extra(where=[f"{past.SPAN} = 16"])
    with connection.cursor() as cursor:
        if on_postgresql():
            cursor.execute("SET LOCAL enable_seqscan = off")
    told = plan.explain()
    assert "read_open_item_past" in told, told


FILTERS: tuple[Callable[[Department], Filter], ...] = (
    lambda spd: Filter(),
    lambda spd: Filter(stream_kind="machine"),
    lambda spd: Filter(stream_kind="load"),
    lambda spd: Filter(types=("load-placed",)),
    lambda spd: Filter(types=("hold-placed", "machine-registered")),
    lambda spd: Filter(types=()),
    lambda spd: Filter(person=spd.people["Ines"].id),
    lambda spd: Filter(person=spd.people["Ines"].id, types=("hold-placed",)),
    lambda spd: Filter(late_only=True),
    lambda spd: Filter(since=spd.now, stream_kind="load"),
    lambda spd: Filter(until=spd.now),
    lambda spd: Filter(stream_id=spd.machine),
    lambda spd: Filter(stream_id=spd.machine, stream_kind="machine", types=("machine-registered",)),
)


@pytest.mark.parametrize("narrow", FILTERS)
def test_looking_in_short_looks_finds_what_one_long_look_finds(
    spd: Department, monkeypatch: pytest.MonkeyPatch, narrow: Callable[[Department], Filter]
) -> None:
    some_loads(spd, 4)
    wanted = narrow(spd)
    whole = read_matching(spd.id, wanted, None, 10_000)
    assert whole.unread is None
    monkeypatch.setattr(browsing, "LOOKED_AT", 5)
    found, before = [], None
    while True:
        look = read_matching(spd.id, wanted, before, 3)
        found += look.events
        if len(look.events) == 3:
            before = look.events[-1].position
        elif look.unread is None:
            break
        else:
            before = look.unread
    assert found == whole.events


def test_a_look_that_ended_early_says_so(spd: Department, monkeypatch: pytest.MonkeyPatch) -> None:
    some_loads(spd, 4)
    monkeypatch.setattr(browsing, "LOOKED_AT", 5)
    quinn = spd.people["Quinn"].id
    answer = visitor(spd, "Ines").get(visitors.address(spd, "evidence"), {"person": str(quinn)})
    assert "Not all of it was looked at." in words_of(answer)
    assert "Look further back" in words_of(answer)


def test_what_the_planner_knows_is_brought_up_to_date(spd: Department) -> None:
    some_loads(spd, 2)
    learn_lengths()
    if not on_postgresql():
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM sqlite_stat1 WHERE idx = 'read_load_by_disposition'")
            assert cursor.fetchone() == (1,)


# What ANALYZE says of the loads of a department with 500 000 events behind it (`bench pages`).
OF_A_LONG_LOG = {
    "read_load_stage": "71136 1001 1001",
    "read_load_machine": "68544 1001 1001 1001 1",
    "read_load_by_disposition": "63784 1001 251 251 1",
    "read_load_number": "57510 1001 1001 1",
}


@pytest.mark.parametrize("look", [racks.choices, whereabouts.left_inside, floor.chambers, floor.ready_for_release])
def test_what_is_under_way_is_found_without_a_walk_through_all_loads(
    spd: Department, look: Callable[[UUID], object]
) -> None:
    """SQLite takes the index that has the asked order over the one that finds few rows; PostgreSQL weighs both."""
    given = cast.given_load_with_alarm(spd)
    learn_lengths()
    if not on_postgresql():
        with connection.cursor() as cursor:
            cursor.executemany(
                "UPDATE sqlite_stat1 SET stat = %s WHERE idx = %s",
                [(said, index) for index, said in OF_A_LONG_LOG.items()],
            )
            cursor.execute("ANALYZE sqlite_schema")
    with CaptureQueriesContext(connection) as sent:
        look(spd.id)
    assert given
    asked = [each["sql"] for each in sent if 'FROM "read_load"' in each["sql"]]
    assert asked
    for statement in asked:
        assert "read_load_number (facility_id=?)" not in plan_of(statement), statement


def plan_of(statement: str) -> str:
    with connection.cursor() as cursor:
        cursor.execute(("EXPLAIN " if on_postgresql() else "EXPLAIN QUERY PLAN ") + statement)
        return "\n".join(str(row[-1]) for row in cursor.fetchall())
