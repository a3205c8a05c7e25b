"""Every page, in every state that it has, as someone meets it who sees little, hears it, or only has keys.

axe-core looks at each page by the rules of WCAG 2.2, levels A and AA, on a tablet in daylight and on a desktop at
night; then at 320 px (1.4.10), with forced colours and with reduced motion (2.3.3). A route or a page's template
without a line in `SIGHTS` fails.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from django.core.exceptions import PermissionDenied
from django.test.signals import template_rendered
from django.urls import get_resolver, reverse
from playwright.sync_api import Page, Response

from config.settings import BASE_DIR
from incidents.ledger.writing import LedgerBusy
from incidents.pages import load_forms
from incidents.queries import facts
from incidents.rules.holds import holds
from tests import cast, visitors
from tests.browser import SIZES, Screen, browser_at
from tests.busy import Things, busy
from tests.served import PLAIN_FILES, Room, serving
from tests.test_doors import FOR_MACHINES, POST_ONLY, routes

pytestmark = [pytest.mark.browser, PLAIN_FILES]

WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE = {
    "runOnly": {"type": "tag", "values": WCAG},
    "rules": {"target-size": {"enabled": True}},  # 2.5.8, which axe leaves out unless asked
    "resultTypes": ["violations"],
}
AGAIN = AXE | {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block", "target-size"]}}
BROKEN_RULES = """options => axe.run(document, options).then(({violations}) => violations.flatMap(({id, nodes}) =>
  nodes.map(({target, failureSummary}) => `${id}: ${target}: ${failureSummary.replace(/\\s+/g, " ")}`)))"""

LOOKS: tuple[tuple[str, Literal["light", "dark"], dict[str, Any]], ...] = (
    ("tablet", "light", AXE),
    ("desktop", "dark", AGAIN),  # what a style sheet alone can spoil
)
# 1.4.10: at 320 px nothing lies beside the screen, and nothing scrolls in two directions.
TOO_WIDE = """() => document.documentElement.scrollWidth <= innerWidth ? [] :
  [...document.body.querySelectorAll("*")].filter((one) => one.getBoundingClientRect().right > innerWidth + 1)
  .map((one) => `320 px: ${one.tagName} ${one.className} reaches to ${one.getBoundingClientRect().right}`)"""
MOVES = """() => [...document.querySelectorAll("*")].filter((one) => {
    const {transitionDuration, animationDuration} = getComputedStyle(one);
    return `${transitionDuration},${animationDuration}`.split(",").some((s) => parseFloat(s) > 0.01);
  }).map((one) => `moves: ${one.tagName} ${one.className}`)"""
# With the system's own colours a control still has an edge and a glyph still stands out.
LOST = """() => {
  const seen = (one) => one.checkVisibility({visibilityProperty: true}) && !one.closest(".vh");
  const ground = (one) => {
    for (let at = one; at; at = at.parentElement) {
      const colour = getComputedStyle(at).backgroundColor;
      if (!/^rgba.*, 0\\)$/.test(colour)) return colour;
    }
    return "rgb(255, 255, 255)";
  };
  const edged = (one) => {
    const style = getComputedStyle(one);
    return ["Top", "Right", "Bottom", "Left"].some((side) =>
      style[`border${side}Style`] !== "none" && parseFloat(style[`border${side}Width`]) >= 1);
  };
  const controls = [...document.querySelectorAll("button, .btn, input:not([type=hidden]), select, textarea")];
  const glyphs = [...document.querySelectorAll("svg.glyph")];
  return [
    ...controls.filter((one) => seen(one) && !edged(one)).map((one) => `forced colours: no edge: ${one.outerHTML}`),
    ...glyphs.filter((one) => seen(one) && getComputedStyle(one).color === ground(one))
      .map((one) => `forced colours: not seen: ${one.parentElement.outerHTML}`),
  ];
}"""
# Whatever a page folds away is looked at too.
OPENS = """() => document.querySelectorAll("details").forEach((one) => {
  one.removeAttribute("name");
  one.open = true;
})"""
# A form that no page offers in this state, sent from where the browser stands.
SENDS = """([url, fields]) => {
  const form = document.createElement("form");
  const token = document.querySelector("[name=csrfmiddlewaretoken]").value;
  for (const [name, value] of Object.entries({csrfmiddlewaretoken: token, ...fields})) {
    form.append(Object.assign(document.createElement("input"), {name, value}));
  }
  document.body.append(form);
  Object.assign(form, {method: "post", action: url}).submit();
}"""


class Sight(NamedTuple):
    """A page in one of its states: who asks for it, where, and what stands before it."""

    name: str
    route: str
    template: str
    named: dict[str, Any] = {}
    query: str = ""
    who: str = "Ines"
    status: int = 200
    scans: str = ""  # the machine whose code is scanned before
    sends: dict[str, Any] | None = None  # a form, where the page is an answer to one
    breaks: type[Exception] | None = None  # what the database does meanwhile


def of_load(name: str, load: str, route: str = "load", template: str = "load.html", **more: Any) -> Sight:
    return Sight(name, route, template, {"load": load}, **more)


def of_alarm(name: str, stage: str, template: str, **more: Any) -> Sight:
    return Sight(name, "alarm", template, {"kind": "load", "owner": stage, "alarm": f"{stage} alarm"}, **more)


RINSE = "?hold=rinse-not-proven:conductivity"
PAST = "?when=2026-03-02T08:30:00"
OF_DEED = {"contamination": "touched", "reject": "awaiting", "correct": "corrected"}
UNSEEN = {"version": "1", "leaf": "", "purpose": "packing", "badge": "eastmere-Ines", "pin": "1001"}
A_TOKEN = {"label": "A script", "role": "technician", "days": "30", "badge": "eastmere-Ines", "pin": "1001"}
SIGHTS = (
    Sight("sign in", "sign-in", "sign_in.html", who=""),
    Sight("sign in with a password", "sign-in", "sign_in.html", query="?by=password", who=""),
    Sight("sign in refused", "sign-in", "sign_in.html", who="", status=422, sends={"badge": "B-1", "pin": "1"}),
    Sight("locked, a board", "sign-in", "sign_in.html", who="board"),
    Sight("whose facility", "root", "facilities.html", who="Joan"),
    Sight("now", "now", "now.html"),
    Sight("now, after an unknown code", "scan", "now.html", query="?code=nothing"),
    Sight("now, as it was", "now", "now_past.html", query=PAST),
    Sight("an open item", "open-item", "open_item.html", named={"kind": "load", "owner": "place", "item": "rerun"}),
    Sight("an incident", "incident", "incident.html", {"alarm": "unseen alarm"}),
    Sight("times to answer", "times", "times.html"),
    Sight("hand over", "handover", "handover.html"),
    Sight("messages", "messages", "messages.html"),
    Sight("contacts", "contacts", "contacts.html"),
    Sight("contacts of all", "contacts", "contacts.html", who="Ada"),
    Sight("the wall", "wall", "wall.html"),
    Sight("the wall, a board", "wall", "wall.html", who="board"),
    Sight("last known", "last-known", "last_known.html"),
    Sight("loads", "loads", "loads.html"),
    Sight("loads, none found", "loads", "loads.html", query="?search=nothing"),
    Sight("loads, imported history found", "loads", "loads.html", query="?search=Alder+44"),
    Sight("a load of imported history", "past-load", "past_load.html", {"past": "past"}),
    Sight("a new load", "assemble", "assemble.html"),
    Sight("a new load refused", "assemble", "assemble.html", status=409, sends={"chamber": "its chamber"}),
    of_load("a load waiting", "assembled"),
    of_load("a load running", "running"),
    of_load("a load stopped", "unseen"),
    of_load("a load without an end", "overdue"),
    of_load("a load aborted", "place"),
    of_load("a load awaiting review", "awaiting"),
    of_load("a load held", "held"),
    of_load("a load held, to a supervisor", "held", who="Sanne"),
    of_load("a load with a rejected tray", "rejected"),
    of_load("a load under recall", "recalled"),
    of_load("a load reprocessed", "reprocessed"),
    of_load("a load, its deed refused", "held", status=409, route="hold", sends={"words": " "}),
    of_load("a load as it was", "held", template="load_past.html", query=PAST),
    of_load("review", "awaiting", "review", "review.html"),
    Sight("figures of a machine", "machine-figures", "machine_figures.html", {"machine": "Alder"}),
    Sight("no figures of a moment", "machine-figures", "machine_figures.html", {"machine": "Alder"}, query=PAST),
    Sight("records of a machine", "record-form", "record_form.html", {"machine": "Alder"}, who="Bo"),
    of_load("readings", "recorded", "readings", "readings.html"),
    of_load("what if", "recorded", "what-if", "what_if.html", query="?edition=1"),
    of_load("withdraw a record", "recorded", "withdraw-record", "withdraw_record.html", query="?record={record}"),
    of_load("no readings", "awaiting", "readings", "readings.html"),
    of_load("release", "reviewed", "release", "release.html"),
    of_load("release refused", "held", "release", status=409, sends=UNSEEN),
    of_load("lift by one", "held", "lift", "lift.html", query="?hold={manual}", who="Sanne"),
    of_load("lift by two", "held", "lift", "lift.html", query="?hold={rinse-not-proven}", who="Sanne"),
    of_load("lift, the first of two", "held", "lift-first", "lift_first.html", query=RINSE, who="Sanne"),
    of_load("lift, the second of two", "signed", "lift-second", "lift_second.html", query=RINSE, who="Joan"),
    of_load("a load signed first", "signed", who="Joan"),
    Sight("release round", "release-round", "release_round.html"),
    *(
        Sight(deed.title.lower(), "load-deed", "load_deed.html", {"load": load, "name": name}, who="Sanne")
        for name, deed in load_forms.DEEDS.items()
        for load in (
            {"contamination": "touched", "reject": "awaiting", "correct": "corrected"}.get(name, "unseen"),
        )
    ),
    Sight(
        *("a deed not filled in", "load-deed", "load_deed.html", {"load": "awaiting", "name": "reject"}),
        status=422,
        sends={},
    ),
    of_alarm("alarm, scan first", "unseen", "alarm_scan.html"),
    of_alarm("alarm, unseen", "unseen", "alarm_seen.html", scans="M-Dogwood"),
    of_alarm("alarm, abort", "abort", "alarm_decide.html", scans="M-Elm"),
    of_alarm("alarm, resume or abort", "resume", "alarm_decide.html", scans="M-Fir"),
    of_alarm("alarm, place", "place", "alarm_place.html"),
    of_alarm("alarm, done", "placed", "alarm_done.html"),
    Sight(
        *("alarm of a machine", "alarm", "alarm_seen.html"),
        {"kind": "machine", "owner": "Alder", "alarm": "machine alarm"},
        scans="M-Alder",
    ),
    Sight("a machine blocked", "machine", "machine.html", {"machine": "Alder"}, who="Sanne"),
    Sight("a machine, to a technician", "machine", "machine.html", {"machine": "Alder"}),
    Sight("racks", "racks", "racks.html", who="Ada"),
    Sight("a rack", "rack", "rack.html", {"rack": "rack"}),
    Sight("a rack blocked", "rack", "rack.html", {"rack": "blocked rack"}, who="Sanne"),
    Sight("sets", "sets", "sets.html"),
    Sight("catalogue", "catalogue", "catalogue.html"),
    Sight("catalogue draft", "catalogue-draft", "catalogue_draft.html", who="Bo"),
    Sight("catalogue fault", "catalogue-fault", "catalogue_fault.html", query="?code=W02", who="Bo"),
    Sight("catalogue fault, new", "catalogue-fault", "catalogue_fault.html", who="Bo", status=422, sends={}),
    Sight("catalogue compare", "catalogue-compare", "catalogue_compare.html", who="Ada"),
    Sight(
        *("programme, whose", "programme-attribution", "programme_attribution.html", {"programme": "Instruments"}),
        who="Sanne",
    ),
    Sight("catalogue, whose", "catalogue-attribution", "catalogue_attribution.html", who="Sanne"),
    Sight("escalation", "escalation", "escalation.html", {}, who="Ada"),
    Sight("escalation, to draft", "escalation-draft", "escalation_draft.html", {}, who="Bo"),
    Sight("rotas", "rotas", "rotas.html", who="Ada"),
    Sight("a swap not filled in", "swap-turn", "rotas.html", who="Ada", status=422, sends={}),
    Sight("rotas, to set", "set-calendar", "calendar_set.html", who="Ada"),
    Sight("a programme", "programme", "programme.html", {"programme": "Instruments"}, who="Ada"),
    Sight(
        "a programme, to draft", "programme-draft", "programme_draft.html", {"programme": "Instruments"}, who="Bo"
    ),
    Sight(
        "a programme, to approve",
        "programme-compare",
        "programme_compare.html",
        {"programme": "Drafted"},
        who="Ada",
    ),
    Sight("policy", "policy", "policy.html", who="Ada"),
    Sight("policy not filled in", "policy", "policy.html", who="Ada", status=422, sends={}),
    Sight("downtime forms", "downtime", "downtime.html", who="Sanne"),
    Sight("a downtime form", "enter-form", "downtime_enter.html", {"number": 1}),
    Sight("a downtime form, voided", "enter-form", "downtime_enter.html", {"number": 2}),
    Sight("a downtime form unreadable", "enter-form", "downtime_enter.html", {"number": 1}, status=422, sends={}),
    Sight("evidence", "evidence", "evidence.html"),
    Sight("evidence, none", "evidence", "evidence.html", query="?until=2020-01-01"),
    Sight("set-up", "set-up", "set_up.html", who="Ada"),
    *(
        Sight(route, route, "set_up_form.html", who="Ada")
        for route in ("add-person", "add-machine", "add-programme", "add-set")
    ),
    Sight("what a machine takes", "limit-machine", "set_up_form.html", {"machine": "Alder"}, who="Ada"),
    Sight("what a person may do", "set-rights", "set_up_form.html", {"person": "Ines"}, who="Ada"),
    Sight("a person not filled in", "add-person", "set_up_form.html", who="Ada", status=422, sends={}),
    Sight("a token", "make-token", "token.html", {"machine": "Alder"}, who="Ada", sends={}),
    Sight("tokens, none", "tokens", "tokens.html", who="Bo"),
    Sight("a token not filled in", "tokens", "tokens.html", status=422, sends={}),
    Sight("a token of one’s own", "tokens", "token_made.html", sends=A_TOKEN),
    Sight("tokens", "tokens", "tokens.html"),
    Sight("for programs", "api-docs", "api_docs.html", who=""),
    Sight("not an administrator", "set-up", "problem.html", status=403),
    Sight("not readable", "now", "problem.html", query="?when=never", status=400),
    Sight("not there", "wall", "404.html", {"slug": "nowhere"}, status=404),
    Sight("not text", "scan", "400.html", query="?code=%00", status=400),
    Sight("a form from elsewhere", "sign-out", "403_csrf.html", status=403, sends={"csrfmiddlewaretoken": "x"}),
    Sight("a fault of ours", "now", "500.html", status=500, breaks=RuntimeError),
    Sight("busy", "now", "503.html", status=503, breaks=LedgerBusy),
    Sight("forbidden", "now", "403.html", status=403, breaks=PermissionDenied),
)
FIRST_RUN = (
    Sight("first run", "first-run", "first_run.html", who=""),
    Sight("first run not filled in", "first-run", "first_run.html", who="", status=422, sends={}),
)
LOCKED_OUT = Sight("locked out", "sign-in", "429.html", who="", status=429, sends={"badge": "B-1", "pin": "1"})
# Beside everything under api/, which has one page.
NO_PAGE = {
    "livez": "a line for machines",
    "readyz": "a line for machines",
    "metrics": "lines for machines",
    "live": "a stream of events",
    "print-forms": "a PDF",
    "hold-tag": "a PDF",
    "release-label": "a PDF",
    "record-page": "a PDF",
    "drafts": "what a half-filled form keeps",
    "offline-worker": "a script",
    "find-form": "leads to a form",
}


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_setup: None, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        yield room


@pytest.fixture(scope="module")
def things(room: Room) -> Things:
    """A busy department, with Joan at home in another one too."""
    elsewhere = cast.bare_department(slug="westmere", name="Westmere")
    department = room.opens("eastmere")
    cast.MembershipFactory.create(facility=elsewhere.facility, person=department.people["Joan"], role="quality")
    return busy(department) | {
        "department": department,
        "Alder": department.machine,
        "Ines": department.people["Ines"].id,
        "Instruments": facts.programme_id(department.id, cast.PROGRAMME_NAME),
        "Drafted": cast.given_drafted_programme(department),
        "its chamber": f"{department.machine}/1",
    }


@pytest.fixture(scope="module")
def profile(room: Room) -> Screen:
    """One browser profile, which keeps the style sheets that it has."""
    return Screen(room.browser, room.address, service_workers="block")


@pytest.fixture
def screen(profile: Screen) -> Iterator[Screen]:
    """Nobody is signed in. What is refused here is looked at by its status, not by what the browser says of it."""
    profile.page.context.clear_cookies()
    yield profile
    profile.page.goto("about:blank")


@pytest.fixture
def rendered() -> Iterator[set[str]]:
    names: set[str] = set()

    def note(template: Any, **_: object) -> None:
        names.add(template.name)

    template_rendered.connect(note)
    yield names
    template_rendered.disconnect(note)


# --- the tool itself ----------------------------------------------------------------------------------


def test_what_is_broken_is_found(room: Room, screen: Screen) -> None:
    """Else all that follows would prove nothing."""
    screen.open("about:blank")
    screen.page.set_content(
        "<html lang=en><title>x</title><main><h1>x</h1><button class=btn style='width: 9px; border: 0'>x</button>"
        "<button class=btn style='width: 9px'></button><p style='color: #aaa; width: 400px'>Pale and wide</p>"
        "<p style='transition: color 1s'><svg class=glyph width=9 style='color: #fff; fill: red'></svg></main>"
    )
    found = " ".join(wrong_looks(screen.page))
    for each in ("button-name", "target-size", "color-contrast", "no edge", "not seen", "moves: P", "320 px: P"):
        assert each in found, each


# --- every page ---------------------------------------------------------------------------------------


def test_every_route_and_every_page_has_a_sight() -> None:
    sights = (*SIGHTS, *FIRST_RUN, LOCKED_OUT)
    deeds = {f"{sight.route} {sight.named['name']}" for sight in sights if sight.route == "load-deed"}
    for_people = [each for each in get_resolver().url_patterns if not str(each.pattern).startswith("api/")]
    posted = set(POST_ONLY) - FOR_MACHINES
    seen = {sight.route for sight in sights} - {"api-docs"} | set(NO_PAGE) | posted
    unseen = seen ^ set(routes(for_people))
    assert not unseen, f"add or remove {sorted(unseen)} in SIGHTS, or in NO_PAGE or test_doors.POST_ONLY"
    assert deeds == {f"load-deed {name}" for name in load_forms.DEEDS}
    extends = re.compile(r"extends \"(?:base|bare|frame)\.html\"")
    pages = {path.name for path in BASE_DIR.glob("templates/*.html") if extends.search(path.read_text())}
    unseen = {sight.template for sight in sights} ^ pages - {"base.html", "bare.html"}
    assert not unseen, f"add or remove a Sight of {sorted(unseen)} in SIGHTS"


@pytest.mark.parametrize("sight", FIRST_RUN, ids=lambda sight: sight.name)
def test_before_anybody_is_known(room: Room, screen: Screen, sight: Sight, rendered: set[str]) -> None:
    """These come first in the file: a department has people."""
    assert wrong_with(sight, screen.page, asked(screen, sight, {}), rendered) == []


@pytest.mark.parametrize("sight", SIGHTS, ids=lambda sight: sight.name)
def test_a_page(
    room: Room,
    things: Things,
    screen: Screen,
    sight: Sight,
    rendered: set[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    arrives(room, screen, sight)
    if sight.breaks:
        monkeypatch.setattr("incidents.queries.floor.open_items", _raising(sight.breaks))
    assert wrong_with(sight, screen.page, asked(screen, sight, things), rendered) == []


def test_a_locked_out_badge(room: Room, things: Things, screen: Screen, rendered: set[str]) -> None:
    while (answer := asked(screen, LOCKED_OUT, things)).status == 422:
        pass
    assert wrong_with(LOCKED_OUT, screen.page, answer, rendered) == []


@pytest.mark.parametrize("dialog", ["[data-keys]", "[data-idle]"])
def test_a_dialog(room: Room, things: Things, screen: Screen, dialog: str) -> None:
    """The list of keys, and the warning before a workstation locks itself."""
    room.comes(screen, "Ines")
    screen.open(reverse("now", args=["eastmere"]))
    screen.page.evaluate("dialog => document.querySelector(dialog).showModal()", dialog)
    assert wrong_looks(screen.page) == []


def _raising(what: type[Exception]) -> Any:
    def broken(*_: object, **__: object) -> None:
        raise what("the shelf")

    return broken


def arrives(room: Room, screen: Screen, sight: Sight) -> None:
    """Whoever asks stands at the screen; a board is a workstation with nobody signed in."""
    assert room.department is not None
    if sight.who == "board":
        sanne = visitors.visitor(room.department, "Sanne")
        sanne.post(visitors.address(room.department, "make-board"))
        kept = sanne.cookies["sluicegate_board"].value
        screen.page.context.add_cookies([{"name": "sluicegate_board", "value": kept, "url": room.address}])
    elif sight.who:
        room.comes(screen, sight.who)


def asked(screen: Screen, sight: Sight, things: Things) -> Response:
    """The browser's own request for the page: by its address, or by sending a form."""
    if sight.scans:
        screen.open(f"{reverse('scan', args=['eastmere'])}?code={sight.scans}")
    url = url_of(sight, things)
    if sight.sends is None:
        answer = screen.page.goto(url)
    else:
        screen.open(reverse("sign-in") if things else reverse("first-run"))
        with screen.page.expect_navigation() as gone:
            fields = {name: things.get(value, value) for name, value in sight.sends.items()}
            screen.page.evaluate(SENDS, [url, fields])
        answer = gone.value
    assert answer is not None
    return answer


