"""`manage.py import-history`: files as they come, a dry run that tells the truth, and nothing twice."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings

from incidents.management.importing import writing
from incidents.management.importing.columns import COLUMNS
from incidents.operations import history
from incidents.projections.models import PastAlarmRow, PastLoadRow, PastRepairRow
from incidents.queries import facts
from incidents.rules.events import PastAlarmImported, PastLoadImported, PastRepairImported
from tests import visitors
from tests.bare_ledger import ask, everything
from tests.cast import Department, given_running_load, open_department, rebuilt_equals_live, whole_log
from tests.history_cast import Answer, csv_file, give, loads_of

pytestmark = pytest.mark.django_db
EXAMPLES = settings.BASE_DIR / "docs" / "import"
FILES = tuple(EXAMPLES / f"{kind}.csv" for kind in ("repairs", "alarms", "loads", "machines"))
LINE = "Alder,4470,Instruments,2025-03-03T06:00+00:00,2025-03-03T06:58+00:00,complete,Hip tray 1|Eye tray 2"


@pytest.fixture
def spd() -> Iterator[Department]:
    department = open_department()
    yield department
    rebuilt_equals_live(department)


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def past_of(spd: Department) -> list[Any]:
    """What was imported, without where it was read."""
    kinds = PastLoadImported | PastAlarmImported | PastRepairImported
    return [(event.stream, event.occurred_at) for event in whole_log(spd) if isinstance(event.data, kinds)]


def unchanged(spd: Department, *files: Path, **options: Any) -> Answer:
    """Give the command; it must write nothing at all."""
    before = everything()
    answer = give(spd, *files, **options)
    assert everything() == before
    return answer


# --- the example history ------------------------------------------------------------------------------


def test_the_example_is_imported_whole_whatever_the_order_of_its_files(spd: Department) -> None:
    """As many as Python's own reader of CSV finds in the files."""
    counted = {path.stem: len(rows_of(path)) for path in FILES}
    answer = give(spd, *FILES)
    assert (answer.code, answer.told["written"], answer.told["refused"]) == (0, counted, 0)
    assert PastLoadRow.objects.count() == counted["loads"]
    assert PastAlarmRow.objects.count() == counted["alarms"]
    assert PastRepairRow.objects.count() == counted["repairs"]
    for said in rows_of(EXAMPLES / "machines.csv"):
        machine = facts.machine_by_code(spd.id, said["code"])
        assert machine is not None
        assert (machine.name, "|".join(machine.chambers)) == (said["name"], said["chambers"])


def test_what_a_row_holds_is_what_the_file_says(spd: Department) -> None:
    give(spd, *FILES)
    machines = {
        row["name"]: facts.machine_by_code(spd.id, row["code"]) for row in rows_of(EXAMPLES / "machines.csv")
    }
    for said in rows_of(EXAMPLES / "loads.csv"):
        machine = machines[said["machine"]]
        assert machine is not None
        row = PastLoadRow.objects.get(machine=machine.id, machine_cycle=int(said["counter"]))
        assert row.started_at == datetime.fromisoformat(said["start"])
        assert row.ended_at == (datetime.fromisoformat(said["end"]) if said["end"] else None)
        assert (row.programme, row.outcome) == (said["programme"], said["outcome"] or "unknown")
    said = rows_of(EXAMPLES / "repairs.csv")[1]
    assert said["words"].count("\n") == 1  # a quoted new line, kept
    digest = PastRepairRow.objects.get(out_at=datetime.fromisoformat(said["from"])).words
    assert ask("SELECT text FROM ledger_words WHERE digest = %s", digest) == [(said["words"],)]


def test_a_dry_run_writes_nothing_and_says_exactly_what_is_then_written(spd: Department) -> None:
    told = unchanged(spd, *FILES, dry_run=True).told
    assert told["would_write"] == give(spd, *FILES).told["written"]
    written = [event for event in whole_log(spd) if event.stream.kind == "history"]
    entries = [entry for entry in told["entries"] if entry["kind"] != "machines"]
    assert [(entry["file"], entry["line"]) for entry in entries] == [
        (event.data.source, event.data.line)
        for event in written  # type: ignore[union-attr]
    ]


