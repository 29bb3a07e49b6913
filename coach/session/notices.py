"""What a session tells the player: sentences, and what a rating brought or the disk refused, which have facts too."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.relief import Release
from coach.learning.rung import Moved, Step
from coach.log.log import Refusal
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault, in_words
from coach.session.coaching import Ending

LONGEST_RESULTS = 36
"""Results told in more letters are only counted."""


class Plain(StrEnum):
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
    ONLY_THE_LAST = "Only the last rating can be undone here; earlier ones: `coach log correct`."
    RATE_THE_LAST = "Rate the last repetition: one key if it was clean."
    WHOLE_AGAIN = "Clean twice: the whole again."
    SLOWEST = f"{MIN_BPM} bpm is the slowest."


@frozen
class Saved:
    """A rating was saved. `back_bpm` is the next tempo after a failed repetition above the rung."""

    faults: tuple[Fault, ...]
    step: Step | None
    back_bpm: int = 0
    title: str = ""
    """Of what was rated, where something else stands on the screen by now."""
    ending: Ending = Ending.DONE
    """Why its turn is over, where it is."""

    def __str__(self) -> str:
        words = in_words(self.faults) or "clean"
        if len(words) > LONGEST_RESULTS:
            failed = sum(fault.result.fails for fault in self.faults)
            words = f"{failed} failed" if failed else "broke off"
        words += _moved(self.step) if self.step else ""
        told_bpm = self.step.to_bpm if self.step and self.step.to_bpm != self.step.from_bpm else 0
        if self.back_bpm not in (0, told_bpm):
            words += f"; back to {self.back_bpm}"
        saved = f"{self.title} saved, {words}".strip()
        return f"{saved}; {self.ending}" if self.ending else saved


def _moved(step: Step) -> str:
    if step.kind is Moved.LANDED:
        return ": landed"
    if step.kind is Moved.HELD:
        return ": at its goal again"
    if step.to_bpm != step.from_bpm:
        return f": {'up' if step.to_bpm > step.from_bpm else 'down'} to {step.to_bpm}"
    return f": stays at {step.to_bpm}, still within reach" if step.kind is Moved.STAY else ""


@frozen
class NotSaved:
    """The disk refused a result."""

    refusal: Refusal

    def __str__(self) -> str:
        # The screen says itself how many wait; where is told in the end.
        why = "; ".join(problem.message for problem in self.refusal.problems)
        return why if self.refusal.waiting else str(self.refusal)


Notice = Saved | NotSaved | str
"""What is told; as a text it is what the player reads."""


def marks_taken_back(gone: Iterable[Fault], marks: Iterable[Fault] = ()) -> str:
    """The last mark was taken back, and these are gone; what stands again, and its cause, is shown among the marks."""
    gone = tuple(gone)
    whatever = {replace(mark, cause=None) for mark in marks}
    if all(replace(fault, cause=None) in whatever for fault in gone):
        return " ".join(f"{fault.cause.word} taken back" for fault in gone if fault.cause)
    return f"{in_words(gone)} taken back"


def rating_taken_back(title: str, tempo_bpm: int, faults: tuple[Fault, ...]) -> str:
    return f"Taken back: {title} at {tempo_bpm}, {in_words(faults) or 'clean'}. Rate it again."


def guessed(label: int, others: Iterable[int]) -> str:
    """A mark may be about other events."""
    return f"{label} is a guess; it may be {' or '.join(map(str, others))}."


def offered(label: int, heard: str) -> str:
    """A suggestion marks nothing."""
    return f"{label}: {heard}?"


def unmarked(heard: str, labels: Iterable[int]) -> str:
    """Of these events something was heard that suggests no mark: `can't tell 4 7`."""
    return f"{heard} {' '.join(map(str, labels))}"


def relieved(release: Release) -> str:
    return f"Still not clean: {release.value}."


def left_out(what: str) -> str:
    """The plan asks for what the drill no longer has."""
    return f"Left out: {what} is no longer in the drill."


def missing(what: str) -> str:
    """The drill has no such phrase, layer or part."""
    return f"{what} is not in the drill."


def no_such_layer(layer: str, layers: Iterable[str]) -> str:
    return f"There is no layer {layer!r}: {', '.join(layers)}."


def no_such_event(label: int, events: int) -> str:
    return f"There is no event {label}: 1 to {events}."


def no_such_note(label: int, note: int) -> str:
    return f"Event {label} has no note {note}."


def goal_reached(goal_bpm: int) -> str:
    return f"{goal_bpm} bpm is the goal of this drill."


def faster_once(tempo_bpm: int, rung_bpm: int) -> str:
    """The player chose a tempo above the rung, which a failure there may lower as any other does."""
    slower = " or slower" if rung_bpm > MIN_BPM else ""
    return f"Once at {tempo_bpm}: clean, it becomes the rung; failed, back to {rung_bpm}{slower}."


def reloaded(title: str) -> str:
    return f"{title} was edited; the new version is loaded."
