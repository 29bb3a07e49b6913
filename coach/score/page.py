"""A drill as a page to print: HTML with its own drawings, no script, nothing fetched from elsewhere.

Conventions: drawings are SVG whose unit is a millimetre on paper, 182 mm wide, which fits both A4 and Letter within
margins of 14 mm. The lane shows each layer's sounding notes to scale in time, the tab below it where they are played,
the fretboard every node of the drill to scale along the string. All is black on white and says itself without colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from itertools import pairwise

from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill, Phrase
from coach.music.rhythm import count_text
from coach.strings.instrument import Instrument, Node
from coach.strings.units import nearest_note, note_name

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
_STYLE = """
@page { size: auto; margin: 14mm }
* { box-sizing: border-box }
body { font: 10.5pt/1.4 system-ui, sans-serif; color: #000; background: #fff; max-width: 182mm; margin: 8mm auto }
@media print { body { margin: 0 } }
h1 { font-size: 20pt; margin: 0 } h2 { font-size: 13pt; margin: 6mm 0 1mm; break-after: avoid }
p { margin: 1mm 0 } .cue { font-style: italic } svg { display: block; width: 100%; margin: 2mm 0 }
svg, table, .cautions { break-inside: avoid }
table { border-collapse: collapse; width: 100%; font-size: 9.5pt }
th, td { border: 0.2mm solid #000; padding: 0.6mm 1.5mm; text-align: left } td.n { text-align: right }
.room td { height: 8mm } .cautions { border: 0.4mm solid #000; padding: 1mm 3mm; margin: 5mm 0 }
svg text { font-family: system-ui, sans-serif } .head { display: flex; justify-content: space-between }
"""
CAUTIONS = (
    "Stop when something hurts, and see a clinician if it stays. Rest five minutes in every half hour.",
    "Raise the load slowly from day to day: most complaints follow a sudden rise.",
    "Keep headphones low: 80 dB for 40 hours a week is the most (WHO-ITU H.870).",
)


def html_page(drill: Drill) -> str:
    """The whole page as text."""
    title = _text(drill.title)
    body = "\n".join(
        [*_head(drill), *(_phrase(drill, phrase) for phrase in drill.phrases), *_nodes(drill), *_rest(drill)]
    )
    return (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n<title>{title}</title>\n'
        f"<style>{_STYLE}</style>\n</head>\n<body>\n{body}\n</body>\n</html>\n"
    )


def _text(text: str) -> str:
    return escape(plain_text(text))


def _head(drill: Drill) -> Iterator[str]:
    yield f"<h1>{_text(drill.title)}</h1>"
    strings = " ".join(string.name for string in drill.instrument.strings)
    made = f"{_text(drill.composer)}; " if drill.composer else ""
    yield (
        f"<p>{made}strings {_text(strings)}, {drill.instrument.scale_mm:g} mm; "
        f"from {drill.tempo.start_bpm} to {drill.goal_bpm} bpm</p>"
    )
    if drill.about:
        yield f"<p>{_text(drill.about)}</p>"
    if drill.order:
        names = {phrase.id: phrase.name for phrase in drill.phrases}
        yield f"<p>Order: {_text(', '.join(names[phrase] for phrase in drill.order))}</p>"
    if (task := drill.assignment) is not None:
        parts = [
            f"for {task.student}" if task.student else "",
            f"from {task.teacher}" if task.teacher else "",
            f"goal {task.goal_bpm} bpm" if task.goal_bpm else "",
            f"due {task.due.isoformat()}" if task.due else "",
            task.note,
        ]
        yield f"<p><b>Assignment:</b> {_text('; '.join(part for part in parts if part))}</p>"


def _phrase(drill: Drill, phrase: Phrase) -> str:
    cue = f'<p class="cue">{_text(phrase.cue)}</p>' if phrase.cue else ""
    systems = "\n".join(_system(drill, phrase, system) for system in _systems(phrase))
    notes = "".join(
        f"<p>Bar {number}: {_text('; '.join(part for part in (bar.dynamics, bar.cue) if part))}</p>"
        for number, bar in enumerate(phrase.bars, 1)
        if bar.dynamics or bar.cue
    )
    return f"<section>\n<h2>{_text(phrase.name)}</h2>\n{cue}\n{systems}\n{notes}\n</section>"


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
    parts = [_line(_LEFT, tab + row * _LINE, right, tab + row * _LINE, 0.15) for row in range(strings)]
    for row, layer in enumerate(phrase.layers):
        parts.append(_label(0, top + row * _LANE + 4.0, layer[:14], 2.8))
        parts.append(_line(_LEFT, top + (row + 1) * _LANE, right, top + (row + 1) * _LANE, 0.1))
    for row in range(strings):
        parts.append(_label(_LEFT - 2, tab + row * _LINE + 1.1, instrument.string_label(row), 3.2, "end"))
    for placed in system:
        bar = phrase.bars[placed.index]
        parts.append(_line(placed.x, top, placed.x, bottom, 0.3))
        heading = str(placed.index + 1)
        if placed.index == 0 or bar.meter != phrase.bars[placed.index - 1].meter:
            heading += f"  {bar.meter}"
        if bar.stop_ratio != 1 or bar.start_ratio != 1:
            heading += f"  {_percents(bar)}"
        parts.append(_label(placed.x + 0.5, 3.2, heading, 2.8))
        parts += _bar(drill, phrase, placed, right, top, tab, bottom)
    parts.append(_line(right, top, right, bottom, 0.3))
    return _svg(height, f"Lane and tab of {phrase.name}", parts)


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

    counts = {event.beat for event in bar.events} | {
        Fraction(beat) for beat in range(bar.meter.beats) if beat >= first
    }
    last = -10.0
    for beat in sorted(counts):
        x = x_of(beat)
        whole = beat.denominator == 1
        yield _line(x, bottom + 1.0, x, bottom + (2.4 if whole else 1.8), 0.3 if whole else 0.15)
        if x - last > (5.0 if whole else 6.5):
            yield _label(x, bottom + 5.6, count_text(beat), 2.7, "middle")
            last = x
    for event in bar.events:
        row = phrase.layers.index(event.layer)
        x, y = x_of(event.beat), top + row * _LANE
        later = [
            x_of(other.beat) for other in bar.events if other.layer == event.layer and other.beat > event.beat
        ]
        end = min(x_of(event.beat + event.hold), right + 0.5)
        # Thick up to the layer's next event; what rings on after it is thin.
        yield _line(x - 1, y + 5.1, min([end, *later]) - 1, y + 5.1, 0.9)
        if end > min([end, *later]):
            yield _line(x - 1, y + 5.1, end - 1, y + 5.1, 0.3)
        names = "+".join(_sounding(instrument, note.string, note.fret, note.node) for note in event.notes)
        yield _label(x - 1, y + 4.0, names, 2.7)
        for note in event.notes:
            shown = note.position_text + ("?" if note.droppable else "")
            place = tab + note.string * _LINE
            wide = 1.75 * len(shown) + 0.6
            yield (
                f'<rect x="{x - wide / 2:.2f}" y="{place - 1.7:.2f}" width="{wide:.2f}" height="3.4" fill="#fff"/>'
            )
            yield _label(x, place + 1.15, shown, 3.2, "middle")


def _sounding(instrument: Instrument, string: int, fret: int | None, node: Node | None) -> str:
    hz = instrument.fretted_hz(string, fret or 0) if node is None else instrument.sounding_hz(string, node)
    return note_name(nearest_note(hz, instrument.a4_hz)[0])


def _nodes(drill: Drill) -> Iterator[str]:
    used = sorted(
        {
            (note.string, note.node)
            for phrase in drill.phrases
            for bar in phrase.bars
            for event in bar.events
            for note in event.notes
            if note.node is not None
        },
        key=lambda item: (item[0], item[1].fraction),
    )
    if not used:
        return
    yield "<section>\n<h2>Where the nodes are</h2>"
    yield _fretboard(drill.instrument, used)
    yield (
        "<table><tr><th>string</th><th>node</th><th>partial</th><th>from the nut</th><th>from the nearest fret</th>"
        "<th>sounds</th></tr>"
    )
    for string, node in used:
        instrument = drill.instrument
        midi, cents = nearest_note(instrument.sounding_hz(string, node), instrument.a4_hz)
        beside = f" {cents:+.0f} cents" if round(cents) else ""
        fret = round(node.fret)
        away = instrument.position_mm(node) - instrument.fret_mm(fret)
        side = (
            "on the fret"
            if abs(away) < 0.5
            else f"{abs(away):.0f} mm toward the {'bridge' if away > 0 else 'nut'}"
        )
        where = f"fret {fret}, {side}" if fret else side
        yield (
            f"<tr><td>{_text(instrument.string_label(string))}</td><td>&lt;{node.label}&gt; ({node.key})</td>"
            f'<td class="n">{node.partial}</td><td class="n">{instrument.position_mm(node):.0f} mm</td>'
            f"<td>{where}</td><td>{note_name(midi)}{beside}</td></tr>"
        )
    yield "</table>\n</section>"


def _fretboard(instrument: Instrument, used: list[tuple[int, Node]]) -> str:
    """The neck from the nut to past the last node, to scale, with a ruler in mm."""
    reach_mm = min(instrument.scale_mm, max(instrument.position_mm(node) for _, node in used) * 1.06 + 10)
    scale = _ROOM / reach_mm
    strings = len(instrument.strings)
    gap, top = 8.0, 6.0
    bottom = top + (strings - 1) * gap
    parts = [_line(_LEFT, top - 2, _LEFT, bottom + 2, 1.0)]
    for row in range(strings):
        y = top + row * gap
        parts.append(_line(_LEFT, y, WIDTH_MM - _RIGHT, y, 0.15 + 0.12 * row))
        parts.append(_label(_LEFT - 3, y + 1.1, instrument.string_label(row), 3.4, "end"))
    for fret in range(1, 25):
        x = _LEFT + instrument.fret_mm(fret) * scale
        if x > WIDTH_MM - _RIGHT:
            break
        parts.append(_line(x, top - 2, x, bottom + 2, 0.25))
        if fret < 13 or fret % 2 == 0:
            parts.append(_label(x, bottom + 6.0, str(fret), 2.8, "middle"))
    taken: dict[int, float] = {}
    for string, node in used:
        x, y = _LEFT + instrument.position_mm(node) * scale, top + string * gap
        parts.append(f'<circle cx="{x:.2f}" cy="{y:.2f}" r="1.2" fill="#000"/>')
        above = x - taken.get(string, -20.0) > 5.5
        parts.append(_label(x, y - 1.9 if above else y + 4.0, node.label, 2.9, "middle"))
        taken[string] = x
    ruler = bottom + 9.0
    parts.append(_line(_LEFT, ruler, WIDTH_MM - _RIGHT, ruler, 0.2))
    step = 50 if reach_mm > 150 else 10
    for mm in range(0, int(reach_mm) + 1, step):
        x = _LEFT + mm * scale
        parts.append(_line(x, ruler, x, ruler + 1.6, 0.2))
        parts.append(_label(x, ruler + 4.6, str(mm), 2.6, "middle"))
    parts.append(_label(0, ruler + 0.8, "mm from the nut", 2.4))
    return _svg(ruler + 6.0, "Fretboard with the nodes of this drill, to scale", parts)


def _rest(drill: Drill) -> Iterator[str]:
    items = "".join(f"<li>{escape(caution)}</li>" for caution in CAUTIONS)
    yield f'<div class="cautions"><b>Take care</b><ul>{items}</ul></div>'
    rows = "".join(f"<tr>{'<td></td>' * 5}</tr>" for _ in range(6))
    yield (
        '<section><h2>Notes</h2><table class="room"><tr><th style="width:18%">day</th><th style="width:22%">phrase</th>'
        '<th style="width:12%">bpm</th><th style="width:18%">what choked</th><th>what to try</th></tr>'
        f"{rows}</table></section>"
    )


def _svg(height: float, label: str, parts: list[str]) -> str:
    inside = "\n".join(parts)
    return (
        f'<svg viewBox="0 0 {WIDTH_MM} {height:.1f}" role="img" aria-label="{_text(label)}" '
        f'xmlns="http://www.w3.org/2000/svg">\n{inside}\n</svg>'
    )


def _line(x1: float, y1: float, x2: float, y2: float, width: float) -> str:
    return f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" stroke="#000" stroke-width="{width:.2f}"/>'


def _label(x: float, y: float, text: str, size: float, anchor: str = "start") -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" font-size="{size}" text-anchor="{anchor}">{_text(text)}</text>'