def test_in_plain_words_a_dry_run_names_each_line(spd: Department) -> None:
    answer = unchanged(spd, *FILES, dry_run=True, json=False)
    first, *_, last = answer.out.splitlines()
    assert first == "machines.csv, line 2: would write machine Rowan, WD-11, chambers 1"
    assert last.startswith("Dry run: would write 3 machines, 130 loads, 39 alarms, 6 repairs;")


def test_given_again_it_writes_nothing(spd: Department) -> None:
    give(spd, *FILES)
    again = unchanged(spd, *FILES)
    assert (again.code, again.told["written"]) == (0, {})
    assert again.told["known_already"] == again.told["lines"] == 178


def test_each_line_is_a_deed_of_its_own(spd: Department) -> None:
    before = len(ask("SELECT deed_id FROM ledger_deed"))
    events = len(whole_log(spd))
    give(spd, *FILES)
    assert len(ask("SELECT deed_id FROM ledger_deed")) - before == len(whole_log(spd)) - events == 178


@pytest.mark.parametrize("where", ["_import", "import_together"], ids=["inside one", "between two"])
def test_an_import_that_was_killed_is_completed_by_the_same_command(
    spd: Department, monkeypatch: pytest.MonkeyPatch, where: str
) -> None:
    """Killed three times, each time further on: inside a transaction, or between two of them."""
    monkeypatch.setattr(writing, "TOGETHER", 20)
    place: Any = history if where == "_import" else writing
    true_act = getattr(place, where)
    for stops_at in (30, 50, 70) if where == "_import" else (1, 2, 3):
        calls = []

        def dies(*given: Any, calls: list[int] = calls, stops_at: int = stops_at) -> Any:
            calls.append(1)
            done = true_act(*given)
            if len(calls) == stops_at:
                raise KeyboardInterrupt
            return done

        monkeypatch.setattr(place, where, dies)
        with pytest.raises(KeyboardInterrupt):
            give(spd, *FILES)
        rebuilt_equals_live(spd)
    so_far = len(past_of(spd))
    monkeypatch.setattr(place, where, true_act)
    assert give(spd, *FILES).code == 0
    assert 0 < so_far < len(past_of(spd)) == len(set(past_of(spd))) == 175


# --- files as they come -------------------------------------------------------------------------------

WAYS: dict[str, dict[str, Any]] = {
    "utf-8 with a mark": {"encoding": "utf-8-sig"},
    "utf-16": {"encoding": "utf-16"},
    "utf-16 without a mark": {"encoding": "utf-16-le"},
    "utf-16, the other way round": {"encoding": "utf-16-be"},
    "carriage returns": {"end": "\r\n"},
    "old carriage returns": {"end": "\r"},
    "semicolons": {"delimiter": ";"},
    "tabs": {"delimiter": "\t"},
    "tabs in utf-16": {"delimiter": "\t", "encoding": "utf-16", "end": "\r\n"},
    "a line that names its delimiter": {"delimiter": ";", "first": "sep=;"},
    "quotes": {"quoted": True},
    "empty lines and columns": {"trailing": True},
}


@pytest.mark.parametrize("way", WAYS)
def test_the_same_file_in_another_dress_is_the_same_history(spd: Department, tmp_path: Path, way: str) -> None:
    assert give(spd, csv_file(tmp_path, "plain.csv", *loads_of(LINE))).code == 0
    dress = dict(WAYS[way])
    lines = list(loads_of(LINE))
    if dress.pop("quoted", False):
        lines = [",".join(f'"{cell}"' for cell in line.split(",")) for line in lines]
    if dress.pop("trailing", False):
        lines = [lines[0] + ",", "", lines[1] + ",", ",,,,,,,", ""]
    lines = [line.replace(",", dress.get("delimiter", ",")) for line in lines]
    dress.pop("delimiter", None)
    first = [dress.pop("first")] if "first" in dress else []
    answer = unchanged(spd, csv_file(tmp_path, "other.csv", *first, *lines, **dress))
    assert (answer.code, answer.told["known_already"]) == (0, 1)


