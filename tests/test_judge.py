"""`manage.py judge` in a process of its own and in this one, and the limits that a programme carries."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import pytest
from django.core.management import call_command

from incidents.identity.ids import named
from incidents.management.benches import judging as bench
from incidents.management.commands.judge import Command
from incidents.operations import programmes
from incidents.operations.deeds import Receipt
from incidents.pages import programme_limits
from incidents.queries import judging
from incidents.rules import policies
from incidents.rules.events import Criterion, Phase, ProgrammePublished
from incidents.rules.limits import (
    ConductivityLimit,
    DoseLimit,
    Limits,
    PhaseLimit,
    ProbeCalibration,
    Requirement,
)
from incidents.rules.refusals import Refusal
from tests import cast, visitors
from tests.cast import Department, rebuilt_equals_live, request
from tests.recorded import (
    ALL_PROBES,
    CRITERIA,
    HELD_TO_S,
    PHASES,
    Spoiling,
    as_csv,
    as_json,
    good,
    put,
    shift,
    without,
    without_rows,
)
from tests.test_pages import errand_of
from tests.visitors import words_of

pytestmark = pytest.mark.django_db

ROOT = Path(__file__).parent.parent
REQUIRED = Requirement("Validation report V-12 (invented)", "2026-01-01", a0_s=3000)
LIMITS = Limits(
    phases=(
        PhaseLimit("pre-wash", least_s=100, most_s=200),
        PhaseLimit("wash", "57", "55", "62", 280, 400, 600, (DoseLimit("1", "50", "10"),)),
        PhaseLimit("rinse", least_s=150, most_s=300, doses=(DoseLimit("2", "20", "10"),)),
        PhaseLimit("disinfection", "91", "90", "95", 280, 500, 700),
        PhaseLimit("drying", least_s=200, most_s=400),
    ),
    disinfection=REQUIRED,
    gap_s="10",
    sampling_s="5",
    agreement_k="2",
    conductivity=ConductivityLimit("30", "25-degC"),
    probes=4,
    tolerance_k="0.3",
)
KINDS: Any = CRITERIA.kinds
RECIPE: dict[str, Any] = {
    "phases": tuple(Phase(code, code.capitalize(), 5) for code in PHASES),
    "criteria": tuple(Criterion(kind, kind, kind) for kind in KINDS),
}


@pytest.fixture
def eastmere(db: None) -> Department:
    return cast.open_department()


def publish(department: Department, limits: Limits | None, name: str = "Judged") -> Receipt | Refusal:
    asked = {"expected_s": 1800, "grace_s": 600, **RECIPE, "limits": limits}
    drafted = request(department, "Bo")
    outcome = programmes.draft_programme(drafted, name=name, **asked)
    if isinstance(outcome, Refusal):
        return outcome
    return programmes.approve_programme(request(department, "Ada"), programme=named(drafted.deed, "programme"))


# --- a programme carries its limits -------------------------------------------------------------------


def test_limits_become_the_criteria_of_the_computation(eastmere: Department) -> None:
    assert isinstance(publish(eastmere, LIMITS), Receipt)
    programme = judging.programme_at(eastmere.id, "Judged")
    assert programme is not None and programme.limits == LIMITS
    criteria = judging.criteria_of(programme)
    assert criteria._replace(source=CRITERIA.source, disinfection=CRITERIA.disinfection) == CRITERIA
    assert criteria.source == "programme “Judged”, edition 1"
    assert criteria.disinfection is not None
    assert criteria.disinfection.source == "Validation report V-12 (invented), from 2026-01-01"
    rebuilt_equals_live(eastmere)


def test_a_programme_of_before_has_no_limits() -> None:
    from incidents.ledger import records
    from tests.specimens import path_of

    old = records.decode(0, "programme-published", 1, path_of("programme-published", 1).read_bytes()).data
    assert isinstance(old, ProgrammePublished)
    assert old.limits is None
    assert judging.criteria_of(old).disinfection is None


def with_phase(**more: Any) -> Limits:
    spoilt = msgspec.structs.replace(LIMITS.phases[3], **more)
    return msgspec.structs.replace(LIMITS, phases=(*LIMITS.phases[:3], spoilt, LIMITS.phases[4]))


def asking(**more: Any) -> Limits:
    return msgspec.structs.replace(LIMITS, disinfection=msgspec.structs.replace(REQUIRED, **more))


def having(**more: Any) -> Limits:
    return msgspec.structs.replace(LIMITS, **more)


REFUSED: dict[str, tuple[Limits, str]] = {
    # ISO 15883-1 Annex B: 90 °C for 60 s is an A0 of 600; 65 °C is the lowest that counts
    "A0 missed": (with_phase(set_c="90", held_s=60), "60 s × 10^((90 − 80) / 10) = 600.0 s; 3000 s are required"),
    "A0 missed by a second": (with_phase(set_c="90", held_s=299), "= 2990.0 s; 3000 s are required"),
    "too cold to count": (with_phase(set_c="64.9", low_c="60", held_s=9000), "nothing: below 65 °C"),
    "a pair's temperature missed": (
        asking(a0_s=None, celsius="93", seconds=60),
        "it is set to 91 °C for 280 s; 93 °C for 60 s is required",
    ),
    "a pair's time missed": (asking(a0_s=None, celsius="71", seconds=300), "71 °C for 300 s is required"),
    "no holding time to check with": (with_phase(held_s=None), "can’t be calculated"),
    "no set value to check with": (with_phase(set_c=""), "can’t be calculated"),
    "both": (asking(celsius="90", seconds=60), "not both"),
    "neither": (asking(a0_s=None), "not both"),
    "no source": (asking(source=" "), "needs its source"),
    "no day": (asking(effective_on=""), "the day from which it holds"),
    "a day that is none": (asking(effective_on="2026-02-30"), "the day from which it holds"),
    "a day without hyphens": (asking(effective_on="20260101"), "must be a date such as"),
    "A0 of nothing": (asking(a0_s=0), "1 to 1 000 000 s"),
    "a pair without its time": (asking(a0_s=None, celsius="90"), "needs its time"),
    "a phase of another programme": (having(phases=(PhaseLimit("steam"),)), "no phase “steam”"),
    "a phase twice": (having(phases=(PhaseLimit("wash"), PhaseLimit("wash"))), "limits twice"),
    "a word": (with_phase(set_c="hot"), "is no number"),
    "an exponent": (with_phase(set_c="9e1"), "is no number"),
    "other digits": (with_phase(set_c="९०"), "is no number"),
    "upside down": (with_phase(low_c="96"), "must rise"),
    "boiling over": (with_phase(high_c="151"), "must be 0 to 150"),
    "held for nothing": (with_phase(held_s=0), "must be 1 to"),
    "shorter than its shortest": (with_phase(least_s=701), "shorter than its shortest"),
    "held without a level": (with_phase(low_c=""), "needs its lower limit"),
    "no gap at all": (having(gap_s="0"), "gap must be"),
    "no probe": (having(probes=0), "1 to 40"),
    "a dose of a word": (with_phase(doses=(DoseLimit("1", "x", "10"),)), "is no number"),
    "a line twice": (with_phase(doses=(DoseLimit("1", "5", "10"),) * 2), "name one line"),
    "a calibration twice": (having(calibrations=(ProbeCalibration("probe_1", "0.3"),) * 2), "each once"),
    "a calibration of nobody": (having(calibrations=(ProbeCalibration("", "0.3"),)), "each once"),
    "a bias beyond any": (having(calibrations=(ProbeCalibration("probe_1", "0.3", "99"),)), "must be -50 to 50"),
    "water of no phase": (
        having(conductivity=ConductivityLimit("30", "25-degC", phase="steam")),
        "no phase “steam”",
    ),
    "water of a word": (having(conductivity=ConductivityLimit("low", "25-degC")), "is no number"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_limits_that_cannot_be_are_refused(eastmere: Department, name: str) -> None:
    limits, words = REFUSED[name]
    refusal = publish(eastmere, limits)
    assert isinstance(refusal, Refusal)
    assert words in refusal.sentence
    assert judging.programme_at(eastmere.id, "Judged") is None


@pytest.mark.parametrize(
    ("celsius", "seconds", "asked"),
    [
        ("90", 300, asking()),  # A0 3000 on the limit (published: 90 °C for five minutes)
        ("80", 3000, asking()),
        ("70", 600, asking(a0_s=60)),  # 0.1 a second (definition)
        ("71", 180, asking(a0_s=None, celsius="71", seconds=180)),  # a pair as given (HTM 01-04); its A0 is 22.66
    ],
)
def test_a_programme_that_just_meets_its_requirement_is_published(
    eastmere: Department, celsius: str, seconds: int, asked: Limits
) -> None:
    phase = PhaseLimit("disinfection", celsius, celsius, "95", seconds)
    limits = msgspec.structs.replace(asked, phases=(phase,))
    assert isinstance(publish(eastmere, limits), Receipt)


TYPED = {
    "phases": "\n".join(f"{code}; {code}; 5" for code in PHASES),
    "criteria": "\n".join(f"{kind}; {kind}" for kind in CRITERIA.kinds),
    "requirement": "A0 3000",
    "requirement_source": REQUIRED.source,
    "requirement_from": REQUIRED.effective_on,
    "phase_limits": "pre-wash;;;;;100;200\nwash; 57; 55; 62; 280; 400; 600\nrinse;;;;;150;300\n"
    "disinfection;91;90;95;280;500;700\ndrying;;;;;200;400",
    "doses": "wash; 1; 50; 10\nrinse; 2; 20; 10",
    "gap_s": "10",
    "sampling_s": "5",
    "agreement_k": "2",
    "probes": "4",
    "tolerance_k": "0,3",
    "conductivity": "30; 25",
    "decides": "worst",
}


def test_limits_are_typed_in_set_up(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-programme")
    assert client.post(errand.url, errand.fields | TYPED | {"name": "Judged"}).status_code == 302
    cast.approve_programme(eastmere, "Judged", "Bo")
    programme = judging.programme_at(eastmere.id, "Judged")
    assert programme is not None and programme.limits == LIMITS


def test_a_requirement_of_the_policy_is_chosen_instead_of_typed(eastmere: Department) -> None:
    client, errand = errand_of(eastmere, "add-programme")
    asked = policies.STARTING_REQUIREMENTS[2]
    typed = TYPED | {"by_policy": programme_limits.requirement_typed(asked)}
    assert client.post(errand.url, errand.fields | typed | {"name": "Judged"}).status_code == 302
    cast.approve_programme(eastmere, "Judged", "Bo")
    programme = judging.programme_at(eastmere.id, "Judged")
    assert programme is not None and programme.limits is not None and programme.limits.disinfection == asked


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"requirement": "hot"}, "neither an A0"),
        ({"by_policy": "A0 1; 2026-01-01; Nobody"}, "valid choice"),
        ({"requirement": ""}, "stands without what disinfection is asked for"),
        ({"requirement_source": ""}, "needs its source"),
        ({"requirement_from": ""}, "the day from which it holds"),
        ({"requirement_from": "yesterday"}, "valid date"),
        ({"phase_limits": "wash; 57; 55; 62; long"}, "is not a phase’s limits"),
        ({"phase_limits": "wash; 1; 2; 3; 4; 5; 6; 7"}, "is not a phase’s limits"),
        ({"phase_limits": "wash\nwash"}, "stand twice"),
        ({"doses": "wash; 1; 50"}, "is not a dose"),
        ({"conductivity": "30"}, "doesn’t say how the conductivity is meant"),
        ({"gap_s": "soon"}, "is no number"),
        ({"probes": "many"}, "whole number"),
        ({"decides": "nobody"}, "valid choice"),
    ],
)
def test_what_is_typed_wrong_is_said(eastmere: Department, typed: dict[str, str], words: str) -> None:
    client, errand = errand_of(eastmere, "add-programme")
    page = client.post(errand.url, errand.fields | TYPED | typed | {"name": "Judged"})
    assert page.status_code == 422
    assert words in words_of(page)
    assert judging.programme_at(eastmere.id, "Judged") is None


# --- the command --------------------------------------------------------------------------------------

Ran = Callable[..., tuple[int, str, str]]


@pytest.fixture
def judge(eastmere: Department, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Ran:
    """Judge a record in a file; its exit code and what it said."""
    assert isinstance(publish(eastmere, LIMITS), Receipt)
    slug = eastmere.facility.slug

    def run(record: bytes, *words: str, facility: str = slug, programme: str = "Judged") -> tuple[int, str, str]:
        file = tmp_path / "cycle"
        file.write_bytes(record)
        argv = [str(file), "--facility", facility, "--programme", programme, *words]
        command = Command()
        with pytest.raises(SystemExit) as left:
            command.execute(**vars(command.create_parser("manage.py", "judge").parse_args(argv)))
        out, err = capsys.readouterr()
        assert isinstance(left.value.code, int)
        return left.value.code, out, err

    return run


def test_a_good_record_is_exit_0_in_either_form(judge: Ran) -> None:
    for record in (as_csv(good()), as_json(good())):
        code, out, _ = judge(record, "--json")
        told = json.loads(out)
        assert (code, told["verdict"], told["programme_version"]) == (0, "met", 1)
        assert set(told["findings"][0]) == {
            "criterion",
            "kind",
            "required",
            "found",
            "uncertainty",
            "verdict",
            "source",
        }
        assert [phase["code"] for phase in told["phases"]] == list(PHASES)
    code, out, _ = judge(as_csv(good()))
    assert code == 0
    assert "Criteria met." in out
    assert "safe" not in out.lower()


SPOILT: list[tuple[Spoiling, int, str]] = [
    (shift(ALL_PROBES, -4, 1250, 1256), 1, "it fell to 87"),
    (put("phase", "halt", 1250, 1254), 1, "are not added"),
    (without_rows(1100, HELD_TO_S), 2, "a gap from"),
    (put("independent_degC", None), 2, "independent read nothing"),
    (put("phase", "aborted", 1250), 1, "aborted at 1250 s"),
    (without("phase"), 2, "can’t be told by the curve"),
]


@pytest.mark.parametrize(("spoil", "code", "words"), SPOILT)
def test_a_spoilt_record_is_exit_1_or_2_with_its_sentence(
    judge: Ran, spoil: Spoiling, code: int, words: str
) -> None:
    left, out, _ = judge(as_csv(spoil(good())))
    assert left == code
    assert words in out


def test_what_cannot_be_read_is_exit_3(judge: Ran, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert judge(b"")[0] == 3
    code, _, err = judge(b"time_s,probe_1_degC\n0,90\n1,hot\n")
    assert (code, "Line 3, column 2" in err) == (3, True)
    assert judge(b'{"columns": 1}')[0] == 3
    monkeypatch.setattr("incidents.management.commands.judge.judge", lambda *_: 1 / 0)
    code, _, err = judge(as_csv(good()))
    assert (code, "ZeroDivisionError" in err) == (3, True)


def test_a_file_that_is_not_there_is_exit_3(judge: Ran, eastmere: Department, tmp_path: Path) -> None:
    asked = {"facility": eastmere.facility.slug, "programme": "Judged", "programme_version": None}
    for file in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(SystemExit) as left:
            call_command("judge", str(file), **asked)
        assert left.value.code == 3


@pytest.mark.parametrize(
    ("words", "named"),
    [
        ((), {"facility": "nowhere"}),
        ((), {"programme": "Unheard of"}),
        (("--programme-version", "2"), {}),
        (("--programme-version", "0"), {}),
        (("--programme-version", "one"), {}),
        (("--calibration", "probe_1"), {}),
        (("--calibration", "probe_1=nan"), {}),
        (("--unheard-of",), {}),
        (("--force-color", "--no-color"), {}),
    ],
)
def test_wrong_usage_and_unknown_names_are_exit_4(
    judge: Ran, words: tuple[str, ...], named: dict[str, str]
) -> None:
    code, out, err = judge(as_csv(good()), *words, **named)
    assert (code, out) == (4, "")
    assert err


def test_another_facilitys_programme_is_unknown(judge: Ran) -> None:
    westmere = visitors.another_department()
    assert judge(as_csv(good()), facility=westmere.facility.slug)[0] == 4


def test_an_edition_is_judged_by_its_own_limits(judge: Ran, eastmere: Department) -> None:
    cast.publish_programme(eastmere, "Judged", **({"expected_s": 1800} | RECIPE))
    newest = judge(as_csv(good()), "--json")
    assert (newest[0], json.loads(newest[1])["programme_version"]) == (2, 2)
    assert judge(as_csv(good()), "--programme-version", "1")[0] == 0


def test_a_calibration_given_with_the_file_counts(judge: Ran) -> None:
    """A probe known to read 3 K too much is judged 3 K colder."""
    assert judge(as_csv(good()), "--calibration", "probe_2=0.3,0")[0] == 0
    assert judge(as_csv(good()), "--calibration", "probe_2=0.3,3")[0] == 1


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 4, "usage: manage.py judge"),
        (("no.csv", "--facility", "eastmere", "--programme", "Judged"), 3, "OperationalError"),
    ],
)
def test_a_process_of_its_own_leaves_with_these_codes_too(
    tmp_path: Path, words: tuple[str, ...], code: int, said: str
) -> None:
    """Wrong usage, and a database in which nothing was set up."""
    told = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "REDIS_URL")}
    told |= {"SLUICEGATE_DATA": str(tmp_path)}
    argv = [sys.executable, "manage.py", "judge", *words]
    done = subprocess.run(argv, cwd=ROOT, env=told, capture_output=True, text=True, timeout=120, check=False)
    assert (done.returncode, said in done.stderr) == (code, True), done.stderr


def test_the_bench_judges_what_its_plain_loop_finds() -> None:
    (figure,) = bench.run(3)
    assert figure.seconds_per_1000_cycles > 0
