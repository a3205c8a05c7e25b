"""`manage.py import-history`: a department starts with its own past, from CSV files."""

import time
from argparse import ArgumentParser
from pathlib import Path
from typing import Any, NoReturn

import msgspec
from django.core.management.base import BaseCommand
from django.utils import timezone
from tqdm import tqdm

from incidents.identity.models import Facility, Person
from incidents.identity.rights import rights
from incidents.ledger.writing import LedgerBusy, NoLedger
from incidents.management.importing.mapping import Mapping, read_mapping
from incidents.management.importing.plan import Plan, Planned, check
from incidents.management.importing.problems import Flaw, Problem
from incidents.management.importing.writing import Written, write
from incidents.operations.deeds import Doer
from incidents.operations.history import SaidOfAlarm, SaidOfLoad, SaidOfMachine
from incidents.rules import authority
from incidents.rules.events import Actor

FINE, REFUSED, USAGE = 0, 1, 2


class Command(BaseCommand):
    help = (
        "Import machines, loads, alarms and repairs of the past (docs/import.md has the columns). Every line is"
        " checked first; one that can’t be taken keeps all of them out, unless --skip-bad-lines. Given again it"
        " writes nothing twice. Exit codes: 0 fine, 1 lines were refused, 2 the command can’t be done as given."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("files", nargs="+", type=Path, metavar="FILE.csv")
        parser.add_argument("--facility", required=True, help="its slug")
        parser.add_argument("--by", required=True, help="sign-in name of an administrator of that facility")
        parser.add_argument("--mapping", type=Path, metavar="FILE.toml", help="how these files say it")
        parser.add_argument("--dry-run", action="store_true", help="say what would be written, and write nothing")
        parser.add_argument("--skip-bad-lines", action="store_true", help="write the others")
        parser.add_argument("--json", action="store_true", help="say it all as one JSON object")

    def handle(self, *args: Any, **options: Any) -> None:
        as_json: bool = options["json"]
        facility, by = self._who(options["facility"], options["by"])
        began = time.perf_counter()
        try:
            mapping = read_mapping(options["mapping"]) if options["mapping"] else Mapping()
            plan = self._checked(facility, options["files"], mapping)
        except Flaw as flaw:
            self._leave(f"{flaw.what} {flaw.to_do}")
        except OSError as error:
            self._leave(f"{error.filename}: {error.strerror}. Nothing was written. Look at the file’s name.")
        try:
            bad = bool(plan.problems) and not (options["skip_bad_lines"] and plan.whole)
            writes = not bad and not options["dry_run"]
            written = self._write(facility, by, plan) if writes else None
            taken = time.perf_counter() - began
            told = _report(plan, written, dry=options["dry_run"], seconds=taken)
            if as_json:
                self.stdout.write(msgspec.json.format(msgspec.json.encode(told)).decode())
            else:
                self._say(told, plan, dry=options["dry_run"])
        finally:
            plan.close()
        if told["problems"]:
            raise SystemExit(REFUSED)

    def _who(self, slug: str, login: str) -> tuple[Facility, Doer]:
        facility = Facility.objects.filter(slug=slug).first()
        if facility is None:
            self._leave(f"There is no facility “{slug}”. Its slug stands in its pages' address, after /f/.")
        person = Person.objects.filter(login=login).first()
        if person is None:
            self._leave(f"Nobody signs in as “{login}”.")
        held = rights(person.id, facility.id, timezone.now().date())
        refusal = authority.refusal("import_load", held.roles, held.competences)
        if refusal is not None:
            self._leave(f"{refusal.sentence} {refusal.next_step}")
        return facility, Doer(Actor("person", person.id), held.roles, held.competences)

    def _checked(self, facility: Facility, files: list[Path], mapping: Mapping) -> Plan:
        size = sum(path.stat().st_size for path in files)
        with tqdm(total=size, desc="checking", unit=" characters", unit_scale=True, disable=None) as bar:
            return check(facility.id, files, mapping, timezone.now(), bar.update)

    def _write(self, facility: Facility, by: Doer, plan: Plan) -> Written:
        with tqdm(total=plan.new.total(), desc="writing", unit=" lines", disable=None) as bar:
            try:
                return write(facility.id, by, plan, timezone.now, bar.update)
            except NoLedger:
                self._leave("This facility has no log yet. Open it in Set-up first.")
            except LedgerBusy:
                self.stderr.write("The log stayed busy. Give the same command again: it writes what is missing.")
                raise SystemExit(REFUSED) from None

    def _say(self, told: dict[str, Any], plan: Plan, *, dry: bool) -> None:
        if dry:
            for planned in plan.written():
                self.stdout.write(f"{planned.file}, line {planned.line}: would write {_in_words(planned)}")
        for problem in told["problems"]:
            self.stderr.write(str(problem))
        if told["more_problems"]:
            self.stderr.write(f"… and {told['more_problems']} more. Mend these first.")
        self.stdout.write(_last_line(told, dry=dry))

    def _leave(self, sentence: str) -> NoReturn:
        self.stderr.write(sentence)
        raise SystemExit(USAGE)


def _report(plan: Plan, written: Written | None, *, dry: bool, seconds: float) -> dict[str, Any]:
    """Everything that is to be told, by names that stay."""
    new = plan.new if written is None else written.new
    problems: list[Problem] = plan.problems + (written.problems if written else [])
    lines = plan.lines.total()
    return {
        "dry_run": dry,
        "files": [
            {"file": source.name, "kind": source.kind, "encoding": source.encoding} for source in plan.sources
        ],
        "lines": lines,
        "would_write" if written is None else "written": dict(new),
        "known_already": plan.known + (written.known if written else 0),
        "said_twice": plan.repeated,
        "refused": plan.refused + (len(written.problems) if written else 0),
        "problems": problems,
        "more_problems": plan.more_problems,
        "entries": [planned._asdict() for planned in plan.written()] if dry else [],
        "longest_s": round(written.longest_s, 3) if written else 0.0,
        "seconds": round(seconds, 3),
        "lines_per_s": round(lines / max(seconds, 1e-6)),
    }


def _in_words(planned: Planned) -> str:
    said = planned.said
    if isinstance(said, SaidOfMachine):
        return f"machine {said.name}, {said.code}, chambers {', '.join(said.chambers)}"
    if isinstance(said, SaidOfLoad):
        cycle = "without a counter" if said.machine_cycle is None else f"counter {said.machine_cycle}"
        return f"a past load, {cycle}, started {said.started_at:%Y-%m-%d %H:%M} UTC, {said.outcome}"
    if isinstance(said, SaidOfAlarm):
        return f"a past alarm, {said.code}, raised {said.raised_at:%Y-%m-%d %H:%M} UTC"
    return f"a past repair, from {said.out_at:%Y-%m-%d %H:%M} UTC"


def _last_line(told: dict[str, Any], *, dry: bool) -> str:
    new = told.get("written", told.get("would_write", {}))
    counted = ", ".join(f"{count} {kind}" for kind, count in new.items() if count) or "nothing"
    if dry:
        did = f"Dry run: would write {counted}"
    else:
        did = f"Wrote {counted}" if "written" in told else "Nothing was written"
    return (
        f"{did}; {told['known_already']} known already, {told['said_twice']} said twice, {told['refused']} refused;"
        f" {told['lines']} lines in {told['seconds']:.2f} s, {told['lines_per_s']} lines/s,"
        f" {told['longest_s']:.2f} s the longest transaction"
    )
