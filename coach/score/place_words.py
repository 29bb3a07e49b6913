"""Places in a drill file as a player says them: `phrase opening, bar 2, harmonics`.

Conventions: phrases count from 1 as they stand in the file, bars through the drill as on screens and paper
(`counted_on` of `coach.music.drill`); of a bar that is played several times, the first counts.
"""

from __future__ import annotations

import re

from coach.ground.plain import plain_text
from coach.ground.problem import Problem
from coach.ground.source import Mapping, Node, Scalar, Sequence

_PHRASE = re.compile(r"phrases\[(\d+)\](?:\.bars\[(\d+)\])?(?:\.(.+))?")
_ITEM = re.compile(r"\[(\d+)\]")
_LONGEST_NAME = 40
LONGEST_NUMBER = 6
"""Digits of a number; one with more is a slip."""


def place_in_words(problem: Problem, root: Mapping | None) -> str:
    """The place of a problem in words; empty where it has no field.

    A problem of a phrase as a whole is placed in the bar and layer that its line and column lie in.
    """
    match = _PHRASE.fullmatch(problem.field)
    if match is None:
        return ", ".join(_ITEM.sub(lambda item: f" {int(item[1]) + 1}", problem.field).split("."))
    phrases = root.get("phrases") if root else None
    phrase = _item(phrases, int(match[1]))
    parts = [f"phrase {_name(phrase, int(match[1]))}"]
    bars = phrase.get("bars") if isinstance(phrase, Mapping) else None
    bar, key = match[2], match[3] or ""
    if bar is None and not key:
        bar_index, key = _around(bars, (problem.line, problem.column))
        bar = None if bar_index is None else str(bar_index)
    if bar is not None:
        parts.append(f"bar {_bar_number(phrases, int(match[1]), int(bar))}")
    return ", ".join([*parts, *([key] if key else [])])


def _item(node: Node | None, index: int) -> Node | None:
    return node.items[index] if isinstance(node, Sequence) and index < len(node.items) else None


def _bar_number(phrases: Node | None, phrase: int, bar: int) -> int:
    """The number of a bar in a file that may have errors: what can't be read counts as one bar."""
    number, ended_early = 1, False
    for index in range(phrase + 1):
        block = _item(phrases, index)
        given = block.get("first_bar") if isinstance(block, Mapping) else None
        bars = _bars(block)
        is_pickup = bool(bars) and bars[0].get("pickup") is not None
        if given is not None:
            number = _whole(given)
        elif is_pickup and (index == 0 or ended_early):
            number -= 1
        number += sum(_whole(one.get("times")) for one in (bars[:bar] if index == phrase else bars))
        ended_early = bool(bars) and bars[-1].get("ends_after") is not None
    return number


def _bars(phrase: Node | None) -> list[Mapping]:
    bars = phrase.get("bars") if isinstance(phrase, Mapping) else None
    items = bars.items if isinstance(bars, Sequence) else ()
    return [one if isinstance(one, Mapping) else Mapping((), one.line, one.column, 0, 0) for one in items]


def _whole(node: Node | None) -> int:
    digits = node.text if isinstance(node, Scalar) else ""
    return int(digits) if digits.isdecimal() and len(digits) < LONGEST_NUMBER else 1


def _name(phrase: Node | None, index: int) -> str:
    """A phrase's name, else its number."""
    name = phrase.get("name") if isinstance(phrase, Mapping) else None
    text = plain_text(name.text, _LONGEST_NAME) if isinstance(name, Scalar) else ""
    return text or str(index + 1)


def _around(bars: Node | None, spot: tuple[int, int]) -> tuple[int | None, str]:
    """The index of the bar and the key of the line that a place lies in; None and nothing outside the bars."""
    number, key = None, ""
    for index, bar in enumerate(bars.items if isinstance(bars, Sequence) else ()):
        if (bar.line, bar.column) > spot:
            break
        number, key = index, ""
        for name, _ in bar.pairs if isinstance(bar, Mapping) else ():
            if (name.line, name.column) <= spot:
                key = name.text
    return number, key
