"""Writes a `Drill` as the text of a drill file: what importers and `coach new` produce.

Reading the text back gives an equal drill. Repeated bars and orders stand written out, and comments are gone: to
change a file that someone wrote, use `coach.score.edit`.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import groupby

from coach.ground.plain import json_text
from coach.music.drill import Assignment, Bar, ClickPattern, Drill, Event, Note, Phrase
from coach.music.rhythm import Meter
from coach.score.beats import write_beat, write_beats
from coach.strings.instrument import Instrument, Node, nodes_at_label
from coach.strings.units import note_name

_PLAIN = re.compile(r"[^\W\d_](?:[\w .,'()/%!+&;-]*[\w.)!%])?")
_SPECIAL = {"yes", "no", "on", "off", "true", "false", "null", "y", "n", "nan", "inf"}
_LONG = 88


def write_drill(drill: Drill, remarks: Iterable[str] = ()) -> str:
    """The drill as YAML; `remarks` become comments below the first line, one to a line."""
    lines = ["drill: 1", *(f"# {line}".rstrip() for remark in remarks for line in remark.splitlines())]
    lines += [f"id: {drill.id}", f"title: {quoted(drill.title)}"]
    if drill.composer:
        lines.append(f"composer: {quoted(drill.composer)}")
    if drill.about:
        lines.append(f"about: {quoted(drill.about)}")
    if drill.tags:
        lines.append(f"tags: [{', '.join(quoted(tag, inside=True) for tag in drill.tags)}]")
    meter = drill.phrases[0].bars[0].meter
    lines += [f"instrument: {write_instrument(drill.instrument)}", f"meter: {meter}"]
    beat = (
        "" if drill.tempo.beat_whole == meter.beat_whole else f", beat: {write_value(drill.tempo.beat_whole)}"
    )
    lines.append(f"tempo: {{start: {drill.tempo.start_bpm}, goal: {drill.tempo.goal_bpm}{beat}}}")
    if drill.click != ClickPattern():
        lines.append(f"click: {_click(drill.click)}")
    if drill.count_in_bars != 1:
        lines.append(f"count_in: {drill.count_in_bars}")
    if drill.assignment is not None:
        lines += ["assignment:", *_assignment(drill.assignment)]
    lines.append("phrases:")
    for phrase in drill.phrases:
        lines += _phrase(phrase, drill.instrument, meter)
    if drill.order:
        runs = [(name, len(list(same))) for name, same in groupby(drill.order)]
        lines.append("order: " + ", ".join(f"{name} x{count}" if count > 1 else name for name, count in runs))
    return "\n".join(lines) + "\n"


def quoted(text: str, inside: bool = False) -> str:
    """A text as a YAML scalar, in double quotes where a plain one could be misread."""
    plain = _PLAIN.fullmatch(text) and text.lower() not in _SPECIAL
    if plain and not (inside and "," in text):
        return text
    return json_text(text)


def write_value(value: Fraction) -> str:
    """A note value as a part of a whole note: `1/4`; whole numbers as `1/1`."""
    return f"{value.numerator}/{value.denominator}"


def write_instrument(instrument: Instrument) -> str:
    """The instrument as a block in braces."""
    parts = [
        f"strings: [{', '.join(string.name for string in instrument.strings)}]",
        f"scale_mm: {_number(instrument.scale_mm)}",
    ]
    if instrument.name:
        parts.append(f"name: {instrument.name}")
    if instrument.a4_hz != 440.0:
        parts.append(f"a4_hz: {_number(instrument.a4_hz)}")
    stiffness = [string.stiffness_b for string in instrument.strings]
    if any(stiffness):
        one = len(set(stiffness)) == 1
        shown = _number(stiffness[0]) if one else f"[{', '.join(map(_number, stiffness))}]"
        parts.append(f"stiffness: {shown}")
    return "{" + ", ".join(parts) + "}"


def _number(value: float) -> str:
    return str(int(value)) if value == int(value) else repr(value)


def _click(click: ClickPattern) -> str:
    parts = []
    if click.subdivision != 1:
        parts.append(f"subdivision: {click.subdivision}")
    if click.placing != "beat":
        parts.append(f"placing: {'offbeat' if click.placing == 'off' else click.placing}")
    if click.silent_bars:
        parts.append(f"silent: {click.silent_bars} of {click.silent_every}")
    if not click.accent:
        parts.append("accent: no")
    return "{" + ", ".join(parts) + "}"


def _assignment(assignment: Assignment) -> Iterator[str]:
    for name in ("student", "teacher"):
        if text := getattr(assignment, name):
            yield f"  {name}: {quoted(text)}"
    if assignment.goal_bpm:
        yield f"  goal: {assignment.goal_bpm}"
    if assignment.due:
        yield f"  due: {assignment.due.isoformat()}"
    for name in ("note", "id"):
        if text := getattr(assignment, name):
            yield f"  {name}: {quoted(text)}"
    if assignment == Assignment():
        yield "  {}"


def _phrase(phrase: Phrase, instrument: Instrument, meter: Meter) -> Iterator[str]:
    yield f"  - id: {phrase.id}"
    if phrase.name != phrase.id:
        yield f"    name: {quoted(phrase.name)}"
    if phrase.cue:
        yield f"    cue: {quoted(phrase.cue)}"
    yield "    bars:"
    ratio = Fraction(1)
    for bar in phrase.bars:
        first = "      - "
        for line in _bar(bar, phrase, instrument, meter, ratio):
            yield first + line
            first = "        "
        meter, ratio = bar.meter, bar.stop_ratio


def _bar(bar: Bar, phrase: Phrase, instrument: Instrument, meter: Meter, ratio: Fraction) -> list[str]:
    lines = []
    if bar.meter != meter:
        lines.append(f"meter: {bar.meter}")
    if bar.length != bar.meter.beats:
        lines.append(f"pickup: {write_beats(bar.length)}")
    if (bar.start_ratio, bar.stop_ratio) != (ratio, ratio):
        start, stop = (_percent(value) for value in (bar.start_ratio, bar.stop_ratio))
        lines.append(f"tempo: {start}" if start == stop else f"tempo: {start} to {stop}")
    for layer in phrase.layers:
        events = [write_event(event, instrument) for event in bar.events if event.layer == layer]
        if events:
            lines += _wrapped(quoted(layer), events)
    if bar.dynamics:
        lines.append(f"dynamics: {quoted(bar.dynamics)}")
    if bar.cue:
        lines.append(f"cue: {quoted(bar.cue)}")
    return lines or ["{}"]


def _percent(ratio: Fraction) -> str:
    return f"{float(round(ratio * 100, 3)):g}%"


def _wrapped(layer: str, events: list[str]) -> Iterator[str]:
    line = f"{layer}:"
    for index, event in enumerate(events):
        piece = event + ("," if index < len(events) - 1 else "")
        if len(line) + len(piece) > _LONG and index:
            yield line
            line = "   "
        line += f" {piece}"
    yield line


def write_event(event: Event, instrument: Instrument) -> str:
    """An event as the notation has it: `2& G:<7>?+D:<7> for 2 damp`."""
    text = f"{write_beat(event.beat)} {'+'.join(write_note(note, instrument) for note in event.notes)}"
    if event.hold_written:
        text += f" for {write_beats(event.hold)}"
    endings = {note.ending for note in event.notes}
    return f"{text} {endings.pop()}" if endings != {""} and len(endings) == 1 else text


def write_note(note: Note, instrument: Instrument) -> str:
    """A note as the notation has it: `G:<7>?=D4(2i)`."""
    place = f"<{written_node(note)}>" if note.node else str(note.fret)
    text = f"{instrument.string_label(note.string)}:{place}"
    if note.droppable:
        text += "?"
    if note.asserted_midi is not None:
        text += f"={note_name(note.asserted_midi)}"
    words = [note.fretting_finger + note.plucking_finger, "touch" if note.plucking_hand_touch else ""]
    if shown := " ".join(word for word in words if word):
        text += f"({shown})"
    return text


def written_node(note: Note) -> str:
    """A harmonic's position as its author wrote it, else its label where that is clear, else `k/n`."""
    assert note.node is not None
    if note.written and (note.asserted_midi is not None or _means(note.written, note.node)):
        return note.written
    return note.node.label if _means(note.node.label, note.node) else note.node.key


def _means(written: str, node: Node) -> bool:
    if "/" in written:
        return written == node.key
    try:
        return nodes_at_label(written) == (node,)
    except ValueError:
        return False
