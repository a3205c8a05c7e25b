"""`manage.py start` as its users meet it: a real tree, real signals, and a look at what is left behind."""

import contextlib
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import psutil
import pytest

from incidents.management import broker
from incidents.management.possession import listening_on

HOUSE = Path(__file__).resolve().parent.parent
READY = "Sluicegate is ready: http://127.0.0.1:"
START = (sys.executable, "manage.py", "start")
KINDS = {"worker": " worker ", "beat": " beat ", "web": "uvicorn", "broker": "valkey-server"}
BROKER_RUNS = "Starting worker"
STOP_S = 5.0


def environment(**more: str) -> dict[str, str]:
    """Ours, without what would lead `start` to other servers than its own."""
    foreign = ("DATABASE_URL", "REDIS_URL", "SLUICEGATE_")
    return {name: value for name, value in os.environ.items() if not name.startswith(foreign)} | more


def hears_the_hang_up() -> None:
    """Whoever runs the tests under nohup ignores SIGHUP for all their children; `start` would respect that."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


class House:
    """One `start` that runs, and the processes it had once it said that it is ready, or what else to await."""

    def __init__(self, folder: Path, *, until: str = READY, words: Sequence[str] = (), **more: str) -> None:
        self.folder = folder
        command = [*START, "--data", str(folder), "--port", "0", *words]
        pipe = subprocess.PIPE
        self.start = subprocess.Popen(
            command,
            cwd=HOUSE,
            env=environment(**more),
            text=True,
            stdout=pipe,
            stderr=pipe,
            preexec_fn=hears_the_hang_up,
        )
        assert self.start.stdout is not None
        self.last_said = next((line for line in self.start.stdout if line.startswith(until)), "")
        self.processes = psutil.Process(self.start.pid).children(recursive=True)

    @property
    def port(self) -> int:
        return int(self.last_said.removeprefix(READY).rstrip("/\n"))

    def children(self) -> list[psutil.Process]:
        return [each for each in self.processes if each.ppid() != self.start.pid]

    def child(self, kind: str) -> psutil.Process:
        return next(each for each in self.children() if KINDS[kind] in " ".join(each.cmdline()))

    def end(self, how: signal.Signals = signal.SIGINT) -> tuple[int, str]:
        """Send the signal; the exit code and what was said to the end."""
        self.start.send_signal(how)
        return self.ended()

    def kill_with_watchers(self) -> None:
        watchers = [each for each in self.processes if each.ppid() == self.start.pid]
        self.start.kill()
        for each in watchers:
            each.kill()

    def ended(self) -> tuple[int, str]:
        said, complaint = self.start.communicate(timeout=60)
        return self.start.returncode, said + complaint

    def left(self, within_s: float = STOP_S) -> list[psutil.Process]:
        """Whatever of the tree still runs after so many seconds."""
        deadline = time.monotonic() + within_s
        while (alive := [each for each in self.processes if runs(each)]) and time.monotonic() < deadline:
            time.sleep(0.02)
        return alive


def runs(process: psutil.Process) -> bool:
    with contextlib.suppress(psutil.NoSuchProcess):
        return process.is_running() and process.status() != psutil.STATUS_ZOMBIE
    return False


@contextlib.contextmanager
def house(folder: Path, *, until: str = READY, words: Sequence[str] = (), **more: str) -> Iterator[House]:
    """A house that is empty afterwards, whatever the test did."""
    running = House(folder, until=until, words=words, **more)
    try:
        yield running
    finally:
        if running.start.poll() is None:
            running.end(signal.SIGTERM)
        for each in running.left(within_s=0):
            each.kill()
        for stream in (running.start.stdout, running.start.stderr):
            assert stream is not None
            stream.close()


def start(folder: Path, *words: str, **more: str) -> subprocess.CompletedProcess[str]:
    """One `start` that is expected to end by itself."""
    command = [*START, "--data", str(folder), "--port", "0", *words]
    return subprocess.run(command, cwd=HOUSE, env=environment(**more), capture_output=True, text=True, timeout=60)


def health(port: int) -> int:
    with contextlib.closing(http.client.HTTPConnection("127.0.0.1", port, timeout=5)) as line:
        line.request("GET", "/readyz")
        return line.getresponse().status


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data folder that one house after another may use."""
    return tmp_path_factory.mktemp("data")


@pytest.fixture(scope="module")
def open_house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """One that only serves; nobody may harm it."""
    with house(tmp_path_factory.mktemp("open")) as running:
        yield running


def test_says_where_it_is_ready_and_answers_there(open_house: House) -> None:
    assert open_house.last_said == f"{READY}{open_house.port}/\n"
    assert health(open_house.port) == 200


def test_each_child_has_a_session_of_its_own(open_house: House) -> None:
    sessions = {os.getsid(each.pid) for each in open_house.processes}
    assert len(open_house.children()) == 4
    assert len(sessions) == 8
    assert os.getsid(open_house.start.pid) not in sessions


def test_only_the_owner_may_look_into_the_data_folder(open_house: House) -> None:
    readable = [found for found in open_house.folder.rglob("*") if found.stat().st_mode & 0o077]
    assert not readable


