"""Tables of keys: one row a key says how its value is read, written, described and likely mistaken.

A `Kind` is what a value may be: it reads a node of the file's tree, writes the value as YAML, says what is allowed
in words, and gives the JSON Schema. A `Row` is one key of a block: its kind, one line of help, whether it must be
there, its default, and other names by which people call it. Every reader takes the node, the key's path and the
report; it gives None after an error.
"""

from __future__ import annotations

import dataclasses
import difflib
import re
from abc import ABC, abstractmethod
from collections.abc import Iterator
from collections.abc import Mapping as AnyMapping
from dataclasses import field
from functools import cached_property
from typing import Any, Generic, TypeVar, cast

from coach.ground.frozen import frozen
from coach.ground.plain import json_text
from coach.ground.problem import SlipError, parted
from coach.ground.source import Mapping, Node, Report, Scalar, Sequence, nearest

Value = TypeVar("Value")
MOST_LISTED, NEAR_LISTED = 20, 8
"""Of more keys than so many, those nearest to a slip are listed."""
_SURELY_PLAIN = re.compile(r"[^\W\d_](?:[\w .,'()/%!+&;-]*[\w.)!%])?")
_SPECIAL = {"yes", "no", "on", "off", "true", "false", "null", "y", "n", "nan", "inf"}
_NOTHING = ("", "null", "~")


class Kind(ABC, Generic[Value]):
    """What a value may be: a kind gives the `value` of a node, or reads it into the report by itself."""

    unit: str = ""
    pattern: str = ""
    """What a text of this kind looks like to a JSON Schema; empty where it is no text or none can be said."""

    @property
    @abstractmethod
    def allowed(self) -> str:
        """What is allowed, in words: `20 to 300 bpm`."""

    def value(self, node: Node) -> Value:
        """The value of a node; ValueError with a sentence, best a `SlipError`, where it has none."""
        raise NotImplementedError

    def read(self, node: Node, where: str, report: Report) -> Value | None:
        """The value of a node; None, with the reason in the report, where it has none."""
        try:
            return self.value(node)
        except ValueError as error:
            report.error(node, *parted(error), where)
            if isinstance(error, SlipError) and error.repair and isinstance(node, Scalar) and node.plain:
                report.repair(node.start, node.stop, error.repair)
        return None

    def write(self, value: Value) -> str:
        """The value as it stands in a file, on one line: what `read` gives it back from."""
        return str(value)

    def show(self, value: Value) -> str:
        """The value as people read it, with its unit."""
        return f"{self.write(value)} {self.unit}".rstrip()

    def schema(self) -> dict[str, Any]:
        """The JSON Schema of what is allowed, as far as one can say it."""
        return {"type": "string", "pattern": self.pattern} if self.pattern else {}


@frozen
class Row:
    """One key of a block."""

    kind: Kind[Any]
    about: str
    """One line of help."""
    required: bool = False
    default: Any = None
    """What counts where the key is left out."""
    also_called: tuple[str, ...] = ()
    """Other names by which people call it."""
    choices: tuple[Any, ...] = ()
    """The values that a screen offers; none where it leaves the key to the file."""

    @property
    def rows(self) -> Rows:
        """The rows of the group that the value is; none where it is no group."""
        return self.kind.rows if isinstance(self.kind, Group) else {}


Rows = AnyMapping[str, Row]


@frozen
class Values:
    """What the rows of a block read: the values that are there and right, each with its place."""

    node: Mapping
    values: dict[str, Any]

    def get(self, key: str, default: Any = None) -> Any:
        return self.values.get(key, default)

    def spot(self, key: str) -> Node:
        """Where a key's value stands; the block where the key isn't there."""
        return self.node.get(key) or self.node


def kind_of(node: Node) -> str:
    """What a node is, in words."""
    if isinstance(node, Scalar):
        return f"'{shorten(node.text)}'" if node.text else "nothing"
    return "a list" if isinstance(node, Sequence) else "a group of `key: value` lines"


def shorten(text: str) -> str:
    """Text short enough for a message: 40 letters."""
    text = " ".join(text.split())
    return text if len(text) <= 40 else f"{text[:39]}…"


def word_of(node: Node) -> str:
    """The text of a plain value without spaces around it; empty for a list or a group."""
    return node.text.strip() if isinstance(node, Scalar) else ""


def did_you_mean(word: str) -> str:
    """The likely slip, empty where there is none."""
    return f"did you mean {word}?" if word else ""


def quoted(text: str) -> str:
    """A text as a YAML scalar, in double quotes where a plain one could be misread."""
    plain = _SURELY_PLAIN.fullmatch(text) and text.lower() not in _SPECIAL
    return text if plain else json_text(text)


def read_rows(node: Mapping, rows: Rows, where: str, report: Report) -> Values:
    """The value of every key that has a row; other keys are left to the caller."""
    values = {}
    for key, value_node in node.pairs:
        if row := rows.get(key.text):
            value = row.kind.read(value_node, f"{where}.{key.text}" if where else key.text, report)
            if value is not None:
                values[key.text] = value
    return Values(node, values)


def read_block(node: Mapping, rows: Rows, where: str, report: Report) -> Values:
    """As `read_rows`, for a block in which no other key may stand; unknown and missing keys are reported."""
    check_keys(node, rows, where, report)
    return read_rows(node, rows, where, report)


