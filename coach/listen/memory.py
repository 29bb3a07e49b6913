"""What is kept of a note from clean repetitions, and how a new look compares with it.

Levels are compared partial by partial where both can be seen, in dB. A pluck's strength and place change from stroke to
stroke, so that a level alone says little; how a partial falls from early to late says more, since that is the touch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
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
"""How much of what is there before a note, usually or this time, may go on after it."""
LEAST_SHARP = 9
"""Players are off their beat by 6 ms: the median of so many strokes by 2 or 3."""
MOST_DB, MOST_FALL_DB, MOST_LOUDER_DB = 36.0, 20.0, 6.0
"""How far one partial may pull a note's mean level or fall."""
HALF_SURE = 0.5
"""So many partials that ring make half sure of a note's fall."""
USUAL_LEVEL_SPREAD_DB, USUAL_FALL_SPREAD_DB = 8.0, 3.0
USUAL_STROKES = 3
"""What a note's clean strokes spread by before any was heard, and as how many strokes that counts."""


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

    level_db: float
    """The mean of its partials' levels, late. The mean and not their power: a touch that stays takes the upper ones
    first, and of a note that was not struck another string may hold one or two."""
    fall_db: float
    """The mean of what they fell from early to late, less than 0 where that is more than usual."""
    seen: float
    """How many of its partials can be seen, late; other strings hide the rest."""
    rings: float
    """How surely something rings at its partials from early to late, so that its fall is the note's own."""
    instead_db: float
    """The loudest other note of the string against what is usual beside this note."""
    untouched_db: float
    """The same against the usual level of this note: what a touch takes away is softer than what it leaves."""


@frozen
class CleanSound:
    """What all clean strokes of a note say together."""

    levels: Mapping[str, Values]
    """Each window's usual amplitudes."""
    level_spread_db: float
    """How far strokes lie from that, root mean square: in level, and in how they fall."""
    fall_spread_db: float
    range_db: float
    """From the softest stroke to the loudest, late."""
    late_db: float
    """Its usual level late."""
    instead_db: float
    """The loudest other note of the string beside it, at most."""


def clean_sound(sound: NoteSound) -> CleanSound:
    """A note's clean sound. Its spread is the usual one before it was heard, which counts as so many strokes."""
    levels = usual_levels(sound)
    strokes = [_compared(_look_of(pluck), levels) for pluck in sound.plucks]
    return CleanSound(
        levels,
        _spread_db(USUAL_LEVEL_SPREAD_DB, [stroke.level_db for stroke in strokes]),
        _spread_db(USUAL_FALL_SPREAD_DB, [stroke.fall_db for stroke in strokes]),
        float(
            np.ptp([20.0 * math.log10(math.hypot(*pluck.levels["late"]) + 1e-6) for pluck in sound.plucks])
        ),
        20.0 * math.log10(math.hypot(*levels["late"]) + 1e-6),
        max(pluck.instead_db for pluck in sound.plucks),
    )


def _spread_db(usual_db: float, strokes_db: Sequence[float]) -> float:
    return float(np.sqrt(np.mean(np.square([usual_db] * USUAL_STROKES + [*strokes_db]))))


def _look_of(pluck: Pluck) -> NoteLook:
    """A clean stroke as it was looked at, with what is kept of it."""
    windows = {
        name: Partials(np.array(pluck.levels[name], dtype=complex), np.array(pluck.errors[name]))
        for name in WINDOWS
    }
    return NoteLook("", none := np.zeros(len(pluck.levels["late"])), none, windows, ())


def compared(look: NoteLook, clean: CleanSound) -> Compared:
    """How a look at a note differs from its clean sound, in the partials that both have.

    Where a string was tuned since, its highest partial may have come or gone.
    """
    one, other_db = _compared(look, clean.levels), instead_db(look)
    return replace(one, instead_db=other_db - clean.instead_db, untouched_db=other_db - clean.late_db)


def _compared(look: NoteLook, levels: Mapping[str, Values]) -> Compared:
    look = look.lowest(len(levels["late"]))
    usual = {name: level[: len(look.hz)] for name, level in levels.items()}
    before, early, late = (look.windows[name] for name in ("before", "early", "late"))
    others = OTHERS_SHARE * np.maximum(usual["before"], np.abs(before.amplitude) - before.error)
    seen = _clear(usual["late"], np.hypot(late.error, others))
    seen_both = seen * _clear(usual["early"], np.hypot(early.error, others))
    rings = seen_both * _clear(np.abs(early.amplitude), np.hypot(early.error, late.error))
    early_db, late_db = _off_db(early, usual["early"]), _off_db(late, usual["late"])
    heavy = np.sqrt(usual["late"])
    return Compared(
        _mean(np.clip(late_db, -MOST_DB, MOST_LOUDER_DB), heavy * seen),
        _mean(np.clip(late_db - early_db, -MOST_FALL_DB, MOST_LOUDER_DB), heavy * rings),
        float(seen.sum()),
        float(rings.sum() / (rings.sum() + HALF_SURE)),
        0.0,
        0.0,
    )


def _clear(level: Values, hidden: Values) -> Values:
    """How far each partial of that level stands out of what hides it, 0 to 1."""
    return np.asarray((level**2 / (level**2 + 4.0 * hidden**2 + 1e-18)) ** 2)


def _off_db(part: Partials, usual: Values) -> Values:
    """Each partial against its usual level; what is not heard is as loud as its error at most."""
    now = np.maximum(np.abs(part.amplitude), part.error)
    return np.asarray(20.0 * np.log10((now + 1e-12) / (usual + 1e-12)))


def _mean(values: Values, weight: Values) -> float:
    """The louder and clearer partials count more."""
    return float(np.average(values, weights=weight + 1e-12))
