"""What others would say of a cold repetition: power-law memory, and the scheduler of PyPI `fsrs` where it is installed.

Both know when a thing was practised and how it went, and nothing of the tempo. The power law is a logistic curve over
ln of the sum of age^-d of its repetitions (Anderson, Fincham and Douglass 1999, JEP:LMC 25:1120), its three numbers
fitted to the very results that it is judged by. `fsrs` has its published parameters, and one grade a day: the cold
repetition's, good or again.
"""

from __future__ import annotations

import importlib
import importlib.util
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

DECAYS = (0.1, 0.2, 0.35, 0.5, 0.75, 1.0)
STEPS = 25
_FSRS: Any = importlib.import_module("fsrs") if importlib.util.find_spec("fsrs") else None


@dataclass
class Yardstick:
    """Collects a thing's practice by key, and what was to be expected of each cold result from that alone."""

    strengths: list[list[float]] = field(default_factory=list)
    """A row a cold result: the sum of age^-d for each of `DECAYS`."""
    clean: list[bool] = field(default_factory=list)
    recalled: list[float] = field(default_factory=list)
    """What fsrs expected of it; empty where it is not installed."""
    _practised: dict[str, Counter[int]] = field(default_factory=dict)
    _cards: dict[str, Any] = field(default_factory=dict)

    def begin(self) -> None:
        """Another player comes."""
        self._practised.clear()
        self._cards.clear()

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
        if _FSRS and key in self._cards:
            self.recalled.append(_SCHEDULER.get_card_retrievability(self._cards[key], _moment(day)))

    def practised(self, key: str, day: int, clean: bool, cold: bool) -> None:
        """One repetition; call after `cold`."""
        self._practised.setdefault(key, Counter())[day] += 1
        if _FSRS and cold:
            grade = _FSRS.Rating.Good if clean else _FSRS.Rating.Again
            card = self._cards.get(key) or _FSRS.Card()
            self._cards[key] = _SCHEDULER.review_card(card, grade, _moment(day))[0]

    def rows(self, name: str) -> list[str]:
        """Their log losses, as text."""
        told = [f"{name}: power law, fitted to them, {self.power_law():.3f}"]
        if _FSRS and self.recalled:
            told.append(f"{name}: fsrs {_loss(np.array(self.recalled), np.array(self.clean)):.3f}")
        elif not _FSRS:
            told.append("fsrs is not installed")
        return told

    def power_law(self) -> float:
        """The least log loss that a logistic curve over ln strength reaches."""
        y = np.array(self.clean, dtype=float)
        return min(_fitted(np.log(np.array(column)), y) for column in zip(*self.strengths, strict=True))


_SCHEDULER: Any = _FSRS.Scheduler(enable_fuzzing=False) if _FSRS else None


def _moment(day: int) -> datetime:
    return datetime(2000, 1, 1, 18, tzinfo=UTC) + timedelta(days=day - 730_120)


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
