"""`coach export`: write a drill as MIDI, MusicXML, text tab, a page to print or sound."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import IO, TYPE_CHECKING

from coach.commands.common import (
    places_of,
    refuse_unfit,
    say,
    warn,
    write_output,
)
from coach.commands.instrument_options import own_of
from coach.commands.options import BPM, Arguments, Options, Within
from coach.folder.library import drill_on_own, find_drill, names_of
from coach.ground.fields import did_you_mean
from coach.ground.frozen import frozen
from coach.ground.plain import counted, listed, name_key, plain_text
from coach.ground.problem import CoachError, UsageError
from coach.ground.source import nearest
from coach.music.drill import Drill, drill_part
from coach.music.excerpt import whole_piece
from coach.music.passages import passage_of
from coach.paper.lane import plain_sheet
from coach.paper.page import HTML_AIR_MM, html_page
from coach.paper.sheet import DEFAULT_PAPER, PAPERS
from coach.score.limits import OCTAVES_RANGE
from coach.score.load import load_drills
from coach.score.musicxml_out import musicxml_text
from coach.score.tab import DEFAULT_WIDTH, text_tab
from coach.words.amounts import clock_time, tempo
from coach.words.names import size_text

if TYPE_CHECKING:
    from coach.sound.render import RepSound

REPEATS_RANGE = (1, 99)
LONGEST_MIN, LONGEST_TRACK_MIN = 15, 180
"""Of one repetition, which is rendered in one piece, and of a track."""
WIDTH_RANGE = (40, 400)
PRINT_MISSING = "needs verovio and typst: pip install '.[print]' in the clone of this project"


@frozen
class Written:
    """What a drill is as a file, what is said of it, and what of it can't be shown."""

    content: str | bytes | Iterator[bytes]
    facts: str
    """How long it is, `1 page, A4`, for the line that tells what was written."""
    warning: str = ""


@frozen
class Format:
    """One thing that a drill can be written as; `write` gets the drill, the tempo in bpm and the options."""

    write: Callable[[Drill, int, Arguments], Written]
    endings: tuple[str, ...]
    """How names of its files end, the usual one first."""
    next_step: str
    """What to do with it: `print it at full size`."""
    options: tuple[str, ...] = ()
    """The options of this command that it takes, of those that not every format takes."""
    prints: bool = False
    """Whether it is printed where no file is named."""
    on_own: bool = True
    """Whether it is for the player's own instrument, and not for other programs."""


def configure(options: Options) -> None:
    options.text("drill DRILL", "a drill by file, name, id or title")
    options.add_argument("--to", choices=tuple(FORMATS), required=True, help="what to write")
    about = "tempo in bpm (default: the drill's goal)"
    options.whole("--tempo BPM", BPM, about)
    options.flag("--click-only", f"{_of('click_only')}: click and count-in without the notes")
    options.whole(
        "--harmonics-octaves N",
        Within(*OCTAVES_RANGE, "octaves"),
        f"{_of('harmonics_octaves')}: how many octaves above its key the player's sounds play General "
        "MIDI program 32, guitar harmonics (default: 2, as common soundfonts do)",
    )
    options.whole(
        "--repeats N", Within(*REPEATS_RANGE), f"{_of('repeats')}: how many times to play it (default: 1)"
    )
    options.whole("--width N", Within(*WIDTH_RANGE), f"{_of('width')}: characters per line (default: 80)")
    options.add_argument(
        "--paper", choices=tuple(PAPERS), help=f"{_of('paper')}: paper size (default: {DEFAULT_PAPER})"
    )
    options.text("--layer NAME", f"{_of('layer')}: only this layer")
    options.flag("--easier", f"{_of('easier')}: the easier version")
    options.text("--which NAME", "only this drill, by id or title, if the file has several (default: all)")
    options.folder()
    printed = listed([name for name, row in FORMATS.items() if row.prints])
    options.output(f"the file to write (default for {printed}: print it)")


