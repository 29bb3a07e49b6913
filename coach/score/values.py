"""The kinds of value that drill files have besides those of `coach.ground.fields`: ids, meters, tempo changes, days."""

from __future__ import annotations

import re
from datetime import date
from fractions import Fraction
from typing import Any

from coach.ground.days import day_from
from coach.ground.digits import whole_number
from coach.ground.fields import Kind, did_you_mean, kind_of, shorten, word_of
from coach.ground.kinds import Text, Whole
from coach.ground.problem import SlipError
from coach.ground.source import Node, Report, Scalar, Sequence
from coach.music.drill import AskedPart
from coach.music.key import Key, key_named
from coach.music.rhythm import Meter
from coach.score.ids import slug
from coach.score.limits import FORMAT_VERSION, ID, MAX_NAME

PERCENT_RANGE = (20, 400)
MOST_SILENT = 64
_PERCENT = r"(\d{1,4}(?:\.\d{1,3})?)\s*%"


class Version(Kind[int]):
    """The version of the format; a newer one can't be read."""

    allowed = str(FORMAT_VERSION)

    def value(self, node: Node) -> int:
        word = word_of(node)
        if word == str(FORMAT_VERSION):
            return FORMAT_VERSION
        if self.is_newer(node):
            message = f"this drill is written in version {word} of the format; this program reads version "
            raise SlipError(f"{message}{FORMAT_VERSION}", "a newer version of the program can read it")
        message = f"{kind_of(node)} is not a version of the format; it is {FORMAT_VERSION}"
        raise SlipError(message, f"write `drill: {FORMAT_VERSION}`")

    def is_newer(self, node: Node | None) -> bool:
        """Whether the file is written in a version that this program does not know."""
        return node is not None and (whole_number(word_of(node)) or 0) > FORMAT_VERSION

    def schema(self) -> dict[str, Any]:
        return {"const": FORMAT_VERSION}


class Part(Kind[AskedPart]):
    """A phrase or a node that is asked for, and its goal: `window at 60`, `3.2 on D2`."""

    allowed = "a phrase's id or a node, and its goal: window at 60"

    def value(self, node: Node) -> AskedPart:
        return asked_part(Text(MAX_NAME).value(node))

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "maxLength": MAX_NAME}


def asked_part(text: str) -> AskedPart:
    """A part as it is written: `3.2 on D2 at 50`."""
    name, at, bpm = text.rpartition(" at ")
    goal_bpm = whole_number(bpm.strip()) if at else None
    return AskedPart(text.strip()) if goal_bpm is None else AskedPart(name.strip(), goal_bpm)


class Id(Kind[str]):
    """An id: small letters, digits and hyphens."""

    allowed = "small letters, digits and -, at most 64"
    pattern = f"^{ID.pattern}$"

    def value(self, node: Node) -> str:
        text = Text(MAX_NAME).value(node)
        if not ID.fullmatch(text):
            raise SlipError(f"'{shorten(text)}' is not an id; {self.allowed}", did_you_mean(slug(text)))
        return text


class NoteValue(Kind[Fraction]):
    """A part of a whole note: `1/4`, `3/8`."""

    allowed = "a quarter is 1/4, a dotted quarter 3/8"
    pattern = r"^\d+/\d+$"

    def value(self, node: Node) -> Fraction:
        word = word_of(node)
        match = re.fullmatch(r"(\d{1,2})/(\d{1,2})", word)
        if match and int(match[1]) and int(match[2]) and Fraction(1, 64) <= Fraction(word) <= 4:
            return Fraction(word)
        raise SlipError(f"{kind_of(node)} is not a note value; {self.allowed}")

    def write(self, value: Fraction) -> str:
        return f"{value.numerator}/{value.denominator}"


class Subdivision(Kind[int | Fraction]):
    """Clicks to a beat, or the note value that they fall on."""

    clicks, part = Whole(1, 8, "clicks to a beat"), NoteValue()

    allowed = f"{clicks.allowed}, or a note value such as 1/8"

    def value(self, node: Node) -> int | Fraction:
        return self.part.value(node) if "/" in word_of(node) else self.clicks.value(node)

    def write(self, value: int | Fraction) -> str:
        return str(value) if isinstance(value, int) else self.part.write(value)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.clicks.schema(), self.part.schema()]}


_METER = re.compile(
    r"(\d{1,3})/(\d{1,3})(?:\s+in\s+(\d{1,3}(?:\+\d{1,3})*)(?:\s+as\s+(\d{1,3}(?:\+\d{1,3})+))?)?"
)


class MeterSign(Kind[Meter]):
    """A meter: `4/4`, `6/8 in 2`, `7/8 in 2+2+3`, `7/8 in 3`, `7/8 in 3 as 3+2+2`."""

    allowed = "4/4, 6/8 in 2, 7/8 in 2+2+3, or 7/8 in 3 as 3+2+2"
    pattern = r"^\d+/\d+( in \d+(\+\d+)*( as \d+(\+\d+)+)?)?$"

    def value(self, node: Node) -> Meter:
        word = word_of(node)
        match = _METER.fullmatch(word)
        if match is None:
            swapped = re.fullmatch(r"(\d+)\s*[:.\\ -]\s*(\d+)", word)
            usual = "4/4" if word.lower() in ("c", "common", "4") else ""
            wanted = f"{swapped[1]}/{swapped[2]}" if swapped else usual
            message = f"{kind_of(node)} is not a meter; write {self.allowed}"
            raise SlipError(message, did_you_mean(wanted), wanted if ":" in word else "")
        upper, lower = int(match[1]), int(match[2])
        return _counted(upper, lower, match[3], match[4]) if match[3] else Meter.of(upper, lower)


