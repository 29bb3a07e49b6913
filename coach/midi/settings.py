"""The settings file's section `midi`, a row a key: ports, keys, clock and what a pedal does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from coach.ground.fields import Group, Kind, Row, Rows, Values, row, word_of
from coach.ground.frozen import frozen
from coach.ground.kinds import Items, Number, Text, Truth, Whole
from coach.ground.source import Node, Report, Sequence
from coach.midi.pedal import ACTIONS, Action, Foot, Trigger

PERCUSSION_CHANNEL = 10
HIGH_WOOD_BLOCK, LOW_WOOD_BLOCK = 76, 77
"""General MIDI percussion keys."""
MOST_TRIGGERS = 20

Bindings = Mapping[Action, tuple[Trigger, ...]]


class TriggerKey(Kind[Trigger]):
    """A switch as MIDI names it."""

    allowed = "cc 64, note 36 or program 5, with `on 10` for one channel, `latching` for an on-off switch"

    def value(self, node: Node) -> Trigger:
        return Trigger.parse(word_of(node))


_TRIGGERS = Items(TriggerKey(), MOST_TRIGGERS, "[cc 67, note 36]", 1, "triggers", one_alone=True)
_BOUND: Mapping[str, Row] = {action: Row(_TRIGGERS, f"the switches for {action}") for action in ACTIONS}


class BindingsKey(Group[Bindings]):
    """What each action is bound to: one trigger or a list."""

    example = "clean: cc 64"
    may_be_empty = True

    @property
    def rows(self) -> Rows:
        return _BOUND

    def build(self, block: Values, where: str, report: Report) -> Bindings:
        bindings: Bindings = {action: block.get(action) for action in ACTIONS if block.get(action)}
        for action, index, message in clashes(bindings):
            node = block.spot(action)
            spot = node.items[index] if isinstance(node, Sequence) else node
            report.error(spot, message, "", f"{where}.{action}")
        return bindings


def clashes(bindings: Bindings) -> Iterator[tuple[Action, int, str]]:
    """Every trigger that another action has already: its action, its place among that one's triggers, what is wrong.

    One switch may mean `clean` and `choked` both, since one is after the repetition and the other in it; no other two.
    """
    owners: dict[tuple[str, int], Action] = {}
    for action, triggers in bindings.items():
        for index, trigger in enumerate(triggers):
            other = owners.setdefault((trigger.kind, trigger.number), action)
            if other != action and {other, action} != {"clean", "choked"}:
                message = (
                    f"{trigger} means {other} already; one switch can mean clean and choked, but no other two"
                )
                yield action, index, message


@frozen
class MidiSettings:
    """Where the click and the clock go, and which pedal means what. Empty ports are not opened."""

    out_port: str = row(
        Text(200, may_be_empty=True),
        "",
        "part of a port's name; `virtual` opens one that other programs connect to",
    )
    in_port: str = row(Text(200, may_be_empty=True), "", "part of the name of the pedal's port")
    channel: int = row(Whole(1, 16), PERCUSSION_CHANNEL, "MIDI channel; 10 is General MIDI percussion")
    accent_key: int = row(
        Whole(0, 127), HIGH_WOOD_BLOCK, "key of the first beat of a bar; 76 is the high wood block"
    )
    beat_key: int = row(Whole(0, 127), LOW_WOOD_BLOCK, "key of the other beats; 77 is the low wood block")
    subdivision_key: int = row(Whole(0, 127), LOW_WOOD_BLOCK, "key of clicks between the beats")
    click: bool = row(Truth(), True, "send the click as notes")
    clock: bool = row(Truth(), False, "send the MIDI clock, 24 to the quarter, with start and stop")
    reaction_ms: float = row(
        Number(0, 1500, "ms"), 300.0, "your reaction time: from a choked note to the press"
    )
    dead_zone_ms: float = row(
        Number(0, 3000, "ms"), 400.0, "after the last note and after a choke: a press in it rates nothing"
    )
    bounce_ms: float = row(
        Number(0, 500, "ms"), 40.0, "after a press: a second contact in it is only a bounce"
    )
    bindings: Bindings = row(BindingsKey(), {}, f"what a pedal means: {', '.join(ACTIONS)}")

    @property
    def foot(self) -> Foot:
        return Foot(self.reaction_ms / 1000, self.dead_zone_ms / 1000)
