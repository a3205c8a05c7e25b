"""`manage.py gateway --config FILE`: what a machine prints, or publishes, to the device door."""

import contextlib
import signal
import threading
from argparse import ArgumentParser
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from incidents.management.gateway.config import Config, Odd, read
from incidents.management.gateway.records import Watch
from incidents.management.gateway.tailing import Tail


class Command(BaseCommand):
    help = "Report what a machine prints into files, or publishes by MQTT. See docs/devices.md."
    requires_system_checks = ()

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--config", type=Path, required=True, help="a TOML file, one machine's")
        parser.add_argument("--once", action="store_true", help="send what the folder holds now, then end")

    def handle(self, *args: Any, config: Path, once: bool, **options: Any) -> None:
        self._asked_to_end = threading.Event()
        for each in (signal.SIGINT, signal.SIGTERM):
            signal.signal(each, lambda *_: self._asked_to_end.set())
        try:
            self._run(read(config), once)
        except Odd as odd:
            self.stderr.write(str(odd))
            raise SystemExit(2) from None

    def _run(self, config: Config, once: bool) -> None:
        if config.records is not None:
            self._say(f"Gateway of {config.machine.source}: records of {config.records.path}.")
            watch = Watch(config, _now, self._pause, self._say)
            if config.folder is None and config.mqtt is None:
                watch.run(once=once)
                return
            threading.Thread(target=watch.run, kwargs={"once": once}, name="records").start()
        if config.folder is not None:
            self._say(f"Gateway of {config.machine.source}: reading {config.folder.path}.")
            Tail(config, _now, self._pause, self._say).run(once=once)
            return
        from incidents.management.gateway.subscribing import subscribe  # only with the extra “mqtt”

        subscribe(config, _now, self._pause, self._say)

    def _pause(self, seconds: float) -> bool:
        return not self._asked_to_end.wait(seconds)

    def _say(self, line: str) -> None:
        with contextlib.suppress(OSError):
            self.stdout.write(line)
            self.stdout.flush()


def _now() -> datetime:
    return datetime.now(UTC)