class KeySign(Kind[Key]):
    """A key: `Eb major`, `F# minor`."""

    allowed = (
        "a letter, # or b if needed, and major or minor: Eb major, F# minor; at most seven sharps or flats"
    )
    pattern = r"^[A-Ga-g][#b♯♭]?\s+(major|minor)$"

    def value(self, node: Node) -> Key:
        word = word_of(node)
        if (key := key_named(word)) is None:
            raise SlipError(f"{kind_of(node)} is not a key; {self.allowed}", did_you_mean(_key_slip(word)))
        return key


def _key_slip(word: str) -> str:
    """The key that a slip likely means: `Ebm`, `eb`, `F#-minor`, `Bb maj`; empty where none is."""
    match = re.fullmatch(r"([A-Ga-g][#b♯♭]?)[ -]?(m|min|minor|moll|M|maj|major|dur|)", word, re.IGNORECASE)
    if match is None:
        return ""
    minor = match[2] == "m" or match[2].lower() in ("min", "minor", "moll")
    key = key_named(f"{match[1]} {'minor' if minor else 'major'}")
    return str(key) if key else ""


def _counted(upper: int, lower: int, counted: str, groups: str | None) -> Meter:
    """The meter with what stands after its `in`, and after its `as` if there is one."""
    parts = [int(part) for part in counted.split("+")]
    if groups is None:
        return Meter.of(upper, lower, parts[0]) if len(parts) == 1 else Meter.grouped(upper, lower, parts)
    large = [int(part) for part in groups.split("+")]
    if parts != [len(large)]:
        raise ValueError(f"{upper}/{lower}: {groups} are {len(large)} beats, not {counted}")
    return Meter.in_large(upper, lower, large)


class TempoChange(Kind[tuple[Fraction, Fraction]]):
    """A change of tempo against the drill's, as ratios at its start and its end: `80%` or `100% to 80%`."""

    allowed = "80%, or 100% to 80%, of the drill's tempo"
    pattern = r"^\d+(\.\d+)?%( to \d+(\.\d+)?%)?$"

    def value(self, node: Node) -> tuple[Fraction, Fraction]:
        word = word_of(node)
        match = re.fullmatch(rf"{_PERCENT}(?:\s+to\s+{_PERCENT})?", word)
        if match is None:
            guess = f"write {word}%, of the drill's tempo" if word.isdecimal() else ""
            raise SlipError(f"{kind_of(node)} is not a change of tempo; write {self.allowed}", guess)
        low, high = PERCENT_RANGE
        start, stop = Fraction(match[1]), Fraction(match[2] or match[1])
        for value in (start, stop):
            if not low <= value <= high:
                raise SlipError(f"{float(value):g}% is outside {low}% to {high}% of the drill's tempo")
        return start / 100, stop / 100

    def write(self, value: tuple[Fraction, Fraction]) -> str:
        return " to ".join(dict.fromkeys(f"{float(round(ratio * 100, 3)):g}%" for ratio in value))


class Day(Kind[date]):
    """A day: `2026-12-24`."""

    allowed = "YYYY-MM-DD"
    pattern = r"^\d{4}-\d\d-\d\d$"

    def value(self, node: Node) -> date:
        word = word_of(node)
        if re.fullmatch(r"\d{4}-\d\d-\d\d", word):
            try:
                return day_from(word)
            except ValueError as error:
                message = str(error) if "outside" in str(error) else f"'{word}' is not a day of the calendar"
                raise SlipError(message) from None
        wanted = ""
        if match := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", word):
            wanted = f"{match[3]}-{int(match[2]):02d}-{int(match[1]):02d}"
        raise SlipError(f"{kind_of(node)} is not a day; write it as 2026-12-24", did_you_mean(wanted), wanted)


class SilentBars(Kind[tuple[int, int]]):
    """Bars without a click and of how many: `1 of 4` is (1, 4)."""

    allowed = f"N is at least 1 and below M, M at most {MOST_SILENT}"
    pattern = r"^\d+ of \d+$"

    def value(self, node: Node) -> tuple[int, int]:
        words = word_of(node).split()
        if len(words) == 3 and words[1] == "of":
            silent, every = whole_number(words[0]) or 0, whole_number(words[2]) or 0
            if 0 < silent < every <= MOST_SILENT:
                return silent, every
        message = (
            f"{kind_of(node)} is not `N of M`; `1 of 4` leaves the last of every four bars without a click"
        )
        raise SlipError(message, self.allowed)

    def write(self, value: tuple[int, int]) -> str:
        return f"{value[0]} of {value[1]}"


class Parts(Kind[Node]):
    """What stands for a larger part of a drill, left as it is for the reader of that part."""

    allowed = ""

    def value(self, node: Node) -> Node:
        return node


class Beats(Parts):
    """A number of beats, whose measure only the bar knows."""

    def schema(self) -> dict[str, Any]:
        number = {"type": "number", "minimum": 0, "maximum": 64}
        return {"anyOf": [number, {"type": "string", "pattern": r"^(\d+\+)?\d+/\d+$"}]}


class Order(Parts):
    """Phrases by id or name in the order played."""

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}]}


def items_of(node: Node | None, message: str, example: str, where: str, report: Report) -> tuple[Node, ...]:
    """The parts of a list that must have some; none, with the reason in the report, where it has none."""
    if node is None:
        return ()
    if isinstance(node, Sequence) and node.items:
        return node.items
    report.error(node, f"found {kind_of(node)} where {message} belongs", f"as in `{example}`", where)
    return ()


def scalar_of(node: Node, message: str, example: str, where: str, report: Report) -> Scalar | None:
    """The text that a node is; None, with the reason in the report, where it is a list or a group."""
    if isinstance(node, Scalar):
        return node
    report.error(node, f"found {kind_of(node)} where {message}", f"as in `{example}`", where)
    return None
