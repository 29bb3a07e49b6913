"""The drills at hand: read from the practice folder and the package, each id once, faults told and not fatal.

What reads YAML is imported when a file is to be read: most starts find all drills in `coach.folder.kept`.
"""

from __future__ import annotations

import difflib
import os
import shlex
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from coach.folder.kept import Kept
from coach.ground.fields import did_you_mean
from coach.ground.files import free_path
from coach.ground.frozen import frozen
from coach.ground.own_files import refuse_link, write_own
from coach.ground.places import DRILL_SUFFIXES, Places, builtin_drills, make_folder, own_drills, user_path
from coach.ground.plain import listed, name_key, plain_text, same_name
from coach.ground.problem import CoachError, Problem, UsageError, reason_of
from coach.ground.source import nearest
from coach.log.log import Log
from coach.log.people import DEFAULT_NAME
from coach.music.drill import Drill, Phrase
from coach.strings.instrument import Instrument
from coach.strings.own import on_own
from coach.words.amounts import full_day, tempo

MOST_FILES = 500
"""Own drill files that a start reads, in order of name."""
MOST_SHOWN = 20


@frozen
class Library:
    """Drills in the order in which new ones are met; `notices` say what was left out and why."""

    drills: tuple[Drill, ...]
    notices: tuple[str, ...] = ()
    built_in: frozenset[str] = frozenset()
    """Ids of the drills that come with the program."""

    def drill(self, drill_id: str) -> Drill:
        """The drill with this id; KeyError where there is none."""
        return {drill.id: drill for drill in self.drills}[drill_id]

    def on_own(self, own: Sequence[Instrument]) -> Library:
        """The same drills as they lie on the player's own instruments."""
        return replace(self, drills=tuple(drill_on_own(drill, own) for drill in self.drills))


def drill_on_own(drill: Drill, own: Sequence[Instrument]) -> Drill:
    """The drill with the lengths of the player's instrument where one fits its tuning; see `coach.strings.own`."""
    return replace(drill, instrument=on_own(drill.instrument, own))


def load_library(places: Places, kept: Kept | None = None) -> Library:
    """Every readable drill: the player's own first, then the built-in ones whose id no own drill has; each by grade.

    What is `kept` of them is not read again.
    """
    drills: dict[str, Drill] = {}
    notices: list[str] = []
    faulty = 0
    own_files = own_drills(places)
    if not own_files and places.drills.is_dir() and not os.access(places.drills, os.R_OK | os.X_OK):
        notices.append(f"left out: {places.drills} can't be read; does it belong to another user?")
    for path in [*own_files[:MOST_FILES], *builtin_drills()]:
        own = path.parent == places.drills
        try:
            drill = kept.read(path, _load_drill) if kept else _load_drill(path)
        except CoachError as error:
            faulty += 1
            if faulty <= MOST_SHOWN:
                more = f" (and {len(error.problems) - 1} more)" if len(error.problems) > 1 else ""
                notices.append(
                    f"left out: {error.problems[0]}{more}; `coach check {shlex.quote(str(path))}` lists everything"
                )
            continue
        if drill.id not in drills:
            drills[drill.id] = drill
        elif own:
            other = drills[drill.id].path
            notices.append(
                f"left out: {path.name} has the same id as {Path(other).name}, {drill.id}; give it another"
            )
    if faulty > MOST_SHOWN:
        notices.append(
            f"left out: {faulty - MOST_SHOWN} more files that can't be read; `coach check` lists them"
        )
    if len(own_files) > MOST_FILES:
        extra = len(own_files) - MOST_FILES
        notices.append(
            f"left out: {extra:,} more files; only the first {MOST_FILES} in {places.drills} are read"
        )
    built_in = {drill.id for drill in drills.values() if Path(drill.path).parent != places.drills}
    ordered = sorted(drills.values(), key=lambda drill: (drill.id in built_in, drill.grade or 0))
    return Library(tuple(ordered), tuple(notices), frozenset(built_in))


def _load_drill(path: Path) -> Drill:
    from coach.score.load import load_drill

    return load_drill(path)


def in_plan(
    library: Library, taken_up: Mapping[str, bool], instruments: Sequence[Instrument]
) -> tuple[Drill, ...]:
    """The drills of a day's plan: the player's own, where there are none the built-in ones for the instruments at hand.

    `taken_up` has the player's word on single drills: true takes one into the plan, false out of it.
    """
    usual = {drill.id for drill in library.drills} - library.built_in
    if not usual:
        usual = {drill.id for drill in library.drills if not strings_lacking(drill, instruments)}
    return tuple(drill for drill in library.drills if taken_up.get(drill.id, drill.id in usual))


def at_hand(
    library: Library, begun: Collection[str], own: Sequence[Instrument] = ()
) -> tuple[Instrument, ...]:
    """The instruments that the player has: their `own`, else those of their drills, of drills begun, of the first."""
    written = [drill for drill in library.drills if drill.id not in library.built_in]
    drills = written or [drill for drill in library.drills if drill.id in begun] or library.drills[:1]
    return tuple(own) or tuple(drill.instrument for drill in drills)


