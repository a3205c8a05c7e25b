"""Who is at the workstation: coming in, being kept out, going; the first visit; and signing with all factors.

Source: the reliability page, "Signing and identity at a shared workstation"; design, section 4, "Signing".
"""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any
from urllib.parse import urlencode

import pytest
from axes.models import AccessAttempt
from django.contrib.auth.hashers import MD5PasswordHasher, make_password
from django.contrib.sessions.models import Session
from django.db import connection
from django.http import HttpResponse
from django.test import Client
from django.urls import reverse

from config import settings as configured
from incidents.identity.models import Competence, Facility, Membership, Person
from incidents.ledger.models import Event, Head
from tests import cast, visitors
from tests.cast import Department
from tests.visitors import PASSWORD, PINS, alert_of, badge_of, factors, form_of, nobody, visitor, words_of, written

ROOM_1, ROOM_2 = "10.0.0.1", "10.0.0.2"


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Department:
    return visitors.department_with_doors(monkeypatch, slug="eastmere")


def come_in(client: Client, badge: str, pin: str, where: str = ROOM_1, after: str = "") -> HttpResponse:
    address = reverse("sign-in") + (f"?{urlencode({'next': after})}" if after else "")
    return client.post(address, {"badge": badge, "pin": pin}, REMOTE_ADDR=where)


def come_in_by_password(client: Client, login: str, password: str, where: str = ROOM_1) -> HttpResponse:
    address = reverse("sign-in") + "?by=password"
    return client.post(address, {"login": login, "password": password}, REMOTE_ADDR=where)


def is_in(client: Client, department: Department) -> bool:
    return client.get(visitors.address(department, "now")).status_code == 200


# --- coming in ----------------------------------------------------------------------------------------


def test_a_badge_and_its_pin_open_the_department(eastmere: Department) -> None:
    client = nobody()
    answer = come_in(client, badge_of(eastmere, "Ines"), PINS["Ines"])
    assert (answer.status_code, answer.headers["Location"]) == (302, "/")
    assert client.get("/").headers["Location"] == visitors.address(eastmere, "now")
    assert "Ines , technician" in words_of(client.get(visitors.address(eastmere, "now")))


def test_a_name_and_its_password_open_it_too(eastmere: Department) -> None:
    client = nobody()
    assert come_in_by_password(client, "ines.eastmere", PASSWORD).status_code == 302
    assert is_in(client, eastmere)


def wrong_ways(department: Department) -> dict[str, tuple[str, str]]:
    ines = badge_of(department, "Ines")
    return {
        "a badge alone": (ines, ""),
        "a badge and blanks": (ines, "    "),
        "a PIN alone": ("", PINS["Ines"]),
        "nothing": ("", ""),
        "a wrong PIN": (ines, "9999"),
        "a PIN with more behind it": (ines, PINS["Ines"] + "0"),
        "the PIN of another person": (ines, PINS["Sanne"]),
        "a badge nobody has": ("B-0", PINS["Ines"]),
        "the stored PIN itself": (ines, department.people["Ines"].pin),
        "the password in place of the PIN": (ines, PASSWORD),
        "the sign-in name in place of the badge": ("ines.eastmere", PASSWORD),
        "U+0000 in the badge": (ines + "\0", PINS["Ines"]),
        "U+0000 in the PIN": (ines, PINS["Ines"] + "\0"),
        "a bell in the badge": (ines + "\x07", PINS["Ines"]),
        "100 kB of badge": ("b" * 100_000, PINS["Ines"]),
        "100 kB of PIN": (ines, "1" * 100_000),
        "the badge backwards": (f"\u202e{ines}", PINS["Ines"]),
        "the badge with nothing wide in it": (f"{ines}\u200b", PINS["Ines"]),
    }


WRONG_WAYS = (
    *("a badge alone", "a badge and blanks", "a PIN alone", "nothing", "a wrong PIN", "a PIN with more behind it"),
    *("the PIN of another person", "a badge nobody has", "the stored PIN itself"),
    *("the password in place of the PIN", "the sign-in name in place of the badge", "U+0000 in the badge"),
    *("U+0000 in the PIN", "a bell in the badge", "100 kB of badge", "100 kB of PIN", "the badge backwards"),
    "the badge with nothing wide in it",
)


