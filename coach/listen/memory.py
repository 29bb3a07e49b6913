"""What is kept of a note from clean repetitions, and how a new look compares with it.

Levels are compared partial by partial where both can be seen, in dB. A pluck's strength and place change from stroke to
stroke, so that a level alone says little; how a partial falls from early to late says more, since that is the touch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.look import WINDOWS, Known, Look, NoteLook
from coach.listen.partials import Partials

SAME_RATIO = 0.004
"""So near each other a partial's strokes have to lie."""
LEAST_ERROR = 0.5
"""An error below this share of the weakest stroke's level makes no stroke better than another."""
MOST_PLUCKS = 12
OTHERS_SHARE = 0.5
"""How much of what is usually there before a note may go on after it: of a string that is struck anew nothing does."""
LEAST_SHARP = 9
"""Players are off their beat by 6 ms: the median of so many strokes by 2 or 3."""
FAINT_DB = -60.0
LEAST_MEAN_DB, MOST_MEAN_DB = -30.0, 6.0
"""How far one partial may pull a note's mean level."""


@frozen
class Pluck:
    """One clean stroke of a note: for each window its partials' amplitudes and their errors; how it began."""

    levels: Mapping[str, tuple[float, ...]]
    errors: Mapping[str, tuple[float, ...]]
    ratios: tuple[float, ...]
    """By what its partials lay off theory; 0 where that wasn't heard."""
    instead_db: float
    """The loudest other note of its string, against the note itself."""
    risen_ms: float
    sharp_ms: float | None


@frozen
class NoteSound:
    """What is learnt of one note: its clean strokes, the latest last."""

    plucks: tuple[Pluck, ...] = ()

    def with_pluck(self, pluck: Pluck) -> NoteSound:
        return NoteSound((*self.plucks, pluck)[-MOST_PLUCKS:])


def pluck_of(look: NoteLook, event: Look) -> Pluck:
    """What is kept of a look at a clean note."""
    return Pluck(
        {name: tuple(np.abs(part.amplitude).tolist()) for name, part in look.windows.items()},
        {name: tuple(part.error.tolist()) for name, part in look.windows.items()},
        tuple(look.ratios.tolist()),
        instead_db(look),
        event.risen_ms,
        event.sharp_ms,
    )


def usual_levels(sound: NoteSound) -> dict[str, Values]:
    """Each window's usual amplitudes: the median of the strokes, those in which others rang near it counting less.

    A stroke counts by its error alone, whatever its level: what rings near a partial makes it seem louder.
    """
    found = {}
    for name in WINDOWS:
        count = min(len(pluck.levels[name]) for pluck in sound.plucks)
        level = np.array([pluck.levels[name][:count] for pluck in sound.plucks])
        error = np.array([pluck.errors[name][:count] for pluck in sound.plucks])
        lowest = np.maximum(level, error).min(axis=0)
        weight = 1.0 / (error**2 + (LEAST_ERROR * lowest) ** 2 + 1e-18)
        found[name] = 10.0 ** (_weighted_median(20.0 * np.log10(level + 1e-9), weight) / 20.0)
    return found


def usual_ratios(sound: NoteSound) -> Values:
    """By what a note's partials usually lie off theory: 1 where its strokes don't agree."""
    count = min(len(pluck.ratios) for pluck in sound.plucks)
    ratios = []
    for at in range(count):
        heard = [pluck.ratios[at] for pluck in sound.plucks if pluck.ratios[at]]
        agree = 2 * len(heard) >= len(sound.plucks) and float(np.ptp(heard)) < SAME_RATIO
        ratios.append(float(np.median(heard)) if agree else 1.0)
    return np.array(ratios)


def _weighted_median(values: Values, weight: Values) -> Values:
    """Of each column the value, between two of them where it falls so, with half of the weight on either side."""
    order = np.argsort(values, axis=0)
    ordered, heavy = np.take_along_axis(values, order, axis=0), np.take_along_axis(weight, order, axis=0)
    middle = (np.cumsum(heavy, axis=0) - heavy / 2.0) / heavy.sum(axis=0)
    columns = [np.interp(0.5, middle[:, at], ordered[:, at]) for at in range(values.shape[1])]
    return np.array(columns)


def known_of(sound: NoteSound) -> Known:
    """What all strokes of a note say together. Their player meant each to be on its beat."""
    risen_ms = np.array([pluck.risen_ms for pluck in sound.plucks])
    bias_ms = float(np.median(risen_ms))
    return Known(usual_levels(sound), bias_ms, float(np.ptp(risen_ms)))


def sharp_bias_ms(sounds: Iterable[NoteSound]) -> float:
    """How much later than struck an instrument's sharp beginnings are heard, with what its player is late in the mean.

    All its notes say it together: of one there are few strokes, and each is as uneven as its player.
    """
    sharp_ms = [pluck.sharp_ms for sound in sounds for pluck in sound.plucks if pluck.sharp_ms is not None]
    return float(np.median(sharp_ms)) if len(sharp_ms) >= LEAST_SHARP else 0.0


