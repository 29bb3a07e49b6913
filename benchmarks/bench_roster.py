"""A teacher's folder: thirty students with a year each, read into the overview, beside `json.loads` of the files."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

from benchmarks.measure import Goal, Options, Row, beside, in_turns, wall_ms
from benchmarks.practised import fill
from coach.ground.places import builtin_drills
from coach.log.log import Log
from coach.report.inbox import read_folder
from coach.report.roster import overview
from coach.report.student import student_reply, student_text
from coach.score.load import load_drill

FIRST = date(2025, 12, 3)
NOW_MS = 1_796_299_200_000
CALL = "import sys; from coach.cli import main; sys.exit(main(sys.argv[1:]))"


def write_files(folder: Path, students: int) -> int:
    """A file for each student, each with a log of their own of 365 days; returns the bytes of all."""
    drills = [load_drill(path) for path in builtin_drills()]
    for number in range(students):
        chosen = [drills[number % len(drills)], drills[(number + 1) % len(drills)]]
        with Log.open(folder / f"log{number}" / "log", f"Student {number}", now_ms=NOW_MS) as log:
            fill(log, chosen, FIRST, 365, 24, number)
            text = student_text(student_reply(log, chosen, NOW_MS, 0))
        (folder / f"student{number}.json").write_text(text, encoding="utf-8")
    return sum(path.stat().st_size for path in folder.glob("*.json"))


def reading(options: Options) -> Iterator[Row]:
    students = 5 if options.quick else 30
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        size = write_files(folder, students)
        command = [sys.executable, "-c", CALL, "roster", str(folder)]

        def ours() -> object:
            files, _problems = read_folder(folder)
            return overview(files, FIRST + timedelta(days=365))

        def plain() -> object:
            return [json.loads(path.read_bytes()) for path in folder.glob("*.json")]

        taken = in_turns(
            {
                "ours": wall_ms(ours),
                "plain": wall_ms(plain),
                "command": wall_ms(lambda: subprocess.run(command, check=True, capture_output=True)),
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
