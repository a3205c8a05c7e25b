"""What nobody should send and somebody will: refused with a sentence and nothing written, or recorded and held.

Source: the reliability page, "Bad input"; design, section 4: "observations are never refused, decisions can be".
Every table says what is spoilt; each test ends with the unspoilt request going through, so that none passes for
another reason.
"""

import unicodedata
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import BytesIO
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

import pytest
from django.http import HttpResponse
from django.test import Client

from incidents.identity.models import AccessToken, Membership, Person
from incidents.operations import cycles, holds, setting_up
from incidents.operations.sweep import sweep
from incidents.rules.events import Criterion, Fault, Phase
from tests import cast, recorded, visitors
from tests.cast import Department
from tests.visitors import (
    ERRANDS,
    Errand,
    alert_of,
    cloud_event,
    errand_of,
    report,
    token_of,
    undone,
    unsound,
    visitor,
    words_of,
    written,
)

BELL, NUL, MUCH = "a\x07b", "a\0b", "x" * 100_000
MISSING: Any = object()
NOBODY = UUID(int=7)  # the id of nothing


@pytest.fixture(autouse=True)
def quick(settings: Any) -> None:
    settings.PASSWORD_HASHERS = visitors.QUICK_HASHERS


@pytest.fixture
def eastmere(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = visitors.department_with_doors(monkeypatch, slug="eastmere")
    yield department
    cast.rebuilt_equals_live(department)


# --- forms --------------------------------------------------------------------------------------------

TEXT = {"a bell": BELL, "U+0000": NUL, "100 kB": MUCH}
NEEDED = {"missing": MISSING, "empty": "", "blank": "  \n "}
SHORT = TEXT | {"41 characters": "c" * 41}
CHOICE = {"missing": MISSING, "empty": "", "unknown": "no-such-thing", **TEXT}
COUNTER = {
    "below zero": "-1",
    "in halves": "1.5",
    "with an exponent": "1e3",
    "hexadecimal": "0x10",
    "a word": "many",
    "huge": "9" * 30,
    "beyond 53 bits": str(2**53),
    "a square": "²",
    "with a bell": "44\x0771",
    "U+0000": "4\0",
    "100 kB": "4" * 100_000,
    "a list": "1,2",
    "a sign": "+4",
    "infinite": "inf",
    "no number": "NaN",
}
DEED_ID = {"a word": "again", "U+0000": "\0", "too short": "0" * 31, "too long": "0" * 33, "100 kB": "0" * 100_000}
VERSION = {
    "another": "98",
    "nought": "0",
    "below zero": "-1",
    "in halves": "2.0",
    "a word": "latest",
    "huge": "9" * 30,
    "U+0000": "\0",
    "100 kB": "1" * 100_000,
}
VERSION_OF_NOTHING = {case: value for case, value in VERSION.items() if case != "nought"}
BADGE = {"missing": MISSING, "empty": "", "unknown": "B-0", **TEXT}
PIN = {"missing": MISSING, "empty": "", "wrong": "9999", **TEXT}
LEAF = {"missing": MISSING, "another": "0" * 64, "U+0000": "\0", "100 kB": MUCH}
ID = {"a word": "here", "unknown": str(NOBODY), "U+0000": "\0", "100 kB": MUCH}
LONG = {"4001 characters": "w" * 4001}
DAY = {
    "a word": "soon",
    "no such day": "2027-02-30",
    "more behind it": "2027-01-31 or so",
    "of another order": "31.01.2027",
    "U+0000": "2027-01-31\0",
    "100 kB": "2" * 100_000,
}
WHEN = {"a word": "before", "no such hour": "2026-03-02T25:00", "another zone": "2026-03-02T06:00+05:00"}
WHEN |= {"a bell": f"2026-03-02T06:00{BELL}", "U+0000": "2026-03-02T06:00\0", "100 kB": "2" * 100_000}
NUMBER = {"missing": MISSING, "below zero": "-1", "in halves": "2.5", "a word": "some", "huge": "9" * 30}
NUMBER |= {"U+0000": "3\0", "100 kB": "3" * 100_000}

BAD: dict[str, dict[str, dict[str, Any]]] = {
    "assemble": {
        "chamber": CHOICE | {"a chamber of nothing": f"{NOBODY}/1", "without its machine": "/1"},
        "tray": ID | {"missing": MISSING, "empty": ""},
        "deed": DEED_ID,
    },
    "start": {"programme": CHOICE, "machine_cycle": COUNTER, "version": VERSION, "deed": DEED_ID},
    "report-end": {
        "machine_cycle": COUNTER,
        "complete": {"missing": MISSING, "unknown": "perhaps", "U+0000": NUL},
        "deed": DEED_ID,
    },
    "report-alarm": {"code": NEEDED | SHORT, "phase": NEEDED | SHORT, "deed": DEED_ID},
    "place": {"place": CHOICE | {"the chamber": "chamber"}, "spot": SHORT, "version": VERSION, "deed": DEED_ID},
    "rerun": {
        "programme": {"unknown": "Unheard of", **TEXT},
        "where": {name: f"{value}/1" for name, value in ID.items()} | {"a chamber of nothing": f"{NOBODY}/1"},
        "machine_cycle": COUNTER,
        "version": VERSION,
        "deed": DEED_ID,
    },
    "hold": {"words": NEEDED | TEXT | {"4001 characters": "w" * 4001}, "deed": DEED_ID},
    "review": {
        "record": {"missing": MISSING, "unknown": "perhaps", "U+0000": NUL},
        "criterion-a0": {"unknown": "yes", "U+0000": NUL, "100 kB": MUCH},
        "criterion-taste": {"of another programme": "met"},
        "remark": TEXT | {"4001 characters": "w" * 4001},
        "version": VERSION,
        "deed": DEED_ID,
    },
    "readings": {
        "record": {"missing": MISSING, "no file": "a text", "U+0000": NUL},
        "deed": DEED_ID,
    },
    "review-readings": {"remark": TEXT | {"4001 characters": "w" * 4001}, "version": VERSION, "deed": DEED_ID},
    "record-form": {
        "columns": {"no sign": "Zeit time_s", "no signal": "Zeit = hours", "twice": "a = time_s\nb = time_s"},
        "probes": {"no sign": "probe_1", "no probe": "wall = Report"},
        "header_line": {"a word": "three", "too far": "51"},
        "do": CHOICE,
        "deed": DEED_ID,
    },
    "set-basis": {"basis": CHOICE, "basis_source": NEEDED | TEXT | {"401 characters": "w" * 401}, "deed": DEED_ID},
    "release": {
        "purpose": CHOICE,
        "badge": BADGE,
        "pin": PIN,
        "version": VERSION,
        "leaf": LEAF,
        "deed": DEED_ID,
    },
    "lift": {
        "words": NEEDED | TEXT | {"4001 characters": "w" * 4001},
        "badge": BADGE,
        "pin": PIN,
        "version": VERSION,
        "leaf": LEAF,
        "deed": DEED_ID,
    },
    "withdraw-record": {
        "words": NEEDED | TEXT | {"4001 characters": "w" * 4001},
        "badge": BADGE,
        "pin": PIN,
        "badge-2": BADGE,
        "pin-2": PIN,
        "version": VERSION,
        "leaf": LEAF,
        "deed": DEED_ID,
    },
    "lift-first": {
        "words": NEEDED | TEXT | {"4001 characters": "w" * 4001},
        "badge": BADGE,
        "pin": PIN,
        "version": VERSION,
        "leaf": LEAF,
        "deed": DEED_ID,
    },
    "lift-second": {
        "words": TEXT | {"4001 characters": "w" * 4001},
        "badge": BADGE,
        "pin": PIN,
        "version": VERSION,
        "leaf": LEAF,
        "deed": DEED_ID,
    },
    "withdraw-lift": {"words": TEXT | {"4001 characters": "w" * 4001}, "version": VERSION, "deed": DEED_ID},
    "acknowledge": {"deed": DEED_ID},
    "resume": {"version": VERSION, "deed": DEED_ID},
    "abort": {"reason": CHOICE, "words": TEXT, "version": VERSION, "deed": DEED_ID},
    "add-person": {
        "name": NEEDED | TEXT | {"121 characters": "n" * 121},
        "login": NEEDED | TEXT | {"81 characters": "n" * 81, "taken": "ines.eastmere"},
        "password": NEEDED | {"100 kB": MUCH, "short": "swan", "U+0000": "seven swans \0 swimming"},
        "badge": NEEDED | TEXT | {"65 characters": "b" * 65, "taken": "eastmere-Ines"},
        "pin": NEEDED | TEXT | {"letters": "12ab", "three digits": "123", "of another script": "١٢٣٤"},
        "roles": {
            "missing": MISSING,
            "unknown": ["surgeon"],
            "a device": ["device"],
            "one unknown": ["quality", "x"],
        },
        "competences": {"unknown": ["surgery"], "U+0000": [NUL]},
        "deed": DEED_ID,
    },
    "set-rights": {
        "roles": {"unknown": ["surgeon"], "a device": ["device"], "none": MISSING},
        "left": {"but with a role": "on"},
        "competences": {"unknown": ["surgery"], "U+0000": [NUL]},
        "deed": DEED_ID,
    },
    "add-machine": {
        "name": NEEDED | TEXT | {"81 characters": "n" * 81, "taken": "Alder", "a taken code": "M-Alder"},
        "code": NEEDED | TEXT | {"81 characters": "n" * 81, "taken": "M-Alder", "a taken name": "alder"},
        "chambers": NEEDED | TEXT | {"commas": " , ,", "41 characters": "1, " + "c" * 41},
        "deed": DEED_ID,
    },
    "limit-machine": {
        "takes_programmes": TEXT | {"not published": "Unheard of", "81 characters": "n" * 81},
        "takes_racks": TEXT | {"81 characters": "R-3\n" + "c" * 81},
        "deed": DEED_ID,
    },
    "add-programme": {
        "name": NEEDED | TEXT | {"81 characters": "n" * 81},
        "phases": NEEDED
        | TEXT
        | {
            "no minutes": "wash; Wash",
            "a word for minutes": "wash; Wash; ten",
            "below zero": "wash; Wash; -5",
            "in halves": "wash; Wash; 1.5",
            "a square": "wash; Wash; ²",
            "huge": "wash; Wash; 99999999999999999999",
            "more than a day": "wash; Wash; 1441",
            "nothing takes time": "wash; Wash; 0",
            "the same twice": "wash; Wash; 5\nwash; Wash; 5",
            "no code": "; Wash; 5",
            "a code of 41 characters": "c" * 41 + "; Wash; 5",
            "four parts": "wash; Wash; 5; hot",
        },
        "grace": {
            "missing": MISSING,
            "below zero": "-1",
            "more than 12 h": "721",
            "a word": "some",
            "huge": "9" * 30,
        },
        "criteria": NEEDED
        | TEXT
        | {
            "nothing on disinfection": "rinse; The last rinse",
            "an unknown kind": "disinfection; A0\ntaste; Salty",
            "a kind without words": "disinfection;",
            "words without a kind": "A0 of 600",
        },
        "deed": DEED_ID,
    },
    "add-set": {
        "name": NEEDED | TEXT | {"121 characters": "n" * 121},
        "owner": TEXT | {"121 characters": "n" * 121},
        "labels": NEEDED
        | TEXT
        | {"the same twice": "Eye 1\nEye 1", "taken": "Basic set 1", "121 characters": "Eye 1\n" + "l" * 121},
        "needed_by": DAY,
        "deed": DEED_ID,
    },
    "block-machine": {
        "words": NEEDED | TEXT,
        "chamber": {"unknown": "9", **TEXT},
        "deed": DEED_ID,
    },
    "return-machine": {"words": NEEDED | TEXT | LONG, "chamber": {"unknown": "9", **TEXT}, "deed": DEED_ID},
    "change-supply": {
        "line": NEEDED | TEXT,
        "product": NEEDED | TEXT,
        "lot": NEEDED | TEXT,
        "expires_on": DAY,
        "deed": DEED_ID,
    },
    "explain-cycle": {
        "machine_cycle": COUNTER | {"missing": MISSING, "not owed": "17"},
        "through": COUNTER | {"before it": "4470", "beyond": "4472", "a long way": "999999"},
        "stray": {name: value for name, value in ID.items() if name != "unknown"},
        "load": ID,
        "words": NEEDED | TEXT | LONG,
        "deed": DEED_ID,
    },
    "explain-missing": {
        "first": COUNTER | {"missing": MISSING, "after the last": "20"},
        "last": COUNTER | {"missing": MISSING, "before the first": "16"},
        "words": NEEDED | TEXT | LONG,
        "deed": DEED_ID,
    },
    "care-for": {
        "act": CHOICE,
        "to": ID | {"missing": MISSING, "empty": ""},
        "words": NEEDED | TEXT | LONG,
        "deed": DEED_ID,
    },
    "incident": {"act": CHOICE, "words": NEEDED | TEXT | LONG, "deed": DEED_ID},
    "handover": {
        "digest": LEAF | {"empty": ""},
        "words": TEXT | LONG,
        "badge": BADGE,
        "pin": PIN,
        "badge-2": BADGE,
        "pin-2": PIN,
        "deed": DEED_ID,
    },
    "answer-message": {"answer": CHOICE, "words": NEEDED | TEXT | LONG, "deed": DEED_ID},
    "contacts": {
        "channel": CHOICE,
        "address": TEXT | {"no address": "nobody", "two lines": "a@b.example\nBcc: c@d.example"},
        "person": ID,
        "deed": DEED_ID,
    },
    "test-contact": {"contact": ID | {"missing": MISSING, "empty": ""}, "deed": DEED_ID},
    "compute-figures": {"when": NEEDED | WHEN},
    "settle-restore": {"words": NEEDED | TEXT | LONG, "deed": DEED_ID},
    "record-exposure": {
        "kind": CHOICE,
        "words": NEEDED | TEXT | LONG,
        "person": ID,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
    "take-on-exposure": {"exposure": {"missing": MISSING} | ID, "deed": DEED_ID},
    "racks": {
        "code": NEEDED | TEXT | {"81 characters": "c" * 81},
        "name": NEEDED | TEXT | {"81 characters": "n" * 81},
        "deed": DEED_ID,
    },
    "block-rack": {"words": NEEDED | TEXT | LONG, "deed": DEED_ID},
    "return-rack": {"words": NEEDED | TEXT | LONG, "deed": DEED_ID},
    "release-round": {
        "load": {"missing": MISSING, "empty": "", "a word": "these", "100 kB": MUCH}
        | {"unknown": f"{NOBODY}/1/{'0' * 64}", "no version": str(NOBODY), "U+0000": NUL},
        "purpose": CHOICE,
        "badge": BADGE,
        "pin": PIN,
        "deed": DEED_ID,
    },
    "programme-attribution": {
        "event": ID | {"missing": MISSING, "empty": ""},
        "person": ID | {"missing": MISSING, "empty": ""},
        "words": NEEDED | TEXT | LONG,
        "deed": DEED_ID,
    },
    "catalogue-attribution": {
        "event": ID | {"missing": MISSING, "empty": ""},
        "person": ID | {"missing": MISSING, "empty": ""},
        "words": NEEDED | TEXT | LONG,
        "deed": DEED_ID,
    },
    "catalogue-fault": {
        "code": NEEDED | SHORT | {"taken": "W01"},
        "title": NEEDED | TEXT | {"121 characters": "t" * 121},
        "consequence": CHOICE,
        "time_to_respond": CHOICE,
        "priority": {"unknown": "dire", "lower and not why": "low", **TEXT},
        "why": TEXT | {"401 characters": "w" * 401},
        "first_instruction": NEEDED | TEXT | {"401 characters": "i" * 401},
        "caution": {"unknown": ["wolves"], "U+0000": [NUL]},
        "caution_more": TEXT | {"401 characters": "c" * 401},
        "resume-wash": CHOICE,
        "version": VERSION,
        "deed": DEED_ID,
    },
    "catalogue-remove": {"code": NEEDED | TEXT | {"unknown": "X99"}, "version": VERSION, "deed": DEED_ID},
    "catalogue-drop": {"version": VERSION, "deed": DEED_ID},
    "escalation-draft": {
        "source": NEEDED | TEXT | {"401 characters": "s" * 401},
        "steps": NEEDED
        | TEXT
        | {
            "no alarm": "held; 2 h; supervisor; screen; resolved",
            "no kind": "ghost; 2 h; supervisor; screen; resolved",
            "no priority": "alarm (urgent); 2 h; supervisor; screen; resolved",
            "no time": "alarm; soon; supervisor; screen; resolved",
            "nobody": "alarm; 2 h; wizard; screen; resolved",
            "no such rota": "alarm; 2 h; rota ghosts; screen; resolved",
            "no person": "alarm; 2 h; person 7; screen; resolved",
            "no channel": "alarm; 2 h; supervisor; smoke; resolved",
            "too few parts": "alarm; 2 h",
            "too often": "alarm; 2 h; supervisor; screen; resolved; 5 s",
        },
        "quiet": TEXT | {"high": "high; 20:00; 07:00", "no times": "low; late; early", "one part": "low"},
        "again": NUMBER | {"none": "0"},
        "effective_at": {"no time": "soon", "no day": "2026-02-30T10:00", "beyond": "9999-99-99T10:00"},
        "version": VERSION,
        "deed": DEED_ID,
    },
    "escalation-approve": {"version": VERSION, "deed": DEED_ID},
    "escalation-adopt": {"version": VERSION_OF_NOTHING, "deed": DEED_ID},
    "set-calendar": {
        "turns": {
            "too few parts": "Nights; shift; Sanne",
            "no kind": "Nights; sometimes; Sanne; Mon; 22:00; 06:00",
            "two kinds": "N; shift; Sanne; Mon; 22:00; 06:00\nN; on-call; Sanne; Tue; 22:00; 06:00",
            "nobody here": "Nights; shift; Otto; Mon; 22:00; 06:00",
            "no days": "Nights; shift; Sanne; Monday week; 22:00; 06:00",
            "no time": "Nights; shift; Sanne; Mon; late; 06:00",
            "no weeks": "Nights; shift; Sanne; Mon; 22:00; 06:00; some; 2026-W10",
            "no such week": "Nights; shift; Sanne; Mon; 22:00; 06:00; 2; 2026-W60",
            "no name": "; shift; Sanne; Mon; 22:00; 06:00",
            "U+0000": NUL,
        },
        "holidays": {
            "no name": "2026-12-25",
            "no day": "2026-02-30; Never",
            "81 characters": f"2026-12-25; {'n' * 81}",
            "twice": "2026-12-25; Midwinter\n2026-12-25; Again",
            "U+0000": NUL,
        },
        "version": VERSION,
        "deed": DEED_ID,
    },
    "swap-turn": {
        "rota": CHOICE,
        "instead_of": CHOICE,
        "person": CHOICE,
        "starts_at": {
            "missing": MISSING,
            "no time": "soon",
            "beyond": "9999-12-31T23:59",
            "after": "2026-03-05T10:00",
        },
        "ends_at": {"missing": MISSING, "no day": "2026-02-30T10:00", "before it": "2026-03-03T10:00"},
        "deed": DEED_ID,
    },
    "add-holiday": {
        "day": {"missing": MISSING, "no day": "2026-02-30", "taken": "2026-12-25", "a word": "soon"},
        "name": NEEDED | TEXT | {"81 characters": "n" * 81},
        "version": VERSION,
        "deed": DEED_ID,
    },
    "programme-draft": {
        "phases": NEEDED | TEXT | {"no minutes": "wash; Wash", "the same twice": "wash; Wash; 5\nwash; Wash; 5"},
        "grace": {"missing": MISSING, "below zero": "-1", "a word": "some"},
        "criteria": NEEDED | TEXT | {"nothing on disinfection": "rinse; The last rinse"},
        "requirement": {"neither of both": "enough", "without its source": "A0 3000"},
        "phase_limits": TEXT | {"no such phase": "steam; 120", "out of order": "wash; 50; 60; 70"},
        "doses": TEXT | {"three parts": "wash; 1; 50"},
        "protected": TEXT | {"no such phase": "steam"},
        "longest_halt_s": {"none": "0", "a word": "long", "more than a day": "86401"},
        "resumes": {"below zero": "-1", "four": "4", "a word": "often"},
        "effective_at": {"no time": "soon", "no day": "2026-02-30T10:00", "beyond": "9999-99-99T10:00"},
        "version": VERSION,
        "deed": DEED_ID,
    },
    "programme-approve": {"version": VERSION, "deed": DEED_ID},
    "programme-withdraw": {"words": NEEDED | TEXT | LONG, "version": VERSION, "deed": DEED_ID},
    "catalogue-publish": {"version": VERSION, "deed": DEED_ID},
    "policy": {
        "source": NEEDED | TEXT | {"401 characters": "s" * 401},
        "same_fault_blocks": NUMBER | {"one": "1", "101": "101"},
        "same_fault_cycles": NUMBER | {"one": "1", "fewer than the faults": "2"},
        "rest_may_go_on": {"unknown": ["dry"], "damaged": ["damaged"], "U+0000": [NUL]},
        "requirements": TEXT
        | {
            "no parts": "A0 3000",
            "no source": "A0 3000; 2026-01-01;",
            "no day": "A0 3000; soon; Rule 7",
            "twice": "A0 60; 2026-01-01; Rule 7\nA0 60; 2026-01-01; Rule 7",
            "21 of them": "\n".join(f"A0 {60 + n}; 2026-01-01; Rule 7" for n in range(21)),
        },
        "two_people_lift": {"unknown": ["all"], "nobody lifts it": ["record-missing"], "U+0000": [NUL]},
        "deed": DEED_ID,
    },
    "load-deed cleared": {"alarm": ID | CHOICE, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed stopped": {"how": CHOICE, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed power": {"phase": CHOICE, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed door": {"phase": CHOICE, "forced": CHOICE, "out": CHOICE, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed wrong-programme": {"meant": CHOICE, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed reject": {
        "trays": ID | {"missing": MISSING, "empty": ""},
        "reason": CHOICE,
        "words": TEXT | LONG,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
    "load-deed contamination": {
        "surfaces": NEEDED | TEXT | LONG,
        "loads_nearby": ID,
        "cleaned_by": NEEDED | TEXT | LONG,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
    "load-deed send-tray": {
        "tray": ID | CHOICE,
        "way": CHOICE,
        "contaminated": CHOICE,
        "words": NEEDED | TEXT | LONG,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
    "load-deed note": {"words": NEEDED | TEXT | LONG, "happened_at": WHEN, "deed": DEED_ID},
    "load-deed correct": {
        "event": ID | CHOICE,
        "field": CHOICE | {"of another event": "place"},
        "value": NEEDED | SHORT | {"a word": "many", "huge": "9" * 30, "below zero": "-1"},
        "words": NEEDED | TEXT | LONG,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
    "load-deed attribution": {
        "event": ID | CHOICE,
        "person": ID | CHOICE,
        "words": NEEDED | TEXT | LONG,
        "happened_at": WHEN,
        "deed": DEED_ID,
    },
}
SPOILT = [(route, name) for route, fields in BAD.items() for name in fields]


def stands(department: Department) -> tuple[int, ...]:
    """What a refused form must leave as it was."""
    return (
        written(department),
        Person.objects.count(),
        Membership.objects.count(),
        AccessToken.objects.filter(revoked_at=None).count(),
    )


def flaw_of(answer: HttpResponse, sentence: str = "") -> str:
    """What is wrong with a refusal; nothing where it says in a sentence what was wrong."""
    if not 400 <= answer.status_code < 500:
        return f"{answer.status_code} {answer.exc_info[1] if answer.status_code == 500 else ''}"
    said = alert_of(answer)
    if len(said.split()) < 3 or sentence not in said:
        return f"{answer.status_code} says {said!r:.60}"
    return " ".join(unsound(answer))


def spoilt(errand: Errand, name: str, value: Any) -> dict[str, Any]:
    rest = {field: given for field, given in errand.fields.items() if field != name}
    return rest if value is MISSING else rest | {name: value}


@pytest.mark.parametrize(("route", "name"), SPOILT, ids=[f"{route}-{name}" for route, name in SPOILT])
def test_what_cannot_be_right_is_refused_with_a_sentence(eastmere: Department, route: str, name: str) -> None:
    client, errand = errand_of(eastmere, route)
    before = stands(eastmere)
    flaws = {}
    for case, value in BAD[route][name].items():
        with undone():
            answer = client.post(errand.url, spoilt(errand, name, value))
            flaws[case] = flaw_of(answer) or ("" if stands(eastmere) == before else "but something was written")
    assert {case: flaw for case, flaw in flaws.items() if flaw} == {}
    assert client.post(errand.url, errand.fields).status_code == 302


def test_every_form_is_spoilt() -> None:
    """A new form needs a line in the table; these carry nothing but an address."""
    bare = {"make-token", "revoke-token", "bind-machine", "make-board", "revoke-own-token", "close-tour"}
    bare |= {"drop-draft", "tokens"}  # tokens: test_own_tokens
    whole = set(ERRANDS) - set(BAD) - bare
    assert not whole, f"forms that nobody spoils: add each field of {sorted(whole)} to BAD above"
    assert not bare & set(BAD)


BOUND = [route for route, fields in BAD.items() if "version" in fields]


@pytest.mark.parametrize("route", [route for route in BOUND if route != "escalation-adopt"])
def test_who_looked_at_something_older_is_told_so(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    older = str(int(errand.fields["version"]) - 1)
    answer = client.post(errand.url, errand.fields | {"version": older})
    assert flaw_of(answer, "changed since you looked. Nothing was written.") == ""


@pytest.mark.parametrize("route", BOUND)
def test_a_form_that_does_not_say_what_was_seen_is_refused(eastmere: Department, route: str) -> None:
    """Missing evidence means hold (I7): without its version nobody knows what stood on the screen."""
    client, errand = errand_of(eastmere, route)
    before = stands(eastmere)
    flaws = {}
    for case in (MISSING, ""):
        with undone():
            flaws[str(case)] = flaw_of(client.post(errand.url, spoilt(errand, "version", case)))
    assert set(flaws.values()) == {""}, flaws
    assert stands(eastmere) == before


@pytest.mark.parametrize("route", [route for route in BAD if route not in ("acknowledge", "resume")])
def test_an_empty_form_is_refused_with_a_sentence(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    before = stands(eastmere)
    assert flaw_of(client.post(errand.url, {})) == ""
    assert stands(eastmere) == before


FORM = "application/x-www-form-urlencoded"
NO_FORM: dict[str, dict[str, Any]] = {
    "more fields than a form has": {"data": "&".join(["x=1"] * 401), "content_type": FORM},
    "more than a form holds": {"data": "words=" + "x" * 300_000, "content_type": FORM},
    "a form that breaks off": {"data": b"--x\r\nContent-Disp", "content_type": "multipart/form-data; boundary=x"},
    "a form without its boundary": {"data": b"--x--", "content_type": "multipart/form-data"},
    "a file in place of words": {"data": {"words": BytesIO(b"A tray is wet.")}},
    "JSON": {"data": {"words": "A tray is wet."}, "content_type": "application/json"},
    "bytes": {"data": bytes(range(256)), "content_type": "application/octet-stream"},
}


@pytest.mark.parametrize("case", NO_FORM)
def test_what_is_no_form_is_refused_with_a_sentence(eastmere: Department, case: str) -> None:
    client, errand = errand_of(eastmere, "hold")
    before = stands(eastmere)
    answer = client.post(errand.url, **NO_FORM[case])
    assert 400 <= answer.status_code < 500
    assert unsound(answer) == []
    assert len(words_of(answer).split()) > 10
    assert stands(eastmere) == before


@pytest.mark.parametrize("route", ["add-person", "add-machine", "hold", "place"])
def test_fields_that_the_form_does_not_have_do_nothing(eastmere: Department, route: str) -> None:
    """Mass assignment: what nobody asked for is not set."""
    client, errand = errand_of(eastmere, route)
    more = dict.fromkeys(("is_staff", "is_superuser"), "on") | dict.fromkeys(("id", "actor", "person"), str(NOBODY))
    more |= dict.fromkeys(("occurred_at", "recorded_at", "now"), "0001-01-01T00:00:00Z")
    more |= {"is_active": "", "facility": "westmere", "sequence": "7", "disposition": "released", "stage": "none"}
    assert client.post(errand.url, errand.fields | more).status_code == 302
    if route == "add-person":
        pia = Person.objects.get(login="pia")
        assert pia.is_active and pia.id != NOBODY
        roles = Membership.objects.filter(person=pia).values_list("facility__slug", "role")
        assert list(roles) == [("eastmere", "technician")]
    else:
        last = cast.whole_log(eastmere)[-1]
        assert (last.occurred_at, last.sequence, last.actor.id) == (eastmere.now, None, _who(eastmere, route).id)


def _who(department: Department, route: str) -> Person:
    return department.people[visitors.usual_visitor(route)]


# --- text that is strange but lawful ------------------------------------------------------------------

FREE_TEXT = {
    "place": ("spot",),
    "hold": ("words",),
    "review": ("remark",),
    "review-readings": ("remark",),
    "lift": ("words",),
    "withdraw-record": ("words",),
    "lift-first": ("words",),
    "lift-second": ("words",),
    "withdraw-lift": ("words",),
    "abort": ("words",),
    "add-person": ("name", "login", "badge"),
    "add-machine": ("name", "code", "chambers"),
    "add-set": ("name", "owner", "labels"),
    "add-programme": ("name",),
}


def _shown_at(department: Department, errand: Errand) -> str:
    """The page on which the text then stands: the load's, or Set-up."""
    parts = errand.url.split("/")
    if parts[3] == "set-up":
        return visitors.address(department, "set-up")
    return visitors.address(department, "load", load=UUID(parts[4] if parts[3] == "loads" else parts[5]))


@pytest.mark.parametrize("route", FREE_TEXT)
def test_umlauts_and_signs_are_kept_in_their_composed_form(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    loose = "Spu\u0308len \U0001f9fc"
    answer = client.post(errand.url, errand.fields | dict.fromkeys(FREE_TEXT[route], loose))
    assert answer.status_code == 302, alert_of(answer)
    page = words_of(client.get(_shown_at(eastmere, errand)))
    assert unicodedata.normalize("NFC", loose) in page
    assert loose not in page


STRANGE = {
    "written backwards": "abc\u202edef\u202c",
    "bidi isolates": "\u2067abc\u2069",
    "nothing wide": "A\u200bl\u200dd\ufefer",
    "a soft hyphen": "Al\u00adder",
    "line separators": "a\u2028b\u2029c",
    "a heap of accents": "a" + "\u0301" * 35,
    "a family": "\U0001f468\u200d\U0001f469\u200d\U0001f467",
    "tags": "A\U000e0041\U000e0042",
    "no character": "a\ufffe\U0010ffff",
    "private": "\ue000\U000f0000",
    "half a character, mended on the way": b"a%ED%A0%80b",
    "bytes that are no text": b"a%FF%FEb",
    "a carriage return": "a\r\nb",
    "only nothing wide": "\u200b\u200b",
    "template marks": "{{ 7|add:7 }} {% now 'Y' %}",
    "a format": "%s %(x)s {0} ${x}",
    "SQL": "'; DROP TABLE ledger_event; --",
    "a formula": '=HYPERLINK("http://x")',
    "a path": "../../etc/passwd",
}


@pytest.mark.parametrize("route", ["place", "hold", "add-person", "add-machine", "add-set"])
def test_strange_text_is_kept_or_refused_but_never_breaks_a_page(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    flaws = {}
    for case, text in STRANGE.items():
        with undone():
            before = stands(eastmere)
            answer = send_raw(client, errand, FREE_TEXT[route], text)
            if answer.status_code == 302:
                flaws[case] = _flaws_of_pages(client, eastmere, _shown_at(eastmere, errand))
            else:
                flaws[case] = flaw_of(answer) or ("" if stands(eastmere) == before else "but something was written")
    assert {case: flaw for case, flaw in flaws.items() if flaw} == {}


def send_raw(client: Client, errand: Errand, names: tuple[str, ...], text: str | bytes) -> HttpResponse:
    """As a form, or with bytes that no browser would send."""
    if isinstance(text, str):
        return client.post(errand.url, errand.fields | dict.fromkeys(names, text))
    rest = urlencode({name: value for name, value in errand.fields.items() if name not in names}, doseq=True)
    body = "&".join([rest, *(f"{name}={text.decode()}" for name in names)])
    return client.post(errand.url, body, content_type="application/x-www-form-urlencoded")


def _flaws_of_pages(client: Client, department: Department, *pages: str) -> str:
    """What is wrong with these pages; by name of route, or by address."""
    flaws = []
    for page in pages:
        url = page if page.startswith("/") else visitors.address(department, page)
        answer = client.get(url)
        flaws += [f"{url}: {answer.status_code}"] if answer.status_code != 200 else unsound(answer)
    return "; ".join(flaws)


# --- 50 tries to put code into a page -----------------------------------------------------------------

_DO = "alert(9137)"
CODE = (
    f"<script>{_DO}</script>",
    f"</title><script>{_DO}</script>",
    f"</textarea><script>{_DO}</script>",
    f"</select><script>{_DO}</script>",
    f"</option></select><img src=x onerror={_DO}>",
    f"--><script>{_DO}</script>",
    f"]]><script>{_DO}</script>",
    f'"><script>{_DO}</script>',
    f"'><script>{_DO}</script>",
    f"<ScRiPt>{_DO}</sCrIpT>",
    f"<script src=//x.example/9137.js></script>{_DO}",
    f"<script/src=data:,{_DO}>",
    f"<scr<script>ipt>{_DO}</scr</script>ipt>",
    f"<img src=x onerror={_DO}>",
    f'<img src="x" onerror="{_DO}">',
    f"<img/src/onerror={_DO}>",
    f"<img src=`x` onerror={_DO}>",
    f'" onmouseover="{_DO}',
    f"' onmouseover='{_DO}",
    f'" autofocus onfocus={_DO} x="',
    f"` onclick={_DO} `",
    f"x onfocus={_DO} autofocus",
    f'"/onload={_DO}//',
    f"<svg onload={_DO}>",
    f"<svg/onload={_DO}>",
    f"<svg><script>{_DO}</script></svg>",
    f"<svg><animate onbegin={_DO} attributeName=x>",
    f"<svg><a xlink:href=javascript:{_DO}><text>x",
    f"<math href=javascript:{_DO}>x</math>",
    f"<body onload={_DO}>",
    f"<iframe src=javascript:{_DO}>",
    f'<iframe srcdoc="<script>{_DO}</script>">',
    f"<object data=javascript:{_DO}>",
    f"<embed src=javascript:{_DO}>",
    f"<a href=javascript:{_DO}>x</a>",
    f"<a href='java\tscript:{_DO}'>x</a>",
    f"<form action=javascript:{_DO}><button>x",
    f"<button formaction=javascript:{_DO}>x",
    f"<input autofocus onfocus={_DO}>",
    f"<details open ontoggle={_DO}>",
    f"<video><source onerror={_DO}>",
    f"<marquee onstart={_DO}>",
    f"<style>@import '//x.example/9137';</style>{_DO}",
    f"<p style=background:url(javascript:{_DO})>",
    f"<link rel=stylesheet href=//x.example/9137.css>{_DO}",
    f"<meta http-equiv=refresh content=0;javascript:{_DO}>",
    f"<base href=//x.example/9137/>{_DO}",
    f"<div hx-on:click={_DO} hx-get=/f/>",
    f"&lt;script&gt;{_DO}&lt;/script&gt;<b>",
    f"<\u212acript>{_DO}</\u212acript>\u2028<x>",
)


def test_there_are_fifty_of_them() -> None:
    assert len(set(CODE)) == 50


def ran(answer: HttpResponse) -> list[str]:
    """Where code got into the page: its text is there unescaped, or the page holds what only code would."""
    page = answer.content.decode()
    found = unsound(answer)
    found += [code for code in CODE if set("<>\"'") & set(code) and code in page]
    for tag, attrs in visitors.read(answer).elements:
        loud = [name for name in (tag, *attrs) if "9137" in name or name.startswith("hx-on")]
        found += [f"<{tag} {name}>" for name in loud]
        if tag in ("iframe", "object", "embed", "base", "math", "marquee", "video", "animate"):
            found.append(f"<{tag}>")
    return found


@pytest.fixture
def planted(eastmere: Department) -> dict[str, UUID]:
    """A department where every text that anyone may give is code: names, labels, words, what machines tell."""

    def ask(who: str) -> Any:
        return cast.request(eastmere, who)

    for n, code in enumerate(CODE):
        cast.done(setting_up.register_set(ask("Ada"), name=code, owner=code, labels=[f"{code}{n}"[:120]]))
        named = {"name": f"{n}{code}"[:80], "code": f"{code[:70]}{n}"}
        cast.done(setting_up.register_machine(ask("Ada"), **named, chambers=[code[:40]]))
    phases = [Phase(f"p{n}", code[:80], 1) for n, code in enumerate(CODE)]
    criteria = [Criterion(f"c{n}", code, "rinse") for n, code in enumerate(CODE)]
    criteria.append(Criterion("d", CODE[0], "disinfection"))
    cast.publish_programme(eastmere, CODE[0][:80], phases=phases, criteria=criteria)
    faults = [
        Fault(f"F{n}", code, code, code, "high", code, code, code, {"wash": "technician"})
        for n, code in enumerate(CODE)
    ]
    cast.agree_on_faults(eastmere, faults)
    for name, person in eastmere.people.items():
        person.name = f"{name} {CODE[0]}"
        person.save()
    eastmere.facility.name = CODE[1]
    eastmere.facility.save()
    return {"told": _told_by_the_machine(eastmere), "reviewed": _reviewed(eastmere)}


def _told_by_the_machine(department: Department) -> UUID:
    """A load whose machine tells code: programme, fault codes, phases, texts; and that people hold with code."""
    load = cast.given_assembled_load(department, trays=department.trays[:1])
    cast.done(cast.tell(department, "cycle-started", programme=CODE[0][:80]))
    for n, code in enumerate(CODE):
        known = {"code": f"F{n}", "phase": "wash"}
        unheard = {"code": code[:40], "phase": code[:40], "text": code[:200]}
        cast.done(cast.tell(department, "alarm-raised", **(unheard if n % 2 else known)))
        cast.done(cast.hold(department, load, words=code))
    return load


def _reviewed(department: Department) -> UUID:
    load = cast.given_finished_load(department, trays=department.trays[1:], machine=_other(department))
    asked = cast.request(department, "Ines")
    stated: dict[str, Any] = {criterion.code: "met" for criterion in cast.CRITERIA}
    cast.done(holds.review_load(asked, load=load, record_seen=True, verdicts=stated, remark=CODE[2]))
    asked = cast.request(department, "Ines")
    cast.done(cycles.place_load(asked, load=load, place="clean-side", spot=CODE[0][:40]))
    return load


def _other(department: Department) -> UUID:
    """Another machine, so that two loads are under way; its programme is the ordinary one."""
    department.machine = cast.register_machine(department, "Birch")
    return department.machine


def test_no_page_runs_what_anyone_wrote(eastmere: Department, planted: dict[str, UUID]) -> None:
    client = visitor(eastmere, "Ada")
    told, reviewed = planted["told"], planted["reviewed"]
    pages = [visitors.address(eastmere, route) for route in ("now", "loads", "assemble", "set-up", "catalogue")]
    pages += [visitors.address(eastmere, "load", load=load) for load in (told, reviewed)]
    pages += [visitors.address(eastmere, "release", load=reviewed), visitors.address(eastmere, "review", load=told)]
    pages += [
        visitors.address(eastmere, "alarm", kind="load", owner=told, alarm=alarm.id)
        for alarm in cast.load_now(eastmere, told).alarms[:6]
    ]
    pages += ["/", "/sign-in/"]
    shown = 0
    for url in pages:
        answer = client.get(url, follow=True)
        assert answer.status_code == 200, url
        assert ran(answer) == [], url
        shown += sum(code in words_of(answer) for code in CODE)
    assert shown > 200  # the control: the words are there to be read


@pytest.mark.parametrize(
    ("route", "name"),
    [
        *[("loads", "search"), ("loads", "disposition"), ("scan", "code"), ("assemble", "machine")],
        *[("lift", "hold"), ("sign-in", "next"), ("sign-in", "by"), ("sets", "find")],
    ],
)
def test_no_page_runs_what_stands_in_its_address(eastmere: Department, route: str, name: str) -> None:
    client = visitor(eastmere, "Ines")
    named = {"load": cast.given_aborted_load(eastmere)} if route == "lift" else {}
    url = "/sign-in/" if route == "sign-in" else visitors.address(eastmere, route, **named)
    each = CODE if name in ("search", "code", "next", "find") else (" ".join(CODE),)
    for code in each:
        answer = client.get(url, {name: code}, follow=True)
        assert answer.status_code in (200, 409)
        assert ran(answer) == [], code


@pytest.mark.parametrize("route", [route for route in BAD if route not in ("acknowledge", "resume")])
def test_no_refusal_runs_what_it_repeats(eastmere: Department, route: str) -> None:
    """All fifty at once where they go in whole, and some alone where a field is short."""
    client, errand = errand_of(eastmere, route)
    typed = [name for name in BAD[route] if name not in ("deed", "version", "criterion-taste")]
    for code in (" ".join(CODE), CODE[0], CODE[7], CODE[13], CODE[17], CODE[19]):
        with undone():
            answer = client.post(errand.url, errand.fields | dict.fromkeys(typed, code), follow=True)
            assert answer.status_code < 500
            assert ran(answer) == [], code


# --- addresses ----------------------------------------------------------------------------------------

NO_ID = (
    "abc",
    "0",
    "-1",
    "7" * 36,
    str(NOBODY).replace("0", "A"),
    f"{{{NOBODY}}}",
    "%00",
    "..",
    "x" * 3000,
)


@pytest.mark.parametrize("part", NO_ID)
def test_an_address_with_no_id_in_it_leads_nowhere(eastmere: Department, part: str) -> None:
    client = visitor(eastmere, "Ada")
    for path in (f"loads/{part}/", f"loads/{part}/hold/", f"set-up/machines/{part}/token/"):
        for send in (client.get, client.post):
            assert send(f"/f/eastmere/{path}").status_code == 404


@pytest.mark.parametrize(
    "path", ["loads/?search=%00", "scan/?code=a%00", "set-up/tokens/%00/revoke/", "%00/", "loads/?%00=1"]
)
def test_an_address_that_holds_no_text_is_not_read(eastmere: Department, path: str) -> None:
    """U+0000 means nothing in any text, and PostgreSQL keeps none."""
    client = visitor(eastmere, "Ada")
    for send in (client.get, client.post):
        answer = send(f"/f/eastmere/{path}")
        assert answer.status_code in (400, 404, 405)
        assert unsound(answer) == []


@pytest.mark.parametrize("token", ["abc", "x" * 3000, "%F0%9F%A7%BC", "'", "{}"])
def test_a_token_that_is_not_there_is_not_found(eastmere: Department, token: str) -> None:
    assert visitor(eastmere, "Ada").post(f"/f/eastmere/set-up/tokens/{token}/revoke/").status_code == 404


@pytest.mark.parametrize("kind", ["rack", "facility", "Load", "programme"])
def test_alarms_stand_on_loads_and_machines_only(eastmere: Department, kind: str) -> None:
    receipt = cast.done(cast.tell(eastmere, "alarm-raised", code="W02", phase="wash"))
    alarm = cast.named(receipt.deed_id, "alarm")
    client = visitor(eastmere, "Ines")
    assert client.get(f"/f/eastmere/alarms/machine/{eastmere.machine}/{alarm}/").status_code == 200
    for path in ("", "seen/"):
        url = f"/f/eastmere/alarms/{kind}/{eastmere.machine}/{alarm}/{path}"
        assert client.post(url).status_code == 404
        assert client.get(url).status_code in (404, 405)


ASKED: dict[str, str] = {
    "nothing": "",
    "a bell": BELL,
    "much": "x" * 50_000,
    "a percent sign": "%",
    "an underscore": "_",
    "a backslash": "\\",
    "quotes": "'\"",
    "emoji": "\U0001f9fc",
    "backwards": "\u202eabc",
    "a number": "9" * 40,
    "an id": str(NOBODY),
}


@pytest.mark.parametrize("case", ASKED)
def test_whatever_is_asked_for_is_answered(eastmere: Department, case: str) -> None:
    load = cast.given_aborted_load(eastmere)
    client = visitor(eastmere, "Ines")
    for route, name, named in (
        ("loads", "search", {}),
        ("loads", "disposition", {}),
        ("scan", "code", {}),
        ("assemble", "machine", {}),
        ("lift", "hold", {"load": load}),
        ("now", "x", {}),
    ):
        answer = client.get(visitors.address(eastmere, route, **named), {name: ASKED[case]}, follow=True)
        assert answer.status_code in (200, 409), route
        assert unsound(answer) == []
    for name in ("next", "by"):
        assert client.get("/sign-in/", {name: ASKED[case]}).status_code == 200


WHERE_READ = (
    *(("now", "when"), ("evidence", "kind"), ("evidence", "stream"), ("evidence", "type"), ("evidence", "person")),
    *(("evidence", "since"), ("evidence", "until"), ("evidence", "before"), ("evidence", "late")),
    *(("load", "at"), ("load", "when"), ("catalogue-fault", "code"), ("assemble", "tray"), ("find-form", "number")),
    *(("wall", "x"), ("racks", "x"), ("sets", "find"), ("sets", "from"), ("release-round", "load")),
    *(("set-up", "find"), ("loads", "past"), ("load", "below")),
)
MOMENTS = ("0001-01-01T00:00", "9999-12-31T23:59:59", "2026-03-02T06:00+05:00", "2026-03-02T06:00Z", "0001-01-01")


@pytest.mark.parametrize(("route", "name"), WHERE_READ)
def test_whatever_is_asked_of_the_pages_that_read_the_ledger_is_answered(
    eastmere: Department, route: str, name: str
) -> None:
    """Found, unreadable or unknown: an answer like any other, wherever the facility stands on the globe."""
    load = cast.given_aborted_load(eastmere)
    client = visitor(eastmere, "Ada" if route == "set-up" else "Ines")
    url = visitors.address(eastmere, route, **({"load": load} if route == "load" else {}))
    flaws = {}
    for zone in ("UTC", *FAR):
        eastmere.facility.time_zone = zone
        eastmere.facility.save()
        for asked in (*ASKED.values(), *MOMENTS):
            answer = client.get(url, {name: asked}, follow=True)
            if answer.status_code not in (200, 400, 404) or unsound(answer):
                flaws[zone, asked[:40]] = (answer.status_code, unsound(answer))
    assert flaws == {}


@pytest.mark.parametrize("zone", ["America/New_York", "Pacific/Kiritimati"])
@pytest.mark.parametrize("claimed", ["0001-01-01T00:00", "9999-12-31T23:59:59", "2026-03-29T02:30"])
def test_whatever_moment_a_person_claims_is_recorded_or_refused(
    eastmere: Department, zone: str, claimed: str
) -> None:
    eastmere.facility.time_zone = zone
    eastmere.facility.save()
    client, errand = errand_of(eastmere, "load-deed note")
    before = stands(eastmere)
    answer = client.post(errand.url, errand.fields | {"happened_at": claimed})
    if answer.status_code == 302:
        assert stands(eastmere) > before
        assert _flaws_of_pages(client, eastmere, "now", "loads", "evidence", answer.headers["Location"]) == ""
    else:
        assert (flaw_of(answer), stands(eastmere)) == ("", before)


def test_a_search_for_a_sign_finds_the_sign(eastmere: Department) -> None:
    """`%` and `_` are letters like others to whoever types them."""
    cast.given_assembled_load(eastmere)
    client = visitor(eastmere, "Ines")
    assert "2026-00001" in words_of(client.get("/f/eastmere/loads/?search=2026-0"))
    for sign in ("%25", "2026_0"):
        assert "2026-00001" not in words_of(client.get(f"/f/eastmere/loads/?search={sign}"))


# --- what belongs elsewhere, in the form --------------------------------------------------------------


def test_trays_and_machines_of_another_facility_are_as_unknown_as_any(eastmere: Department) -> None:
    westmere = visitors.another_department()
    client, errand = errand_of(eastmere, "assemble")
    for name, theirs, nothing in (
        ("tray", [str(westmere.trays[0])], [str(NOBODY)]),
        ("tray", [str(eastmere.trays[0]), str(westmere.trays[0])], [str(eastmere.trays[0]), str(NOBODY)]),
        ("chamber", f"{westmere.machine}/1", f"{NOBODY}/1"),
    ):
        answers = [client.post(errand.url, errand.fields | {name: value}) for value in (theirs, nothing)]
        assert [flaw_of(answer) for answer in answers] == ["", ""]
        assert alert_of(answers[0]) == alert_of(answers[1])
    client, errand = errand_of(eastmere, "rerun")
    assert flaw_of(client.post(errand.url, errand.fields | {"where": f"{westmere.machine}/1"})) == ""


def test_a_tray_that_cannot_be_read_is_not_left_out_in_silence(eastmere: Department) -> None:
    """A load whose record lacks a tray that lay in it is worse than no load."""
    client, errand = errand_of(eastmere, "assemble")
    before = stands(eastmere)
    for other in ("abc", "", "\0", str(NOBODY), "0" * 31):
        answer = client.post(errand.url, errand.fields | {"tray": [*errand.fields["tray"], other]})
        assert flaw_of(answer) == "", repr(other)
    assert stands(eastmere) == before


# --- the same again -----------------------------------------------------------------------------------

DEEDS = list(BAD)


@pytest.mark.parametrize("route", DEEDS)
def test_a_double_click_is_one_deed_and_one_answer(eastmere: Department, route: str) -> None:
    """I5: the same deed id and body get the same receipt; nothing is written twice."""
    client, errand = errand_of(eastmere, route)
    first = client.post(errand.url, errand.fields)
    after = stands(eastmere)
    second = client.post(errand.url, errand.fields)
    assert (second.status_code, alert_of(second)) == (302, "")
    assert second.headers["Location"] == first.headers["Location"]
    assert stands(eastmere) == after


OTHERWISE = {
    "assemble": {"tray": MISSING},
    "start": {"machine_cycle": "4472"},
    "report-end": {"complete": "no"},
    "report-alarm": {"code": "W03"},
    "place": {"spot": "Bay 4"},
    "rerun": {"programme": "Other"},
    "hold": {"words": "Two trays are wet."},
    "review": {"criterion-a0": "not-met"},
    "readings": {
        "record": visitors.File(recorded.as_csv(recorded.shift(recorded.ALL_PROBES, 0.1)(recorded.good())))
    },
    "review-readings": {"remark": "Looked at again."},
    "set-basis": {"basis_source": "Rule R-8"},
    "record-form": {"header_line": "4"},
    "release": {"purpose": "use"},
    "lift": {"words": "Looked again."},
    "withdraw-record": {"words": "Looked again."},
    "lift-first": {"words": "Looked again."},
    "lift-second": {"words": "Looked again."},
    "withdraw-lift": {"words": "Looked again."},
    "abort": {"reason": "wrong-load"},
    "add-person": {"name": "Piet"},
    "set-rights": {"roles": ["quality"]},
    "add-machine": {"name": "Cedar"},
    "limit-machine": {"takes_racks": "R-5"},
    "add-programme": {"grace": "11"},
    "add-set": {"owner": "Theatre 3"},
    "block-machine": {"words": "It hums."},
    "change-supply": {"lot": "L-18"},
    "record-exposure": {"kind": "burn"},
    "racks": {"name": "Rack 5"},
    "release-round": {"purpose": "use"},
    "catalogue-fault": {"title": "Steam at the door"},
    "escalation-draft": {"again": "6"},
    "set-calendar": {"holidays": ""},
    "swap-turn": {"ends_at": "2026-03-04T07:00"},
    "add-holiday": {"name": "Another day"},
    "programme-draft": {"grace": "13"},
    "programme-withdraw": {"words": "Another reason."},
    "programme-attribution": {"words": "Another reason."},
    "policy": {"same_fault_blocks": "4"},
    "load-deed stopped": {"how": "emergency"},
    "load-deed reject": {"reason": "soiled"},
    "load-deed note": {"words": "It went out."},
    "load-deed correct": {"value": "4473"},
}


@pytest.mark.parametrize("route", OTHERWISE)
def test_a_deed_id_used_for_something_else_is_refused(eastmere: Department, route: str) -> None:
    client, errand = errand_of(eastmere, route)
    assert client.post(errand.url, errand.fields).status_code == 302
    after = stands(eastmere)
    changed = errand.fields
    for name, value in OTHERWISE[route].items():
        changed = spoilt(Errand("", changed), name, value)
    assert flaw_of(client.post(errand.url, changed)) == ""
    assert stands(eastmere) == after


def test_a_deed_id_is_one_persons_and_one_kinds(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "hold")
    assert client.post(errand.url, errand.fields).status_code == 302
    after = stands(eastmere)
    used = "This deed id was used for something else. Nothing was written."
    assert flaw_of(visitor(eastmere, "Sanne").post(errand.url, errand.fields), used) == ""
    place = Errand(errand.url.replace("/hold/", "/place/"), {"place": "quarantine", "deed": errand.fields["deed"]})
    assert flaw_of(client.post(place.url, place.fields)) == ""
    assert stands(eastmere) == after


# --- observations: recorded, whatever they tell -------------------------------------------------------

KINDS = ("cycle-started", "alarm-raised", "alarm-cleared", "cycle-finished")
YEAR_1, YEAR_9999 = datetime(1, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, 23, 59, 59, tzinfo=UTC)
FAR = ("America/New_York", "Pacific/Kiritimati")
EDGES = ("in the year 1", "in the year 9999")


def claimed(department: Department, when: str) -> datetime:
    moments = {
        "in the year 1": YEAR_1,
        "in the year 9999": YEAR_9999,
        "72 h ago": department.now - timedelta(hours=72),
        "an hour ahead": department.now + timedelta(hours=1),
        "2 min ahead": department.now + timedelta(minutes=2),
        "2 min and a second ahead": department.now + timedelta(minutes=2, seconds=1),
        "2 min ago": department.now - timedelta(minutes=2),
        "2 min and a second ago": department.now - timedelta(minutes=2, seconds=1),
    }
    return moments[when]


# What is said of the time, and whether it holds the load. Skew beyond 2 min is flagged (I10).
WHENS = {
    "in the year 1": ("late entry", True),  # before the load was
    "in the year 9999": ("claims a time ahead of the clock here", True),
    "72 h ago": ("late entry", False),
    "an hour ahead": ("claims a time ahead of the clock here", True),
    "2 min ahead": ("", False),
    "2 min and a second ahead": ("claims a time ahead of the clock here", True),
    "2 min ago": ("", False),
    "2 min and a second ago": ("late entry", False),
}


def told(department: Department, event: dict[str, Any]) -> None:
    """Taken at the device door, and the last event of the log is it, with the time that it claims."""
    before = written(department)
    answer = report(department, token_of(department)[1], event)
    assert answer.status_code == 201, answer.content
    assert written(department) == before + 1
    if "time" in event:
        last = cast.whole_log(department)[-1]
        assert last.occurred_at == datetime.fromisoformat(event["time"])
        assert last.recorded_at == department.now


COUNTED: dict[str, Any] = {"sequence": 2}  # the next after the start’s
TIMES = [(kind, when, "UTC", COUNTED) for kind in KINDS for when in WHENS]
TIMES += [(kind, when, zone, COUNTED) for kind in KINDS for when in EDGES for zone in FAR]
TIMES += [(kind, when, "UTC", {}) for kind in KINDS for when in EDGES]


@pytest.mark.parametrize(("kind", "when", "zone", "counted"), TIMES)
def test_whatever_time_a_machine_claims_it_is_recorded_and_said(
    eastmere: Department, kind: str, when: str, zone: str, counted: dict[str, int]
) -> None:
    eastmere.facility.time_zone = zone
    eastmere.facility.save()
    load = cast.given_assembled_load(eastmere)
    if kind != "cycle-started":
        cast.done(cast.tell(eastmere, "cycle-started", cycle=4471, programme="Instruments"))
    eastmere.wait(80 * 60)
    data = {"machine_cycle": 4471, "programme": "Instruments", "code": "W02", "phase": "wash"}
    told(eastmere, cloud_event(kind, data=data, time=claimed(eastmere, when).isoformat(), **counted))

    words, holds = WHENS[when]
    client = visitor(eastmere, "Ines")
    pages = ["now", "loads", visitors.address(eastmere, "load", load=load)]
    page = words_of(client.get(pages[-1]))
    assert ("late entry" in page, "claims a time ahead" in page) == ("late" in words, "ahead" in words)
    assert ("unexpected" in cast.standing(eastmere, load)) == holds
    assert cast.fate(eastmere, load).startswith("quarantined") == holds
    for alarm in cast.load_now(eastmere, load).alarms:
        pages.append(visitors.address(eastmere, "alarm", kind="load", owner=load, alarm=alarm.id))
    assert _flaws_of_pages(client, eastmere, *pages) == ""
    sweep(eastmere.now)
    assert _flaws_of_pages(client, eastmere, *pages[:3]) == ""


ODD: dict[str, tuple[str, dict[str, Any], str]] = {
    "a programme nobody published": (
        "cycle-started",
        {"programme": "Unheard of"},
        "Programme “Unheard of” was not in force here when the cycle started.",
    ),
    "no programme": ("cycle-started", {}, "was not in force here"),
    "a fault nobody listed": (
        "alarm-raised",
        {"code": "X99", "phase": "wash"},
        "Fault code X99 is not in the fault catalogue.",
    ),
    "a fault without a code": ("alarm-raised", {"text": "Beep"}, "is not in the fault catalogue."),
    "a fault without anything": ("alarm-raised", {}, "is not in the fault catalogue."),
    "a phase nobody knows": ("alarm-raised", {"code": "W02", "phase": "moon"}, ""),
    "a fault of U+FFFD": ("alarm-raised", {"code": "\ufffd", "phase": "\u202e"}, "is not in the fault catalogue."),
    "an end that was none": ("cycle-finished", {"complete": False}, ""),
    "another counter": ("cycle-finished", {"machine_cycle": 2**53 - 1}, ""),
    "a cleared fault that never was": ("alarm-cleared", {"code": "X99"}, ""),
}


@pytest.mark.parametrize("case", ODD)
def test_whatever_a_machine_tells_is_recorded_flagged_and_shown(eastmere: Department, case: str) -> None:
    kind, data, sentence = ODD[case]
    load = cast.given_assembled_load(eastmere)
    if kind != "cycle-started":
        cast.done(cast.tell(eastmere, "cycle-started", programme="Instruments"))
    told(eastmere, cloud_event(kind, data=data))
    client = visitor(eastmere, "Ines")
    page = client.get(visitors.address(eastmere, "load", load=load))
    assert page.status_code == 200
    if sentence:
        assert sentence in words_of(page)
        assert "unexpected" in cast.standing(eastmere, load)
        assert cast.fate(eastmere, load) == "quarantined"
    assert _flaws_of_pages(client, eastmere, "now", "loads") == ""


@pytest.mark.parametrize("when", EDGES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_machine_without_a_load_may_claim_any_time_too(eastmere: Department, kind: str, when: str) -> None:
    told(eastmere, cloud_event(kind, data={"code": "X99"}, time=claimed(eastmere, when).isoformat()))
    client = visitor(eastmere, "Ines")
    assert _flaws_of_pages(client, eastmere, "now", "loads", "assemble") == ""
    assert client.get("/f/eastmere/scan/?code=M-Alder", follow=True).status_code == 200


def test_what_a_person_reports_of_an_unknown_fault_is_held_too(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "report-alarm")
    visitors.scan(client, eastmere)
    answer = client.post(errand.url, errand.fields | {"code": "X99", "all_the_same": "X99"}, follow=True)
    assert "This fault code is not in the catalogue: it counts as high, and nobody resumes after it." in (
        words_of(answer)
    )
    load = UUID(errand.url.split("/")[4])
    assert cast.fate(eastmere, load) == "quarantined"
    assert _flaws_of_pages(client, eastmere, "now", "loads", visitors.address(eastmere, "load", load=load)) == ""