def test_lines_that_end_in_different_ways_are_counted_as_an_editor_counts_them(
    spd: Department, tmp_path: Path
) -> None:
    head = next(loads_of())
    text = f"{head}\r\n{LINE}\n{LINE.replace('4470', 'x')}\r\n\r\n{LINE.replace('4470', 'y')}\n"
    path = tmp_path / "mixed.csv"
    path.write_bytes(text.encode())
    found = [(line, column) for _, line, column, _ in unchanged(spd, path).problems]
    assert found == [(3, "counter"), (5, "counter")]


MAPPED = (
    "Washer;Cycle no.;Program;Begin;Finish;Result;Content;Operator",
    "Washer 1 (left);4470,0;Größe 2;03.03.2025 06:00;03.03.2025 06:58;o.k.;Hip tray 1+Eye tray 2;someone",
)


def test_the_mapping_of_the_docs_reads_another_systems_file(spd: Department, tmp_path: Path) -> None:
    """Other headings and words, cp1252, times without a zone: Lisbon keeps UTC in March (IANA, Europe/Lisbon)."""
    give(spd, EXAMPLES / "machines.csv")
    path = csv_file(tmp_path, "export-1.csv", *MAPPED, encoding="cp1252")
    assert give(spd, path, mapping=EXAMPLES / "mapping.toml").code == 0
    row = PastLoadRow.objects.get()
    assert (row.name, row.programme, row.outcome, row.stated) == ("Rowan 4470", "Größe 2", "complete", "o.k.")
    assert row.started_at == datetime(2025, 3, 3, 6, 0, tzinfo=UTC)
    assert row.trays == '["Hip tray 1","Eye tray 2"]'


def test_without_its_encoding_such_a_file_is_refused_by_line(spd: Department, tmp_path: Path) -> None:
    line = LINE.replace("Instruments", "Größe 2")
    path = csv_file(tmp_path, "loads.csv", *loads_of(line), encoding="cp1252")
    assert unchanged(spd, path).problems == [("loads.csv", 2, "programme", "encoding-odd")]


def test_a_cell_that_looks_like_a_formula_is_text(
    monkeypatch: pytest.MonkeyPatch, db: None, tmp_path: Path
) -> None:
    eastmere = visitors.department_with_doors(monkeypatch, slug="eastmere")
    evil = '"=HYPERLINK(""http://x"",""<b>y</b>"")"'
    assert give(eastmere, csv_file(tmp_path, "loads.csv", *loads_of(LINE.replace("Instruments", evil)))).code == 0
    row = PastLoadRow.objects.get()
    assert row.programme == '=HYPERLINK("http://x","<b>y</b>")'
    page = visitors.visitor(eastmere, "Ines").get(visitors.address(eastmere, "past-load", past=row.owner))
    assert "=HYPERLINK(&quot;http://x&quot;,&quot;&lt;b&gt;y&lt;/b&gt;&quot;)" in page.content.decode()


def test_a_quoted_new_line_and_a_million_characters_are_each_one_cell(spd: Department, tmp_path: Path) -> None:
    head = "machine,from,words"
    quoted = '"Pump\nreplaced, and ""tested"""'
    long = "x" * 1_000_000
    path = csv_file(
        tmp_path, "r.csv", head, f"Alder,2025-03-03T06:00Z,{quoted}", f"Alder,2025-03-04T06:00Z,{long}", "Alder,,x"
    )
    answer = unchanged(spd, path)
    assert [problem[1:] for problem in answer.problems] == [
        (4, "words", "text-too-long"),
        (5, "from", "cell-empty"),
    ]
    assert "1000000 characters" in answer.told["problems"][0]["what"]
    assert len(answer.out) < 5_000
    assert give(spd, path, skip_bad_lines=True).told["written"] == {"repairs": 1}
    ((text,),) = ask("SELECT text FROM ledger_words WHERE digest = %s", PastRepairRow.objects.get().words)
    assert text == 'Pump\nreplaced, and "tested"'


