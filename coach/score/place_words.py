"""Places in a drill file as a player says them: `phrase opening, bar 2, harmonics`.

Conventions: bars and phrases count from 1 as they stand in the file; a bar that is played several times is one.
"""

from __future__ import annotations

import re

from coach.ground.plain import plain_text
from coach.ground.problem import Problem
from coach.ground.source import Mapping, Node, Scalar, Sequence

_PHRASE = re.compile(r"phrases\[(\d+)\](?:\.bars\[(\d+)\])?(?:\.(.+))?")
_ITEM = re.compile(r"\[(\d+)\]")
_LONGEST_NAME = 40


def place_in_words(problem: Problem, root: Mapping | None) -> str:
    """The place of a problem in words; empty where it has no field.

    A problem of a phrase as a whole is placed in the bar and layer that its line and column lie in.
    """
    match = _PHRASE.fullmatch(problem.field)
    if match is None:
        return ", ".join(_ITEM.sub(lambda item: f" {int(item[1]) + 1}", problem.field).split("."))
    phrase = _item(root.get("phrases") if root else None, int(match[1]))
    parts = [f"phrase {_name(phrase, int(match[1]))}"]
    bars = phrase.get("bars") if isinstance(phrase, Mapping) else None
    bar, key = match[2], match[3] or ""
    if bar is None and not key:
        bar_index, key = _around(bars, (problem.line, problem.column))
        bar = None if bar_index is None else str(bar_index)
    if bar is not None:
        parts.append(f"bar {int(bar) + 1}")
    return ", ".join([*parts, *([key] if key else [])])


def _item(node: Node | None, index: int) -> Node | None:
    return node.items[index] if isinstance(node, Sequence) and index < len(node.items) else None


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
