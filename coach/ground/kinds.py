"""The kinds of value that files of any sort have: texts, words, truths, numbers, lists.

Every message tells what was found, what is allowed and, where it can be told, the likely slip.
"""

from __future__ import annotations

import re
from typing import Any

from coach.ground.fields import Kind, did_you_mean, kind_of, quoted, word_of
from coach.ground.plain import json_text
from coach.ground.problem import SlipError
from coach.ground.source import Mapping, Node, Report, Scalar, Sequence, nearest

MAX_TEXT = 2000
_NUMBER = re.compile(r"[+-]?(\d{1,9}(\.\d{0,12})?|\.\d{1,12})([eE][+-]?\d{1,2})?")


class Text(Kind[str]):
    """A text, a number among them read as it is written."""

    def __init__(self, longest: int = MAX_TEXT, may_be_empty: bool = False) -> None:
        self.longest, self.may_be_empty = longest, may_be_empty

    @property
    def allowed(self) -> str:
        return f"a text of at most {self.longest} characters"

    def value(self, node: Node) -> str:
        if not isinstance(node, Scalar):
            guess = "put it in quotes" if isinstance(node, Mapping) or node.flow else ""
            raise SlipError(f"found {kind_of(node)} where a text belongs", guess)
        if not node.text.strip() and not self.may_be_empty:
            raise SlipError("nothing follows this key; give a text, or delete the line")
        if len(node.text) > self.longest:
            raise SlipError(f"the text has {len(node.text)} characters; at most {self.longest}")
        return node.text.strip()

    def write(self, value: str) -> str:
        return quoted(value)

    def schema(self) -> dict[str, Any]:
        return {"type": ["string", "number"], "maxLength": self.longest}


class Word(Kind[str]):
    """One of a few words."""

    def __init__(self, words: tuple[str, ...]) -> None:
        self.words = words

    @property
    def allowed(self) -> str:
        return f"{', '.join(self.words[:-1])} or {self.words[-1]}"

    def value(self, node: Node) -> str:
        word = word_of(node)
        if word in self.words:
            return word
        close = nearest(word, self.words)
        raise SlipError(f"{kind_of(node)} is none of {', '.join(self.words)}", did_you_mean(close))

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}


class Truth(Kind[bool]):
    """`yes` or `no`."""

    allowed = "yes or no"

    def value(self, node: Node) -> bool:
        word = word_of(node).lower()
        if word in ("yes", "true", "on"):
            return True
        if word in ("no", "false", "off"):
            return False
        raise SlipError(f"{kind_of(node)} is neither yes nor no")

    def write(self, value: bool) -> str:
        return "yes" if value else "no"

    def schema(self) -> dict[str, Any]:
        return {"enum": [True, False, "yes", "no"]}


class Whole(Kind[int]):
    """A whole number within a range; `unit` follows it in messages."""

    def __init__(self, low: int, high: int, unit: str = "") -> None:
        self.low, self.high, self.unit = low, high, unit

    @property
    def allowed(self) -> str:
        return f"{self.low} to {self.high}{' ' * bool(self.unit)}{self.unit}"

    def value(self, node: Node) -> int:
        word = word_of(node)
        if not re.fullmatch(r"[+-]?[0-9]{1,12}", word):
            message = f"{kind_of(node)} is not a whole number from {self.allowed}"
            raise SlipError(message, *self._written_otherwise(word))
        value = int(word)
        if self.low <= value <= self.high:
            return value
        raise SlipError(f"{value} is outside {self.allowed}", self._zeros(value))

    def _written_otherwise(self, word: str) -> tuple[str, ...]:
        if match := re.fullmatch(r"([0-9]+)\s*([A-Za-z]+)", word):
            sure = match[1] if match[2].lower() in self.unit.split() else ""
            return f"write {match[1]} without the unit", sure
        if re.fullmatch(r"[0-9]+[.,][0-9]+", word):
            return (f"round it: {re.split('[.,]', word)[0]}",)
        return ()

    def _zeros(self, value: int) -> str:
        if value > self.high and value % 10 == 0 and self.low <= value // 10 <= self.high:
            return "one zero too many?"
        return "a zero missing?" if 0 < value < self.low <= value * 10 <= self.high else ""

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.low, "maximum": self.high}


