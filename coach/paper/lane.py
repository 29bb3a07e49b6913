"""Lines of music as a lane of sounding notes to scale in time above tab: what needs no engraver.

Conventions: drawings are SVG whose unit is a millimetre on paper. The lane shows each layer's sounding notes, the tab
below it where they are played.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill, Phrase
from coach.music.rhythm import count_text
from coach.pages import svg
from coach.paper.sheet import WIDTH_MM, Above, Drawing, Line, Sheet, place_text, sheet_of
from coach.score.played import heading
from coach.score.staves import spelled
from coach.score.tab import in_lines

_LEFT, _RIGHT = 22.0, 2.0
_ROOM = WIDTH_MM - _LEFT - _RIGHT
_STEP_MM = 10.0
"""Least distance of two events, so that their labels don't touch."""
_SQUEEZE = 1.15
"""How much too wide a line of bars may be before it is broken; it is then drawn narrower."""
_LANE, _LINE = 6.0, 5.0
_PAD = 5.0
"""From the bar line to the first beat."""


def plain_sheet(drill: Drill) -> Sheet:
    """The drill's sheet with every phrase as lanes, line by line."""
    lines = (_line(drill, phrase, system) for phrase in drill.phrases for system in _systems(phrase))
    return sheet_of(drill, tuple(lines), ())


def _line(drill: Drill, phrase: Phrase, system: list[_Placed]) -> Line:
    bars = tuple(
        Above(
            placed.width + (0.0 if number else _LEFT),
            plain=plain_text(placed.bar.dynamics),
            italic=plain_text(placed.bar.cue),
        )
        for number, placed in enumerate(system)
    )
    name = Above(WIDTH_MM, plain_text(phrase.name), italic=plain_text(phrase.cue))
    return Line(_system(drill, phrase, system), bars, () if system[0].before else (name,))


@frozen
class _Placed:
    """A bar on its system, its number and the bar before it in its phrase, and where it stands in mm."""

    bar: Bar
    number: int
    before: Bar | None
    x: float
    width: float


def _systems(phrase: Phrase) -> list[list[_Placed]]:
    """Bars line by line, each as wide as its closest events ask for, lines filled to the margin."""
    befores = (None, *phrase.bars)
    placed = [
        _Placed(bar, number, before, 0.0, min(_least_width(bar), _ROOM))
        for number, (bar, before) in enumerate(zip(phrase.bars, befores, strict=False), phrase.first_bar)
    ]
    return [list(_spread(row)) for row in in_lines(placed, lambda one: one.width, _ROOM * _SQUEEZE)]


def _spread(row: list[_Placed]) -> Iterator[_Placed]:
    """The bars of a line at their places, as wide as fills it where they nearly do."""
    used = sum(placed.width for placed in row)
    stretch = _ROOM / used if used > _ROOM * 0.6 else 1.0
    x = _LEFT
    for placed in row:
        yield replace(placed, x=x, width=placed.width * stretch)
        x += placed.width * stretch


def _least_width(bar: Bar) -> float:
    moments = sorted({event.beat for event in bar.events} | {Fraction(bar.meter.beats)})
    gaps = [after - before for before, after in pairwise(moments)]
    closest = min(gaps, default=Fraction(1))
    return max(14.0, float(bar.length / min(closest, Fraction(1))) * _STEP_MM + _PAD)


def _system(drill: Drill, phrase: Phrase, system: list[_Placed]) -> Drawing:
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
        parts.append(svg.line(placed.x, top, placed.x, bottom, width=0.3))
        words = "  ".join(heading(placed.number, placed.bar, placed.before))
        parts.append(svg.text(placed.x + 0.5, 3.2, words, 2.8))
        parts += _bar(drill, phrase, placed, right, top, tab, bottom)
    parts.append(svg.line(right, top, right, bottom, width=0.3))
    label = f"Lane and tab of {phrase.name}"
    return Drawing(svg.drawing(WIDTH_MM, height, label, parts, fluid=True), WIDTH_MM, height, label)


def _bar(
    drill: Drill, phrase: Phrase, placed: _Placed, right: float, top: float, tab: float, bottom: float
) -> Iterator[str]:
    bar = placed.bar
    step = (placed.width - _PAD) / float(bar.length)

    def x_of(beat: Fraction) -> float:
        return placed.x + _PAD + float(beat - bar.first_beat) * step

    yield from _beats_below(bar, x_of, bottom)
    for event in bar.events:
        x, y = x_of(event.beat), top + phrase.layers.index(event.layer) * _LANE
        own = (other.beat for other in bar.events if other.layer == event.layer)
        end = min(x_of(event.beat + event.hold), right + 0.5)
        thick = min([end, *(x_of(beat) for beat in own if beat > event.beat)])
        # Thick up to the layer's next event; what rings on after it is thin.
        yield svg.line(x - 1, y + 5.1, thick - 1, y + 5.1, width=0.9)
        if end > thick:
            yield svg.line(x - 1, y + 5.1, end - 1, y + 5.1, width=0.3)
        names = "+".join(str(spelled(drill.instrument, note, bar.key)) for note in event.notes)
        yield svg.text(x - 1, y + 4.0, names, 2.7)
        for note in event.notes:
            shown = place_text(note)
            place = tab + note.string * _LINE
            wide = 1.75 * len(shown) + 0.6
            yield svg.rectangle(x - wide / 2, place - 1.7, wide, 3.4, "ground")
            yield svg.text(x, place + 1.15, shown, 3.2, "middle")
            yield svg.text(x, place - 1.8, note.finger_text, 1.9, "middle") if note.finger_text else ""


def _beats_below(bar: Bar, x_of: Callable[[Fraction], float], bottom: float) -> Iterator[str]:
    """A tick for every beat and event, and the count as far as there is room for it."""
    last = -10.0
    for beat in sorted({*bar.counted, *(event.beat for event in bar.events)}):
        x = x_of(beat)
        whole = beat.denominator == 1
        yield svg.line(x, bottom + 1.0, x, bottom + (2.4 if whole else 1.8), width=0.3 if whole else 0.15)
        if x - last > (5.0 if whole else 6.5):
            yield svg.text(x, bottom + 5.6, count_text(beat), 2.7, "middle")
            last = x
