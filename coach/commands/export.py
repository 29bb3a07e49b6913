"""`coach export`: write a drill as MIDI, MusicXML, text tab, a page to print or sound."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable, Iterator
from typing import IO, TYPE_CHECKING

from coach.commands.common import add_folder, add_output, places_of, say, whole_option, write_output
from coach.folder.library import drill_on_own, find_drill
from coach.folder.settings import load_settings
from coach.ground.frozen import frozen
from coach.ground.plain import listed, plain_text
from coach.ground.problem import CoachError, Problem, UsageError
from coach.ground.source import nearest
from coach.music.excerpt import passage_of, whole_piece
from coach.music.part import drill_part
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.paper.page import html_page
from coach.paper.sheet import PAPERS_MM
from coach.score.load import load_drill
from coach.score.musicxml_out import musicxml_text
from coach.score.tab import DEFAULT_WIDTH, text_tab

if TYPE_CHECKING:
    from coach.music.drill import Drill
    from coach.sound.player import Pcm

REPEATS_RANGE = (1, 99)
LONGEST_MIN, LONGEST_TRACK_MIN = 15, 180
"""Of one repetition, which is rendered in one piece, and of a track."""
WIDTH_RANGE = (40, 400)
PRINT_MISSING = "needs verovio and typst: pip install '.[print]' in the clone of this project"

Written = str | bytes | Iterator[bytes]


@frozen
class Format:
    """One thing that a drill can be written as; `write` gets the drill, the rung in bpm and the options."""

    write: Callable[[Drill, int, argparse.Namespace], Written]
    options: tuple[str, ...] = ()
    """The options of this command that it takes, of those that not every format takes."""
    prints: bool = False
    """Whether it is printed where no file is named."""
    on_own: bool = True
    """Whether it is for the player's own instrument, and not for other programs."""


def configure(parser: argparse.ArgumentParser) -> None:
    """Declare the options of `coach export`."""
    parser.add_argument("drill", metavar="DRILL", help="a drill by file, name, id or title")
    parser.add_argument("--to", choices=tuple(FORMATS), required=True, help="what to write")
    parser.add_argument("--tempo", metavar="BPM", help="tempo in bpm (default: the drill's goal)")
    parser.add_argument(
        "--click-only", action="store_true", help="midi, wav: click and count-in without the notes"
    )
    parser.add_argument(
        "--harmonics-octaves",
        metavar="N",
        help="midi: how many octaves above its key the player's sounds play General MIDI program 32, "
        "guitar harmonics (default: 2, as common soundfonts do)",
    )
    parser.add_argument("--repeats", metavar="N", help="wav: how many times to play it (default: 1)")
    parser.add_argument("--width", metavar="N", help="tab: characters per line (default: 80)")
    parser.add_argument("--paper", choices=tuple(PAPERS_MM), help="pdf, html: paper size (default: a4)")
    parser.add_argument("--layer", metavar="NAME", help="pdf, html, tab: only this layer")
    parser.add_argument("--easier", action="store_true", help="pdf, html, tab: the easier version")
    add_folder(parser)
    add_output(parser, "the file to write (default for tab: print it)")


def run(arguments: argparse.Namespace) -> int:
    """Write the drill in the format asked for."""
    kind = arguments.to
    chosen = FORMATS[kind]
    for option in dict.fromkeys(option for row in FORMATS.values() for option in row.options):
        if getattr(arguments, option) not in (None, False) and option not in chosen.options:
            kinds = [name for name, row in FORMATS.items() if option in row.options]
            name = "--" + option.replace("_", "-")
            raise UsageError(Problem(f"goes with --to {' or '.join(kinds)}, not with {kind}", name))
    if arguments.output is None and not chosen.prints:
        raise UsageError(Problem(f"{kind} needs a file", "-o", guess="-o FILE; - is standard output"))
    places = places_of(arguments)
    drill = load_drill(find_drill(arguments.drill, places))
    if chosen.on_own:
        drill = drill_on_own(drill, load_settings(places.settings).instruments)
    drill = _part(drill, arguments)
    tempo_bpm = _whole(arguments.tempo, "--tempo", (MIN_BPM, MAX_BPM), drill.goal_bpm)
    write_output(arguments.output or "-", chosen.write(drill, tempo_bpm, arguments), [drill.path])
    return 0


