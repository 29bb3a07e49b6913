"""Builds the tree of a YAML file's text, and says YAML's complaints in the words of someone who writes such files.

Conventions: those of `coach.ground.source`. Anchors, aliases, tags and a second document have no place in them and
are refused, so that no file can grow when it is read; depth and size are limited.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from collections.abc import Sequence as AnySequence
from dataclasses import dataclass
from typing import Any

import yaml

from coach.ground.slips import MAX_DEPTH, too_deep, yaml_slip
from coach.ground.source import (
    CONTROL,
    Mapping,
    Node,
    Report,
    Scalar,
    Sequence,
    Spot,
    too_large,
)

MAX_NODES = 60_000
UNREAD = "the rest can't be read until this is fixed"
_LOADER: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader


def compose(text: str, report: Report) -> Node | None:
    """The tree of one document; None where the text is empty or, with the reason in the report, no YAML."""
    kind = report.kind
    size = len(text.encode("utf-8", "replace"))
    if size > kind.max_bytes:
        report.error(None, too_large(size, kind), f"is this {kind.file}?")
        return None
    if tabs := list(_tab_indents(report.lines)):
        _refuse_tabs(tabs, text, report)
        return None
    try:
        root = _document(yaml.parse(text, Loader=_LOADER), report)
    except _TooMuchError as error:
        report.error(*error.args)
        return None
    except (yaml.YAMLError, UnicodeError) as error:
        _explain(error, report)
        return None
    if root is None or (isinstance(root, Scalar) and not root.text and root.plain):
        if kind.start:
            report.error(None, "the file is empty", kind.start)
        return None
    return root


def _document(events: Iterator[Any], report: Report) -> Node | None:
    """The tree of the first document, None where there is none; a second one is an error."""
    next(events)  # stream start
    if isinstance(next(events), yaml.StreamEndEvent):
        return None
    root = _Builder(report).node(next(events), events, 1)
    next(events)  # document end
    extra = next(events)
    if not isinstance(extra, yaml.StreamEndEvent):
        report.error(
            _spot(extra.start_mark),
            f"a second YAML document starts here; a file contains {report.kind.single}",
            "put it into a file of its own",
        )
    return root


class _TooMuchError(Exception):
    """More than is read: where, what, and the likely slip."""


@dataclass
class _Builder:
    report: Report
    count: int = 0

    def node(self, event: Any, events: Iterator[Any], depth: int) -> Node:
        kind, spot = self.report.kind, _spot(event.start_mark)
        start, stop = event.start_mark.index, event.end_mark.index
        self.count += 1
        if depth > MAX_DEPTH:
            raise _TooMuchError(spot, too_deep(kind))
        if self.count > MAX_NODES:
            message = f"the file has more than {MAX_NODES:,} keys and values"
            raise _TooMuchError(spot, message, f"is this {kind.file}?")
        if isinstance(event, yaml.AliasEvent):
            message = f"`*{event.anchor}` is a YAML alias; {kind.noun} can't have one"
            self.report.error(spot, message, "put the text in quotes")
            return Scalar(f"*{event.anchor}", spot.line, spot.column, start, stop)
        self._refuse_extras(event, spot)
        if isinstance(event, yaml.ScalarEvent):
            if control := CONTROL.search(event.value):
                message = f"the text contains the control character U+{ord(control[0]):04X}"
                self.report.error(spot, message, "leave it out")
            return Scalar(event.value, spot.line, spot.column, start, stop, not event.style)
        flow = bool(event.flow_style)
        if isinstance(event, yaml.SequenceStartEvent):
            items = []
            while not isinstance(inner := next(events), yaml.SequenceEndEvent):
                items.append(self.node(inner, events, depth + 1))
            return Sequence(tuple(items), spot.line, spot.column, start, _end(inner, flow, items), flow)
        pairs, last = self._pairs(events, depth)
        stop = _end(last, flow, [value for _, value in pairs])
        return Mapping(tuple(pairs), spot.line, spot.column, start, stop, flow)

    def _pairs(self, events: Iterator[Any], depth: int) -> tuple[list[tuple[Scalar, Node]], Any]:
        """The keys and values of a mapping, and the event at its end."""
        seen: dict[str, tuple[Scalar, Node]] = {}
        while not isinstance(event := next(events), yaml.MappingEndEvent):
            key = self.node(event, events, depth + 1)
            value = self.node(next(events), events, depth + 1)
            if not isinstance(key, Scalar):
                self.report.error(key, "a key is one word; this is a list or a group of lines")
            elif key.text in seen:
                self.report.error(
                    key,
                    f"`{key.text}` is given twice; it is already on line {seen[key.text][0].line}",
                    "delete one, or rename it",
                )
            else:
                seen[key.text] = key, value
        return list(seen.values()), event

    def _refuse_extras(self, event: Any, spot: Spot) -> None:
        kind = self.report.kind
        if event.anchor is not None:
            self.report.error(
                spot, f"`&{event.anchor}` is a YAML anchor; {kind.noun} can't have one", kind.sign
            )
        if event.tag is not None and event.tag != "!":
            self.report.error(
                spot, f"a YAML tag (`!`) is not allowed in {kind.noun}", "put the text in quotes"
            )


def _end(event: Any, flow: bool, inside: AnySequence[Node]) -> int:
    """Where a list or a mapping ends: YAML's own mark of one without brackets lies beyond the blank lines after it."""
    mark: Any = event.end_mark if flow or not inside else None
    return mark.index if mark else inside[-1].stop


def _refuse_tabs(tabs: list[Spot], text: str, report: Report) -> None:
    message = "this line is indented with a tab; YAML allows only spaces"
    shown = tabs[:20]
    for spot in shown:
        whole = f"{message}; {UNREAD}" if spot == shown[-1] else message
        report.error(spot, whole, "use two spaces for each level")
    _untab(text, report)


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
    """Say a YAML error in the words of someone who writes such files."""
    mark = getattr(error, "problem_mark", None) or getattr(error, "context_mark", None)
    what = str(getattr(error, "problem", "") or "")
    if isinstance(error, yaml.reader.ReaderError | UnicodeError) or mark is None:
        position = getattr(error, "position", None)
        control = next(
            (
                (number, match.start() + 1, match[0])
                for number, line in enumerate(report.lines, 1)
                if (match := re.search("[\x00-\x08\x0b-\x1f\x7f\ufffe\uffff\ud800-\udfff]", line))
            ),
            None,
        )
        if control:
            spot = Spot(control[0], control[1])
            report.error(spot, f"there is a control character here, U+{ord(control[2]):04X}", "delete it")
        else:
            report.error(None, f"the text can't be read as YAML at character {position}")
        return
    spot = _spot(mark)
    line = report.lines[spot.line - 1] if spot.line <= len(report.lines) else ""
    context = getattr(error, "context_mark", None)
    message, guess = yaml_slip(what, report.lines, spot, report.kind)
    if guess.startswith("no space in"):
        rest = line[spot.column :]
        report.repair(mark.index + 1, mark.index + 1 + len(rest) - len(rest.lstrip(" ")), "")
    if "could not find expected ':'" in what and context is not None:
        spot = _spot(context)
    if "quoted" in str(getattr(error, "context", "")) and context is not None:
        spot, message, guess = _spot(context), "this quotation mark is never closed", "add the closing one"
        if "escape" in what:
            spot, message = _spot(mark), "a backslash in double quotes starts an escape"
            guess = "use single quotes"
    report.error(spot, f"{message}; {UNREAD}", guess)
