"""What the ear says of one event: a verdict, how sure it is, when the note began, and why.

A new verdict is a row of `VERDICTS`: what every place needs to know of it is a field without a default.
"""

from __future__ import annotations

from collections.abc import Iterable

from coach.ground.frozen import frozen
from coach.rating import table
from coach.rating.table import Result, Says

FEWEST_TOLD = 4


@frozen
class Verdict:
    """What the ear takes an event for."""

    word: str
    """In the log and in what `coach listen` prints."""
    shown: str
    """What was heard, as the player reads it; `{0:.0f}` is how late it began, in ms. Empty: nothing is to be said."""
    says: Says
    """Of the event: `NOTHING` where the ear can't tell."""
    mark: Result | None
    """What is suggested for a harmonic."""
    low_mark: Result | None
    """What is suggested for a note without a node."""

    def __repr__(self) -> str:
        return self.word


CLEAN = Verdict("clean", "", Says.CLEAN, None, None)
CHOKED = Verdict("choked", "quiet", Says.FAILED, table.CHOKED, table.CHOKED)
"""12 dB or more below the note's own clean sound."""
LATE = Verdict("late", "{0:.0f} ms late", Says.FAILED, table.LATE, table.LATE)
"""Later than a player means to be."""
MISSING = Verdict("missing", "nothing", Says.FAILED, table.CHOKED, table.DROPPED)
"""Nothing was played: a harmonic that was not heard did not ring."""
OTHER = Verdict("other", "other note", Says.FAILED, table.CHOKED, table.CHOKED)
"""Another note, or another partial: the node did not ring."""
UNSURE = Verdict("unsure", "can't tell", Says.NOTHING, None, None)
VERDICTS = {row.word: row for row in (CLEAN, CHOKED, LATE, MISSING, OTHER, UNSURE)}


@frozen
class Heard:
    """How the event with this label went, as far as can be heard."""

    label: int
    verdict: Verdict
    certainty: float
    """0 to 1: how likely the verdict is right; where the ear can't tell it is 0."""
    onset_ms: float | None = None
    """When it began against its beat, positive where late; None where no beginning was heard."""
    why: str = ""
    """What was heard, in a few words: `14 dB below its clean sound`."""


def unlike(heard: Iterable[Heard]) -> bool:
    """Whether so much is heard faulty that rather the sound is not what was to be played, or not when."""
    said = [one.verdict.says for one in heard if one.verdict.says is not Says.NOTHING]
    return len(said) >= FEWEST_TOLD and 2 * said.count(Says.FAILED) > len(said)
