"""Students' files in a teacher's folder: each one read, or told apart with a sentence, and none touched.

A file is trusted with nothing: every field that is used is checked for its type and range, and every text is made
plain before it is shown.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from coach.ground.days import day_from
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem
from coach.rating.counts import Counts, counts_from
from coach.report.student import KIND, VERSION, digest

LARGEST_BYTES = 4_000_000
SUFFIXES = (".json", ".jsonl", ".txt", "")
"""Of files that may be a student's: mail programs change names."""
LONGEST = 200


@dataclass(frozen=True, slots=True)
class PlaceSeen:
    """A node or move in a student's file."""

    name: str
    clean: int
    failed: int
    marked: Counts
    """All three are of its last four weeks of practice."""


@dataclass(frozen=True, slots=True)
class PhraseSeen:
    """A phrase in one layer."""

    name: str
    layer: str
    top: bool
    rung_bpm: int | None
    landed: bool
    reps: int


@dataclass(frozen=True, slots=True)
class DayNumbers:
    """One practice day on the drill."""

    day: date
    minutes: float
    cold: int
    cold_clean: int
    rated: int
    """Repetitions with a result."""


@dataclass(frozen=True, slots=True)
class DrillSeen:
    """A student's progress on one drill."""

    id: str
    revision: str
    title: str
    goal_bpm: int
    assignment_id: str
    assigned_to: str
    due: date | None
    phrases: tuple[PhraseSeen, ...]
    nodes: tuple[PlaceSeen, ...]
    """By results of the last four weeks of each."""
    moves: tuple[PlaceSeen, ...]
    days: tuple[DayNumbers, ...]


@dataclass(frozen=True, slots=True)
class StudentFile:
    """One readable file."""

    path: str
    written: str
    day: date
    student_id: str
    student: str
    drills: tuple[DrillSeen, ...]
    notes: tuple[tuple[date, str], ...]
    edited: bool
    """Its checksum does not fit: changed by hand or on the way."""


def read_folder(folder: Path) -> tuple[list[StudentFile], list[Problem]]:
    """Every student's file in a folder, in order of name, and a sentence for each that is none.

    Of several files of one student one counts for a drill that is in them (`overview` decides).
    CoachError where the folder can't be read.
    """
    if not os.path.isdir(folder):
        guess = "put your students' files into one folder and name it"
        raise CoachError(Problem("is no folder", str(folder), guess=guess))
    files: list[StudentFile] = []
    problems: list[Problem] = []
    try:
        paths = sorted(
            path for path in folder.iterdir() if os.path.isfile(path) and not path.name.startswith(".")
        )
    except OSError as error:
        raise CoachError(Problem(f"can't be read: {(error.strerror or '').lower()}", str(folder))) from None
    for path in paths:
        if path.suffix.lower() not in SUFFIXES:
            continue
        try:
            file = read_student(path)
        except CoachError as error:
            problems.extend(error.problems)
            continue
        files.append(file)
        if file.edited:
            problems.append(
                Problem(
                    "was changed after it was written, by hand or on the way; it is marked * where it is shown",
                    str(path),
                    severity="warning",
                )
            )
    return files, problems


def read_student(path: Path) -> StudentFile:
    """One student's file; CoachError with a sentence that says what it is instead."""
    where = str(path)
    try:
        if path.exists() and not path.is_file():
            raise CoachError(Problem("is no file", where))
        if path.stat().st_size > LARGEST_BYTES:
            raise CoachError(
                Problem(f"is larger than {LARGEST_BYTES:,} bytes; no student's report is", where)
            )
        data = path.read_bytes()
    except OSError as error:
        raise CoachError(Problem(f"can't be read: {(error.strerror or '').lower()}", where)) from None
    body = _parsed(data, where)
    version = body.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise CoachError(Problem("is a student's report without a version", where, guess="edited by hand?"))
    if version > VERSION:
        raise CoachError(
            Problem(
                f"is a report of version {version}; this program reads up to version {VERSION}",
                where,
                guess="update this program; the file is as it was",
            )
        )
    try:
        return _student(body, where)
    except (ValueError, KeyError, TypeError, IndexError, OverflowError) as error:
        missing = f"{error} is missing" if isinstance(error, KeyError) else plain_text(str(error), 120)
        raise CoachError(
            Problem(f"is a student's report, but not whole: {missing}", where, guess="ask for it again")
        ) from None


