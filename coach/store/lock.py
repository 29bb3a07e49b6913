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
from pathlib import Path
from types import TracebackType

from coach.core.plain import plain_text
from coach.core.problem import CoachError, Problem


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
            if error.errno in (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS):
                return
            raise CoachError(
                Problem(
                    f"{plain_text(player_name)} has another session open{holder}",
                    str(self.path.parent),
                    guess="close that one first, or practise as somebody else with --player NAME",
                )
            ) from None
        text = json.dumps({"pid": os.getpid(), "host": socket.gethostname(), "since": since})
        os.ftruncate(self._descriptor, 0)
        os.pwrite(self._descriptor, text.encode(), 0) if hasattr(os, "pwrite") else os.write(
            self._descriptor, text.encode()
        )

    def release(self) -> None:
        """Let go; calling it again does nothing."""
        if self._descriptor >= 0:
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
