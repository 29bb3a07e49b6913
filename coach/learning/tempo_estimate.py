"""Clean tempo: the tempo at which a result is clean with probability 0.8, with an interval.

Model: P(clean at v bpm) = (1 - lapse) x sigmoid(k - slope x (ln v - ln c)), with clean tempo c and slope unknown, and k
such that it is 0.8 at c. The lapse of 0.03 is a slip or a wrong rating at any tempo: without it, one failure at a slow
tempo would weigh against everything faster (Wichmann and Hill 2001, Percept. Psychophys. 63:1293). Prior: ln c normal
around ln(0.8 x goal) with deviation 0.5; ln slope normal around ln 8 with deviation 0.5 (a fall from 0.8 to 0.3 over
about 30 % of tempo). The posterior is summed over a grid of both, all keys in one matrix product. Evidence is what
`Memory.tempos` holds, discounted over days; the interval is the posterior's middle 80 %.

A tempo is a fact about one key: two nodes played at different tempos share nothing here (kin are pooled in
`memory.kin_prior`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING

from coach.learning.memory import HALF_LIFE_DAYS, Memory

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

CLEAN_AT = 0.8
LAPSE = 0.03
LOGIT = math.log(CLEAN_AT / (1 - LAPSE - CLEAN_AT))
"""k of the model: the log-odds at the clean tempo of a result that is no lapse."""
LOG_RANGE = (math.log(8.0), math.log(750.0))
TEMPO_POINTS = 241
SLOPE_POINTS = 15
PRIOR_PART_OF_GOAL = 0.8
PRIOR_DEVIATION = 0.5
SLOPE = 8.0
SLOPE_DEVIATION = 0.5
INTERVAL = (0.1, 0.9)

Tempos = Sequence[tuple[int, float, float]]
"""Rows of tempo in bpm and the weights of clean and failed results there."""


@dataclass(frozen=True, slots=True)
class CleanTempo:
    """Median and middle 80 % of the clean tempo's posterior, in bpm."""

    low_bpm: float
    bpm: float
    high_bpm: float
    weight: float
    """Results behind it, discounted; 0 is the prior alone."""


def clean_tempo(tempos: Tempos, goal_bpm: int) -> CleanTempo:
    """The clean tempo from weighted results; `goal_bpm` places the prior."""
    return clean_tempos([tempos], [goal_bpm])[0]


def of_memories(memories: Mapping[str, Memory], day: date) -> dict[str, CleanTempo]:
    """The clean tempo of each memory that has rated results, discounted to a day."""
    known = {key: memory for key, memory in memories.items() if memory.tempos and memory.goal_bpm}
    rows = [discounted(memory, day) for memory in known.values()]
    goals = [memory.goal_bpm for memory in known.values()]
    return dict(zip(known, clean_tempos(rows, goals), strict=True))


def discounted(memory: Memory, day: date) -> list[tuple[int, float, float]]:
    """A memory's results by tempo with their weights on a day."""
    keep = 0.5 ** (max(0, (day - memory.last_day).days) / HALF_LIFE_DAYS)
    return [(bpm, clean * keep, failed * keep) for bpm, clean, failed in memory.tempos]


def clean_tempos(tempos: Sequence[Tempos], goals_bpm: Sequence[int]) -> list[CleanTempo]:
    """The clean tempo of many keys at once. ValueError where a tempo or goal is not above 0 or a weight below 0."""
    import numpy as np

    if not tempos:
        return []
    for rows, goal in zip(tempos, goals_bpm, strict=True):
        if goal <= 0 or any(bpm <= 0 or clean < 0 or failed < 0 for bpm, clean, failed in rows):
            raise ValueError("tempos and goals must be above 0 and weights at least 0")
    log_tempo, density = _marginal(tempos, goals_bpm)
    quantiles = np.exp(_quantiles(log_tempo, density, (INTERVAL[0], 0.5, INTERVAL[1])))
    return [
        CleanTempo(float(low), float(middle), float(high), float(sum(row[1] + row[2] for row in rows)))
        for rows, (low, middle, high) in zip(tempos, quantiles, strict=True)
    ]


def _quantiles(grid: Floats, density: Floats, probabilities: tuple[float, ...]) -> Floats:
    """Quantiles of each row's density on an even grid; the mass of a cell by the corrected trapezoidal rule.

    The correction -(f'(right) - f'(left)) h^2 / 12 is the first term of the Euler-Maclaurin formula (DLMF 2.10.1).
    """
    import numpy as np

    step = grid[1] - grid[0]
    slope = np.gradient(density, axis=1)
    mass = (density[:, 1:] + density[:, :-1]) / 2 - (slope[:, 1:] - slope[:, :-1]) / 12
    below = np.cumsum(np.maximum(mass, 0.0), axis=1)
    found = np.empty((len(density), len(probabilities)))
    for column, probability in enumerate(probabilities):
        wanted = probability * below[:, -1]
        cell = np.array([np.searchsorted(row, part) for row, part in zip(below, wanted, strict=True)])
        rows = np.arange(len(density))
        missing = wanted - np.where(cell > 0, below[rows, cell - 1], 0.0)
        left, right = density[rows, cell], density[rows, cell + 1]
        # The part t of the cell at which left t + (right - left) t^2 / 2 is what is missing.
        root = np.sqrt(np.maximum(left**2 + 2 * (right - left) * missing, 0.0))
        found[:, column] = grid[cell] + step * 2 * missing / (left + root)
    return found