@pytest.mark.parametrize("way", WRONG_WAYS)
def test_nothing_less_than_the_badge_and_its_own_pin_opens_anything(eastmere: Department, way: str) -> None:
    client = nobody()
    answer = come_in(client, *wrong_ways(eastmere)[way])
    assert answer.status_code == 422
    assert alert_of(answer)
    assert not is_in(client, eastmere)


@pytest.mark.parametrize("spoilt", ["", "  ", "\0", "\x07", "x" * 100_000])
@pytest.mark.parametrize("field", ["login", "password"])
def test_nothing_less_than_the_name_and_its_password(eastmere: Department, field: str, spoilt: str) -> None:
    client = nobody()
    answer = come_in_by_password(client, **({"login": "ines.eastmere", "password": PASSWORD} | {field: spoilt}))
    assert answer.status_code == 422
    assert alert_of(answer)
    assert not is_in(client, eastmere)


@pytest.mark.parametrize("way", ["", "?by=password", "?by=magic"])
def test_an_empty_form_opens_nothing_and_says_so(eastmere: Department, way: str) -> None:
    answer = nobody().post(reverse("sign-in") + way, {})
    assert answer.status_code == 422
    assert alert_of(answer)


def test_a_badge_and_pin_are_no_password(eastmere: Department) -> None:
    client = nobody()
    assert come_in_by_password(client, badge_of(eastmere, "Ines"), PINS["Ines"]).status_code == 422
    assert come_in_by_password(client, "ines.eastmere", PINS["Ines"]).status_code == 422
    assert not is_in(client, eastmere)


def test_a_badge_without_a_pin_only_names(eastmere: Department) -> None:
    Person.objects.filter(id=eastmere.people["Ines"].id).update(pin="")
    for pin in (PINS["Ines"], "x"):
        assert come_in(nobody(), badge_of(eastmere, "Ines"), pin).status_code == 422


def test_who_left_does_not_come_in(eastmere: Department) -> None:
    Person.objects.filter(id=eastmere.people["Ines"].id).update(is_active=False)
    assert come_in(nobody(), badge_of(eastmere, "Ines"), PINS["Ines"]).status_code == 422
    assert come_in_by_password(nobody(), "ines.eastmere", PASSWORD).status_code == 422


def test_an_unknown_badge_is_answered_like_a_wrong_pin(eastmere: Department) -> None:
    """Word for word: the answer does not tell who works here."""
    unknown = come_in(nobody(), "B-0", "9999")
    wrong = come_in(nobody(), badge_of(eastmere, "Ines"), "9999")
    assert (unknown.status_code, words_of(unknown)) == (wrong.status_code, words_of(wrong))


