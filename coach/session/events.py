"""What can happen in a session and what a session asks of its host: the vocabulary of `machine.py`.

Events are values without a time; the host gives the moment beside them. Effects are carried out in the order given.
"""

from __future__ import annotations

from enum import StrEnum

from coach.ground.frozen import frozen
from coach.log.entries import Correction, Entry, Rep
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, LoggedPassage, Passage
from coach.rating.fault import Fault
from coach.rating.table import Result
from coach.session.notices import Notice


@frozen
class SessionEvent:
    """Something that happened."""


@frozen
class Go(SessionEvent):
    """Start the repetition; go on after a rest or a pause."""


@frozen
class RepEnded(SessionEvent):
    """The last sample was heard."""


@frozen
class RoundEnded(SessionEvent):
    """The bar of clicks after a repetition is over, and no key said that it was clean."""


@frozen
class Cut(SessionEvent):
    """The player broke off; events after label `reached` were not played."""

    reached: int


@frozen
class Mark(SessionEvent):
    """Mark an event as failed; the same mark again takes it back, another one on the same event replaces it."""

    fault: Fault


@frozen
class MarkRest(SessionEvent):
    """Mark every event from a label on."""

    label: int
    result: Result


class Source(StrEnum):
    """Who suggests how an event went."""

    PEDAL = "pedal"
    """The player's foot said that something went so: it marks, and only the event is a guess."""
    MICROPHONE = "microphone"
    """The program heard something: it is shown, and marks nothing."""


@frozen
class Suggest(SessionEvent):
    """An event may have gone so, with a certainty of 0 to 1; `others` are labels that it may be about instead."""

    label: int
    mark: Result | None
    """The mark that is suggested; None: none."""
    verdict: str
    """What the log keeps: a word of `coach.listen.heard`."""
    certainty: float
    source: Source
    others: tuple[int, ...] = ()
    heard: str = ""
    """What was heard, for the player: `quiet`, `40 ms late`; empty where nothing is to be said."""


@frozen
class Confirm(SessionEvent):
    """Save the repetition with the marks as they stand."""


@frozen
class AsHeard(SessionEvent):
    """Save the repetition with the marks as they stand and with what is suggested beside them."""


@frozen
class Rated(SessionEvent):
    """A repetition that was played elsewhere, with its results; `tempo_bpm` where another tempo was played."""

    faults: tuple[Fault, ...]
    tempo_bpm: int | None = None


@frozen
class Again(SessionEvent):
    """Once more: a repetition that waits for its rating is kept, as marked or unrated; one in progress is dropped."""


@frozen
class SetTempo(SessionEvent):
    """Play at another tempo: a slower one is the rung from now on, a faster one is for one repetition."""

    tempo_bpm: int


@frozen
class Skip(SessionEvent):
    """Leave this item; go to the next."""


@frozen
class Easier(SessionEvent):
    """Switch the easier version on or off."""


@frozen
class ChooseLayer(SessionEvent):
    """Practise one layer, or all together."""

    layer: str


@frozen
class ChooseExcerpt(SessionEvent):
    """Practise another excerpt now, for the rest of this turn."""

    excerpt: Excerpt


@frozen
class Reload(SessionEvent):
    """A drill was edited."""

    drill: Drill


@frozen
class Listen(SessionEvent):
    """Hear the model at this tempo."""


@frozen
class Pause(SessionEvent):
    """Stop the sound; a repetition in progress is dropped, one that waits for its rating keeps waiting."""


@frozen
class RunOn(SessionEvent):
    """Let the turn run on by itself, or stop that: then the last repetition is rated."""


@frozen
class Undo(SessionEvent):
    """Take back the last mark of this repetition; where there is none, the last rating."""


@frozen
class Stop(SessionEvent):
    """End the session; `hurts` where it ends because something hurts."""

    hurts: bool = False


@frozen
class StartRep:
    """Play the drill's count-in and the passage; with `model`, the model instead of the player.

    In a round a bar of clicks follows at the bar line and counts in the next repetition at `next_bpm`; 0: none.
    """

    drill: Drill
    passage: Passage
    tempo_bpm: int
    model: bool = False
    next_bpm: int = 0


@frozen
class PlayOn:
    """The repetition that the bar of clicks counts in is played; after it one at `next_bpm` may follow, 0: none."""

    next_bpm: int


@frozen
class Silence:
    """Stop the sound."""


@frozen
class SaveRep:
    """Log a repetition, and what was played where the log does not have it yet."""

    rep: Rep
    passage: LoggedPassage


@frozen
class Save:
    """Log a later word on a repetition, or another entry."""

    word: Correction | Entry


@frozen
class AutoGo:
    """Send Go after so many seconds unless the player does something first."""

    seconds: float


@frozen
class Tell:
    """Tell the player."""

    notice: Notice


@frozen
class Finished:
    """The session is over."""


Effect = StartRep | PlayOn | Silence | SaveRep | Save | AutoGo | Tell | Finished
