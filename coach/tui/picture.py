"""The session at one moment, frozen, as its screen shows it, and the large words of its state."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

from coach.ground.frozen import frozen
from coach.learning.readings import Rung
from coach.music.clicktrack import BeatAt
from coach.music.excerpt import Passage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, Result
from coach.session.events import Suggest
from coach.strings.instrument import Instrument
from coach.tui import meters
from coach.tui.focus import Focus, focus_at
from coach.tui.hints import Hint
from coach.tui.layout import View

PHASE_WORDS: dict[str, str] = {
    "ready": "READY",
    "listening": "HEAR",
    "playing": "",
    "rating": "CLEAN?",
    "paused": "PAUSE",
    "rest": "REST",
    "done": "DONE",
}


MOST_NAMED = 3
"""More events than these are only counted."""


@frozen
class Picture:
    """Everything the session screen shows at one moment."""

    phase: str
    view: View
    hints: tuple[Hint, ...]
    title: str = ""
    """The drill's title."""
    assigned: tuple[str, ...] = ()
    """What a teacher asks for, the longest wording first; empty where nothing is assigned."""
    item: str = ""
    """What the turn is for and which of the session it is; how many there will be is chosen as it goes."""
    passage: Passage | None = None
    instrument: Instrument | None = None
    rung: Rung | None = None
    tempo_bpm: int = 0
    next_bpm: int = 0
    """The tempo at which a bar of clicks counts in what follows, while a repetition is rated; 0 where none does."""
    beats: Sequence[BeatAt] = ()
    position_s: float | None = None
    beat: float | None = None
    """Where the music is, in tempo beats; None while it stands, negative in the count-in."""
    marks: tuple[Fault, ...] = ()
    heard: tuple[Suggest, ...] = ()
    """What was heard of events on which nothing is marked."""
    guesses: frozenset[int] = frozenset()
    """Labels of marks that may be about another event."""
    listens: bool = False
    """Whether the program listens."""
    brush: Result = CHOKED
    cursor: int = 0
    page: int | None = None
    """Of the sheet; None until the player turns to one: where something likely went wrong."""
    message: str = ""
    cue: str = ""
    then: str = ""
    """The first note of what follows the turn; empty until it is near, or where nothing follows by itself."""
    minutes_left: float | None = None
    """Of the session; None where nobody counts them."""
    unsaved: bool = False
    """Whether the disk refuses results."""
    run_on: bool = False
    left_handed: bool = False
    plain: bool = False

    @property
    def look_at(self) -> tuple[int, ...]:
        """Labels of the events that something is suggested about, while a repetition is rated."""
        offers = (one.label for one in self.heard if one.mark)
        return tuple(offers) if self.phase == "rating" else ()

    @property
    def likely(self) -> int:
        """Label of the event that the player likely wants to see first: marked, suggested, or the last one played."""
        if first := min(
            (*(mark.label for mark in self.marks if not mark.result.rest), *self.look_at), default=0
        ):
            return first
        return max(min((mark.label for mark in self.marks), default=1) - 1, 1)

    @cached_property
    def walk(self) -> tuple[int, float] | None:
        """Which of `beats` is heard, and how many of its bar have gone by; None while nothing plays."""
        if self.position_s is None or not self.beats:
            return None
        return meters.walk_at(self.beats, self.position_s)

    @property
    def beat_index(self) -> int | None:
        """Which of `beats` is heard; None while nothing plays."""
        return self.walk[0] if self.walk else None

    @cached_property
    def focus(self) -> Focus:
        """What sounds and what comes."""
        return focus_at(self.passage, self.beat) if self.passage else Focus(None, None)

    def moved(self, position_s: float | None, beat: float | None, message: str) -> Picture | None:
        """The same with the music further on; None where more than `session_view.moving` looks different then."""
        now = replace(self, position_s=position_s, beat=beat, message=message)
        if now.beat_index != self.beat_index or message != self.message:
            return None
        if beat is None or self.beat is None:
            return now if beat is self.beat else None
        if not self.beat <= beat < self.focus.until:
            return None
        # The same until then: to look for it among all events takes a tenth of a picture.
        now.__dict__["focus"] = self.focus
        return now

    @property
    def counts_in(self) -> bool:
        """Whether the count-in is heard."""
        at = self.beat_index
        return at is not None and self.beats[at].bar < 0


def band_words(picture: Picture) -> tuple[meters.Words, ...]:
    """What stands large below the beat's track: the state, a number with its unit, the time left."""
    words = [_state_words(picture), *_number_words(picture)]
    if picture.minutes_left is not None and not (picture.phase == "rating" and picture.counts_in):
        words.append((time_left(picture.minutes_left), "text"))
    return tuple(words)


def _state_words(picture: Picture) -> meters.Words:
    at = picture.beat_index
    if picture.passage is None:
        # It stands above, larger. The minutes alone would read as those of tuning, or of the break.
        return "SESSION" if picture.phase == "rest" and picture.minutes_left is not None else "", "text"
    if picture.phase == "rating" and picture.marks:
        return _failed(picture)
    if picture.unsaved and at is None:
        return "NOT SAVED", "bass"
    if picture.look_at:
        return _look_at(picture)
    if at is not None and picture.phase == "playing":
        if picture.counts_in:
            # The count itself stands above.
            return ("NOT SAVED", "bass") if picture.unsaved else ("COUNT", "beat")
        return f"BEAT {picture.beats[at].number}", "now"
    return PHASE_WORDS[picture.phase], "good" if picture.phase == "ready" else "text"


def _number_words(picture: Picture) -> list[meters.Words]:
    at = picture.beat_index
    if picture.passage is None or (picture.unsaved and (at is None or picture.counts_in)):
        return []
    if picture.phase == "rating":
        counting = at is not None and not picture.marks
        if picture.look_at and picture.marks:
            return [_look_at(picture)]
        if counting and at is not None:
            return [(f"COUNT {picture.beats[at].number}", "beat"), (f"{picture.next_bpm} BPM", "text")]
        return [(f"THEN {picture.then}", "next")] if picture.then else []
    if picture.marks:
        return [_failed(picture)]
    return [(f"{picture.tempo_bpm} BPM", "text")]


def _failed(picture: Picture) -> meters.Words:
    """How many events failed; where none did, some were not reached."""
    failed = sum(mark.result.fails for mark in picture.marks)
    return f"{failed} FAILED" if failed else "BROKE OFF", "bass"


def _look_at(picture: Picture) -> meters.Words:
    """The events that the player is asked to look at."""
    labels = picture.look_at
    if len(labels) > MOST_NAMED:
        return f"LOOK AT {len(labels)} EVENTS", "next"
    return f"LOOK AT {'+'.join(map(str, labels))}", "next"


def time_left(minutes: float) -> str:
    """`12 MIN`, in hours from 100 min on: `1.7 H`."""
    return f"{math.ceil(minutes)} MIN" if minutes <= 99 else f"{minutes / 60:.1f} H"
