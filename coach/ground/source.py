"""A YAML file's text as a small tree in which everything knows its line and column, and what is wrong in it.

Conventions: lines and columns count from 1 (YAML's own marks count from 0); `start` and `stop` are character
offsets into the text. Scalars stay the text that the author wrote: YAML 1.1 would read `6:8` as 368 and `no` as
false.
"""

from __future__ import annotations

import codecs
import difflib
import re
import stat
from collections.abc import Container, Iterable
from collections.abc import Mapping as AnyMapping
from dataclasses import field
from pathlib import Path
from typing import BinaryIO

from coach.ground.frozen import frozen, mutable
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, Problem, Severity

MAX_PROBLEMS = 200
MAX_SHOWN = 200
"""Characters of an offending line that are shown."""
MAX_MESSAGE = 400

_BREAKS = re.compile(r"\r\n|[\n\r\x85\u2028\u2029]")
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
"""Control characters and those that turn the direction of text."""


@frozen
class FileKind:
    """What messages call one kind of file, how large it may be, and, of YAML, which slips are likely in it."""

    noun: str = "a file"
    """What it holds: `a drill`."""
    file: str = "a file"
    """`a drill file`."""
    single: str = "one document"
    max_bytes: int = 1_000_000
    endings: tuple[str, ...] = (".yaml",)
    """How the names of such files end."""
    others: AnyMapping[bytes, tuple[str, str]] = field(default_factory=dict)
    """Files that are taken for one: how they begin, with what they are and the way out."""
    depth: int = 6
    """So deep is the deepest that has a meaning."""
    start: str = ""
    """The way out of an empty file; without one a file may be empty."""
    sign: str = "put the text in quotes"
    """What a value that starts with `&` or `*` was meant to be."""
    brackets: str = "[one, two]"
    """A list as it may stand in this kind of file."""
    blocks: AnyMapping[str, Container[str]] = field(default_factory=dict)
    """The known keys of every block by the key that it stands under, empty for the top of the file."""


@frozen
class Spot:
    """A place in the file, from 1."""

    line: int
    column: int


@frozen
class Scalar:
    """A piece of text: `text` as YAML unquotes it."""

    text: str
    line: int
    column: int
    start: int
    stop: int
    plain: bool = True


@frozen
class Sequence:
    """A list, in brackets (`flow`) or with dashes."""

    items: tuple[Node, ...]
    line: int
    column: int
    start: int
    stop: int
    flow: bool = False


@frozen
class Mapping:
    """Keys and values in the file's order, in braces (`flow`) or one to a line; each key once."""

    pairs: tuple[tuple[Scalar, Node], ...]
    line: int
    column: int
    start: int
    stop: int
    flow: bool = False

    def get(self, key: str) -> Node | None:
        """The value of a key, None where it isn't there."""
        return next((value for name, value in self.pairs if name.text == key), None)


Node = Scalar | Sequence | Mapping
Placed = Spot | Node


@frozen
class Repair:
    """A sure repair: put `wanted` in place of the characters `start` to `stop` of the text."""

    start: int
    stop: int
    wanted: str


class TooManyProblemsError(Exception):
    """A report is full; reading on would only cost time."""


