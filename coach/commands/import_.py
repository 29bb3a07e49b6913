"""`coach import`: turn a MusicXML or MIDI file into a drill that the checker passes."""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from coach.commands.common import say, write_told
from coach.commands.instrument_options import USUAL, named_instrument, own_of
from coach.commands.options import Arguments, Options, Within
from coach.ground.plain import plain_text
from coach.ground.problem import UsageError
from coach.music.drill import Drill
from coach.music.key import key_named
from coach.score.arrange import arranged
from coach.score.arrange_duet import EVERY_KEY, arranged_duet
from coach.score.duet import LineNames
from coach.score.foreign import read_score, read_two_lines
from coach.score.limits import OCTAVES_RANGE
from coach.score.musicxml_own import own_export
from coach.score.score import Score
from coach.score.strands import Choices
from coach.strings.ready_made import ready_made
from coach.strings.units import midi_from_note
from coach.words.names import size_text

BAR_PIECES = (1, 64)
MOST_SEMITONES = 12
CHOOSING = ("part", "bars", "split", "every", "instrument", "harmonics", "melody", "bass", "transpose")
"""The options that ask for something else than a file holds: with one of them an export of ours is any score."""


def configure(options: Options) -> None:
    options.text("file FILE", "a .musicxml, .xml, .mxl or .mid file")
    options.text("--part PART", "part or track: its number from 1, or its name")
    options.text(
        "--melody WHICH",
        "arrange this line in natural harmonics over --bass: a part or track by number or name, or `staff 1` or "
        "`voice 1` of the part; the same name for both takes the highest and lowest notes of its chords",
    )
    options.text("--bass WHICH", "the bass line under --melody, named in the same way")
    options.text(
        "--transpose HOW",
        "with --melody: best, the easiest key (default), or semitones such as -2, "
        "at most 12, or a key such as 'D major'; octaves are chosen to suit",
    )
    options.text(
        "--bars A-B",
        "only these bars, by their numbers in the score; a pick-up at its start is 0",
        type=_bars,
    )
    options.text(
        "--split HOW",
        "layers: voices (the file's voices or tracks), harmonics (harmonics and the rest), or a note such as "
        "C3: notes below it are the bass (default: voices, or harmonics where there is one voice with both)",
    )
    options.whole(
        "--every N",
        Within(*BAR_PIECES, "bars"),
        "cut phrases every N bars (default: at rehearsal marks, double bars and repeats)",
    )
    options.text(
        "--instrument NAME",
        "one of your own, a ready-made one, or open notes: G2,D2,A1,E1 (default: what the file says, else the "
        "first of your own, else one that has the notes)",
    )
    options.text(
        "--harmonics WHICH",
        "which notes are harmonics where the file doesn't say: a sounding pitch such as F#3, it and all above, "
        "or a voice or track, by name or number from 1; each gets a node within 20 cents of it, or else stays stopped",
    )
    options.whole(
        "--harmonics-octaves N",
        Within(*OCTAVES_RANGE, "octaves"),
        "midi: how far above its key program 32, guitar harmonics, sounds (default: what the file says, else 2)",
    )
    options.folder()
    options.output("the drill's file (default: standard output)")


def run(arguments: Arguments) -> int:
    """Write the drill; what was left out goes into its comments and to standard error."""
    octaves, choices = arguments.harmonics_octaves, _choices(arguments)
    where = Path(arguments.file).name
    if all(getattr(arguments, option) is None for option in CHOOSING) and (own := own_export(arguments.file)):
        return _write(arguments, *own)
    if arguments.melody is None and arguments.bass is None:
        if arguments.transpose is not None:
            message = "it only works with --melody and --bass"
            raise UsageError(message, "--transpose", guess="name both lines")
        score = read_score(arguments.file, arguments.part, octaves)
        if choices.instrument is None and not score.tunings:
            choices = replace(choices, instrument=next(iter(own_of(arguments)), None))
        drill, text = arranged(score, choices, where)
        table: list[str] = []
    else:
        score, drill, text, table = _duet(arguments, choices, octaves, where)
    _write(arguments, drill, text)
    say(*(f"{where}: {remark}" for remark in score.joined_remarks()), to=sys.stderr)
    if not any(note.is_harmonic for note in drill.notes):
        say(
            f"{where}: no harmonics in this file; name them with --harmonics: a sounding pitch such as F#3, "
            "it and all above, or a voice or track; or arrange two lines with --melody and --bass",
            to=sys.stderr,
        )
    say(*table, to=sys.stderr)
    return 0


