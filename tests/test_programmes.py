"""Programmes by edition: drafted by one person, compared in words, approved by a second, effective, withdrawn.

Sources: A0 and its reference, ISO 15883-1 (A0 = Σ 10^((T − 80)/z)·Δt, z = 10 K); nobody resumes where time at
temperature counts (ISO 15883-1, 4.3.1); two people, common practice. Every story ends with *rebuilt equals live*.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest
from msgspec.structs import replace

from incidents.ledger.reading import read_stream
from incidents.operations import alarms, cycles, programmes, setting_up
from incidents.operations.deeds import Outcome
from incidents.pages import programme_limits
from incidents.projections.models import OpenItemRow, ProgrammeRow
from incidents.queries import facts, judging
from incidents.queries import programmes as told
from incidents.rules import editions
from incidents.rules.events import Phase, ProgrammePublished, Stream
from incidents.rules.limits import Limits, PhaseLimit, Requirement, Resuming
from tests import cast, story, visitors
from tests.api_callers import problem_of, program
from tests.api_callers import told as answer
from tests.cast import (
    PROGRAMME_NAME,
    Department,
    done,
    load_now,
    open_department,
    rebuilt_equals_live,
    refused,
    request,
)
from tests.story import CRITERIA, PHASES
from tests.test_judge import LIMITS
from tests.visitors import address, form_of, unsound, visitor, words_of

RECIPE: dict[str, Any] = {"phases": PHASES, "expected_s": 3600, "grace_s": 600, "criteria": CRITERIA}
A0_3000 = Requirement("Local rule 4 (invented)", "2026-01-01", a0_s=3000)


@pytest.fixture
def spd(db: None, monkeypatch: pytest.MonkeyPatch) -> Iterator[Department]:
    department = open_department()
    visitors.give_badges(department)
    visitors.keep_time(monkeypatch, department)
    yield department
    rebuilt_equals_live(department)


def draft(spd: Department, who: str = "Bo", **more: Any) -> Outcome:
    given = {"name": PROGRAMME_NAME} | RECIPE | more
    version = given.pop("expected_version", None)
    return programmes.draft_programme(request(spd, who, expected_version=version), **given)


def id_of(spd: Department, name: str = PROGRAMME_NAME) -> UUID:
    found = facts.programme_id(spd.id, name)
    assert found is not None
    return found


def approve(spd: Department, who: str = "Ada", name: str = PROGRAMME_NAME, **more: Any) -> Outcome:
    return programmes.approve_programme(request(spd, who, **more), programme=id_of(spd, name))


def standing(spd: Department, name: str = PROGRAMME_NAME) -> told.Standing:
    found = told.standing(spd.id, id_of(spd, name), spd.now)
    assert found is not None
    return found


# --- two people ---------------------------------------------------------------------------------------


def test_a_draft_binds_nobody_until_a_second_person_approves_it(spd: Department) -> None:
    done(draft(spd, grace_s=660))
    assert facts.programme(spd.id, PROGRAMME_NAME) == standing(spd).newest
    assert standing(spd).next_edition == 2
    assert refused(approve(spd, "Bo")) == "same-person-twice"
    assert OpenItemRow.objects.get(kind="programme-draft", known_to=None).priority == "low"
    done(approve(spd))
    assert not OpenItemRow.objects.filter(kind="programme-draft", known_to=None).exists()
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None
    assert (newest.edition, newest.grace_s) == (2, 660)
    edition = standing(spd).editions[0]
    assert (edition.drafted_by, edition.by) == ("Bo", "Ada")


def test_whoever_drafted_last_is_not_the_second_person(spd: Department) -> None:
    done(draft(spd, "Bo", grace_s=660))
    done(draft(spd, "Ada", grace_s=720))
    assert refused(approve(spd, "Ada")) == "same-person-twice"
    done(approve(spd, "Bo"))


def test_the_second_person_agrees_to_what_was_read(spd: Department) -> None:
    done(draft(spd, grace_s=660))
    seen = standing(spd).version
    done(draft(spd, "Sanne", grace_s=900))
    assert refused(approve(spd, "Ada", expected_version=seen)) == "stale"
    done(approve(spd, "Ada", expected_version=standing(spd).version))


def test_a_draft_that_says_what_is_in_force_is_none(spd: Department) -> None:
    assert refused(draft(spd)) == "nothing-changed"
    done(draft(spd, grace_s=660))
    done(draft(spd))
    assert standing(spd).draft is None
    assert refused(approve(spd)) == "no-draft"


def test_nobody_alone_publishes_a_programme_where_one_is(spd: Department) -> None:
    """Only the first programme of a facility, which one person founds, is published by one."""
    for name in (PROGRAMME_NAME, "Quite new"):
        asked = request(spd, "Ada")
        assert refused(setting_up.publish_programme(asked, name=name, **RECIPE)) == "second-person-approves"
    bare = cast.bare_department()
    done(programmes.draft_programme(request(bare, "Bo"), name="Deep", **RECIPE))
    asked = request(bare, "Ada")
    assert refused(setting_up.publish_programme(asked, name="Deep", **RECIPE)) == "second-person-approves"
    done(setting_up.publish_programme(request(bare, "Ada"), name=PROGRAMME_NAME, **RECIPE))


def test_a_new_name_is_drafted_and_approved_as_well(spd: Department) -> None:
    done(draft(spd, name="Deep"))
    assert facts.programme(spd.id, "Deep") is None
    done(approve(spd, name="Deep"))
    newest = facts.programme(spd.id, "Deep")
    assert newest is not None
    assert newest.edition == 1


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"name": " "}, "programme-unnamed"),
        ({"phases": ()}, "programme-empty"),
        ({"expected_s": 0}, "duration-out-of-range"),
        ({"criteria": ()}, "no-disinfection-criterion"),
        ({"limits": replace(LIMITS, gap_s="ten")}, "limits"),
        ({"resuming": Resuming(("polishing",))}, "resuming"),
        ({"resuming": Resuming(most=4)}, "resuming"),
        ({"resuming": Resuming(longest_halt_s=0)}, "resuming"),
    ],
)
def test_what_no_programme_can_say_is_no_draft(spd: Department, given: dict[str, Any], code: str) -> None:
    before = len(cast.whole_log(spd))
    assert refused(draft(spd, **given)) == code
    assert len(cast.whole_log(spd)) == before


# --- its own requirement ------------------------------------------------------------------------------


def limited(set_c: str, held_s: int, asked: Requirement = A0_3000) -> Limits:
    low = str(int(float(set_c)) - 1)
    return Limits(phases=(PhaseLimit("disinfection", set_c, low, "", held_s),), disinfection=asked)


def test_what_misses_its_own_requirement_by_calculation_is_never_approved(spd: Department) -> None:
    """By hand: 10^((85 − 80)/10) = 3.1623; × 300 s = 948.7 s < 3000 s. 10^1 × 300 s = 3000 s is met."""
    done(draft(spd, limits=limited("85", 300)))
    sum_ = standing(spd).calculation
    assert sum_.verdict == "not-met"
    assert (
        "85 °C for 300 s delivers an A0 of 300 s × 10^((85 − 80) / 10) = 948.7 s; 3000 s are required"
        in sum_.sentence
    )
    assert refused(approve(spd)) == "requirement-missed"
    page = visitor(spd, "Ada").get(address(spd, "programme", programme=id_of(spd)))
    assert "Not met by calculation" not in words_of(page)  # the draft's sum is not that of the edition in force
    done(draft(spd, limits=limited("90", 300)))
    assert standing(spd).calculation.verdict == "met"
    done(approve(spd))


def test_a_pair_is_kept_as_given_and_never_converted(spd: Department) -> None:
    """93 °C for 60 s delivers more A0 than 71 °C for 180 s, and still isn't 180 s."""
    pair = Requirement("Local rule 5 (invented)", "2026-01-01", celsius="71", seconds=180)
    done(draft(spd, limits=limited("93", 60, pair)))
    assert refused(approve(spd)) == "requirement-missed"
    done(draft(spd, limits=limited("71", 180, pair)))
    assert "71 °C for 180 s, from 2026-01-01" in standing(spd).changes[-1].after or any(
        "71 °C for 180 s, from 2026-01-01" in change.after for change in standing(spd).changes
    )
    done(approve(spd))