def run(arguments: Arguments) -> int:
    """Write the drill in the format asked for."""
    kind = arguments.to
    chosen = FORMATS[kind]
    refuse_unfit(arguments, FORMATS_OF, kind)
    if arguments.output is None and not chosen.prints:
        raise UsageError(f"{kind} needs a file", "-o", guess="-o FILE; - is standard output")
    _refuse_anothers_ending(arguments.output or "-", kind)
    drills = _drills(arguments)
    targets = _targets(arguments.output or "-", chosen, drills)
    if chosen.on_own:
        own = own_of(arguments)
        drills = tuple(drill_on_own(drill, own) for drill in drills)
    # Nothing is written before all is known to go well.
    parts = [_part(drill, arguments) for drill in drills]
    written = [chosen.write(part, arguments.tempo or part.goal_bpm, arguments) for part in parts]
    for target, drill, one in zip(targets, drills, written, strict=True):
        write_output(target, one.content, [drill.path])
        if one.warning:
            warn(one.warning)
        if target != "-":
            say(f"wrote {target}: {one.facts}; {chosen.next_step}")
    return 0


def _of(option: str) -> str:
    return ", ".join(FORMATS_OF[option])


def _refuse_anothers_ending(output: str, kind: str) -> None:
    """A file's name may have any ending but that of another format, which is a slip in one of the two."""
    ending = Path(output).suffix.lower()
    for name, row in FORMATS.items():
        if ending in row.endings and ending not in FORMATS[kind].endings:
            guess = f"--to {name}, or a name that ends in {FORMATS[kind].endings[0]}"
            raise UsageError(f"--to {kind} does not write a {ending} file", output, guess=guess)


def _drills(arguments: Arguments) -> tuple[Drill, ...]:
    """The drills of the file that is named, or the one out of them that is asked for."""
    path = find_drill(arguments.drill, places_of(arguments))
    drills = load_drills(path)
    if arguments.which is None:
        return drills
    wanted = name_key(arguments.which)
    chosen = tuple(drill for drill in drills if wanted in names_of(drill))
    if not chosen:
        names = [drill.id for drill in drills]
        close = nearest(wanted, names)
        message = f"{path.name} has no drill '{plain_text(arguments.which, 40)}'; it has {listed(names, 20)}"
        raise UsageError(message, "--which", guess=did_you_mean(close))
    return chosen


def _targets(output: str, chosen: Format, drills: Sequence[Drill]) -> list[str]:
    """Where each drill goes: to the file that is named, or of several to one whose name has its id too."""
    if len(drills) == 1 or (output == "-" and chosen.prints):
        return [output] * len(drills)
    if output == "-":
        names = listed([drill.id for drill in drills], 20)
        message = f"these are {len(drills)} drills, and each is a file of its own: {names}"
        raise UsageError(message, "-o", guess="-o FILE, or --which NAME for one of them")
    ids = [drill.id for drill in drills]
    if twice := sorted({one for one in ids if ids.count(one) > 1}):
        message = f"several drills of this file have the id {listed(twice)}"
        raise UsageError(message, drills[0].path, guess="give one of them another id")
    path = Path(output)
    return [str(path.with_name(f"{path.stem}-{one}{path.suffix}")) if path.name else output for one in ids]


