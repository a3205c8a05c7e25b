"""Fifty ways to smuggle a script, in every text that a person or a machine can give: none may run.

The payloads are common practice (the contexts of the OWASP cross-site scripting cheat sheet: element, attribute,
URL, script, style, comment, template). Each page that can be reached is opened in a browser; a script that ran, an
element that was made, or an attempt that the content security policy had to stop is a finding.
"""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.urls import Resolver404, resolve
from msgspec.structs import replace

from incidents.operations import catalogue, corrections, cycles, downtime, holds, inspection, machines, restoring
from incidents.operations.paper import Paper
from incidents.rules.programmes import STARTING_FAULTS
from tests import cast, floor_cast
from tests.browser import browser_at
from tests.cast import Department, done, request, tell
from tests.served import PLAIN_FILES, Room, serving

pytestmark = [pytest.mark.browser, PLAIN_FILES]

RAN = "hit()"
PAYLOADS = tuple(
    template.replace("!", RAN)
    for template in (
        "<script>!</script>",
        "</title><script>!</script>",
        "</textarea><script>!</script>",
        "</option></select><script>!</script>",
        "</script><script>!</script>",
        "--><script>!</script><!--",
        "]]><script>!</script>",
        "<scr<script>ipt>!</script>",
        "<SCRIPT>!</SCRIPT>",
        "<script src=//x.example/x.js></script>",
        "<script src=data:,!></script>",
        "<img src=x onerror=!>",
        '<img src=x onerror="!">',
        "<IMG SRC=x ONERROR=!>",
        "<img/src=x/onerror=!>",
        "<img src=javascript:!>",
        "<svg onload=!>",
        "<svg/onload=!>",
        "<svg><script>!</script></svg>",
        "<svg><animate onbegin=! attributeName=x>",
        "<math><mi xlink:href=javascript:!>x",
        "<body onload=!>",
        "<iframe src=javascript:!>",
        "<iframe srcdoc='<script>!</script>'>",
        "<object data=javascript:!>",
        "<embed src=javascript:!>",
        "<form action=javascript:!><button>x",
        "<button formaction=javascript:!>x",
        "<a href=javascript:!>x</a>",
        "<base href=//x.example>",
        "<link rel=stylesheet href=//x.example>",
        "<meta http-equiv=refresh content=0;url=//x.example>",
        "<style>@import '//x.example';</style>",
        "<div style=background:url(javascript:!)>",
        "<details open ontoggle=!>",
        "<video><source onerror=!></video>",
        "<audio src=x onerror=!>",
        "<input autofocus onfocus=!>",
        "<select autofocus onfocus=!>",
        "<marquee onstart=!>",
        '" onmouseover="!',
        "' autofocus onfocus='!",
        '" autofocus onfocus=! x="',
        "`onmouseover=!`",
        "javascript:!",
        "data:text/html,<script>!</script>",
        "{{ ! }}",
        "{% include '!' %}",
        "\\u003cscript\\u003e!\\u003c/script\\u003e",
        "&lt;script&gt;!&lt;/script&gt;",
    )
)
ALL = " ".join(PAYLOADS)
WATCHES = """
window.found = [];
window.hit = () => found.push("ran");
addEventListener("securitypolicyviolation", (e) => found.push(`${e.violatedDirective}: ${e.blockedURI}`));
"""
# Markup of ours has none of these.
MADE = """() => [...found, ...[...document.querySelectorAll(
    "iframe, object, embed, base, math, marquee, video, audio, animate, [onerror], [onload], [onfocus], [ontoggle],"
    + " [onbegin], [onstart], [onmouseover], [formaction^=javascript], [href^=javascript], [src^=javascript],"
    + " [action^=javascript], [srcdoc], meta[http-equiv], [style*=javascript], [src*=example], [href*=example]"
  )].map((one) => one.outerHTML.slice(0, 200))]"""
EACH_ROUTE = 4  # of the pages that a route has


@pytest.fixture(scope="module")
def room(chromium_path: str, django_db_setup: None, django_db_blocker: Any) -> Iterator[Room]:
    with browser_at(chromium_path) as browser, serving(django_db_blocker, browser) as room:
        yield room


def hostile(spd: Department) -> None:
    """Every payload as a name of every kind of thing, and all of them in every long text."""
    for n, payload in enumerate(PAYLOADS):
        person = cast.hire(spd, f"{payload} {n}", "technician")
        assert person.name.startswith(payload)
        cast.register_machine(spd, f"{payload} {n}", payload[:40])
        cast.register_rack(spd, f"{payload} {n}")
        cast.register_set(spd, f"{payload} {n}", 1, owner=payload)
    long = [replace(fault, **_everywhere(fault)) for fault in STARTING_FAULTS[:2]]
    each = [replace(STARTING_FAULTS[0], code=f"X{n}", title=payload) for n, payload in enumerate(PAYLOADS)]
    done(catalogue.draft_catalogue(request(spd, "Bo"), faults=[*STARTING_FAULTS, *each]))
    done(catalogue.publish_draft(request(spd, "Sanne")))
    done(catalogue.draft_catalogue(request(spd, "Bo"), faults=[*long, *STARTING_FAULTS[2:]]))
    done(floor_cast.set_policy(spd, source=ALL[:400]))
    _loads(spd)
    _machines(spd)
    done(downtime.issue_forms(request(spd, "Sanne"), count=3))
    done(downtime.void_form(request(spd, "Sanne"), number=2, words=ALL))
    paper = Paper(machine=spd.machine, chamber="1", programme=PAYLOADS[0])
    done(downtime.enter_form(request(spd, "Ines"), number=3, paper=paper))
    done(restoring.accept_restore(request(spd, "Ada"), noted_size=9_999, noted_root=PAYLOADS[0], words=ALL))


