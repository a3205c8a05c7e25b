"""A folder of finished records to the server: each file once it no longer grows, under its cycle's number.

The file's own name tells chamber and cycle. Files are read, never moved. The server keeps the same file once, so a
memory that is lost costs nothing but time.
"""

from __future__ import annotations

import http.client
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple
from urllib.parse import urlencode

from incidents.management.gateway.config import Config, Odd, secret
from incidents.management.gateway.door import Away, Clock, Patience, detail_of, post
from incidents.management.gateway.rejects import Rejects

BYTES_MOST = 20 * 1024 * 1024  # what the server takes
NEVER = (400, 413)  # what is wrong with the file as it is
LATER = frozenset({"load-unknown", "cycle-not-ended", "not-started"})  # the load may still come, or end


class Found(NamedTuple):
    """A file with what its name tells; `look` changes while it grows."""

    path: Path
    cycle: str
    chamber: str
    look: tuple[int, int]


class Watch:
    """`pause(seconds)` waits, and says whether to go on; `say` tells whoever watches."""

    def __init__(
        self, config: Config, clock: Clock, pause: Callable[[float], bool], say: Callable[[str], None]
    ) -> None:
        if config.records is None:
            raise Odd("There is no [records].")
        self.config, self.records = config, config.records
        self.pattern = re.compile(self.records.name)
        self.pause, self.say, self.clock = pause, say, clock
        self.patience = Patience(config.door)
        self.rejects = Rejects(Path(self.records.rejects), clock)
        self.seen: dict[Path, tuple[int, int]] = {}
        self.told: set[str] = set()
        self.done: set[tuple[Path, tuple[int, int]]] = set()  # answered in this life: not read again

    def run(self, *, once: bool = False) -> None:
        """Until told to stop; with `once`, every file that is there is tried once, as it is. Raises Odd."""
        if not Path(self.records.path).is_dir():
            raise Odd(f"{self.records.path} is no folder.")
        with closing(sqlite3.connect(self.records.memory, isolation_level=None, timeout=10)) as memory:
            memory.execute("CREATE TABLE IF NOT EXISTS answered (file TEXT PRIMARY KEY)")
            while True:
                for found in list(self._found()):
                    still = self.seen.get(found.path) == found.look
                    self.seen[found.path] = found.look
                    known = (found.path, found.look) in self.done
                    if (still or once) and not known and not self._try(memory, found):
                        return
                if once or not self.pause(self.records.every_s):
                    return

    def _found(self) -> Iterator[Found]:
        for path in sorted(Path(self.records.path).iterdir()):
            told = self.pattern.fullmatch(path.name)
            if told is None or not path.is_file():
                continue
            groups = told.groupdict()
            state = path.stat()
            chamber = groups.get("chamber") or self.config.machine.chamber
            yield Found(path, groups["cycle"], chamber, (state.st_size, state.st_mtime_ns))

    def _try(self, memory: sqlite3.Connection, found: Found) -> bool:
        """Send one file unless it was answered before; False where it was told to stop meanwhile."""
        if found.look[0] > BYTES_MOST:
            body, name = b"", f"{found.path.name} {found.look}"
        else:
            body = found.path.read_bytes()
            name = f"{found.cycle} {found.chamber} {sha256(body).hexdigest()}"
        if memory.execute("SELECT 1 FROM answered WHERE file = ?", (name,)).fetchone():
            self.done.add((found.path, found.look))
            return True
        if not body:
            self._reject(memory, found, name, "it is empty, or longer than 20 MB")
            return True
        while True:
            try:
                why = self._send(found, body)
            except Away as away:
                wait = self.patience.after(away)
                self.say(f"{found.path.name} waits; again in {wait:.0f} s ({away}).")
                if not self.pause(wait):
                    return False
                continue
            self.patience.answered()
            if why.startswith("later"):
                if name not in self.told:
                    self.told.add(name)
                    self.rejects.write(found.path.name, f"not taken yet, {why.removeprefix('later ')}", "")
            elif why:
                self._reject(memory, found, name, why)
            else:
                memory.execute("INSERT OR IGNORE INTO answered VALUES (?)", (name,))
            return True

    def _send(self, found: Found, body: bytes) -> str:
        """Empty where it is kept; “later …” where it may be yet; else why it never will. Raises Away."""
        url = f"{self.records.url}?{urlencode({'machine_cycle': found.cycle, 'chamber': found.chamber})}"
        door = self.config.door
        try:
            token = secret(door.token_file, door.token_env)
            status, _, answer = post(url, body, token, self.clock(), "text/csv")
        except (OSError, http.client.HTTPException) as error:
            raise Away(f"no answer: {error or type(error).__name__}") from None
        except Odd as odd:
            raise Away(str(odd)) from None
        code, words = detail_of(answer)
        if status == 201 or code == "record-kept-already":
            return ""
        if code in LATER:
            return f"later {code}: {words}"
        if status in NEVER or status == 409:
            return f"{code}: {words}"
        raise Away(f"{status}: {words}")

    def _reject(self, memory: sqlite3.Connection, found: Found, name: str, why: str) -> None:
        self.rejects.write(found.path.name, f"not taken, {why}", "")
        memory.execute("INSERT OR IGNORE INTO answered VALUES (?)", (name,))
