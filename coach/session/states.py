"""The states of a session, each with what it needs and nothing else.

`Ready`, `Listening`, `Playing`, `Rating` and `Amending` are about a task: a passage at a tempo. `Turn` is the item of
the plan that it belongs to.
"""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from coach.folder.actions import Phase
from coach.ground.frozen import frozen
from coach.log.entries import Suggestion
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Passage
from coach.rating.fault import Fault
from coach.rating.table import NOT_REACHED, Result
from coach.session.coaching import Over, Stay, Then, Turn
from coach.session.events import Suggest
from coach.words.names import covered_name
from coach.words.stretch import layers_at


@frozen
class Task:
    """What stands to be played."""

    drill: Drill
    passage: Passage
    tempo_bpm: int
    heard: bool = False
    """Whether the model was heard just before."""

    @property
    def excerpt(self) -> Excerpt:
        return self.passage.excerpt

    @property
    def name(self) -> str:
        """What it covers, in any layer: `first half of Ladle`."""
        return covered_name(self.excerpt, self.passage.title)

    @property
    def layers(self) -> tuple[str, ...]:
        """What the excerpt can be practised as."""
        return layers_at(self.drill, self.excerpt)

    @property
    def has_easier(self) -> bool:
        """Whether an easier version exists: some note of the phrases is droppable, and something stays."""
        droppable = {
            note.droppable
            for phrase_id in self.excerpt.phrases
            for bar in self.drill.phrase(phrase_id).bars
            for event in bar.events
            if self.excerpt.layer in (TOGETHER, event.layer)
            for note in event.notes
        }
        return droppable == {True, False}


@frozen
class Marks:
    """What is marked on a repetition, in order of labels, and what stood before each mark, for taking back."""

    faults: tuple[Fault, ...] = ()
    before: tuple[tuple[Fault, ...], ...] = ()
    suggested: tuple[Suggest, ...] = ()
    """The latest of each label."""

    def marked(self, fault: Fault) -> Marks:
        """With one mark more; the same mark again takes it away, another one on the event replaces it."""
        others = tuple(mark for mark in self.faults if mark.label != fault.label)
        return self._with(others if fault in self.faults else (*others, fault))

    def rest(self, passage: Passage, label: int, result: Result) -> Marks:
        """With every event from a label on marked the same."""
        others = (mark for mark in self.faults if mark.label < label)
        return self._with(
            (*others, *(Fault(event.label, result) for event in passage.events if event.label >= label))
        )

    def cut(self, passage: Passage, reached: int) -> Marks:
        """With what was not reached marked so, but for what is marked already."""

        def missed(faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
            marked = {fault.label for fault in faults}
            labels = (event.label for event in passage.events if event.label > reached)
            return tuple(
                sorted((*faults, *(Fault(label, NOT_REACHED) for label in labels if label not in marked)))
            )

        return replace(
            self, faults=missed(self.faults), before=tuple(missed(faults) for faults in self.before)
        )

    def suggest(self, suggestion: Suggest) -> Marks:
        """With a suggestion beside the marks."""
        others = (one for one in self.suggested if one.label != suggestion.label)
        return replace(self, suggested=(*others, suggestion))

    def logged(self) -> tuple[Suggestion, ...]:
        """The suggestions as the log keeps them beside the player's own word."""
        return tuple(
            Suggestion(one.label, one.verdict, one.certainty, one.source.value)
            for one in sorted(self.suggested, key=lambda one: one.label)
        )

    def undone(self) -> Marks:
        """Without the last mark; ValueError where there is none."""
        *before, last = self.before
        return replace(self, faults=last, before=tuple(before))

    def doubts(self) -> tuple[Suggest, ...]:
        """The suggestions that marks were made from and that may be about another event."""
        marked = {fault.label for fault in self.faults}
        return tuple(one for one in self.suggested if one.label in marked and one.others)

    def heard(self) -> tuple[Suggest, ...]:
        """What was heard of events on which nothing is marked or was marked and taken back, in order of label."""
        settled = {fault.label for faults in (*self.before, self.faults) for fault in faults}
        heard = (one for one in self.suggested if one.heard and one.label not in settled)
        return tuple(sorted(heard, key=lambda one: one.label))

    def offers(self) -> tuple[Fault, ...]:
        """What of it can be taken as a mark."""
        return tuple(Fault(one.label, one.mark) for one in self.heard() if one.mark)

    def as_heard(self) -> Marks:
        """With every offer marked."""
        return self._with((*self.faults, *self.offers()))

    def _with(self, faults: tuple[Fault, ...]) -> Marks:
        return replace(self, faults=tuple(sorted(faults)), before=(*self.before, self.faults))


@frozen
class Ready:
    """The task stands on the screen, hands find their place; where the turn runs on, the next one starts by itself."""

    turn: Turn
    task: Task
    runs_on: bool = False
    phase: ClassVar[Phase] = Phase.READY


@frozen
class Listening:
    """The model plays."""

    turn: Turn
    task: Task
    phase: ClassVar[Phase] = Phase.LISTENING


TURN_OVER = Over()


@frozen
class Playing:
    """Count-in and repetition, since `began_ms`."""

    turn: Turn
    task: Task
    began_ms: int
    marks: Marks = Marks()
    runs_on: bool = False
    if_clean: Then = TURN_OVER
    """How the turn goes on where the repetition is clean."""
    in_round: bool = False
    """Whether what follows in the turn is counted in on the grid."""
    phase: ClassVar[Phase] = Phase.PLAYING

    @property
    def next_bpm(self) -> int:
        """The tempo of the repetition that follows on the grid where this one is clean; 0 where none does."""
        return self.if_clean.tempo_bpm if self.in_round and isinstance(self.if_clean, Stay) else 0


@frozen
class Rating:
    """The repetition is over and waits for its rating; unless `next_bpm` is 0, clicks count in the next."""

    turn: Turn
    task: Task
    began_ms: int
    marks: Marks = Marks()
    if_clean: Then = TURN_OVER
    """How the turn goes on where the repetition is clean."""
    next_bpm: int = 0
    phase: ClassVar[Phase] = Phase.RATING


@frozen
class Amending:
    """The saved repetition of that number, from 0, is rated anew; turn and task are as before it was saved."""

    turn: Turn
    task: Task
    number: int
    marks: Marks = Marks()
    phase: ClassVar[Phase] = Phase.RATING


@frozen
class Paused:
    """The sound is off; the pause ends in `back`."""

    back: Ready | Rating | Amending
    phase: ClassVar[Phase] = Phase.PAUSED


@frozen
class Rest:
    """An item without music: tuning, a break."""

    turn: Turn
    phase: ClassVar[Phase] = Phase.REST


@frozen
class Done:
    """The session is over."""

    phase: ClassVar[Phase] = Phase.DONE


Music = Ready | Listening | Playing | Rating | Amending
"""The states that are about a task."""
State = Music | Paused | Rest | Done
