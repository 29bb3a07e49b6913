"""Writes a `Drill` as the text of a drill file: what importers and `coach new` produce.

Reading the text back gives an equal drill. Repeated bars and orders stand written out, and comments are gone: to
change a file that someone wrote, use `coach.score.edit`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby, pairwise

from coach.ground.fields import quoted, write_rows
from coach.music.drill import Drill, Event, Note, Phrase
from coach.score.beats import write_beat, write_beats
from coach.score.keys import ASSIGNMENT, BAR, DRILL, PHRASE, BarBetween, Holding, PhraseAfter, first_meter
from coach.score.order import MAX_TIMES
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_written, touch_label

_LONG = 88
_BEFORE_LAYERS = {key: BAR[key] for key in ("meter", "pickup", "ends_after", "key", "tempo")}
_AFTER_LAYERS = {key: BAR[key] for key in ("dynamics", "cue")}


def write_drill(drill: Drill, remarks: Iterable[str] = ()) -> str:
    """The drill as YAML; `remarks` become comments below the first line, one to a line."""
    version, *head = _head(drill)
    lines = [version, *(f"# {line}".rstrip() for remark in remarks for line in remark.splitlines()), *head]
    holding = Holding(first_meter(drill), drill.key)
    lines.append("phrases:")
    for before, phrase in pairwise((None, *drill.phrases)):
        if phrase is not None:
            lines += _phrase(PhraseAfter(phrase, before), drill.instrument, holding)
    if drill.order:
        lines.append("order: " + ", ".join(_runs(drill.order)))
    return "\n".join(lines) + "\n"


def _head(drill: Drill) -> list[str]:
    """The lines above the phrases."""
    lines = list(write_rows(drill, DRILL))
    if drill.assignment is not None:
        inside = [f"  {line}" for line in write_rows(drill.assignment, ASSIGNMENT)]
        lines += ["assignment:", *(inside or ["  {}"])]
    return lines


def _runs(order: Iterable[str]) -> Iterator[str]:
    """The order with `x2` for a phrase that follows itself, as often as may be written."""
    for name, same in groupby(order):
        count = len(list(same))
        while count:
            times = min(count, MAX_TIMES)
            yield f"{name} x{times}" if times > 1 else name
            count -= times


def _phrase(place: PhraseAfter, instrument: Instrument, holding: Holding) -> Iterator[str]:
    phrase = place.phrase
    first, *rest = write_rows(place, PHRASE)
    yield f"  - {first}"
    yield from (f"    {line}" for line in [*rest, "bars:"])
    for bar in phrase.bars:
        first, *rest = _bar(BarBetween(bar, holding), phrase, instrument) or ["{}"]
        yield f"      - {first}"
        yield from (f"        {line}" for line in rest)
        holding = Holding(bar.meter, bar.key, bar.stop_ratio)


def _bar(place: BarBetween, phrase: Phrase, instrument: Instrument) -> list[str]:
    lines = list(write_rows(place, _BEFORE_LAYERS))
    for layer in phrase.layers:
        events = [write_event(event, instrument) for event in place.bar.events if event.layer == layer]
        if events:
            lines += _wrapped(quoted(layer), events)
    return [*lines, *write_rows(place, _AFTER_LAYERS)]


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
