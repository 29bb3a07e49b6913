"""Options and small helpers that several commands share."""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any, TextIO

from coach.ground.days import day_from
from coach.ground.files import free_path, write_whole
from coach.ground.folding import columns_of, folded
from coach.ground.places import DRILL_SUFFIXES, Places, find_places, user_path
from coach.ground.plain import json_text, visible
from coach.ground.problem import CoachError, UsageError, reason_of
from coach.log.entries import DAY_STARTS_HOUR, new_id
from coach.log.lines import LINE_STARTS
from coach.log.pen import ENDING as LOG_ENDING


def places_of(arguments: argparse.Namespace) -> Places:
    """The practice folder that the options name."""
    return find_places(arguments.folder)


def folder_lines(arguments: argparse.Namespace) -> list[str]:
    """A line that says where drills and log are kept; none where that is the folder asked for or the current one."""
    folder = places_of(arguments).folder
    if arguments.folder or folder.resolve() == Path.cwd().resolve():
        return []
    elsewhere = "`mkdir drills` makes the current folder a practice folder instead"
    return [f"drills and log are in {folder}; {elsewhere}"]


def refuse_unfit(arguments: argparse.Namespace, ways_of: Mapping[str, Sequence[str]], way: str) -> None:
    """UsageError where an option was given that goes with other ways of the command than this one.

    `ways_of` has for each option, by its name among the arguments, the ways that take it.
    """
    for option, ways in ways_of.items():
        if getattr(arguments, option) not in (None, False) and way not in ways:
            name = "--" + option.replace("_", "-")
            raise UsageError(f"goes with {' or '.join(ways)}, not with {way}", name)


def parse_date(text: str, option: str = "--date") -> date:
    """A date written as ISO 8601 does; UsageError with what is allowed."""
    try:
        return day_from(text)
    except ValueError as error:
        raise UsageError(str(error), option, guess="write year-month-day, as in 2026-12-03") from None


def clock(date_text: str = "", now: Callable[[], datetime] | None = None) -> tuple[int, int]:
    """The moment of a command: UTC in ms since 1970 and the local offset in minutes.

    With a date the moment lies in that practice day (04:00 to 04:00) at the present local time, so that moments of
    one day keep their order. `now` gives the present with its zone.
    """
    if hasattr(time, "tzset"):
        time.tzset()  # The player may have travelled while the program ran.
    moment = now() if now else datetime.now(UTC).astimezone()
    if date_text:
        day = parse_date(date_text)
        if moment.hour < DAY_STARTS_HOUR:
            day += timedelta(days=1)
        wall = datetime.combine(day, moment.time())
        # Without `now` the local zone's own rules give the offset of that day.
        moment = wall.replace(tzinfo=moment.tzinfo) if now else wall.astimezone()
    return stamp(moment)


def stamp(moment: datetime) -> tuple[int, int]:
    """A moment with its zone as the log has it: UTC in ms since 1970, the offset in minutes."""
    offset = moment.utcoffset() or timedelta()
    # A machine whose battery was empty may stand before 1970, for which the log has no ids.
    return max(0, round(moment.timestamp() * 1000)), round(offset.total_seconds() / 60)


def say(*lines: str, to: TextIO | None = None, end: str = "\n") -> None:
    """Print lines for people, to standard output or `to`; names and texts in them give a terminal nothing to obey.

    What is wider than the terminal is broken between words.
    """
    columns = columns_of(to or sys.stdout)
    for part in (part for line in lines for part in line.split("\n")):
        print("\n".join(folded(visible(part), columns)), file=to or sys.stdout, end=end, flush=bool(to))


def warn(*texts: object) -> None:
    """Say on standard error what is the matter, a line each."""
    say(*(f"coach: {text}" for text in texts), to=sys.stderr)


def say_json(value: Any, indent: int | None = None) -> None:
    """Print JSON for programs."""
    print(json_text(value, indent), flush=True)


def tell(as_json: bool, facts: Any, lines: Iterable[str], indent: int | None = 2) -> None:
    """Print one thing in the form that is asked for: `facts` for programs, `lines` for people."""
    if as_json:
        say_json(facts, indent)
    else:
        say(*lines)


def fresh_id(at_ms: int) -> str:
    """A new id for the log from the system's randomness."""
    return new_id(at_ms, os.urandom(10))


Content = str | bytes | Iterable[str] | Iterable[bytes]


