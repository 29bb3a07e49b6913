"""`coach assign`: one file for one student, the drill with a goal tempo, a due date and a note."""

from __future__ import annotations

import argparse
import sys
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from coach.commands.common import (
    add_folder,
    add_output,
    clock,
    fresh_id,
    parse_date,
    places_of,
    say,
    write_output,
)
from coach.folder.library import find_drill, write_ids
from coach.ground.places import builtin_drills
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem, UsageError
from coach.ground.source import read_text
from coach.log.entries import practice_day
from coach.music.drill import Assignment
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.report.assigned import assigned_text
from coach.score.keys import DRILL_FILE
from coach.score.limits import MAX_NAME, MAX_TEXT
from coach.score.load import load_drill
from coach.words.amounts import full_day, tempo

if TYPE_CHECKING:
    from coach.music.drill import Assignment


def configure(parser: argparse.ArgumentParser) -> None:
    add_folder(parser)
    parser.add_argument("drill", metavar="DRILL", help="drill file or name")
    parser.add_argument("--to", required=True, metavar="NAME", help="the student")
    kept = "default: what the file's own assignment says"
    parser.add_argument("--from", dest="teacher", metavar="NAME", help=f"you ({kept})")
    parser.add_argument("--goal", type=int, metavar="BPM", help=f"goal tempo ({kept}, else the drill's)")
    parser.add_argument("--due", metavar="YYYY-MM-DD", help=f"by when; '' for no date ({kept})")
    parser.add_argument("--note", metavar="TEXT", help=f"a word to the student; '' for none ({kept})")
    parser.add_argument("--date", default="", metavar="YYYY-MM-DD", help=argparse.SUPPRESS)
    add_output(parser, "the student's file", required=True)


def run(arguments: argparse.Namespace) -> int:
    at_ms, offset_min = clock(arguments.date)
    path = find_drill(arguments.drill, places_of(arguments))
    drill = load_drill(path)
    goal = arguments.goal
    if goal is not None and not MIN_BPM <= goal <= MAX_BPM:
        raise UsageError(Problem(f"{goal} is outside {MIN_BPM} to {MAX_BPM} bpm", "--goal"))
    if goal is not None and goal < drill.tempo.start_bpm:
        raise UsageError(
            Problem(
                f"{goal} bpm is below the drill's start, {drill.tempo.start_bpm} bpm",
                "--goal",
                guess="a copy of the drill with a slower start?",
            )
        )
    before = drill.assignment or Assignment()
    due = parse_date(arguments.due, "--due") if arguments.due else None
    for option, text, longest in (
        ("--to", arguments.to, MAX_NAME),
        ("--from", arguments.teacher, MAX_NAME),
        ("--note", arguments.note, MAX_TEXT),
    ):
        if len(plain_text(text or "")) > longest:
            raise UsageError(Problem(f"{len(text)} letters are more than {longest}", option))
    student = plain_text(arguments.to)
    if not student:
        raise UsageError(Problem("a name is needed", "--to"))
    today = practice_day(at_ms, offset_min)
    if due and due < today:
        raise UsageError(
            Problem(f"{due} is past; today is {today}", "--due", guess="another year, or no date at all?")
        )
    task = Assignment(
        student,
        before.teacher if arguments.teacher is None else plain_text(arguments.teacher),
        before.goal_bpm if goal is None else goal,
        before.due if arguments.due is None else due,
        before.note if arguments.note is None else plain_text(arguments.note),
        fresh_id(at_ms),
    )
    text = assigned_text(read_text(path, DRILL_FILE), drill, task)
    if text is None:
        raise CoachError(Problem("the assignment could not be written into this drill", str(path)))
    write_output(arguments.output, text, [path])
    _settle(path, drill.id)
    kept = _kept(arguments, before)
    if kept:
        say(f"kept from the assignment in {path.name}: {', '.join(kept)}", to=sys.stderr)
    if task.due and task.due < today:
        say(f"coach: the due date that was kept, {task.due}, is past; --due sets another", to=sys.stderr)
    if arguments.output != "-":
        say(_summary(student, drill.title, task.goal_bpm or drill.tempo.goal_bpm, task.due))
        say(
            f"{student} opens it with `coach practice {Path(arguments.output).name}` and answers with "
            "`coach report --for-teacher -o NAME-DAY.json`."
        )
    return 0


def _kept(arguments: argparse.Namespace, before: Assignment) -> list[str]:
    """What the new assignment has from the one before, since no option says otherwise."""
    facts = (
        ("teacher", arguments.teacher, before.teacher),
        ("goal", arguments.goal, f"{before.goal_bpm} bpm" if before.goal_bpm else ""),
        ("due", arguments.due, str(before.due) if before.due else ""),
        ("note", arguments.note, f'"{before.note}"' if before.note else ""),
    )
    return [f"{name} {value}" for name, given, value in facts if given is None and value]


def _settle(path: Path, drill_id: str) -> None:
    """Handing a drill out is its first use: its id goes into the teacher's own file, and that is told."""
    if path.resolve() in {one.resolve() for one in builtin_drills()}:
        return
    try:
        if write_ids(path):
            say(
                f"{path} now holds its id, {drill_id}: a new title or name keeps the student's history",
                to=sys.stderr,
            )
    except (OSError, UnicodeDecodeError, CoachError):
        say(
            f"coach: {path}: the id {drill_id} can't be written into it; write `id: {drill_id}` there "
            "before you change its title",
            to=sys.stderr,
        )


def _summary(student: str, title: str, goal_bpm: int, due: date | None) -> str:
    by = f" by {full_day(due)}" if due else ""
    return f"{title} for {student}: {tempo(goal_bpm)}{by}"
