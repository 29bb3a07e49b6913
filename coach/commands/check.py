"""`coach check`: read drill files, explain every problem in them, and repair what is certain."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any

from coach.commands.common import (
    places_of,
    say,
    say_json,
    write_file,
    write_output,
)
from coach.commands.instrument_options import own_of
from coach.commands.options import Arguments, Options
from coach.folder.library import find_drill
from coach.ground.places import Places, user_path
from coach.ground.plain import counted, plain_text
from coach.ground.problem import CoachError, Problem, UsageError
from coach.ground.source import read_text, stream_text
from coach.music.drill import Drill
from coach.music.hardest import hardest_of
from coach.score.checked import checked
from coach.score.edit import repaired
from coach.score.keys import DRILL_FILE, schema
from coach.score.load import drill_texts
from coach.strings.instrument import Instrument
from coach.strings.own import on_own
from coach.words.amounts import tempo_range
from coach.words.names import size_text, tuning_name

STANDARD_INPUT = "standard input"
PROBLEM_KEYS = ("severity", "line", "column", "field", "message", "guess", "source_line")
"""What `--json` tells of a problem."""


def configure(options: Options) -> None:
    options.text("files FILE", "drill files, or names of your drills; - is standard input", nargs="*")
    options.flag("--fix", "first repair the files where the repair is certain; comments and layout stay")
    options.flag("--schema", "only print the JSON Schema of drill files, for editors")
    options.folder()
    options.json()
    options.output("where --schema is written")


def run(arguments: Arguments) -> int:
    """Check every file; 0 where none has an error, else 1."""
    if arguments.schema:
        write_output(arguments.output or "-", json.dumps(schema(), indent=2) + "\n")
        return 0
    if arguments.output:
        raise UsageError("-o goes with --schema", "check")
    if not arguments.files:
        raise UsageError("no file is named", "check", guess="coach check drills/*.yaml")
    places = places_of(arguments)
    own = own_of(arguments)
    failed = False
    rows: list[dict[str, Any]] = []
    for name in arguments.files:
        for drill, problems, repairs in _checks(name, arguments.fix, places, own):
            good = drill is not None and not any(problem.severity == "error" for problem in problems)
            failed = failed or not good
            if arguments.json:
                rows.append(_row(name, good, drill, problems, repairs))
                continue
            for repair in repairs:
                before, after = repair["before"].strip(), repair["after"].strip()
                say(f"{name}:{repair['line']}: repaired: {before}  ->  {after}")
            sys.stdout.flush()
            for problem in problems:
                say(problem.with_caret(), to=sys.stderr)
            if drill is None and any(problem.line for problem in problems):
                say("More is checked once this is mended.", to=sys.stderr)
            sys.stderr.flush()
            if drill is not None and good:
                say(_summary(name, drill, on_own(drill.instrument, own)))
    if arguments.json:
        say_json({"files": rows}, indent=2)
    return 1 if failed else 0


Checked = tuple[Drill | None, list[Problem], list[dict[str, Any]]]


def _checks(name: str, fix: bool, places: Places, own: Sequence[Instrument]) -> list[Checked]:
    """What the check says of a file, for each drill in it."""
    repairs: list[dict[str, Any]] = []
    try:
        if name == "-":
            if fix:
                raise UsageError("--fix repairs files, not standard input", "check")
            text = stream_text(sys.stdin.buffer, STANDARD_INPUT, DRILL_FILE)
        else:
            there = name.strip() and (fix or os.path.lexists(user_path(name)))
            text = read_text(name if there else find_drill(name, places), DRILL_FILE)
        if fix:
            text, changes = repaired(text, name)
            repairs = [asdict(change) for change in changes]
            if changes:
                write_file(name, text)
        where = STANDARD_INPUT if name == "-" else name
        readings = [checked(one, where, own) for one in drill_texts(text)]
        return [(reading.drill, reading.problems, repairs) for reading in readings]
    except UsageError:
        raise
    except CoachError as error:
        return [(None, list(error.problems), repairs)]


def _summary(name: str, drill: Drill, instrument: Instrument) -> str:
    events = sum(len(bar.events) for phrase in drill.phrases for bar in phrase.bars)
    nodes = {note.node for note in drill.notes if note.node}
    shown = " ".join(node.label for node in sorted(nodes, key=lambda node: (node.partial, node.numerator)))
    return (
        f"{name}: good: {plain_text(drill.title)}; {size_text(drill)}, "
        f"{counted(events, 'event')} in {', '.join(drill.layers)}; "
        f"nodes: {shown or 'none'}; {tempo_range(drill.tempo.start_bpm, drill.goal_bpm)}; "
        f"judged on {tuning_name(instrument)}{_hardest(replace(drill, instrument=instrument))}"
    )


def _hardest(drill: Drill) -> str:
    """Where the drill is hardest, and why; nothing where it has no harmonic."""
    place = hardest_of(drill)
    if place is None:
        return ""
    phrase = plain_text(drill.phrase(place.phrase).name)
    bar, because = f"{phrase}, bar {place.bar}", f"because {' and '.join(place.reasons)}"
    if place.is_move:
        return f"; hardest move: {bar}, to {place.node} on beat {place.beat}, {because}"
    return f"; hardest: {bar}, beat {place.beat}, {place.node}, {because}"


def _row(
    name: str, good: bool, drill: Drill | None, problems: list[Problem], repairs: list[dict[str, Any]]
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "file": name,
        "good": good,
        "problems": [{key: getattr(problem, key) for key in PROBLEM_KEYS} for problem in problems],
        "repairs": repairs,
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
