"""The log at three sizes: how long a save, a plan's data and a report's figures take, and how the file grows.

`python -m benchmarks.bench_store [RESULTS ...]` prints a table and, with `--json FILE`, writes it. Beside each save
stands a plain SQLite insert of one row with the same durability, in the same folder. Times are medians in ms.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import statistics
import tempfile
import time
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

from benchmarks.practised import fill, reps_of
from coach.core.drill import Drill
from coach.core.planner import make_plan
from coach.drillfile.load import load_drill
from coach.places import builtin_drills
from coach.report.figures import make_report
from coach.report.lines import PLOTS
from coach.store.log import Log

FIRST = date(2016, 12, 1)
YEARS = {10_000: 0.1, 100_000: 1, 1_000_000: 5, 10_000_000: 10}
NODES_A_REP = 6.56
NOW_MS = 1_796_299_200_000


def median_ms(work: Callable[[], object], times: int = 5) -> float:
    work()
    spent = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        spent.append((time.perf_counter() - start) * 1000)
    return statistics.median(spent)


def measure(results: int, folder: Path, drills: list[Drill]) -> dict[str, float]:
    days = round(YEARS.get(results, results / 1_000_000) * 365)
    path = folder / str(results) / "log.sqlite3"
    with Log.open(path, "bench", now_ms=NOW_MS) as log:
        start = time.perf_counter()
        counted = path.with_name("results.txt")
        if not counted.exists():
            reps_a_day = round(results / NODES_A_REP / days / 0.85)
            counted.write_text(str(fill(log, drills, FIRST, days, reps_a_day, seed=results)))
        found = int(counted.read_text())
        filled_s = time.perf_counter() - start
        today = FIRST + timedelta(days=days)
        # A day that no run has used: saving the same repetitions again would do nothing.
        saves = saving_ms(log, drills, max(today, log.days()[-1].day + timedelta(days=7)))
    plain = plain_insert_ms(path.parent)
    opening = median_ms(lambda: Log.open(path, now_ms=NOW_MS, read_only=True).close())
    with Log.open(path, now_ms=NOW_MS, read_only=True) as log:
        return {
            "node results": found,
            "reps": sum(day.reps for day in log.days()),
            "file MB": path.stat().st_size / 1e6,
            "filled in s": filled_s,
            "open ms": opening,
            "save ms": saves,
            "plain insert ms": plain,
            "plan data ms": median_ms(lambda: (log.memories(), log.ladders(), log.history(today))),
            "plan ms": median_ms(
                lambda: make_plan(today, 30, drills, log.memories(), log.ladders(), log.history(today))
            ),
            "report ms": median_ms(lambda: make_report(log, today, drills=drills, curves=PLOTS)),
            "whole report ms": median_ms(lambda: make_report(log, today, drills=drills)),
            "report of a drill ms": median_ms(
                lambda: make_report(log, today, drill=drills[0].id, drills=drills)
            ),
        }


def saving_ms(log: Log, drills: list[Drill], day: date) -> float:
    """Median time of one durable save in sessions after everything else."""
    import random

    spent = []
    for rep, passage in reps_of(log.player.id, drills, day, 3, 20, random.Random(3)):
        start = time.perf_counter()
        log.save_rep(rep, passage)
        spent.append((time.perf_counter() - start) * 1000)
    return statistics.median(spent) if spent else 0.0


def plain_insert_ms(folder: Path) -> float:
    path = folder / "plain.sqlite3"
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode = TRUNCATE")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("CREATE TABLE IF NOT EXISTS reps (id INTEGER PRIMARY KEY, body TEXT)")
    taken = median_ms(lambda: connection.execute("INSERT INTO reps (body) VALUES ('x')"), 40)
    connection.close()
    return taken


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("results", nargs="*", type=int, default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--folder", type=Path, help="keep the logs here and use them again")
    parser.add_argument("--json", type=Path)
    arguments = parser.parse_args()
    drills = [load_drill(path) for path in builtin_drills()]
    rows = []
    with tempfile.TemporaryDirectory() as temporary:
        for results in arguments.results:
            rows.append(measure(results, arguments.folder or Path(temporary), drills))
            if len(rows) == 1:
                print(" ".join(f"{name:>20}" for name in rows[0]))
            print(" ".join(f"{value:20,.1f}" for value in rows[-1].values()), flush=True)
    if arguments.json:
        arguments.json.write_text(json.dumps(rows, indent=1))


if __name__ == "__main__":
    main()