def _write(arguments: Arguments, drill: Drill, text: str) -> int:
    layers = f"{'layers' if len(drill.layers) > 1 else 'layer'} {', '.join(drill.layers)}"
    facts = f": {plain_text(drill.title)}, {size_text(drill)}, {layers}"
    told = f"{facts}; title, phrases and tempo are yours to edit in it"
    write_told(arguments.output, text, told, [arguments.file], is_drill=True)
    return 0


def _duet(
    arguments: Arguments, choices: Choices, octaves: int | None, where: str
) -> tuple[Score, Drill, str, list[str]]:
    """A melody over a bass: the score that was read, the drill and its text, the table of keys."""
    for name in ("melody", "bass"):
        if not (getattr(arguments, name) or "").strip():
            other = "bass" if name == "melody" else "melody"
            message, guess = f"--{other} needs the other line too", "a part's name or number"
            raise UsageError(message, f"--{name}", guess=guess)
    names = LineNames(arguments.melody.strip(), arguments.bass.strip(), arguments.part)
    if arguments.part is not None and names.are_parts:
        message = "--melody and --bass name their parts themselves"
        raise UsageError(message, "--part", guess="name `staff 1` or `voice 1` of it")
    score = read_two_lines(arguments.file, names, octaves)
    keys = _keys("best" if arguments.transpose is None else arguments.transpose, score)
    instrument = choices.instrument or next(iter(own_of(arguments)), None) or ready_made(USUAL)
    return (score, *arranged_duet(score, choices, instrument, keys, where))


def _keys(text: str, score: Score) -> Sequence[int]:
    """By how many semitones the piece may be moved. UsageError for what is none of the ways to say it."""
    if text.strip().lower() == "best":
        return EVERY_KEY
    if re.fullmatch(r"[+-]?\d{1,2}", text.strip()):
        if abs(int(text)) > MOST_SEMITONES:
            message = f"{text.strip()} is not from -{MOST_SEMITONES} to {MOST_SEMITONES} semitones"
            raise UsageError(message, "--transpose", guess="octaves are chosen to suit")
        return [(int(text) + 6) % 12 - 6]
    key, there = key_named(text), next((bar.key for bar in score.bars if bar.key), None)
    if key is None:
        allowed = "write best, semitones such as -2, or a key such as D major"
        raise UsageError(f"'{text}' is not a transposition; {allowed}", "--transpose")
    if there is None or there.mode != key.mode:
        message = f"the piece is in {there}" if there else "the file names no key"
        raise UsageError(f"{message}; it can't be moved to {key}", "--transpose", guess="give semitones")
    return [(7 * (key.fifths - there.fifths) + 6) % 12 - 6]


def _bars(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,5})(?:-(\d{1,5}))?", text)
    if match is None or not int(match[1]) <= int(match[2] or match[1]):
        raise UsageError(f"{text!r} is not a range of bars; write 5-12", "--bars")
    return int(match[1]), int(match[2] or match[1])


def _choices(arguments: Arguments) -> Choices:
    split = arguments.split or ""
    if split not in ("", "voices", "harmonics"):
        try:
            midi_from_note(split)
        except ValueError as error:
            message = f"{error}; or write voices or harmonics"
            raise UsageError(message, "--split") from None
    harmonics = arguments.harmonics
    if harmonics is not None and not harmonics.strip():
        raise UsageError("no note, voice or track is named", "--harmonics")
    named = arguments.instrument
    instrument = None if named is None else named_instrument(named, own_of(arguments))
    return Choices(instrument, split, arguments.every, arguments.bars, harmonics or "")
