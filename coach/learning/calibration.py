"""How predicted retention met the cold results: a table in bins, with scores against the base rate.

Brier score and log loss are means over results; lower is better. The base rate forecaster knows only the overall clean
rate of the same results, which is more than anyone knew beforehand: beating it is a fair test.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

BINS = 10

CalibrationRow = tuple[int, int, float, int, float, float]
"""Bin of the predicted probability (0 to 9), results, and sums of: predicted, clean, squared error, log loss."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """Predicted against observed cold results, beside a forecaster who knew only the overall rate."""

    rows: tuple[tuple[float, float, int], ...]
    """Mean predicted probability, share clean and number of cold results, per bin."""
    results: int
    brier: float
    log_loss: float
    base_brier: float
    base_log_loss: float


def calibration(tables: Iterable[tuple[CalibrationRow, ...]]) -> Calibration | None:
    """The calibration table over the rows of several memories; None before any prediction met a result."""
    bins: dict[int, list[float]] = {}
    for table in tables:
        for row in table:
            entry = bins.setdefault(row[0], [0.0] * 5)
            for index, value in enumerate(row[1:]):
                entry[index] += value
    total = [sum(entry[index] for entry in bins.values()) for index in range(5)]
    if not total[0]:
        return None
    rows = tuple(
        (entry[1] / entry[0], entry[2] / entry[0], int(entry[0])) for _, entry in sorted(bins.items())
    )
    n, rate = total[0], total[2] / total[0]
    entropy = -sum(part * math.log(part) for part in (rate, 1 - rate) if part > 0)
    return Calibration(rows, int(n), total[3] / n, total[4] / n, rate * (1 - rate), entropy)


def scored(rows: tuple[CalibrationRow, ...], predicted: float, clean: bool) -> tuple[CalibrationRow, ...]:
    """The rows after one more prediction met its result."""
    bin_index = min(int(predicted * BINS), BINS - 1)
    likelihood = predicted if clean else 1 - predicted
    added = (1, predicted, int(clean), (predicted - clean) ** 2, -math.log(max(likelihood, 1e-6)))
    table = {row[0]: row for row in rows}
    _, days, mean, hits, squares, losses = table.get(bin_index, (bin_index, 0, 0.0, 0, 0.0, 0.0))
    table[bin_index] = (
        bin_index,
        days + added[0],
        mean + added[1],
        hits + added[2],
        squares + added[3],
        losses + added[4],
    )
    return tuple(table[index] for index in sorted(table))
