"""Frozen dataclasses as JSON values and back, driven by their types.

`plain_of(value)` gives what `json.dumps` takes; `value_of(kind, plain)` is its inverse and checks everything on the
way. A dataclass is an object with its fields as keys, those left out that equal their default; a tuple is a list; text,
numbers, true, false and null are themselves; enumerations are their values. `Annotated` says more of a field: `Range`
of a number, `Fits` of a text, `As` of a value that has a text of its own.

An error (`UnfitError`) says which field, what was found and what is allowed: `faults: '2x' is no result`,
`tempo_bpm: found 1200, expected a whole number from 20 to 300`.
"""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Callable, Mapping
from dataclasses import MISSING, Field, fields, is_dataclass
from difflib import get_close_matches
from enum import Enum
from functools import lru_cache
from typing import Annotated, Any, Literal, TypeVar, Union, get_args, get_origin

from coach.ground.frozen import frozen
from coach.ground.plain import brief

Value = TypeVar("Value")
Read = Callable[[Any], Any]
Write = Callable[[Any], Any]


class UnfitError(ValueError):
    """A value that a type does not allow; `path` leads to it."""

    def __init__(self, message: str, path: tuple[str, ...] = ()) -> None:
        self.message, self.path = message, path
        super().__init__(f"{'.'.join(path)}: {message}" if path else message)

    def inside(self, name: str) -> UnfitError:
        """The same, seen from one level further out."""
        return UnfitError(self.message, (name, *self.path))


@frozen
class Range:
    """A whole or any number from `low` to `high`, both included; with `or_zero` 0 as well."""

    low: float
    high: float
    or_zero: bool = False


@frozen
class Fits:
    """A text for which `test` is true; `allowed` says what such a text is."""

    test: Callable[[str], bool]
    allowed: str


@frozen
class As:
    """A value written as a text; `read` raises ValueError with a sentence on other text."""

    write: Callable[[Any], str]
    read: Callable[[str], Any]


def plain_of(value: Any) -> Any:
    """The value as JSON can hold it. TypeError for a type that this page does not name."""
    kind: Any = type(value)
    return _codec(kind)[1](value)


def value_of(kind: type[Value], plain: Any) -> Value:
    """The value of this type that JSON holds; `UnfitError` where it holds none."""
    value: Value = reader(kind)(plain)
    return value


def reader(kind: Any) -> Read:
    """What `value_of` does for one type, for many calls."""
    return _codec(kind)[0]


@lru_cache(maxsize=256)
def _codec(kind: Any, /) -> tuple[Read, Write]:
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Annotated:
        return _annotated(*parts)
    if origin in (Union, types.UnionType):
        return _optional(parts)
    if origin is Literal:
        return _one_of(parts), _same
    if origin is tuple:
        return _tuple(parts)
    if origin is not None and issubclass(origin, Mapping):
        return _mapping(parts[1])
    if kind in _SIMPLE:
        return _SIMPLE[kind], _same
    if isinstance(kind, type) and issubclass(kind, Enum):
        return _enumeration(kind)
    if is_dataclass(kind):
        return _record(kind)
    raise TypeError(f"{kind} has no form in JSON")


def _same(value: Any) -> Any:
    return value


def _expected(plain: Any, allowed: str) -> UnfitError:
    return UnfitError(f"found {brief(plain, 40)}, expected {allowed}")


def _exactly(kind: type[Any], allowed: str) -> Read:
    def read(plain: Any) -> Any:
        if type(plain) is kind:
            return plain
        raise _expected(plain, allowed)

    return read


def _float(plain: Any) -> float:
    if type(plain) in (int, float) and math.isfinite(plain):
        return float(plain)
    raise _expected(plain, "a number")


_str = _exactly(str, "a text")
_SIMPLE: dict[Any, Read] = {
    bool: _exactly(bool, "true or false"),
    int: _exactly(int, "a whole number"),
    float: _float,
    str: _str,
    Any: _same,
}


def _annotated(kind: Any, mark: As | Range | Fits) -> tuple[Read, Write]:
    match mark:
        case As():
            return _as_text(mark), mark.write
        case Range():
            return _in_range(mark, kind), _same
        case Fits():
            return _fitting(mark), _same


def _as_text(mark: As) -> Read:
    read_text = mark.read

    def read(plain: Any) -> Any:
        try:
            return read_text(plain if type(plain) is str else _str(plain))
        except UnfitError:
            raise
        except ValueError as error:
            raise UnfitError(str(error)) from None

    return read


