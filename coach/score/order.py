"""Reads the key `order`: the phrases of a whole piece, `(intro, theme x2) x2, coda`, with repeats written out."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from collections.abc import Sequence as AnySequence
from dataclasses import dataclass, field
from fractions import Fraction

from coach.ground.fields import did_you_mean, shorten
from coach.ground.kinds import MAX_TEXT
from coach.ground.source import Node, Report, Sequence, nearest
from coach.music.drill import Phrase
from coach.score.beats import NotationError
from coach.score.limits import MAX_BEATS, MAX_NOTES, MAX_ORDER, MAX_PIECE_BARS, MAX_TIMES
from coach.score.reading import Locator, Reading
from coach.score.values import scalar_of

MAX_FAULTS = 20
MAX_NESTED = 8
_NAMES_SHOWN = 12
_TOO_LONG = f"the order has more than {MAX_ORDER} phrases"
_NEXT = r"(?=\s*(?:[(),]|[x×]\d{1,3}\s*(?:[(),]|$)|$))"
_TOKEN = re.compile(
    rf"\s*(?:(?P<mark>[(),])|(?P<times>[x×](?P<count>\d{{1,3}})\b)|(?P<name>[^(),]+?){_NEXT})"
)
_GLUED = re.compile(rf"\s*([^(),]*?[^(),\s][x×]\d{{1,3}}){_NEXT}")


@dataclass
class _Order:
    """The phrases read so far, parentheses as a stack of lists."""

    ids: Mapping[str, str]
    """The id of a phrase by its id, and by its name where no other has it."""
    names: AnySequence[str]
    stack: list[list[str]] = field(default_factory=lambda: [[]])
    last: list[str] | None = None
    """What an `x2` would repeat; None where there is nothing."""
    faults: list[NotationError] = field(default_factory=list)

    def mark(self, sign: str, start: int) -> None:
        if sign == ",":
            self.last = None
        elif sign == "(":
            if len(self.stack) > MAX_NESTED:
                raise NotationError(start, f"parentheses are nested more than {MAX_NESTED} deep")
            self.stack.append([])
            self.last = None
        else:
            if len(self.stack) == 1:
                raise NotationError(start, "this ) has no (")
            self.last = self.stack.pop()
            self.stack[-1].extend(self.last)

    def repeat(self, written: str, count: int, start: int) -> None:
        if self.last is None:
            self.faults.append(NotationError(start, f"'{written}' has nothing before it to repeat"))
        elif not 1 <= count <= MAX_TIMES:
            self.faults.append(NotationError(start, f"x{count} is outside x1 to x{MAX_TIMES}"))
        elif len(self.last) * count > MAX_ORDER:
            self.faults.append(NotationError(start, _TOO_LONG))
        else:
            self.stack[-1].extend(self.last * (count - 1))
            self.last = None

    def phrase(self, name: str, start: int) -> None:
        self.last = [self.ids[name]] if name in self.ids else []
        self.stack[-1].extend(self.last)
        if not self.last:
            shown = ", ".join(list(dict.fromkeys(self.names))[:_NAMES_SHOWN])
            message = f"there is no phrase '{shorten(name)}'; there are {shown}"
            self.faults.append(NotationError(start, message, did_you_mean(nearest(name, self.names))))

    def token(self, text: str, position: int) -> int:
        """Read on from a position; the position behind what was read. NotationError where that makes no sense."""
        match = _TOKEN.match(text, position)
        if match is None or match.end() == position:
            raise NotationError(position, f"'{shorten(text[position:])}' is not an order of phrases")
        start = match.end() - len(match[0].lstrip())
        if match["mark"]:
            self.mark(match["mark"], start)
        elif match["times"]:
            self.repeat(match["times"], int(match["count"]), start)
        else:
            # A name may itself end like a count: `bars-1-to-x2`.
            glued = _GLUED.match(text, position)
            if glued and glued[1] in self.ids:
                self.phrase(glued[1], start)
                return glued.end()
            self.phrase(match["name"].strip(), start)
        if sum(len(level) for level in self.stack) > MAX_ORDER:
            raise NotationError(start, _TOO_LONG)
        return match.end()

    def read(self, text: str) -> list[str]:
        """Phrase ids in the order played, repeats written out; reading on after some faults would only repeat them."""
        if any(len(part) > MAX_TEXT for part in re.split("[(),]", text)):
            message = "this is not an order of phrases: a name in it is far too long"
            self.faults.append(NotationError(0, message))
            return []
        position = 0
        try:
            while text[position:].strip() and len(self.faults) < MAX_FAULTS:
                position = self.token(text, position)
            if len(self.stack) > 1 and not self.faults:
                raise NotationError(len(text) - 1, "a ( is never closed")
        except NotationError as fault:
            self.faults.append(fault)
        return self.stack[0]


def piece_order(
    node: Node | None, phrases: list[Phrase], reading: Reading, report: Report
) -> tuple[str, ...]:
    """Phrase ids as the piece plays them, repeats written out; empty where the file gives no order."""
    if node is None:
        return ()
    called = Counter(phrase.name for phrase in phrases)
    ids = {phrase.name: phrase.id for phrase in phrases if called[phrase.name] == 1}
    ids |= {phrase.id: phrase.id for phrase in phrases}
    names = [*called, *(phrase.id for phrase in phrases)]
    order: list[str] = []
    for piece in node.items if isinstance(node, Sequence) else (node,):
        scalar = scalar_of(piece, "a phrase's name belongs", "intro, theme x2", "order", report)
        if scalar is None:
            continue
        part = _Order(ids, names)
        order.extend(part.read(scalar.text))
        locate = Locator(reading.text, scalar)
        for fault in part.faults:
            report.error(locate.spot(fault.offset), fault.message, fault.guess, "order")
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