def url_of(sight: Sight, things: Things) -> str:
    named = {name: things.get(value, value) for name, value in sight.named.items()}
    if "{" in sight.query:
        load = cast.load_now(things["department"], named["load"])
        keys = {hold.code: hold.key for hold in holds(load)}
        keys["record"] = f"{load.records[-1].event_id}" if load.records else ""
        return reverse(sight.route, kwargs={"slug": "eastmere", **named}) + sight.query.format(**keys)
    if sight.route not in ("root", "first-run", "sign-in", "sign-out", "api-docs"):
        named = {"slug": "eastmere", **named}
    return reverse(sight.route, kwargs=named) + sight.query


def wrong_with(sight: Sight, page: Page, answer: Response, rendered: set[str]) -> list[str]:
    """Everything that is wrong with the page before the browser, as sentences."""
    assert (answer.status, sight.template in rendered) == (sight.status, True), rendered
    return wrong_looks(page)


def wrong_looks(page: Page) -> list[str]:
    wrong = []
    page.evaluate(AXE_SCRIPT)
    page.evaluate(OPENS)
    for size, scheme, rules in LOOKS:
        page.set_viewport_size(SIZES[size])
        page.emulate_media(color_scheme=scheme)
        wrong += [f"{size}, {scheme}: {each}" for each in page.evaluate(BROKEN_RULES, rules)]
    wrong += page.evaluate(MOVES)
    page.emulate_media(forced_colors="active")
    wrong += page.evaluate(LOST)
    page.emulate_media(forced_colors="none")
    page.set_viewport_size({"width": 320, "height": 640})
    return wrong + page.evaluate(TOO_WIDE)
