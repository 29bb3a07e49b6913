"""Where everything lies: the practice folder, the log in it, drills, and the drills that come with the program.

The practice folder is the one that is asked for, else the current folder if it holds `drills/` or `progress/`, else
the user-data folder of the platform.
"""

from __future__ import annotations

import difflib
import os
from dataclasses import dataclass
from pathlib import Path

import coach
from coach.core.problem import CoachError, Problem

DRILL_SUFFIXES = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Places:
    """The paths of one practice folder; nothing is created until something is written."""

    folder: Path

    @property
    def drills(self) -> Path:
        return self.folder / "drills"

    @property
    def progress(self) -> Path:
        return self.folder / "progress"

    @property
    def log(self) -> Path:
        return self.progress / "log.sqlite3"

    @property
    def recall(self) -> Path:
        """What earlier starts read from drills and settings; it may go at any time."""
        return self.progress / "recall.json"

    @property
    def settings(self) -> Path:
        return self.folder / "settings.yaml"


def find_places(folder: str | Path | None = None) -> Places:
    """The practice folder; CoachError where something else than a folder stands in its place."""
    if folder is not None and str(folder):
        chosen = user_path(folder)
    else:
        here = Path.cwd()
        if (here / "drills").is_dir() or (here / "progress").is_dir():
            chosen = here
        else:
            import platformdirs

            chosen = Path(platformdirs.user_data_dir("wellrung", appauthor=False))
    _must_be_folder(chosen)
    places = Places(chosen)
    _must_be_folder(places.progress)
    return places


def user_path(text: str | Path) -> Path:
    """The path that a user wrote, `~` being their home; as it stands where there is no such user."""
    try:
        return Path(text).expanduser()
    except RuntimeError:
        return Path(text)


def make_folder(folder: Path) -> Path:
    """Create a folder if need be and make sure that it can be written; CoachError where not."""
    _must_be_folder(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CoachError(
            Problem(f"the folder can't be made: {_reason(error)}", str(folder), guess=_ELSEWHERE)
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise CoachError(Problem("nothing may be written in this folder", str(folder), guess=_ELSEWHERE))
    return folder


def builtin_drills() -> list[Path]:
    """The drills that come with the program, in order of name."""
    package = Path(coach.__file__).parent
    for folder in (package / "drills", package.parent / "drills"):
        found = _drills_in(folder)
        if found:
            return found
    return []


def own_drills(places: Places) -> list[Path]:
    """The drills in the practice folder, in order of name."""
    return _drills_in(places.drills)


def all_drills(places: Places) -> list[Path]:
    """The player's own drills, then the built-in ones whose file name is not taken by an own one."""
    own = own_drills(places)
    taken = {path.stem for path in own}
    return own + [path for path in builtin_drills() if path.stem not in taken]


def find_drill(name_or_path: str, places: Places) -> Path:
    """The drill file that is meant: a path, or a drill by its file's name without the ending, its id or its title.

    Upper and lower case are one; own drills come first. CoachError with near names where there is none.
    """
    from coach.library import MOST_FILES

    direct = user_path(name_or_path)
    if direct.suffix.lower() in DRILL_SUFFIXES or len(direct.parts) > 1 or os.path.isfile(direct):
        if os.path.exists(direct) and not os.path.isdir(direct):
            return direct
        inside = places.folder / direct
        if not direct.is_absolute() and os.path.isfile(inside):
            return inside
    wanted = direct.stem if direct.suffix.lower() in DRILL_SUFFIXES else direct.name
    wanted = wanted.casefold()
    title = " ".join(name_or_path.split()).casefold()
    # An own drill that has a built-in one's id stands for it, whatever its file is called.
    called: dict[str, str] = {}
    for drills in (own_drills(places), builtin_drills()):
        for path in drills:
            if len(direct.parts) == 1 and path.stem.casefold() == wanted:
                return path
        for path in drills[:MOST_FILES]:
            names = _names_in(path)
            if title in names:
                return path
            for name in (path.stem.casefold(), *names):
                called.setdefault(name, path.stem)
    if os.path.isdir(direct):
        raise CoachError(
            Problem("is a folder, not a drill file", name_or_path, guess="name one of the files in it")
        )
    near = difflib.get_close_matches(wanted, called, n=6, cutoff=0.5)
    near += [name for name in called if wanted and wanted in name]
    if near:
        guess = "near: " + ", ".join(list(dict.fromkeys(called[name] for name in near))[:3])
    elif called:
        guess = "known: " + ", ".join(sorted(set(called.values()))[:8])
    else:
        guess = f"no drills in {places.drills} either"
    raise CoachError(Problem("there is no such drill file", name_or_path, guess=guess))


def _names_in(path: Path) -> tuple[str, ...]:
    """A drill's id and title without upper case; none where the file can't be read."""
    from coach.library import read_drill_file

    try:
        drill = read_drill_file(path)
    except CoachError:
        return ()
    return drill.id.casefold(), " ".join(drill.title.split()).casefold()


_ELSEWHERE = "--folder DIR names another practice folder"


def _drills_in(folder: Path) -> list[Path]:
    try:
        found = [
            path for path in folder.iterdir() if path.suffix.lower() in DRILL_SUFFIXES and path.is_file()
        ]
    except OSError:
        return []
    return sorted(found)


def _must_be_folder(path: Path) -> None:
    try:
        wrong = path.exists() and not path.is_dir()
    except OSError as error:
        raise CoachError(
            Problem(f"the folder can't be read: {_reason(error)}", str(path), guess=_ELSEWHERE)
        ) from None
    if wrong:
        raise CoachError(Problem("is a file, but a folder is needed here", str(path), guess=_ELSEWHERE))


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