def test_what_can_not_be_calculated_is_not_approved(spd: Department) -> None:
    done(draft(spd, limits=Limits(disinfection=A0_3000)))
    assert standing(spd).calculation.verdict == "not-proven"
    assert refused(approve(spd)) == "requirement-unchecked"


# --- from when on -------------------------------------------------------------------------------------


def test_an_edition_is_in_force_from_its_moment_and_old_loads_keep_theirs(spd: Department) -> None:
    first = cast.given_running_load(spd)
    done(draft(spd, grace_s=660, effective_at=spd.now + timedelta(hours=3)))
    done(approve(spd))
    assert standing(spd).in_force != standing(spd).newest
    done(cycles.report_end(request(spd, "Ines"), load=first))
    spd.wait(60)
    trays = cast.register_set(spd, "Second", 1)
    assert edition_of(spd, cast.given_running_load(spd, trays=trays)) == 1
    spd.wait(180)
    other = cast.register_machine(spd, "Birch")
    late = cast.given_assembled_load(spd, cast.register_set(spd, "Third", 1), machine=other)
    done(cycles.start_cycle(request(spd, "Ines"), load=late, programme=PROGRAMME_NAME))
    assert edition_of(spd, late) == 2
    assert edition_of(spd, first) == 1
    one, two = (judging.programme_at(spd.id, PROGRAMME_NAME, edition) for edition in (1, 2))
    assert one is not None and two is not None
    assert (one.grace_s, two.grace_s) == (600, 660)  # “what if judged by version N” asks for it by its number


