"""A stranger's first hour, by the very lines of the documents: a living demonstration, an alarm by curl, a past.

Nothing is prepared: the data folder is empty, and all of it goes through `start`, a browser and a shell.
"""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from urllib.parse import quote
from uuid import UUID

import pytest
from playwright.sync_api import expect

from incidents.identity.ids import named
from tests.browser import Screen, Somebody, browser_at, engines, signs_in
from tests.test_start import HOUSE, environment, house

ADA = Somebody("Ada Lind", "ada.lind", "E-100", "4711")
INES = Somebody("Ines Malk", "ines.malk", "E-101", "1101")


def written_in(document: str, beginning: str, holding: str) -> str:
    """The one command of a document that begins and holds so, with the lines that it goes on over."""
    blocks = re.findall(rf"(?m)^ {{4}}{beginning} (?:.*\n(?: {{5,}}.*\n)*)", (HOUSE / document).read_text())
    (found,) = [block for block in blocks if holding in block]
    return str(found)


def typed(command: str, **known: str) -> str:
    """What a shell says to it, in the folder of the clone. Fails with what it complained of."""
    ran = subprocess.run(
        ["bash", "-c", command], cwd=HOUSE, env=known, capture_output=True, text=True, timeout=120, check=False
    )
    assert ran.returncode == 0, f"{command}\n{ran.stdout}{ran.stderr}"
    return ran.stdout


@pytest.mark.browser
def test_from_an_empty_folder_to_an_alarm_a_past_and_a_clean_stop(
    tmp_path: Path, chromium_path: str, curl_path: str
) -> None:
    with engines() as servers, house(tmp_path, words=("--demo",), **servers) as running:
        address = f"http://127.0.0.1:{running.port}"
        with browser_at(chromium_path) as browser:
            screen = Screen(browser, address)
            signs_in(screen, ADA)
            screen.open("/f/eastmere/set-up/")
            screen.presses("Make a token")
            token = screen.page.inner_text("#token")
            screen.presses("I have copied it")

            curl = written_in("README.md", "curl", "observations/").replace("http://127.0.0.1:8000", address)
            assert address in curl
            receipt = json.loads(typed(curl, PATH=os.environ["PATH"], TOKEN=token))
            alarm = named(UUID(receipt["deed_id"]), "alarm")

            signs_in(screen, INES)
            screen.open("/f/eastmere/")
            expect(screen.page.get_by_role("main").locator(f'a[href*="{alarm}"]').first).to_be_visible()
            screen.says("Everybody and everything here is invented.")

            command = written_in("docs/import.md", "manage.py", "--data .data-demo").replace(
                ".data-demo", str(tmp_path)
            )
            ours = environment(**servers)
            said = typed(command.replace("manage.py", f"{sys.executable} manage.py"), **ours)
            assert said.startswith("Wrote ") and " 0 refused" in said
            screen.open(f"/f/eastmere/scan/?code={quote('Rowan 8121')}")
            screen.headed("Rowan 8121")
            screen.says("Imported history, not judged here")
            screen.page.close()
            assert not screen.complaints
        code, told = running.end()
        assert (code, told.endswith("Sluicegate has stopped.\n")) == (0, True)
        assert not running.left()
    logged = "".join(log.read_text() for log in (tmp_path / "logs").iterdir())
    assert token not in logged
