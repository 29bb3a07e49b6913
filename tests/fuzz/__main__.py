"""Run the fuzzer: `python -m tests.fuzz --runs N --seed S [--target NAME] [--save DIR] [--processes N]`.

Runs go in batches, each in a process of its own with a bound on its address space; a batch starts from the target's
seeds and adds inputs that came to a new end. The table has, for each target: runs, how many were accepted, how many
different ends there were, worst CPU time of a run, worst growth of a batch's peak memory, failures. A failing input is
saved with its traceback; `--replay FILE` runs it again. The same seed and batch size give the same inputs.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

from tests.fuzz.batch import Tally, run_batch
from tests.fuzz.targets import TARGETS


def main() -> int:
    parser = argparse.ArgumentParser(
        prog="python -m tests.fuzz", description="Fuzz everything that reads files."
    )
    parser.add_argument(
        "--runs", type=int, default=10_000, help="in all, spread over the targets by their shares"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", choices=TARGETS, action="append", help="only these; runs are theirs then")
    parser.add_argument("--batch", type=int, default=2_000, help="runs in one process")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--save", type=Path, default=Path("fuzz-failures"), help="folder for failing inputs")
    parser.add_argument("--json", type=Path, help="write the table here too")
    parser.add_argument("--replay", type=Path, help="run one saved input again")
    arguments = parser.parse_args()
    if arguments.replay:
        tally = run_batch(arguments.replay.name.rpartition("-")[0], 0, 0, 1, arguments.replay.read_bytes())
        print("\n".join(failure.trace for failure in tally.failures) or f"no failure: {dict(tally.ends)}")
        return bool(tally.failures)
    names = arguments.target or list(TARGETS)
    shares = sum(TARGETS[name].share for name in names)
    totals = {name: Tally() for name in names}
    jobs = []
    for name in names:
        runs = round(arguments.runs * TARGETS[name].share / shares)
        jobs += [
            (name, arguments.seed, start, min(arguments.batch, runs - start))
            for start in range(0, runs, arguments.batch)
        ]
    # One batch of each target in turn, so that a run that is stopped has spread its runs too.
    jobs.sort(key=lambda job: (job[2] / TARGETS[job[0]].share, job[0]))
    with ProcessPoolExecutor(arguments.processes, get_context("fork"), max_tasks_per_child=None) as pool:
        for done, tally in enumerate(pool.map(_batch, jobs), 1):
            totals[tally.target].add(tally)
            for failure in tally.failures:
                failure.save(arguments.save, tally.target)
            if done % 10 == 0 or done == len(jobs):
                print(f"{done} of {len(jobs)} batches", file=sys.stderr)
                if arguments.json:
                    arguments.json.write_text(json.dumps([totals[name].facts() for name in names], indent=1))
    print(table(list(totals.values())))
    return any(total.failures for total in totals.values())


def _batch(job: tuple[str, int, int, int]) -> Tally:
    return run_batch(*job)


def table(totals: list[Tally]) -> str:
    """The tallies as a table with a sum."""
    rows = [("target", "runs", "accepted", "ends", "worst s", "worst MB", "failures")]
    rows += [
        (
            total.target, f"{total.runs:,}", f"{total.accepted:,}", str(len(total.ends)), f"{total.worst_s:.2f}",
            f"{total.worst_mb:.0f}", str(len(total.failures)),
        )
        for total in totals
    ]  # fmt: skip
    rows.append(("all", f"{sum(total.runs for total in totals):,}", "", "", "", "", ""))
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    return "\n".join(
        "  ".join(
            cell.ljust(wide) if not column else cell.rjust(wide)
            for column, (cell, wide) in enumerate(zip(row, widths, strict=True))
        )
        for row in rows
    )


if __name__ == "__main__":
    sys.exit(main())
