"""Tokens that people make for their programs: with badge and PIN, for one role of theirs, seen by administrators.

Source: design, section 7 (tokens are bound to one facility, role and person), and the brief of the API: expiring,
revocable, last use shown.
"""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone

from incidents.identity.models import AccessToken
from tests import cast, visitors
from tests.api_callers import Program, problem_of, told
from tests.cast import Department
from tests.visitors import address, alert_of, factors, unsound, visitor, words_of


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


def made(department: Department, who: str = "Ines", **typed: Any) -> Any:
    errand = visitors.make_own_token(department, who)
    return visitor(department, who).post(errand.url, errand.fields | typed)


def test_a_token_made_with_badge_and_pin_acts_for_its_maker(eastmere: Department) -> None:
    page = made(eastmere)
    secret = page.context["secret"]
    assert (page.status_code, unsound(page), page.headers["Cache-Control"]) == (200, [], "no-store")
    assert secret in words_of(page)
    token = AccessToken.objects.get()
    assert (token.user, token.role, token.machine) == (eastmere.people["Ines"], "technician", None)
    assert abs(token.expiry - timezone.now() - timedelta(days=30)) < timedelta(minutes=5)
    load = cast.given_running_load(eastmere)
    told(Program(eastmere, secret).deed("add_note", load=load, words="From a script."), 201)
    assert cast.events_of(eastmere, load)[-1].actor.id == eastmere.people["Ines"].id


def test_its_last_use_is_shown_to_its_maker_and_to_administrators(eastmere: Department) -> None:
    secret = made(eastmere).context["secret"]
    ines, ada = visitor(eastmere, "Ines"), visitor(eastmere, "Ada")
    mine, all_of_them = address(eastmere, "tokens"), address(eastmere, "set-up")
    assert "Never used" in words_of(ines.get(mine))
    assert "Never used" in words_of(ada.get(all_of_them))
    told(Program(eastmere, secret).get("log/"))
    for page in (ines.get(mine), ada.get(all_of_them)):
        assert "Last used" in words_of(page)
        assert "A script" in words_of(page)
        assert secret[:16] not in page.content.decode()
        assert unsound(page) == []
    assert "A script" not in words_of(visitor(eastmere, "Sanne").get(mine))


@pytest.mark.parametrize("who", ["Ines", "Ada"])
def test_it_is_revoked_at_once_by_its_maker_or_an_administrator(eastmere: Department, who: str) -> None:
    program = Program(eastmere, made(eastmere).context["secret"])
    told(program.get("log/"))
    key = AccessToken.objects.get().token_key
    route = "revoke-own-token" if who == "Ines" else "revoke-token"
    assert visitor(eastmere, "Sanne").post(address(eastmere, "revoke-own-token", token=key)).status_code == 404
    assert visitor(eastmere, who).post(address(eastmere, route, token=key)).status_code == 302
    problem_of(program.get("log/"), 401)


def test_the_same_form_sent_again_makes_no_second_token(eastmere: Department) -> None:
    errand = visitors.make_own_token(eastmere, "Ines")
    ines = visitor(eastmere, "Ines")
    assert ines.post(errand.url, errand.fields).status_code == 200
    again = ines.post(errand.url, errand.fields)
    assert (again.status_code, "made a token already" in alert_of(again)) == (409, True)
    assert AccessToken.objects.count() == 1


SPOILT: dict[str, dict[str, Any]] = {
    "no label": {"label": " "},
    "a long label": {"label": "l" * 81},
    "a bell": {"label": "a\x07b"},
    "a role of somebody else": {"role": "administrator"},
    "no role": {"role": ""},
    "a device's role": {"role": "device"},
    "days of one's own choice": {"days": "3650"},
    "no days": {"days": ""},
    "a wrong PIN": {"pin": "0000"},
    "no badge": {"badge": ""},
}


@pytest.mark.parametrize("spoilt", SPOILT)
def test_what_can_not_be_right_makes_no_token(eastmere: Department, spoilt: str) -> None:
    page = made(eastmere, **SPOILT[spoilt])
    assert page.status_code == 422
    assert len(alert_of(page).split()) > 3
    assert unsound(page) == []
    assert not AccessToken.objects.exists()


def test_nobody_makes_one_in_anothers_session(eastmere: Department) -> None:
    """A workstation left open is no way to a token."""
    page = made(eastmere, **factors(eastmere, "Sanne"))
    assert (page.status_code, "did not match" in alert_of(page)) == (422, True)
    assert not AccessToken.objects.exists()
