"""What follows from the log as a fold over its repetitions, and how to plug one in.

Skills, rungs and the sums of reports are never stored as facts: each is a `Fold` over one player's repetitions, and
the log keeps its state in a cache that may be deleted at any time. To plug one in, write an object with the five
members below and ask the log for `log.state(fold, day)`; nothing needs to be registered.

What a fold may rely on:
- Repetitions are corrected already and void ones left out; those of a day to come are held back until that day.
- They come in the order of (practice day, id), so days never go back, and each id comes once.
- After any change to what was folded before (a correction, a line that a synchronised folder brings late, another
  version), the log folds anew from the start of the day, or wholly: a step never has to be taken back.

What it has to keep to:
- The same repetitions in the same order give the same state, to the digit: no clock, no randomness, no other input
  than what `version` names.
- `state(plain(state))` goes on exactly as `state` does. The log writes `plain` as JSON: lists, dictionaries with text
  keys, text, numbers (finite), true, false, null. It must not share lists or dictionaries with the state.
- Speed: a whole log of 100,000 repetitions is folded within some 1.5 s of processor time, so a step takes up to 15 µs
  on average, and `state` runs at every start.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Protocol, TypeVar

from coach.log.entries import Rep
from coach.music.excerpt import LoggedPassage

State = TypeVar("State")


class Fold(Protocol[State]):
    """One player's repetitions, taken in one after another."""

    @property
    def name(self) -> str:
        """What its cache is called: lower-case letters and hyphens."""

    @property
    def version(self) -> str:
        """Everything but the repetitions that enters: the model's version and the settings it uses, as a text."""

    def initial(self) -> State:
        """The state before the first repetition."""

    def step(self, state: State, rep: Rep, passage: LoggedPassage) -> State:
        """The state after one more repetition; it may change the state that it is given and return that.

        `passage` is what the repetition played; it has no events where its line in the log was lost.
        """

    def plain(self, state: State) -> Any:
        """The state as JSON can hold it."""

    def state(self, plain: Any) -> State:
        """The inverse of `plain`; any exception says that this is no state, and the log folds anew."""


def folded(fold: Fold[State], reps: Iterable[tuple[Rep, LoggedPassage]], state: State) -> State:
    """The state after these repetitions, which come in order and after all that are in it."""
    for rep, passage in reps:
        state = fold.step(state, rep, passage)
    return state
