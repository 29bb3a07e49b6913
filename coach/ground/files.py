"""Files written so that at every moment either the old one or the new one stands there, whole; and free names."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path


def write_whole(path: Path, pieces: Iterable[bytes], through_links: bool = True) -> None:
    """Put a file with these bytes in a path's place, on the disk when the call returns; OSError where it can't be.

    What stood there stays until the new one is complete, and stays for good where that fails. A link keeps pointing
    where it points; unless `through_links`, it is replaced itself.
    """
    if through_links:
        path = Path(os.path.realpath(path))
    # A name of its own for each writer: two at once must not write into one file. Its end is no drill's and no log's.
    part = path.with_name(f".{path.name[:60]}.{os.urandom(4).hex()}.part")
    try:
        with part.open("xb") as file:
            for piece in pieces:
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            os.chmod(part, path.stat().st_mode & 0o777)
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Force a folder's entries to the disk, where the platform can."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(descriptor)
    except OSError:
        pass
    finally:
        os.close(descriptor)


def free_path(path: Path) -> Path:
    """The path, or one with a number where something stands there already."""
    free, number = path, 2
    while os.path.lexists(free):
        free = path.with_name(f"{path.stem}-{number}{path.suffix}")
        number += 1
    return free