def strings_lacking(drill: Drill, instruments: Sequence[Instrument]) -> tuple[str, ...]:
    """The open strings of a drill that the nearest of the instruments has not: `B0`; none where it fits."""
    lacking = [
        tuple(
            string.name
            for string in drill.instrument.strings
            if string.midi not in {one.midi for one in instrument.strings}
        )
        for instrument in instruments
    ]
    return min(lacking, key=len, default=())


def named_drills(names: Sequence[str], places: Places) -> Library:
    """The drills that the player named, by file or by name; CoachError with every problem in any of them."""
    from coach.score.load import load_drills

    problems: list[Problem] = []
    drills: dict[str, Drill] = {}
    for name in names:
        try:
            path = find_drill(name, places)
            in_file = load_drills(path)
        except CoachError as error:
            problems.extend(error.problems)
            continue
        for drill in in_file:
            if drill.id in drills and Path(drills[drill.id].path).resolve() != path.resolve():
                first = drills[drill.id].path
                guess = "give one of them another id"
                problems.append(Problem(f"has the same id as {first}, {drill.id}", str(path), guess=guess))
            drills[drill.id] = drill
    if problems:
        raise CoachError(problems)
    return Library(tuple(drills.values()))


def keep_copies(library: Library, places: Places) -> Library:
    """The same drills; those from outside the practice folder are kept in its `drills/` too, for tomorrow."""
    inside = {path.resolve() for path in [*own_drills(places), *builtin_drills()]}
    drills, notices = [], list(library.notices)
    for drill in library.drills:
        if Path(drill.path).resolve() not in inside:
            drill, notice = _keep(Path(drill.path), places, drill)
            notices += [notice] if notice else []
        drills.append(drill)
    return replace(library, drills=tuple(drills), notices=tuple(notices))


def student_in(drills: Iterable[Drill]) -> str:
    """The student whom the first drill with an assignment to a name names; empty where none does."""
    return next(
        (drill.assignment.student for drill in drills if drill.assignment and drill.assignment.student), ""
    )


def player_meant(student: str, log: Log, asks: Callable[[str], bool] | None) -> str:
    """Who practises where no name is given: the `student` whom a drill's file names, or, empty, whoever it was before.

    A folder's first player is that student, unless `asks` can ask; it asks one who has no name yet.
    """
    if asks is None:
        return "" if log.exists else student
    return student if log.takes_name(student) and asks(student) else ""


def refuse_anothers(library: Library, player: str) -> None:
    """CoachError where a drill is assigned to somebody else than this player; one without a name may be anybody."""
    others = [
        (drill.path, drill.assignment.student)
        for drill in library.drills
        if drill.assignment and drill.assignment.student and not same_name(drill.assignment.student, player)
    ]
    if others:
        raise CoachError(
            Problem(
                f"is assigned to {student}, but here it would count for {player}",
                path,
                guess=_way_in(student, player),
            )
            for path, student in others
        )


def _way_in(student: str, player: str) -> str:
    anyway = "--anyway lets you practise it"
    if player == DEFAULT_NAME:
        return f"`coach log rename {shlex.quote(student)}` if that is you; {anyway} under another name"
    return f"the wrong file, or another --player? {anyway}"


def settle_ids(drills: Iterable[Drill], places: Places) -> None:
    """Write the ids of own drills that have none yet into their files, so that later edits keep the history.

    A link, or a file that can't be written, keeps working: its ids follow from title and names as before.
    """
    own = {path.resolve() for path in own_drills(places)}
    for drill in drills:
        path = Path(drill.path)
        if path.resolve() in own:
            with suppress(OSError, UnicodeDecodeError, CoachError):
                write_ids(path)


def write_ids(path: Path) -> bool:
    """Write the ids of a drill and its phrases into its file; whether any was missing.

    OSError, UnicodeDecodeError or CoachError where the file can't be read or written.
    """
    from coach.score.edit import with_ids

    text = path.read_bytes().decode("utf-8")
    settled = with_ids(text)
    if settled == text:
        return False
    _write(path, settled.encode())
    return True


def _keep(path: Path, places: Places, drill: Drill) -> tuple[Drill, str]:
    """Copy a drill into the practice folder; an older copy of the same drill stays beside it as `.old`.

    The drill, and what is to be told. One out of several in a file is read from its copy from now on.
    """
    from coach.score.load import SEVERAL

    content, name = path.read_bytes(), path.name
    if content.decode("utf-8-sig").startswith(SEVERAL.strip()):
        content, name = _one_of(content.decode("utf-8-sig"), drill.id), f"{drill.id}{DRILL_SUFFIXES[0]}"
    folder = make_folder(places.drills)
    target = next(
        (own for own in own_drills(places)[:MOST_FILES] if names_of(drill)[0] in _names_in(own)[:1]), None
    )
    known = target is not None
    target = target or free_path(folder / name)
    in_place = drill if name == path.name else replace(drill, path=str(target))
    if not known:
        _write(target, content)
        return in_place, f"saved a copy as {target}"
    if target.read_bytes() == content:
        return in_place, ""
    before = _load_drill(target)
    owner, student = (each.assignment.student if each.assignment else "" for each in (before, drill))
    if owner and student and not same_name(owner, student):
        return drill, f"{target} is for {owner} and stays as it is; the file for {student} is not copied"
    older = free_path(target.with_name(target.name + ".old"))
    _write(older, target.read_bytes())
    _write(target, content)
    told = f"{target} is now this version{_changed(before, drill)}; the old one is now {older}"
    return in_place, told


