"""Changes to a drill file's text that keep its comments and layout: ids at first use, sure repairs."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress

from coach.ground.compose import compose
from coach.ground.fields import Values, read_block
from coach.ground.frozen import frozen
from coach.ground.source import Mapping, Report, Scalar, TooManyProblemsError, split_lines
from coach.score.ids import drill_id
from coach.score.keys import DRILL, DRILL_FILE
from coach.score.load import read_reading
from coach.score.phrases import PhraseReader
from coach.score.reading import Reading

MAX_PASSES = 8


def with_ids(text: str) -> str:
    """The text with an `id:` line for the drill and for each phrase that has none.

    The ids are those that the text gives anyway, so the drill stays the same; once written, they outlive a change
    of title or name. Bars are not read. A text with errors above them, or with all its ids, comes back as it is.
    """
    report = Report("", split_lines(text), DRILL_FILE)
    with suppress(TooManyProblemsError):
        root = compose(text, report)
        if isinstance(root, Mapping):
            head = read_block(root, DRILL, "", report)
            heads = PhraseReader(report, Reading(text)).heads(head.get("phrases"))
            if not report.failed:
                for start, piece in sorted(_id_inserts(text, root, head, heads), reverse=True):
                    text = text[:start] + piece + text[start:]
    return text


def _id_inserts(
    text: str, root: Mapping, head: Values, heads: list[tuple[Values | None, str]]
) -> Iterator[tuple[int, str]]:
    """Where in the text an id belongs that is not there, and the piece that gives it."""
    newline = "\r\n" if "\r\n" in text else "\n"
    if head.get("id") is None:
        yield _insert(text, root, drill_id(head.get("title")), newline)
    for block, own_id in heads:
        if block is not None and block.get("id") is None:
            yield _insert(text, block.node, own_id, newline)


def _insert(text: str, block: Mapping, new_id: str, newline: str) -> tuple[int, str]:
    """Before the first key of a drill or a phrase, but below the line that says the format's version."""
    if block.flow:
        return block.start + 1, f"id: {new_id}, "
    key, value = block.pairs[0]
    indent = " " * (key.column - 1)
    if key.text == "drill" and isinstance(value, Scalar):
        end = text.find("\n", value.stop)
        if end >= 0:
            return end + 1, f"{indent}id: {new_id}{newline}"
    return key.start, f"id: {new_id}{newline}{indent}"


@frozen
class Change:
    """A line that was repaired: its number from 1, its text before and after."""

    line: int
    before: str
    after: str


def repaired(text: str, where: str) -> tuple[str, list[Change]]:
    """The text with every sure repair made, and the lines that changed; all else stays as it is.

    Only a slip that can mean one thing is repaired (`2+` for `2&`, `6:8` for `6/8`, a missing comma). One repair
    may bring another to light, so it goes on until there is none.
    """
    before = text
    for _ in range(MAX_PASSES):
        reading = read_reading(text, where)
        if not reading.repairs:
            break
        text = _with_repairs(reading)
    lines = zip(before.split("\n"), text.split("\n"), strict=True)
    changes = [Change(line, old, new) for line, (old, new) in enumerate(lines, 1) if old != new]
    return text, changes


def _with_repairs(reading: Reading) -> str:
    text, pieces, before = reading.text, [], len(reading.text)
    for repair in sorted(set(reading.repairs), key=lambda repair: (repair.start, repair.stop), reverse=True):
        if repair.stop <= before and "\n" not in text[repair.start : repair.stop]:
            pieces += [text[repair.stop : before], repair.wanted]
            before = repair.start
    return text[:before] + "".join(reversed(pieces))
