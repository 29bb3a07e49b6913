"""Dataclasses as JSON and back: what is written comes back the same, and what is not allowed is named."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.ground.codec import As, Fits, Range, UnfitError, plain_of, reader, value_of


class Hue(StrEnum):
    RED = "red"
    BLUE = "blue"


def halves(text: str) -> int:
    if not text.endswith("/2"):
        raise ValueError(f"{text!r} has no /2")
    return int(text[:-2])


@dataclass(frozen=True)
class Inner:
    number: Annotated[int, Range(1, 9)]
    share: Annotated[float, Range(0, 1)] = 0.5


@dataclass(frozen=True)
class Outer:
    name: Annotated[str, Fits(str.islower, "small letters")]
    inners: tuple[Inner, ...] = ()
    pair: tuple[int, str] = (1, "a")
    hue: Hue = Hue.RED
    side: Literal["left", "right"] = "left"
    rung: Annotated[int, Range(20, 300, or_zero=True)] = 0
    half: Annotated[int, As("{}/2".format, halves)] | None = None
    open: bool = False
    weight: float = 1.0
    counts: Mapping[str, int] = field(default_factory=dict)
    rest: Any = None


OUTERS = st.builds(
    Outer,
    st.text("abc", min_size=1),
    st.lists(st.builds(Inner, st.integers(1, 9), st.floats(0, 1)), max_size=3).map(tuple),
    st.tuples(st.integers(), st.text()),
    st.sampled_from(Hue),
    st.sampled_from(["left", "right"]),
    st.sampled_from([0, 20, 300]),
    st.none() | st.integers(),
    st.booleans(),
    st.floats(allow_nan=False, allow_infinity=False),
    st.dictionaries(st.text(), st.integers(), max_size=2),
    st.none() | st.lists(st.integers(), max_size=2),
)


@given(OUTERS)
def test_what_is_written_comes_back_the_same_through_json(outer: Outer) -> None:
    assert value_of(Outer, json.loads(json.dumps(plain_of(outer)))) == outer


def test_what_equals_its_default_is_left_out() -> None:
    assert plain_of(Outer("a")) == {"name": "a"}
    assert plain_of(Outer("a", half=3, hue=Hue.BLUE, inners=(Inner(2),), pair=(2, "b"))) == {
        "name": "a",
        "inners": [{"number": 2}],
        "pair": [2, "b"],
        "hue": "blue",
        "half": "3/2",
    }


@pytest.mark.parametrize(
    ("plain", "message"),
    [
        ({}, "name: is missing"),
        ([], "found [], expected an object in braces"),
        ({"name": 3}, "name: found 3, expected small letters"),
        ({"name": "A"}, "name: found 'A', expected small letters"),
        ({"name": "a", "opne": True}, "unknown key 'opne' (open?)"),
        ({"name": "a", "zzz": 1}, "unknown key 'zzz'"),
        ({"name": "a", "inners": {}}, "inners: found {}, expected a list"),
        ({"name": "a", "inners": [{"number": 1}, {"number": 0}]},
         "inners.2.number: found 0, expected a whole number from 1 to 9"),
        ({"name": "a", "inners": [{"number": 10}]}, "inners.1.number: found 10, expected a whole number from 1 to 9"),
        ({"name": "a", "inners": [{"number": 2.0}]}, "inners.1.number: found 2.0, expected a whole number"),
        ({"name": "a", "inners": [{"number": True}]}, "inners.1.number: found True, expected a whole number"),
        ({"name": "a", "inners": [{"number": 1, "share": 1.5}]}, "share: found 1.5, expected a number from 0 to 1"),
        ({"name": "a", "inners": [{"number": 1, "share": math.nan}]}, "share: found nan, expected a number"),
        ({"name": "a", "pair": [1]}, "pair: found [1], expected a list of 2"),
        ({"name": "a", "pair": [1, 2]}, "pair: found 2, expected a text"),
        ({"name": "a", "pair": ["1", "a"]}, "pair: found '1', expected a whole number"),
        ({"name": "a", "hue": "green"}, "hue: found 'green', expected 'red' or 'blue'"),
        ({"name": "a", "side": "top"}, "side: found 'top', expected 'left' or 'right'"),
        ({"name": "a", "rung": 19}, "rung: found 19, expected 0 or a whole number from 20 to 300"),
        ({"name": "a", "rung": False}, "rung: found False, expected 0 or a whole number from 20 to 300"),
        ({"name": "a", "half": "3"}, "half: '3' has no /2"),
        ({"name": "a", "half": 3}, "half: found 3, expected a text"),
        ({"name": "a", "open": 1}, "open: found 1, expected true or false"),
        ({"name": "a", "weight": math.inf}, "weight: found inf, expected a number"),
        ({"name": "a", "weight": "1"}, "weight: found '1', expected a number"),
        ({"name": "a", "inners": [{"number": 1, "share": "1"}]}, "share: found '1', expected a number from 0 to 1"),
        ({"name": "a", "counts": []}, "counts: found [], expected an object in braces"),
        ({"name": "a", "counts": {"x": "1"}}, "counts: found '1', expected a whole number"),
    ],
)  # fmt: skip
def test_what_is_not_allowed_is_told_with_field_what_stands_there_and_what_may(
    plain: Any, message: str
) -> None:
    with pytest.raises(UnfitError, match=re.escape(message)):
        value_of(Outer, plain)


def test_whole_numbers_are_numbers_and_ends_of_a_range_are_in_it() -> None:
    assert value_of(Inner, {"number": 1, "share": 0}) == Inner(1, 0)
    assert value_of(Inner, {"number": 9, "share": 1}) == Inner(9, 1)
    assert value_of(Outer, {"name": "a", "rung": 300, "weight": 2}) == Outer("a", rung=300, weight=2.0)
    assert type(value_of(Outer, {"name": "a", "weight": 2}).weight) is float


def test_a_type_without_a_form_is_refused_when_the_codec_is_made() -> None:
    with pytest.raises(TypeError, match="has no form in JSON"):
        reader(complex)
    with pytest.raises(TypeError, match="only a type or None has a form"):
        reader(int | str)
    with pytest.raises(TypeError, match="only a type or None has a form"):
        reader(int | str | None)
