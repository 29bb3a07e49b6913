"""What the practice log holds: repetitions with their results, corrections, and other entries.

Conventions: times are UTC in milliseconds since 1970, beside the local offset in minutes. A practice day begins at
04:00 local time and is named by its calendar date. Ids are 26 characters, sort by time and are unique across
machines (48 bits of milliseconds, 80 random bits, Crockford's base 32). Nothing is ever changed in place: a
correction is an entry of its own, and the latest correction of a rep, by (time, id), decides what counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from datetime import UTC, date, datetime, timedelta, timezone
from functools import lru_cache
from typing import Annotated, Any, Literal

from coach.ground.codec import As, Fits, Range
from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.excerpt import Excerpt
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import Fault, faults_text, parse_faults

DAY_STARTS_HOUR = 4
DAY_MS = 86_400_000
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS, _MINUTE = timedelta(milliseconds=1), timedelta(minutes=1)
_BASE32 = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
_ID = re.compile(f"[{_BASE32}]{{26}}")


def practice_day(at_ms: int, utc_offset_min: int) -> date:
    """The practice day of a moment: the local date four hours earlier."""
    return date.fromordinal(day_number(at_ms, utc_offset_min))


def day_number(at_ms: int, utc_offset_min: int) -> int:
    """The practice day of a moment as a proleptic ordinal."""
    return _EPOCH.toordinal() + (at_ms + utc_offset_min * 60_000 - DAY_STARTS_HOUR * 3_600_000) // DAY_MS


def day_left_ms(at_ms: int, utc_offset_min: int) -> int:
    """How long the practice day of a moment still lasts, from 1 ms to a day."""
    return DAY_MS - (at_ms + utc_offset_min * 60_000 - DAY_STARTS_HOUR * 3_600_000) % DAY_MS


def iso_time(at_ms: int, utc_offset_min: int = 0) -> str:
    """A moment as ISO 8601 with its zone, to the millisecond: `2026-12-03T13:00:00.000+01:00`."""
    zone = timezone(timedelta(minutes=utc_offset_min)) if utc_offset_min else UTC
    local = datetime.fromtimestamp(at_ms // 1000, zone).replace(microsecond=at_ms % 1000 * 1000)
    return local.isoformat(timespec="milliseconds")


def parse_time(text: str) -> tuple[int, int]:
    """The inverse of `iso_time`: UTC in ms and offset in minutes; ValueError without a zone."""
    moment = datetime.fromisoformat(text)
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(
            f"{plain_text(text, 40)!r} has no zone; expected as in 2026-12-03T13:00:00.000+01:00"
        )
    return (moment - _EPOCH) // _MS, offset // _MINUTE


def new_id(at_ms: int, random_bytes: bytes) -> str:
    """An id from a time in milliseconds and ten random bytes."""
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
    return _ID.fullmatch(text) is not None


def is_name(text: str) -> bool:
    """Whether the text can be a player's name."""
    return bool(text) and plain_text(text) == text


Id = Annotated[str, Fits(is_id, "an id of 26 letters and digits")]
AtMs = Annotated[int, Range(0, (1 << 47) - 1)]
"""UTC in milliseconds since 1970."""
OffsetMin = Annotated[int, Range(-1439, 1439)]
"""Of the local time from UTC, in minutes."""
Bpm = Annotated[int, Range(MIN_BPM, MAX_BPM)]


@lru_cache(4096)
def is_excerpt_key(text: str) -> bool:
    """Whether the text is the key of an excerpt."""
    try:
        return bool(Excerpt.parse(text))
    except ValueError:
        return False


ExcerptKey = Annotated[str, Fits(is_excerpt_key, "drill:phrases:layer:kind:full|easier:subject")]
Name = Annotated[str, Fits(is_name, "a name on one line, without invisible characters")]
Faults = Annotated[tuple[Fault, ...], As(faults_text, lru_cache(4096)(parse_faults))]


@frozen
class Suggestion:
    """What something other than the player took an event for, whatever the player then said."""

    label: Annotated[int, Range(1, 99_999)]
    result: str
    """What it took the event for: of a pedal a result's word, of a microphone a verdict's (`coach.listen.heard`)."""
    certainty: Annotated[float, Range(0, 1)]
    """From 0 to 1."""
    source: str
    """What suggests: `pedal`, `microphone`."""


@frozen
class Rep:
    """One repetition as it was practised and rated: the session makes it, the log keeps it, all else reads it."""

    id: Id
    player: Id
    """The player's id."""
    at_ms: AtMs
    utc_offset_min: OffsetMin
    passage: str
    """Id of the `LoggedPassage` that was played."""
    excerpt: ExcerptKey
    """Key of the excerpt, as in the passage: the ladder that the rep moves."""
    tempo_bpm: Bpm
    goal_bpm: Bpm
    faults: Faults | None
    """None: played but not rated; an unrated rep is not clean."""
    rung_bpm: Annotated[int, Range(MIN_BPM, MAX_BPM, or_zero=True)] = 0
    """The ladder's rung just before the rep, after any move by the player's own choice; 0 where unknown."""
    purpose: str = ""
    """Kind of the plan item that asked for it: `cold`, `weak`, ...; empty where the player chose."""
    turn: str = ""
    """Id shared by the reps of one turn."""
    listened: bool = False
    """Whether the model was heard just before."""
    duration_ms: Annotated[int, Range(0, DAY_MS)] = 0
    """From the first beat to the last; the count-in is no playing."""
    suggestions: tuple[Suggestion, ...] = ()
    """What was suggested, in order of label."""

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

    @property
    def day_number(self) -> int:
        """The practice day as a proleptic ordinal."""
        return day_number(self.at_ms, self.utc_offset_min)

    def rated_as(self, faults: Iterable[Fault] | None) -> Rep:
        """The same repetition with other results."""
        return replace(self, faults=None if faults is None else tuple(sorted(faults)))


@frozen
class Correction:
    """A later word on a rep: other results, that it does not count at all (`void`), or what was suggested late.

    With `suggestions` it says nothing of results: those of the latest word without them hold.
    """

    id: Id
    rep: Id
    at_ms: AtMs
    faults: Faults | None
    void: bool = False
    suggestions: tuple[Suggestion, ...] = ()
    """What was suggested after the rating."""


EntryKind = Literal["sitting", "set-aside", "take-up", "hurt", "note", "answers", "known"]


@frozen
class Entry:
    """Anything else worth remembering, with its facts as JSON values."""

    id: Id
    player: Id
    at_ms: AtMs
    utc_offset_min: OffsetMin
    kind: EntryKind
    body: Mapping[str, Any] = field(default_factory=dict)

    @property
    def day(self) -> date:
        return practice_day(self.at_ms, self.utc_offset_min)


@frozen
class Named:
    """What a player is called from then on; of several names the latest, by (time, id), counts."""

    id: Id
    player: Id
    at_ms: AtMs
    name: Name
