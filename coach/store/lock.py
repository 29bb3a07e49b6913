"""One session at a time for each player: an advisory lock on a small file beside the log.

The operating system drops the lock when its process ends in any way, so a lock is never stale; the file's text says
who holds it. Where the file system has no locks the session goes on without.
"""

from __future__ import annotations

import errno
import json
import os
import socket
import sys
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem


def lock_name(player_id: str) -> str:
    """The name of a player's lock file."""
    return f"session-{player_id}.lock"


class PlayerLock:
    """Held from the call until `release` or the end of the process."""

    def __init__(self, progress: Path, player_id: str, player_name: str, since: str) -> None:
        """CoachError, naming who holds it, where another session has this player."""
        self.path = progress / lock_name(player_id)
        self._descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            _lock(self._descriptor)
        except OSError as error:
            holder = _holder(self._descriptor)
            os.close(self._descriptor)
            self._descriptor = -1
            if error.errno in _NO_LOCKS:
                return
            raise CoachError(
                Problem(
                    f"{plain_text(player_name)} has another session open{holder}",
                    str(self.path.parent),
                    guess="close that one first, or practise as somebody else with --player NAME",
                )
            ) from None
        text = json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "since": since})
        # A full disk has no room for who holds it, and holds it all the same.
        with suppress(OSError):
            os.ftruncate(self._descriptor, 0)
            os.write(self._descriptor, text.encode())

    def release(self) -> None:
        """Let go; calling it again does nothing."""
        if self._descriptor >= 0:
            with suppress(OSError):
                os.ftruncate(self._descriptor, 0)
            os.close(self._descriptor)
            self._descriptor = -1

    def __enter__(self) -> PlayerLock:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.release()


@contextmanager
def alone(progress: Path, own: Collection[str] = ()) -> Iterator[None]:
    """Nobody else puts another file in the log's place meanwhile, and no session but one's own is open.

    `own` are the ids of the players whom this process holds. CoachError where a session or another such program is.
    """
    for path in sorted(progress.glob("session-*.lock")):
        if path.name in map(lock_name, own):
            continue
        with _tried(path) as taken:
            if taken:
                raise CoachError(
                    Problem(
                        f"the damaged log can't be mended while a session is open{taken}",
                        str(progress),
                        guess="close that one first",
                    )
                )
    with _tried(progress / "mending.lock") as taken:
        if taken:
            raise CoachError(Problem("another program is mending the log", str(progress), guess="try again"))
        yield


@contextmanager
def _tried(path: Path) -> Iterator[str]:
    """Hold a file for a moment; who has it, or empty where it was free."""
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    taken = ""
    try:
        try:
            _lock(descriptor)
        except OSError as error:
            if error.errno not in _NO_LOCKS:
                taken = _holder(descriptor) or ": process unknown"
        yield taken
    finally:
        os.close(descriptor)


_NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS)
"""What a file system without locks answers."""


def _holder(descriptor: int) -> str:
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        facts = json.loads(os.read(descriptor, 1000))
        host = plain_text(str(facts["host"]), 40)
        return f": process {int(facts['pid'])} on {host}, since {plain_text(str(facts['since']), 30)}"
    except (OSError, ValueError, KeyError, TypeError):
        return ""


if sys.platform == "win32":
    import msvcrt

    def _lock(descriptor: int) -> None:
        # Far beyond the text: locked bytes can't be read there.
        os.lseek(descriptor, 1 << 20, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_SET)

else:
    import fcntl

    def _lock(descriptor: int) -> None:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
