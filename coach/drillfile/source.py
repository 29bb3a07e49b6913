"""A drill file's text as a small tree in which everything knows its line and column.

Conventions: lines and columns count from 1 (YAML's own marks count from 0); `start` and `stop` are character
offsets into the text. Scalars stay the text that the author wrote: YAML 1.1 would read `6:8` as 368 and `no` as
false. Anchors, aliases, tags and a second document have no place in a drill and are refused, so that no file can
grow when it is read; depth and size are limited.
"""

from __future__ import annotations

import difflib
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

import yaml

from coach.core.plain import plain_text
from coach.core.problem import CoachError, Problem, Severity

MAX_BYTES = 1_000_000
MAX_DEPTH = 12
MAX_PROBLEMS = 200
MAX_SHOWN = 200
"""Characters of an offending line that are shown."""

_BREAKS = re.compile(r"\r\n|[\n\r\x85\u2028\u2029]")
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
_UNPRINTABLE = re.compile(_CONTROL.pattern[:-1] + "\ud800-\udfff]")
_LOADER: Any = yaml.CSafeLoader if yaml.__with_libyaml__ else yaml.SafeLoader


@dataclass(frozen=True, slots=True)
class Spot:
    """A place in the file, from 1."""

    line: int
    column: int


class Placed(Protocol):
    """Anything with a line and a column."""

    @property
    def line(self) -> int: ...

    @property
    def column(self) -> int: ...


@dataclass(frozen=True, slots=True)
class Scalar:
    """A piece of text: `text` as YAML unquotes it."""

    text: str
    line: int
    column: int
    start: int
    stop: int
    plain: bool = True


@dataclass(frozen=True, slots=True)
class Sequence:
    """A list, in brackets (`flow`) or with dashes."""

    items: tuple[Node, ...]
    line: int
    column: int
    start: int
    flow: bool = False


@dataclass(frozen=True, slots=True)
class Mapping:
    """Keys and values in the file's order, in braces (`flow`) or one to a line; each key once."""

    pairs: tuple[tuple[Scalar, Node], ...]
    line: int
    column: int
    start: int
    flow: bool = False

    def get(self, key: str) -> Node | None:
        """The value of a key, None where it isn't there."""
        return next((value for name, value in self.pairs if name.text == key), None)


Node = Scalar | Sequence | Mapping


@dataclass(frozen=True, slots=True)
class Repair:
    """A sure repair: put `wanted` in place of the characters `start` to `stop` of the text."""

    start: int
    stop: int
    wanted: str


@dataclass
class Report:
    """The problems found so far in one file."""

    where: str
    lines: list[str]
    problems: list[Problem] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)

    def error(self, spot: Placed | None, message: str, guess: str = "", field: str = "") -> None:
        """Note an error at a place, or about the whole file where there is none."""
        self._add(spot, message, guess, field, "error")

    def warn(self, spot: Placed | None, message: str, guess: str = "", field: str = "") -> None:
        """Note a warning."""
        self._add(spot, message, guess, field, "warning")

    def repair(self, start: int, stop: int, wanted: str) -> None:
        """Note that the characters `start` to `stop` of the text are surely meant to be `wanted`."""
        self.repairs.append(Repair(start, stop, wanted))

    @property
    def failed(self) -> bool:
        return any(problem.severity == "error" for problem in self.problems)

    def _add(self, spot: Placed | None, message: str, guess: str, name: str, severity: Severity) -> None:
        line, column = (spot.line, spot.column) if spot else (0, 0)
        source = self.lines[line - 1] if 0 < line <= len(self.lines) else ""
        source = _UNPRINTABLE.sub("·", source[:MAX_SHOWN]) if column <= MAX_SHOWN - 40 else ""
        # What was found may hold anything; a terminal would obey its control characters.
        message, guess, name = plain_text(message), plain_text(guess), plain_text(name)
        problem = Problem(message, self.where, line, column, guess, name, severity, source)
        if problem not in self.problems[-20:]:
            self.problems.append(problem)


def read_text(path: Path | str) -> str:
    """The text of a drill file; CoachError where there is none that can be read."""
    where = str(path)
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            inside = sorted(Path(path).glob("*.yaml"))
            guess = f"name a file in it: {inside[0]}" if inside else "name the drill's file"
            raise CoachError(Problem("this is a folder, not a drill file", where, guess=guess))
        if not stat.S_ISREG(status.st_mode):
            raise CoachError(Problem("this is no ordinary file", where, guess="name a drill's .yaml file"))
        if status.st_size > MAX_BYTES:
            raise CoachError(Problem(too_large(status.st_size), where, guess="is this a drill file?"))
        data = Path(path).read_bytes()
    except FileNotFoundError:
        raise CoachError(Problem("there is no such file", where, guess=_other_file(Path(path)))) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CoachError(Problem(f"the file can't be read: {reason}", where)) from None
    return decode(data, where)


