"""A teacher's folder: thirty students with a year each, read into the overview. Time in ms, in this process and cold.

`python -m benchmarks.bench_roster [STUDENTS]`; the goal is under a second for the whole command.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

from benchmarks.practised import fill
from coach.drillfile.load import load_drill
from coach.places import builtin_drills
from coach.report.inbox import read_folder
from coach.report.roster import overview, roster_page
from coach.report.student import student_report, student_text
from coach.store.log import Log

FIRST = date(2025, 12, 3)
NOW_MS = 1_796_299_200_000
CALL = "import sys; from coach.cli import main; sys.exit(main(sys.argv[1:]))"


def write_files(folder: Path, students: int) -> int:
    """A file for each student, each with a log of their own of 365 days; returns the bytes of all."""
    drills = [load_drill(path) for path in builtin_drills()]
    for number in range(students):
        chosen = [drills[number % len(drills)], drills[(number + 1) % len(drills)]]
        with Log.open(folder / f"log{number}" / "log.sqlite3", f"Student {number}", now_ms=NOW_MS) as log:
            fill(log, chosen, FIRST, 365, 24, number)
            text = student_text(student_report(log, chosen, NOW_MS, 0))
        (folder / f"student{number}.json").write_text(text, encoding="utf-8")
    return sum(path.stat().st_size for path in folder.glob("*.json"))


def main() -> None:
    students = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        size = write_files(folder, students)
        inside, whole = [], []
        for _ in range(5):
            start = time.perf_counter()
            files, _problems = read_folder(folder)
            rows = overview(files, FIRST + timedelta(days=365))
            inside.append((time.perf_counter() - start) * 1000)
            start = time.perf_counter()
            command = [sys.executable, "-c", CALL, "roster", str(folder)]
            subprocess.run(command, check=True, capture_output=True)
            whole.append((time.perf_counter() - start) * 1000)
        if len(sys.argv) > 2:
            Path(sys.argv[2]).write_text(roster_page(rows, [], FIRST + timedelta(days=365)), encoding="utf-8")
        print(f"{students} students, {len(rows)} rows, {size / 1e6:.1f} MB")
        print(
            f"read and sum up {statistics.median(inside):.0f} ms, the whole command {statistics.median(whole):.0f} ms"
        )


if __name__ == "__main__":
    main()
