"""From measures to a word: what is said of one event.

How likely a note was lost is a logistic function of how it fell, how loud it is and how surely it rings, fitted on
simulated and sampled strings. Between what is surely there and what is surely lost nothing is said.
A beginning is called late only where nothing else begins with it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coach.ground.frozen import frozen
from coach.listen.heard import CHOKED, CLEAN, LATE, MISSING, OTHER, UNSURE, Heard
from coach.listen.look import CLEAR_DB, SHARP_DB, Look
from coach.listen.memory import CleanSound, Compared

LATE_MS = 28.0
"""Clean players are within 17 ms of their beat, and a beginning is heard to 10 ms."""
SOFT_MS = 17.0
"""A beginning without a sharp rise that seems further from its beat is more often misheard than misplayed: on
training sets all 13 were over 10 ms wrong."""
MOST_LATE_MS = 300.0
"""What rings later than this may be another stroke."""
ROUGHLY = 0.8
"""How sure it is of a note that is silent at its beat and rings later: our own guess."""
LEAST_SEEN = 0.2
"""Where less is seen of a note, counted in partials, other strings hide it."""
SURELY_LOST, SURELY_THERE = 0.65, 0.05
GONE_DB = -18.0
"""A note below this from the start was never there: a choked one still has its attack."""
DIFFER_DB = 20.0
"""Players' strokes are within 10 dB."""
DIFFER = "its clean notes differ too much"
OTHER_DB = 10.0
OTHER_BELOW_DB = -6.0
UNTOUCHED_DB, UNUSUAL_DB = 3.0, 15.0
"""Of a note whose partials are there another one that is louder than it by the first, and than usual by the second, may
sound in its place: an open string has the partials of all its nodes."""

CONSTANT = -4.5
FALL, LEVEL, RINGS = -2.2, -2.2, -3.8
"""Of how far a note fell and how loud it is, both in spreads of its clean strokes, and of how surely it rings. Fitted
by logistic regression with a ridge of 0.5 on training sets of `benchmarks.sounds`, seed 21 (`--count 2 --sampled 8`)
and the first sampled session of seed 22: 1,065 notes at 12 to 30 dB and at most 110 bpm, chokes of 12 dB and more and
missing notes, 94 in all, against good ones."""


@frozen
class Judged:
    """A note of an event: what was measured of it, and its clean sound."""

    now: Compared
    clean: CleanSound

    @property
    def differs(self) -> bool:
        """Whether its clean strokes have little in common."""
        return self.clean.range_db > DIFFER_DB

    def lost(self, gain_db: float) -> float:
        """How likely it was choked, or never struck, in a repetition that is so much louder than usual."""
        fell = self.now.rings * self.now.fall_db / self.clean.fall_spread_db
        louder = (self.now.level_db - gain_db) / self.clean.level_spread_db
        odds = CONSTANT + FALL * fell + LEVEL * louder + RINGS * self.now.rings
        return 1.0 / (1.0 + math.exp(min(max(-odds, -30.0), 30.0)))


def verdict(look: Look, notes: Sequence[Judged | None], gain_db: float) -> Heard:
    """What is said of an event from its notes, None where a clean sound is not known.

    `gain_db` is by how much the whole repetition is louder than usual.
    """
    known = [note for note in notes if note]
    if len(known) < len(notes):
        return _unsure(look, "its clean sound is not known yet")
    if look.after_ms is not None and look.after_ms > LATE_MS:
        return _after(look, look.after_ms)
    seen = [note for note in known if note.now.seen >= LEAST_SEEN]
    worst = max(seen, key=lambda note: note.lost(gain_db), default=None)
    chance = worst.lost(gain_db) if worst else 0.0
    if worst and chance >= SURELY_LOST:
        return _fault(look, worst.now, gain_db, chance)
    if len(seen) < len(known):
        hidden = next(note for note in known if note not in seen)
        return _unsure(look, DIFFER if hidden.differs else "other strings or noise hide it")
    if worst and chance > SURELY_THERE:
        return _unsure(look, DIFFER if worst.differs else _level(worst.now, gain_db))
    if any(
        note.now.untouched_db - gain_db > UNTOUCHED_DB and note.now.instead_db - gain_db > UNUSUAL_DB
        for note in seen
    ):
        return _unsure(look, "another note of its string rings too")
    return _timed(look, 1.0 - chance)


def _after(look: Look, after_ms: float) -> Heard:
    """Of an event that is silent at its beat and rings later."""
    if not look.alone or after_ms > MOST_LATE_MS:
        return _unsure(look, "it rings only after its beat")
    rough_ms = 10.0 * round(after_ms / 10.0)
    return Heard(look.label, LATE, ROUGHLY, rough_ms, f"about {rough_ms:.0f} ms late")


def _unsure(look: Look, why: str) -> Heard:
    return Heard(look.label, UNSURE, 0.0, why=why)


def _fault(look: Look, note: Compared, gain_db: float, chance: float) -> Heard:
    level_db = note.level_db - gain_db
    if note.instead_db - gain_db > OTHER_DB and level_db < OTHER_BELOW_DB:
        return Heard(look.label, OTHER, chance, look.onset_ms, "another note on its string")
    if level_db - min(note.rings * note.fall_db, 0.0) < GONE_DB:
        return Heard(look.label, MISSING, chance, None, "hardly heard")
    return Heard(look.label, CHOKED, chance, look.onset_ms, _level(note, gain_db))


def _level(note: Compared, gain_db: float) -> str:
    below_db = max(gain_db - note.level_db, -note.fall_db)
    return f"{below_db:.0f} dB below its clean sound" if below_db >= 1.0 else "duller than its clean sound"


def _timed(look: Look, chance: float) -> Heard:
    onset_ms = look.onset_ms
    if onset_ms is None or onset_ms <= LATE_MS:
        is_timed = onset_ms is not None and (look.rise_db >= SHARP_DB or abs(onset_ms) <= SOFT_MS)
        return Heard(look.label, CLEAN, chance, onset_ms if is_timed else None)
    if look.alone and look.rise_db >= CLEAR_DB:
        return Heard(look.label, LATE, chance, onset_ms, f"{onset_ms:.0f} ms late")
    return _unsure(look, "its start is hidden by others")
