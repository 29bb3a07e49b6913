"""What power-law memory would say of a cold repetition.

It knows when a thing was practised, and nothing of the tempo: a logistic curve over ln of the sum of age^-d of its
repetitions (Anderson, Fincham and Douglass 1999, JEP:LMC 25:1120), its three numbers fitted to the very results that
it is judged by.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

DECAYS = (0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
STEPS = 25


@dataclass
class Yardstick:
    """Collects a thing's practice by key, and what was to be expected of each cold result from that alone."""

    strengths: list[list[float]] = field(default_factory=list)
    """A row a cold result: the sum of age^-d for each of `DECAYS`."""
    clean: list[bool] = field(default_factory=list)
    _practised: dict[str, Counter[int]] = field(default_factory=dict)

    def begin(self) -> None:
        """Another player comes."""
        self._practised.clear()

    def cold(self, key: str, day: int, clean: bool) -> None:
        """A cold result of something that was practised on an earlier day."""
        before: Counter[int] = self._practised.get(key, Counter())
        rows = [
            sum(count * (day - then) ** -d for then, count in before.items() if then < day) for d in DECAYS
        ]
        if not rows[0]:
            return
        self.strengths.append(rows)
        self.clean.append(clean)

    def practised(self, key: str, day: int) -> None:
        """One repetition; call after `cold`."""
        self._practised.setdefault(key, Counter())[day] += 1

    def row(self, name: str) -> str:
        """Its log loss, as text."""
        return f"{name}: power law, fitted to them, {self.power_law():.3f}"

    def power_law(self) -> float:
        """The least log loss that a logistic curve over ln strength reaches."""
        y = np.array(self.clean, dtype=float)
        return min(_fitted(np.log(np.array(column)), y) for column in zip(*self.strengths, strict=True))


def _fitted(x: Any, y: Any) -> float:
    """Log loss of logistic regression by Newton's method."""
    columns = np.stack([np.ones_like(x), x], axis=1)
    weights = np.zeros(2)
    for _ in range(STEPS):
        p = 1 / (1 + np.exp(-columns @ weights))
        curvature = columns.T @ (columns * (p * (1 - p))[:, None]) + 1e-9 * np.eye(2)
        weights += np.linalg.solve(curvature, columns.T @ (y - p))
    return _loss(1 / (1 + np.exp(-columns @ weights)), y)


def _loss(chances: Any, clean: Sequence[bool] | Any) -> float:
    sure = np.clip(chances, 1e-3, 1 - 1e-3)
    y = np.asarray(clean, dtype=float)
    return float(-np.mean(y * np.log(sure) + (1 - y) * np.log(1 - sure)))