def test_the_worker_carries_out_a_task_sent_through_the_broker(open_house: House) -> None:
    ask = (
        "from config.celery import app; app.send_task('sluicegate.sweep')\n"
        "ask = app.control.inspect(timeout=1, limit=1)\n"
        "print(next(s['total'] for _ in range(20) for s in (ask.stats() or {}).values() if s['total']))"
    )
    told = subprocess.run(
        [sys.executable, "-c", ask],
        cwd=HOUSE,
        env=environment(SLUICEGATE_DATA=str(open_house.folder)),
        capture_output=True,
        text=True,
        timeout=30,
    )
    assert "sluicegate.sweep" in told.stdout, told.stderr


def test_connections_do_not_wait_for_more_to_send(open_house: House) -> None:
    """asyncio leaves Nagle's algorithm on when the socket comes by descriptor; ours has to be inherited."""
    with listening_on(0) as listening, socket.create_connection(listening.getsockname()):
        accepted, _ = listening.accept()
        with accepted:
            assert accepted.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)


def test_a_second_start_on_the_same_folder_is_refused_and_disturbs_nothing(open_house: House) -> None:
    second = start(open_house.folder)
    assert second.returncode == 1
    assert second.stderr.startswith("Sluicegate is already running on the data folder ")
    assert second.stderr.count("\n") == 1
    assert health(open_house.port) == 200
    assert len(open_house.left(within_s=0)) == 8


def test_a_used_port_is_said_before_anything_starts(open_house: House, tmp_path: Path) -> None:
    other = start(tmp_path / "other", "--port", str(open_house.port))
    assert other.returncode == 1
    assert other.stderr == f"Port {open_house.port} is already in use; choose another with --port.\n"
    assert not other.stdout
    assert not (tmp_path / "other" / "logs").exists()


def test_ctrl_c_stops_everything(folder: Path) -> None:
    with house(folder) as running:
        assert running.end(signal.SIGINT) == (0, "Stopping.\nSluicegate has stopped.\n")
        assert not running.left(within_s=0)


def test_neither_a_hung_child_nor_an_open_page_keeps_it_from_stopping(folder: Path) -> None:
    with house(folder) as running, socket.create_connection(("127.0.0.1", running.port)) as page:
        page.sendall(b"POST /readyz HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\n")
        running.child("worker").suspend()
        asked_at = time.monotonic()
        code, _ = running.end(signal.SIGTERM)
        assert time.monotonic() - asked_at < STOP_S
        assert code == 0
        assert not running.left(within_s=0)


def test_when_start_is_killed_nothing_is_left_and_the_next_start_waits_for_that(folder: Path) -> None:
    with house(folder) as running:
        running.child("beat").suspend()  # so that its end takes a while
        running.end(signal.SIGKILL)
        with house(folder) as again:
            assert not running.left(within_s=0)
            assert health(again.port) == 200
            again.kill_with_watchers()
            assert not again.left() or sys.platform != "linux"  # only there does a child die with its parent


@pytest.mark.parametrize("kind", KINDS)
def test_a_killed_child_ends_the_rest_and_is_named(folder: Path, kind: str) -> None:
    with house(folder) as running:
        running.child(kind).kill()
        code, said = running.ended()
        assert code == 1
        assert f"The {kind} process ended by itself (killed by signal 9)" in said
        assert f"{kind}.log" in said
        assert not running.left(within_s=0)


def test_a_killed_watcher_ends_the_rest_and_its_child(folder: Path) -> None:
    with house(folder, until=BROKER_RUNS) as running:
        os.kill(running.child("broker").ppid(), signal.SIGKILL)
        code, said = running.ended()
        assert code == 1
        assert "The broker process ended by itself (its watcher was killed by signal 9)" in said
        assert not running.left()


def test_a_child_that_can_not_start_is_shown_with_its_last_lines(folder: Path) -> None:
    failed = start(folder, UVICORN_LOG_LEVEL="nonsense")
    assert failed.returncode == 1
    assert "The web process ended by itself (exit code 2)" in failed.stderr
    assert "Invalid value for '--log-level'" in failed.stderr


def test_a_queue_that_can_not_be_read_is_set_aside(folder: Path) -> None:
    [queue] = (folder / "broker" / "appendonlydir").glob("*.incr.aof")
    queue.write_bytes(bytes(512))  # what a power cut leaves behind
    with house(folder, until=BROKER_RUNS) as running:
        assert (folder / "broker-unreadable").is_dir()
        assert running.end(signal.SIGHUP)[0] == 0


def test_a_given_broker_is_used_instead_of_our_own(folder: Path, tmp_path: Path) -> None:
    given = broker.plan(tmp_path, tmp_path / "s")
    with subprocess.Popen(given.command, stdout=subprocess.DEVNULL) as server:
        with house(folder, REDIS_URL=f"redis+socket://{tmp_path / 's'}") as running:
            assert len(running.children()) == 3
            assert not (folder / "broker.sock").exists()
        server.terminate()
