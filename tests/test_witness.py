"""A backup that took the log's place is noticed (I18): a shorter log, another one, or none at all.

The continuation of a log is proven as RFC 9162, 2.1.4 has it: the frontier noted, grown by what was appended
since, is the frontier that stands.
"""

import json
from io import StringIO
from pathlib import Path
from typing import Any
from uuid import UUID

import pytest
from django.core.management import call_command
from django.test import Client

from incidents.ledger import reading, witness
from incidents.operations import restoring
from incidents.queries import floor
from incidents.rules.facility import Restoration
from incidents.tasks import note_logs
from tests import cast
from tests.cast import Department, done, open_department, request
from tests.story import MONDAY

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def file(settings: Any, tmp_path: Path) -> Path:
    settings.WITNESS = tmp_path / "apart" / "witness.json"
    return Path(settings.WITNESS)


@pytest.fixture
def spd(db: None) -> Department:
    return open_department(slug="eastmere")


def pretend(file: Path, spd: Department, size: int, frontier: str = "") -> None:
    """Have the witness remember another log than the one that stands."""
    notes = json.loads(file.read_text())
    notes[str(spd.id)] = {"size": size, "frontier": frontier or "ab" * 32 * size.bit_count()}
    file.write_text(json.dumps(notes))


def accept(*words: str) -> tuple[int, str]:
    said, complained = StringIO(), StringIO()
    try:
        call_command("accept-restore", *words, stdout=said, stderr=complained)
    except SystemExit as left:
        return int(str(left.code)), complained.getvalue()
    return 0, said.getvalue()


ACCEPTS = ("--facility", "eastmere", "--by", "ada", "--reason", "The disk failed at two.")


def named_ada(spd: Department) -> None:
    spd.people["Ada"].login = "ada"
    spd.people["Ada"].save()


# --- noting -------------------------------------------------------------------------------------------


def test_nothing_noted_nothing_doubted(spd: Department) -> None:
    assert witness.doubts() == []


def test_the_task_notes_each_log_as_it_stands(spd: Department, file: Path) -> None:
    other = open_department(slug="westmere")
    note_logs()
    head = reading.head(spd.id)
    noted = json.loads(file.read_text())
    assert head is not None and noted[str(spd.id)]["size"] == head.size
    assert set(noted) == {str(spd.id), str(other.id)}
    assert witness.Note(**noted[str(spd.id)]).root == head.root.hex()


def test_a_log_that_grew_is_no_doubt_and_is_noted_anew(spd: Department, file: Path) -> None:
    witness.note()
    before = file.read_text()
    cast.given_aborted_load(spd)
    assert witness.doubts() == []
    assert witness.note() == []
    assert file.read_text() != before


@pytest.mark.parametrize("missing", [1, 7])
def test_a_shorter_log_is_doubted_and_keeps_its_note(
    spd: Department, file: Path, missing: int, caplog: pytest.LogCaptureFixture
) -> None:
    witness.note()
    size = json.loads(file.read_text())[str(spd.id)]["size"]
    pretend(file, spd, size + missing)
    (doubt,) = witness.doubts()
    assert doubt.sentence == f"it holds {size} events; {size + missing} were noted."
    kept = json.loads(file.read_text())
    note_logs()
    assert json.loads(file.read_text()) == kept
    assert "is in doubt" in caplog.text


def test_another_log_of_the_same_length_is_doubted(spd: Department, file: Path) -> None:
    """A backup was restored and people went on: the length alone would tell nothing."""
    witness.note()
    noted = json.loads(file.read_text())[str(spd.id)]
    first = "00" if noted["frontier"][:2] != "00" else "11"
    pretend(file, spd, noted["size"], first + noted["frontier"][2:])
    (doubt,) = witness.doubts()
    assert "not those that were noted" in doubt.sentence
    cast.given_aborted_load(spd)  # and a longer one tells no more
    assert witness.doubts() == [doubt]


def test_a_log_that_is_gone_is_doubted(spd: Department, file: Path) -> None:
    witness.note()
    notes = json.loads(file.read_text())
    stranger = str(UUID(int=9))
    file.write_text(json.dumps(notes | {stranger: notes[str(spd.id)]}))
    (doubt,) = witness.doubts()
    assert "is gone" in doubt.sentence
    assert accept("--facility", stranger, "--by", "-", "--reason", "-")[0] == 0
    assert witness.doubts() == []


