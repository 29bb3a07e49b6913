"""`coach import`: turn a MusicXML or MIDI file into a drill that the checker passes."""

from __future__ import annotations

import argparse
import contextlib
import re
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

from coach.commands.common import add_output, say, write_output
from coach.ground.digits import whole_number
from coach.ground.plain import counted
from coach.ground.problem import Problem, UsageError
from coach.score.arrange import arranged
from coach.score.foreign import read_score
from coach.score.strands import Choices
from coach.strings.instrument import Instrument
from coach.strings.ready_made import ready_made, usual_scale_mm
from coach.strings.units import midi_from_note

if TYPE_CHECKING:
    from coach.music.drill import Drill, Note
    from coach.score.strands import Choices

BAR_PIECES = (1, 64)


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coach import`."""
    parser.add_argument("file", metavar="FILE", help="a .musicxml, .xml, .mxl or .mid file")
    parser.add_argument("--part", metavar="PART", help="which part or track: its number from 1, or its name")
    parser.add_argument(
        "--bars", metavar="A-B", help="only these bars, counted from 1 as they stand in the file"
    )
    parser.add_argument(
        "--split",
        metavar="HOW",
        help="layers: voices (the file's voices or tracks), harmonics (harmonics and the rest), or a note such as "
        "C3: what lies below it is the bass (default: voices, or harmonics where there is one voice with both)",
    )
    parser.add_argument(
        "--every",
        metavar="N",
        help="cut phrases every N bars (default: at rehearsal marks, double bars and repeats)",
    )
    parser.add_argument(
        "--instrument",
        metavar="NAME",
        help="a ready-made instrument, or open notes: G2,D2,A1,E1 (default: what the file says or needs)",
    )
    parser.add_argument(
        "--harmonics",
        metavar="WHICH",
        help="which notes are harmonics where the file doesn't say: a sounding pitch such as F#3, it and all above, "
        "or a voice or track, by name or number from 1; each gets a node within 20 cents of it, or else stays stopped",
    )
    parser.add_argument(
        "--harmonics-octaves",
        metavar="N",
        help="midi: how far above its key program 32, guitar harmonics, sounds (default: what the file says, else 2)",
    )
    add_output(parser, "the drill's file (default: standard output)")


def run(arguments: argparse.Namespace) -> int:
    """Write the drill; what was left out goes into its comments and to standard error."""
    octaves = arguments.harmonics_octaves
    if octaves is not None and octaves not in ("0", "1", "2", "3"):
        raise UsageError(Problem(f"{octaves!r} is no whole number from 0 to 3", "--harmonics-octaves"))
    choices = _choices(arguments)
    score = read_score(arguments.file, arguments.part, None if octaves is None else int(octaves))
    drill, text = arranged(score, choices, arguments.file)
    write_output(arguments.output or "-", text, [arguments.file])
    for remark in score.joined_remarks():
        say(f"{arguments.file}: {remark}", to=sys.stderr)
    if not any(note.is_harmonic for note in _notes(drill)):
        say(
            f"{arguments.file}: no note of it is a harmonic; --harmonics says which are: a sounding pitch such as F#3, "
            "it and all above, or a voice or track",
            to=sys.stderr,
        )
    if arguments.output not in (None, "-"):
        bars = sum(len(phrase.bars) for phrase in drill.phrases)
        say(
            f"wrote {arguments.output}: {counted(len(drill.phrases), 'phrase')}, {counted(bars, 'bar')}, "
            f"{'layers' if len(drill.layers) > 1 else 'layer'} {', '.join(drill.layers)}"
        )
    return 0


def _choices(arguments: argparse.Namespace) -> Choices:
    bars = None
    if arguments.bars is not None:
        match = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", arguments.bars)
        if match is None or not 1 <= int(match[1]) <= int(match[2] or match[1]):
            raise UsageError(Problem(f"{arguments.bars!r} is no range of bars; write 5-12", "--bars"))
        bars = int(match[1]), int(match[2] or match[1])
    split, split_midi = arguments.split or "", None
    if split not in ("", "voices", "harmonics"):
        try:
            split_midi = midi_from_note(split)
        except ValueError as error:
            message = f"{error}; or write voices or harmonics"
            raise UsageError(Problem(message, "--split")) from None
    every: int | None = None
    if arguments.every is not None:
        low, high = BAR_PIECES
        every = whole_number(arguments.every)
        if every is None or not low <= every <= high:
            raise UsageError(
                Problem(f"{arguments.every!r} is no whole number from {low} to {high}", "--every")
            )
    harmonics, harmonics_midi = arguments.harmonics, None
    if harmonics is not None:
        if not harmonics.strip():
            raise UsageError(Problem("no note, voice or track is named", "--harmonics"))
        with contextlib.suppress(ValueError):
            harmonics_midi = midi_from_note(harmonics)
    return Choices(
        _instrument(arguments.instrument), split, split_midi, every, bars, harmonics or "", harmonics_midi
    )


def _notes(drill: Drill) -> Iterator[Note]:
    for phrase in drill.phrases:
        for bar in phrase.bars:
            for event in bar.events:
                yield from event.notes


def _instrument(text: str | None):  # type: ignore[no-untyped-def]
    if text is None:
        return None
    try:
        if "," in text:
            notes = [note.strip() for note in text.split(",")]
            return Instrument.of(notes, usual_scale_mm(notes))
        return ready_made(text)
    except ValueError as error:
        raise UsageError(Problem(str(error), "--instrument")) from None
