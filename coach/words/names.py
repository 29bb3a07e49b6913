"""What players call an excerpt, a node, a move, an assignment.

Conventions: an open string is named by its note with its octave (`D2`), which is unambiguous in any tuning. A node is
written as tab writes it, as a fret position. Names are plain text (`coach.ground.plain.plain_text`) on one line.
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache

from coach.ground.plain import counted, plain_text
from coach.music.drill import Assignment, Drill
from coach.music.excerpt import Excerpt, Kind, PlacedEvent
from coach.strings.instrument import Instrument
from coach.strings.node import Node, touch_label
from coach.strings.tuning import Pair
from coach.words.amounts import short_day, tempo

_NODE = re.compile(r"(?P<string>[^|+>@]+)(?:@(?P<stop>\d{1,2}))?\|(?P<fraction>\d+/\d+)(?P<next>[+>]|$)")
_NEXT = {"+": " with ", ">": " to ", "": ""}
"""At once with the next node; the hand moves on to it; the last one."""


@lru_cache(2000)
def place_name(key: str) -> str:
    """A node, a place or a move from its key: `3.2 on D2`, `7 on G2 with 7 on D2`, `5<17> on A1 to 3.2 on D2`.

    The key's nodes are written as `Instrument.node_key` writes them, joined by `+` where they sound at once and by
    `>` where the hand moves. A key that is none of this is shown as it is.
    """
    try:
        parts = [
            f"{_touched(node['fraction'], node['stop'])} on {node['string']}{_NEXT[node['next']]}"
            for node in _NODE.finditer(key)
        ]
    except ValueError:
        parts = []
    return plain_text("".join(parts) or key)


def _touched(fraction: str, stop: str | None) -> str:
    label = touch_label(Node.parse(fraction), int(stop or 0))
    return f"{stop}<{label}>" if stop else label


def touch_name(instrument: Instrument, string: int, node: Node | None) -> str:
    """Where a finger touches a string of an instrument at hand, as tab writes it: `D<3.2>`; `D open` without a node."""
    label = instrument.string_label(string)
    return f"{label}<{node.label}>" if node else f"{label} open"


def pair_name(instrument: Instrument, pair: Pair) -> str:
    """The two touches that are tuned against each other: `E<5> with A<7>`."""
    low = touch_name(instrument, pair.low_string, pair.low_node)
    return f"{low} with {touch_name(instrument, pair.high_string, pair.high_node)}"


def instrument_name(instrument: Instrument) -> str:
    """An instrument by its name, else by its strings and scale: `4 strings, 864 mm`."""
    return plain_text(instrument.name) or f"{len(instrument.strings)} strings, {instrument.scale_mm:g} mm"


def placed_text(instrument: Instrument, event: PlacedEvent) -> str:
    """An event as the drill file writes it, by its strings' names: `G:<7>+D:<12>`."""
    notes = [placed.note for placed in event.notes]
    return "+".join(f"{instrument.string_label(note.string)}:{note.position_text}" for note in notes)


def size_text(drill: Drill) -> str:
    """How long a drill is: `2 phrases, 8 bars`."""
    bars = sum(len(phrase.bars) for phrase in drill.phrases)
    return f"{counted(len(drill.phrases), 'phrase')}, {counted(bars, 'bar')}"


def tuning_name(instrument: Instrument) -> str:
    """Its open strings, its scale or both ends of a fan, and its capo: `G2 D2 A1 E1, 838 to 876 mm, capo 2`."""
    ends_mm = sorted({min(instrument.scales_mm), max(instrument.scales_mm)})
    ends = " to ".join(f"{round(mm, 1):g}" for mm in ends_mm)
    capo = f", capo {instrument.capo}" if instrument.capo else ""
    return f"{' '.join(string.name for string in instrument.strings)}, {ends} mm{capo}"


def excerpt_name(excerpt: Excerpt, title: str) -> str:
    """What one repetition covers: `Ladle, harmonics`, `first half of Ladle, bass`, `3.2 on D2 in Ladle, harmonics`.

    `title` is that of the excerpt's passage: the phrases' names, the drill's for the whole piece.
    """
    easier = ", easier version" if excerpt.easier else ""
    return f"{covered_name(excerpt, plain_text(title))}, {plain_text(excerpt.layer)}{easier}"


def covered_name(excerpt: Excerpt, title: str) -> str:
    """The same without the layer: `first half of Ladle`."""
    match excerpt.kind:
        case Kind.NODE | Kind.MOVE:
            return f"{place_name(excerpt.subject)} in {title}"
        case Kind.HALF:
            return f"{'first' if excerpt.subject == '1' else 'second'} half of {title}"
        case Kind.JOIN if len(set(excerpt.phrases)) == 1:
            return f"{title} from its end back to its start"
        case Kind.JOIN:
            return f"join of {title}"
        case Kind.PIECE:
            return f"{title} from start to end"
        case Kind.SECTION | Kind.PHRASE:
            return title


def logged_name(key: str, title: str) -> str:
    """An excerpt's name from its key, as the log keeps it; the key itself where it can't be read.

    Without a title the phrases' ids stand in for it.
    """
    try:
        excerpt = Excerpt.parse(key)
    except ValueError:
        return plain_text(key)
    return excerpt_name(excerpt, title or " + ".join(dict.fromkeys(excerpt.phrases)))


def goal_text(drill: Drill, today: date) -> str:
    """`goal 64 bpm by 20 Dec`: what an assignment asks for; empty without one."""
    if drill.assignment is None:
        return ""
    by = by_day(drill.assignment, today)
    if not drill.assignment.parts:
        return f"goal {tempo(drill.goal_bpm)}{by}"
    names = {phrase.id: phrase.name for phrase in drill.phrases}
    parts = (
        f"{plain_text(names.get(part.name, part.name))} at {tempo(part.goal_bpm or drill.goal_bpm)}"
        for part in drill.assignment.parts
    )
    return f"only {', '.join(parts)}{by}"


def by_day(assignment: Assignment, today: date) -> str:
    """` by 20 Dec`, to go on with; empty without a due date."""
    return f" by {short_day(assignment.due, today)}" if assignment.due else ""


def capital(text: str) -> str:
    """The text with its first letter large, to begin a sentence; the others stay as they are."""
    return text[:1].upper() + text[1:]


def assignment_text(drill: Drill, today: date) -> str:
    """`assigned by Ana: goal 64 bpm by 20 Dec`; empty where nothing is assigned."""
    if drill.assignment is None:
        return ""
    by = f" by {plain_text(drill.assignment.teacher)}" if drill.assignment.teacher else ""
    return f"assigned{by}: {goal_text(drill, today)}"


def teachers_note(drill: Drill) -> str:
    """What the teacher wrote with the assignment; empty where nothing."""
    return plain_text(drill.assignment.note) if drill.assignment else ""
