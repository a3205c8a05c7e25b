"""What was typed and not sent: its author finds it again, nobody else ever does, and the ledger never knows."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.test import Client

from incidents.identity import drafts
from incidents.models import Draft
from tests import cast, visitors
from tests.cast import Department
from tests.visitors import address, carried, unsound, visitor, words_of, written

TYPED = {"words": ["A tray is wet."]}


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch, settings: Any) -> Iterator[Department]:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


@pytest.fixture
def load(eastmere: Department) -> UUID:
    return cast.given_running_load(eastmere)


def keep(department: Department, client: Client, load: UUID, who: str = "Ines", **more: Any) -> HttpResponse:
    form = address(department, "hold", load=load)
    sent = {"author": str(department.people[who].id), "form": form, "page": address(department, "load", load=load)}
    return client.post(address(department, "drafts"), sent | {"title": "Hold", "fields": json.dumps(TYPED)} | more)


def offered(department: Department, client: Client, load: UUID) -> list[dict[str, Any]]:
    answer = client.get(address(department, "drafts"), {"page": address(department, "load", load=load)})
    assert answer.status_code == 200
    assert answer["Cache-Control"] == "no-store"
    found: list[dict[str, Any]] = answer.json()["drafts"]
    return found


def test_its_author_finds_it_again_after_a_change_of_person(eastmere: Department, load: UUID) -> None:
    tablet = visitor(eastmere, "Ines")
    before = written(eastmere)
    assert keep(eastmere, tablet, load).status_code == 204
    tablet.post("/sign-out/")
    tablet.force_login(eastmere.people["Sanne"], backend=visitors.BY_BADGE)
    assert offered(eastmere, tablet, load) == []
    assert "Only you see this" not in words_of(tablet.get(address(eastmere, "now")))
    tablet.post("/sign-out/")
    again = tablet.post("/sign-in/", visitors.factors(eastmere, "Ines"))
    assert again.status_code == 302
    now = tablet.get(address(eastmere, "now"))
    assert unsound(now) == []
    assert "and not recorded: Hold . Only you see this." in words_of(now)
    (mine,) = offered(eastmere, tablet, load)
    assert (mine["form"], mine["fields"]) == (address(eastmere, "hold", load=load), TYPED)
    assert written(eastmere) == before


@pytest.mark.parametrize("who", [name for name in visitors.PEOPLE if name != "Ines"])
def test_nobody_else_is_ever_shown_it(eastmere: Department, load: UUID, who: str) -> None:
    keep(eastmere, visitor(eastmere, "Ines"), load)
    other = visitor(eastmere, who)
    assert offered(eastmere, other, load) == []
    for route in ("now", "loads", "evidence", "wall", "last-known"):
        assert "A tray is wet." not in other.get(address(eastmere, route)).content.decode()
    assert keep(eastmere, other, load, who, fields="{}").status_code == 204
    assert len(offered(eastmere, visitor(eastmere, "Ines"), load)) == 1


def test_a_page_that_another_left_open_keeps_nothing_in_this_ones_name(eastmere: Department, load: UUID) -> None:
    assert keep(eastmere, visitor(eastmere, "Sanne"), load, who="Ines").status_code == 409
    assert not Draft.objects.exists()


def test_what_is_kept_takes_the_place_of_what_was(eastmere: Department, load: UUID) -> None:
    ines = visitor(eastmere, "Ines")
    keep(eastmere, ines, load)
    keep(eastmere, ines, load, fields='{"words":["Two trays are wet."]}')
    assert [draft["fields"] for draft in offered(eastmere, ines, load)] == [{"words": ["Two trays are wet."]}]
    keep(eastmere, ines, load, fields="{}")
    assert offered(eastmere, ines, load) == []


def test_what_is_sent_is_forgotten_and_what_is_refused_is_not(eastmere: Department, load: UUID) -> None:
    ines, url = visitor(eastmere, "Ines"), address(eastmere, "hold", load=load)
    keep(eastmere, ines, load)
    assert ines.post(url, carried(eastmere, load) | {"words": "", "draft": url}).status_code == 409
    assert len(offered(eastmere, ines, load)) == 1
    assert ines.post(url, carried(eastmere, load) | {"words": "A tray is wet.", "draft": url}).status_code == 302
    assert offered(eastmere, ines, load) == []


def given_signed_for(department: Department, client: Client, route: str) -> tuple[UUID, str]:
    """A reviewed load with its form half filled in; (the load, the form's address)."""
    load = cast.given_reviewed_load(department)
    url = address(department, route, load=load)
    assert keep(department, client, load, form=url, page=url, fields='{"purpose":["packing"]}').status_code == 204
    return load, url


def test_what_the_load_takes_no_longer_is_forgotten_whether_sent_or_opened(eastmere: Department) -> None:
    ines = visitor(eastmere, "Ines")
    load, url = given_signed_for(eastmere, ines, "release")
    sent = carried(eastmere, load) | {"purpose": "packing", "draft": url}
    wrong = ines.post(url, sent | {"badge": "B-1", "pin": "0000"})
    assert (wrong.status_code, Draft.objects.count()) == (409, 1)  # that can be mended where she stands
    hold = address(eastmere, "hold", load=load)
    assert visitor(eastmere, "Joan").post(hold, carried(eastmere, load) | {"words": "A probe."}).status_code == 302
    refused = ines.post(url, sent | visitors.factors(eastmere, "Ines"))
    assert (refused.status_code, Draft.objects.count()) == (409, 0)
    keep(eastmere, ines, load, form=url, page=url)
    assert (ines.get(url).status_code, Draft.objects.count()) == (409, 0)


def test_the_form_of_one_hold_is_not_that_of_another(eastmere: Department, load: UUID) -> None:
    ines, lift = visitor(eastmere, "Ines"), address(eastmere, "lift", load=load)
    for hold in ("manual:1", "manual:2"):
        assert keep(eastmere, ines, load, form=f"{lift}?hold={hold}", page=f"{lift}?hold={hold}").status_code == 204
    assert {draft.page for draft in Draft.objects.all()} == {f"{lift}?hold=manual:1", f"{lift}?hold=manual:2"}


def test_its_author_throws_it_away_from_now(eastmere: Department, load: UUID) -> None:
    ines, sanne = visitor(eastmere, "Ines"), visitor(eastmere, "Sanne")
    keep(eastmere, ines, load)
    thrown = {"draft": address(eastmere, "hold", load=load)}
    sanne.post(address(eastmere, "drop-draft"), thrown)
    assert "Throw it away : Hold" in words_of(ines.get(address(eastmere, "now")))
    assert ines.post(address(eastmere, "drop-draft"), thrown).status_code == 302
    assert not Draft.objects.exists()
    assert "and not recorded" not in words_of(ines.get(address(eastmere, "now")))


def test_it_is_gone_after_a_day(eastmere: Department, load: UUID) -> None:
    ines = visitor(eastmere, "Ines")
    keep(eastmere, ines, load)
    eastmere.now += drafts.KEPT_FOR - timedelta(seconds=1)
    assert len(offered(eastmere, ines, load)) == 1
    eastmere.now += timedelta(seconds=1)
    assert offered(eastmere, ines, load) == []
    drafts.drop_expired(eastmere.now)
    assert not Draft.objects.exists()


def test_no_badge_pin_or_password_is_kept(eastmere: Department, load: UUID) -> None:
    secret = {"badge": ["B-1"], "pin": ["4711"], "pin-2": ["4712"], "password": ["x"]} | TYPED
    ines = visitor(eastmere, "Ines")
    keep(eastmere, ines, load, fields=json.dumps(secret))
    assert [draft["fields"] for draft in offered(eastmere, ines, load)] == [TYPED]


def test_only_so_many_are_kept(eastmere: Department, load: UUID) -> None:
    ines = visitor(eastmere, "Ines")
    for n in range(drafts.MOST + 3):
        eastmere.now += timedelta(seconds=1)
        keep(eastmere, ines, load, form=address(eastmere, "alarm", kind="load", owner=load, alarm=UUID(int=n)))
    kept = {draft.form for draft in Draft.objects.all()}
    assert len(kept) == drafts.MOST
    assert not any(form.endswith(f"{UUID(int=n)}/") for form in kept for n in range(3))


@pytest.mark.parametrize(
    "spoilt",
    [
        {"fields": "no json"},
        {"fields": '{"words":"no list"}'},
        {"fields": json.dumps({"words": ["x" * 30_000]})},
        {"form": "/f/westmere/"},
        {"form": "https://elsewhere.example/"},
        {"form": "/nowhere/"},
        {"page": "/sign-in/"},
        {"page": ""},
    ],
    ids=str,
)
def test_what_cannot_be_kept_is_refused(eastmere: Department, load: UUID, spoilt: dict[str, str]) -> None:
    visitors.another_department()
    answer = keep(eastmere, visitor(eastmere, "Ines"), load, **spoilt)
    assert answer.status_code == 400
    assert "Nothing was written." in words_of(answer)
    assert not Draft.objects.exists()
