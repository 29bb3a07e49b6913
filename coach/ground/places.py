"""Where everything lies: the practice folder, the log in it, drills, and the drills that come with the program.

The practice folder is the one that is asked for, else the current folder if it holds `drills/` or `progress/`, else
the user-data folder of the platform.
"""

from __future__ import annotations

import os
from pathlib import Path

import coach
from coach.ground.frozen import frozen
from coach.ground.own_files import refuse_link
from coach.ground.problem import CoachError, reason_of

DRILL_SUFFIXES = (".yaml", ".yml")


@frozen
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
        """The folder of the practice log's files."""
        return self.progress / "log"

    @property
    def ear(self) -> Path:
        """What was learnt of each instrument's sound."""
        return self.progress / "ear"

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
    refuse_link(places.progress)
    return places


def state_file(name: str) -> Path:
    """A file outside every practice folder, in which the program keeps something of this machine and user."""
    import platformdirs

    return Path(platformdirs.user_state_dir("wellrung", appauthor=False)) / name


def user_path(text: str | Path) -> Path:
    """The path that a user wrote, `~` being their home; as it stands where there is no such user."""
    try:
        return Path(text).expanduser()
    except RuntimeError:
        return Path(text)


def make_folder(folder: Path) -> Path:
    """Create a folder of the practice folder if need be, no link, that can be written; CoachError where not."""
    refuse_link(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CoachError(
            f"the folder can't be created: {reason_of(error)}", str(folder), guess=_ELSEWHERE
        ) from None
    if not os.access(folder, os.W_OK | os.X_OK):
        raise CoachError("this folder is read-only", str(folder), guess=_ELSEWHERE)
    return folder


def builtin_drills() -> list[Path]:
    """The drills that come with the program, in order of name."""
    package = Path(coach.__file__).parent
    for folder in (package / "drills", package.parent / "drills"):
        paths = _drills_in(folder)
        if paths:
            return paths
    return []


def own_drills(places: Places) -> list[Path]:
    """The drills in the practice folder, in order of name."""
    return _drills_in(places.drills)


_ELSEWHERE = "--folder DIR names another practice folder"


def _drills_in(folder: Path) -> list[Path]:
    try:
        paths = [
            path for path in folder.iterdir() if path.suffix.lower() in DRILL_SUFFIXES and path.is_file()
        ]
    except OSError:
        return []
    return sorted(paths)


def _must_be_folder(path: Path) -> None:
    try:
        wrong = path.exists() and not path.is_dir()
    except OSError as error:
        raise CoachError(
            f"the folder can't be read: {reason_of(error)}", str(path), guess=_ELSEWHERE
        ) from None
    if wrong:
        raise CoachError("is a file, but a folder is needed here", str(path), guess=_ELSEWHERE)