def _marginal(tempos: Sequence[Tempos], goals_bpm: Sequence[int]) -> tuple[Floats, Floats]:
    """Grid of ln c, and per key the posterior's density on it, not normalised."""
    import numpy as np

    played = sorted({bpm for rows in tempos for bpm, _, _ in rows})
    column = {bpm: index for index, bpm in enumerate(played)}
    clean = np.zeros((len(tempos), len(played)))
    failed = np.zeros_like(clean)
    for row, rows in enumerate(tempos):
        for bpm, clean_weight, failed_weight in rows:
            clean[row, column[bpm]] += clean_weight
            failed[row, column[bpm]] += failed_weight
    log_tempo = np.linspace(*LOG_RANGE, TEMPO_POINTS)
    log_slope = math.log(SLOPE) + np.linspace(-3.5, 3.5, SLOPE_POINTS) * SLOPE_DEVIATION
    slope = np.exp(log_slope)[:, None]
    # Per played tempo the log of both outcomes over the grid, then one product for all keys.
    gap = np.log(np.array(played, dtype=float))[:, None, None] - log_tempo
    logit = (LOGIT - slope * gap).reshape(len(played), SLOPE_POINTS * TEMPO_POINTS)
    chance = (1 - LAPSE) / (1 + np.exp(-logit))
    log_clean, log_failed = np.log(chance), np.log1p(-chance)
    log_likelihood = (clean @ log_clean + failed @ log_failed).reshape(-1, SLOPE_POINTS, TEMPO_POINTS)
    centre = np.log(PRIOR_PART_OF_GOAL * np.array(goals_bpm, dtype=float))[:, None, None]
    log_prior = -0.5 * ((log_tempo - centre) / PRIOR_DEVIATION) ** 2
    log_prior = log_prior - 0.5 * ((log_slope[:, None] - math.log(SLOPE)) / SLOPE_DEVIATION) ** 2
    log_posterior = log_likelihood + log_prior
    density = np.exp(log_posterior - log_posterior.max(axis=(1, 2), keepdims=True)).sum(axis=1)
    return log_tempo, density


SLIP = 0.06
"""The lapse that planning allows for: twice the report's, so that players who mis-rate are not held back by it."""
MOST_EVENTS = 12
COARSE_POINTS = 25
COARSE_LOW, COARSE_HIGH = math.log(15.0), math.log(450.0)
COARSE = tuple(
    COARSE_LOW + (COARSE_HIGH - COARSE_LOW) * index / (COARSE_POINTS - 1) for index in range(COARSE_POINTS)
)


@lru_cache(maxsize=2048)
def _chances(bpm: int, lapse: float) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Over the coarse grid of ln c: P(clean at bpm), its logarithm, and that of a failure; slope 8."""
    clean = tuple((1 - lapse) / (1 + math.exp(SLOPE * (math.log(bpm) - point) - LOGIT)) for point in COARSE)
    return clean, tuple(map(math.log, clean)), tuple(math.log1p(-chance) for chance in clean)


def chance_clean(bpm: float, clean_bpm: float) -> float:
    """Probability that a result is clean but for lapses, at a tempo, for a known clean tempo; slope 8."""
    return 1 / (1 + math.exp(SLOPE * math.log(bpm / clean_bpm) - LOGIT))


def expected_clean(tempos: Tempos, bpm: int, goal_bpm: int, prior: tuple[float, float] = (0.0, 0.0)) -> float:
    """Probability that the next result at `bpm` is clean: the same model with the slope held at 8, on a coarse grid.

    Plain Python and quick, for ranking in the planner. `prior` adds weights (clean, failed) at the goal tempo.
    """
    return _mean(coarse(tempos, goal_bpm, prior), _chances(bpm, LAPSE)[0])


def expected_gap(weights: Sequence[float], wanted_bpm: float) -> float:
    """Expected log-tempo by which the clean tempo still lies under a wanted one, from `coarse` weights."""
    wanted = math.log(wanted_bpm)
    return _mean(weights, [max(0.0, wanted - point) for point in COARSE])


def expected_bpm(weights: Sequence[float]) -> float:
    """Geometric mean of the clean tempo, from `coarse` weights."""
    return math.exp(_mean(weights, COARSE))


def sure_bpm(weights: Sequence[float], doubt: float) -> float:
    """A tempo under which the clean tempo lies with probability `doubt` only, from `coarse` weights.

    Linear between grid points, each point's weight being spread to halfway to its neighbours.
    """
    wanted, below = doubt * sum(weights), 0.0
    step = COARSE[1] - COARSE[0]
    for point, weight in zip(COARSE, weights, strict=True):
        if below + weight >= wanted:
            return math.exp(point - step / 2 + step * (wanted - below) / weight)
        below += weight
    return math.exp(COARSE[-1])


def coarse(
    tempos: Tempos, goal_bpm: int, prior: tuple[float, float] = (0.0, 0.0), events: int = 1
) -> list[float]:
    """Posterior weights of the clean tempo over the coarse grid, the slope held at 8.

    A result that needs several `events` to be clean has as many chances of a lapse: its clean tempo is that of the same
    hands without lapses.
    """
    lapse = 1 - (1 - SLIP) ** min(events, MOST_EVENTS)
    centre = math.log(PRIOR_PART_OF_GOAL * goal_bpm)
    scores = [-0.5 * ((point - centre) / PRIOR_DEVIATION) ** 2 for point in COARSE]
    rows = [*tempos, (goal_bpm, *prior)] if prior[0] or prior[1] else tempos
    for tempo, clean, failed in rows:
        _, log_clean, log_failed = _chances(tempo, lapse)
        scores = [
            score + clean * rang + failed * choked
            for score, rang, choked in zip(scores, log_clean, log_failed, strict=True)
        ]
    top = max(scores)
    return [math.exp(score - top) for score in scores]


def _mean(weights: Sequence[float], values: Sequence[float]) -> float:
    return sum(weight * value for weight, value in zip(weights, values, strict=True)) / sum(weights)
