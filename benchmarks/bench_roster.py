"""A teacher's folder: thirty students with a year each, read into the overview, beside `json.loads` of the files."""

from __future__ import annotations

import json
import resource
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

from benchmarks.measure import Goal, Options, Row, beside, in_turns, keeping_bytecode, wall_ms
from benchmarks.practised import built_in, fill
from coach.log.log import Log
from coach.music.drill import Assignment, Drill
from coach.report.classroom import read_class
from coach.report.handed import Handed, handed_out, remember
from coach.report.overview_lines import class_lines
from coach.report.reply import reply_text
from coach.report.student import student_reply
from tests.logs import NOON

FIRST = date(2025, 12, 3)
DATE = (FIRST + timedelta(days=365)).isoformat()
CALL = "import sys; from coach.cli import main; sys.exit(main(sys.argv[1:]))"


def write_files(folder: Path, students: int) -> int:
    """A file for each student, each with a log of their own of 365 days; returns the bytes of all."""
    drills = built_in()
    for number in range(students):
        chosen = [drills[number % len(drills)], drills[(number + 1) % len(drills)]]
        remember(folder, given(chosen, f"Student {number}"))
        with Log.open(folder / f"log{number}" / "log", f"Student {number}", now_ms=NOON) as log:
            fill(log, chosen, FIRST, 365, 24, number)
            text = reply_text(student_reply(log, chosen, NOON, 0))
        (folder / f"student{number}.json").write_text(text, encoding="utf-8")
    return sum(path.stat().st_size for path in folder.glob("*.json"))


def given(drills: Sequence[Drill], student: str) -> Iterator[Handed]:
    """A year of hand-outs, one a week and drill."""
    for week in range(52):
        day = FIRST + timedelta(weeks=week)
        for drill in drills:
            task = Assignment(student, due=day + timedelta(weeks=2), id=f"{student} {drill.id} {week}")
            yield handed_out(replace(drill, assignment=task), student, day)


def _processor_ms(command: Sequence[str]) -> float:
    """User and system time of a command that runs by itself."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return 1000 * (after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)


def reading(options: Options) -> Iterator[Row]:
    students = 5 if options.quick else 30
    with tempfile.TemporaryDirectory() as temporary, keeping_bytecode():
        folder = Path(temporary)
        size = write_files(folder, students)
        command = [sys.executable, "-c", CALL, "roster", str(folder), "--folder", str(folder), "--date", DATE]

        def ours() -> object:
            return class_lines(read_class(folder, folder, FIRST + timedelta(days=365)))

        def plain() -> object:
            return [json.loads(path.read_bytes()) for path in folder.glob("*.json")]

        taken = in_turns(
            {
                "ours": wall_ms(ours),
                "plain": wall_ms(plain),
                "command": wall_ms(lambda: subprocess.run(command, check=True, capture_output=True)),
                "processor": lambda: _processor_ms(command),
            },
            3 if options.quick else 9,
        )
    what = f"{students} students' files ({size / 1e6:.1f} MB)"
    yield beside(f"read and sum up {what}", "ms", "json.loads", taken["ours"], taken["plain"])
    yield Row(
        "`coach roster` on them, the whole command",
        "ms",
        statistics.median(taken["command"]),
        goal=Goal(1000, "ms"),
    )
    yield Row("its processor time", "ms", statistics.median(taken["processor"]), goal=Goal(300, "ms"))