# --- lines that can't be taken ------------------------------------------------------------------------

HEAD = next(loads_of())
BAD: dict[str, tuple[str, str, str]] = {
    "no zone": ("Alder,1,I,2025-03-03T06:00,,complete,", "start", "zone-missing"),
    "no time": ("Alder,1,I,2025-03-03,,complete,", "start", "time-missing"),
    "no date": ("Alder,1,I,yesterday,,complete,", "start", "time-unreadable"),
    "another format": ("Alder,1,I,03/04/2025 06:00,,complete,", "start", "time-unreadable"),
    "no such day": ("Alder,1,I,2025-02-30T06:00Z,,complete,", "start", "time-unreadable"),
    "ahead": ("Alder,1,I,2999-03-03T06:00Z,,complete,", "", "history-ahead"),
    "the year 25": ("Alder,1,I,0025-03-03T06:00Z,,complete,", "", "history-odd"),
    "end first": ("Alder,1,I,2025-03-03T06:00Z,2025-03-03T05:00Z,complete,", "", "history-order"),
    "no start": ("Alder,1,I,,,complete,", "start", "cell-empty"),
    "no machine": (",1,I,2025-03-03T06:00Z,,complete,", "machine", "cell-empty"),
    "another machine": ("Birch,1,I,2025-03-03T06:00Z,,complete,", "machine", "machine-unknown"),
    "half a cycle": ("Alder,1.5,I,2025-03-03T06:00Z,,complete,", "counter", "number-unreadable"),
    "a point for thousands": ("Alder,4.471,I,2025-03-03T06:00Z,,complete,", "counter", "number-unreadable"),
    "minus": ("Alder,-1,I,2025-03-03T06:00Z,,complete,", "counter", "number-unreadable"),
    "too large": ("Alder,9007199254740992,I,2025-03-03T06:00Z,,complete,", "counter", "number-unreadable"),
    "other digits": ("Alder,٤٤,I,2025-03-03T06:00Z,,complete,", "counter", "number-unreadable"),
    "an outcome of its own": ("Alder,1,I,2025-03-03T06:00Z,,fine,", "outcome", "outcome-unknown"),
    "released": ("Alder,1,I,2025-03-03T06:00Z,,released,", "outcome", "outcome-unknown"),
    "a cell too many": ("Alder,1,I,2025-03-03T06:00Z,,complete,,x", "", "cells-odd"),
    "a cell too few": ("Alder,1,I,2025-03-03T06:00Z,,complete", "", "cells-odd"),
    "a stray quote": ('Alder,1,"I"x,2025-03-03T06:00Z,,complete,', "", "row-unreadable"),
    "a bell": ("Alder,1,I\a,2025-03-03T06:00Z,,complete,", "programme", "control-character"),
    "an empty byte": ("Alder,1,I\0,2025-03-03T06:00Z,,complete,", "programme", "control-character"),
    "a long name": (f"Alder,1,{'x' * 81},2025-03-03T06:00Z,,complete,", "programme", "text-too-long"),
}  # fmt: skip


@pytest.mark.parametrize("flaw", BAD)
def test_one_bad_line_is_named_and_keeps_the_whole_file_out(spd: Department, tmp_path: Path, flaw: str) -> None:
    line, column, code = BAD[flaw]
    path = csv_file(tmp_path, "loads.csv", HEAD, LINE, line, LINE.replace("4470", "4471"))
    answer = unchanged(spd, path)
    assert (answer.code, answer.problems) == (1, [("loads.csv", 3, column, code)])
    assert all(problem["what"] and problem["to_do"] for problem in answer.told["problems"])


@pytest.mark.parametrize("flaw", BAD)
def test_a_bad_line_is_left_out_where_that_was_asked_for(spd: Department, tmp_path: Path, flaw: str) -> None:
    path = csv_file(tmp_path, "loads.csv", HEAD, LINE, BAD[flaw][0], LINE.replace("4470", "4471"))
    answer = give(spd, path, skip_bad_lines=True)
    assert (answer.code, answer.told["written"], answer.told["refused"]) == (1, {"loads": 2}, 1)
    assert [row.machine_cycle for row in PastLoadRow.objects.order_by("machine_cycle")] == [4470, 4471]


