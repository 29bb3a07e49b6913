"""The settings file's `midi` section: ports, keys, clock and what a pedal does, checked key by key."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from coach.ground.problem import CoachError, Problem
from coach.midi.pedal import ACTIONS, Action, Foot, Trigger
from coach.sound.settings import Check, checked, number_check, switch_check, text_check, whole_check

PERCUSSION_CHANNEL = 10
HIGH_WOOD_BLOCK, LOW_WOOD_BLOCK = 76, 77
"""General MIDI percussion keys."""

Bindings = Mapping[Action, tuple[Trigger, ...]]


@dataclass(frozen=True, slots=True)
class MidiSettings:
    """Where the click and the clock go, and which pedal means what. Empty ports are not opened."""

    out_port: str = ""
    """A port by its name or part of it; `virtual` opens one that other programs connect to."""
    in_port: str = ""
    channel: int = PERCUSSION_CHANNEL
    accent_key: int = HIGH_WOOD_BLOCK
    beat_key: int = LOW_WOOD_BLOCK
    subdivision_key: int = LOW_WOOD_BLOCK
    click: bool = True
    """Send the click as notes."""
    clock: bool = False
    """Send the MIDI clock, 24 to the quarter, with start and stop."""
    reaction_ms: float = 300.0
    """From a choked note to the press that says so."""
    dead_zone_ms: float = 400.0
    """After the last note, and after a choke, in which a press is no rating."""
    bounce_ms: float = 40.0
    """Changes of a contact so soon after a press are its bouncing."""
    bindings: Bindings = field(default_factory=dict)

    @property
    def foot(self) -> Foot:
        return Foot(self.reaction_ms / 1000, self.dead_zone_ms / 1000)

    @classmethod
    def from_mapping(cls, values: Mapping[str, Any]) -> MidiSettings:
        """Settings from the file's `midi` section; CoachError with every problem."""
        checks: dict[str, Check] = {
            "out_port": text_check(),
            "in_port": text_check(),
            "channel": whole_check(1, 16),
            "accent_key": whole_check(0, 127),
            "beat_key": whole_check(0, 127),
            "subdivision_key": whole_check(0, 127),
            "click": switch_check(),
            "clock": switch_check(),
            "reaction_ms": number_check(0, 1500, " ms"),
            "dead_zone_ms": number_check(0, 3000, " ms"),
            "bounce_ms": number_check(0, 500, " ms"),
            "bindings": ((lambda value: isinstance(value, Mapping)), "actions with their triggers below it"),
        }
        assert set(checks) == {item.name for item in fields(cls)}
        problems: list[Problem] = []
        found: dict[str, Any] = {}
        try:
            found = checked("midi", values, checks)
        except CoachError as error:
            problems += error.problems
        raw = values.get("bindings")
        if isinstance(raw, Mapping):
            bindings, more = read_bindings(raw)
            problems += more
            found["bindings"] = bindings
        if problems:
            raise CoachError(problems)
        return cls(**found)


def read_bindings(raw: Mapping[str, Any]) -> tuple[dict[Action, tuple[Trigger, ...]], list[Problem]]:
    """Bindings as the file has them, action to one trigger or a list, and what is wrong with them.

    One switch may mean `clean` and `choked` both, since one is after the rep and the other in it; no other two.
    """
    problems: list[Problem] = []
    unknown = [str(key) for key in raw if key not in ACTIONS]
    try:
        checked("midi.bindings", dict.fromkeys(unknown), {action: text_check() for action in ACTIONS})
    except CoachError as error:
        problems += error.problems
    bindings: dict[Action, tuple[Trigger, ...]] = {}
    owner: dict[tuple[str, int], Action] = {}
    for action in ACTIONS:
        texts = raw.get(action, ())
        place = f"midi.bindings.{action}"
        triggers = []
        for text in (
            [texts] if isinstance(texts, str) else texts if isinstance(texts, list | tuple) else [texts]
        ):
            try:
                trigger = Trigger.parse(text if isinstance(text, str) else str(text))
            except ValueError as error:
                problems.append(Problem(str(error), field=place))
                continue
            other = owner.setdefault((trigger.kind, trigger.number), action)
            if other != action and {other, action} != {"clean", "choked"}:
                problems.append(
                    Problem(
                        f"{trigger} means {other} already; one switch can mean clean and choked, no other two",
                        field=place,
                    )
                )
            triggers.append(trigger)
        if triggers:
            bindings[action] = tuple(triggers)
    return bindings, problems


def bindings_to_mapping(bindings: Bindings) -> dict[str, Any]:
    """Bindings as the settings file writes them: the inverse of `read_bindings`."""
    return {
        action: str(triggers[0]) if len(triggers) == 1 else [str(trigger) for trigger in triggers]
        for action, triggers in bindings.items()
    }
