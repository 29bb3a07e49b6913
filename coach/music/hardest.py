"""The hardest place of a drill and why, at its goal tempo: by the node search's own costs, which only rank.

A harmonic's difficulty is what its node forgives a finger, how fast the hand has to come to it, and how far it is
from what the same hand holds down (`coach.strings.fingering`).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from coach.ground.frozen import frozen
from coach.music.drill import Drill, Note
from coach.music.excerpt import Excerpt, Passage, PlacedEvent
from coach.music.passages import passage_of
from coach.music.playability import Board, fretted_moments, moments_of, uses_fretting_hand
from coach.strings.fingering_states import MOVE_COST_PER_MM
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.plucked import PluckedString
from coach.strings.reach import FINGER_COST_MM, LEAST_CLEAR_MM, USUAL, reach_cost
from coach.strings.touch import clear_mm, finger_share

_TELLING = 0.2
"""The share of a place's difficulty from which a reason is said."""


@frozen
class Hardest:
    """A harmonic of a drill with what makes it hard, the heaviest reason first."""

    phrase: str
    bar: int
    beat: str
    """As players count: `2&`."""
    node: str
    """As the drill file writes it: `D:<3.2>`."""
    reasons: tuple[str, ...]
    is_move: bool
    """Whether the move to it is the heaviest reason."""
    cost: float


def hardest_of(drill: Drill) -> Hardest | None:
    """The hardest harmonic of a drill, the first of equals; None where it has none."""
    board = Board(drill.instrument)
    places = (
        place
        for phrase in drill.phrases
        for place in _places(drill, board, passage_of(drill, Excerpt(drill.id, (phrase.id,))))
    )
    return max(places, key=lambda place: place.cost, default=None)


def _places(drill: Drill, board: Board, passage: Passage) -> Iterator[Hardest]:
    """Every harmonic of a phrase with its difficulty."""
    hand: tuple[float, float] | None = None
    for onset, events, fretting, down in fretted_moments(moments_of(passage)):
        at_s = float(passage.tempo.seconds_at(onset, drill.goal_bpm))
        down_mm = [board.hand_mm(note) for note in down]
        for event in events:
            for note in (placed.note for placed in event.notes if placed.note.node):
                yield _place(board, passage, event, note, (down_mm, hand, at_s))
        if fretting:
            hand = (sum(board.hand_mm(note) for note in fretting) / len(fretting), at_s)


def _place(
    board: Board,
    passage: Passage,
    event: PlacedEvent,
    note: Note,
    hands: tuple[list[float], tuple[float, float] | None, float],
) -> Hardest:
    down_mm, before, at_s = hands
    forgives_mm = _forgives_mm(board.instrument, note.string, note.node, note.stop) if note.node else 0.0
    reasons = [(FINGER_COST_MM / max(forgives_mm, LEAST_CLEAR_MM), f"its node forgives {forgives_mm:.1f} mm")]
    move = ""
    if uses_fretting_hand(note):
        place_mm = board.hand_mm(note)
        span_mm = max((abs(place_mm - other) for other in down_mm), default=0.0)
        reasons.append((reach_cost(span_mm, USUAL.reach_mm), f"the hand spans {span_mm:.0f} mm"))
        if before is not None:
            move_mm, time_s = abs(place_mm - before[0]), at_s - before[1]
            speed = move_mm / time_s
            cost = MOVE_COST_PER_MM * move_mm + (speed / USUAL.hand_speed_mm_s) ** 2
            move = f"the hand moves {move_mm:.0f} mm in {time_s:.1f} s"
            reasons.append((cost, move))
    total = sum(cost for cost, _ in reasons)
    heaviest = tuple(text for cost, text in sorted(reasons, reverse=True) if cost >= _TELLING * total)
    bar = passage.bars[event.bar]
    is_move = heaviest[0] == move
    return Hardest(bar.phrase, bar.number, event.count, board.name(note), heaviest, is_move, total)


@lru_cache(512)
def _forgives_mm(instrument: Instrument, string: int, node: Node, stop: int) -> float:
    """By how much a finger may miss a node."""
    plucked = PluckedString.of(instrument, string)
    plucked = plucked.stopped(stop) if stop else plucked
    return clear_mm(plucked, node, finger_share(None, plucked.length_mm))