def test_every_flaw_of_a_line_is_named_at_once(spd: Department, tmp_path: Path) -> None:
    path = csv_file(tmp_path, "loads.csv", HEAD, ",x,I,never,,fine,")
    found = [(line, column) for _, line, column, _ in unchanged(spd, path).problems]
    assert found == [(2, "machine"), (2, "counter"), (2, "start"), (2, "outcome")]


def test_a_quote_that_never_closes_keeps_everything_out_even_where_bad_lines_are_skipped(
    spd: Department, tmp_path: Path
) -> None:
    """What stands after it was never read: leaving it out would lose lines in silence."""
    path = csv_file(tmp_path, "loads.csv", HEAD, LINE, LINE.replace("4470", '"4471'), LINE.replace("4470", "4472"))
    answer = unchanged(spd, path, skip_bad_lines=True)
    assert answer.code == 1
    assert ("loads.csv", 3, "", "row-unreadable") in answer.problems


# Clocks in Lisbon went back at 02:00 on 26 October 2025 and forward at 01:00 on 30 March 2025
# (Directive 2000/84/EC, articles 2 and 3: 01:00 UTC on the last Sunday).
CLOCK_CHANGES = {
    "2025-10-26T01:30": "time-twice",
    "2025-03-30T01:30": "time-never",
}


@pytest.mark.parametrize("told", CLOCK_CHANGES)
def test_a_time_of_the_night_in_which_clocks_change_is_refused_unless_it_has_its_offset(
    spd: Department, tmp_path: Path, told: str
) -> None:
    mapping = tmp_path / "zone.toml"
    mapping.write_text('zone = "Europe/Lisbon"')
    lines = [HEAD, f"Alder,1,I,{told},,complete,", "Alder,2,I,2025-07-01T06:00,,complete,"]
    answer = unchanged(spd, csv_file(tmp_path, "loads.csv", *lines), mapping=mapping)
    assert answer.problems == [("loads.csv", 2, "start", CLOCK_CHANGES[told])]
    certain = [line.replace(told, f"{told}+01:00") for line in lines]
    assert give(spd, csv_file(tmp_path, "loads.csv", *certain), mapping=mapping).code == 0
    hours = {row.machine_cycle: row.started_at.hour for row in PastLoadRow.objects.all()}
    assert hours == {1: 0, 2: 5}  # summer time is an hour ahead of UTC


# --- the same thing twice -----------------------------------------------------------------------------


def test_a_line_that_stands_twice_is_written_once(spd: Department, tmp_path: Path) -> None:
    answer = give(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE, LINE), csv_file(tmp_path, "b.csv", HEAD, LINE))
    assert (answer.code, answer.told["written"], answer.told["said_twice"]) == (0, {"loads": 1}, 2)


def test_one_counter_told_in_two_ways_is_refused(spd: Department, tmp_path: Path) -> None:
    other = LINE.replace("2025-03-03T06:00", "2025-03-03T06:30")
    answer = unchanged(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE, other))
    assert answer.problems == [("loads.csv", 3, "", "told-twice")]
    assert "Line 2 of loads.csv" in answer.told["problems"][0]["what"]
    give(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE))
    assert unchanged(spd, csv_file(tmp_path, "b.csv", HEAD, other)).problems == [
        ("b.csv", 2, "", "imported-otherwise")
    ]


def test_a_counter_of_a_load_that_was_recorded_here_is_refused(spd: Department, tmp_path: Path) -> None:
    given_running_load(spd, cycle=4470)
    answer = unchanged(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE))
    assert answer.problems == [("loads.csv", 2, "", "cycle-known")]


def test_a_machine_that_is_registered_otherwise_is_refused(spd: Department, tmp_path: Path) -> None:
    head = "name,code,chambers"
    assert give(spd, csv_file(tmp_path, "m.csv", head, "Alder,M-Alder,1")).told["known_already"] == 1
    for line in ("Alder,M-2,1", "Birch,M-Alder,1", "Alder,M-Alder,1|2"):
        assert unchanged(spd, csv_file(tmp_path, "m.csv", head, line)).problems == [
            ("m.csv", 2, "", "machine-taken")
        ]