def edition_of(spd: Department, load: UUID) -> int:
    programme = load_now(spd, load).programme
    assert programme is not None
    return programme.edition


def test_a_moment_that_is_past_makes_nothing_in_force_before_its_approval(spd: Department) -> None:
    done(draft(spd, grace_s=660, effective_at=spd.now - timedelta(days=9)))
    spd.wait(5)
    done(approve(spd))
    state = editions.fold(id_of(spd), read_stream(spd.id, Stream("programme", id_of(spd))))
    before = state.in_force(spd.now - timedelta(minutes=1))
    assert before is not None
    assert before.edition == 1


def test_nobody_starts_by_what_is_withdrawn_and_its_name_may_come_back(spd: Department) -> None:
    running = cast.given_running_load(spd)
    asked = request(spd, "Bo")
    done(programmes.withdraw_programme(asked, programme=id_of(spd), words="The machine is gone."))
    assert load_now(spd, running).programme is not None
    assert not ProgrammeRow.objects.filter(facility_id=spd.id, name=PROGRAMME_NAME, known_to=None).exists()
    elsewhere = cast.register_machine(spd, "Birch")
    load = cast.given_assembled_load(spd, cast.register_set(spd, "Other", 1), machine=elsewhere)
    started = cycles.start_cycle(request(spd, "Ines"), load=load, programme=PROGRAMME_NAME)
    assert refused(started) == "programme-unknown"
    again = programmes.withdraw_programme(request(spd, "Bo"), programme=id_of(spd), words="Twice.")
    assert refused(again) == "not-in-force"
    done(draft(spd))
    done(approve(spd))
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None
    assert newest.edition == 2


# --- resuming: the stricter wins ----------------------------------------------------------------------