def check_keys(node: Mapping, rows: Rows, where: str, report: Report) -> None:
    """Report every key that has no row, and every required one that is missing."""
    present = {key.text for key, _ in node.pairs}
    unknown = [key for key, _ in node.pairs if key.text not in rows]
    for key in unknown:
        for name in rows:
            if key.plain and _same_letters(key.text, name) and name not in present:
                report.repair(key.start, key.stop, name)
        message = f"`{shorten(key.text)}` is not a key here; allowed are {_some(key.text, rows)}"
        report.error(key, message, _key_guess(key.text, rows, report), where)
    for name, row in rows.items():
        misspelt = any(nearest(key.text, [name]) for key in unknown)
        if row.required and name not in present and not misspelt:
            report.error(
                node, f"`{name}` is missing", row.about[0].lower() + row.about[1:].rstrip("."), where
            )


def values_by_name(thing: Any, rows: Rows) -> dict[str, Any]:
    """The attributes that are named like the rows' keys; None for a key that names none."""
    return {name: getattr(thing, name, None) for name in rows}


def write_rows(values: AnyMapping[str, Any], rows: Rows) -> Iterator[str]:
    """A line of `key: value` for every row whose value is not its default; a value of None has no line."""
    for name, row in rows.items():
        value = values.get(name)
        if value is not None and (row.required or value != row.default):
            yield f"{name}: {row.kind.write(value)}"


def _some(word: str, rows: Rows) -> str:
    """All keys, or those nearest to a word where there are many."""
    if len(rows) <= MOST_LISTED:
        return ", ".join(rows)
    near = difflib.get_close_matches(word.lower(), list(rows), NEAR_LISTED, cutoff=0.0)
    return f"{', '.join(near)} and {len(rows) - len(near)} more"


def _key_guess(word: str, rows: Rows, report: Report) -> str:
    if close := nearest(word, rows):
        return f"did you mean `{close}`?"
    for name, row in rows.items():
        if word.lower() in row.also_called:
            return f"did you mean `{name}`?"
    for place, others in cast("AnyMapping[str, Rows]", report.kind.blocks).items():
        meant = next((name for name, row in others.items() if word in (name, *row.also_called)), "")
        if meant:
            return (
                f"`{meant}` belongs under `{place}`" if place else f"`{meant}` belongs at the top of the file"
            )
    return ""


def _same_letters(word: str, key: str) -> bool:
    """Whether a key is only spelt otherwise: capitals, hyphens, letters in another order."""
    return sorted(re.sub(r"[-_ ]", "", word.lower())) == sorted(key.replace("_", ""))


class Group(Kind[Value]):
    """A group of keys, each with its row, and what is built from them."""

    example: str = ""
    may_be_empty: bool = False
    """Whether a key with nothing behind it stands for a group without keys."""

    @property
    @abstractmethod
    def rows(self) -> Rows:
        """Every key that may stand in it."""

    @abstractmethod
    def build(self, block: Values, where: str, report: Report) -> Value | None:
        """What the keys stand for together; None after an error."""

    allowed = "`key: value` lines"

    def read(self, node: Node, where: str, report: Report) -> Value | None:
        if self.may_be_empty and isinstance(node, Scalar) and node.plain and node.text in _NOTHING:
            node = Mapping((), node.line, node.column, node.start, node.stop)
        if isinstance(node, Mapping):
            return self.build(read_block(node, self.rows, where, report), where, report)
        message = f"found {kind_of(node)} where `key: value` lines belong"
        report.error(node, message, f"as in `{self.example}`" if self.example else "", where)
        return None

    def write(self, value: Any) -> str:
        """On one line, in braces; a value that is no table of values has them as its attributes."""
        values = value if isinstance(value, dict) else values_by_name(value, self.rows)
        return f"{{{', '.join(write_rows(values, self.rows))}}}"

    def schema(self) -> dict[str, Any]:
        block: dict[str, Any] = {
            "type": "object",
            "properties": {
                name: {**row.kind.schema(), "description": row.about} for name, row in self.rows.items()
            },
            "additionalProperties": False,
        }
        if required := [name for name, row in self.rows.items() if row.required]:
            block["required"] = required
        return block


class Block(Group[Values]):
    """A group whose values are left to the reader of the whole."""

    def __init__(self, rows: Rows, example: str = "") -> None:
        self._rows, self.example = rows, example

    @property
    def rows(self) -> Rows:
        return self._rows

    def build(self, block: Values, where: str, report: Report) -> Values:
        return block


class Section(Group[Value]):
    """A group that is a frozen dataclass, whose fields are made by `row`."""

    may_be_empty = True

    def __init__(self, built: type[Value]) -> None:
        self.built = built

    @cached_property
    def rows(self) -> Rows:
        return {item.name: item.metadata["row"] for item in dataclasses.fields(self.built)}  # type: ignore[arg-type]

    def build(self, block: Values, where: str, report: Report) -> Value:
        return self.built(**block.values)


def row(kind: Kind[Any], default: Any, about: str, **more: Any) -> Any:
    """A field of a frozen dataclass that is one key of a file: the dataclass is the group, its fields are the rows."""
    metadata = {"row": Row(kind, about, default=default, **more)}
    if isinstance(default, dict):
        return field(default_factory=dict, metadata=metadata)
    return field(default=default, metadata=metadata)