def _one_of(text: str, drill_id: str) -> bytes:
    """The drill with this id out of the text of several."""
    from coach.score.load import drill_texts, read_drill

    for one in drill_texts(text):
        drill, _ = read_drill(one, "")
        if drill and drill.id == drill_id:
            return one.lstrip("\r\n").encode()
    raise KeyError(drill_id)


def _changed(before: Drill, now: Drill) -> str:
    """What another version asks for, where that is not what the one before asked for."""
    asked, asks = _asked(before), _asked(now)
    if asked == asks:
        return ""
    old, new = (drill.assignment.id if drill.assignment else "" for drill in (before, now))
    # Ids of assignments sort by the moment at which they were given.
    earlier = ", although it was assigned earlier" if new and new < old else ""
    return f"{earlier}: {asks} now, {asked} before"


def _asked(drill: Drill) -> str:
    due = drill.assignment.due if drill.assignment else None
    return f"goal {tempo(drill.goal_bpm)} {f'by {full_day(due)}' if due else 'with no due date'}"


def _write(path: Path, content: bytes) -> None:
    refuse_link(path.parent)
    try:
        write_own(path, [content])
    except OSError as error:
        raise CoachError(f"can't be written: {reason_of(error)}", str(path)) from None


def find_drill(name_or_path: str, places: Places) -> Path:
    """The drill file that is meant: a path, or a drill by its file's name without the ending, its id or its title.

    Upper and lower case are one; own drills come first. CoachError with near names where there is none.
    """
    if not name_or_path.strip():
        raise CoachError("the drill's name is empty", guess="a file, a name, an id or a title")
    direct = user_path(name_or_path)
    if there := _file_at(direct, places):
        return there
    wanted = (direct.stem if direct.suffix.lower() in DRILL_SUFFIXES else direct.name).casefold()
    title = name_key(name_or_path)
    # An own drill that has a built-in one's id stands for it, whatever its file is called.
    stems: dict[str, str] = {}
    for drills in (own_drills(places), builtin_drills()):
        for path in drills:
            if len(direct.parts) == 1 and path.stem.casefold() == wanted:
                return path
        for path in drills[:MOST_FILES]:
            names = _names_in(path)
            if title in names:
                return path
            for name in (path.stem.casefold(), *names):
                stems.setdefault(name, path.stem)
    if os.path.isdir(direct):
        raise CoachError("is a folder, not a drill file", name_or_path, guess="name one of the files in it")
    if len(own_drills(places)) > MOST_FILES:
        raise CoachError(
            f"no such drill; only the first {MOST_FILES} files in {places.drills} are read",
            name_or_path,
            guess="name the file",
        )
    guess = _near_names(wanted, stems) or f"there are no drills in {places.drills} either"
    raise CoachError("there is no such drill file", name_or_path, guess=guess)


def _file_at(direct: Path, places: Places) -> Path | None:
    """The file that a path names, from here or from the practice folder; None for what is no path to a file."""
    if direct.suffix.lower() in DRILL_SUFFIXES or len(direct.parts) > 1 or os.path.isfile(direct):
        if os.path.exists(direct) and not os.path.isdir(direct):
            return direct
        inside = places.folder / direct
        if not direct.is_absolute() and os.path.isfile(inside):
            return inside
    return None


def _near_names(wanted: str, stems: Mapping[str, str]) -> str:
    """The names of files that may be meant; `stems` has the file's name for each name of a drill."""
    near = difflib.get_close_matches(wanted, stems, n=6, cutoff=0.5)
    near += [name for name in stems if wanted and wanted in name]
    if near:
        return "near: " + ", ".join(list(dict.fromkeys(stems[name] for name in near))[:3])
    return f"known: {listed(sorted(set(stems.values())), 8)}" if stems else ""


def _names_in(path: Path) -> tuple[str, ...]:
    """`names_of` the drill in a file; none where the file can't be read."""
    try:
        return names_of(_load_drill(path))
    except CoachError:
        return ()


def named_phrase(drill: Drill, name: str, where: str) -> Phrase:
    """The phrase of this id or name; UsageError with those that there are where there is none."""
    if phrase := drill.phrase_named(name):
        return phrase
    known = [phrase.id for phrase in drill.phrases]
    message = f"{plain_text(drill.title)} has no phrase {name!r}; it has {', '.join(known)}"
    raise UsageError(message, where, guess=did_you_mean(nearest(name_key(name), known)))


def names_of(drill: Drill) -> tuple[str, ...]:
    """What a drill may be called, as `name_key` has it: its id and its title."""
    return name_key(drill.id), name_key(drill.title)
