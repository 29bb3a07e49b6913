"""Drills for the sets: held low notes with natural harmonics over them, drawn by seed, written as drill files."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from benchmarks.sounds.instruments import Model
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.score.load import read_drill

_NODES = ("12", "7", "7", "5", "5", "4", "9", "3.2")
_RHYTHMS = ("1 3", "1 2 3 4", "1 2& 4", "1 2 3", "2 3 4", "1 1& 3 3&", "1 2& 3& 4", "2& 4")
PHRASES = ("first", "second")


@dataclass(frozen=True, slots=True)
class Wanted:
    """A note of the drill: `string` from the lowest, 0; a fret, or a node's partial and place from the nut."""

    string: int
    fret: int | None
    partial: int
    place: float
    hz: float


@dataclass(frozen=True, slots=True)
class WantedEvent:
    """An event of a phrase, with the label that the drill's reader gives it; beats in quarters from beat 1."""

    label: int
    layer: str
    beat: float
    hold: float
    notes: tuple[Wanted, ...]


def drill_text(model: Model, random: np.random.RandomState, bars: int = 5) -> str:
    """A drill of two phrases for the instrument, as the text of a drill file."""
    strings = ", ".join(reversed(model.notes))
    lines = [
        "drill: 1",
        f"title: Yardstick {model.name}",
        f"instrument: {{strings: [{strings}], scale_mm: {model.length_mm:g}}}",
        "meter: 4/4",
        "tempo: {start: 50, goal: 140}",
        "phrases:",
    ]
    for name in PHRASES:
        lines += [f"  - name: {name}", "    bars:"]
        for _ in range(bars):
            lines += _bar(len(model.notes), random)
    return "\n".join(lines) + "\n"


def _bar(strings: int, random: np.random.RandomState) -> list[str]:
    # Numbers count from the highest string; the bass has the two lowest.
    low = strings - random.randint(2)
    fret = (0, 0, 0, 2, 3, 5)[random.randint(6)]
    events = []
    for beat in _RHYTHMS[random.randint(len(_RHYTHMS))].split():
        node = _NODES[random.randint(len(_NODES))]
        highs = [number for number in range(1, min(strings, 5)) if number != low]
        high = highs[random.randint(len(highs))]
        second = f"+{high + 1}:<{node}>" if high + 1 in highs and random.uniform() < 0.12 else ""
        events.append(f"{beat} {high}:<{node}>{second}")
    return [f"      - bass: 1 {low}:{fret} for 4", f"        harmonics: {', '.join(events)}"]


def wanted_events(text: str, phrase: str) -> tuple[WantedEvent, ...]:
    """What a phrase asks for, all layers together; ValueError where the text is no drill."""
    drill, problems = read_drill(text, "the yardstick's drill")
    if drill is None:
        raise ValueError("; ".join(str(problem) for problem in problems))
    passage = passage_of(drill, Excerpt(drill.id, (phrase,)))
    lowest = len(drill.instrument.strings) - 1
    events = []
    for event in passage.events:
        notes = tuple(
            Wanted(
                lowest - placed.note.string,
                placed.note.fret,
                placed.note.node.partial if placed.note.node else 1,
                float(placed.note.node.fraction) if placed.note.node else 0.0,
                placed.sounding_hz,
            )
            for placed in event.notes
        )
        events.append(WantedEvent(event.label, event.layer, float(event.onset), float(event.hold), notes))
    return tuple(events)


def length_beats(events: tuple[WantedEvent, ...]) -> float:
    """When the last event's hold is over, in beats."""
    return float(max(Fraction(event.beat + event.hold) for event in events))
