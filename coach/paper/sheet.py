"""What the page of a drill says, whatever it is printed by: its head, its lines of music, the neck, the nodes.

Conventions: lengths are mm on paper. The music is 182 mm wide, which fits both A4 and Letter within margins of 14 mm.
All is black on white and says itself without colour.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.drill import AskedPart, Drill, Note
from coach.music.key import spelling_of
from coach.pages import svg
from coach.pages.fretboard import WIDTH, Frame, fretboard_parts
from coach.score.played import LEFT_OUT, order_text, signs_of
from coach.strings.fretboard import Board, Mark
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.node_table import mm_text
from coach.strings.units import nearest_note
from coach.words.amounts import full_day, tempo, tempo_range
from coach.words.names import tuning_name

WIDTH_MM = 182.0
SCALES = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 12.0, 15.0)
"""What a mm on paper may stand for, in mm of string."""
# The first two are common practice and have no source.
CAUTIONS = (
    "Stop when something hurts; if the pain stays, see a clinician. Rest for five minutes after 35 at most.",
    "Add minutes slowly from day to day.",
    "Keep headphones low: at most 80 dBA for 40 hours a week, for children 75 dBA (WHO-ITU H.870).",
)
RULER_MM = 130
_NO_BREAK = "\u00a0"
"""Holds words together, so that no line ends inside them."""
ENGRAVED = ("diamond heads: harmonics, at sounding pitch", "open arc: let it ring")
"""What signs of engraved harmonics mean."""
NODES_HEADING = "Where the nodes are"
EMPTY_ROWS = 6
"""How many rows for notes there are at most."""


@frozen
class Paper:
    """A size of paper: its name, its width and height."""

    name: str
    width_mm: float
    height_mm: float


PAPERS = {"a4": Paper("A4", 210.0, 297.0), "letter": Paper("Letter", 215.9, 279.4)}
"""ISO 216; ANSI/ASME Y14.1."""
DEFAULT_PAPER = "a4"

Place = tuple[int, Node, int]
"""A string's index, a node on it, and the fret at which it is stopped."""


@frozen
class Drawing:
    """A drawing as SVG of its own, its size on paper, and what it shows in words."""

    svg: str
    width_mm: float
    height_mm: float
    label: str


@frozen
class Above:
    """Words above a stretch of a line of music: how wide that is, what stands bold, upright and italic."""

    width_mm: float
    bold: str = ""
    plain: str = ""
    italic: str = ""


@frozen
class Line:
    """A line of music: its drawing, over it the words of each bar, over these the names of its phrases."""

    drawing: Drawing
    bars: tuple[Above, ...] = ()
    names: tuple[Above, ...] = ()


@frozen
class Sheet:
    """All that the page of a drill says."""

    title: str
    facts: tuple[str, ...]
    running: tuple[str, ...]
    """Title, student and due date, for every page."""
    lines: tuple[Line, ...]
    legend: tuple[str, ...]
    neck: Drawing | None
    ruler: Drawing | None
    node_header: tuple[str, ...] = ()
    node_rows: tuple[tuple[str, ...], ...] = ()
    care_heading: str = "Take care"
    cautions: tuple[str, ...] = CAUTIONS
    notes_heading: str = "Notes"
    notes_header: tuple[str, ...] = ("day", "phrase", "bpm", "what choked", "what to try")


def sheet_of(drill: Drill, lines: tuple[Line, ...], signs: Sequence[str] = ENGRAVED) -> Sheet:
    """The sheet of a drill around its lines of music; `signs` explains what harmonics look like in them."""
    places = used_places(drill)
    start = "capo" if drill.instrument.capo else "nut"
    return Sheet(
        plain_text(drill.title),
        tuple(_facts(drill)),
        tuple(_running(drill)),
        lines,
        tuple(words.replace(" ", _NO_BREAK) for words in (*legend(drill), *(signs if places else ()))),
        neck_drawing(drill) if places else None,
        ruler_drawing() if places else None,
        ("node", "partial", f"from the {start}", "from the nearest fret", "strings, and what each sounds"),
        tuple(_node_rows(drill, places)),
    )


def _facts(drill: Drill) -> Iterator[str]:
    tempos = tempo_range(drill.tempo.start_bpm, drill.goal_bpm)
    composer = f"{plain_text(drill.composer)}; " if drill.composer else ""
    yield f"{composer}strings {tuning_name(drill.instrument)}; {tempos}"
    if drill.about:
        yield plain_text(drill.about)
    if order := order_text(drill):
        yield f"Order: {order}"
    if (task := drill.assignment) is not None:
        whole = not task.parts or any(part.goal_bpm is None for part in task.parts)
        parts = [
            f"for {task.student}" if task.student else "",
            f"from {task.teacher}" if task.teacher else "",
            f"only {', '.join(_asked(drill, task.parts))}" if task.parts else "",
            f"goal {tempo(task.goal_bpm)}" if task.goal_bpm and whole else "",
            f"due {full_day(task.due)}" if task.due else "",
            task.note,
        ]
        yield f"Assigned: {plain_text('; '.join(part for part in parts if part))}"


def _asked(drill: Drill, parts: Sequence[AskedPart]) -> Iterator[str]:
    """Each asked part by its name, with its own goal."""
    names = {phrase.id: phrase.name for phrase in drill.phrases}
    for part in parts:
        goal = f" at {tempo(part.goal_bpm)}" if part.goal_bpm else ""
        yield f"{names.get(part.name, part.name)}{goal}"


def _running(drill: Drill) -> Iterator[str]:
    yield plain_text(drill.title, 60)
    if (task := drill.assignment) is not None:
        if task.student:
            yield plain_text(f"for {task.student}", 60)
        if task.due:
            yield f"due {full_day(task.due)}"


