"""What is kept of a note from clean repetitions, and how a new look compares with it.

Levels are compared partial by partial where both can be seen, in dB. A pluck's strength and place change from stroke to
stroke, so that a level alone says little; how a partial falls from early to late says more, since that is the touch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from coach.listen.look import WINDOWS, NoteLook

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

SPREAD_DB = 4.0
"""How much the level of a good touch differs from stroke to stroke."""
MOST_PLUCKS = 12
FAINT_DB = -60.0


@dataclass(frozen=True, slots=True)
class Pluck:
    """One clean stroke of a note: for each window its partials' amplitudes and their errors; how it began."""

    levels: Mapping[str, tuple[float, ...]]
    errors: Mapping[str, tuple[float, ...]]
    turns_hz: tuple[float, ...]
    """By how much each partial lies beside its theory, from its phase early and late."""
    instead_db: float
    """The loudest other note of its string, against the note itself."""
    rise_db: float
    onset_ms: float
    alone: bool


@dataclass(frozen=True, slots=True)
class NoteSound:
    """What is learnt of one note: its clean strokes, the latest last."""

    plucks: tuple[Pluck, ...] = ()

    def with_pluck(self, pluck: Pluck) -> NoteSound:
        return NoteSound((*self.plucks, pluck)[-MOST_PLUCKS:])


def pluck_of(look: NoteLook, rise_db: float, onset_ms: float, alone: bool) -> Pluck:
    """What is kept of a look at a clean note."""
    early, late = look.windows["early"], look.windows["late"]
    gap_s = WINDOWS["late"][0] - WINDOWS["early"][0]
    turn = np.angle(late.amplitude * np.conj(early.amplitude) * np.exp(-2j * np.pi * look.hz * gap_s))
    return Pluck(
        {name: tuple(np.abs(part.amplitude).tolist()) for name, part in look.windows.items()},
        {name: tuple(part.error.tolist()) for name, part in look.windows.items()},
        tuple((turn / (2.0 * math.pi * gap_s)).tolist()),
        instead_db(look),
        rise_db,
        onset_ms,
        alone,
    )


def usual_levels(sound: NoteSound) -> dict[str, Samples]:
    """Each window's usual amplitudes: the mean in dB, strokes that were hard to see counting less."""
    found = {}
    for name in WINDOWS:
        count = min(len(pluck.levels[name]) for pluck in sound.plucks)
        level = np.array([pluck.levels[name][:count] for pluck in sound.plucks])
        error = np.array([pluck.errors[name][:count] for pluck in sound.plucks])
        spread_db = np.where(level < 2.0 * error, 20.0, 8.7 * error / np.maximum(level, error))
        weight = 1.0 / (SPREAD_DB**2 + 4.0 * spread_db**2)
        mean_db = (weight * 20.0 * np.log10(level + 1e-9)).sum(axis=0) / weight.sum(axis=0)
        found[name] = 10.0 ** (mean_db / 20.0)
    return found


def usual_turns_hz(sound: NoteSound) -> Samples:
    """How far each partial lies beside its theory, the median of all strokes."""
    count = min(len(pluck.turns_hz) for pluck in sound.plucks)
    return np.asarray(np.median([pluck.turns_hz[:count] for pluck in sound.plucks], axis=0))


def usual_bias_ms(plucks: Sequence[Pluck]) -> float:
    """How late a note is heard to begin: the median of clean strokes, of which the player means none to be late."""
    return float(np.median([pluck.onset_ms for pluck in plucks])) if plucks else 0.0


def instead_db(look: NoteLook) -> float:
    """The loudest other note of the string, in dB against full scale; partials that stand out of their error count."""
    powers = [
        float((np.abs(part.amplitude) ** 2)[np.abs(part.amplitude) > 3.0 * part.error].sum())
        for part in look.instead
    ]
    return 10.0 * math.log10(max(powers, default=0.0) + 1e-12)


