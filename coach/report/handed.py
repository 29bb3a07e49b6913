"""What a teacher handed out, to whom and when: `assigned.jsonl` in the practice folder, a line a drill and student.

Plain JSON lines that only grow (`Handed`, through `coach.ground.codec`). The teacher may delete lines, as of a student
who has left. The class is known from here: who was handed something within `CLASS_DAYS`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import field
from datetime import date
from pathlib import Path

from coach.ground.codec import plain_of, value_of
from coach.ground.frozen import frozen
from coach.ground.own_files import read_own
from coach.ground.plain import bare_name, json_text, plain_text
from coach.ground.problem import CoachError, Problem, reason_of
from coach.log.disk import append, opened_for_append
from coach.music.drill import Drill
from coach.report.reply import LONGEST, LONGEST_NOTE, Bpm, Day, Note, Text

FILE = "assigned.jsonl"
CLASS_DAYS = 120
LARGEST_BYTES = 50_000_000


@frozen
class Handed:
    """One drill handed to one student."""

    day: Day
    student: Text
    drill: Text
    """The drill's id."""
    title: Text
    id: Text
    """The assignment's id, which the student's replies carry."""
    goal_bpm: Bpm
    due: Day | None = None
    note: Note = ""
    teacher: Text = ""
    parts: tuple[Text, ...] = ()
    """The phrases and nodes asked for, as the drill file writes them; all of it where there are none."""
    phrases: Mapping[str, Text] = field(default_factory=dict)
    """The revision of each phrase, by its id."""


def handed_out(drill: Drill, student: str, day: date) -> Handed:
    """What is remembered of a drill that carries its assignment."""
    task = drill.assignment
    if task is None:
        raise ValueError(f"{drill.id} has no assignment")
    phrases = {phrase.id: phrase.revision for phrase in drill.phrases}
    return Handed(
        day,
        student,
        drill.id,
        plain_text(drill.title, LONGEST),
        task.id,
        drill.goal_bpm,
        task.due,
        plain_text(task.note, LONGEST_NOTE),
        plain_text(task.teacher, LONGEST),
        tuple(map(str, task.parts)),
        phrases,
    )


def remember(folder: Path, handed: Iterable[Handed]) -> None:
    """Add lines to the teacher's file; CoachError where it can't be written."""
    lines = "".join(json_text(plain_of(one)) + "\n" for one in handed).encode()
    path = folder / FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with opened_for_append(path) as descriptor:
            append(descriptor, lines)
    except OSError as error:
        guess = "the students' files are written, but the overview will know of them only from replies"
        raise CoachError(f"can't be written: {reason_of(error)}", str(path), guess=guess) from None


def recall(folder: Path) -> tuple[list[Handed], list[Problem]]:
    """All that was handed out, the earliest first, and a sentence for each line that is none."""
    path = folder / FILE
    handed: list[Handed] = []
    problems: list[Problem] = []
    try:
        data = read_own(path, LARGEST_BYTES)
    except FileNotFoundError:
        return [], []
    except OSError as error:
        raise CoachError(f"can't be read: {reason_of(error)}", str(path)) from None
    for number, line in enumerate(data.decode("utf-8", "replace").split("\n"), 1):
        if line.strip():
            try:
                handed.append(value_of(Handed, json.loads(line)))
            except (ValueError, RecursionError) as error:
                why = plain_text(str(error), 120)
                guess = "fix the line or delete it"
                problems.append(Problem(f"is left out: {why}", str(path), line=number, guess=guess))
    return sorted(handed, key=lambda one: one.day), problems


def class_of(handed: Sequence[Handed], today: date) -> list[str]:
    """The students who were handed something of late, in the order of their first file."""
    recent = dict.fromkeys(one.student for one in handed if (today - one.day).days <= CLASS_DAYS)
    return list({bare_name(name): name for name in reversed(recent)}.values())[::-1]
