"""Reads the key `order`: the phrases of a whole piece, `(intro, theme x2) x2, coda`, with repeats written out."""

from __future__ import annotations

import re
from collections.abc import Callable
from collections.abc import Sequence as AnySequence
from dataclasses import dataclass, field
from fractions import Fraction

from coach.ground.fields import shorten
from coach.ground.source import Node, Report, Sequence, nearest
from coach.music.drill import Phrase
from coach.score.limits import MAX_BEATS, MAX_NOTES, MAX_ORDER, MAX_PIECE_BARS, MAX_TEXT
from coach.score.reading import Locator, Reading
from coach.score.values import scalar_of

MAX_FAULTS = 20
MAX_NESTED = 8
MAX_TIMES = 99
_NAMES_SHOWN = 12
_NEXT = r"(?=\s*(?:[(),]|[x×]\d{1,3}\s*(?:[(),]|$)|$))"
_TOKEN = re.compile(
    rf"\s*(?:(?P<mark>[(),])|(?P<times>[x×](?P<count>\d{{1,3}})\b)|(?P<name>[^(),]+?){_NEXT})"
)
_GLUED = re.compile(rf"\s*([^(),]*?[^(),\s][x×]\d{{1,3}}){_NEXT}")
Fault = tuple[int, str, str]
"""Offset in the text, message, guess."""


class _EndError(Exception):
    """Reading on would only repeat a fault."""


@dataclass
class _Order:
    """The phrases read so far, parentheses as a stack of lists."""

    find: Callable[[str], str | None]
    names: AnySequence[str]
    stack: list[list[str]] = field(default_factory=lambda: [[]])
    last: list[str] | None = None
    """What an `x2` would repeat; None where there is nothing."""
    faults: list[Fault] = field(default_factory=list)

    def mark(self, sign: str, start: int) -> None:
        if sign == ",":
            self.last = None
        elif sign == "(":
            if len(self.stack) > MAX_NESTED:
                self.fail(start, f"parentheses are nested more than {MAX_NESTED} deep")
            self.stack.append([])
            self.last = None
        else:
            if len(self.stack) == 1:
                self.fail(start, "this ) has no (")
            self.last = self.stack.pop()
            self.stack[-1].extend(self.last)

    def repeat(self, written: str, count: int, start: int) -> None:
        if self.last is None:
            self.faults.append((start, f"'{written}' has nothing before it to repeat", ""))
        elif not 1 <= count <= MAX_TIMES:
            self.faults.append((start, f"x{count} is outside x1 to x{MAX_TIMES}", ""))
        elif len(self.last) * count > MAX_ORDER:
            self.faults.append((start, f"the order has more than {MAX_ORDER} phrases", ""))
        else:
            self.stack[-1].extend(self.last * (count - 1))
            self.last = None

    def phrase(self, name: str, start: int) -> None:
        phrase_id = self.find(name)
        if phrase_id is not None:
            self.last = [phrase_id]
            self.stack[-1].append(phrase_id)
            return
        close = nearest(name, self.names)
        shown = ", ".join(list(dict.fromkeys(self.names))[:_NAMES_SHOWN])
        message = f"there is no phrase '{shorten(name)}'; there are {shown}"
        self.faults.append((start, message, f"did you mean {close}?" if close else ""))
        self.last = []

    def fail(self, start: int, message: str) -> None:
        self.faults.append((start, message, ""))
        raise _EndError

    def token(self, text: str, position: int) -> int:
        """Read on from a position; the position behind what was read."""
        match = _TOKEN.match(text, position)
        if match is None or match.end() == position:
            self.fail(position, f"'{shorten(text[position:])}' is not an order of phrases")
            return position
        start = match.end() - len(match[0].lstrip())
        if match["mark"]:
            self.mark(match["mark"], start)
        elif match["times"]:
            self.repeat(match["times"], int(match["count"]), start)
        else:
            # A name may itself end like a count: `bars-1-to-x2`.
            glued = _GLUED.match(text, position)
            if glued and self.find(glued[1]) is not None:
                self.phrase(glued[1], start)
                return glued.end()
            self.phrase(match["name"].strip(), start)
        if sum(len(level) for level in self.stack) > MAX_ORDER:
            self.fail(start, f"the order has more than {MAX_ORDER} phrases")
        return match.end()


def order_of(
    text: str, find: Callable[[str], str | None], names: AnySequence[str]
) -> tuple[tuple[str, ...], list[Fault]]:
    """Phrase ids in the order played, repeats written out, and faults. `find` gives the id for an id or a name."""
    if any(len(part) > MAX_TEXT for part in re.split("[(),]", text)):
        return (), [(0, "this is not an order of phrases: a name in it is far too long", "")]
    order, position = _Order(find, names), 0
    try:
        while text[position:].strip() and len(order.faults) < MAX_FAULTS:
            position = order.token(text, position)
    except _EndError:
        return tuple(order.stack[0]), order.faults
    if len(order.stack) > 1 and not order.faults:
        order.faults.append((len(text) - 1, "a ( is never closed", ""))
    return tuple(order.stack[0]), order.faults


def piece_order(
    node: Node | None, phrases: list[Phrase], reading: Reading, report: Report
) -> tuple[str, ...]:
    """Phrase ids as the piece plays them, repeats written out; empty where the file gives no order."""
    if node is None:
        return ()
    names: dict[str, list[str]] = {}
    for phrase in phrases:
        names.setdefault(phrase.name, []).append(phrase.id)
    ids = {phrase.id for phrase in phrases}

    def find(name: str) -> str | None:
        called = names.get(name, [])
        return name if name in ids else called[0] if len(called) == 1 else None

    order: list[str] = []
    for piece in node.items if isinstance(node, Sequence) else (node,):
        scalar = scalar_of(piece, "a phrase's name belongs", "intro, theme x2", "order", report)
        if scalar is None:
            continue
        part, faults = order_of(scalar.text, find, [*names, *(phrase.id for phrase in phrases)])
        locate = Locator(reading.text, scalar)
        for offset, message, guess in faults:
            report.error(locate.spot(offset), message, guess, "order")
        order.extend(part)
    if not _fits(order, phrases, node, report):
        return ()
    if not order and not report.failed:
        report.error(node, "the order names no phrase", "delete the line", "order")
    missing = [phrase.name for phrase in phrases if phrase.id not in order]
    if missing and order:
        report.warn(node, f"the order leaves out {', '.join(missing)}", "", "order")
    return tuple(order)


def _fits(order: list[str], phrases: list[Phrase], node: Node, report: Report) -> bool:
    """Whether the whole piece stays within the limits."""
    if len(order) > MAX_ORDER:
        report.error(node, f"the order has {len(order)} phrases; at most {MAX_ORDER}", "", "order")
        return False
    sizes = {phrase.id: _sizes(phrase) for phrase in phrases}
    limits = (("bars", MAX_PIECE_BARS), ("beats", MAX_BEATS), ("notes", MAX_NOTES))
    for index, (what, limit) in enumerate(limits):
        if (size := sum(sizes[name][index] for name in order)) > limit:
            message = f"in this order the piece has {float(size):,.0f} {what}; at most {limit:,}"
            report.error(node, message, "fewer repeats?", "order")
            return False
    return True


def _sizes(phrase: Phrase) -> tuple[int, Fraction, int]:
    """Bars, counted beats and notes."""
    notes = sum(len(event.notes) for event in phrase.events)
    return len(phrase.bars), sum((bar.length for bar in phrase.bars), Fraction(0)), notes
