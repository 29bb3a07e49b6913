"""Files and folders that the program keeps for itself, opened without following links.

Whoever may write into the practice folder may plant things in it, and a folder may come out of an archive: a link, a
pipe or a device in a place of the program's own is refused with a sentence, never followed, read or written, so that
nothing is written outside the practice folder. A file that the user names may be a link.
"""

from __future__ import annotations

import errno
import os
import stat
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from coach.ground.files import sync_folder, write_whole
from coach.ground.problem import CoachError, Problem, reason_of

_SAFELY = (
    getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)
"""A link is not followed, and a pipe does not keep the opener waiting."""
MOST_CACHED_BYTES = 100_000_000
_FORMS = {
    stat.S_IFLNK: "a link",
    stat.S_IFDIR: "a folder",
    stat.S_IFIFO: "a pipe",
    stat.S_IFSOCK: "a socket",
    stat.S_IFCHR: "a device",
    stat.S_IFBLK: "a device",
    stat.S_IFREG: "a file",
}


@contextmanager
def opened_own(path: Path, flags: int) -> Iterator[int]:
    """A descriptor of a regular file; CoachError where something else stands there, OSError where it can't open."""
    try:
        descriptor = os.open(path, flags | _SAFELY, 0o666)
    except OSError as error:
        # ELOOP is a link's answer, ENXIO a pipe's that nobody reads or a socket's (POSIX open).
        if error.errno in (errno.ELOOP, errno.EMLINK, errno.ENXIO, errno.EISDIR):
            with suppress(OSError):
                raise CoachError(_not_ours(path, path.lstat().st_mode, "a file")) from None
        raise
    try:
        mode = os.fstat(descriptor).st_mode
        if not stat.S_ISREG(mode):
            raise CoachError(_not_ours(path, mode, "a file"))
        yield descriptor
    finally:
        os.close(descriptor)


def stamp_of(status: os.stat_result) -> tuple[int, ...]:
    """What differs where a file is another one, or has been written to; first, when it was."""
    return status.st_mtime_ns, status.st_ctime_ns, status.st_size, status.st_ino, status.st_dev


def read_own(path: Path, most_bytes: int) -> bytes:
    """All of a regular file; CoachError and OSError as `opened_own`, and OSError where it has more bytes than that."""
    with opened_own(path, os.O_RDONLY) as descriptor, open(descriptor, "rb", closefd=False) as file:
        data = file.read(most_bytes + 1)
        if len(data) > most_bytes:
            size = os.fstat(descriptor).st_size
            raise OSError(errno.EFBIG, f"it has {size:,} bytes; at most {most_bytes:,} are allowed")
        return data


def write_own(path: Path, pieces: Iterable[bytes]) -> None:
    """Write a file whole or not at all; CoachError where a link or anything but a file stands there, else OSError."""
    with suppress(FileNotFoundError):
        mode = path.lstat().st_mode
        if not stat.S_ISREG(mode):
            raise CoachError(_not_ours(path, mode, "a file"))
    write_whole(path, pieces, through_links=False)


def read_checked(path: Path) -> bytes:
    """What `keep_checked` wrote; empty where it is missing, not whole or too large, a link or no file."""
    with suppress(OSError, CoachError):
        crc, _, body = read_own(path, MOST_CACHED_BYTES).partition(b"\n")
        if crc == b"%08x" % zlib.crc32(body):
            return body
    return b""


def keep_checked(path: Path, body: bytes) -> None:
    """Write a cache with its checksum; where it can't be written, the next run computes it anew.

    A link in its place is replaced, since nobody needs what stood there.
    """
    with suppress(OSError, CoachError):
        make_own_folder(path.parent)
        write_whole(path, [b"%08x\n" % zlib.crc32(body), body], through_links=False)


def make_own_folder(folder: Path) -> None:
    """Make a folder if need be, its name on the disk; CoachError as `refuse_link`, OSError where it can't be made."""
    if not refuse_link(folder):
        folder.mkdir(parents=True, exist_ok=True)
        sync_folder(folder.parent)
        sync_folder(folder.parent.parent)


def refuse_link(folder: Path) -> bool:
    """Whether a folder of the program's own is there; CoachError where it is a link or no folder at all."""
    try:
        mode = folder.lstat().st_mode
    except FileNotFoundError:
        return False
    except OSError as error:
        raise CoachError(f"the folder can't be read: {reason_of(error)}", str(folder)) from None
    if not stat.S_ISDIR(mode):
        raise CoachError(_not_ours(folder, mode, "a folder"))
    return True


def _not_ours(path: Path, mode: int, needed: str) -> Problem:
    form = _FORMS.get(stat.S_IFMT(mode), "something else")
    return Problem(
        f"is {form}, but the program needs {needed} of its own here: left alone",
        str(path),
        guess="remove it; to have your practice elsewhere, move the whole practice folder",
    )
