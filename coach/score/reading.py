"""What a drill file's text holds once read: the drill, its problems, its places and its sure repairs."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction

from coach.ground.problem import Problem
from coach.ground.source import Mapping, Repair, Scalar, Spot
from coach.music.drill import Drill


@dataclass
class Reading:
    """What a drill file's text holds: the drill where there are no errors, every problem, every place."""

    text: str
    drill: Drill | None = None
    problems: list[Problem] = field(default_factory=list)
    events: dict[tuple[int, int, str, Fraction], Spot] = field(default_factory=dict)
    """Place of an event by phrase index, bar index (repeats written out), layer and beat."""
    phrases: list[Spot] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    root: Mapping | None = None


@dataclass
class Locator:
    """Places in the file of places in a scalar's text."""

    source: str
    node: Scalar
    straight: bool = field(init=False)
    lead: int = field(init=False)

    def __post_init__(self) -> None:
        self.lead = 0 if self.node.plain else 1
        start = self.node.start + self.lead
        self.straight = self.source.startswith(self.node.text, start) and "\n" not in self.node.text

    def offset(self, offset: int) -> int | None:
        """The place in the file's text; None where the scalar is folded or holds escapes."""
        return self.node.start + self.lead + offset if self.straight else None

    def spot(self, offset: int) -> Spot:
        """Line and column."""
        if self.straight:
            return Spot(self.node.line, self.node.column + self.lead + offset)
        # A folded text: follow its words through the source until the word at `offset` is reached.
        cursor = self.node.start
        for word in self.node.text[:offset].split():
            at = self.source.find(word, cursor, self.node.stop)
            if at < 0:
                return Spot(self.node.line, self.node.column)
            cursor = at + len(word)
        here = self.node.text[offset:].split(maxsplit=1)
        if here and (at := self.source.find(here[0], cursor, self.node.stop)) >= 0:
            cursor = at
        before = self.source[:cursor]
        return Spot(before.count("\n") + 1, cursor - (before.rfind("\n") + 1) + 1)