def _in_range(mark: Range, kind: Any) -> Read:
    low, high, or_zero = mark.low, mark.high, mark.or_zero
    kinds, what = ((int,), "a whole number") if kind is int else ((int, float), "a number")

    def bounded(plain: Any) -> Any:
        if type(plain) in kinds and (low <= plain <= high or (or_zero and not plain)):
            return plain if type(plain) is kind else float(plain)
        raise _expected(plain, f"{'0 or ' if or_zero else ''}{what} from {low:,} to {high:,}")

    return bounded


def _fitting(mark: Fits) -> Read:
    test = mark.test

    def fitting(plain: Any) -> Any:
        if type(plain) is str and test(plain):
            return plain
        raise _expected(plain, mark.allowed)

    return fitting


def _optional(parts: tuple[Any, ...]) -> tuple[Read, Write]:
    kinds = [part for part in parts if part is not types.NoneType]
    if len(kinds) != 1 or len(parts) != 2:
        raise TypeError(f"{parts}: only a type or None has a form in JSON")
    read, write = _codec(kinds[0])
    return (
        lambda plain: None if plain is None else read(plain),
        lambda value: None if value is None else write(value),
    )


def _one_of(allowed: tuple[Any, ...]) -> Read:
    def read(plain: Any) -> Any:
        for one in allowed:
            if type(one) is type(plain) and one == plain:
                return one
        raise _expected(plain, _choice(map(repr, allowed)))

    return read


def _choice(words: typing.Iterable[str]) -> str:
    return " or ".join(", ".join(words).rsplit(", ", 1))


def _tuple(parts: tuple[Any, ...]) -> tuple[Read, Write]:
    if parts[1:] == (Ellipsis,):
        return _list_of(*_codec(parts[0]))
    codecs = [_codec(part) for part in parts]

    def read(plain: Any) -> tuple[Any, ...]:
        if type(plain) is not list or len(plain) != len(codecs):
            raise _expected(plain, f"a list of {len(codecs)}")
        return tuple(one[0](part) for one, part in zip(codecs, plain, strict=True))

    return read, lambda value: [one[1](part) for one, part in zip(codecs, value, strict=True)]


def _list_of(read_one: Read, write_one: Write) -> tuple[Read, Write]:
    def read(plain: Any) -> tuple[Any, ...]:
        if type(plain) is not list:
            raise _expected(plain, "a list")
        parts: list[Any] = []
        try:
            for part in plain:
                parts.append(read_one(part))
        except UnfitError as error:
            raise error.inside(str(len(parts) + 1)) from None
        return tuple(parts)

    return read, lambda value: [write_one(part) for part in value]


def _mapping(kind: Any) -> tuple[Read, Write]:
    read_one, write_one = _codec(kind)

    def read(plain: Any) -> dict[str, Any]:
        if type(plain) is not dict:
            raise _expected(plain, "an object in braces")
        return {key: read_one(part) for key, part in plain.items()}

    return read, lambda value: {key: write_one(part) for key, part in value.items()}


def _enumeration(kind: type[Enum]) -> tuple[Read, Write]:
    one_of = _one_of(tuple(member.value for member in kind))
    return lambda plain: kind(one_of(plain)), lambda value: value.value


def _record(kind: Any) -> tuple[Read, Write]:
    hints = typing.get_type_hints(kind, include_extras=True)
    rows = [(field.name, *_codec(hints[field.name]), _default(field)) for field in fields(kind)]
    names = {row[0] for row in rows}
    reads = tuple((name, read_one, default) for name, read_one, _, default in rows)

    def read(plain: Any) -> Any:
        if type(plain) is not dict:
            raise _expected(plain, "an object in braces")
        values = []
        name = ""
        try:
            for name, read_one, default in reads:
                # A repetition has 16 fields, and a log a hundred thousand of them: this loop is most of their reading.
                if name in plain:
                    values.append(read_one(plain[name]))
                elif default is MISSING:
                    raise UnfitError("is missing")
                else:
                    values.append(default)
        except UnfitError as error:
            raise error.inside(name) from None
        if not plain.keys() <= names:
            raise _unknown_key(plain, names)
        return kind(*values)

    def write(value: Any) -> dict[str, Any]:
        plain = {}
        for name, _, write_one, default in rows:
            part = getattr(value, name)
            if default is MISSING or part != default:
                plain[name] = write_one(part)
        return plain

    return read, write


def _default(field: Field[Any]) -> Any:
    if field.default_factory is not MISSING:
        return field.default_factory()
    return field.default


def _unknown_key(plain: Mapping[str, Any], names: set[str]) -> UnfitError:
    key = next(key for key in plain if key not in names)
    near = get_close_matches(key, sorted(names), 1)
    return UnfitError(f"unknown key {brief(key, 40)}" + (f" ({near[0]}?)" if near else ""))