def test_a_load_that_is_recorded_while_the_import_is_under_way_wins(
    spd: Department, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Checked before, and once more under the lock."""
    true_import = history.import_together

    def late(*given: Any) -> Any:
        given_running_load(spd, cycle=4470)
        return true_import(*given)

    monkeypatch.setattr(writing, "import_together", late)
    answer = give(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE, LINE.replace("4470", "4471")))
    assert (answer.code, answer.told["written"]) == (1, {"loads": 1})
    assert answer.problems == [("loads.csv", 2, "", "cycle-known")]


# --- whole files, and the command itself --------------------------------------------------------------

HEADINGS = {
    "a heading of nobody's": ("machine,start,outcome,Operator", "column-unknown"),
    "a heading misspelt": ("machine,start,outcome,conter", "column-unknown"),
    "one twice": ("machine,start,outcome,machine", "heading-twice"),
    "none that is needed": ("machine,counter", "columns-missing"),
    "two kinds at once": ("machine,start,outcome,code,raised", "kind-unclear"),
    "no text": ("\x00\x01\x02\x03", "columns-missing"),
}


@pytest.mark.parametrize("headings", HEADINGS)
def test_a_file_whose_headings_do_not_fit_is_refused_whole(spd: Department, tmp_path: Path, headings: str) -> None:
    line, code = HEADINGS[headings]
    good = csv_file(tmp_path, "good.csv", HEAD, LINE)
    answer = unchanged(spd, good, csv_file(tmp_path, "x.csv", line, "1,2,3,4"), skip_bad_lines=True)
    assert (answer.code, answer.problems[0][0], answer.problems[0][3]) == (1, "x.csv", code)


def test_an_empty_file_is_refused(spd: Department, tmp_path: Path) -> None:
    path = tmp_path / "empty.csv"
    path.touch()
    assert unchanged(spd, path).problems == [("empty.csv", 1, "", "file-empty")]


USAGE: dict[str, dict[str, Any]] = {
    "no such facility": {"facility": "nowhere"},
    "a technician": {"by": "Ines"},
    "an administrator of elsewhere": {"by": "Otto"},
    "no such mapping": {"mapping": "missing.toml"},
    "a mapping that is no TOML": {"mapping": "zone ="},
    "a mapping with a word of its own": {"mapping": "zoen = 'UTC'"},
    "no such zone": {"mapping": "zone = 'Mars/Phobos'"},
    "no such encoding": {"mapping": "encoding = 'klingon'"},
}


@pytest.mark.parametrize("mistake", USAGE)
def test_a_command_that_cannot_be_done_as_given_leaves_with_2(
    spd: Department, tmp_path: Path, mistake: str
) -> None:
    other = open_department()
    spd.people["Otto"] = other.people["Ada"]
    options = dict(USAGE[mistake])
    if "mapping" in options:
        path = tmp_path / "mapping.toml"
        if options["mapping"] != "missing.toml":
            path.write_text(options["mapping"])
        options["mapping"] = path
    answer = unchanged(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE), **options)
    assert (answer.code, answer.out) == (2, "")
    assert answer.err.strip()


def test_a_file_that_is_not_there_leaves_with_2(spd: Department, tmp_path: Path) -> None:
    answer = unchanged(spd, csv_file(tmp_path, "loads.csv", HEAD, LINE), tmp_path / "missing.csv")
    assert answer.code == 2
    assert "missing.csv" in answer.err


def test_the_docs_name_every_column_and_their_example_is_the_one_tested() -> None:
    text = (settings.BASE_DIR / "docs" / "import.md").read_text()
    for kind, columns in COLUMNS.items():
        section = text.partition(f"### {kind}")[2].partition("###")[0]
        assert [name for name in (f"`{column.name}`" for column in columns) if name not in section] == [], kind
    assert (EXAMPLES / "mapping.toml").read_text() in text