@pytest.mark.parametrize(
    "rubbish",
    ["", "{", "[]", '{"x": 1}', '{"00000000-0000-0000-0000-000000000009": {"size": 1, "frontier": "00"}}'],
)
def test_a_witness_that_cannot_be_read_is_not_taken_for_one_that_agrees(file: Path, rubbish: str) -> None:
    file.parent.mkdir(parents=True)
    file.write_text(rubbish)
    with pytest.raises(witness.WitnessUnreadable, match=r"witness\.json"):
        witness.require_unshortened()
    assert Client().get("/readyz").status_code == 503


def test_the_process_is_not_ready_while_its_log_is_in_doubt(spd: Department, file: Path) -> None:
    witness.note()
    assert Client().get("/readyz").status_code == 200
    pretend(file, spd, 10_000)
    assert Client().get("/readyz").status_code == 503
    assert Client().get("/livez").status_code == 200


# --- accepting ----------------------------------------------------------------------------------------


def test_an_accepted_restore_is_an_event_and_holds_what_is_not_released(spd: Department, file: Path) -> None:
    named_ada(spd)
    released = cast.given_released_load(spd)
    waiting = cast.given_reviewed_load(spd, trays=cast.register_set(spd, "Second set", 1))
    witness.note()
    size = json.loads(file.read_text())[str(spd.id)]["size"]
    pretend(file, spd, size + 4)
    code, said = accept(*ACCEPTS)
    assert code == 0, said
    assert "1 loads are held" in said
    assert witness.doubts() == []
    assert json.loads(file.read_text())[str(spd.id)]["size"] > size
    assert cast.fate(spd, released) == "released"
    assert cast.fate(spd, waiting) == "quarantined"
    cast.rebuilt_equals_live(spd)


def test_accepting_twice_is_accepting_once(spd: Department, file: Path) -> None:
    """As when the command is cut short between its event and its note."""
    named_ada(spd)
    witness.note()
    pretend(file, spd, 10_000)
    kept = file.read_text()
    assert accept(*ACCEPTS)[0] == 0
    length = len(cast.whole_log(spd))
    file.write_text(kept)
    assert accept(*ACCEPTS)[0] == 0
    assert len(cast.whole_log(spd)) == length


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("--facility", "nowhere", "--by", "ada", "--reason", "x"), "no log in doubt"),
        (("--facility", "eastmere", "--by", "nobody", "--reason", "x"), "Nobody signs in"),
        (("--facility", "eastmere", "--by", "sanne", "--reason", "x"), "needs the role administrator"),
        (("--facility", "eastmere", "--by", "ada", "--reason", " "), "needs a reason"),
    ],
)
def test_what_is_asked_wrongly_changes_nothing(
    spd: Department, file: Path, words: tuple[str, ...], why: str
) -> None:
    named_ada(spd)
    spd.people["Sanne"].login = "sanne"
    spd.people["Sanne"].save()
    witness.note()
    pretend(file, spd, 10_000)
    before = file.read_text(), cast.whole_log(spd)
    code, said = accept(*words)
    assert (code, why in said) == (2, True), said
    assert (file.read_text(), cast.whole_log(spd)) == before


def test_a_log_that_agrees_is_not_accepted(spd: Department) -> None:
    named_ada(spd)
    witness.note()
    assert accept(*ACCEPTS)[0] == 2


# --- settling -----------------------------------------------------------------------------------------


def test_now_asks_for_what_was_lost_until_it_is_settled(spd: Department) -> None:
    asked = request(spd, "Ada")
    done(restoring.accept_restore(asked, noted_size=99, noted_root="00", words="The disk failed."))
    (item,) = [item for item in floor.open_items(spd.id) if item.kind == "log-restored"]
    assert item.priority == "high"
    done(restoring.settle_restore(request(spd, "Sanne"), words="Entered late."))
    assert [item for item in floor.open_items(spd.id) if item.kind == "log-restored"] == []
    assert cast.refused(restoring.settle_restore(request(spd, "Sanne"), words="Again.")) == "nothing-to-settle"
    cast.rebuilt_equals_live(spd)


@pytest.mark.parametrize(
    ("noted", "size", "words"),
    [(5, 4, "1 entry is missing"), (9, 4, "5 entries are missing"), (4, 9, "may be missing")],
)
def test_it_says_how_much_is_missing(noted: int, size: int, words: str) -> None:
    assert words in Restoration(MONDAY, noted, size).sentence
