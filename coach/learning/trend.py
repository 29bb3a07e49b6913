"""How a drill's tempos moved over the recent days of practice: what the forecast holds its learning speed against.

Conventions: changes are differences of natural logarithms of bpm for each *practised day*, a day on which the drill was
played; days without it count nothing. Input is the excerpts' evidence.

Change of the clean tempo: one slope b for all excerpts of the drill. An excerpt's clean tempo on its day d is
c exp(b d), each c with the prior of `tempo_estimate.py`, P(clean) by its model with slope 8 and a lapse of `LAPSE`,
since one slip of any event fails the repetition. b is summed over a grid, flat from -0.5 to 0.5, c summed out. The
results of one day resemble each other, since hands have better and worse days: a deviation of `DAY_DEVIATION` for a
day adds `DAY_DEVIATION`^2 / sum (d - mean d)^2 to the variance of b (the variance of a least-squares slope), which no
number of repetitions or excerpts takes away.

Fall of the rungs: the middle tempo that each excerpt was played at, on the last of the days against the first,
weighted by repetitions. Rungs may fall because they began too high, with hands as good as before: both are told.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from coach.learning.evidence import DayEvidence
from coach.learning.tempo_estimate import LOGIT, PRIOR_DEVIATION, PRIOR_PART_OF_GOAL, SLOPE

RECENT_DAYS = 28
MOST_DAYS = 10
"""Practised days that are looked at, of the last `RECENT_DAYS`."""
FALL_DAYS = 3
"""Practised days over which rungs are compared."""
FELL = -0.04
"""Log-change of the rungs from which they fell: a new day opens one step, 4 to 5 %, under the last."""
SURELY = 0.8
LAPSE = 0.1
DAY_DEVIATION = 0.1
"""How much better or worse a day is, in log-tempo. Our choice, uncalibrated."""
SLOPE_LIMIT, SLOPE_POINTS = 0.5, 51
LEVEL_POINTS = 49


@dataclass(frozen=True, slots=True)
class Trend:
    """How a drill's tempos moved of late."""

    days: int
    """Practised days looked at."""
    change: float | None
    """Log-change of the clean tempo for each practised day; None where no excerpt was rated on two days."""
    deviation: float
    """Standard deviation of `change`."""
    rungs: float | None
    """Log-change of the rungs over the last `FALL_DAYS` practised days; None where no excerpt was played on two."""

    @property
    def rungs_fell(self) -> bool:
        return self.rungs is not None and self.rungs < FELL

    @property
    def fell(self) -> bool:
        """Whether the clean tempo itself fell, four chances in five."""
        if self.change is None:
            return False
        return 0.5 * math.erfc(self.change / self.deviation / math.sqrt(2)) >= SURELY

    @property
    def fall_days(self) -> int:
        return min(self.days, FALL_DAYS)


NOTHING = Trend(0, None, 0.0, None)


def trend_of(evidence: Iterable[DayEvidence], today: date) -> Trend:
    """The trend of one drill's excerpts up to today; rows of other days, and unrated ones, are left out."""
    rows = [row for row in evidence if row.tallies and today - timedelta(days=RECENT_DAYS) < row.day <= today]
    days = sorted({row.day for row in rows})[-MOST_DAYS:]
    number = {day: index for index, day in enumerate(days)}
    by_key: dict[str, list[tuple[int, DayEvidence]]] = defaultdict(list)
    for row in sorted(rows, key=lambda row: (row.key, row.day)):
        if row.day in number:
            by_key[row.key].append((number[row.day], row))
    several = [found for found in by_key.values() if len(found) > 1]
    change, deviation = _slope(several) if several else (None, 0.0)
    return Trend(len(days), change, deviation, _rungs(several, len(days) - FALL_DAYS))


def _rungs(several: Sequence[Sequence[tuple[int, DayEvidence]]], since: int) -> float | None:
    total = weight = 0.0
    for found in several:
        last = [row for number, row in found if number >= since]
        if len(last) > 1:
            reps = min(last[0].clean + last[0].failed, last[-1].clean + last[-1].failed)
            total += reps * math.log(_middle_bpm(last[-1]) / _middle_bpm(last[0]))
            weight += reps
    return total / weight if weight else None


def _middle_bpm(row: DayEvidence) -> int:
    """The median of the day's tempos: tries and cold repetitions at other tempos don't move it."""
    played = [bpm for bpm, _, clean, failed in row.tallies for _ in range(clean + failed)]
    return sorted(played)[len(played) // 2]


def _slope(several: Sequence[Sequence[tuple[int, DayEvidence]]]) -> tuple[float, float]:
    """Mean and standard deviation of the slope that the excerpts share."""
    import numpy as np

    slopes = np.linspace(-SLOPE_LIMIT, SLOPE_LIMIT, SLOPE_POINTS)
    score = np.zeros(SLOPE_POINTS)
    spread = 0.0
    for found in several:
        middle = sum(number for number, _ in found) / len(found)
        goal = found[-1][1].tallies[-1][1]
        centre = math.log(PRIOR_PART_OF_GOAL * goal)
        levels = centre + PRIOR_DEVIATION * np.linspace(-4, 3, LEVEL_POINTS)
        scores = np.broadcast_to(
            -0.5 * ((levels - centre) / PRIOR_DEVIATION) ** 2, (SLOPE_POINTS, LEVEL_POINTS)
        ).copy()
        for number, row in found:
            at = levels[None, :] + slopes[:, None] * (number - middle)
            for bpm, _, clean, failed in row.tallies:
                chance = (1 - LAPSE) / (1 + np.exp(SLOPE * (math.log(bpm) - at) - LOGIT))
                scores += clean * np.log(chance) + failed * np.log1p(-chance)
        top = scores.max()
        score += top + np.log(np.exp(scores - top).sum(axis=1))
        spread = max(spread, sum((number - middle) ** 2 for number, _ in found))
    weights = np.exp(score - score.max())
    weights /= weights.sum()
    mean = float(weights @ slopes)
    variance = float(weights @ (slopes - mean) ** 2) + DAY_DEVIATION**2 / spread
    return mean, math.sqrt(variance)
