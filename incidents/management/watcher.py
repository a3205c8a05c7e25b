"""Runs one child in a session of its own, and ends that session when whoever started it is gone.

`start` may die without a word (kill -9, out of memory), so it cannot be the one that tidies up. It runs this file
by its path with `python -I -S`, hence nothing is imported here but the quick parts of the standard library.

    standard input    a pipe whose other end only the starter holds; the seconds of grace written to it, or its
                      end, ask for the child's end
    standard output   tells the child's process id, and closes when the child and its session are gone
    standard error    the child's log
    first argument    the descriptor of the folder's lock, held until the child is gone and never given to it
    second argument   descriptors for the child alone, with commas: a listening socket must not outlive its server

The exit code is the child's own, or 128 and its signal.
"""

import contextlib
import os
import select
import signal
import sys
import time

GRACE_S = 3.0  # when the starter died and could not name any
ASKING_TO_STOP = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
PR_SET_PDEATHSIG = 1  # linux/prctl.h


def main(lock: int, handed: list[int], command: list[str]) -> int:
    """Run `command` to its end, or to the starter's."""
    child_signalled = _note_child_signals()
    watcher = os.getpid()
    session = os.fork()
    if session == 0:
        _become(command, lock, watcher)
    for descriptor in handed:
        os.close(descriptor)
    try:
        with contextlib.suppress(BrokenPipeError):  # the starter is dead already, as `_watch` will find
            os.write(1, b"%d\n" % session)
        return _watch(session, child_signalled)
    finally:
        end_session(session, signal.SIGKILL)  # what the child itself may have left behind


def end_session(session: int, how: signal.Signals) -> None:
    """Signal every process of a session; one that has none left is no error."""
    with contextlib.suppress(ProcessLookupError, PermissionError):
        os.killpg(session, how)
    for process in _outside_first_group(session):
        with contextlib.suppress(ProcessLookupError):
            os.kill(process, how)


def _outside_first_group(session: int) -> list[int]:
    """Processes of the session that made themselves another group; found on Linux only."""
    if sys.platform != "linux":
        return []
    with os.scandir("/proc") as entries:
        processes = [int(entry.name) for entry in entries if entry.name.isdecimal()]
    return [process for process in processes if _belongs(process, session)]


def _belongs(process: int, session: int) -> bool:
    try:
        return os.getsid(process) == session != os.getpgid(process)
    except OSError:  # it ended meanwhile
        return False


def _note_child_signals() -> int:
    """Outlive the signals meant for the child; the descriptor returned is readable once a child has ended."""
    for asking in ASKING_TO_STOP:
        signal.signal(asking, signal.SIG_IGN)
    noted, note = os.pipe()  # neither end passes to the child's command
    os.set_blocking(note, False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    signal.set_wakeup_fd(note)
    return noted


def _become(command: list[str], lock: int, watcher: int) -> None:
    """In the forked child: a session of its own, the log as both outputs, then the command."""
    try:
        os.setsid()
        _die_with(watcher)
        for asking in (*ASKING_TO_STOP, signal.SIGPIPE):
            signal.signal(asking, signal.SIG_DFL)
        os.close(lock)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.dup2(2, 1)
        os.execv(command[0], command)
    except OSError as refused:
        os.write(2, f"{command[0]}: {refused.strerror}\n".encode())
    finally:
        os._exit(127)


def _die_with(watcher: int) -> None:
    """On Linux, die at once if the watcher is killed as well; elsewhere `start` has to find what is left."""
    if sys.platform == "linux":
        import ctypes

        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0)
        if os.getppid() != watcher:
            os._exit(127)


def _watch(child: int, child_signalled: int) -> int:
    """Wait for the child's end, or bring it about once asked; its exit code."""
    while True:
        readable, _, _ = select.select([0, child_signalled], [], [])
        if 0 in readable:
            return _stop(child, float(os.read(0, 64) or GRACE_S))
        os.read(child_signalled, 64)
        code = _ended(child)
        if code is not None:  # it was not merely paused
            return code


def _stop(session: int, grace_s: float) -> int:
    """Ask the session to end, and make it when the grace is over."""
    end_session(session, signal.SIGTERM)
    code = _ended(session, grace_s)
    if code is None:
        end_session(session, signal.SIGKILL)
        code = _ended(session, GRACE_S)
    return 128 + signal.SIGKILL if code is None else code


def _ended(child: int, wait_s: float = 0) -> int | None:
    """The child's exit code, or None if it still runs after so many seconds."""
    deadline = time.monotonic() + wait_s
    while True:
        known, status = os.waitpid(child, os.WNOHANG)
        if known:
            code = os.waitstatus_to_exitcode(status)
            return code if code >= 0 else 128 - code
        if time.monotonic() >= deadline:
            return None
        time.sleep(0.01)


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]), [int(number) for number in sys.argv[2].split(",") if number], sys.argv[3:]))
