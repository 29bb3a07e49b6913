"""Simulated players: the protocol that any of them keeps, the runner that lets them practise, and the rival policies.

A module of players (`benchmarks/players_a.py`, `players_b.py`, anybody's) has

    KINDS: tuple[str, ...]                                    names of the kinds of player that it simulates
    make(kind: str, drills: Sequence[Drill], seed: int) -> Player     KeyError where it has no such kind

and shares no code with `coach/learning`. `make` draws the player and how hard each thing in these drills is for him.
The same kind, drills and seed give the same player, whose further luck then depends on what he is asked to play.
`benchmarks/pieces.py` invents the drills: `piece(shape, seed)` for each of its `SHAPES`, `pieces(count, seed)`.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

from coach.music.excerpt import Passage
from coach.rating.fault import Fault


class Truth(NamedTuple):
    """What is true of a player and a passage, cold, as chances from 0 to 1."""

    events: tuple[float, ...]
    """Chance that each event is clean, in the order of `passage.events` (label 1 first), bass events among them."""
    whole: float
    """Chance that the repetition is clean from its first event to its last; events need not be independent."""


class Player(Protocol):
    """Somebody who practises. Only `play` and `rest` change him."""

    def play(self, passage: Passage, tempo_bpm: int, cold: bool) -> tuple[Fault, ...]:
        """Play the passage once and learn from it; the faults as he rates them, which need not be what sounded.

        `tempo_bpm` is the drill's tempo beat. `cold` says that it is the first repetition of this excerpt on this day.
        Fatigue and warming-up are the player's own business: `passage.seconds(tempo_bpm)` says how long it lasts.
        Labels in the faults are those of `passage.events`, each at most once.
        """

    def rest(self, days: float) -> None:
        """Let so many days pass without the bass: 1 is the night to the next day. A new day begins."""

    def chance(self, passage: Passage, tempo_bpm: int, after_days: float) -> Truth:
        """The truth: played cold, first thing on the day, after so many further days without practice (0: now).

        What sounds, not how it is rated. Changes nothing, and draws nothing from the player's luck.
        """
