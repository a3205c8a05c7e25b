"""`python -m incidents.analysis WORD …`: the figures on anyone's own file, without the application.

Exit codes: 0 answered; 2 usage, or a file or numbers that can't be taken (the sentence says where). `lethality`
keeps 3 for a file that can't be read.
"""

from __future__ import annotations

import argparse
import io
import sys
from typing import Any

from incidents.analysis import readings
from incidents.analysis.commands import annunciation, chart, compare, lethality, rate, recurrence, told, trend

COMMANDS: dict[str, Any] = {
    "lethality": lethality,
    "trend": trend,
    "rate": rate,
    "compare": compare,
    "recurrence": recurrence,
    "chart": chart,
    "annunciation": annunciation,
}
REFUSED = 2
UNREADABLE_RECORD = 3


def main(words: list[str] | None = None) -> int:
    given = _parser().parse_args(words)
    try:
        answer = COMMANDS[given.word].answer(given)
        print(told.written(answer, as_json=given.json, svg=getattr(given, "svg", None)), flush=True)  # noqa: T201
    except BrokenPipeError:
        return _unread()
    except OSError as error:
        return _refuse(given, f"{error.filename or getattr(given, 'file', '')}: {error.strerror}.")
    except (readings.Unreadable, told.Refused) as error:
        return _refuse(given, ": ".join(filter(None, (getattr(given, "file", ""), str(error)))))
    return 0


def _unread() -> int:
    """Whoever reads the answer has seen enough, as `head` has: nothing is wrong."""
    sys.stdout = io.StringIO()  # else the interpreter flushes the broken pipe once more, and complains
    return 0


def _refuse(given: argparse.Namespace, sentence: str) -> int:
    print(sentence, file=sys.stderr)  # noqa: T201
    return UNREADABLE_RECORD if given.word == "lethality" else REFUSED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m incidents.analysis")
    answers = parser.add_subparsers(dest="word", required=True)
    for word, command in COMMANDS.items():
        command.options(answers.add_parser(word, help=command.HELP))
    return parser


if __name__ == "__main__":
    sys.exit(main())