def _everywhere(fault: Any) -> dict[str, str]:
    texts = ("consequence", "time_to_respond", "why", "first_instruction", "caution")
    return dict(zip(texts, itertools.cycle(PAYLOADS), strict=False)) | {"title": PAYLOADS[11]}


def _loads(spd: Department) -> None:
    trays = iter([cast.register_set(spd, f"Set {n}", 1) for n in range(4)])
    finished = cast.given_finished_load(spd, trays=next(trays))
    done(cast.hold(spd, finished, words=ALL))
    done(corrections.add_note(request(spd, "Ines"), load=finished, words=ALL))
    asked = request(spd, "Ines")
    verdicts: Any = dict.fromkeys(cast.ALL_MET, "met")
    done(holds.review_load(asked, load=finished, record_seen=True, verdicts=verdicts, remark=ALL))
    aborted = cast.given_aborted_load(spd, trays=next(trays))
    done(cycles.place_load(request(spd, "Ines"), load=aborted, place="clean-side", spot=PAYLOADS[40]))
    touched = {"surfaces": PAYLOADS[0] + PAYLOADS[12], "cleaned_by": PAYLOADS[16]}
    done(inspection.record_contamination(request(spd, "Ines"), load=aborted, **touched))
    cast.given_running_load(spd, trays=next(trays))
    done(tell(spd, "alarm-raised", code=PAYLOADS[11][:40], phase=PAYLOADS[1][:40], text=ALL[:200]))


def _machines(spd: Department) -> None:
    asked = {"line": PAYLOADS[0], "product": PAYLOADS[11], "lot": PAYLOADS[41], "expires_on": ""}
    done(machines.change_supply(request(spd, "Ines"), machine=spd.machine, **asked))
    done(machines.record_exposure(request(spd, "Ines"), machine=spd.machine, kind="splash", words=ALL))
    done(tell(spd, "cycle-started", cycle=9, programme=PAYLOADS[17]))
    done(machines.block_machine(request(spd, "Ines"), machine=spd.machine, reason=PAYLOADS[5]))


def pages_from(screen: Any, address: str, start: str) -> Iterator[tuple[str, list[str]]]:
    """Every page that links lead to, a few of each route, with what was found on it."""
    waiting, known, opened = [start], {start}, Counter[str]()
    while waiting:
        path = waiting.pop(0)
        route = _route(path)
        if route is None or opened[route] >= EACH_ROUTE:
            continue
        opened[route] += 1
        screen.page.goto(path, wait_until="load")
        if "html" not in screen.page.evaluate("document.contentType"):
            continue
        screen.page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        yield path, screen.page.evaluate(MADE)
        for href in screen.page.evaluate("[...document.querySelectorAll('a[href]')].map((a) => a.href)"):
            at = urlsplit(href)
            link = at.path + (f"?{at.query}" if at.query else "")
            if href.startswith(address) and link not in known:
                known.add(link)
                waiting.append(link)


def _route(path: str) -> str | None:
    try:
        name = resolve(urlsplit(path).path).view_name
    except Resolver404:
        return None
    return None if name in ("print-forms", "sign-out", "live", "api-docs") else name


@pytest.mark.parametrize("who", ["Sanne", "Ada"])
def test_no_text_becomes_a_script_or_an_element(room: Room, who: str) -> None:
    if room.department is None:
        hostile(room.opens("eastmere"))
    with room.screen() as screen:
        screen.page.add_init_script(WATCHES)
        room.comes(screen, who)
        found = dict(pages_from(screen, room.address, "/f/eastmere/"))
    routes = {_route(path) for path in found}
    assert {"now", "load", "loads", "machine", "catalogue", "evidence", "sets", "racks", "policy"} <= routes
    assert {path: wrong for path, wrong in found.items() if wrong} == {}


def test_the_watch_sees_a_script_that_runs(room: Room) -> None:
    """Else the test above would prove nothing."""
    screen = room.browser.new_page()
    screen.set_content(f"<script>{WATCHES}</script>{PAYLOADS[11]}{PAYLOADS[22]}")
    screen.wait_for_function("found.length > 0")
    assert len(screen.evaluate(MADE)) >= 3
    screen.close()
