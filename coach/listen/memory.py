"""What is kept of a note from clean repetitions, and how a new look compares with it.

Levels are compared partial by partial where both can be seen, in dB. A pluck's strength and place change from stroke to
stroke, so that a level alone says little; how a partial falls from early to late says more, since that is the touch.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.look import CLEAR_DB, WINDOWS, Known, Look, NoteLook
from coach.listen.partials import Partials

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

SPREAD_DB = 4.0
"""How much the level of a good touch differs from stroke to stroke."""
MOST_PLUCKS = 12
FAINT_DB = -60.0
SHARP_BIAS_MS = -1.7
"""A sharp beginning is found that much too early: the comparison looks 5 ms ahead."""
MOST_APART_S = 0.04
"""Two clean strokes are not further apart against their beats."""


@frozen
class Pluck:
    """One clean stroke of a note: for each window its partials' amplitudes and their errors; how it began."""

    levels: Mapping[str, tuple[float, ...]]
    errors: Mapping[str, tuple[float, ...]]
    phases: tuple[float, ...]
    """Each partial's phase in the middle of the early window."""
    beat_to_early_s: float
    instead_db: float
    """The loudest other note of its string, against the note itself."""
    rise_db: float
    heard_ms: float
    alone: bool


@frozen
class NoteSound:
    """What is learnt of one note: its clean strokes, the latest last."""

    plucks: tuple[Pluck, ...] = ()

    def with_pluck(self, pluck: Pluck) -> NoteSound:
        return NoteSound((*self.plucks, pluck)[-MOST_PLUCKS:])


def pluck_of(look: NoteLook, event: Look) -> Pluck:
    """What is kept of a look at a clean note."""
    early = look.windows["early"]
    after_s = early.middle_s - event.due_s
    return Pluck(
        {name: tuple(np.abs(part.amplitude).tolist()) for name, part in look.windows.items()},
        {name: tuple(part.error.tolist()) for name, part in look.windows.items()},
        tuple(np.angle(early.amplitude).tolist()),
        after_s,
        instead_db(look),
        event.rise_db,
        event.heard_ms,
        event.alone,
    )


def usual_levels(sound: NoteSound) -> dict[str, Samples]:
    """Each window's usual amplitudes: the median, strokes that were hard to see counting less."""
    found = {}
    for name in WINDOWS:
        count = min(len(pluck.levels[name]) for pluck in sound.plucks)
        level = np.array([pluck.levels[name][:count] for pluck in sound.plucks])
        error = np.array([pluck.errors[name][:count] for pluck in sound.plucks])
        spread_db = np.where(level < 2.0 * error, 20.0, 8.7 * error / np.maximum(level, error))
        weight = 1.0 / (SPREAD_DB**2 + 4.0 * spread_db**2)
        found[name] = 10.0 ** (_weighted_median(20.0 * np.log10(level + 1e-9), weight) / 20.0)
    return found


def _weighted_median(values: Samples, weight: Samples) -> Samples:
    """Of each column the value, between two of them where it falls so, with half of the weight on either side."""
    order = np.argsort(values, axis=0)
    ordered, heavy = np.take_along_axis(values, order, axis=0), np.take_along_axis(weight, order, axis=0)
    middle = (np.cumsum(heavy, axis=0) - heavy / 2.0) / heavy.sum(axis=0)
    columns = [np.interp(0.5, middle[:, at], ordered[:, at]) for at in range(values.shape[1])]
    return np.array(columns)


def known_of(sound: NoteSound, hz: Samples, harmonic: bool) -> Known:
    """What all strokes of a note say together; `hz` are its partials."""
    sharp = float(np.median([pluck.rise_db for pluck in sound.plucks])) > CLEAR_DB
    bias_ms = SHARP_BIAS_MS if sharp else float(np.median([pluck.heard_ms for pluck in sound.plucks]))
    return Known(usual_levels(sound), hz, bias_ms, _phases(sound, hz, bias_ms, harmonic), sharp, harmonic)


