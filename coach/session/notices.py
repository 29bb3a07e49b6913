"""What a session tells the player, as values, and the one table that puts them into sentences."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from coach.learning.ladder import Moved, Release, Step
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault, in_words
from coach.rating.table import Result

LONGEST_RESULTS = 36
"""Results told in more letters are only counted."""


class Plain(Enum):
    """What needs no more than to be said."""

    ANOTHER_PLAN = auto()
    COLD_ALONE = auto()
    HURTS = auto()
    NO_EASIER = auto()
    NOTHING_TO_UNDO = auto()
    ONLY_THE_LAST = auto()
    RATE_THE_LAST = auto()
    SLOWEST = auto()


_PLAIN = {
    Plain.ANOTHER_PLAN: "The plan was done; the next lines are on a new plan of the same day.",
    Plain.COLD_ALONE: "A cold repetition is rated by itself: the turn can't run on.",
    Plain.HURTS: "Stopped because it hurts. Rest now. If it stays or comes back, see a clinician before you play on.",
    Plain.NO_EASIER: "This phrase has no easier version: no note in it is marked with ?.",
    Plain.NOTHING_TO_UNDO: "Nothing to undo in this session.",
    Plain.ONLY_THE_LAST: "Only the last rating can be undone here; earlier ones in the report.",
    Plain.RATE_THE_LAST: "Rate the last repetition: one key if it was clean.",
    Plain.SLOWEST: f"{MIN_BPM} bpm is the slowest.",
}


@dataclass(frozen=True, slots=True)
class Saved:
    """A rating was saved. `try_bpm` is the tempo of the try that follows, `back_bpm` the rung after a failed one."""

    faults: tuple[Fault, ...]
    step: Step | None
    try_bpm: int = 0
    back_bpm: int = 0


@dataclass(frozen=True, slots=True)
class MarksTakenBack:
    """The last mark was taken back: these are gone, and those stand again."""

    gone: tuple[Fault, ...]
    again: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class RatingTakenBack:
    """The rating of a repetition was taken back."""

    title: str
    tempo_bpm: int
    faults: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class Relieved:
    """Something easier for the rest of the turn."""

    release: Release


@dataclass(frozen=True, slots=True)
class LeftForToday:
    title: str


@dataclass(frozen=True, slots=True)
class Missing:
    """The drill has no such phrase, layer or part; `item` where the plan asked for it."""

    what: str
    item: bool = False


@dataclass(frozen=True, slots=True)
class NoSuchLayer:
    layer: str
    layers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NoSuchEvent:
    label: int
    events: int


@dataclass(frozen=True, slots=True)
class NoSuchNote:
    label: int
    note: int


@dataclass(frozen=True, slots=True)
class GoalReached:
    goal_bpm: int


@dataclass(frozen=True, slots=True)
class FasterOnce:
    """A tempo above the rung, chosen by the player."""

    tempo_bpm: int
    rung_bpm: int


@dataclass(frozen=True, slots=True)
class FirstTry:
    """A turn begins above its rung."""

    tempo_bpm: int


@dataclass(frozen=True, slots=True)
class Guessed:
    """A mark that may be about other events."""

    label: int
    others: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Offered:
    """A suggestion that marks nothing."""

    label: int
    result: Result


@dataclass(frozen=True, slots=True)
class Reloaded:
    """An edited drill was read."""

    title: str


@dataclass(frozen=True, slots=True)
class NotSaved:
    """The disk refused a result."""

    why: str


Notice = (
    Plain
    | Saved
    | MarksTakenBack
    | RatingTakenBack
    | Relieved
    | LeftForToday
    | Missing
    | NoSuchLayer
    | NoSuchEvent
    | NoSuchNote
    | GoalReached
    | FasterOnce
    | FirstTry
    | Guessed
    | Offered
    | Reloaded
    | NotSaved
)


def sentence(notice: Notice) -> str:
    """What the player reads."""
    match notice:
        case Plain():
            return _PLAIN[notice]
        case Saved():
            return _saved(notice)
        case MarksTakenBack(gone, again):
            parts = [f"{in_words(gone)} taken back"] if gone else []
            return "; ".join([*parts, *([f"{in_words(again)} again"] if again else [])])
        case RatingTakenBack(title, tempo_bpm, faults):
            return f"Taken back: {title} at {tempo_bpm}, {in_words(faults) or 'clean'}. Rate it anew."
        case Relieved(release):
            return f"Still not clean: {release.value} for this turn."
        case LeftForToday(title):
            return f"{title}: enough for today. It comes back another day."
        case Missing(what, item):
            return f"left out: {what} is no longer in the drill" if item else f"{what} is not in the drill."
        case NoSuchLayer(layer, layers):
            return f"There is no layer {layer!r}: {', '.join(layers)}."
        case NoSuchEvent(label, events):
            return f"there is no event {label}: 1 to {events}"
        case NoSuchNote(label, note):
            return f"event {label} has no note {note}"
        case GoalReached(goal_bpm):
            return f"{goal_bpm} bpm is the goal of this drill."
        case FasterOnce(tempo_bpm, rung_bpm):
            return f"Once at {tempo_bpm}: clean lifts the rung there, a fault leaves it at {rung_bpm}."
        case FirstTry(tempo_bpm):
            return f"Try {tempo_bpm}: clean lifts the rung there, a fault costs nothing."
        case Guessed(label, others):
            return f"{label} is a guess, may be {' or '.join(map(str, others))}"
        case Offered(label, result):
            return f"{label} {result.word}?"
        case Reloaded(title):
            return f"{title} is read anew"
        case NotSaved(why):
            return why


def _saved(saved: Saved) -> str:
    words = in_words(saved.faults) or "clean"
    if len(words) > LONGEST_RESULTS:
        words = f"{len(saved.faults)} failed"
    if saved.step is not None and saved.step.kind is Moved.LANDED:
        words += ": landed"
    elif saved.step is not None and saved.step.to_bpm > saved.step.from_bpm:
        words += f": up to {saved.step.to_bpm}"
    elif saved.step is not None and saved.step.to_bpm < saved.step.from_bpm:
        words += f": down to {saved.step.to_bpm}"
    if saved.try_bpm:
        words += f"; try {saved.try_bpm}"
    elif saved.back_bpm:
        words += f"; back to {saved.back_bpm}"
    return f"saved, {words}"