def stopped_under(spd: Department, resuming: Resuming) -> tuple[UUID, UUID]:
    """A load that stands in its wash after a fault that the catalogue lets a technician resume."""
    done(draft(spd, resuming=resuming))
    done(approve(spd))
    load, alarm = cast.given_load_with_alarm(spd, code="W01", phase="pre-wash")
    done(cast.acknowledge(spd, load, alarm))
    return load, alarm


def resume(spd: Department, load: UUID, alarm: UUID) -> Outcome:
    return alarms.resume_cycle(request(spd, "Ines"), load=load, alarm=alarm)


@pytest.mark.parametrize(
    ("resuming", "code"),
    [
        (Resuming(("pre-wash",)), "phase-protected"),
        (Resuming(most=0), "never-resumed"),
        (Resuming(longest_halt_s=60), "halt-too-long"),
    ],
)
def test_the_programme_forbids_what_the_catalogue_allows(spd: Department, resuming: Resuming, code: str) -> None:
    load, alarm = stopped_under(spd, resuming)
    spd.wait(2)
    assert refused(resume(spd, load, alarm)) == code


def test_what_a_machine_resumed_by_itself_against_its_programme_is_held_with_the_reason(spd: Department) -> None:
    """The machine tells an end after a halt that nobody was asked about; a device's word is never refused."""
    load, _ = stopped_under(spd, Resuming(("pre-wash",)))
    done(cast.tell(spd, "cycle-finished", cycle=load_now(spd, load).machine_cycle))
    odd = [each.sentence for each in load_now(spd, load).unexpected]
    assert any("It was not allowed: the programme protects its phase pre-wash." in sentence for sentence in odd)
    assert "unexpected" in cast.standing(spd, load)


@pytest.mark.parametrize(
    ("resuming", "sentence"),
    [
        (Resuming(("wash",)), "the programme protects its phase wash"),
        (Resuming(longest_halt_s=59), "the cycle stood for 60 s, the programme allows 59 s"),
        (Resuming(most=0), "the programme allows 0 resumes in a cycle"),
        (Resuming(longest_halt_s=60), ""),
    ],
)
def test_a_resume_that_stands_in_the_log_is_held_against_the_programme_again(
    resuming: Resuming, sentence: str
) -> None:
    """Whatever brought it in: the fold asks what the deed would have asked."""
    force = replace(story.PROGRAMME, resuming=resuming)
    resumed = (story.started(programme=force), story.alarm("wash"), story.resumed("wash"))
    load = story.load_of(story.assembled(), *resumed)
    assert [each.sentence for each in load.unexpected] == (
        [f"It was resumed against its programme: {sentence}."] if sentence else []
    )


def test_a_halt_as_long_as_allowed_is_resumed(spd: Department) -> None:
    load, alarm = stopped_under(spd, Resuming(longest_halt_s=3600))
    spd.wait(2)
    done(resume(spd, load, alarm))


def test_the_catalogue_forbids_what_the_programme_allows(spd: Department) -> None:
    done(draft(spd, resuming=Resuming(longest_halt_s=3600, most=3)))
    done(approve(spd))
    load, alarm = cast.given_load_with_alarm(spd, code="W03", phase="wash")
    done(cast.acknowledge(spd, load, alarm))
    assert refused(resume(spd, load, alarm)) == "resume-not-permitted"


# --- pages and API ------------------------------------------------------------------------------------


