"""A drill as text tab: one line for each string, `<node>` for harmonics, the beats counted underneath.

Conventions: the highest string is the top line. A bar is to scale in time; where the page is too narrow for that, its
columns are as wide as their widest event, and a bar too wide even so is broken between beats. `?` marks a note that
the easier version drops; fingers follow in brackets.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from fractions import Fraction
from itertools import pairwise
from math import ceil
from textwrap import wrap
from typing import TypeVar

from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill, Note, Phrase
from coach.music.rhythm import count_text
from coach.score.played import heading, order_text, signs_of
from coach.strings.instrument import Instrument
from coach.words.amounts import tempo_range
from coach.words.names import tuning_name

T = TypeVar("T")
DEFAULT_WIDTH = 80


def text_tab(drill: Drill, width: int = DEFAULT_WIDTH) -> str:
    """The whole drill, phrase by phrase, no line longer than `width` unless one event alone is."""
    lines = [plain_text(drill.title)]
    if drill.composer:
        lines.append(plain_text(drill.composer))
    lines.append(f"{tuning_name(drill.instrument)}; {tempo_range(drill.tempo.start_bpm, drill.goal_bpm)}")
    if order := order_text(drill):
        lines += wrap(f"order: {order}", width)
    # Fingers stand in brackets.
    signs = ((f"({sign.text})" if sign.is_finger else sign.text, sign.meaning) for sign in signs_of(drill))
    lines += wrap("; ".join(map(" ".join, signs)), width)
    for phrase in drill.phrases:
        lines += ["", *_phrase(phrase, drill.instrument, width)]
    return "\n".join(lines) + "\n"


def _written(note: Note) -> str:
    fingers = f"({note.finger_text})" if note.finger_text else ""
    return f"{note.position_text}{'?' if note.droppable else ''}{fingers}"


def _phrase(phrase: Phrase, instrument: Instrument, width: int) -> Iterator[str]:
    yield from wrap(f"[{plain_text(phrase.name)}] {plain_text(phrase.cue)}", width)
    labels = [instrument.string_label(index) for index in range(len(instrument.strings))]
    margin = max(len(label) for label in labels) + 1
    blocks = _blocks(phrase, instrument, width - margin - 2)
    for line in in_lines(blocks, lambda block: len(block[0]), width - margin - 1):
        rows = ["".join(block[row] for block in line) for row in range(len(line[0]))]
        yield " " * (margin + 1) + rows[0].rstrip()
        for label, row in zip(labels, rows[1:-1], strict=True):
            yield f"{label:<{margin}}|{row}"
        yield " " * (margin + 1) + rows[-1].rstrip()
    for number, bar in enumerate(phrase.bars, phrase.first_bar):
        notes = "; ".join(part for part in (plain_text(bar.dynamics), plain_text(bar.cue)) if part)
        if notes:
            yield from wrap(f"  bar {number}: {notes}", width, subsequent_indent="    ")


def _blocks(phrase: Phrase, instrument: Instrument, room: int) -> Iterator[list[str]]:
    """Each bar as rows: its heading, one row for each string, its beats; broken where it is too wide."""
    befores = (None, *phrase.bars)
    for number, (bar, before) in enumerate(zip(phrase.bars, befores, strict=False), phrase.first_bar):
        columns = _columns(bar, len(instrument.strings), room)
        pieces = in_lines(columns, lambda column: len(column[0]), room - 1)
        for index, piece in enumerate(pieces):
            rows = ["".join(column[row] for column in piece) for row in range(len(instrument.strings) + 1)]
            end = "|" if index == len(pieces) - 1 else " "
            head = f"({number})" if index else " ".join(heading(number, bar, before))
            wide = max(len(head) + 1, len(rows[0]) + 1, len(rows[-1]) + 1)
            yield [
                f"{head:<{wide + 1}}",
                *(f"{'-' + row:-<{wide}}{end}" for row in rows[:-1]),
                f"{' ' + rows[-1]:<{wide + 1}}",
            ]


def in_lines(items: Iterable[T], width: Callable[[T], float], room: float) -> list[list[T]]:
    """The items in as many lines as they need, each line with as many as have room on it."""
    lines: list[list[T]] = []
    used = 0.0
    for item in items:
        if not lines or used + width(item) > room:
            lines.append([])
            used = 0.0
        lines[-1].append(item)
        used += width(item)
    return lines


def _columns(bar: Bar, strings: int, room: int) -> Iterator[list[str]]:
    """One column for each beat or event: a cell for each string, then its count; to scale in time within `room`."""
    moments: dict[Fraction, dict[int, str]] = {beat: {} for beat in bar.counted}
    for event in bar.events:
        cells = moments.setdefault(event.beat, {})
        for note in event.notes:
            cells[note.string] = _written(note)
    beats = sorted(moments)
    widths = [max([len(count_text(beat)), *map(len, moments[beat].values())]) + 1 for beat in beats]
    until = [*beats, bar.first_beat + bar.length]
    lasting = [after - beat for beat, after in pairwise(until)]
    a_beat = max(ceil(wide / lasts) for wide, lasts in zip(widths, lasting, strict=True))
    if a_beat * bar.length < room:
        edges = [ceil(a_beat * (beat - bar.first_beat)) for beat in until]
        widths = [after - edge for edge, after in pairwise(edges)]
    for beat, wide in zip(beats, widths, strict=True):
        count, written = count_text(beat), moments[beat]
        rows = [f"{written.get(string, ''):-<{wide}}" for string in range(strings)]
        yield [*rows, f"{count:<{wide}}"]