class Number(Kind[float]):
    """A number within a range; `unit` follows it in messages."""

    def __init__(self, low: float, high: float, unit: str = "") -> None:
        self.low, self.high, self.unit = low, high, unit

    @property
    def allowed(self) -> str:
        return f"{self.low:g} to {self.high:g}{' ' * bool(self.unit)}{self.unit}"

    def value(self, node: Node) -> float:
        word = word_of(node)
        if not _NUMBER.fullmatch(word):
            message = f"{kind_of(node)} is not a number from {self.allowed}"
            raise SlipError(message, *self._written_otherwise(word))
        value = float(word)
        if self.low <= value <= self.high:
            return value
        inches = self.unit == "mm" and 10 <= value <= 60
        guess = f"inches? in mm: {value * 25.4:g}" if inches else ""
        raise SlipError(f"{value:g} is outside {self.allowed}", guess)

    def _written_otherwise(self, word: str) -> tuple[str, ...]:
        if re.fullmatch(r"\d+,\d+", word):
            return (did_you_mean(word.replace(",", ".")),)
        match = re.fullmatch(r'(\d+(?:\.\d+)?)\s*([A-Za-z]+|")', word)
        if match is None:
            return ()
        if self.unit == "mm" and match[2] in ('"', "in", "inch", "inches"):
            return (f"in mm: {float(match[1]) * 25.4:g}",)
        return f"write {match[1]} without the unit", match[1] if match[2] == self.unit else ""

    def write(self, value: float) -> str:
        return str(int(value)) if value == int(value) else repr(value)

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": self.low, "maximum": self.high}


class Items(Kind[tuple[Any, ...]]):
    """A list, each of its items of one kind; with `one_alone` a single item may stand without brackets."""

    def __init__(
        self,
        kind: Kind[Any],
        most: int,
        example: str,
        least: int = 0,
        name: str = "items",
        one_alone: bool = False,
    ) -> None:
        self.kind, self.example, self.name, self.one_alone = kind, example, name, one_alone
        self.least, self.most = least, most

    @property
    def allowed(self) -> str:
        return f"a list of {self.least} to {self.most} {self.name}"

    def read(self, node: Node, where: str, report: Report) -> tuple[Any, ...] | None:
        if self.one_alone and isinstance(node, Scalar):
            value = self.kind.read(node, where, report)
            return None if value is None else (value,)
        if not isinstance(node, Sequence):
            report.error(node, f"found {kind_of(node)} where a list belongs", f"as in {self.example}", where)
            return None
        if any(not isinstance(item, Scalar) for item in node.items):
            report.error(node, "this list contains more than plain values", f"as in {self.example}", where)
            return None
        if not self.least <= len(node.items) <= self.most:
            limits = (
                f" is outside {self.least} to {self.most} {self.name}"
                if self.least
                else f"; at most {self.most}"
            )
            report.error(node, f"{len(node.items)} {self.name}{limits}", "", where)
            return None
        values = [self.kind.read(item, where, report) for item in node.items]
        return None if any(value is None for value in values) else tuple(values)

    def write(self, value: tuple[Any, ...]) -> str:
        if self.one_alone and len(value) == 1:
            return self.kind.write(value[0])
        written = (self.kind.write(item) for item in value)
        return f"[{', '.join(json_text(text) if _parts(text) else text for text in written)}]"

    def schema(self) -> dict[str, Any]:
        several = {
            "type": "array",
            "items": self.kind.schema(),
            "minItems": self.least,
            "maxItems": self.most,
        }
        return {"anyOf": [self.kind.schema(), several]} if self.one_alone else several


def _parts(text: str) -> bool:
    """Whether a plain text would fall into parts between brackets."""
    return "," in text and not text.startswith('"')
