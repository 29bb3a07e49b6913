"""From measures to a word: what is said of one event."""

from __future__ import annotations

from collections.abc import Sequence

from coach.listen.heard import Heard
from coach.listen.look import Look
from coach.listen.memory import Compared

LATE_MS = 30.0
LEAST_SEEN = 0.3
CHOKED_DB = -8.0
GONE_DB = -20.0
OTHER_DB = 15.0


def verdict(look: Look, notes: Sequence[Compared | None], gain_db: float) -> Heard:
    """What is said of an event from its notes' measures; `gain_db` is by how much the whole repetition is louder."""
    known = [note for note in notes if note]
    onset_ms = look.onset_ms
    if not known:
        return Heard(look.label, "unsure", 0.0, onset_ms, "its clean sound isn't known yet")
    worst = min(known, key=lambda note: note.late_db)
    late_db = worst.late_db - gain_db
    if worst.seen < LEAST_SEEN:
        return Heard(look.label, "unsure", 0.0, None, "other strings hide it")
    if late_db < GONE_DB:
        return Heard(look.label, "missing", 0.9, None, "nothing was heard of it")
    if late_db < CHOKED_DB and worst.fall_db < CHOKED_DB / 2:
        return Heard(look.label, "choked", 0.9, onset_ms, f"{-late_db:.0f} dB below its clean sound")
    if onset_ms > LATE_MS:
        return Heard(look.label, "late", 0.8, onset_ms, f"{onset_ms:.0f} ms late")
    return Heard(look.label, "clean", 0.9, onset_ms, "")
