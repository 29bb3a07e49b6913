"""The choice of the next turn: the greatest gain, for each second it takes, towards the piece clean, cold, in a week.

    worth = q(P) sum w V (p + .3 (1 - p)) / (1 + (n + 1.5) / MASSED)
            / (seconds of a repetition and its share of a turn) (5)

The sum is over the excerpt's events. V = SLOPE (1 - p_goal) is how steeply an event's ln chance at the goal, cold,
`AHEAD` days on, rises with what is learnt, so that the sum is the gradient of ln P(piece); p is its chance at the
rung, n how often the excerpt was played today. What is safe at the goal (w) counts a tenth. q says what a
repetition of chance P teaches: most where it is clean as often as the rung is meant for. Gain per unit of time:
Pavlik and Anderson 2008, J. Exp. Psychol. Appl. 14(2):101-117; Eglington and Pavlik 2020, npj Sci. Learn. 5:15
(both of verbal memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from coach.learning.learning import Learnt, Record
from coach.learning.material import TURN_S, Material, Part
from coach.learning.rung import EVENTS, TARGET, reading
from coach.learning.skill import MASSED, SLOPE, view
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt

AHEAD = 7
"""Days ahead at which the piece is meant to be clean, cold."""
REPS = 6
"""Repetitions of a turn."""
SAFE, SAFE_WEIGHT = 0.95, 0.1
FAILED_WEIGHT = 0.3
"""What a failed event teaches against a clean one."""
NEVER_HEARD = Record()


@dataclass(frozen=True, slots=True)
class Option:
    """One turn that could be next."""

    part: Part
    bpm: int
    worth: float
    """Gain a second."""
    now: float
    """Chance that a repetition at the rung is clean."""
    later: float
    """Chance of the whole at the goal, cold, in a week, slips left out."""


def option(learnt: Learnt, part: Part, day: int, reps: int = REPS) -> Option:
    """What a turn on this excerpt would be today."""
    skill = learnt.skill(part.excerpt.drill, part.goal_bpm)
    rows = skill.rows(part.keys)
    record = learnt.records.get(part.key, NEVER_HEARD)
    now = view(rows, skill.level, learnt.habits, day, cold=False)
    bpm = reading(now, part.harmonics, part.goal_bpm)
    if not record.reps:
        bpm = max(bpm, part.start_bpm)
    share = min(1.0, EVENTS / max(part.harmonics, 1))
    here = now.chances(math.log(bpm))
    there = view(rows, skill.level, learnt.habits, day + AHEAD).chances(math.log(part.goal_bpm))
    gain, clean, later = 0.0, 0.0, 0.0
    for p, goal in zip(here, there, strict=True):
        weight = SAFE_WEIGHT if goal > SAFE and record.reps else 1.0
        gain += weight * SLOPE * (1.0 - goal) * (p + FAILED_WEIGHT * (1.0 - p))
        clean += math.log(max(p, 1e-9))
        later += math.log(max(goal, 1e-9))
    now_p = math.exp(share * clean)
    q = 0.05 + math.exp(-(((now_p - TARGET) / 0.3) ** 2))
    today = record.today if record.day == day else 0
    cost = part.rep_s(bpm) + TURN_S / reps
    worth = q * gain / (1.0 + (today + 1.5) / MASSED) / cost
    return Option(part, bpm, worth, now_p, math.exp(later))


def options(learnt: Learnt, material: Material, day: int, drills: tuple[Drill, ...] = ()) -> list[Option]:
    """Every phrase of the drills, whole, and each piece."""
    found = []
    for drill in drills or material.drills:
        for excerpt in material.phrases(drill):
            part = material.part(excerpt)
            if part:
                found.append(option(learnt, part, day))
        piece = material.piece(drill)
        part = material.part(piece) if piece else None
        if part and all(each.key in learnt.records for each in material.phrases(drill)):
            found.append(option(learnt, part, day, 1))
    return found


def best(found: list[Option], last: Excerpt | None) -> Option | None:
    """The option worth most, not the last turn's where there is another."""
    others = [each for each in found if each.part.excerpt != last] or found
    return max(others, key=lambda each: (each.worth, each.part.key), default=None)
