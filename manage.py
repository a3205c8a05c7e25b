#!/usr/bin/env python
"""Sluicegate's one command. `--data DIR` names the data folder for whatever follows."""

import os
import sys
from pathlib import Path


def take_data_option(argv: list[str]) -> list[str]:
    """Move `--data DIR` into SLUICEGATE_DATA, which every process of the tree inherits."""
    rest: list[str] = []
    words = iter(argv)
    for word in words:
        name, _, value = word.partition("=")
        if name != "--data":
            rest.append(word)
            continue
        folder = value or next(words, "")
        if not folder:
            raise SystemExit("--data needs a folder: manage.py start --data DIR")
        os.environ["SLUICEGATE_DATA"] = str(Path(folder).resolve())
    return rest


def take_demo_option(argv: list[str]) -> None:
    """`start --demo` has a data folder of its own, unless one is named, and tells every process of the tree."""
    if "--demo" in argv[2:] and argv[1] == "start":
        os.environ["SLUICEGATE_DEMO"] = "1"
        os.environ.setdefault("SLUICEGATE_DATA", str(Path(__file__).resolve().parent / ".data-demo"))


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")
    words = take_data_option(sys.argv)
    take_demo_option(words)
    from django.core.management import execute_from_command_line

    execute_from_command_line(words)


if __name__ == "__main__":
    try:
        main()
    except KeyboardInterrupt:
        raise SystemExit(130) from None
