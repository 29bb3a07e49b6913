"""Today's plan: what to practise, in which order, at which tempo, and why.

Values only; `planner.py` makes them, `session.py` carries them out, the screens and commands print them.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from coach.music.excerpt import Excerpt


class Purpose(StrEnum):
    """Why an item stands in the plan; the value is logged with each of its reps, and the word that players see."""

    TUNE = "tune"
    WARM_UP = "warm-up"
    COLD = "cold"
    WEAK = "weak"
    NEW = "new"
    BUILD = "climb"
    """Work on a phrase and layer at its ladder's rung: bass, harmonics, together."""
    BREAK = "break"
    PIECE = "piece"


@dataclass(frozen=True, slots=True)
class PlanItem:
    """One turn: an excerpt (None for tuning and a break), about so long, for a reason told in a sentence."""

    purpose: Purpose
    minutes: float
    reason: str
    excerpt: Excerpt | None = None
    reps: int = 0
    """Repetitions meant; a turn ends at the latest after them. 1 for a cold rep."""
    tempo_bpm: int = 0
    """Where the turn starts: the reference rung for a cold rep, else the ladder's rung today."""
    due: date | None = None
    probe_bpm: int = 0
    """A faster tempo for the first repetition: clean, it lifts the rung there; failed, it moves nothing. 0 for none."""


@dataclass(frozen=True, slots=True)
class Plan:
    """An ordered plan for one practice day."""

    day: date
    minutes: float
    items: tuple[PlanItem, ...]
    notes: tuple[str, ...] = ()
    """What the player should know: more is due than fits, today is far above the week's habit, ..."""
    left_over: tuple[PlanItem, ...] = ()
    """Due today, but the minutes don't reach; `due` says by when each comes at the latest."""
