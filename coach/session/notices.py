"""What a session tells the player, as values, each with the words it is told in."""

from __future__ import annotations

from enum import Enum
from typing import ClassVar

from coach.ground.frozen import frozen
from coach.learning.relief import Release
from coach.learning.rung import Moved, Step
from coach.log.log import Refusal
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault, in_words

LONGEST_RESULTS = 36
"""Results told in more letters are only counted."""


class Plain(Enum):
    """What has no facts of its own."""

    ANOTHER_PLAN = "The plan was done; the next lines are on a new plan of the same day."
    COLD_ALONE = "A cold repetition is rated by itself: this item can't run on."
    HURTS = (
        "Stopped because it hurts. Rest now. If it stays or comes back, see a clinician before you play on."
    )
    NO_EASIER = "There is no easier version of this: none of its notes is marked with ?."
    NOT_COUNTED = "Stopped: that repetition is not counted."
    NOTHING_SUGGESTED = "The ear suggests nothing more here."
    NOTHING_TO_UNDO = "Nothing to undo in this session."
    ONLY_THE_LAST = "Only the last rating can be undone here; `coach log correct` changes earlier ones."
    RATE_THE_LAST = "Rate the last repetition: one key if it was clean."
    SLOWEST = f"{MIN_BPM} bpm is the slowest."


@frozen
class Worded:
    """What is told in the words of its class."""

    words: ClassVar[str]


@frozen
class Saved:
    """A rating was saved. `back_bpm` is the rung after a failed repetition above it."""

    faults: tuple[Fault, ...]
    step: Step | None
    back_bpm: int = 0
    title: str = ""
    """Of what was rated, where something else stands on the screen by now."""


@frozen
class MarksTakenBack:
    """The last mark was taken back: these are gone, and those stand again."""

    gone: tuple[Fault, ...]
    again: tuple[Fault, ...]


@frozen
class RatingTakenBack:
    """The rating of a repetition was taken back."""

    title: str
    tempo_bpm: int
    faults: tuple[Fault, ...]


@frozen
class Guessed:
    """A mark that may be about other events."""

    label: int
    others: tuple[int, ...]


@frozen
class NoSuchLayer:
    layer: str
    layers: tuple[str, ...]


@frozen
class Relieved(Worded):
    release: Release
    words: ClassVar[str] = "Still not clean: {0.release.value}."


@frozen
class WholeAgain(Worded):
    words: ClassVar[str] = "Clean twice: the whole again."


@frozen
class LeftForToday(Worded):
    title: str
    words: ClassVar[str] = "{0.title}: enough for today. It comes back another day."


@frozen
class Free(Worded):
    """The plan is done before its time."""

    why: str
    words: ClassVar[str] = "{0.why}"


@frozen
class LeftOut(Worded):
    """The plan asks for what the drill no longer has."""

    what: str
    words: ClassVar[str] = "Left out: {0.what} is no longer in the drill."


@frozen
class Missing(Worded):
    """The drill has no such phrase, layer or part."""

    what: str
    words: ClassVar[str] = "{0.what} is not in the drill."


@frozen
class NoSuchEvent(Worded):
    label: int
    events: int
    words: ClassVar[str] = "There is no event {0.label}: 1 to {0.events}."


@frozen
class NoSuchNote(Worded):
    label: int
    note: int
    words: ClassVar[str] = "Event {0.label} has no note {0.note}."


@frozen
class GoalReached(Worded):
    goal_bpm: int
    words: ClassVar[str] = "{0.goal_bpm} bpm is the goal of this drill."


@frozen
class FasterOnce(Worded):
    """A tempo above the rung, chosen by the player."""

    tempo_bpm: int
    rung_bpm: int
    words: ClassVar[str] = (
        "One pass at {0.tempo_bpm}: clean, it becomes the rung; failed, the rung stays at {0.rung_bpm}."
    )


@frozen
class Offered(Worded):
    """A suggestion that marks nothing."""

    label: int
    heard: str
    words: ClassVar[str] = "{0.label} {0.heard}?"


@frozen
class Unmarked:
    """Events of which something was heard that suggests no mark: `can't tell 4 7`."""

    heard: str
    labels: tuple[int, ...]


@frozen
class Reloaded(Worded):
    """An edited drill was read."""

    title: str
    words: ClassVar[str] = "{0.title} was edited; the new version is loaded."


@frozen
class NotSaved:
    """The disk refused a result."""

    refusal: Refusal


Notice = (
    Plain | Saved | MarksTakenBack | RatingTakenBack | Guessed | Unmarked | NoSuchLayer | NotSaved | Worded
)


def sentence(notice: Notice) -> str:
    """What the player reads."""
    match notice:
        case Plain():
            return notice.value
        case Saved():
            return _saved(notice)
        case MarksTakenBack(gone, again):
            parts = [f"{in_words(gone)} taken back"] if gone else []
            return "; ".join([*parts, *([f"{in_words(again)} again"] if again else [])])
        case RatingTakenBack(title, tempo_bpm, faults):
            return f"Taken back: {title} at {tempo_bpm}, {in_words(faults) or 'clean'}. Rate it again."
        case Guessed(label, others):
            return f"{label} is a guess; it may be {' or '.join(map(str, others))}."
        case NotSaved(refusal):
            # The screen says itself how many wait; where is told in the end.
            why = "; ".join(problem.message for problem in refusal.problems)
            return why if refusal.waiting else str(refusal)
        case Unmarked(heard, labels):
            return f"{heard} {' '.join(map(str, labels))}"
        case NoSuchLayer(layer, layers):
            return f"There is no layer {layer!r}: {', '.join(layers)}."
        case _:
            return notice.words.format(notice)


def _saved(saved: Saved) -> str:
    words = in_words(saved.faults) or "clean"
    if len(words) > LONGEST_RESULTS:
        failed = sum(fault.result.fails for fault in saved.faults)
        words = f"{failed} failed" if failed else "broke off"
    words += _moved(saved.step) if saved.step else ""
    if saved.back_bpm:
        words += f"; back to {saved.back_bpm}"
    return f"{saved.title} saved, {words}".strip()


def _moved(step: Step) -> str:
    """What a rating did to the rung, as the end of a sentence; empty where it is as before."""
    if step.kind is Moved.LANDED:
        return ": landed"
    if step.kind is Moved.HELD:
        return ": at its goal again"
    if step.to_bpm != step.from_bpm:
        return f": {'up' if step.to_bpm > step.from_bpm else 'down'} to {step.to_bpm}"
    return f": stays at {step.to_bpm}, still within reach" if step.kind is Moved.STAY else ""
