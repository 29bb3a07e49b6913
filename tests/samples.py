"""Small invented drills built in code, for tests that are not about the file format."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

from coach.learning.choice import BEGUN_A_DAY, Sitting
from coach.learning.learning import Learnt
from coach.learning.material import material_of
from coach.learning.planner import sitting_of
from coach.music.drill import TOGETHER, Bar, Drill, Event, Note, Phrase, Tempo
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import Meter
from coach.strings.instrument import Instrument, OpenString
from coach.strings.node import Node

BASS = Instrument(
    (OpenString(43, "G2"), OpenString(38, "D2"), OpenString(33, "A1"), OpenString(28, "E1")), 864.0
)
FOUR_FOUR = Meter.of(4, 4)


def harmonic(string: int, node: str, droppable: bool = False) -> Note:
    return Note(string, node=Node.parse(node), droppable=droppable)


def event(layer: str, beat: str, hold: str, *notes: Note) -> Event:
    return Event(layer, Fraction(beat), Fraction(hold), notes)


def two_bar_phrase(phrase_id: str = "lamp") -> Phrase:
    """Bass E open under bar 1, stopped G under bar 2; four harmonics, then three."""
    first = (
        event("bass", "0", "4", Note(3, fret=0)),
        event("harmonics", "0", "3/2", harmonic(0, "1/3"), harmonic(1, "1/3", droppable=True)),
        event("harmonics", "3/2", "1", harmonic(0, "1/4")),
        event("harmonics", "5/2", "1/2", harmonic(1, "1/6")),
        event("harmonics", "3", "1", harmonic(0, "1/5", droppable=True)),
    )
    second = (
        event("bass", "0", "4", Note(3, fret=3)),
        event("harmonics", "0", "1", harmonic(1, "1/4")),
        event("harmonics", "1", "1", harmonic(1, "1/5")),
        event("harmonics", "2", "2", harmonic(1, "1/6")),
    )
    bars = (Bar(FOUR_FOUR, Fraction(4), first), Bar(FOUR_FOUR, Fraction(4), second))
    return Phrase(phrase_id, phrase_id.title(), bars, ("bass", "harmonics"))


def one_bar_phrase(phrase_id: str = "wick") -> Phrase:
    events = (
        event("bass", "0", "4", Note(2, fret=0)),
        event("harmonics", "0", "2", harmonic(0, "1/2")),
        event("harmonics", "2", "2", harmonic(1, "1/2")),
    )
    return Phrase(phrase_id, phrase_id.title(), (Bar(FOUR_FOUR, Fraction(4), events),), ("bass", "harmonics"))


def sample_drill(start_bpm: int = 50, goal_bpm: int = 80) -> Drill:
    phrases = (two_bar_phrase(), one_bar_phrase())
    return Drill("lamps", "Lamps", BASS, Tempo(start_bpm, goal_bpm), phrases)


def with_title(drill: Drill, title: str) -> Drill:
    return replace(drill, title=title)


def joins_of(drill: Drill, layer: str = TOGETHER) -> tuple[Excerpt, ...]:
    """The joins of phrases that follow each other in the piece, once each."""
    order = drill.order or tuple(phrase.id for phrase in drill.phrases)
    pairs = dict.fromkeys(itertools.pairwise(order))
    return tuple(Excerpt(drill.id, pair, layer, Kind.JOIN) for pair in pairs)


def sitting_on(day: int, seconds: float = 1200, **changes: Any) -> Sitting:
    """The start of a session on a day (its ordinal) without practice or assignments, but for what `changes`."""
    start = sitting_of(Learnt(), material_of([]), date.fromordinal(day), seconds, BEGUN_A_DAY)
    return replace(start, **changes)
