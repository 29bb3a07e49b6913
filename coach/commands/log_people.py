"""`coach log forget`: remove a person, and name the files that still name them."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from coach.commands.common import clock, places_of, say, warn
from coach.commands.options import Arguments
from coach.ground.places import Places
from coach.ground.plain import counted, same_name
from coach.ground.problem import CoachError, UsageError
from coach.log.log import Log
from coach.log.upkeep import forget as remove

MOST_FILES = 5_000
LARGEST_BYTES = 20_000_000
"""Of files in the practice folder that are looked through for a name."""


def forget(arguments: Arguments) -> int:
    """Remove a person from the log and its backups, and name the files that still name them."""
    places = places_of(arguments)
    path, name = places.log, arguments.player
    at_ms, _ = clock()
    with Log.open(path, None, now_ms=at_ms) as log:
        if not log.exists:
            if _say_files(name, "", places):
                return 1
            raise CoachError("there is no log, so there is nobody to forget", str(path))
        try:
            log.choose_player(name, at_ms, create=False)
            player = log.player
        except CoachError:
            if not any(same_name(one.name, name) for one in log.players()) and _say_files(name, "", places):
                return 1
            raise
        if not arguments.yes:
            if not sys.stdin.isatty():
                raise UsageError("this needs a terminal, to ask you", "log forget", guess="add --yes")
            gone = f"Everything of {player.name} is removed for good, from the backups here too."
            if input(f"{gone} Type the name: ").strip() != player.name:
                say("nothing was removed")
                return 1
        done = remove(log, player)
    files = ", ".join(path.name for path in done.cleaned)
    say(f"{player.name} is removed: {counted(done.lines, 'line')}, from {files}")
    _say_files(player.name, player.id, places, besides=(*done.cleaned, *done.unreadable))
    unsure = f"can't be read completely and may still name {player.name}; look yourself"
    warn(*(f"{path}: {unsure}" for path in done.unreadable))
    return 1 if done.unreadable else 0


def _say_files(name: str, player_id: str, places: Places, besides: tuple[Path, ...] = ()) -> bool:
    """Say which files of the practice folder name a person; whether there are any."""
    naming = _naming(name, player_id, places.folder) if name.strip() else ()
    paths = [path for path in naming if path not in besides]
    if not player_id and paths:
        warn(f"nobody called {name!r} has practised here, but some files name them")
    warn(*(f"{path}: names {name}; delete it yourself if it should go" for path in paths))
    return bool(paths)


def _naming(name: str, player_id: str, folder: Path) -> Iterator[Path]:
    """Files in and below a folder whose name or text has a person's name as words of its own, or their id."""
    words = r"\s+".join(map(re.escape, name.split()))
    wanted = re.compile(rf"(?<!\w){words}(?!\w)", re.IGNORECASE)
    for number, path in enumerate(_files_below(folder)):
        if number >= MOST_FILES:
            warn(f"{folder}: has more than {MOST_FILES:,} files; the others were not searched")
            return
        try:
            data = path.read_bytes() if path.stat().st_size <= LARGEST_BYTES else b""
        except OSError:
            warn(f"{path}: can't be read; see for yourself whether it names {name}")
            continue
        text = data.decode("utf-8", "replace")
        in_name = wanted.search(re.sub(r"[-_.]", " ", path.name))
        if in_name or wanted.search(text) or (player_id and player_id in text):
            yield path


def _files_below(folder: Path) -> Iterator[Path]:
    for where, folders, names in os.walk(folder):
        folders[:] = sorted(one for one in folders if not one.startswith("."))
        for name in sorted(names):
            path = Path(where) / name
            if path.is_file() and not path.is_symlink():
                yield path
