"""The key line: what can be done now, the one key that matters first, the way out and to all others always last.

A hint is (key as shown, what it does, action id); an empty id stands for keys that are no single action.
"""

from __future__ import annotations

from collections.abc import Sequence

from coach.tui.canvas import Canvas, text_width

Hint = tuple[str, str, str]


_WAYS_OUT = ("back", "quit", "stop")
"""At the right edge, beside help: they have room before any other but the first."""


def spread_hints(hints: Sequence[Hint], width: int) -> list[tuple[int, Hint]]:
    """The hints that have room with their columns, as they come, the ways out at the right edge.

    What comes first stays first, though it be the way out.
    """
    last = [hint for at, hint in enumerate(hints) if hint[2] == "help" or (at and hint[2] in _WAYS_OUT)]
    end = width
    placed: list[tuple[int, Hint]] = []
    for hint in reversed(last):
        if not placed or end - _width(hint) >= _width(hints[0]):
            end -= _width(hint)
            placed.insert(0, (end, hint))
    others, column = [], 0
    for hint in hints:
        if hint not in last and column + _width(hint) <= end:
            others.append((column, hint))
            column += _width(hint)
    return [*others, *placed]


def draw_hints(canvas: Canvas, hints: Sequence[Hint]) -> None:
    """One row: the first key stands out."""
    for place, (column, (key, word, _action)) in enumerate(spread_hints(hints, canvas.width)):
        if place == 0:
            canvas.put(0, column, f" {key} ", "key")
            canvas.put(0, column + text_width(key) + 2, word, "now")
        else:
            canvas.put(0, column + 1, key, "now")
            canvas.put(0, column + text_width(key) + 2, word, "dim")


def hint_at(hints: Sequence[Hint], column: int, width: int) -> str:
    """Id of the action whose hint stands at a column; empty for none."""
    for left, hint in spread_hints(hints, width):
        if left <= column < left + _width(hint):
            return hint[2]
    return ""


def _width(hint: Hint) -> int:
    return text_width(hint[0]) + text_width(hint[1]) + 3
