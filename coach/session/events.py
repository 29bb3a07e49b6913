"""What can happen in a session and what a session asks of its host: the vocabulary of `session.py`.

Events carry their moment, `at_ms`, UTC in milliseconds since 1970. Effects are carried out in the order given.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from coach.learning.ladder import Ladder, Step
from coach.log.entries import EntryKind
from coach.music.drill import ClickPattern
from coach.music.excerpt import Excerpt, Passage
from coach.rating.fault import Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionEvent:
    """Something that happened; `at_ms` is UTC in milliseconds."""

    at_ms: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Go(SessionEvent):
    """Start the repetition; go on after a rest or a pause."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepEnded(SessionEvent):
    """The last sample was heard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut(SessionEvent):
    """The player broke off; events after label `reached` were not played."""

    reached: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark(SessionEvent):
    """Mark an event as failed; the same mark again takes it back, another one on the same event replaces it."""

    fault: Fault


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirm(SessionEvent):
    """Save the repetition with the marks as they stand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rated(SessionEvent):
    """Save the repetition with these results in one go; `tempo_bpm` where another tempo was played."""

    faults: tuple[Fault, ...]
    tempo_bpm: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Again(SessionEvent):
    """Once more: a repetition that waits for its rating is kept, as marked or unrated; one in progress is dropped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetTempo(SessionEvent):
    """Practise this excerpt at another rung."""

    tempo_bpm: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Skip(SessionEvent):
    """Leave this item; go to the next."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Easier(SessionEvent):
    """Switch the easier version on or off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChooseLayer(SessionEvent):
    """Practise one layer, or all together."""

    layer: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChooseExcerpt(SessionEvent):
    """Practise another excerpt now, for the rest of this turn."""

    excerpt: Excerpt


@dataclass(frozen=True, slots=True, kw_only=True)
class Listen(SessionEvent):
    """Hear the model at this rung."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause(SessionEvent):
    """Stop the sound; a repetition in progress is dropped, one that waits for its rating keeps waiting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOn(SessionEvent):
    """Let the turn run on by itself, or stop that: then the last repetition is rated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo(SessionEvent):
    """Take the last saved repetition back and rate it anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop(SessionEvent):
    """End the session; `hurts` where it ends because something hurts."""

    hurts: bool = False


@dataclass(frozen=True, slots=True)
class SavedRep:
    """A repetition of this session as it goes to the log; `serial` counts from 1 in the session."""

    serial: int
    item: int
    turn: int
    passage: Passage
    tempo_bpm: int
    goal_bpm: int
    faults: tuple[Fault, ...] | None
    purpose: str
    listened: bool
    at_ms: int
    before: Ladder
    step: Step | None = None

    @property
    def above_rung(self) -> bool:
        return self.tempo_bpm > self.before.rung_bpm


@dataclass(frozen=True, slots=True)
class StartRep:
    """Play count-in and passage; with `model`, the model instead of the player."""

    passage: Passage
    tempo_bpm: int
    count_in_bars: int
    click: ClickPattern
    model: bool = False


@dataclass(frozen=True, slots=True)
class Silence:
    """Stop the sound."""


@dataclass(frozen=True, slots=True)
class SaveRep:
    rep: SavedRep


@dataclass(frozen=True, slots=True)
class CorrectRep:
    """Results that replace those of an earlier save; void: it does not count until corrected again."""

    serial: int
    faults: tuple[Fault, ...] | None
    void: bool = False


@dataclass(frozen=True, slots=True)
class SaveEntry:
    kind: EntryKind
    body: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class AutoGo:
    """Send Go after so many seconds unless the player does something first."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Tell:
    """A line for the player."""

    text: str


@dataclass(frozen=True, slots=True)
class Finished:
    """The session is over."""


Effect = StartRep | Silence | SaveRep | CorrectRep | SaveEntry | AutoGo | Tell | Finished
