"""What was read from drill files at an earlier start, so that the next one need not read them again.

Reading YAML, and importing what reads it, was a quarter of the time to the first screen and grew with each drill. What
is recalled is what reading would give: an entry holds only for the same bytes at the same path, read by the same
program files (their sizes and times are in its key), and a file that isn't whole is not believed. Everything can be
thrown away at any time. The file is data and nothing in it is run: rows of JSON, each a value made of scalars
and of rows before it (`[index]`), equal values once; the last row is the whole.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from dataclasses import fields, is_dataclass
from datetime import date
from fractions import Fraction
from pathlib import Path
from typing import Any, TypeVar

import coach
from coach.music.drill import Assignment, Bar, ClickPattern, Drill, Event, Note, Phrase, Tempo
from coach.music.rhythm import Meter
from coach.strings.instrument import Instrument, Node, OpenString

Value = TypeVar("Value")

LARGEST_BYTES = 1_000_000
"""Larger files are read anew each time."""
_CLASSES = (
    *(Assignment, Bar, ClickPattern, Drill, Event, Note, Phrase, Tempo, Meter, Instrument, Node, OpenString),
)
_MAKERS: dict[str, Callable[..., Any]] = {
    **{kind.__name__: kind for kind in _CLASSES},
    "tuple": lambda *items: items,
    "list": lambda *items: list(items),
    "dict": lambda *items: dict(zip(items[::2], items[1::2], strict=True)),
    "Fraction": Fraction,
    "date": date,
}
_NAMES: dict[type, str] = {kind: kind.__name__ for kind in (*_CLASSES, tuple, list, dict, Fraction, date)}


class Recall:
    """The values read from files, in a file of their own; without one, or where it is damaged, nothing is recalled."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._stamp = _program_stamp()
        self._known = _load(path)
        self._used: dict[str, Any] = {}

    def value(self, path: Path, read: Callable[[Path], Value]) -> Value:
        """What `read(path)` gives; its errors are its own and are not kept."""
        key = self._key(path)
        if key and key in self._known:
            try:
                value: Value = made(self._known[key])
            except Exception:  # whatever is wrong with it: the file itself is there to be read
                pass
            else:
                self._used[key] = self._known[key]
                return value
        value = read(path)
        # Written to while it was read, the file may not be what the value came from.
        if key and key == self._key(path):
            self._used[key] = rows_of(value)
        return value

    def keep(self) -> None:
        """Write down what was used in this run, and only that; where it can't be written, nothing is lost."""
        from coach.ground.files import write_whole

        if self._used == self._known:
            return
        body = json.dumps(self._used, separators=(",", ":")).encode()
        try:
            write_whole(self.path, [_digest(body), b"\n", body])
        except OSError:
            return
        self._known = dict(self._used)

    def _key(self, path: Path) -> str:
        try:
            if path.stat().st_size > LARGEST_BYTES:
                return ""
            content = path.read_bytes()
        except OSError:
            return ""
        return _digest(f"{self._stamp}\0{path}\0".encode("utf-8", "surrogateescape") + content).decode()


def rows_of(value: object) -> list[list[Any]]:
    """A value as rows; TypeError for a kind of value that has no row."""
    rows: list[list[Any]] = []
    seen: dict[str, int] = {}

    def item(part: object) -> Any:
        if part is None or type(part) in (str, int, float, bool):
            return part
        row = [_NAMES.get(type(part)), *map(item, _parts(part))]
        if row[0] is None:
            raise TypeError(f"{type(part).__name__} has no row")
        # By its text, since equal values may differ in kind: 1, 1.0 and True.
        text = repr(row)
        if text not in seen:
            seen[text] = len(rows)
            rows.append(row)
        return [seen[text]]

    item(value)
    return rows


def made(rows: list[list[Any]]) -> Any:
    """The value that rows tell; some exception where they tell none."""
    values: list[Any] = []
    for name, *items in rows:
        values.append(_MAKERS[name](*[values[part[0]] if type(part) is list else part for part in items]))
    return values[-1]


def _parts(value: Any) -> list[Any]:
    if is_dataclass(value):
        return [getattr(value, item.name) for item in fields(value)]
    if isinstance(value, dict):
        return [part for pair in value.items() for part in pair]
    if isinstance(value, Fraction):
        return [value.numerator, value.denominator]
    if isinstance(value, date):
        return [value.year, value.month, value.day]
    return list(value) if isinstance(value, (tuple, list)) else []


def _load(path: Path) -> dict[str, Any]:
    try:
        digest, _, body = path.read_bytes().partition(b"\n")
        known = json.loads(body) if digest == _digest(body) else {}
    except (OSError, ValueError, RecursionError):
        return {}
    return known if isinstance(known, dict) else {}


def _program_stamp() -> str:
    """Changes whenever any program file that has a say in what is read changes."""
    root = Path(coach.__file__).parent
    parts = [coach.__version__]
    for folder in (root / "ground", root / "strings", root / "music", root / "folder", root / "score"):
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    if entry.name.endswith(".py"):
                        status = entry.stat()
                        parts.append(f"{entry.name} {status.st_size} {status.st_mtime_ns}")
        except OSError:
            continue
    return "\n".join(sorted(parts))


def _digest(content: bytes) -> bytes:
    return hashlib.blake2b(content, digest_size=16).hexdigest().encode()