def _midi(drill: Drill, tempo_bpm: int, arguments: argparse.Namespace) -> bytes:
    from coach.score.midi_out import HARMONICS_OCTAVES, OCTAVES_RANGE, midi_bytes

    octaves = _whole(arguments.harmonics_octaves, "--harmonics-octaves", OCTAVES_RANGE, HARMONICS_OCTAVES)
    return midi_bytes(drill, tempo_bpm, arguments.click_only, octaves)


def _tab(drill: Drill, tempo_bpm: int, arguments: argparse.Namespace) -> str:
    return text_tab(drill, _whole(arguments.width, "--width", WIDTH_RANGE, DEFAULT_WIDTH))


def _part(drill: Drill, arguments: argparse.Namespace) -> Drill:
    """What of the drill is asked for."""
    try:
        part = drill_part(drill, arguments.layer, arguments.easier)
    except KeyError:
        close = nearest(arguments.layer, drill.layers)
        message = (
            f"there is no layer '{plain_text(arguments.layer, 40)}'; there is {listed(drill.layers, 20)}"
        )
        raise UsageError(
            Problem(message, "--layer", guess=f"did you mean {close}?" if close else "")
        ) from None
    if arguments.easier and next(part.notes, None) is None:
        message = "no note is left: the easier version leaves all of them out"
        raise UsageError(Problem(message, "--easier", guess="export without --easier"))
    return part


def _html(drill: Drill, tempo_bpm: int, arguments: argparse.Namespace) -> str:
    paper = arguments.paper or "a4"
    try:
        # Large libraries, which few commands need and not everyone has.
        from coach.paper.pdf import fitting_lines
    except ImportError:
        say(f"coach: printed without staves, for engraving {PRINT_MISSING}", to=sys.stderr)
        return html_page(drill, paper=paper)
    return html_page(drill, fitting_lines(drill, paper), paper)


def _pdf(drill: Drill, tempo_bpm: int, arguments: argparse.Namespace) -> bytes:
    try:
        # As above.
        from coach.paper.pdf import pdf_page
    except ImportError:
        raise CoachError(
            Problem(
                f"a PDF {PRINT_MISSING}", "--to pdf", guess="--to html writes a page that a browser prints"
            )
        ) from None
    return pdf_page(drill, arguments.paper or "a4")


def _wav(drill: Drill, tempo_bpm: int, arguments: argparse.Namespace) -> Iterator[bytes]:
    from coach.sound.wav import practice_track, write_wav

    repeats = _whole(arguments.repeats, "--repeats", REPEATS_RANGE, 1)
    passage = passage_of(drill, whole_piece(drill))
    minutes = float(passage.seconds(tempo_bpm)) / 60
    for what, lasts_min, most_min in (
        ("the piece", minutes, LONGEST_MIN),
        ("it all", minutes * repeats, LONGEST_TRACK_MIN),
    ):
        if lasts_min > most_min:
            length = f"at {tempo_bpm} bpm {what} lasts {lasts_min:,.0f} minutes"
            message = f"{length}; at most {most_min} are written as sound"
            raise UsageError(Problem(message, "--to wav", guess="a faster --tempo, or fewer --repeats?"))
    track = practice_track(
        passage,
        drill.instrument,
        [tempo_bpm],
        click=drill.click,
        model=not arguments.click_only,
        repeats=repeats,
        count_in_bars=drill.count_in_bars,
    )
    return _pieces_of(track, write_wav)


def _pieces_of(track: Iterator[Pcm], write: Callable[[IO[bytes], Iterator[Pcm]], int]) -> Iterator[bytes]:
    """A track as the bytes of a sound file, piece by piece: its head is only known at its end."""
    with tempfile.TemporaryFile() as file:
        write(file, track)
        file.seek(0)
        yield from iter(lambda: file.read(1 << 20), b"")


def _whole(text: str | None, option: str, allowed: tuple[int, int], default: int) -> int:
    number = whole_option(text, option, allowed)
    return default if number is None else number


FORMATS = {
    "midi": Format(_midi, ("tempo", "click_only", "harmonics_octaves"), on_own=False),
    "musicxml": Format(
        lambda drill, tempo_bpm, arguments: musicxml_text(drill, tempo_bpm), ("tempo",), on_own=False
    ),
    "tab": Format(_tab, ("width", "layer", "easier"), prints=True),
    "html": Format(_html, ("paper", "layer", "easier")),
    "pdf": Format(_pdf, ("paper", "layer", "easier")),
    "wav": Format(_wav, ("tempo", "click_only", "repeats")),
}
"""What `--to` offers, a row a format."""
