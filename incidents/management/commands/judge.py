"""`manage.py judge`: anyone's record held against a programme's limits, by calculation alone; writes nothing."""

from __future__ import annotations

import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any, NoReturn

import msgspec
from django.core.management.base import BaseCommand, CommandError, CommandParser

from incidents.analysis import structured
from incidents.analysis.criteria import Calibration
from incidents.analysis.readings import Unreadable
from incidents.analysis.records import Judgement, judge
from incidents.identity.models import Facility
from incidents.queries import judging
from incidents.rules.events import ProgrammePublished

EXITS = {"met": 0, "not-met": 1, "not-proven": 2}
UNREADABLE, USAGE = 3, 4
WORDS = {"met": "met", "not-met": "not met", "not-proven": "not proven"}


class Command(BaseCommand):
    help = (
        "Hold a record of readings (CSV or JSON, docs/records.md) against a programme. Exit codes: 0 criteria met,"
        " 1 not met, 2 not proven, 3 the record can’t be read or something else went wrong, 4 wrong usage or an"
        " unknown name."
    )
    requires_system_checks = ()

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        """Wrong usage is 4 here: argparse's 2 would say *not proven*."""
        parser = super().create_parser(prog_name, subcommand, **kwargs)

        def error(message: str) -> NoReturn:
            parser.print_usage(sys.stderr)
            _leave(USAGE, f"{parser.prog}: {message}")

        parser.error = error  # type: ignore[method-assign]
        return parser

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", type=Path, metavar="FILE")
        parser.add_argument("--facility", required=True, metavar="SLUG")
        parser.add_argument("--programme", required=True, metavar="NAME")
        parser.add_argument("--programme-version", type=int, metavar="N", help="its edition; else the newest")
        parser.add_argument(
            "--calibration",
            type=_calibration,
            action="append",
            default=[],
            metavar="SIGNAL=TOLERANCE[,BIAS]",
            help="in K, as in probe_1=0.3,0.5, beside those that the programme names; bias is reading minus truth",
        )
        parser.add_argument("--json", action="store_true", help="findings, phases and verdict as one JSON object")

    def handle(self, *args: Any, **options: Any) -> None:
        programme = _programme(options["facility"], options["programme"], options["programme_version"])
        criteria = judging.criteria_of(programme)
        criteria = criteria._replace(calibrations={**criteria.calibrations, **dict(options["calibration"])})
        file: Path = options["file"]
        try:
            with file.open("rb") as opened:
                record = structured.read_either(opened)
        except Unreadable as error:
            _leave(UNREADABLE, f"{file}: {error}")
        except OSError as error:
            _leave(UNREADABLE, f"{file}: {error.strerror}.")
        judgement = judge(record, criteria)
        if options["json"]:
            self.stdout.write(_as_json(programme, judgement))
        else:
            self.stdout.write(_in_words(programme, judgement))
        sys.exit(EXITS[judgement.verdict])

    def execute(self, *args: Any, **options: Any) -> str | None:
        """An unexpected error is no verdict, and exit 1 would be one."""
        try:
            return super().execute(*args, **options)
        except CommandError as error:
            _leave(USAGE, f"{error}")
        except Exception as error:
            _leave(UNREADABLE, f"{type(error).__name__}: {error}")


def _programme(slug: str, name: str, edition: int | None) -> ProgrammePublished:
    facility = Facility.objects.filter(slug=slug).first()
    if facility is None:
        _leave(USAGE, f"No facility has the short name “{slug}”.")
    found = judging.programme_at(facility.id, name, edition)
    if found is None:
        which = f", version {edition}" if edition is not None else ""
        _leave(USAGE, f"No programme “{name}”{which} was published in {facility.name}.")
    return found


def _calibration(text: str) -> tuple[str, Calibration]:
    signal, _, numbers = text.partition("=")
    tolerance, _, bias = numbers.partition(",")
    found = Calibration(float(tolerance), float(bias or 0))
    if not signal or not 0 <= found.tolerance_k <= 50 or not -50 <= found.bias_k <= 50:
        raise ValueError(text)
    return signal, found


def _as_json(programme: ProgrammePublished, judgement: Judgement) -> str:
    told = {
        "programme": programme.name,
        "programme_version": programme.edition,
        "verdict": judgement.verdict,
        "findings": [finding._asdict() for finding in judgement.findings],
        "phases": [phase._asdict() for phase in judgement.phases],
    }
    return msgspec.json.encode(told).decode()  # NaN, where nothing was read, is null


def _in_words(programme: ProgrammePublished, judgement: Judgement) -> str:
    lines = [f"Programme “{programme.name}”, version {programme.edition}, at the recorded probes", ""]
    for phase in judgement.phases:
        lines.append(
            f"{phase.code}: {phase.from_s:g} to {phase.to_s:g} s, {phase.min_c:.1f} to {phase.max_c:.1f} °C,"
            f" mean {phase.mean_c:.1f} °C, in the band for {phase.in_band_s:g} s,"
            f" heating {phase.heating_k_min:.1f} K/min"
        )
    lines.append("")
    for finding in judgement.findings:
        lines.append(f"{WORDS[finding.verdict].upper():<11} {finding.criterion}: required {finding.required}")
        lines.append(
            f"{'':<11} found {finding.found}" + (f" ({finding.uncertainty})" if finding.uncertainty else "")
        )
        lines.append(f"{'':<11} source: {finding.source}")
    lines += ["", f"Criteria {WORDS[judgement.verdict]}."]
    return "\n".join(lines)


def _leave(code: int, sentence: str) -> NoReturn:
    print(sentence, file=sys.stderr)
    sys.exit(code)