def legend(drill: Drill) -> Iterator[str]:
    """What the signs of this drill's music mean, only those that it has."""
    for sign in signs_of(drill):
        yield f"{'(‹7›)' if sign is LEFT_OUT else _angled(sign.text)} {sign.meaning}"


def used_places(drill: Drill) -> tuple[Place, ...]:
    """Every node of the drill once, string by string from the nut."""
    places = {(note.string, note.node, note.stop) for note in drill.notes if note.node is not None}
    return tuple(sorted(places, key=lambda place: (place[0], place[2], place[1].fraction)))


def place_text(note: Note) -> str:
    """Where a note is played as tab on paper has it: `3`, `‹3.2›`, `5‹17›`; `(‹7›)` where it may be left out."""
    text = _angled(note.position_text)
    return f"({text})" if note.droppable else text


def _angled(text: str) -> str:
    """A place of text tab with the brackets of a printed page."""
    return text.replace("<", "‹").replace(">", "›")


def _node_rows(drill: Drill, places: tuple[Place, ...]) -> Iterator[tuple[str, ...]]:
    """A row for each place along the neck, from the nut, with all its strings and what they sound."""
    rows: dict[tuple[str, ...], list[str]] = {}
    names = place_names(drill)
    for place in sorted(places, key=lambda place: drill.instrument.position_mm(*place)):
        row = _node_row(drill.instrument, names[place[1:]], *place)
        rows.setdefault(row, []).append(_sounding(drill, *place))
    return ((*row, ", ".join(sounding)) for row, sounding in rows.items())


def _sounding(drill: Drill, string: int, node: Node, stop: int) -> str:
    instrument = drill.instrument
    midi, cents = nearest_note(instrument.sounding_hz(string, node, stop), instrument.a4_hz)
    beside = f" {cents:+.0f} cents" if round(cents) else ""
    return f"{instrument.string_label(string)}: {spelling_of(midi, drill.key)}{beside}"


def _node_row(instrument: Instrument, name: str, string: int, node: Node, stop: int) -> tuple[str, ...]:
    """What all strings share at a node, but for fanned frets."""
    fret = round(stop + node.fret)
    position_mm = instrument.position_mm(string, node, stop)
    away_mm = position_mm - instrument.fret_mm(string, fret)
    side = f"{abs(away_mm):.0f} mm toward the {'bridge' if away_mm > 0 else 'nut'}"
    where = "on the fret" if abs(away_mm) < 0.5 else side
    return (
        f"{name} ({node.key}{f' beyond {stop}' if stop else ''})",
        str(node.partial),
        f"{position_mm:.0f} mm" if stop else mm_text(instrument, string, node),
        f"fret {fret}, {where}" if fret else where,
    )


def place_names(drill: Drill) -> dict[tuple[Node, int], str]:
    """Each node, with the fret at which the string is stopped, as the tab of this drill has it: `‹4›`, `‹3.9›, ‹4›`."""
    names: dict[tuple[Node, int], set[str]] = {}
    for note in drill.notes:
        if note.node is not None:
            names.setdefault((note.node, note.stop), set()).add(_angled(note.position_text))
    return {place: ", ".join(sorted(texts)) for place, texts in names.items()}


def neck_drawing(drill: Drill) -> Drawing:
    """The neck from the nut to past the last node at a round scale, with a ruler in mm that is true at that scale."""
    instrument, places, names = drill.instrument, used_places(drill), place_names(drill)
    unit_mm = WIDTH_MM / WIDTH
    frame = Frame(gap=14.0, rows=6, ruler=True)
    room_mm = (frame.stop - frame.left) * unit_mm
    furthest_mm = max(instrument.position_mm(*place) for place in places)
    needed_mm = min(instrument.longest_mm, furthest_mm * 1.03 + 10)
    scale = next(scale for scale in SCALES if needed_mm <= room_mm * scale)
    reach_mm = min(instrument.longest_mm, room_mm * scale)
    marks = [
        Mark(string, instrument.position_mm(string, node, stop), "", label=names[node, stop])
        for string, node, stop in places
    ]
    frame = replace(frame, width=frame.width - (room_mm - reach_mm / scale) / unit_mm)
    parts, height = fretboard_parts(Board.of(instrument, (0.0, reach_mm)), marks, frame=frame)
    start = "capo" if instrument.capo else "nut"
    label = f"{NODES_HEADING}: mm of string from the {start}, drawn 1 : {scale:g}"
    width_mm, height_mm = frame.width * unit_mm, height * unit_mm
    drawing = svg.drawing(frame.width, height, label, parts, width_mm=width_mm)
    return Drawing(drawing, width_mm, height_mm, label)


def ruler_drawing() -> Drawing:
    """A ruler in its true size, to measure on the instrument how far a node lies from a wire."""
    left, caption = 2.0, "mm in true size if printed at 100 %"
    ticks = [
        svg.line(left + mm, 0, left + mm, 2.4 if mm % 10 == 0 else 1.8 if mm % 5 == 0 else 1.2, width=0.15)
        for mm in range(RULER_MM + 1)
    ]
    numbers = [svg.text(left + mm, 5.2, str(mm), 2.6, "middle") for mm in range(0, RULER_MM + 1, 10)]
    base = svg.line(left, 0.08, left + RULER_MM, 0.08, width=0.15)
    words = svg.text(WIDTH_MM, 5.2, caption, 2.6, "end")
    text = svg.drawing(WIDTH_MM, 6.0, caption, [base, *ticks, *numbers, words], width_mm=WIDTH_MM)
    return Drawing(text, WIDTH_MM, 6.0, f"A ruler: {caption}")
