"""What a drill file's text holds once read: the drill, its problems, its places and its sure repairs.

A problem's place is also said as a player says it: `phrase opening, bar 2, harmonics`. Phrases count from 1 as they
stand in the file, bars through the drill as on screens and paper (`counted_on` of `coach.music.drill`); of a bar that
is played several times, the first counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import accumulate

from coach.ground.plain import plain_text
from coach.ground.problem import Problem
from coach.ground.source import Mapping, Node, Repair, Scalar, Sequence, Spot
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


_PHRASE = re.compile(r"phrases\[(\d+)\](?:\.bars\[(\d+)\])?(?:\.(.+))?")
_ITEM = re.compile(r"\[(\d+)\]")
_LONGEST_NAME = 40
LONGEST_NUMBER = 6
"""Digits of a number; one with more is a slip."""


def with_places(problems: list[Problem], root: Mapping | None) -> list[Problem]:
    """The problems of a file with their places in words, empty where they have no field."""
    phrases = root.get("phrases") if root else None
    # Most files have no problem.
    numbers = list(_bar_numbers(phrases)) if problems else []
    return [replace(problem, place_in_words=_place(problem, phrases, numbers)) for problem in problems]


def _place(problem: Problem, phrases: Node | None, numbers: list[list[int]]) -> str:
    """A problem of a phrase as a whole is placed in the bar and layer that its line and column lie in."""
    match = _PHRASE.fullmatch(problem.field)
    if match is None:
        return ", ".join(_ITEM.sub(lambda item: f" {int(item[1]) + 1}", problem.field).split("."))
    index, key = int(match[1]), match[3] or ""
    phrase = _items(phrases)[index]
    parts = [f"phrase {_name(phrase, index)}"]
    bar = None if match[2] is None else int(match[2])
    if bar is None and not key:
        bar, key = _around(_inside(phrase, "bars"), (problem.line, problem.column))
    if bar is not None:
        parts.append(f"bar {numbers[index][bar]}")
    return ", ".join([*parts, *([key] if key else [])])


def _inside(node: Node | None, key: str) -> Node | None:
    return node.get(key) if isinstance(node, Mapping) else None


def _items(node: Node | None) -> tuple[Node, ...]:
    return node.items if isinstance(node, Sequence) else ()


def _bar_numbers(phrases: Node | None) -> Iterator[list[int]]:
    """For each phrase the numbers of its bars, in a file that may have errors: what can't be read counts as one bar."""
    number, ended_early = 1, False
    for index, phrase in enumerate(_items(phrases)):
        given, bars = _inside(phrase, "first_bar"), _items(_inside(phrase, "bars"))
        if given is not None:
            number = _whole(given)
        elif bars and _inside(bars[0], "pickup") is not None and (index == 0 or ended_early):
            number -= 1
        *numbers, number = accumulate((_whole(_inside(bar, "times")) for bar in bars), initial=number)
        yield numbers
        ended_early = bool(bars) and _inside(bars[-1], "ends_after") is not None


def _whole(node: Node | None) -> int:
    digits = node.text if isinstance(node, Scalar) else ""
    return int(digits) if digits.isdecimal() and len(digits) < LONGEST_NUMBER else 1


def _name(phrase: Node | None, index: int) -> str:
    """A phrase's name, else its number."""
    name = _inside(phrase, "name")
    text = plain_text(name.text, _LONGEST_NAME) if isinstance(name, Scalar) else ""
    return text or str(index + 1)


def _around(bars: Node | None, spot: tuple[int, int]) -> tuple[int | None, str]:
    """The index of the bar and the key of the line that a place lies in; None and nothing outside the bars."""
    number, key = None, ""
    for index, bar in enumerate(_items(bars)):
        if (bar.line, bar.column) > spot:
            break
        number, key = index, ""
        for name, _ in bar.pairs if isinstance(bar, Mapping) else ():
            if (name.line, name.column) <= spot:
                key = name.text
    return number, key