@pytest.mark.parametrize("who", ["a badge nobody has", "someone who left", "someone without a PIN"])
def test_a_hash_is_computed_whoever_it_is(eastmere: Department, who: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """So that the clock does not tell who works here either."""
    ines = Person.objects.filter(id=eastmere.people["Ines"].id)
    if who == "someone who left":
        ines.update(is_active=False)
    if who == "someone without a PIN":
        ines.update(pin="")
    computed: list[str] = []
    encode = MD5PasswordHasher.encode

    def counted(self: MD5PasswordHasher, *given: Any, **more: Any) -> str:
        computed.append("a hash")
        return encode(self, *given, **more)

    monkeypatch.setattr(MD5PasswordHasher, "encode", counted)
    come_in(nobody(), "B-0" if who == "a badge nobody has" else badge_of(eastmere, "Ines"), "9999")
    assert computed == ["a hash"]


def test_a_mistyped_pin_is_kept_nowhere(eastmere: Department, caplog: pytest.LogCaptureFixture) -> None:
    """A wrong PIN is most often the right one with a slip, or another person's."""
    come_in(nobody(), badge_of(eastmere, "Ines"), "86420")
    come_in(nobody(), "B-0", "86420")
    come_in_by_password(nobody(), "ines.eastmere", "ninety swans 86420")
    errand = visitors.release(eastmere, "Ines")
    visitor(eastmere, "Ines").post(errand.url, errand.fields | {"pin": "86420"})
    load = cast.given_reviewed_load(eastmere, trays=cast.register_set(eastmere, "Eye", 1))
    cast.done(cast.hold(eastmere, load))
    lift = visitors.lift_of(eastmere, load, "Sanne")
    visitor(eastmere, "Sanne").post(lift.url, lift.fields | {"pin-2": "86420", "pin": "86420", "badge-2": "B-0"})
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names():
            cursor.execute(f"SELECT * FROM {table}")
            assert not any("86420" in str(row) for row in cursor.fetchall()), table
    assert "86420" not in caplog.text


def test_the_real_hashes_are_argon2id(settings: Any) -> None:
    settings.PASSWORD_HASHERS = configured.PASSWORD_HASHERS
    assert make_password("1001").startswith("argon2$argon2id$")


# --- being kept out -----------------------------------------------------------------------------------


def slip(department: Department, who: str, times: int, where: str = ROOM_1) -> HttpResponse:
    for _ in range(times):
        answer = come_in(nobody(), badge_of(department, who), "9999", where)
    return answer


def gets_in(department: Department, who: str, where: str = ROOM_1) -> bool:
    client = nobody()
    come_in(client, badge_of(department, who), PINS[who], where)
    return is_in(client, department)


def test_five_failures_lock_a_person_out_at_that_workstation(eastmere: Department) -> None:
    assert slip(eastmere, "Ines", 4).status_code == 422
    assert slip(eastmere, "Ines", 1).status_code == 429
    assert not gets_in(eastmere, "Ines")


def test_four_failures_do_not(eastmere: Department) -> None:
    slip(eastmere, "Ines", 4)
    assert gets_in(eastmere, "Ines")


def test_five_failures_of_one_do_not_lock_out_another(eastmere: Department) -> None:
    """The room goes on working."""
    slip(eastmere, "Ines", 6)
    assert gets_in(eastmere, "Sanne")
    client = nobody()
    come_in_by_password(client, "joan.eastmere", PASSWORD)
    assert is_in(client, eastmere)


def test_five_failures_here_do_not_lock_out_the_same_person_elsewhere(eastmere: Department) -> None:
    slip(eastmere, "Ines", 6)
    assert gets_in(eastmere, "Ines", ROOM_2)


def test_slips_with_badge_and_with_password_count_together(eastmere: Department) -> None:
    """It is a person who is locked out, not a way in."""
    slip(eastmere, "Ines", 3)
    for _ in range(2):
        come_in_by_password(nobody(), "ines.eastmere", "seven geese a-laying")
    assert not gets_in(eastmere, "Ines")


def test_the_right_pin_clears_the_count(eastmere: Department) -> None:
    for _ in range(3):
        slip(eastmere, "Ines", 4)
        assert gets_in(eastmere, "Ines")


def test_the_lock_opens_after_a_quarter_of_an_hour(eastmere: Department) -> None:
    slip(eastmere, "Ines", 5)
    for attempt in AccessAttempt.objects.all():
        attempt.attempt_time -= timedelta(minutes=14)
        attempt.save()
    assert not gets_in(eastmere, "Ines")
    for attempt in AccessAttempt.objects.all():
        attempt.attempt_time -= timedelta(minutes=16)
        attempt.save()
    assert gets_in(eastmere, "Ines")


def test_a_locked_door_says_what_to_do(eastmere: Department) -> None:
    answer = slip(eastmere, "Ines", 5)
    assert "Sluicegate" in words_of(answer)
    assert "minutes" in words_of(answer)
    assert visitors.unsound(answer) == []


def test_guessing_at_a_signature_locks_out_as_well(eastmere: Department) -> None:
    errand = visitors.release(eastmere, "Ines")
    client = visitor(eastmere, "Ines")
    for _ in range(5):
        client.post(errand.url, errand.fields | {"pin": "9999"}, REMOTE_ADDR=ROOM_1)
    before = written(eastmere)
    assert client.post(errand.url, errand.fields, REMOTE_ADDR=ROOM_1).status_code in (409, 429)
    assert written(eastmere) == before
    assert not gets_in(eastmere, "Ines")


# --- going, and whoever comes next --------------------------------------------------------------------


def test_signing_out_ends_the_session_on_the_server(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    stolen = nobody()
    stolen.cookies["sessionid"] = client.cookies["sessionid"].value
    assert is_in(stolen, eastmere)
    assert client.post(reverse("sign-out")).headers["Location"] == reverse("sign-in")
    assert not is_in(stolen, eastmere)
    assert not Session.objects.exists()


def test_the_next_person_ends_the_session_before(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    stolen = nobody()
    stolen.cookies["sessionid"] = client.cookies["sessionid"].value
    come_in(client, badge_of(eastmere, "Sanne"), PINS["Sanne"])
    assert not is_in(stolen, eastmere)
    assert "Sanne" in words_of(client.get(visitors.address(eastmere, "now")))
    assert Session.objects.count() == 1


def test_coming_in_changes_the_sessions_name(eastmere: Department) -> None:
    """A session id planted before sign-in is worth nothing after it."""
    client = nobody()
    come_in(client, badge_of(eastmere, "Ines"), PINS["Ines"])
    first = client.cookies["sessionid"].value
    come_in(client, badge_of(eastmere, "Ines"), PINS["Ines"])
    assert client.cookies["sessionid"].value != first
    assert not Session.objects.filter(session_key=first).exists()


def test_the_session_cookie_is_for_the_server_alone(eastmere: Department) -> None:
    client = nobody()
    come_in(client, badge_of(eastmere, "Ines"), PINS["Ines"])
    cookie = client.cookies["sessionid"]
    assert cookie["httponly"] and cookie["samesite"] == "Lax"


def test_who_leaves_the_department_is_out_at_the_next_request(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    Membership.objects.filter(person=eastmere.people["Ines"]).delete()
    answer = client.get(visitors.address(eastmere, "now"))
    assert answer.status_code == 404
    assert answer.content == client.get("/f/nowhere/").content


def test_who_leaves_for_good_is_asked_to_sign_in(eastmere: Department) -> None:
    client = visitor(eastmere, "Ines")
    Person.objects.filter(id=eastmere.people["Ines"].id).update(is_active=False)
    assert client.get(visitors.address(eastmere, "now")).status_code == 302


def test_a_role_taken_away_counts_at_once(eastmere: Department) -> None:
    errand = visitors.assemble(eastmere, "Ines")
    client = visitor(eastmere, "Ines")
    Membership.objects.filter(person=eastmere.people["Ines"]).update(role="quality")
    answer = client.post(errand.url, errand.fields)
    assert answer.status_code == 409
    assert "supervisor or technician" in alert_of(answer)


@pytest.mark.parametrize(
    "after", ["/f/eastmere/", "/f/eastmere/loads/?search=Alder", "http://testserver/f/eastmere/loads/"]
)
def test_after_signing_in_one_is_where_one_wanted_to_be(eastmere: Department, after: str) -> None:
    answer = come_in(nobody(), badge_of(eastmere, "Ines"), PINS["Ines"], after=after)
    assert answer.headers["Location"] == after


ELSEWHERE = (
    *("https://evil.example/", "//evil.example/", "///evil.example", "/\\evil.example", "\\\\evil.example"),
    *("javascript:alert(1)", "data:text/html,x", "http:evil.example", "https:///evil.example", "\t//evil.example"),
    *("http://testserver@evil.example/", "http://testserver.evil.example/", "ftp://testserver/", "\x07//evil"),
)


@pytest.mark.parametrize("after", ELSEWHERE)
def test_signing_in_leads_nowhere_else(eastmere: Department, after: str) -> None:
    answer = come_in(nobody(), badge_of(eastmere, "Ines"), PINS["Ines"], after=after)
    assert answer.headers["Location"] == "/"


@pytest.mark.parametrize("route", ["hold", "acknowledge", "make-token", "release"])
def test_a_form_sent_after_the_session_ended_leads_back_to_a_page(eastmere: Department, route: str) -> None:
    """The lock after some minutes is part of the day: whoever signs in again must not meet an empty page."""
    errand = visitors.ERRANDS[route](eastmere, "Ada")
    client = nobody()
    asked = client.post(errand.url, errand.fields)
    answer = client.post(asked.headers["Location"], factors(eastmere, "Ada"), follow=True)
    assert answer.status_code == 200
    assert "Ada" in words_of(answer)


def test_after_it_one_is_on_the_page_that_the_form_stood_on(eastmere: Department) -> None:
    errand = visitors.hold(eastmere, "Ines")
    page = errand.url.removesuffix("hold/")
    for came_from, lands in ((f"http://testserver{page}", page), ("https://evil.example/x", "/f/eastmere/")):
        asked = nobody().post(errand.url, errand.fields, headers={"Referer": came_from})
        answer = nobody().post(asked.headers["Location"], factors(eastmere, "Ines"))
        assert answer.headers["Location"] == lands


def test_a_part_of_a_page_does_not_show_the_sign_in_inside_it(eastmere: Department) -> None:
    """Now asks for its panes every few seconds; when the session ended the whole page goes to the sign-in."""
    answer = nobody().get(visitors.address(eastmere, "now"), headers={"HX-Request": "true"})
    assert answer.status_code == 200
    assert answer.headers["HX-Redirect"].startswith(reverse("sign-in"))
    assert b"<form" not in answer.content


@pytest.mark.parametrize("route", ["now", "loads", "set-up", "assemble"])
def test_after_signing_out_the_browser_has_nothing_to_go_back_to(eastmere: Department, route: str) -> None:
    """A shared workstation: the next person presses Back (ASVS 5.0, 14.3.2)."""
    answer = visitor(eastmere, "Ada").get(visitors.address(eastmere, route))
    assert "no-store" in answer.headers.get("Cache-Control", "")


def test_a_machines_token_opens_no_page(eastmere: Department) -> None:
    _, secret = visitors.token_of(eastmere)
    client = nobody(headers={"Authorization": f"Token {secret}"})
    assert not is_in(client, eastmere)


# --- the first visit ----------------------------------------------------------------------------------

FIRST = {
    "name": "Ada",
    "login": "ada",
    "password": PASSWORD,
    "badge": "B-1",
    "pin": "5005",
    "facility": "Eastmere",
    "slug": "eastmere",
    "time_zone": "Europe/Amsterdam",
    "machine": "Alder",
    "machine_code": "M-Alder",
    "chambers": "1",
    "programme": "Instruments",
}


def nothing_founded() -> bool:
    return not any(model.objects.exists() for model in (Person, Facility, Membership, Head, Event))


@pytest.mark.parametrize("route", ["root", "sign-in"])
def test_before_anybody_is_here_every_way_leads_to_the_first_run(db: None, route: str) -> None:
    assert nobody().get(reverse(route)).headers["Location"] == reverse("first-run")


def test_the_first_visit_founds_a_department_ready_for_work(db: None) -> None:
    client = nobody()
    answer = client.post(reverse("first-run"), FIRST)
    assert answer.headers["Location"] == "/f/eastmere/set-up/"
    page = words_of(client.get("/f/eastmere/set-up/"))
    for word in ("Ada", "administrator", "Alder", "M-Alder", "Instruments", "Fault catalogue, edition 1"):
        assert word in page
    assert Event.objects.count() == 6  # opened, its administrator, catalogue, how items climb, programme, machine
    assert come_in(nobody(), "B-1", "5005").status_code == 302


def test_a_second_first_run_is_not_possible(db: None) -> None:
    client = nobody()
    client.post(reverse("first-run"), FIRST)
    again = FIRST | {"login": "eve", "badge": "B-2", "slug": "west"}
    for visiting in (client, nobody()):
        assert visiting.get(reverse("first-run")).headers["Location"] == "/"
        assert visiting.post(reverse("first-run"), again).headers["Location"] == "/"
    assert (Person.objects.count(), Facility.objects.count(), Event.objects.count()) == (1, 1, 6)


BAD_FIRST: dict[str, dict[str, str]] = {
    **{f"no {name}": {name: ""} for name in FIRST},
    **{f"blank {name}": {name: "   "} for name in FIRST},
    **{f"U+0000 in {name}": {name: f"{FIRST[name]}\0"} for name in FIRST},
    **{
        f"a bell in {name}": {name: f"a\x07{FIRST[name]}"}
        for name in FIRST
        if name not in ("password", "pin", "time_zone", "slug")
    },
    **{f"too much in {name}": {name: "1" * 100_000} for name in FIRST},
    "a short password": {"password": "swan"},
    "a password that everybody has": {"password": "1234567890"},
    "a password that is the name": {"name": "Ada Lovelace", "password": "adalovelace"},
    "a password that is the sign-in name": {"login": "administratrix", "password": "administratrix"},
    "letters in the PIN": {"pin": "12ab"},
    "a PIN of three digits": {"pin": "123"},
    "a PIN of thirteen digits": {"pin": "1" * 13},
    "digits of another script in the PIN": {"pin": "١٢٣٤"},
    "a short name with a blank": {"slug": "east mere"},
    "a short name with a slash": {"slug": "east/mere"},
    "a short name of forty-one": {"slug": "e" * 41},
    "a zone that is none": {"time_zone": "Middle/Earth"},
    "a zone by its path": {"time_zone": "../../etc/passwd"},
    "no chamber between commas": {"chambers": " , ,"},
    "a chamber with a long name": {"chambers": "1, " + "c" * 60},
    "a programme that is not its first one": {"takes_programmes": "Heavy"},
    "a rack with a long code": {"takes_racks": "R-1\n" + "c" * 81},
}


def test_the_first_machine_may_take_only_some_programmes_and_racks(db: None) -> None:
    client = nobody()
    client.post(reverse("first-run"), FIRST | {"takes_programmes": "Instruments", "takes_racks": "R-1\nR-2"})
    assert "Takes only programmes: Instruments · racks: R-1, R-2" in words_of(client.get("/f/eastmere/set-up/"))


@pytest.mark.parametrize("case", BAD_FIRST)
def test_a_first_run_that_is_refused_leaves_nothing_behind(db: None, case: str) -> None:
    """Nobody is signed up, and the page can be sent again."""
    client = nobody()
    answer = client.post(reverse("first-run"), FIRST | BAD_FIRST[case])
    assert 400 <= answer.status_code < 500
    assert alert_of(answer)
    assert nothing_founded()
    assert client.post(reverse("first-run"), FIRST).headers["Location"] == "/f/eastmere/set-up/"


def test_an_empty_first_run_is_refused_with_a_sentence(db: None) -> None:
    answer = nobody().post(reverse("first-run"), {})
    assert answer.status_code == 422
    assert alert_of(answer)


# --- signing ------------------------------------------------------------------------------------------


@pytest.fixture
def reviewed(eastmere: Department) -> Iterator[Any]:
    """A load that only waits for its release, and Ines, who may sign it."""
    yield visitors.release(eastmere, "Ines")
    cast.rebuilt_equals_live(eastmere)


def load_of(errand: Any) -> Any:
    from uuid import UUID

    return UUID(errand.url.split("/")[4])


def test_ines_signs_a_release_on_its_page(eastmere: Department, reviewed: Any) -> None:
    client = visitor(eastmere, "Ines")
    page = client.get(reviewed.url)
    sent = form_of(page) | factors(eastmere, "Ines") | {"purpose": "packing"}
    answer = client.post(reviewed.url, sent)
    assert answer.status_code == 302
    assert cast.fate(eastmere, load_of(reviewed)) == "released"
    signature = cast.last_event(eastmere, load_of(reviewed)).signature
    assert signature.person == eastmere.people["Ines"].id
    assert signature.meaning == "I release 2026-00001 for packing. I have reviewed its record."
    assert [(seen.load, seen.version) for seen in signature.seen] == [(load_of(reviewed), 4)]
    assert signature.meaning in words_of(client.get(answer.headers["Location"]))


def unsigned(department: Department) -> dict[str, tuple[dict[str, str], str]]:
    """What was sent in place of Ines's badge and PIN, and what the page then says."""
    no_match = "Badge and PIN did not match. Nothing was written."
    return {
        "a wrong PIN": ({"pin": "9999"}, no_match),
        "no PIN": ({"pin": ""}, no_match),
        "no badge": ({"badge": ""}, no_match),
        "a badge nobody has": ({"badge": "B-0"}, no_match),
        "the PIN of another person": ({"pin": PINS["Sanne"]}, no_match),
        "the password": ({"pin": PASSWORD}, no_match),
        "another person’s badge and PIN": (factors(department, "Sanne"), "This badge is not yours."),
        "an older version of the load": ({"version": "3"}, "changed since you looked. Nothing was written."),
        "a version yet to come": ({"version": "5"}, "changed since you looked. Nothing was written."),
        "another leaf": ({"leaf": "0" * 64}, "changed since you looked. Nothing was written."),
        "no leaf": ({"leaf": ""}, "changed since you looked. Nothing was written."),
        "no purpose": ({"purpose": ""}, "is not what a load is released for."),
        "a purpose of one’s own": ({"purpose": "sale"}, "is not what a load is released for."),
    }


UNSIGNED = (
    *("a wrong PIN", "no PIN", "no badge", "a badge nobody has", "the PIN of another person", "the password"),
    *("another person’s badge and PIN", "an older version of the load", "a version yet to come", "another leaf"),
    *("no leaf", "no purpose", "a purpose of one’s own"),
)


@pytest.mark.parametrize("case", UNSIGNED)
def test_a_release_that_is_not_signed_rightly_is_no_release(eastmere: Department, reviewed: Any, case: str) -> None:
    instead, sentence = unsigned(eastmere)[case]
    before = written(eastmere)
    answer = visitor(eastmere, "Ines").post(reviewed.url, reviewed.fields | instead)
    assert answer.status_code == 409
    assert sentence in alert_of(answer)
    assert written(eastmere) == before
    assert cast.fate(eastmere, load_of(reviewed)) == "awaiting review"


def test_a_hold_while_the_page_is_open_stops_the_signature(eastmere: Department, reviewed: Any) -> None:
    cast.done(cast.hold(eastmere, load_of(reviewed), "Joan"))
    answer = visitor(eastmere, "Ines").post(reviewed.url, reviewed.fields)
    assert answer.status_code == 409
    assert cast.fate(eastmere, load_of(reviewed)) == "quarantined"


def test_a_word_about_its_place_while_the_page_is_open_makes_the_signature_stale(
    eastmere: Department, reviewed: Any
) -> None:
    from incidents.operations import cycles

    cast.done(cycles.place_load(cast.request(eastmere, "Sanne"), load=load_of(reviewed), place="clean-side"))
    answer = visitor(eastmere, "Ines").post(reviewed.url, reviewed.fields)
    assert answer.status_code == 409
    assert "changed since you looked" in alert_of(answer)


def test_a_competence_that_ran_out_signs_nothing(eastmere: Department, reviewed: Any) -> None:
    yesterday = eastmere.now.date() - timedelta(days=1)
    Competence.objects.filter(person=eastmere.people["Ines"]).update(valid_until=yesterday)
    answer = visitor(eastmere, "Ines").post(reviewed.url, reviewed.fields)
    assert answer.status_code == 409
    assert "This needs a current release competence." in alert_of(answer)
    assert cast.fate(eastmere, load_of(reviewed)) == "awaiting review"


def test_a_competence_is_good_on_its_last_day_and_from_its_first(eastmere: Department, reviewed: Any) -> None:
    today: date = eastmere.now.date()
    Competence.objects.filter(person=eastmere.people["Ines"]).update(valid_from=today, valid_until=today)
    assert visitor(eastmere, "Ines").post(reviewed.url, reviewed.fields).status_code == 302


def test_who_left_signs_nothing(eastmere: Department, reviewed: Any) -> None:
    """Even with the page still open at the workstation."""
    client = visitor(eastmere, "Ines")
    Person.objects.filter(id=eastmere.people["Ines"].id).update(is_active=False)
    assert client.post(reviewed.url, reviewed.fields).status_code == 302
    assert cast.fate(eastmere, load_of(reviewed)) == "awaiting review"


def test_a_release_sent_twice_is_one_release_and_one_answer(eastmere: Department, reviewed: Any) -> None:
    """A double click, or the retry after an answer that was lost: the same deed gets its receipt again (I5)."""
    client = visitor(eastmere, "Ines")
    first = client.post(reviewed.url, reviewed.fields)
    after = written(eastmere)
    second = client.post(reviewed.url, reviewed.fields)
    assert (first.status_code, second.status_code) == (302, 302)
    assert first.headers["Location"] == second.headers["Location"]
    assert written(eastmere) == after


# --- two people ---------------------------------------------------------------------------------------


@pytest.fixture
def rinse_open(eastmere: Department) -> Any:
    """A load whose rinse is not proven: a supervisor and infection prevention lift that together."""
    load = cast.given_finished_load(eastmere)
    cast.done(cast.review(eastmere, load, conductivity="not-proven"))
    return load


PAIRS = {
    ("Sanne", "Joan"): 302,
    ("Joan", "Sanne"): 302,
    ("Sanne",): 409,
    ("Sanne", "Sanne"): 409,
    ("Sanne", "Ines"): 409,
    ("Ines", "Joan"): 409,
}


@pytest.mark.parametrize("pair", PAIRS, ids=" and ".join)
def test_what_two_lift_takes_those_two(eastmere: Department, rinse_open: Any, pair: tuple[str, ...]) -> None:
    errand = visitors.lift_of(eastmere, rinse_open, *pair)
    answer = visitor(eastmere, "Sanne").post(errand.url, errand.fields)
    assert answer.status_code == PAIRS[pair], alert_of(answer)
    lifted = PAIRS[pair] == 302
    assert cast.standing(eastmere, rinse_open) == ([] if lifted else ["rinse-not-proven"])


def test_the_second_person_signs_with_their_own_pin(eastmere: Department, rinse_open: Any) -> None:
    errand = visitors.lift_of(eastmere, rinse_open, "Sanne", "Joan")
    answer = visitor(eastmere, "Sanne").post(errand.url, errand.fields | {"pin-2": PINS["Sanne"]})
    assert answer.status_code == 409
    assert "Nothing was written" in alert_of(answer)
    assert cast.standing(eastmere, rinse_open) == ["rinse-not-proven"]


def test_a_second_person_of_another_facility_is_nobody_here(eastmere: Department, rinse_open: Any) -> None:
    westmere = visitors.another_department()
    errand = visitors.lift_of(eastmere, rinse_open, "Sanne", "Joan")
    answer = visitor(eastmere, "Sanne").post(errand.url, errand.fields | factors(westmere, "Joan", "-2"))
    assert answer.status_code == 409
    assert cast.standing(eastmere, rinse_open) == ["rinse-not-proven"]


def test_two_people_sign_on_the_page_of_the_hold(eastmere: Department, rinse_open: Any) -> None:
    client = visitor(eastmere, "Sanne")
    errand = visitors.lift_of(eastmere, rinse_open)
    page = client.get(errand.url)
    assert "Two people: supervisor and infection prevention" in words_of(page)
    signed = factors(eastmere, "Sanne") | factors(eastmere, "Joan", "-2")
    answer = client.post(errand.url, form_of(page) | signed | {"words": "Conductivity measured by hand."})
    assert answer.status_code == 302
    told = words_of(client.get(answer.headers["Location"]))
    assert "Hold lifted by Sanne and Joan: rinse not proven" in told
    assert "Conductivity measured by hand." in told