def _phases(sound: NoteSound, hz: Samples, bias_ms: float, harmonic: bool) -> Samples:
    """The partials' phases when the note is struck: strokes are moved in time until their phases agree the most.

    When all of them were struck follows from the median of their beginnings.
    """
    count = min(len(hz), *(len(pluck.phases) for pluck in sound.plucks))
    hz = hz[:count]
    size = np.array([np.sqrt(pluck.levels["early"][:count]) for pluck in sound.plucks])
    phase = np.array([pluck.phases[:count] for pluck in sound.plucks])
    phase = phase - 2.0 * np.pi * hz * np.array([[pluck.beat_to_early_s] for pluck in sound.plucks])
    moved_s = np.zeros(len(phase))
    heard_s = np.array([(pluck.heard_ms - bias_ms) / 1000.0 for pluck in sound.plucks])
    reference = size[0] * np.exp(1j * phase[0])
    for _ in range(2):
        moved_s = np.array(
            [_move_s(s * np.exp(1j * p), reference, hz) for s, p in zip(size, phase, strict=True)]
        )
        struck = size * np.exp(1j * (phase + 2.0 * np.pi * hz * moved_s[:, None]))
        reference = struck.mean(axis=0)
    own = np.array([harmonic or pluck.alone for pluck in sound.plucks])
    # What begins with a harmonic is timed by its beats, of which the player means none to be late.
    late_s = float(np.median((heard_s - moved_s)[own])) if own.any() else -float(np.mean(moved_s))
    return np.asarray(np.angle(reference * np.exp(2j * np.pi * hz * late_s)))


def _move_s(stroke: NDArray[np.complex128], reference: NDArray[np.complex128], hz: Samples) -> float:
    """How much later than the reference a stroke came."""
    shifts_s = np.arange(-MOST_APART_S, MOST_APART_S, 0.0005)
    agree = (stroke * np.conj(reference) * np.exp(2j * np.pi * hz * shifts_s[:, None])).sum(axis=1).real
    # Periods that agree equally: the nearest.
    agree *= 1.0 - np.abs(shifts_s) / (4.0 * MOST_APART_S)
    return float(shifts_s[int(np.argmax(agree))])


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
    long_fall_db: float
    """The same from the attack to late."""
    long_fall_seen: float
    new_db: float
    """What is not the going on of what rang before."""
    instead_db: float
    """The loudest other note of the string against what is usual beside this note."""
    rise_db: float
    """The sharpness of the beginning against the usual one."""


def clean_strokes(key: str, sound: NoteSound) -> tuple[Compared, ...]:
    """Each clean stroke against the others, with what is kept of it."""
    found = []
    for at, pluck in enumerate(sound.plucks):
        others = NoteSound((*sound.plucks[:at], *sound.plucks[at + 1 :]))
        if others.plucks:
            windows = {
                name: Partials(np.array(pluck.levels[name], dtype=complex), np.array(pluck.errors[name]), 0.0)
                for name in WINDOWS
            }
            one = compared(NoteLook(key, np.zeros(len(pluck.phases)), windows, ()), others, pluck.rise_db)
            found.append(replace(one, new_db=one.early_db, instead_db=0.0))
    return tuple(found)


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
        _new_db(look, usual),
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


def _new_db(look: NoteLook, usual: Mapping[str, Samples]) -> float:
    """The level early of what does not go on from before the beat, against the usual level."""
    before, early = look.windows["before"], look.windows["early"]
    count = min(len(usual["early"]), len(look.hz))
    gap_s = early.middle_s - before.middle_s
    turn = np.exp(2j * np.pi * look.hz[:count] * gap_s)
    change = np.abs(early.amplitude[:count] - before.amplitude[:count] * turn)
    seen = _seen(usual["early"][:count], early.error[:count])
    return _db(float((seen * change**2).sum()), float((seen * usual["early"][:count] ** 2).sum()))


def _db(power: float, against: float) -> float:
    return max(10.0 * math.log10((power + 1e-18) / (against + 1e-18)), FAINT_DB)
