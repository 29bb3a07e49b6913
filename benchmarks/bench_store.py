"""The log: what a save costs beside a plain SQLite insert, and how plan and report grow with what was practised.

A save is one repetition with all that follows from it, durable when the call returns. Beside it stands the insert of
one row with the same journal and the same synchronous setting, in the same folder. Plan and report include reading what
they need from the log; what stands beside them is the same work on a log of one result. Ten million results are
ten years of three hours and a half a day.
"""

from __future__ import annotations

import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import date, timedelta
from pathlib import Path
from statistics import median

from benchmarks.measure import Goal, Measure, Options, Row, beside, in_turns, wall_ms
from benchmarks.practised import fill, reps_of
from coach.core.drill import Drill
from coach.core.planner import make_plan
from coach.drillfile.load import load_drill
from coach.places import builtin_drills
from coach.report.figures import make_report
from coach.report.lines import PLOTS
from coach.store.log import Log

FIRST = date(2016, 12, 1)
DAYS = {1: 1, 100_000: 365, 10_000_000: 3650}
"""Results to the days over which they are spread."""
NODES_A_REP = 6.56
DAYS_PRACTISED = 0.85
NOW_MS = 1_796_299_200_000
PLAN = "import sys; from coach.cli import main; sys.exit(main(sys.argv[1:]))"


def saving(options: Options) -> Iterator[Row]:
    drills = [load_drill(path) for path in builtin_drills()]
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        plain = sqlite3.connect(folder / "plain.sqlite3", isolation_level=None)
        plain.execute("PRAGMA journal_mode = TRUNCATE")
        plain.execute("PRAGMA synchronous = FULL")
        plain.execute("CREATE TABLE reps (id INTEGER PRIMARY KEY, body TEXT)")
        with Log.open(folder / "progress" / "log.sqlite3", "bench", now_ms=NOW_MS) as log:
            fill(log, drills, FIRST, 60, 60, seed=1)
            day = FIRST + timedelta(days=100)
            reps = reps_of(log.player.id, drills, day, 30, 60, random.Random(3))
            taken = in_turns(
                {
                    "ours": wall_ms(lambda: log.save_rep(*next(reps))),
                    "plain": wall_ms(lambda: plain.execute("INSERT INTO reps (body) VALUES ('x')")),
                },
                40 if options.quick else 300,
            )
        plain.close()
    yield beside("save one repetition", "ms", "SQLite, one row, as durable", taken["ours"], taken["plain"])


def grown(results: int, folder: Path, drills: list[Drill]) -> tuple[Path, float]:
    """A practice folder whose log holds about so many results, made where it isn't there yet, and the seconds taken."""
    path = folder / str(results) / "progress" / "log.sqlite3"
    done = folder / str(results) / "done"
    start = time.perf_counter()
    if not done.exists():
        with Log.open(path, "bench", now_ms=NOW_MS) as log:
            if results == 1:
                all_reps = reps_of(log.player.id, drills, FIRST, 30, 60, random.Random(1))
                log.save_rep(
                    *next(pair for pair in all_reps if sum(len(event.nodes) for event in pair[1].events) == 1)
                )
            else:
                days = DAYS[results]
                fill(
                    log,
                    drills,
                    FIRST,
                    days,
                    round(results / NODES_A_REP / days / DAYS_PRACTISED),
                    seed=results,
                )
        done.touch()
    return path.parent.parent, time.perf_counter() - start


def growth(options: Options) -> Iterator[Row]:
    drills = [load_drill(path) for path in builtin_drills()]
    with tempfile.TemporaryDirectory() as temporary, ExitStack() as open_logs:
        places = {}
        for results in options.results:
            places[results], seconds = grown(results, options.folder or Path(temporary), drills)
            if seconds > 60:
                print(f"  grew {results:,} results in {seconds:.0f} s", file=sys.stderr, flush=True)
        plans: dict[str, Measure] = {}
        reports: dict[str, Measure] = {}
        sizes: dict[str, Path] = {}
        for results, place in places.items():
            path, name = place / "progress" / "log.sqlite3", f"{results:,}"
            log = open_logs.enter_context(Log.open(path, now_ms=NOW_MS, read_only=True))
            today = FIRST + timedelta(days=DAYS[results])
            plans[name] = wall_ms(_planning(log, today, drills))
            reports[name] = wall_ms(_reporting(log, today, drills))
            sizes[name] = path
        rounds = 3 if options.quick else 9
        for what, works in (("plan", plans), ("report", reports)):
            taken = in_turns(works, rounds)
            for name, values in taken.items():
                told = f"{what} from {name} result{'s' if name != '1' else ''}"
                if name == "1":
                    yield Row(told, "ms", median(values), goal=Goal(300, "ms"))
                else:
                    yield beside(told, "ms", "from 1 result", values, taken["1"], Goal(300, "ms"))
        first = places[1]
        for results, place in places.items():
            if results != 1:
                most = in_turns(
                    {"ours": _most_mb(place), "one": _most_mb(first)}, 2 if options.quick else 5, warm=False
                )
                what = f"memory of `coach plan`, {results:,} results"
                yield beside(what, "MB", "from 1 result", most["ours"], most["one"])
                yield Row(f"file of {results:,} results", "MB", sizes[f"{results:,}"].stat().st_size / 1e6)


def _planning(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    return lambda: make_plan(today, 30, drills, log.memories(), log.ladders(), log.history(today))


def _reporting(log: Log, today: date, drills: list[Drill]) -> Callable[[], object]:
    return lambda: make_report(log, today, drills=drills, curves=PLOTS)


def _most_mb(folder: Path) -> Measure:
    """The most memory that `coach plan` ever holds."""
    command = [sys.executable, "-c", PLAN, "plan", "--folder", str(folder)]

    def measure() -> float:
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
        if process.returncode:
            raise SystemExit(f"coach plan ended with {process.returncode}")
        return used.ru_maxrss / 1024

    return measure
