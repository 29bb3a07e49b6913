"""Writes a `Drill` as the text of a drill file: what importers and `coach new` produce.

Reading the text back gives an equal drill. Repeated bars and orders stand written out, and comments are gone: to
change a file that someone wrote, use `coach.score.edit`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from itertools import groupby

from coach.ground.fields import quoted, values_by_name, write_rows
from coach.music.drill import Assignment, Bar, Drill, Event, Note, Phrase, counted_on
from coach.score.beats import write_beat, write_beats
from coach.score.keys import ASSIGNMENT, BAR, DRILL, PHRASE
from coach.score.limits import FORMAT_VERSION, MAX_TIMES
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_written, touch_label

_LONG = 88


def write_drill(drill: Drill, remarks: Iterable[str] = ()) -> str:
    """The drill as YAML; `remarks` become comments below the first line, one to a line."""
    version, *head = _head(drill)
    lines = [version, *(f"# {line}".rstrip() for remark in remarks for line in remark.splitlines()), *head]
    lines.append("phrases:")
    for before, phrase in zip((None, *drill.phrases), drill.phrases, strict=False):
        lines += _phrase(phrase, before, drill)
    if drill.order:
        lines.append("order: " + ", ".join(_runs(drill.order)))
    return "\n".join(lines) + "\n"


def _head(drill: Drill) -> list[str]:
    """The lines above the phrases."""
    tempo, meter = drill.tempo, _first_bar(drill).meter
    beat = tempo.beat_whole if tempo.beat_whole != meter.beat_whole else None
    said = {
        "drill": FORMAT_VERSION,
        "meter": meter,
        "tempo": {"start": tempo.start_bpm, "goal": tempo.goal_bpm, "beat": beat},
        "count_in": drill.count_in_bars,
    }
    left = dict.fromkeys(("assignment", "phrases", "order"))
    lines = list(write_rows(values_by_name(drill, DRILL) | said | left, DRILL))
    if drill.assignment is not None:
        lines += assignment_lines(drill.assignment)
    return lines


def assignment_lines(task: Assignment) -> list[str]:
    """The lines of an assignment."""
    values = values_by_name(task, ASSIGNMENT) | {"goal": task.goal_bpm}
    return ["assignment:", *([f"  {line}" for line in write_rows(values, ASSIGNMENT)] or ["  {}"])]


def _first_bar(drill: Drill) -> Bar:
    return drill.phrases[0].bars[0]


def _runs(order: Iterable[str]) -> Iterator[str]:
    """The order with `x2` for a phrase that follows itself, as often as may be written."""
    for name, same in groupby(order):
        count = len(list(same))
        while count:
            times = min(count, MAX_TIMES)
            yield f"{name} x{times}" if times > 1 else name
            count -= times


def _phrase(phrase: Phrase, before: Phrase | None, drill: Drill) -> Iterator[str]:
    number = phrase.first_bar
    values = {
        "id": phrase.id,
        "name": phrase.name if phrase.name != phrase.id else None,
        "cue": phrase.cue,
        "first_bar": number if number != counted_on(before, phrase.bars[0]) else None,
    }
    first, *rest = write_rows(values, PHRASE)
    yield f"  - {first}"
    yield from (f"    {line}" for line in [*rest, "bars:"])
    start = _first_bar(drill)
    last = Bar(start.meter, Fraction(0), key=start.key)
    for bar in phrase.bars:
        first, *rest = _bar(bar, last, phrase, drill.instrument) or ["{}"]
        yield f"      - {first}"
        yield from (f"        {line}" for line in rest)
        last = bar


def _bar(bar: Bar, last: Bar, phrase: Phrase, instrument: Instrument) -> list[str]:
    """The lines of a bar: what holds since the last one is not said again."""
    ratios, length = (bar.start_ratio, bar.stop_ratio), write_beats(bar.length)
    before = {
        "meter": bar.meter if bar.meter != last.meter else None,
        "pickup": length if bar.first_beat else None,
        "ends_after": length if bar.ends_early else None,
        "key": bar.key if bar.key != last.key else None,
        "tempo": ratios if ratios != (last.stop_ratio, last.stop_ratio) else None,
    }
    lines = list(write_rows(before, {key: BAR[key] for key in before}))
    for layer in phrase.layers:
        events = [write_event(event, instrument) for event in bar.events if event.layer == layer]
        if events:
            lines += _wrapped(quoted(layer), events)
    after = {"dynamics": bar.dynamics, "cue": bar.cue}
    return [*lines, *write_rows(after, {key: BAR[key] for key in after})]


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
    text = f"{instrument.string_label(note.string)}:{written_place(note)}"
    if note.droppable:
        text += "?"
    if note.asserted:
        text += f"={note.asserted}"
    words = [
        note.fretting_finger + note.touching_finger + note.plucking_finger,
        "touch" if note.plucking_hand_touch else "",
    ]
    if shown := " ".join(word for word in words if word):
        text += f"({shown})"
    return text


def written_place(note: Note) -> str:
    """Where a note is played, as the notation has it: `3`, `<3.2>`, `5<17>`."""
    stop = "" if note.fret is None else str(note.fret)
    return f"{stop}<{written_node(note, note.node)}>" if note.node else stop


def written_node(note: Note, node: Node) -> str:
    """The position of a note that rings at a node, as its author wrote it, else its label where clear, else `k/n`."""
    if note.written and (note.asserted or _means(note.written, node, note.stop)):
        return note.written
    label = touch_label(node, note.stop)
    return label if _means(label, node, note.stop) else node.key


def _means(written: str, node: Node, fret: int) -> bool:
    try:
        return nodes_written(written, fret) == (node,)
    except ValueError:
        return False
