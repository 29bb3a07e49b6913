"""`python -m benchmarks`: every subject, its rows when it ends."""

from __future__ import annotations

import argparse
import importlib
import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import benchmarks
from benchmarks.measure import HEAD, Options, Row, as_json, machine

SUBJECTS = {
    "start": "bench_tui.starting",
    "repaint": "bench_tui.repainting",
    "memory": "bench_tui.memory",
    "idle": "bench_tui.idling",
    "check": "bench_drillfile.checking",
    "repetition": "bench_repetition.repeating",
    "import": "bench_drillfile.importing",
    "render": "bench_sound.rendering",
    "feed": "bench_sound.feeding",
    "onsets": "bench_sound.onsets",
    "midi": "bench_sound.midi",
    "save": "bench_log.saving",
    "read": "bench_log.reading",
    "growth": "bench_log.growth",
    "search": "bench_fingering.searching",
    "roster": "bench_roster.reading",
    "install": "bench_install.installing",
}
"""Subject to the module and function that measures it."""


def measured(subject: str, options: Options) -> Iterator[Row]:
    """The rows of one subject."""
    module, _, function = SUBJECTS[subject].partition(".")
    yield from getattr(importlib.import_module(f"benchmarks.{module}"), function)(options)


def text_table(rows: Sequence[Row]) -> str:
    """The rows in columns."""
    cells = [HEAD, *(row.cells() for row in rows)]
    widths = [max(len(line[at]) for line in cells) for at in range(len(HEAD))]
    return "\n".join(
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    )


def markdown_lines(lines: Iterable[Sequence[str]]) -> str:
    """Lines of the table of docs/speed.md."""
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)


def machine_text(where: dict[str, object]) -> str:
    """The machine in a sentence, as it stands below that table."""
    return (
        f"\nMeasured on {where['date']}: {where['cores']} cores ({where['processor']}) with a load average of "
        f"{where['load']} when it began, {where['system']}, Python {where['python']}, Textual {where['textual']}, "
        f"numpy {where['numpy']}."
    )


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks", description=benchmarks.__doc__)
    parser.add_argument(
        "--only", metavar="SUBJECT", action="append", choices=SUBJECTS, help=", ".join(SUBJECTS)
    )
    parser.add_argument("--quick", action="store_true", help="fewer turns: the ratios spread wider")
    parser.add_argument("--json", metavar="FILE", type=Path, help="write machine and rows as JSON")
    parser.add_argument("--markdown", action="store_true", help="print the table as docs/speed.md shows it")
    parser.add_argument(
        "--ten-million", action="store_true", help="grow the log to 10 million results too: some half an hour"
    )
    parser.add_argument("--folder", type=Path, help="keep the logs that are grown here, and use them again")
    parser.add_argument(
        "--minutes", type=float, default=1.0, help="how long to play for the onsets (default: 1)"
    )
    arguments = parser.parse_args()
    results = (1, 100_000, 10_000_000) if arguments.ten_million else (1, 100_000)
    options = Options(arguments.quick, results, arguments.folder, arguments.minutes)
    where = machine()
    subjects: dict[str, list[dict[str, object]]] = {}
    if arguments.markdown:
        print(markdown_lines((HEAD, ("---",) * len(HEAD))), flush=True)
    for subject in arguments.only or SUBJECTS:
        print(f"{subject} ...", file=sys.stderr, flush=True)
        rows = list(measured(subject, options))
        print(
            markdown_lines(row.cells() for row in rows) if arguments.markdown else text_table(rows),
            flush=True,
        )
        subjects[subject] = [as_json(row) for row in rows]
        if arguments.json:
            arguments.json.write_text(json.dumps({"machine": where, "subjects": subjects}, indent=1) + "\n")
    if arguments.markdown:
        print(machine_text(where))
    return 0


if __name__ == "__main__":
    sys.exit(main())