def _midi(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    from coach.score.midi_out import HARMONICS_OCTAVES, midi_bytes

    given = arguments.harmonics_octaves
    octaves = HARMONICS_OCTAVES if given is None else given
    length = clock_time(float(passage_of(drill, whole_piece(drill)).seconds(tempo_bpm)) / 60)
    content = midi_bytes(drill, tempo_bpm, arguments.click_only, octaves)
    return Written(content, f"{length} at {tempo(tempo_bpm)}")


def _musicxml(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    return Written(musicxml_text(drill, tempo_bpm), f"{size_text(drill)} at {tempo(tempo_bpm)}")


def _tab(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    return Written(text_tab(drill, arguments.width or DEFAULT_WIDTH), size_text(drill))


def _part(drill: Drill, arguments: Arguments) -> Drill:
    """What of the drill is asked for."""
    try:
        part = drill_part(drill, arguments.layer, arguments.easier)
    except KeyError:
        close = nearest(arguments.layer, drill.layers)
        there = listed(drill.layers, 20)
        message = f"there is no layer '{plain_text(arguments.layer, 40)}'; there is {there}"
        raise UsageError(message, "--layer", guess=did_you_mean(close)) from None
    if arguments.easier and next(part.notes, None) is None:
        message = "no note is left: the easier version leaves all of them out"
        raise UsageError(message, "--easier", guess="export without --easier")
    return part


def _html(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    paper = arguments.paper or DEFAULT_PAPER
    try:
        # Large libraries, which few commands need and not everyone has.
        from coach.paper.engrave import page_fonts
        from coach.paper.pdf import fitted_page
    except ImportError:
        warn(f"printed without staves; engraving {PRINT_MISSING}")
        return Written(html_page(plain_sheet(drill), paper), f"{size_text(drill)}, for {PAPERS[paper].name}")
    fitted = fitted_page(drill, paper, HTML_AIR_MM)
    text = html_page(fitted.sheet, paper, fitted.note_rows, page_fonts())
    return Written(text, _pages(fitted.pages, paper))


def _pdf(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    paper = arguments.paper or DEFAULT_PAPER
    try:
        # As above.
        from coach.paper.pdf import fitted_page, unshown
    except ImportError:
        raise CoachError(
            f"a PDF {PRINT_MISSING}", "--to pdf", guess="--to html writes a page that a browser prints"
        ) from None
    fitted = fitted_page(drill, paper)
    lacking = unshown(fitted.sheet)
    warning = f"no font here has {listed(lacking, 8)}: each becomes an empty box" if lacking else ""
    return Written(fitted.pdf(), _pages(fitted.pages, paper), warning)


def _pages(count: int, paper: str) -> str:
    return f"{counted(count, 'page')}, {PAPERS[paper].name}"


def _wav(drill: Drill, tempo_bpm: int, arguments: Arguments) -> Written:
    from coach.sound.wav import practice_track, write_wav

    repeats = arguments.repeats or 1
    passage = passage_of(drill, whole_piece(drill))
    minutes = float(passage.seconds(tempo_bpm)) / 60
    for what, lasts_min, most_min in (
        ("the piece", minutes, LONGEST_MIN),
        ("it all", minutes * repeats, LONGEST_TRACK_MIN),
    ):
        if lasts_min > most_min:
            length = f"at {tempo_bpm} bpm {what} lasts {lasts_min:,.0f} minutes"
            message = f"{length}; at most {most_min} are written as sound"
            raise UsageError(message, "--to wav", guess="a faster --tempo, or fewer --repeats?")
    track = practice_track(
        passage,
        drill.instrument,
        tempo_bpm,
        drill.click,
        model=not arguments.click_only,
        repeats=repeats,
        count_in_bars=drill.count_in_bars,
    )
    return Written(_pieces_of(track, write_wav), f"{clock_time(minutes * repeats)} at {tempo(tempo_bpm)}")


def _pieces_of(
    track: Iterator[RepSound], write: Callable[[IO[bytes], Iterator[RepSound]], int]
) -> Iterator[bytes]:
    """A track as the bytes of a sound file, piece by piece: its head is only known at its end."""
    with tempfile.TemporaryFile() as file:
        write(file, track)
        file.seek(0)
        yield from iter(lambda: file.read(1 << 20), b"")


_PRINT = "print it at full size (100 %), or its rulers are wrong"
FORMATS = {
    "midi": Format(
        _midi,
        (".mid", ".midi"),
        "it sounds best with good General MIDI sounds",
        ("tempo", "click_only", "harmonics_octaves"),
        on_own=False,
    ),
    "musicxml": Format(
        _musicxml,
        (".musicxml", ".xml"),
        "open it in a notation program; `coach import` reads it back",
        ("tempo",),
        on_own=False,
    ),
    "tab": Format(
        _tab, (".txt", ".tab"), "show it in letters of one width", ("width", "layer", "easier"), prints=True
    ),
    "pdf": Format(_pdf, (".pdf",), _PRINT, ("paper", "layer", "easier")),
    "html": Format(
        _html, (".html", ".htm"), f"open it in a browser and {_PRINT}", ("paper", "layer", "easier")
    ),
    "wav": Format(_wav, (".wav",), "play along with it", ("tempo", "click_only", "repeats")),
}
"""What `--to` offers, a row a format."""
FORMATS_OF = {
    option: [name for name, row in FORMATS.items() if option in row.options]
    for option in {option for row in FORMATS.values() for option in row.options}
}
"""The formats that take each option."""
