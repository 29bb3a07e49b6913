"""The log's files on the disk: read whole, appended to by whole lines, never through a link (`coach.ground.own_files`).

A file is locked (`flock`, where the file system has locks) for the moment of a write, and of a read, so that two
processes of one machine never cut each other's lines; nothing is held between two writes.
"""

from __future__ import annotations

import errno
import os
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from coach.ground.own_files import opened_own
from coach.ground.problem import CoachError, reason_of

LOCK_TRIES = 200
LOCK_WAIT_S = 0.01


def read_whole(path: Path) -> bytes:
    """All of a regular file. CoachError, with a sentence, where something else stands there or it can't be read."""
    try:
        with opened_own(path, os.O_RDONLY) as descriptor:
            _lock(descriptor, shared=True)
            return all_of(descriptor)
    except OSError as error:
        raise CoachError(f"can't be read: {reason_of(error)}", str(path)) from error


def has_locks(folder: Path) -> bool:
    """Whether the file system of a folder, or of what it will stand in, can lock files; True where nobody can tell."""
    with suppress(OSError):
        there = next(one for one in (folder, *folder.parents) if one.is_dir() and not one.is_symlink())
        # A file without a name, since some file systems lock folders and no files.
        with tempfile.TemporaryFile(dir=there) as trial:
            try:
                _try_lock(trial.fileno(), True)
            except OSError as error:
                return error.errno not in _NO_LOCKS
    return True


def all_of(descriptor: int) -> bytes:
    """Everything in an open file."""
    with open(descriptor, "rb", closefd=False) as file:
        file.seek(0)
        return file.read()


@contextmanager
def opened_for_append(path: Path) -> Iterator[int]:
    """A descriptor of a regular file, locked, with an empty one made where none stands; OSError, CoachError as above.

    What stands at the path when the lock is held is what is open: not a file that was put aside meanwhile.
    """
    while True:
        with opened_own(path, os.O_RDWR | os.O_APPEND | os.O_CREAT) as descriptor:
            _lock(descriptor)
            if same_file(path, descriptor):
                yield descriptor
                return


def same_file(path: Path, descriptor: int) -> bool:
    """Whether a descriptor still is of the file that stands at a path."""
    try:
        standing = os.stat(path, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return os.path.samestat(standing, os.fstat(descriptor))


def append(descriptor: int, data: bytes) -> None:
    """Write at the end of a file by one call and force it to the disk; OSError where either fails.

    What a full disk took of it is cut off again, where the disk lets it: a half line would stay for good.
    """
    size = os.fstat(descriptor).st_size
    try:
        written = os.write(descriptor, data)
        if written < len(data):
            # The rest tells why, as a second call does: a full disk, a limit.
            written += os.write(descriptor, data[written:])
        if written < len(data):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(descriptor)
    except OSError:
        with suppress(OSError):
            os.ftruncate(descriptor, size)
        raise


_NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS, errno.EINVAL)
"""What a file system without locks answers. A line is one append, which is whole there too while one program writes."""
_HELD = (errno.EACCES, errno.EDEADLK) if sys.platform == "win32" else (errno.EWOULDBLOCK,)
"""What a lock that another program holds answers (locking of Windows; flock)."""


def _lock(descriptor: int, shared: bool = False) -> None:
    """Hold the file until it is closed; OSError where another program holds it for seconds, or it can't be locked."""
    for left in reversed(range(LOCK_TRIES)):
        try:
            _try_lock(descriptor, shared)
            return
        except OSError as error:
            if error.errno in _NO_LOCKS:
                return
            if error.errno not in (*_HELD, errno.EINTR):
                raise
            if not left:
                raise OSError(error.errno, "another program is writing to it") from None
        time.sleep(LOCK_WAIT_S)


if sys.platform == "win32":
    import msvcrt

    def _try_lock(descriptor: int, shared: bool) -> None:
        # Far beyond the text: locked bytes can't be read there.
        os.lseek(descriptor, 1 << 40, os.SEEK_SET)
        msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        os.lseek(descriptor, 0, os.SEEK_SET)

else:
    import fcntl

    def _try_lock(descriptor: int, shared: bool) -> None:
        fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
