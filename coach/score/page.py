"""A drill as a page to print: HTML with its own drawings, no script, nothing fetched from elsewhere.

Conventions: drawings are SVG whose unit is a millimetre on paper, 182 mm wide, which fits both A4 and Letter within
margins of 14 mm. The lane shows each layer's sounding notes to scale in time, the tab below it where they are played,
the fretboard every node of the drill to scale along the string. All is black on white and says itself without colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from coach.music.drill import Bar, Drill, Note, Phrase
from coach.music.rhythm import count_text
from coach.pages import svg
from coach.pages.document import document, escaped, paragraph, section, table
from coach.pages.fretboard import WIDTH as FRETBOARD_WIDTH
from coach.pages.fretboard import fretboard_svg
from coach.strings.fretboard import Board, Mark
from coach.strings.instrument import Instrument, Node, touch_label
from coach.strings.node_table import mm_text
from coach.strings.units import nearest_note, note_name
from coach.words.amounts import full_day, tempo, tempo_range
from coach.words.names import tuning_name

WIDTH_MM = 182
_LEFT, _RIGHT = 22.0, 2.0
_ROOM = WIDTH_MM - _LEFT - _RIGHT
_STEP_MM = 10.0
"""Least distance of two events, so that their labels don't touch."""
_SQUEEZE = 1.15
"""How much too wide a line of bars may be before it is broken; it is then drawn narrower."""
_LANE, _LINE = 6.0, 5.0
_PAD = 5.0
"""From the bar line to the first beat."""
EMPTY_ROWS = 6
# The first two are common practice and have no source.
CAUTIONS = (
    "Stop when something hurts, and see a clinician if it stays. Rest five minutes in every half hour.",
    "Raise the load slowly from day to day.",
    "Keep headphones low: at most 80 dBA for 40 hours a week, for children 75 dBA (WHO-ITU H.870).",
)


def html_page(drill: Drill) -> str:
    """The whole page as text."""
    phrases = (_phrase(drill, phrase) for phrase in drill.phrases)
    return document(drill.title, [*_head(drill), *phrases, _nodes(drill), *_rest()], "sheet")


def _head(drill: Drill) -> Iterator[str]:
    yield f"<h1>{escaped(drill.title)}</h1>"
    composer = f"{drill.composer}; " if drill.composer else ""
    tempos = tempo_range(drill.tempo.start_bpm, drill.goal_bpm)
    yield paragraph(f"{composer}strings {tuning_name(drill.instrument)}; {tempos}")
    yield paragraph(drill.about)
    if drill.order:
        names = {phrase.id: phrase.name for phrase in drill.phrases}
        yield paragraph(f"Order: {', '.join(names[phrase] for phrase in drill.order)}")
    if (task := drill.assignment) is not None:
        parts = [
            f"for {task.student}" if task.student else "",
            f"from {task.teacher}" if task.teacher else "",
            f"goal {tempo(task.goal_bpm)}" if task.goal_bpm else "",
            f"due {full_day(task.due)}" if task.due else "",
            task.note,
        ]
        yield paragraph(f"Assigned: {'; '.join(part for part in parts if part)}")


def _phrase(drill: Drill, phrase: Phrase) -> str:
    notes = (
        paragraph(f"Bar {number}: {'; '.join(part for part in (bar.dynamics, bar.cue) if part)}")
        for number, bar in enumerate(phrase.bars, 1)
        if bar.dynamics or bar.cue
    )
    systems = (_system(drill, phrase, system) for system in _systems(phrase))
    return section(phrase.name, paragraph(phrase.cue, "cue"), *systems, *notes)


@dataclass(frozen=True, slots=True)
class _Placed:
    """A bar on its system: its index in the phrase, and where it stands in mm."""

    index: int
    x: float
    width: float


def _systems(phrase: Phrase) -> list[list[_Placed]]:
    """Bars line by line, each as wide as its closest events ask for, lines filled to the margin."""
    rows: list[list[tuple[int, float]]] = [[]]
    for index, bar in enumerate(phrase.bars):
        width = min(_least_width(bar), _ROOM)
        if rows[-1] and sum(item[1] for item in rows[-1]) + width > _ROOM * _SQUEEZE:
            rows.append([])
        rows[-1].append((index, width))
    systems = []
    for row in rows:
        used = sum(width for _, width in row)
        stretch = _ROOM / used if used > _ROOM * 0.6 else 1.0
        x, placed = _LEFT, []
        for index, width in row:
            placed.append(_Placed(index, x, width * stretch))
            x += width * stretch
        systems.append(placed)
    return systems


