"""`@frozen` and `@mutable`: what `@dataclass(frozen=True, slots=True)` and `@dataclass(slots=True)` are, for a fifth.

The standard decorator compiles up to six methods for each class while a module is loaded, and a start loads a hundred
classes: a quarter of it. Here one `__init__` is compiled, when the first value is made, and the other methods are
shared or small closures. `fields`, `replace` and `asdict` of `dataclasses` work as ever. A class with a cached property
keeps its `__dict__`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, FrozenInstanceError, dataclass, field, fields
from functools import cached_property
from operator import attrgetter
from typing import Any, NoReturn, TypeVar, dataclass_transform

T = TypeVar("T")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def frozen(cls: type[T]) -> type[T]:
    """A class of values: its annotations are their fields, in order, and no attribute of a value can be set."""
    return _made(cls, {"__setattr__": _refuse, "__delattr__": _refuse})


@dataclass_transform(field_specifiers=(field,))
def mutable(cls: type[T]) -> type[T]:
    """The same of things that change; they have no hash."""
    return _made(cls, {"__hash__": None})


def _made(cls: type[T], more: dict[str, Any]) -> type[T]:
    if not cls.__doc__:
        cls.__doc__ = cls.__name__  # Else `dataclass` works out a signature to stand there.
    slots = not any(isinstance(each, cached_property) for each in cls.__dict__.values())
    values: Any = dataclass(init=False, repr=False, eq=False, slots=slots)(cls)

    def compile_init(self: Any, *arguments: Any, **named: Any) -> None:
        values.__init__ = _init_of(values, slots)
        values.__init__(self, *arguments, **named)

    content = _content_of([each.name for each in fields(values) if each.compare])

    def same(self: Any, other: object) -> bool:
        return content(self) == content(other) if other.__class__ is self.__class__ else NotImplemented

    methods = {
        "__init__": compile_init,
        "__eq__": same,
        "__hash__": lambda self: hash(content(self)),
        "__repr__": _repr,
        **({"__reduce__": _reduce} if slots else {}),
        **more,
    }
    for name, method in methods.items():
        if cls.__dict__.get(name) is None:
            setattr(values, name, method)
    return values  # type: ignore[no-any-return]


def _content_of(names: list[str]) -> Callable[[Any], object]:
    """What gives the fields that are compared, as a tuple."""
    if len(names) > 1:
        return attrgetter(*names)
    return lambda value: tuple(getattr(value, name) for name in names)


def _init_of(cls: Any, slots: bool) -> Any:
    """An `__init__` that puts each argument, or its default, straight into its slot or the `__dict__`."""
    known: dict[str, Any] = {"MISSING": MISSING}
    parameters, body = [], []
    for each in fields(cls):
        name = each.name
        value = name
        if each.default_factory is not MISSING:
            known[f"make_{name}"] = each.default_factory
            parameters.append(f"{name}=MISSING")
            value = f"make_{name}() if {name} is MISSING else {name}"
        elif each.default is not MISSING:
            known[f"default_{name}"] = each.default
            parameters.append(f"{name}=default_{name}")
        else:
            parameters.append(name)
        if slots:
            known[f"put_{name}"] = getattr(cls, name).__set__
            body.append(f"put_{name}(self, {value})")
        else:
            body.append(f"self.__dict__[{name!r}] = {value}")
    if hasattr(cls, "__post_init__"):
        body.append("self.__post_init__()")
    lines = "\n    ".join(body or ["pass"])
    exec(f"def __init__(self, {', '.join(parameters)}):\n    {lines}", known)
    return known["__init__"]


def _repr(self: Any) -> str:
    shown = (f"{each.name}={getattr(self, each.name)!r}" for each in fields(self) if each.repr)
    return f"{self.__class__.__qualname__}({', '.join(shown)})"


def _reduce(self: Any) -> tuple[Any, ...]:
    """To a pickle or a copy a value is its class and its fields."""
    return self.__class__, tuple(getattr(self, each.name) for each in fields(self))


def _refuse(self: Any, name: str, value: object = None) -> NoReturn:
    raise FrozenInstanceError(f"cannot assign to field {name!r}")
