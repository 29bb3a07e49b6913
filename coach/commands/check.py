"""`coach check`: read drill files and explain every problem in them."""

from __future__ import annotations

import argparse
import json
import sys
from typing import Any

from coach.commands.common import add_json


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coach check`."""
    parser.add_argument("files", metavar="FILE", nargs="+", help="drill files; - is standard input")
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Check every file; 0 where none has an error, else 1."""
    failed = False
    rows: list[dict[str, Any]] = []
    for name in arguments.files:
        drill, problems = _check(name)
        failed = failed or drill is None
        if arguments.json:
            rows.append(_row(name, drill, problems))
            continue
        for problem in problems:
            print(problem.with_caret(), file=sys.stderr)
        if drill is not None:
            print(_summary(name, drill))
        sys.stdout.flush()
    if arguments.json:
        print(json.dumps({"files": rows}, indent=2, ensure_ascii=False))
    return 1 if failed else 0


def _check(name: str) -> tuple[Any, list[Any]]:
    from coach.core.problem import CoachError
    from coach.drillfile.load import read_drill
    from coach.drillfile.source import MAX_BYTES, decode, read_text

    try:
        if name == "-":
            return read_drill(
                decode(sys.stdin.buffer.read(MAX_BYTES + 1), "standard input"), "standard input"
            )
        return read_drill(read_text(name), name)
    except CoachError as error:
        return None, list(error.problems)


def _summary(name: str, drill: Any) -> str:
    from coach.core.plain import plain_text

    bars = sum(len(phrase.bars) for phrase in drill.phrases)
    events = [event for phrase in drill.phrases for bar in phrase.bars for event in bar.events]
    nodes = {note.node for event in events for note in event.notes if note.node}
    shown = " ".join(node.label for node in sorted(nodes, key=lambda node: (node.partial, node.numerator)))
    return (
        f"{name}: good: {plain_text(drill.title)}; {_count(len(drill.phrases), 'phrase')}, {_count(bars, 'bar')}, "
        f"{_count(len(events), 'event')} in {', '.join(drill.layers) or 'no layer'}; nodes {shown or 'none'}; "
        f"{drill.tempo.start_bpm} to {drill.goal_bpm} bpm"
    )


def _count(number: int, word: str) -> str:
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def _row(name: str, drill: Any, problems: list[Any]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "file": name,
        "good": drill is not None,
        "problems": [
            {
                "severity": problem.severity,
                "line": problem.line,
                "column": problem.column,
                "field": problem.field,
                "message": problem.message,
                "guess": problem.guess,
                "source_line": problem.source_line,
            }
            for problem in problems
        ],
    }
    if drill is not None:
        row["drill"] = {
            "id": drill.id,
            "title": drill.title,
            "layers": list(drill.layers),
            "start_bpm": drill.tempo.start_bpm,
            "goal_bpm": drill.goal_bpm,
            "phrases": [
                {"id": phrase.id, "name": phrase.name, "bars": len(phrase.bars), "revision": phrase.revision}
                for phrase in drill.phrases
            ],
        }
    return row
