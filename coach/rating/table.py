"""The table of results and causes: every key, sign, word and count of them in the program is read from these rows.

An event is clean where nothing is marked on it; a row is what a mark can say instead. Keys are named as Textual names
them. A new row is the whole of a new result or cause: what every place needs to know of it is a field without a
default, so that a row that leaves one out fails the type check.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Literal

from coach.ground.frozen import frozen

Ink = Literal["choked", "late", "dropped", "dim"]
"""The inks that a mark may have on the screen; every theme has them."""


class Says(Enum):
    """What a result says of a node, a move or a held note."""

    CLEAN = auto()
    FAILED = auto()
    NOTHING = auto()


@frozen
class Result:
    """How an event went that was not clean. Two rows are the same where they are one object."""

    word: str
    """On every screen and page, in answers files."""
    meaning: str
    """What the word means, as the end of a sentence about the event."""
    letter: str
    """In the log's text of a mark; lower case."""
    key: str
    """On the rating screen; not one of those that mark an event."""
    help: str
    """What the key does, for help and palette."""
    rest: bool
    """Whether its key marks all events from the cursor on at once, instead of choosing what the next marks say."""
    by_note: bool
    """Whether a mark may be about one note of an event."""
    sign: str
    """Over the event in the lane."""
    ascii_sign: str
    ink: Ink
    node: Says
    """Of the nodes of the event."""
    move: Says
    """Of the move to the event, where its cause does not say otherwise."""
    held: Says
    """Of a note that has no node."""
    fails: bool
    """Whether the repetition failed. One with nothing but marks that do not fail it only broke off."""

    @property
    def name(self) -> str:
        """The word as the name of an action or a column."""
        return self.word.replace(" ", "_")

    __eq__, __hash__ = object.__eq__, object.__hash__

    def __repr__(self) -> str:
        return self.word


@frozen
class Cause:
    """Why an event went so, as far as the player knows."""

    word: str
    """On every screen and page, in the log and in answers files; one word of lower-case letters.

    Sentences put `the` before it: "because of the lift", "It was the lift".
    """
    of: tuple[Result, ...]
    """The results that take it."""
    key: str
    """On the rating screen: says it of what was marked last."""
    move: Says
    """Of the move to an event that failed for this."""
    advice: str
    """What to do about it, for the player and the teacher."""

    __eq__, __hash__ = object.__eq__, object.__hash__

    def __repr__(self) -> str:
        return self.word


CHOKED = Result(
    word="choked",
    meaning="the node did not ring",
    letter="c",
    key="c",
    help="The next keys mark what choked",
    rest=False,
    by_note=True,
    sign="×",
    ascii_sign="x",
    ink="choked",
    node=Says.FAILED,
    move=Says.FAILED,
    held=Says.FAILED,
    fails=True,
)
LATE = Result(
    word="late",
    meaning="it rang, but not on its beat",
    letter="l",
    key="l",
    help="The next keys mark what was late",
    rest=False,
    by_note=False,
    sign="»",
    ascii_sign=">",
    ink="late",
    node=Says.CLEAN,
    move=Says.FAILED,
    held=Says.CLEAN,
    fails=True,
)
DROPPED = Result(
    word="dropped",
    meaning="a held note ended too early",
    letter="d",
    key="d",
    help="The next keys mark what was let go early, or not played",
    rest=False,
    by_note=False,
    sign="↓",
    ascii_sign="v",
    ink="dropped",
    node=Says.NOTHING,
    move=Says.NOTHING,
    held=Says.FAILED,
    fails=True,
)
NOT_REACHED = Result(
    word="not reached",
    meaning="you had stopped before it came",
    letter="n",
    key="n",
    help="Mark everything from the cursor on as not reached",
    rest=True,
    by_note=False,
    sign="–",
    ascii_sign="-",
    ink="dim",
    node=Says.NOTHING,
    move=Says.NOTHING,
    held=Says.NOTHING,
    fails=False,
)

RESULTS: tuple[Result, ...] = (CHOKED, LATE, DROPPED, NOT_REACHED)

POSITION = Cause(
    word="position",
    of=(CHOKED,),
    key="P",
    move=Says.FAILED,
    advice="without the click, find the spot slowly by ear",
)
LIFT = Cause(
    word="lift",
    of=(CHOKED,),
    key="L",
    move=Says.NOTHING,
    advice="let the string go as soon as it is plucked",
)
PLUCK = Cause(
    word="pluck",
    of=(CHOKED,),
    key="K",
    move=Says.NOTHING,
    advice="pluck firmly, nearer to the bridge",
)

CAUSES: tuple[Cause, ...] = (POSITION, LIFT, PLUCK)