def _parsed(data: bytes, where: str) -> dict[str, Any]:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise CoachError(Problem("is no text, so no student's report", where)) from None
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        head = text[:200]
        if '"wellrung"' in head and '"log"' in head:
            raise CoachError(_exported_log(where)) from None
        if '"wellrung"' in head and f'"{KIND}"' in head:
            raise CoachError(
                Problem("is a student's report that is cut off or broken", where, guess="ask for it again")
            ) from None
        raise CoachError(Problem("is no student's report", where)) from None
    if isinstance(body, dict) and body.get("wellrung") == "log":
        raise CoachError(_exported_log(where))
    if not isinstance(body, dict) or body.get("wellrung") != KIND:
        raise CoachError(
            Problem("is no student's report", where, guess="`coach report --for-teacher` writes one")
        )
    return body


def _exported_log(where: str) -> Problem:
    return Problem(
        "is an exported log, no report",
        where,
        guess="`coach log merge` takes it in; ask for `coach report --for-teacher`",
    )


def _student(body: dict[str, Any], where: str) -> StudentFile:
    student = body["student"]
    return StudentFile(
        where,
        _text(body["written"]),
        day_from(_text(body["day"])),
        _text(student["id"]),
        _text(student["name"]),
        tuple(_drill(drill) for drill in _list(body["drills"])),
        tuple(_note(note) for note in _list(body.get("notes", []))),
        body.get("sha256") != digest(body),
    )


def _drill(body: dict[str, Any]) -> DrillSeen:
    task = body["assignment"] or {}
    if not isinstance(task, dict):
        raise TypeError("the assignment can't be read")
    due = task.get("due")
    return DrillSeen(
        _text(body["id"]),
        _text(body["revision"]),
        _text(body["title"]),
        _int(body["goal_bpm"], 1, 1000),
        _text(task.get("id") or ""),
        _text(task.get("student") or ""),
        day_from(_text(due)) if due else None,
        tuple(_phrase(phrase) for phrase in _list(body["excerpts"])),
        tuple(_place(place) for place in _list(body["nodes"])),
        tuple(_place(place) for place in _list(body["moves"])),
        tuple(_day(row) for row in _list(body["days"])),
    )


def _phrase(body: dict[str, Any]) -> PhraseSeen:
    rung = body["rung_bpm"]
    return PhraseSeen(
        _text(body["name"]),
        _text(body["layer"]),
        body["top"] is True,
        None if rung is None else _int(rung, 1, 1000),
        body["landed"] is True,
        _int(body["reps"]),
    )


def _place(body: dict[str, Any]) -> PlaceSeen:
    return PlaceSeen(
        _text(body["name"]),
        _int(body["recent_clean"]),
        _int(body["recent_failed"]),
        counts_from(body["recent_marked"]),
    )


def _note(body: dict[str, Any]) -> tuple[date, str]:
    return day_from(_text(body["at"])[:10]), _text(body["text"], 2000)


def _day(row: Sequence[Any]) -> DayNumbers:
    minutes = row[1]
    if not isinstance(minutes, int | float) or isinstance(minutes, bool) or not 0 <= minutes <= 1440:
        raise ValueError(f"{minutes!r} minutes on one day")
    return DayNumbers(day_from(_text(row[0])), float(minutes), _int(row[5]), _int(row[6]), _int(row[3]))


def _text(value: Any, longest: int = LONGEST) -> str:
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is no text")
    return plain_text(value, longest)


def _int(value: Any, low: int = 0, high: int = 10**9) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise ValueError(f"{value!r} is no whole number from {low} to {high}")
    return value


def _list(value: Any) -> list[Any]:
    if not isinstance(value, list):
        raise ValueError("a list was expected")
    return value