@mutable
class Report:
    """The problems found so far in one file: at most `MAX_PROBLEMS` errors, and about as many in all."""

    where: str
    lines: list[str] = field(default_factory=list)
    kind: FileKind = FileKind()
    problems: list[Problem] = field(default_factory=list)
    repairs: list[Repair] = field(default_factory=list)
    errors: int = 0
    full: bool = False

    def error(self, spot: Placed | None, message: str, guess: str = "", field: str = "") -> None:
        """Note an error at a place, or about the whole file where there is none.

        TooManyProblemsError after so many that nobody would read on.
        """
        self._add(spot, message, guess, field, "error")
        self.errors += 1
        if self.errors > MAX_PROBLEMS:
            self.full = True
            raise TooManyProblemsError

    def warn(self, spot: Placed | None, message: str, guess: str = "", field: str = "") -> None:
        """Note a warning, unless there are many already."""
        if len(self.problems) < MAX_PROBLEMS:
            self._add(spot, message, guess, field, "warning")
        else:
            self.full = True

    def repair(self, start: int, stop: int, wanted: str) -> None:
        """Note that the characters `start` to `stop` of the text are surely meant to be `wanted`."""
        self.repairs.append(Repair(start, stop, wanted))

    @property
    def failed(self) -> bool:
        return self.errors > 0

    def in_order(self) -> list[Problem]:
        """The problems in the text's order; at the end, where it is full, that there are more."""
        problems = sorted(self.problems, key=lambda problem: (problem.line, problem.column))
        if self.full:
            severity: Severity = "error" if self.failed else "warning"
            problems.append(Problem("and more problems; fix these first", self.where, severity=severity))
        return problems

    def _add(self, spot: Placed | None, message: str, guess: str, name: str, severity: Severity) -> None:
        line, column = (spot.line, spot.column) if spot else (0, 0)
        source = self.lines[line - 1] if 0 < line <= len(self.lines) else ""
        source = source[:MAX_SHOWN] if column <= MAX_SHOWN - 40 else ""
        # What was found may hold anything; a terminal would obey its control characters.
        message, guess, name = (plain_text(text, MAX_MESSAGE) for text in (message, guess, name))
        problem = Problem(message, self.where, line, column, guess, name, severity, source)
        if problem not in self.problems[-20:]:
            self.problems.append(problem)


def read_text(path: Path | str, kind: FileKind) -> str:
    """The text of a file; CoachError where there is none that can be read."""
    return decode(read_bytes(path, kind), str(path), kind)


def stream_text(stream: BinaryIO, where: str, kind: FileKind) -> str:
    """The text that a stream holds, such as standard input; CoachError for too much and for anything but text."""
    data = stream.read(kind.max_bytes + 1)
    if len(data) > kind.max_bytes:
        raise CoachError(too_large(len(data), kind), where, guess=f"is this {kind.file}?")
    return decode(data, where, kind)


def read_bytes(path: Path | str, kind: FileKind) -> bytes:
    """All of an ordinary file; CoachError where there is none, it is too large, or can't be read. Waits for no pipe."""
    where = str(path)
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            inside = sorted(each for each in Path(path).iterdir() if each.suffix.lower() in kind.endings)
            guess = f"name a file in it: {inside[0]}" if inside else "name the file itself"
            raise CoachError(f"this is a folder, not {kind.file}", where, guess=guess)
        if not stat.S_ISREG(status.st_mode):
            raise CoachError("this is not an ordinary file", where, guess=f"name {kind.file}")
        if status.st_size > kind.max_bytes:
            raise CoachError(too_large(status.st_size, kind), where, guess=f"is this {kind.file}?")
        return Path(path).read_bytes()
    except FileNotFoundError:
        raise CoachError("there is no such file", where, guess=_other_file(Path(path))) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CoachError(f"the file can't be read: {reason.lower()}", where) from None


def too_large(size: int, kind: FileKind) -> str:
    """The sentence about a file of so many bytes."""
    return f"the file has {size / 1e6:.1f} MB; {kind.file} has at most {kind.max_bytes / 1e6:g} MB"


def decode(data: bytes, where: str, kind: FileKind) -> str:
    """UTF-8 text without its byte-order mark; CoachError for anything else."""
    head = data[:100].removeprefix(codecs.BOM_UTF8).lstrip()
    for start, (what, guess) in kind.others.items():
        if head.startswith(start):
            raise CoachError(f"this is {what}, not {kind.file}", where, guess=guess)
    binary = CoachError(f"this is a binary file, not {kind.file}", where, guess=f"name {kind.file}")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        if data.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise CoachError(
                f"the file is UTF-16 text; {kind.file} is UTF-8", where, guess="save it as UTF-8"
            ) from None
        line = data.count(b"\n", 0, error.start) + 1
        if b"\0" in data[:1024]:
            raise binary from None
        message = f"byte 0x{data[error.start]:02x} is not UTF-8 text"
        raise CoachError(Problem(message, where, line, guess="save the file as UTF-8")) from None
    if "\0" in text:
        raise binary
    return text


def split_lines(text: str) -> list[str]:
    """The lines as YAML counts them."""
    return _BREAKS.split(text)


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
