"""The rung: the tempo that the estimate gives an excerpt now, as a ladder that a player can follow.

The reading is the fastest b up to the goal at which

    min(1, EVENTS / m) x sum of ln p over the events  >=  ln TARGET                                     (4)

with m harmonic events, and p of the middle of the estimate without slips: up to `EVENTS` of them an excerpt is meant to
be clean three times in five (nearly every event is then), a longer one is judged by its share of clean events, as
nobody plays a long piece three times in five without any slip. In a turn the rung rises only after a clean repetition
and falls only after a failed one, by `STEP` at most.
"""

from __future__ import annotations

import math
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.skill import View
from coach.music.rhythm import MIN_BPM


class Moved(StrEnum):
    """What a repetition did to the rung."""

    HOLD = "hold"
    CLIMB = "climb"
    DROP = "drop"
    STAY = "stay"
    """Failed at the rung, which by all that was played is within reach: a slip among many events."""
    LANDED = "landed"
    HELD = "held"
    """The goal again, on a later day or once more."""


@frozen
class Step:
    """What a repetition did to the rung, to be told."""

    kind: Moved
    from_bpm: int
    to_bpm: int


TARGET = 0.6
EVENTS = 12.0
STEP = 0.15


def reading(view: View, harmonics: int, goal_bpm: int) -> int:
    """The rung by (4) in whole bpm, from the floor of 20 to the goal."""
    share = min(1.0, EVENTS / max(harmonics, 1))
    wanted = math.log(TARGET) / share
    x, low = math.log(goal_bpm), math.log(MIN_BPM)
    slopes = view.slopes()
    total, slope = view.ease(x, slopes)
    for _ in range(8):
        if total >= wanted - 1e-3 or x <= low:
            break
        # ln p is concave in ln b: from above, Newton's steps come near from the fast side without passing it.
        x = max(low, x + (wanted - total) / slope)
        total, slope = view.ease(x, slopes)
    return max(MIN_BPM, min(goal_bpm, int(math.exp(x) + 0.01)))


def next_rung(rung_bpm: int, clean: bool, read_bpm: int) -> int:
    """The rung of the next repetition in a turn: from this one's, how it went, and the reading after it."""
    if clean:
        return max(rung_bpm, min(read_bpm, max(rung_bpm + 1, round(rung_bpm * (1 + STEP)))))
    return min(rung_bpm, max(read_bpm, round(rung_bpm / (1 + STEP)), MIN_BPM))