@dataclass(frozen=True, slots=True)
class Compared:
    """A look at a note against its clean sound; levels in dB, shares from 0 to 1."""

    early_db: float
    late_db: float
    seen: float
    """Share of the note's usual power, late, that other strings don't hide."""
    fall_db: float
    """From early to late, less than 0 where it died faster than its clean sound."""
    fall_seen: float
    long_fall_db: float
    """The same from the attack to late."""
    long_fall_seen: float
    new_db: float
    """What is not the going on of what rang before."""
    instead_db: float
    """The loudest other note of the string against what is usual beside this note."""
    rise_db: float
    """The sharpness of the beginning against the usual one."""


def compared(look: NoteLook, sound: NoteSound, rise_db: float) -> Compared:
    """How a look at a note differs from its clean sound."""
    usual = usual_levels(sound)
    early_db, _ = _level_db(look, usual, "early")
    late_db, seen = _level_db(look, usual, "late")
    fall_db, fall_seen = _fall_db(look, usual, "early")
    long_fall_db, long_fall_seen = _fall_db(look, usual, "attack")
    usual_instead = max(pluck.instead_db for pluck in sound.plucks)
    usual_rise = float(np.median([pluck.rise_db for pluck in sound.plucks]))
    return Compared(
        early_db,
        late_db,
        seen,
        fall_db,
        fall_seen,
        long_fall_db,
        long_fall_seen,
        _new_db(look, usual, usual_turns_hz(sound)),
        instead_db(look) - usual_instead,
        rise_db - usual_rise,
    )


def _seen(usual: Samples, error: Samples) -> Samples:
    """How far each partial can be seen at its usual level, 0 to 1."""
    return np.asarray((usual**2 / (usual**2 + 4.0 * error**2)) ** 2)


def _level_db(look: NoteLook, usual: Mapping[str, Samples], name: str) -> tuple[float, float]:
    """A window's level against the usual one, and which share of the usual power was seen."""
    level = usual[name]
    part = look.windows[name]
    seen = _seen(level, part.error[: len(level)])
    now = float((seen * np.abs(part.amplitude[: len(level)]) ** 2).sum())
    then = float((seen * level**2).sum())
    return _db(now, then), then / float((level**2).sum())


def _fall_db(look: NoteLook, usual: Mapping[str, Samples], start: str) -> tuple[float, float]:
    """The level late against a window before, beyond the usual fall; each partial counts by its power at the start."""
    first, last = look.windows[start], look.windows["late"]
    count = len(usual["late"])
    begin, end = np.abs(first.amplitude[:count]), np.abs(last.amplitude[:count])
    error = first.error[:count] ** 2 + last.error[:count] ** 2
    weight = begin**2 * (begin**2 / (begin**2 + 9.0 * error + 1e-18)) ** 2
    rest = (end * usual[start][:count] / (usual["late"] * np.maximum(begin, 1e-9))) ** 2
    total = float(weight.sum())
    return _db(float((weight * rest).sum()), total), total / (float((begin**2).sum()) + 1e-18)


def _new_db(look: NoteLook, usual: Mapping[str, Samples], turns_hz: Samples) -> float:
    """The level early of what does not go on from before the beat, against the usual level."""
    before, early = look.windows["before"], look.windows["early"]
    count = min(len(usual["early"]), len(turns_hz))
    gap_s = WINDOWS["early"][0] - WINDOWS["before"][0]
    turn = np.exp(2j * np.pi * (look.hz[:count] + turns_hz[:count]) * gap_s)
    change = np.abs(early.amplitude[:count] - before.amplitude[:count] * turn)
    seen = _seen(usual["early"][:count], early.error[:count])
    return _db(float((seen * change**2).sum()), float((seen * usual["early"][:count] ** 2).sum()))


def _db(power: float, against: float) -> float:
    return max(10.0 * math.log10((power + 1e-18) / (against + 1e-18)), FAINT_DB)
