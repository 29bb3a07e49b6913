"""What a foot means: MIDI messages to presses, presses to actions, and a press in play to the event it is about.

Pure: no port, no clock; times are seconds on one clock, given. A trigger is written `cc 64`, `note 36`,
`program 5`, with ` on 10` for one channel only (1 to 16) and ` latching` for a switch that sends on and off in
turn, so that either edge is a press. MIDI 1.0: status 0x9n note on (velocity 0 is off), 0x8n note off, 0xBn control
change (64 and above is on, as the standard has it for pedals), 0xCn program change.

One press never means two things: contacts that bounce are filtered, a pedal that is held is pressed once, and around
the last note of a rep a press is either a choke or a rating, see `Foot`.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Literal

from coach.ground.frozen import frozen

Action = Literal["clean", "choked", "again", "slower", "faster", "pause", "next"]
ACTIONS: tuple[Action, ...] = ("clean", "choked", "again", "slower", "faster", "pause", "next")

REPEAT_GAP_S = 0.4
"""The same value again after so long without a release is a new press: some pedals never send one. A pedal that
repeats by itself while held is faster."""
GUESS_SPREAD_S = 0.12
"""Events due within so much of the guess are shown as possible too."""

_TRIGGER = re.compile(r"(note|cc|program) +(\d{1,3})(?: +on +(\d{1,2}))?( +latching)?")
_KINDS = {0x90: "note", 0x80: "note", 0xB0: "cc", 0xC0: "program"}


@frozen
class Trigger:
    """One switch as MIDI names it."""

    kind: str
    number: int
    channel: int | None = None
    """1 to 16; None is any."""
    latching: bool = False

    @classmethod
    def parse(cls, text: str) -> Trigger:
        """The trigger written `cc 64 on 1`; ValueError with what is allowed."""
        match = _TRIGGER.fullmatch(" ".join(text.lower().split()))
        if match is None:
            raise ValueError(
                f"{text!r} is not a trigger; write 'cc 64', 'note 36' or 'program 5', with 'on 10' for one channel"
            )
        kind, number, channel, latching = match.groups()
        if int(number) > 127:
            raise ValueError(f"{text!r}: a {kind} number is 0 to 127")
        if channel is not None and not 1 <= int(channel) <= 16:
            raise ValueError(f"{text!r}: a channel is 1 to 16")
        if kind == "program" and latching:
            raise ValueError(f"{text!r}: a program change has no off, so it can't be latching")
        return cls(kind, int(number), int(channel) if channel else None, bool(latching))

    def __str__(self) -> str:
        channel = f" on {self.channel}" if self.channel else ""
        return f"{self.kind} {self.number}{channel}{' latching' if self.latching else ''}"


@frozen
class _Switch:
    down: bool = False
    value: int = 0
    changed_s: float = float("-inf")
    pressed_s: float = float("-inf")


Pedals = dict[tuple[str, int, int], _Switch]
"""What is known of every switch that has sent anything; `heard` returns it anew."""


def trigger_of(message: Sequence[int]) -> Trigger | None:
    """The switch that a message is from, its channel named; None for every other kind of message."""
    if len(message) < 2 or message[0] & 0xF0 not in _KINDS:
        return None
    return Trigger(_KINDS[message[0] & 0xF0], message[1], (message[0] & 0x0F) + 1)


def heard(
    pedals: Pedals, message: Sequence[int], at_s: float, bounce_s: float, latching: bool = False
) -> tuple[Pedals, bool]:
    """Take in one message; True where it is a press.

    Changes within `bounce_s` of a press are the contact's bouncing. With `latching`, a release is a press too.
    """
    trigger = trigger_of(message)
    if trigger is None:
        return pedals, False
    key = (trigger.kind, trigger.number, trigger.channel or 0)
    before = pedals.get(key, _Switch())
    kind = message[0] & 0xF0
    value = message[2] if len(message) > 2 else 0
    on = {0x90: value > 0, 0x80: False, 0xB0: value >= 64, 0xC0: True}[kind]
    again = on and value == before.value and at_s - before.changed_s >= REPEAT_GAP_S
    edge = on and (not before.down or kind == 0xC0 or again)
    if latching and not on and before.down:
        edge = True
    pressed = edge and at_s - before.pressed_s >= bounce_s
    after = _Switch(on, value, at_s, at_s if pressed else before.pressed_s)
    return {**pedals, key: after}, pressed


def actions_of(trigger: Trigger, bindings: Mapping[Action, Sequence[Trigger]]) -> tuple[Action, ...]:
    """The actions bound to a switch; a binding without a channel fits any."""
    return tuple(
        action
        for action, bound in bindings.items()
        if any(
            (one.kind, one.number) == (trigger.kind, trigger.number)
            and one.channel in (None, trigger.channel)
            for one in bound
        )
    )


def is_latching(trigger: Trigger, bindings: Mapping[Action, Sequence[Trigger]]) -> bool:
    """Whether a switch is bound as one that sends on and off in turn."""
    return any(
        one.latching and (one.kind, one.number) == (trigger.kind, trigger.number)
        for bound in bindings.values()
        for one in bound
    )


@frozen
class Guess:
    """Which event a press in play is about; `possible` are the labels that it may be, the guess among them."""

    label: int
    possible: tuple[int, ...]


def guess_event(
    onsets_s: Mapping[int, Fraction | float],
    pressed_s: float,
    reaction_s: float,
    harmonics: frozenset[int] = frozenset(),
) -> Guess | None:
    """The event due a reaction time before the press; None where none was due yet.

    Times are from the rep's start. Of events due together, one of `harmonics` is guessed rather than a bass note,
    since chokes are theirs.
    """
    aim = pressed_s - reaction_s
    due = {label: float(at_s) for label, at_s in onsets_s.items() if float(at_s) <= pressed_s}
    if not due:
        return None

    def fitness(label: int) -> tuple[float, bool, int]:
        return abs(due[label] - aim), label not in harmonics, label

    label = min(due, key=fitness)
    # What sounds long after its onset is still about the last event that was due.
    possible = [
        other for other, at_s in due.items() if abs(at_s - aim) <= max(GUESS_SPREAD_S, abs(due[label] - aim))
    ]
    return Guess(label, tuple(possible))


@frozen
class Foot:
    """Settings of the player's foot, in seconds."""

    reaction_s: float
    dead_zone_s: float


@frozen
class Moment:
    """When a press came, as the session sees it; times in seconds from the rep's start."""

    playing: bool
    """A rep sounds, or has just ended."""
    at_s: float = 0.0
    last_onset_s: float = 0.0
    last_choke_s: float | None = None
    """When a press last meant a choke in this rep."""


def meaning(bound: Sequence[Action], moment: Moment, foot: Foot) -> Action | None:
    """Which of the actions bound to a switch a press means now; None: it is left without effect.

    Until a reaction time and the dead zone after the last note's onset a press can only be about how a note went:
    `choked`, never `clean`. Within the dead zone after such a press nothing is rated clean, so that a second touch of
    the same step can't save the rep. Outside a rep `choked` means nothing new.
    """
    rest = [action for action in bound if action not in ("clean", "choked")]
    if rest:
        return rest[0]
    in_play = moment.playing and moment.at_s < moment.last_onset_s + foot.reaction_s + foot.dead_zone_s
    if in_play:
        return "choked" if "choked" in bound else None
    if "clean" in bound:
        since = float("inf") if moment.last_choke_s is None else moment.at_s - moment.last_choke_s
        return "clean" if since >= foot.dead_zone_s else None
    return "choked" if "choked" in bound else None
