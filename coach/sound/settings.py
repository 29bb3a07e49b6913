"""The settings file's `sound` section, checked key by key, and the note on hearing."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from coach.ground.plain import brief
from coach.ground.problem import CoachError, Problem

HEARING_NOTE = (
    "A click is heard for hours: keep it softer than you play, above all on headphones. "
    "Hearing is at risk beyond 85 dBA over 8 hours a day, half as long for every 3 dB more (NIOSH)."
)
"""To be shown once, and in the README."""

Check = tuple[Callable[[Any], bool], str]
"""Whether a value is allowed, and what is, in words."""


def number_check(low: float, high: float, unit: str = "") -> Check:
    """A number from `low` to `high`; true and false are none."""

    def allowed(value: Any) -> bool:
        return type(value) in (int, float) and low <= value <= high

    return allowed, f"a number from {low:g} to {high:g}{unit}"


def whole_check(low: int, high: int) -> Check:
    return (lambda value: type(value) is int and low <= value <= high), f"a whole number from {low} to {high}"


def text_check(longest: int = 200) -> Check:
    return (
        lambda value: isinstance(value, str) and len(value) <= longest
    ), f"text of at most {longest} letters"


def switch_check() -> Check:
    return (lambda value: type(value) is bool), "true or false"


def checked(section: str, values: Mapping[str, Any], checks: Mapping[str, Check]) -> dict[str, Any]:
    """The values of one section; CoachError with every unknown key and every value that is not allowed."""
    problems = []
    for key, value in values.items():
        field = f"{section}.{key}"
        if key not in checks:
            near = difflib.get_close_matches(str(key), checks, n=1)
            guess = f"{near[0]}?" if near else ""
            problems.append(Problem(f"unknown key; allowed: {', '.join(checks)}", field=field, guess=guess))
        elif not checks[key][0](value):
            problems.append(Problem(f"found {brief(value)}, expected {checks[key][1]}", field=field))
    if problems:
        raise CoachError(problems)
    return dict(values)


@dataclass(frozen=True, slots=True)
class SoundSettings:
    """How the click and the model sound, and where."""

    device: str = ""
    """A playback device by its name or part of it; empty is the system's choice."""
    offset_ms: float = 0.0
    """How much later than reckoned you hear, as `coach sound tap` finds: -500 to 1000."""
    click: str = "wood"
    click_db: float = -12.0
    """Level of a beat against the loudest that is possible: -60 to 0."""
    hearing_note_seen: bool = False
    silent_note_seen: bool = False
    """Whether the player has read what silent mode is; from then on its name is enough."""

    @property
    def offset_s(self) -> float:
        return self.offset_ms / 1000

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> SoundSettings:
        """Settings from the file's `sound` section; CoachError with every problem."""
        # Imported here: the sounds' own module loads numpy.
        from coach.sound.render import CLICK_SOUNDS

        checks: dict[str, Check] = {
            "device": text_check(),
            "offset_ms": number_check(-500, 1000, " ms"),
            "click": ((lambda value: value in CLICK_SOUNDS), "one of " + ", ".join(CLICK_SOUNDS)),
            "click_db": number_check(-60, 0, " dB"),
            "hearing_note_seen": switch_check(),
            "silent_note_seen": switch_check(),
        }
        assert set(checks) == {item.name for item in fields(cls)}
        return cls(**checked("sound", values, checks))
