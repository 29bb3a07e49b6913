"""`frozen` and `mutable` are what the standard decorator is: the same classes are made by both and compared."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, asdict, dataclass, field, fields, replace
from functools import cached_property

import pytest

from coach.ground.frozen import frozen, mutable

standard = dataclass(frozen=True, slots=True)


def classes(decorator):
    """Some classes made with a decorator: defaults, a factory, a hidden and an ignored field, a check, a parent."""

    @decorator
    class Note:
        pitch: int
        name: str = "C"
        marks: tuple[str, ...] = field(default_factory=tuple)
        path: str = field(default="", compare=False)
        secret: int = field(default=0, repr=False)

        def __post_init__(self):
            if self.pitch < 0:
                raise ValueError(self.pitch)

    @decorator
    class Long(Note):
        beats: int = 4

    @decorator
    class One:
        value: object

    @decorator
    class Empty:
        pass

    @decorator
    class Named:
        name: str

        def __repr__(self):
            return f"<{self.name}>"

        def __eq__(self, other):
            return isinstance(other, Named) and self.name.lower() == other.name.lower()

        def __hash__(self):
            return hash(self.name.lower())

    return Note, Long, One, Empty, Named


def values(decorator):
    note, long, one, empty, named = classes(decorator)
    return [
        *(note(1), note(1, path="elsewhere"), note(1, "D", marks=("x",)), note(pitch=2, secret=7)),
        *(long(1), long(1, beats=5), one(None), one((1, 2)), empty()),
        *(named("a"), named("A"), named("b")),
    ]


def test_values_compare_show_and_turn_into_dicts_as_the_standard_ones_do():
    ours, theirs = values(frozen), values(standard)
    assert [repr(each) for each in ours] == [repr(each) for each in theirs]
    assert [asdict(each) for each in ours] == [asdict(each) for each in theirs]
    pairs = [(a, b) for a in range(len(ours)) for b in range(len(ours))]
    assert [ours[a] == ours[b] for a, b in pairs] == [theirs[a] == theirs[b] for a, b in pairs]
    assert len(set(ours)) == len(set(theirs))
    assert [[f.name for f in fields(each)] for each in ours] == [
        [f.name for f in fields(each)] for each in theirs
    ]
    assert [replace(each) == each for each in ours] == [replace(each) == each for each in theirs]
    assert not any(hasattr(each, "__dict__") for each in ours)


@pytest.mark.parametrize("decorator", [frozen, standard])
def test_nothing_of_a_value_can_be_set_and_wrong_arguments_are_refused(decorator):
    note, _, one, *_ = classes(decorator)
    value = note(1)
    with pytest.raises(FrozenInstanceError):
        value.pitch = 2
    with pytest.raises(FrozenInstanceError):
        del value.pitch
    for wrong in (lambda: note(), lambda: note(1, colour=2), lambda: one(1, 2)):
        with pytest.raises(TypeError):
            wrong()
    with pytest.raises(ValueError, match="-1"):
        replace(value, pitch=-1)
    assert (value.pitch, value.name, value.marks) == (1, "C", ())


def test_things_that_change_compare_and_show_as_the_standard_ones_do():
    ours, theirs = values(mutable), values(dataclass(slots=True))
    assert [repr(each) for each in ours] == [repr(each) for each in theirs]
    pairs = [(a, b) for a in range(len(ours)) for b in range(len(ours))]
    assert [ours[a] == ours[b] for a, b in pairs] == [theirs[a] == theirs[b] for a, b in pairs]
    for note in (ours[0], theirs[0]):
        note.pitch = 3
        assert note != ours[1]
        assert not hasattr(note, "__dict__")
        with pytest.raises(TypeError, match="unhashable"):
            hash(note)


@pytest.mark.parametrize("decorator", [frozen, dataclass(frozen=True)])
def test_a_value_keeps_what_it_works_out_once(decorator):
    @decorator
    class Long:
        parts: tuple[int, ...] = ()

        @cached_property
        def sums(self):
            return [sum(self.parts)]

    one = Long((1, 2))
    assert one.sums is one.sums == [3]
    assert one == Long((1, 2))
    assert hash(one) == hash(Long((1, 2)))
    assert repr(one) == repr(Long((1, 2)))
    with pytest.raises(FrozenInstanceError):
        one.parts = ()