def test_one_drafts_on_the_page_and_another_compares_and_approves(spd: Department) -> None:
    where = {"programme": id_of(spd)}
    bo, ada = visitor(spd, "Bo"), visitor(spd, "Ada")
    page = bo.get(address(spd, "programme-draft", **where))
    assert unsound(page) == []
    newest = facts.programme(spd.id, PROGRAMME_NAME)
    assert newest is not None
    fields = {name: value for name, value in programme_limits.typed(newest).items() if value not in (None, "")}
    fields |= form_of(page) | {"grace": "12", "protected": "wash, rinse", "longest_halt_s": "900", "resumes": "1"}
    assert bo.post(address(spd, "programme-draft", **where), fields).status_code == 302
    compared = ada.get(address(spd, "programme-compare", **where))
    assert unsound(compared) == []
    words = words_of(compared)
    assert "Expected duration" in words and "720 s of grace" in words
    assert "Nobody resumes in nothing wash, rinse" in words
    assert "Criterion" not in words  # what nobody touched is as it was
    assert "You can’t sign twice" in words_of(bo.get(address(spd, "programme-compare", **where)))
    sent = form_of(compared, address(spd, "programme-approve", **where))
    read = ada.post(address(spd, "programme-approve", **where), sent, follow=True)
    assert unsound(read) == []
    assert f"{PROGRAMME_NAME}, edition 2" in words_of(read)
    assert "Drafted by Bo, approved by Ada" in words_of(read)


def test_what_the_form_can_not_say_stays_as_it_stood() -> None:
    """A programme typed from itself is itself, with all its limits."""
    programme = ProgrammePublished(
        "Deep", 1, tuple(PHASES), 3600, 600, tuple(CRITERIA), LIMITS, Resuming(("wash",), 60)
    )
    form = programme_limits.LimitedProgrammeForm(programme_limits.typed(programme))
    assert form.is_valid(), form.errors
    assert programme_limits.kept(form.cleaned_data["limits"], LIMITS) == LIMITS
    assert form.cleaned_data["resuming"] == programme.resuming


def test_a_program_reads_drafts_and_approves(spd: Department) -> None:
    bo, ada, where = program(spd, "Bo"), program(spd, "Ada"), f"programmes/{id_of(spd)}/"
    assert answer(bo.get(where))["in_force"]["edition"] == 1
    phases = [{"code": each.code, "title": each.title, "minutes": each.minutes} for each in PHASES]
    criteria = [{"code": each.code, "title": each.title, "kind": each.kind} for each in CRITERIA]
    body = {"name": PROGRAMME_NAME, "phases": phases, "expected_s": 3600, "grace_s": 660, "criteria": criteria}
    spoilt = body | {"resuming": {"most": 1, "approved": True}}
    assert "approved" in problem_of(bo.deed("draft_programme", **spoilt), 400)["detail"]
    answer(bo.deed("draft_programme", **body), 201)
    read = answer(bo.get(where))
    assert read["changes"] == [
        {
            "what": "Expected duration",
            "before": "3600 s, and 600 s of grace",
            "after": "3600 s, and 660 s of grace",
        }
    ]
    deed = {"programme": id_of(spd), "expected_version": read["version"]}
    assert problem_of(bo.deed("approve_programme", **deed), 409)["code"] == "same-person-twice"
    answer(ada.deed("approve_programme", **deed), 201)
    assert answer(bo.get(where))["in_force"]["grace_s"] == 660
    assert problem_of(ada.deed("approve_programme", programme=UUID(int=7)), 404)["code"] == "programme-not-here"


def test_a_programme_of_another_department_is_not_here(spd: Department) -> None:
    elsewhere = visitors.another_department()
    foreign = facts.programme_id(elsewhere.id, PROGRAMME_NAME)
    if foreign is None:
        cast.publish_programme(elsewhere)
        foreign = facts.programme_id(elsewhere.id, PROGRAMME_NAME)
    for route in ("programme", "programme-draft", "programme-compare"):
        assert visitor(spd, "Ada").get(address(spd, route, programme=foreign)).status_code == 404
    assert problem_of(program(spd, "Ada").get(f"programmes/{foreign}/"), 404)


def test_phases_are_compared_by_name_and_order(spd: Department) -> None:
    turned = (*PHASES[1:], PHASES[0])
    done(draft(spd, phases=turned))
    (change,) = standing(spd).changes
    assert change.what == "Phases in their order"
    done(draft(spd, phases=(*PHASES, Phase("cooling", "Cool", 4))))
    assert ("Cool (cooling)", "", "4 min") in standing(spd).changes