def instead_db(look: NoteLook) -> float:
    """The loudest other note of the string, in dB against full scale; partials that stand out of their error count."""
    powers = [
        float((np.abs(part.amplitude) ** 2)[np.abs(part.amplitude) > 3.0 * part.error].sum())
        for part in look.instead
    ]
    return 10.0 * math.log10(max(powers, default=0.0) + 1e-12)


@frozen
class Compared:
    """A look at a note against its clean sound; levels in dB, shares from 0 to 1."""

    early_db: float
    late_db: float
    seen: float
    """Share of the note's usual power, late, that other strings don't hide."""
    fall_db: float
    """From early to late, less than 0 where it died faster than its clean sound."""
    fall_seen: float
    late_mean_db: float
    """The mean of the partials' own levels late: a touch that stays takes the upper ones first, and of a note that was
    not struck another string may hold one or two."""
    instead_db: float
    """The loudest other note of the string against what is usual beside this note."""


def clean_strokes(key: str, sound: NoteSound) -> tuple[Compared, ...]:
    """Each clean stroke against the others, with what is kept of it."""
    found = []
    for at, pluck in enumerate(sound.plucks):
        others = NoteSound((*sound.plucks[:at], *sound.plucks[at + 1 :]))
        if others.plucks:
            windows = {
                name: Partials(np.array(pluck.levels[name], dtype=complex), np.array(pluck.errors[name]))
                for name in WINDOWS
            }
            one = compared(
                NoteLook(key, none := np.zeros(len(pluck.levels["early"])), none, windows, ()), others
            )
            found.append(replace(one, instead_db=0.0))
    return tuple(found)


def compared(look: NoteLook, sound: NoteSound) -> Compared:
    """How a look at a note differs from its clean sound, in the partials that both have.

    Where a string was tuned since, its highest partial may have come or gone.
    """
    levels = usual_levels(sound)
    look = look.lowest(len(levels["late"]))
    usual = {name: level[: len(look.hz)] for name, level in levels.items()}
    early_db, _ = _level_db(look, usual, "early")
    late_db, seen = _level_db(look, usual, "late")
    fall_db, fall_seen = _fall_db(look, usual)
    usual_instead = max(pluck.instead_db for pluck in sound.plucks)
    return Compared(
        early_db,
        late_db,
        seen,
        fall_db,
        fall_seen,
        _mean_db(look, usual),
        instead_db(look) - usual_instead,
    )


def _seen(usual: Mapping[str, Values], name: str, error: Values) -> Values:
    """How far each partial can be seen at its usual level in a window, 0 to 1.

    What is usually there before the note as well is another string's.
    """
    level = usual[name]
    hidden = error**2 + (OTHERS_SHARE * usual["before"]) ** 2
    return np.asarray((level**2 / (level**2 + 4.0 * hidden)) ** 2)


def _level_db(look: NoteLook, usual: Mapping[str, Values], name: str) -> tuple[float, float]:
    """A window's level against the usual one, and which share of the usual power was seen."""
    level = usual[name]
    part = look.windows[name]
    seen = _seen(usual, name, part.error)
    now = float((seen * np.abs(part.amplitude) ** 2).sum())
    then = float((seen * level**2).sum())
    return _db(now, then), then / float((level**2).sum())


def _mean_db(look: NoteLook, usual: Mapping[str, Values]) -> float:
    """The partials' mean level late against the usual one, in dB; the louder and clearer ones count more."""
    level, part = usual["late"], look.windows["late"]
    now = np.maximum(np.abs(part.amplitude), part.error)
    weight = _seen(usual, "late", part.error) * np.sqrt(level) + 1e-12
    off_db = np.clip(20.0 * np.log10((now + 1e-12) / (level + 1e-12)), LEAST_MEAN_DB, MOST_MEAN_DB)
    return float(np.average(off_db, weights=weight))


def _fall_db(look: NoteLook, usual: Mapping[str, Values]) -> tuple[float, float]:
    """The level late against early, beyond the usual fall; each partial counts by its power early.

    One that does not usually ring until late has no usual fall.
    """
    first, last = look.windows["early"], look.windows["late"]
    begin, end = np.abs(first.amplitude), np.abs(last.amplitude)
    error = first.error**2 + last.error**2
    weight = begin**2 * (begin**2 / (begin**2 + 9.0 * error + 1e-18)) ** 2
    weight *= _seen(usual, "early", first.error) * _seen(usual, "late", last.error)
    rest = (end * usual["early"] / (usual["late"] * np.maximum(begin, 1e-9))) ** 2
    total = float(weight.sum())
    return _db(float((weight * rest).sum()), total), total / (float((begin**2).sum()) + 1e-18)


def _db(power: float, against: float) -> float:
    return max(10.0 * math.log10((power + 1e-18) / (against + 1e-18)), FAINT_DB)
