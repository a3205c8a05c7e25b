"""Panes that ask for themselves again: 304 while nothing has happened (RFC 9110 §15.4.5), else what stands now."""

import html
import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.test.utils import CaptureQueriesContext

from incidents.figures.models import Heartbeat
from incidents.pages import panes
from tests import cast, visitors
from tests.cast import Department, done
from tests.visitors import visitor, words_of

PANES = ("now", "wall")


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[Department]:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    panes._drawn.clear()
    yield visitors.department_with_doors(monkeypatch)
    panes._drawn.clear()


def ask(
    spd: Department, route: str, tag: str = "", who: str = "Ines", client: Client | None = None
) -> HttpResponse:
    headers = {"HX-Request": "true"} | ({"If-None-Match": tag} if tag else {})
    return (client or visitor(spd, who)).get(visitors.address(spd, route), headers=headers)


@pytest.mark.parametrize("route", PANES)
def test_whoever_shows_what_stands_gets_no_second_copy(spd: Department, route: str) -> None:
    first = ask(spd, route)
    assert first.status_code == 200
    again = ask(spd, route, first["ETag"])
    assert (again.status_code, again.content) == (304, b"")
    assert again["ETag"] == first["ETag"]
    assert again["X-Read-At"]
    assert "no-store" in first["Cache-Control"] and "no-store" in again["Cache-Control"]


@pytest.mark.parametrize("route", PANES)
def test_whatever_is_written_is_shown_to_everyone_who_asks_next(spd: Department, route: str) -> None:
    load = cast.given_running_load(spd)
    before = ask(spd, route)
    done(cast.hold(spd, load))
    after = ask(spd, route, before["ETag"], who="Sanne")
    assert after.status_code == 200
    assert after["ETag"] != before["ETag"]
    assert after.content == ask(spd, route).content
    assert after.content != before.content


@pytest.mark.parametrize("route", PANES)
def test_ages_and_times_left_go_on_though_nothing_happens(spd: Department, route: str) -> None:
    cast.given_load_with_alarm(spd)
    before = ask(spd, route)
    spd.now += timedelta(minutes=7)
    after = ask(spd, route, before["ETag"])
    assert after.status_code == 200
    assert "7 min" in words_of(after)


def test_a_watch_that_stops_is_told_though_nothing_happens(spd: Department) -> None:
    spd.now = spd.now.replace(second=0, microsecond=0)
    Heartbeat.objects.update_or_create(name="sweep", defaults={"at": spd.now - timedelta(seconds=50)})
    before = ask(spd, "now")
    spd.now += timedelta(seconds=20)  # within the same minute
    after = ask(spd, "now", before["ETag"])
    assert after.status_code == 200
    assert "Watch is late" in words_of(after)


def test_one_departments_panes_are_never_anothers(spd: Department) -> None:
    other = visitors.another_department()
    mine = ask(spd, "now")
    theirs = ask(other, "now", mine["ETag"])
    assert theirs.status_code == 200
    assert theirs.content != mine.content
    assert ask(other, "now", mine["ETag"], client=visitor(spd, "Ines")).status_code == 404


def test_no_tag_opens_a_door(spd: Department) -> None:
    tag = ask(spd, "now")["ETag"]
    assert ask(spd, "now", tag, client=visitors.nobody()).status_code in (200, 302)
    assert "HX-Redirect" in ask(spd, "now", tag, client=visitors.nobody()).headers
    assert ask(spd, "wall", tag, client=visitors.nobody()).status_code == 404


@pytest.mark.parametrize("route", PANES)
def test_an_answer_that_nothing_changed_asks_for_no_load_and_no_item(spd: Department, route: str) -> None:
    someone = visitor(spd, "Ines")
    tag = ask(spd, route, client=someone)["ETag"]
    for given in (tag, ""):  # not modified, and drawn for somebody else already
        with CaptureQueriesContext(connection) as sent:
            ask(spd, route, given, client=someone)
        asked = " ".join(query["sql"] for query in sent)
        assert "read_" not in asked, asked


@pytest.mark.parametrize("route", PANES)
def test_a_page_that_opens_shows_what_stands_and_swaps_nothing(spd: Department, route: str) -> None:
    """Else a list would be swapped under a finger that presses as soon as the page is there."""
    cast.given_load_with_alarm(spd)
    someone = visitor(spd, "Ines")
    page = someone.get(visitors.address(spd, route)).content.decode()
    (shown,) = re.findall(r'id="panes" data-tag="([^"]+)"', page)
    assert ask(spd, route, html.unescape(shown), client=someone).status_code == 304


def test_a_whole_page_is_always_drawn(spd: Department) -> None:
    tag = ask(spd, "now")["ETag"]
    whole = visitor(spd, "Ines").get(visitors.address(spd, "now"), headers={"If-None-Match": tag})
    assert whole.status_code == 200
    assert "ETag" not in whole.headers
