"""Builds the tree of a drill file's text, and says YAML's complaints in the words of someone who writes drills.

Conventions: those of `coach.score.source`. Anchors, aliases, tags and a second document have no place in a drill
and are refused, so that no file can grow when it is read; depth and size are limited.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import yaml

from coach.score.slips import MAX_DEPTH, yaml_slip
from coach.score.source import (
    CONTROL,
    MAX_BYTES,
    Mapping,
    Node,
    Report,
    Scalar,
    Sequence,
    Spot,
    too_large,
)

MAX_NODES = 60_000
UNREAD = "the rest can't be read until this is mended"
_LOADER: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader


def compose(text: str, report: Report) -> Node | None:
    """The tree of one document; None, with the reason in the report, where the text is no YAML."""
    if len(text.encode("utf-8", "replace")) > MAX_BYTES:
        report.error(None, too_large(len(text.encode("utf-8", "replace"))), "is this a drill file?")
        return None
    if tabs := list(_tab_indents(report.lines)):
        for spot in tabs[:20]:
            message = "a tab character indents this line; YAML allows only spaces"
            report.error(
                spot,
                f"{message}; {UNREAD}" if spot == tabs[:20][-1] else message,
                "use two spaces for each step",
            )
        _untab(text, report)
        return None
    try:
        events = yaml.parse(text, Loader=_LOADER)
        next(events)  # stream start
        if isinstance(next(events), yaml.StreamEndEvent):
            report.error(None, "the file is empty", "`coach new` writes a drill to start from")
            return None
        builder = _Builder(report)
        root = builder.node(next(events), events, 1)
        next(events)  # document end
        extra = next(events)
        if not isinstance(extra, yaml.StreamEndEvent):
            report.error(
                _spot(extra.start_mark),
                "a second YAML document starts here; a file holds one drill",
                "put each drill into a file of its own",
            )
    except _TooManyError as error:
        report.error(
            error.spot, f"the file holds more than {MAX_NODES:,} keys and values", "is this a drill file?"
        )
        return None
    except _TooDeepError as error:
        report.error(error.spot, f"this is nested more than {MAX_DEPTH} deep; a drill needs 6")
        return None
    except (yaml.YAMLError, UnicodeError) as error:
        _explain(error, report)
        return None
    if isinstance(root, Scalar) and not root.text and root.plain:
        report.error(None, "the file is empty", "`coach new` writes a drill to start from")
        return None
    return root


class _TooDeepError(Exception):
    def __init__(self, spot: Spot) -> None:
        super().__init__()
        self.spot = spot


class _TooManyError(_TooDeepError):
    pass


@dataclass
class _Builder:
    report: Report
    count: int = 0

    def node(self, event: Any, events: Iterator[Any], depth: int) -> Node:
        mark: Any = event.start_mark
        end: Any = event.end_mark
        line, column = mark.line + 1, mark.column + 1
        self.count += 1
        if depth > MAX_DEPTH:
            raise _TooDeepError(Spot(line, column))
        if self.count > MAX_NODES:
            raise _TooManyError(Spot(line, column))
        if isinstance(event, yaml.AliasEvent):
            self.report.error(
                Spot(line, column),
                f"`*{event.anchor}` is a YAML alias; a drill has none",
                "put the text in quotes",
            )
            return Scalar(f"*{event.anchor}", line, column, mark.index, end.index)
        self._refuse_extras(event, line, column)
        if isinstance(event, yaml.ScalarEvent):
            plain = not event.style
            if found := CONTROL.search(event.value):
                self.report.error(
                    Spot(line, column),
                    f"the text holds the control character U+{ord(found[0]):04X}",
                    "leave it out",
                )
            return Scalar(event.value, line, column, mark.index, end.index, plain)
        flow = bool(event.flow_style)
        if isinstance(event, yaml.SequenceStartEvent):
            items = []
            while not isinstance(inner := next(events), yaml.SequenceEndEvent):
                items.append(self.node(inner, events, depth + 1))
            return Sequence(tuple(items), line, column, mark.index, flow)
        return Mapping(tuple(self._pairs(events, depth)), line, column, mark.index, flow)

    def _pairs(self, events: Iterator[Any], depth: int) -> Iterator[tuple[Scalar, Node]]:
        seen: dict[str, Scalar] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key = self.node(event, events, depth + 1)
            value = self.node(next(events), events, depth + 1)
            if not isinstance(key, Scalar):
                self.report.error(key, "a key is one word; this is a list or a group of lines")
            elif key.text in seen:
                self.report.error(
                    key,
                    f"`{key.text}` is given twice; it stands on line {seen[key.text].line} already",
                    "delete one, or rename it",
                )
            else:
                seen[key.text] = key
                yield key, value

    def _refuse_extras(self, event: Any, line: int, column: int) -> None:
        if event.anchor is not None:
            self.report.error(
                Spot(line, column),
                f"`&{event.anchor}` is a YAML anchor; a drill has none",
                "a beat starts with its number: `1&`, `2&`",
            )
        if event.tag is not None and event.tag != "!":
            self.report.error(
                Spot(line, column), "a YAML tag (`!`) has no place in a drill", "put the text in quotes"
            )


def _tab_indents(lines: Iterable[str]) -> Iterator[Spot]:
    for number, line in enumerate(lines, 1):
        lead = line[: len(line) - len(line.lstrip(" \t"))]
        if "\t" in lead and line.strip() and not line.lstrip(" \t").startswith("#"):
            yield Spot(number, lead.index("\t") + 1)


def _untab(text: str, report: Report) -> None:
    """Two spaces for each tab are sure where every indented line has tabs alone."""
    leads = list(re.finditer(r"^[ \t]+(?=\S)", text, re.MULTILINE))
    if all(set(lead[0]) == {"\t"} for lead in leads):
        for lead in leads:
            report.repair(lead.start(), lead.end(), "  " * len(lead[0]))


def _spot(mark: Any) -> Spot:
    return Spot(mark.line + 1, mark.column + 1)


def _explain(error: Exception, report: Report) -> None:
    """Say a YAML error in the words of someone who writes drills."""
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    what = str(getattr(error, "problem", "") or "")
    if isinstance(error, yaml.reader.ReaderError | UnicodeError) or mark is None:
        position = getattr(error, "position", None)
        found = next(
            (
                (number, match.start() + 1, match[0])
                for number, line in enumerate(report.lines, 1)
                if (match := re.search("[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff\ud800-\udfff]", line))
            ),
            None,
        )
        if found:
            spot = Spot(found[0], found[1])
            report.error(spot, f"a control character, U+{ord(found[2]):04X}, stands here", "delete it")
        else:
            report.error(None, f"the text can't be read as YAML at character {position}")
        return
    spot = _spot(mark)
    line = report.lines[spot.line - 1] if spot.line <= len(report.lines) else ""
    context = getattr(error, "context_mark", None)
    message, guess = yaml_slip(what, report.lines, spot)
    if guess.startswith("no space in"):
        rest = line[spot.column :]
        report.repair(mark.index + 1, mark.index + 1 + len(rest) - len(rest.lstrip(" ")), "")
    if "could not find expected ':'" in what and context is not None:
        spot = _spot(context)
    if "quoted" in str(getattr(error, "context", "")) and context is not None:
        spot, message, guess = _spot(context), "this quotation mark is never closed", "add the closing one"
        if "escape" in what:
            spot, message, guess = (
                _spot(mark),
                "a backslash in double quotes starts an escape",
                "use single quotes",
            )
    report.error(spot, f"{message}; {UNREAD}", guess)