def too_large(size: int) -> str:
    """The sentence about a file of so many bytes."""
    return f"the file has {size / 1e6:.1f} MB; a drill file has at most {MAX_BYTES / 1e6:.0f} MB"


def decode(data: bytes, where: str) -> str:
    """UTF-8 text without its byte-order mark; CoachError for anything else."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise CoachError(
                Problem("the file is UTF-16 text; a drill file is UTF-8", where, guess="save it as UTF-8")
            ) from None
        line = data.count(b"\n", 0, error.start) + 1
        if b"\0" in data[:1024]:
            raise CoachError(Problem("this is a binary file, not a drill's text", where)) from None
        message = f"byte 0x{data[error.start]:02x} is no UTF-8 text"
        raise CoachError(Problem(message, where, line, guess="save the file as UTF-8")) from None
    if "\0" in text:
        raise CoachError(Problem("this is a binary file, not a drill's text", where))
    return text


def split_lines(text: str) -> list[str]:
    """The lines as YAML counts them."""
    return _BREAKS.split(text)


def compose(text: str, report: Report) -> Node | None:
    """The tree of one document; None, with the reason in the report, where the text is no YAML."""
    if len(text.encode("utf-8", "replace")) > MAX_BYTES:
        report.error(None, too_large(len(text.encode("utf-8", "replace"))), "is this a drill file?")
        return None
    if tabs := list(_tab_indents(report.lines)):
        for spot in tabs[:20]:
            report.error(
                spot,
                "a tab character indents this line; YAML allows only spaces",
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


@dataclass
class _Builder:
    report: Report

    def node(self, event: Any, events: Iterator[Any], depth: int) -> Node:
        mark: Any = event.start_mark
        end: Any = event.end_mark
        line, column = mark.line + 1, mark.column + 1
        if depth > MAX_DEPTH:
            raise _TooDeepError(Spot(line, column))
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
            if not plain and (found := _CONTROL.search(event.value)):
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
                self.report.error(key, "a key is one word; this is a list or a block")
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
    message, guess = _yaml_slip(what, line, spot.column)
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
    report.error(spot, message, guess)


def _yaml_slip(what: str, line: str, column: int) -> tuple[str, str]:
    body = line.strip()
    if "mapping values" in what:
        note = re.search(r"(?:\d[\d.&ea+/]*\s+|[,+>?\d]\s*)([A-Ga-g][#b]?-?\d*|\d)$", line[: column - 1])
        if note:
            word = note[1]
            return "a colon with a space after it starts a value", f"no space in `{word}:0`"
        return (
            "a colon with a space after it starts a value, and this line has one too many",
            "put a text that holds `: ` in quotes, or is the line above it cut short?",
        )
    if "anchor" in what or "alphabetic or numeric" in what:
        return "a value that starts with `&` or `*` means something else to YAML", (
            "a beat starts with its number: `1&`"
        )
    if "cannot start any token" in what:
        if "\t" in line:
            return "a tab character stands here; YAML allows only spaces", "use spaces"
        found = line[column - 1 : column]
        return f"a value can't start with `{found}`", "put it in quotes"
    if "could not find expected ':'" in what:
        return "this line is no `key: value`", "is a colon missing, or the space after it?"
    if "',' or" in what:
        bracket = "]" if "]" in what else "}"
        return f"a comma or the closing `{bracket}` is missing here or on the line above", (
            "events with commas can't stand inside braces unless they are in quotes"
        )
    if "nesting depth" in what:
        return f"this is nested more than {MAX_DEPTH} deep; a drill needs 6", ""
    if (
        "document start" in what
        or "expected key" in what
        or "block" in what
        or "indentation" in what
        or "expected <block end>" in what
    ):
        return "the indentation doesn't fit the lines above", (
            "keys of one block start in the same column, and so do the dashes of one list"
        )
    if body.startswith("%"):
        return "a line can't start with `%`", "start a comment with #"
    return f"this is no YAML: {what or 'unknown reason'}", ""


def nearest(word: str, choices: Iterable[str], cutoff: float = 0.6) -> str:
    """The choice that `word` is most likely a slip for; empty where none is near."""
    by_case = {choice.lower(): choice for choice in choices}
    close = difflib.get_close_matches(word.lower().strip(), list(by_case), 1, cutoff)
    return by_case[close[0]] if close else ""


def _other_file(path: Path) -> str:
    try:
        names = [other.name for other in path.parent.iterdir() if other.is_file()][:500]
    except OSError:
        return "the folder is missing too"
    close = nearest(path.name, names)
    return f"did you mean {path.parent / close}?" if close else ""
