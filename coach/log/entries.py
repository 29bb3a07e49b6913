"""What the practice log holds: repetitions with their results, corrections, and other entries.

Conventions: times are UTC in milliseconds since 1970, beside the local offset in minutes. A practice day begins at
04:00 local time and is named by its calendar date. Ids are 26 characters, sort by time and are unique across
machines (48 bits of milliseconds, 80 random bits, Crockford's base 32). Nothing is ever changed in place: a
correction is an entry of its own, and the latest correction of a rep, by (time, id), decides what counts.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from typing import Literal

from coach.rating.fault import Fault

DAY_STARTS_HOUR = 4
_BASE32 = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"


@dataclass(frozen=True, slots=True)
class Suggestion:
    """What something other than the player took an event for, whatever the player then said."""

    label: int
    result: str
    """The result's word; `clean` where it took the event for clean."""
    certainty: float
    """From 0 to 1."""
    source: str
    """What suggests: `pedal`, `microphone`."""


@dataclass(frozen=True, slots=True)
class Rep:
    """One repetition as it was practised and rated: the session makes it, the log keeps it, all else reads it."""

    id: str
    player: str
    """The player's id."""
    at_ms: int
    utc_offset_min: int
    passage: str
    """Id of the `LoggedPassage` that was played."""
    excerpt: str
    """Key of the excerpt, as in the passage: the ladder that the rep moves."""
    tempo_bpm: int
    goal_bpm: int
    faults: tuple[Fault, ...] | None
    """None: played but not rated; an unrated rep is not clean."""
    rung_bpm: int = 0
    """The ladder's rung just before the rep, after any move by the player's own choice; 0 where unknown."""
    purpose: str = ""
    """Kind of the plan item that asked for it: `cold`, `weak`, ...; empty where the player chose."""
    turn: str = ""
    """Id shared by the reps of one turn."""
    listened: bool = False
    """Whether the model was heard just before."""
    duration_ms: int = 0
    """Count-in and repetition together."""
    suggestions: tuple[Suggestion, ...] = ()
    """What was suggested while it was rated, in order of label."""

    @property
    def rated(self) -> bool:
        return self.faults is not None

    @property
    def clean(self) -> bool:
        """Every event clean; an unrated rep is not."""
        return self.faults == ()

    @property
    def day(self) -> date:
        return practice_day(self.at_ms, self.utc_offset_min)

    def rated_as(self, faults: Iterable[Fault] | None) -> Rep:
        """The same repetition with other results."""
        return replace(self, faults=None if faults is None else tuple(sorted(faults)))


@dataclass(frozen=True, slots=True)
class Correction:
    """A later word on a rep: other results, or that it does not count at all (`void`)."""

    id: str
    rep: str
    at_ms: int
    faults: tuple[Fault, ...] | None
    void: bool = False


EntryKind = Literal["sitting", "set-aside", "take-up", "assignment", "hurt", "note", "tuning", "answers"]


@dataclass(frozen=True, slots=True)
class Entry:
    """Anything else worth remembering, with its facts as JSON text."""

    id: str
    player: str
    at_ms: int
    utc_offset_min: int
    kind: EntryKind
    body: str = "{}"


def practice_day(at_ms: int, utc_offset_min: int) -> date:
    """The practice day of a moment: the local date four hours earlier."""
    local = datetime.fromtimestamp(at_ms / 1000, UTC) + timedelta(minutes=utc_offset_min)
    return (local - timedelta(hours=DAY_STARTS_HOUR)).date()


def new_id(at_ms: int, random_bytes: bytes) -> str:
    """An id from a time in milliseconds and ten random bytes."""
    if len(random_bytes) != 10:
        raise ValueError("an id needs ten random bytes")
    number = ((at_ms & (1 << 48) - 1) << 80) | int.from_bytes(random_bytes)
    letters = []
    for _ in range(26):
        number, index = divmod(number, 32)
        letters.append(_BASE32[index])
    return "".join(reversed(letters))


def serial_id(at_ms: int, nonce: bytes, serial: int) -> str:
    """An id from eight random bytes of a run and a number, 0 to 65,535, that the run uses once.

    Ids of one millisecond and one run sort by their numbers.
    """
    return new_id(at_ms, nonce + serial.to_bytes(2))


def is_id(text: str) -> bool:
    """Whether the text is a well-formed id."""
    return len(text) == 26 and all(letter in _BASE32 for letter in text)
