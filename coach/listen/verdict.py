"""From measures to a word: what is said of one event.

How likely a note was lost is a logistic function of what was measured of it (level early and late, how it fell, what
is new), fitted on simulated and sampled strings. Between what is surely there and what is surely lost nothing is said.
A beginning is called late only where nothing else begins with it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from coach.listen.heard import CHOKED, CLEAN, LATE, MISSING, OTHER, UNSURE, Heard
from coach.listen.look import CLEAR_DB, SHARP_DB, Look
from coach.listen.memory import Compared

LATE_MS = 28.0
"""Clean players are within 17 ms of their beat, and a beginning is heard to 10 ms."""
SOFT_MS = 17.0
"""A beginning without a sharp rise that seems further from its beat is more often misheard than misplayed: on
training sets all 13 were over 10 ms wrong."""
LEAST_SEEN = 0.2
"""Where other strings hide more than 80 % of a note's usual power, the ear abstains."""
SURELY_LOST, SURELY_THERE = 0.65, 0.07
GONE_DB = -18.0
"""A level early and late below this was never there: a choked note still has its attack."""
GONE_CHANCE = 0.95
OTHER_DB = 10.0
OTHER_BELOW_DB = -6.0
DIFFER, HIDDEN = "its clean notes differ too much", "other strings hide it"

CONSTANT = -6.80
WEIGHTS = {
    "early": (2.30, 0.0),
    "late below 12": (-2.85, -12.0),
    "fall": (-3.60, 0.0),
    "late mean": (-5.16, 0.0),
}
"""Of each measure: the weight of 10 dB, and, where it says so, the level below which it counts. Fitted by logistic
regression on training sets of `benchmarks.sounds`, seeds 1, 2, 21 to 25 and 103: 2,604 events at 20 dB and more and at
most 110 bpm, chokes of 12 dB and more and missing notes against good ones. Judged by weights that were fitted on the
other instruments, 3 of 2,110 good notes were marked, 122 of 125 chokes and 69 of 72 missing notes found, and of 10.6 %
of the events it could not tell. How a note fell from its attack, what is new early, how sharply it began, what sounds
instead, and the same levels counted otherwise added nothing to that."""


def verdict(
    look: Look,
    notes: Sequence[Compared | None],
    gain_db: float,
    strokes: Callable[[str], Sequence[Compared]],
) -> Heard:
    """What is said of an event from its notes' measures.

    `gain_db` is by how much the whole repetition is louder than usual; `strokes` gives the clean strokes of a note by
    its key, which a fault has to stand out from.
    """
    if any(note is None for note in notes):
        return _unsure(look, "its clean sound is not known yet")
    seen = [note for note in notes if note and note.seen >= LEAST_SEEN]
    chances = [lost(note, gain_db) for note in seen]
    chance = max(chances, default=0.0)
    if chance >= SURELY_LOST:
        worst = seen[chances.index(chance)]
        key = look.notes[notes.index(worst)].key
        if _differ(strokes(key)):
            return _unsure(look, DIFFER)
        return _fault(look, worst, gain_db, chance)
    if len(seen) < len(notes):
        hidden = [look.notes[at].key for at, note in enumerate(notes) if note and note not in seen]
        return _unsure(look, DIFFER if any(_differ(strokes(key)) for key in hidden) else HIDDEN)
    if chance > SURELY_THERE:
        why = _level(seen[chances.index(chance)], gain_db)
        return _unsure(look, why)
    return _timed(look, 1.0 - chance)


def _differ(strokes: Sequence[Compared]) -> bool:
    """Whether a fault of one of a note's clean strokes would be said, against the others."""
    return any(lost(stroke, 0.0) >= SURELY_LOST for stroke in strokes)


def _unsure(look: Look, why: str) -> Heard:
    return Heard(look.label, UNSURE, 0.0, why=why)


def lost(note: Compared, gain_db: float) -> float:
    """How likely the note was choked, or never struck."""
    early_db, late_db = _cut(note.early_db - gain_db, -30.0, 6.0), _cut(note.late_db - gain_db, -30.0, 6.0)
    measures = {
        "late": late_db,
        "early": early_db,
        "fall": note.fall_seen * _cut(note.fall_db, -15.0, 3.0),
        "late mean": _cut(note.late_mean_db - gain_db, -30.0, 6.0),
    }
    odds = CONSTANT
    for name, (weight, knee_db) in WEIGHTS.items():
        value = measures[name.partition(" below ")[0]]
        odds += weight * (min(value - knee_db, 0.0) if knee_db else value) / 10.0
    chance = 1.0 / (1.0 + math.exp(-_cut(odds, -30.0, 30.0)))
    return max(chance, GONE_CHANCE) if max(early_db, late_db) < GONE_DB else chance


def _cut(value: float, low: float, high: float) -> float:
    return min(max(value, low), high)


def _fault(look: Look, note: Compared, gain_db: float, chance: float) -> Heard:
    early_db, late_db = note.early_db - gain_db, note.late_db - gain_db
    if note.instead_db - gain_db > OTHER_DB and late_db < OTHER_BELOW_DB:
        return Heard(look.label, OTHER, chance, look.onset_ms, "another note on its string")
    if max(early_db, late_db) < GONE_DB:
        return Heard(look.label, MISSING, chance, None, "hardly heard")
    return Heard(look.label, CHOKED, chance, look.onset_ms, _level(note, gain_db))


def _level(note: Compared, gain_db: float) -> str:
    below_db = max(gain_db - note.late_db, -note.fall_db)
    return f"{below_db:.0f} dB below its clean sound" if below_db >= 1.0 else "duller than its clean sound"


def _timed(look: Look, chance: float) -> Heard:
    onset_ms = look.onset_ms
    if onset_ms is None or onset_ms <= LATE_MS:
        is_timed = onset_ms is not None and (look.rise_db >= SHARP_DB or abs(onset_ms) <= SOFT_MS)
        return Heard(look.label, CLEAN, chance, onset_ms if is_timed else None)
    if look.alone and look.rise_db >= CLEAR_DB:
        return Heard(look.label, LATE, chance, onset_ms, f"{onset_ms:.0f} ms late")
    return _unsure(look, "its start is hidden by others")
