"""Today's plan: what to practise, in which order, at which tempo, and why.

Values only; `planner.py` makes them, a session carries them out, the screens and commands print them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.choice import BEGUN_A_DAY
from coach.music.excerpt import Excerpt


class Purpose(StrEnum):
    """Why an item stands in the plan; the value is logged with each of its reps, and the word that players see."""

    TUNE = "tune"
    WARM_UP = "warm-up"
    COLD = "cold"
    BEGIN = "begin"
    CLIMB = "climb"
    AT_GOAL = "at goal"
    PIECE = "piece"
    BREAK = "break"


@frozen
class PlanItem:
    """One turn: an excerpt (None for tuning and a break), about so long, for a reason told in a sentence."""

    purpose: Purpose
    minutes: float
    reason: str
    excerpt: Excerpt | None = None
    reps: int = 0
    """Repetitions meant; a turn ends at the latest after them. 1 for a cold rep."""
    tempo_bpm: int = 0
    """Where the turn starts: the goal for a cold rep, slow for a warm-up, else the rung."""


def told_once(items: Sequence[PlanItem]) -> list[str]:
    """Each item's reason as a list of them tells it: empty where the same sentence stands above."""
    return [
        "" if any(before.reason == item.reason for before in items[:at]) else item.reason
        for at, item in enumerate(items)
    ]


@frozen
class Plan:
    """An ordered plan for one practice day."""

    day: date
    minutes: float
    items: tuple[PlanItem, ...]
    notes: tuple[str, ...] = ()
    """What the player should know: nothing more is needed today, today is far above the week's habit, ..."""
    drills: frozenset[str] = frozenset()
    """Ids of the drills that it was made over."""
    begun_a_day: int = BEGUN_A_DAY
    """How many phrases the day may begin."""
    chosen: bool = True
    """Whether a session may choose anew what follows; not where the player changed the plan."""
