"""Timing side by side, and the one kind of result that every subject gives.

Machines are shared and noisy: what is compared is measured in turns, so that whatever slows one slows the other, and
a ratio is the median of the turns' ratios. Its spread is that of the middle half of the turns.
"""

from __future__ import annotations

import contextlib
import gc
import importlib.metadata
import os
import platform
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from unittest import mock

Measure = Callable[[], float]
"""Does the work once and returns what it took, in the row's unit."""
_LIBRARIES = ("textual", "pyyaml", "numpy", "scipy", "miniaudio", "music21")


@dataclass(frozen=True, slots=True)
class Options:
    """How much is run."""

    quick: bool = False
    results: tuple[int, ...] = (1, 100_000)
    folder: Path | None = None
    minutes: float = 1.0


@dataclass(frozen=True, slots=True)
class Goal:
    """A limit for the ratio (`x`), or for our own value in its unit."""

    limit: float
    unit: str = "x"
    at_least: bool = False

    def __str__(self) -> str:
        sign = "at least" if self.at_least else "at most"
        return f"{sign} {self.limit:,g}{'' if self.unit == 'x' else ' '}{self.unit}"


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table. `ratio` is ours against the reference, or the reference against ours where `faster`."""

    what: str
    unit: str
    ours: float
    against: str = ""
    """What stands beside it, empty where nothing does."""
    reference: float | None = None
    ratio: float | None = None
    spread: tuple[float, float] | None = None
    """Lower and upper quartile of the ratio."""
    faster: bool = False
    goal: Goal | None = None

    @property
    def met(self) -> bool | None:
        """Whether the goal is met; None where there is none."""
        if self.goal is None:
            return None
        value = self.ratio if self.goal.unit == "x" else self.ours
        assert value is not None, self.what
        return bool(value >= self.goal.limit if self.goal.at_least else value <= self.goal.limit)

    def cells(self) -> tuple[str, ...]:
        """The row as `HEAD` names its columns."""
        ratio = ""
        if self.ratio is not None:
            ratio = f"{_digits(self.ratio)}x" + (" faster" if self.faster else "")
            if self.spread:
                ratio += f" ({_digits(self.spread[0])} to {_digits(self.spread[1])})"
        reference = self.against
        if self.reference is not None:
            reference += f": {_digits(self.reference)} {self.unit}"
        met = {True: "yes", False: "no", None: ""}[self.met]
        goal = str(self.goal) if self.goal else ""
        return self.what, f"{_digits(self.ours)} {self.unit}", reference, ratio, goal, met


HEAD = ("what", "ours", "reference", "ratio (middle half)", "goal", "met")


def in_turns(measures: Mapping[str, Measure], rounds: int, warm: bool = True) -> dict[str, list[float]]:
    """What each measure took, round by round; with `warm` a first round is not counted."""
    taken: dict[str, list[float]] = {name: [] for name in measures}
    for number in range(rounds + warm):
        for name, measure in measures.items():
            value = measure()
            if number >= warm:
                taken[name].append(value)
    return taken


@contextlib.contextmanager
def keeping_bytecode() -> Iterator[None]:
    """Programs started meanwhile find their bytecode written, as an installed program does."""
    with (
        tempfile.TemporaryDirectory() as folder,
        mock.patch.dict(os.environ, {"PYTHONPYCACHEPREFIX": folder}),
    ):
        os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
        yield


def wall_ms(work: Callable[[], object]) -> Measure:
    """Elapsed time: what a person waits for, the disk included."""
    return _timed(work, time.perf_counter)


def cpu_ms(work: Callable[[], object]) -> Measure:
    """Processor time: for work that waits for nothing, other programs disturb it less."""
    return _timed(work, time.process_time)


def _timed(work: Callable[[], object], clock: Callable[[], float]) -> Measure:
    def measure() -> float:
        gc.collect()
        start = clock()
        work()
        return (clock() - start) * 1000

    return measure


def beside(
    what: str,
    unit: str,
    against: str,
    ours: Sequence[float],
    theirs: Sequence[float],
    goal: Goal | None = None,
    faster: bool = False,
) -> Row:
    """A row from values that were measured in turns."""
    pairs = zip(ours, theirs, strict=True)
    ratios = sorted(their / our if faster else our / their for our, their in pairs)
    low, _, high = statistics.quantiles(ratios, n=4, method="inclusive") if len(ratios) > 1 else ratios * 3
    middle = statistics.median(ratios)
    mine, reference = statistics.median(ours), statistics.median(theirs)
    return Row(what, unit, mine, against, reference, middle, (low, high), faster, goal)


def percentile(values: Sequence[float], share: float) -> float:
    """The value below which so many of 100 lie."""
    return float(sorted(values)[min(int(len(values) * share / 100), len(values) - 1)])


def machine() -> dict[str, Any]:
    """What the figures were taken on: no path and no name."""
    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "system": platform.system(),
        "python": platform.python_version(),
        **{name: importlib.metadata.version(name) for name in _LIBRARIES if _installed(name)},
        "load": round(os.getloadavg()[0], 1),
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
    }


def as_json(row: Row) -> dict[str, Any]:
    """A row as JSON writes it."""
    goal = str(row.goal) if row.goal else None
    return {**asdict(row), "goal": goal, "met": row.met}


def _digits(value: float) -> str:
    if value >= 100:
        return f"{value:,.0f}"
    return f"{value:.1f}" if value >= 10 else f"{value:.2f}"


def _processor() -> str:
    try:
        lines = Path("/proc/cpuinfo").read_text().splitlines()
    except OSError:
        lines = []
    names = [line.partition(":")[2].strip() for line in lines if line.startswith("model name")]
    return names[0] if names else platform.processor() or platform.machine()


def _installed(name: str) -> bool:
    try:
        importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return False
    return True