def _least_width(bar: Bar) -> float:
    moments = sorted({event.beat for event in bar.events} | {Fraction(bar.meter.beats)})
    gaps = [after - before for before, after in pairwise(moments)]
    closest = min(gaps, default=Fraction(1))
    return max(14.0, float(bar.length / min(closest, Fraction(1))) * _STEP_MM + _PAD)


def _system(drill: Drill, phrase: Phrase, system: list[_Placed]) -> str:
    instrument = drill.instrument
    strings = len(instrument.strings)
    top = 5.0
    tab = top + len(phrase.layers) * _LANE + 5.0
    bottom = tab + (strings - 1) * _LINE
    height = bottom + 8.0
    right = system[-1].x + system[-1].width
    parts = [
        svg.line(_LEFT, tab + row * _LINE, right, tab + row * _LINE, width=0.15) for row in range(strings)
    ]
    for row, layer in enumerate(phrase.layers):
        parts.append(svg.text(0, top + row * _LANE + 4.0, layer[:14], 2.8))
        parts.append(svg.line(_LEFT, top + (row + 1) * _LANE, right, top + (row + 1) * _LANE, width=0.1))
    for row in range(strings):
        parts.append(svg.text(_LEFT - 2, tab + row * _LINE + 1.1, instrument.string_label(row), 3.2, "end"))
    for placed in system:
        bar = phrase.bars[placed.index]
        parts.append(svg.line(placed.x, top, placed.x, bottom, width=0.3))
        heading = str(placed.index + 1)
        if placed.index == 0 or bar.meter != phrase.bars[placed.index - 1].meter:
            heading += f"  {bar.meter}"
        if bar.stop_ratio != 1 or bar.start_ratio != 1:
            heading += f"  {_percents(bar)}"
        parts.append(svg.text(placed.x + 0.5, 3.2, heading, 2.8))
        parts += _bar(drill, phrase, placed, right, top, tab, bottom)
    parts.append(svg.line(right, top, right, bottom, width=0.3))
    return svg.drawing(WIDTH_MM, height, f"Lane and tab of {phrase.name}", parts, fluid=True)


def _percents(bar: Bar) -> str:
    start, stop = (f"{float(ratio * 100):g}%" for ratio in (bar.start_ratio, bar.stop_ratio))
    return start if start == stop else f"{start} to {stop}"


def _bar(
    drill: Drill, phrase: Phrase, placed: _Placed, right: float, top: float, tab: float, bottom: float
) -> Iterator[str]:
    bar = phrase.bars[placed.index]
    instrument = drill.instrument
    first = bar.meter.beats - bar.length
    step = (placed.width - _PAD) / float(bar.length)

    def x_of(beat: Fraction) -> float:
        return placed.x + _PAD + float(beat - first) * step

    yield from _beats_below(bar, x_of, bottom)
    for event in bar.events:
        row = phrase.layers.index(event.layer)
        x, y = x_of(event.beat), top + row * _LANE
        later = [
            x_of(other.beat) for other in bar.events if other.layer == event.layer and other.beat > event.beat
        ]
        end = min(x_of(event.beat + event.hold), right + 0.5)
        # Thick up to the layer's next event; what rings on after it is thin.
        yield svg.line(x - 1, y + 5.1, min([end, *later]) - 1, y + 5.1, width=0.9)
        if end > min([end, *later]):
            yield svg.line(x - 1, y + 5.1, end - 1, y + 5.1, width=0.3)
        names = "+".join(_sounding(instrument, note) for note in event.notes)
        yield svg.text(x - 1, y + 4.0, names, 2.7)
        for note in event.notes:
            shown = note.position_text + ("?" if note.droppable else "")
            place = tab + note.string * _LINE
            wide = 1.75 * len(shown) + 0.6
            yield svg.rectangle(x - wide / 2, place - 1.7, wide, 3.4, "ground")
            yield svg.text(x, place + 1.15, shown, 3.2, "middle")


