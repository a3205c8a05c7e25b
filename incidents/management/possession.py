"""What one `start` must have for itself before it starts anything: the data folder and the port.

Both are handed on by descriptor, so there is no moment in which someone else could take them.
"""

import contextlib
import errno
import fcntl
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path

LOOPBACK = "127.0.0.1"
EARLIER_CHILDREN_S = 8.0  # their watchers need 3 s to end them; the rest is for a machine under load


class NotToBeHad(Exception):
    """Someone else has the folder or the port; the sentence says so."""


@contextlib.contextmanager
def data_folder(folder: Path) -> Iterator[int]:
    """Hold the data folder; gives the lock that the children's watchers must inherit.

    Two locks, because `start` may be killed and its children take a few seconds to follow: the first says that
    a `start` runs (refuse at once), the second that children of one run (wait for their end).

    Raises:
        NotToBeHad: another `start` runs on this folder, or an earlier one's children did not end.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with _opened(folder / "start.lock") as ours, _opened(folder / "children.lock") as children:
        if not _locked(ours, wait_s=0):
            raise NotToBeHad(f"Sluicegate is already running on the data folder {folder}.")
        if not _locked(children, wait_s=EARLIER_CHILDREN_S):
            raise NotToBeHad(f"Processes of an earlier start still run on the data folder {folder}.")
        yield children


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[int]:
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _locked(descriptor: int, *, wait_s: float) -> bool:
    """Whether the lock was had within so many seconds. The kernel frees it when its last holder is gone."""
    deadline = time.monotonic() + wait_s
    while True:
        with contextlib.suppress(BlockingIOError):
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return True
        if time.monotonic() >= deadline:
            return False
        time.sleep(0.05)


def listening_on(port: int) -> socket.socket:
    """A socket that listens on the loopback `port`; 0 picks a free one.

    Browsers that come while the web process is still loading wait instead of being refused. Accepted
    connections inherit TCP_NODELAY, which asyncio does not set on a socket handed to it by descriptor.

    Raises:
        NotToBeHad: the port is used, or not for this user.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        listening.bind((LOOPBACK, port))
        listening.listen()
    except OSError as refused:
        listening.close()
        why = "is already in use" if refused.errno == errno.EADDRINUSE else f"is not to be had ({refused.strerror})"
        raise NotToBeHad(f"Port {port} {why}; choose another with --port.") from None
    return listening