def write_output(
    target: str, content: Content, inputs: Iterable[str | Path] = (), is_drill: bool = False
) -> None:
    """Write what `-o` names: a file, or standard output for `-`. A file is replaced whole or not at all, which is told.

    CoachError where the file is one of the command's `inputs`, of a practice log, or would be read as one, or where it
    has a drill's ending and the content `is_drill` not. A drill, which may have somebody's work in it, is kept beside
    as `.old`. Several pieces are written one after another, so that a long text or sound need not be held in memory.
    """
    if target == "-":
        sys.stdout.flush()
        sys.stdout.buffer.writelines(_bytes(content))
        sys.stdout.flush()
        return
    path = user_path(target)
    folder = Path(os.path.realpath(path.parent))
    if path.suffix == LOG_ENDING and folder == Places(folder.parent.parent).log:
        danger = "stands among the files of a practice log and would be read as one"
        raise CoachError(danger, target, guess="-o in another folder; nothing was written")
    is_there = os.path.isfile(path)
    if is_there:
        _refuse_to_replace(path, target, inputs)
    if path.suffix.lower() in DRILL_SUFFIXES and not is_drill:
        danger = f"{path.suffix} is the ending of a drill, which this command does not write"
        raise CoachError(danger, target, guess="-o with another ending; nothing was written")
    if not is_there:
        write_file(target, content)
        return
    kept = ""
    if path.suffix.lower() in DRILL_SUFFIXES:
        content = b"".join(_bytes(content))
        before = _start_of(path)
        if before != content:
            older = free_path(path.with_name(path.name + ".old"))
            write_file(str(older), before)
            kept = f"; the old one is now {older.name}"
    write_file(target, content)
    say(f"replaced {target}{kept}", to=sys.stderr)


def write_told(
    output: str | None,
    content: Content,
    told: str,
    inputs: Iterable[str | Path] = (),
    is_drill: bool = False,
) -> None:
    """Write what `-o` names, to standard output where it names nothing; of a file what was written is `told`."""
    write_output(output or "-", content, inputs, is_drill)
    if output not in (None, "-"):
        say(f"wrote {output}{told}")


def _refuse_to_replace(path: Path, target: str, inputs: Iterable[str | Path]) -> None:
    if any(os.path.realpath(path) == os.path.realpath(user_path(one)) for one in inputs):
        danger = "is what this command reads and would be lost"
    elif _start_of(path, max(map(len, LINE_STARTS))).startswith(LINE_STARTS):
        danger = "is a file of a practice log and would be lost"
    else:
        return
    raise CoachError(danger, target, guess="-o with another name; nothing was written")


def _start_of(path: Path, size: int = -1) -> bytes:
    """The first bytes of a file, or all; CoachError where it can't be read, and so not be known."""
    try:
        with path.open("rb") as file:
            return file.read(size)
    except OSError as error:
        raise CoachError(
            f"the file there can't be read: {reason_of(error)}", str(path), guess="-o with another name"
        ) from None


def write_file(target: str, content: Content) -> None:
    """Write a file whole or not at all, whatever stands there; CoachError where it can't be."""
    link, path = user_path(target), Path(os.path.realpath(user_path(target)))
    if os.path.isdir(path):
        raise CoachError("is a folder; a file's name is needed", target, guess="-o FILE")
    if os.path.islink(link) and (os.path.isfile(path) or not os.path.exists(path)):
        # Whoever made the practice folder may have planted it.
        raise CoachError(f"is a link to {path}; it was left alone", target, guess="-o with that file's name")
    try:
        if os.path.exists(path) and not os.path.isfile(path):
            with os.fdopen(_opened_without_waiting(path), "wb") as stream:
                stream.writelines(_bytes(content))
            return
        write_whole(path, _bytes(content))
    except OSError as error:
        raise CoachError(
            f"can't be written: {reason_of(error)}", target, guess="does its folder exist, and is there room?"
        ) from None


def _opened_without_waiting(path: Path) -> int:
    """A pipe or a device, open for writing; OSError for a pipe that nobody reads."""
    descriptor = os.open(path, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0))
    os.set_blocking(descriptor, True)
    return descriptor


def _bytes(content: Content) -> Iterator[bytes]:
    if isinstance(content, bytes):
        yield content
        return
    for piece in [content] if isinstance(content, str) else content:
        # A lone surrogate out of someone's file must not stop the writing.
        yield piece if isinstance(piece, bytes) else piece.encode("utf-8", "replace")