def _beats_below(bar: Bar, x_of: Callable[[Fraction], float], bottom: float) -> Iterator[str]:
    """A tick for every beat and event, and the count as far as there is room for it."""
    first = bar.meter.beats - bar.length
    beats = {Fraction(beat) for beat in range(bar.meter.beats) if beat >= first}
    last = -10.0
    for beat in sorted(beats | {event.beat for event in bar.events}):
        x = x_of(beat)
        whole = beat.denominator == 1
        yield svg.line(x, bottom + 1.0, x, bottom + (2.4 if whole else 1.8), width=0.3 if whole else 0.15)
        if x - last > (5.0 if whole else 6.5):
            yield svg.text(x, bottom + 5.6, count_text(beat), 2.7, "middle")
            last = x


def _sounding(instrument: Instrument, note: Note) -> str:
    if note.node is None:
        hz = instrument.fretted_hz(note.string, note.stop)
    else:
        hz = instrument.sounding_hz(note.string, note.node, note.stop)
    return note_name(nearest_note(hz, instrument.a4_hz)[0])


def _nodes(drill: Drill) -> str:
    """Every node of the drill on its fretboard, and where it is in numbers."""
    used = sorted(
        {
            (note.string, note.node, note.stop)
            for phrase in drill.phrases
            for bar in phrase.bars
            for event in bar.events
            for note in event.notes
            if note.node is not None
        },
        key=lambda item: (item[0], item[2], item[1].fraction),
    )
    if not used:
        return ""
    start = "capo" if drill.instrument.capo else "nut"
    header = ("string", "node", "partial", f"from the {start}", "from the nearest fret", "sounds")
    rows = [_node_row(drill.instrument, *place) for place in used]
    return section("Where the nodes are", _fretboard(drill.instrument, used), table(header, rows, (2, 3)))


def _node_row(instrument: Instrument, string: int, node: Node, stop: int) -> tuple[str, ...]:
    midi, cents = nearest_note(instrument.sounding_hz(string, node, stop), instrument.a4_hz)
    beside = f" {cents:+.0f} cents" if round(cents) else ""
    fret = round(stop + node.fret)
    position_mm = instrument.position_mm(string, node, stop)
    away_mm = position_mm - instrument.fret_mm(string, fret)
    side = f"{abs(away_mm):.0f} mm toward the {'bridge' if away_mm > 0 else 'nut'}"
    where = "on the fret" if abs(away_mm) < 0.5 else side
    return (
        instrument.string_label(string),
        f"{stop or ''}<{touch_label(node, stop)}> ({node.key}{f' beyond {stop}' if stop else ''})",
        str(node.partial),
        f"{position_mm:.0f} mm" if stop else mm_text(instrument, string, node),
        f"fret {fret}, {where}" if fret else where,
        f"{note_name(midi)}{beside}",
    )


def _fretboard(instrument: Instrument, used: list[tuple[int, Node, int]]) -> str:
    """The neck from the nut to past the last node, beginning where the systems begin, with a ruler in mm."""
    furthest_mm = max(instrument.position_mm(*place) for place in used)
    reach_mm = min(instrument.longest_mm, furthest_mm * 1.06 + 10)
    marks = [
        Mark(
            place[0],
            instrument.position_mm(*place),
            "",
            label=_label(*place[1:]),
        )
        for place in used
    ]
    label = "Fretboard with the nodes of this drill, to scale"
    left = _LEFT / WIDTH_MM * FRETBOARD_WIDTH
    return fretboard_svg(Board.of(instrument, (0.0, reach_mm)), marks, label, left=left, ruler=True)


def _label(node: Node, stop: int) -> str:
    return f"{stop}<{touch_label(node, stop)}>" if stop else node.label


def _rest() -> Iterator[str]:
    items = "".join(f"<li>{escaped(caution)}</li>" for caution in CAUTIONS)
    yield f'<div class="box"><b>Take care</b><ul>{items}</ul></div>'
    header = ("day", "phrase", "bpm", "what choked", "what to try")
    yield section("Notes", table(header, [("",) * len(header)] * EMPTY_ROWS, name="empty"))
