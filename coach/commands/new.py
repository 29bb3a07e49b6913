"""`coach new`: write a commented drill to start from."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from coach.commands.common import folder_lines, places_of, say, write_output
from coach.commands.instrument_options import USUAL, lengths, named_instrument, own_of
from coach.commands.options import Arguments, Options, errors_of
from coach.ground.fields import Kind
from coach.ground.kinds import Whole
from coach.ground.places import make_folder
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, UsageError
from coach.ground.source import Report, Scalar
from coach.music.rhythm import MAX_BPM
from coach.score.ids import drill_id
from coach.score.keys import BPM
from coach.score.limits import MAX_NAME
from coach.score.starter import MAX_BARS, starter
from coach.score.values import MeterSign
from coach.strings.instrument import Instrument
from coach.strings.ready_made import READY_MADE

Value = TypeVar("Value")

DEVICES = frozenset(
    ("con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10)))
)
"""Names that no file can have on some systems."""
QUESTIONS = {
    "title": ("Title", "My First Drill"),
    "instrument": (
        "Instrument (yours or a ready-made one by its name, or its open notes, highest first: G2,D2,A1,E1)",
        "",
    ),
    "meter": ("Meter", "4/4"),
    "start": ("First tempo in bpm", "50"),
    "goal": ("Tempo to reach in bpm", ""),
    "bars": ("Bars", "2"),
}
"""What is asked for, and the answer that is taken where there is none."""


def configure(options: Options) -> None:
    options.text("--title TEXT", f"title (default: {_usual('title')})")
    options.text(
        "--instrument NAME",
        "one of your own by its name in the settings, a ready-made one, or open notes: G2,D2,A1,E1 "
        "(default: the first of your own, else bass)",
    )
    options.text(
        "--scale-mm MM", "scale of the strings in mm, or in inches as 34in (default: the instrument's)"
    )
    options.text("--meter METER", f"4/4, '6/8 in 2', '7/8 in 2+2+3' (default: {_usual('meter')})")
    options.text("--start BPM", f"first tempo (default: {_usual('start')})")
    options.text("--goal BPM", "tempo to reach (default: half as fast again)")
    options.text("--bars N", f"bars in its phrase (default: {_usual('bars')})")
    options.folder()
    options.output("the drill's file (default: a new file in the practice folder's drills)")


def run(arguments: Arguments) -> int:
    """Write the drill; what no option says is asked for on a terminal, else taken from the defaults."""
    given = {name: getattr(arguments, name) for name in QUESTIONS}
    asking = sys.stdin.isatty() and not any(given.values())
    answers = {name: _answer(name, given[name], asking) for name in QUESTIONS}
    title = plain_text(answers["title"])[:MAX_NAME] or _usual("title")
    instrument, ready = _instrument(answers["instrument"], arguments.scale_mm, own_of(arguments))
    meter = _read(MeterSign(), answers["meter"], "--meter")
    start = _read(BPM, answers["start"], "--start")
    goal = min(MAX_BPM, round(start * 1.5)) if not answers["goal"] else _read(BPM, answers["goal"], "--goal")
    if goal < start:
        raise UsageError(f"the goal, {goal} bpm, is below the start, {start} bpm", "--goal", guess="swapped?")
    bars = _read(Whole(1, MAX_BARS, "bars"), answers["bars"], "--bars")
    text = starter(title, instrument, meter, start, goal, bars, ready)
    target = arguments.output
    if target is None:
        folder = places_of(arguments).drills
        name = drill_id(title)
        path = folder / f"{name}{'-drill' if name in DEVICES else ''}.yaml"
        if os.path.lexists(path):
            raise CoachError("exists already", str(path), guess="another --title, or -o FILE")
        make_folder(folder)
        target = str(path)
    write_output(target, text, is_drill=True)
    if target != "-":
        say(f"wrote {Path(target)}; edit it, then: coach check {target}")
    if arguments.output is None:
        say(*folder_lines(arguments))
    return 0


def _usual(name: str) -> str:
    return QUESTIONS[name][1]


def _answer(name: str, given: str | None, asking: bool) -> str:
    if given is not None:
        return given.strip()
    question, default = QUESTIONS[name]
    if not asking:
        return default
    try:
        return input(f"{question}{f' [{default}]' if default else ''}: ").strip() or default
    except EOFError:
        return default


def _instrument(text: str, scale_mm: str | None, own: Sequence[Instrument]) -> tuple[Instrument, str]:
    """The instrument, and its name where it is a ready-made one; the player's own first."""
    mine = [instrument for instrument in own if text in ("", instrument.name)]
    if mine and scale_mm is None:
        return replace(mine[0], capo=0), ""
    text = text or USUAL
    instrument = named_instrument(text, ())
    if scale_mm is None:
        return instrument, text if text in READY_MADE else ""
    notes = [string.name for string in instrument.strings]
    with errors_of("--scale-mm"):
        return Instrument.of(notes, lengths(scale_mm, "--scale-mm"), fretted=instrument.fretted), ""


def _read(kind: Kind[Value], text: str, option: str) -> Value:
    """The value of an option, read as the drill's key is; UsageError with what is wrong with it."""
    report = Report(option)
    value = kind.read(Scalar(text, 0, 0, 0, 0), "", report)
    if value is None:
        raise UsageError(report.problems)
    return value
