"""How often the ear agreed with the player: what it took each event for, beside what the player then said, by node.

The player's word is the truth. An event counts once it is rated: heard faulty and marked is *found*, heard faulty and
not marked a *false alarm*, marked and heard clean *missed*. What was not reached, and what the ear can't tell, says
nothing of it. The player has seen most suggestions before rating, so that the two are not independent.

The rule of saying less: at a node where, of its last 20 suggestions, more were false alarms than found, and three at
least, the ear suggests nothing. It still listens there and is counted, so that it speaks again once it is right again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, field
from typing import Any

from coach.ground.frozen import mutable
from coach.listen.heard import VERDICTS, Verdict
from coach.log.entries import Rep
from coach.music.excerpt import LoggedPassage
from coach.rating.table import NOT_REACHED, Says

SOURCE = "microphone"
LATEST = 20
FEWEST_WRONG = 3
_FOUND, _FALSE = "+", "-"


@mutable
class Agreement:
    """How the ear and the player judged the events of one node, or of several nodes together."""

    clean: int = 0
    """Clean, both say."""
    found: int = 0
    missed: int = 0
    false_alarms: int = 0
    unsure: int = 0
    latest: str = ""
    """Its last suggestions, the latest last: + found, - a false alarm."""

    @property
    def judged(self) -> int:
        return self.clean + self.found + self.missed + self.false_alarms

    @property
    def agreed(self) -> int:
        return self.clean + self.found

    @property
    def withheld(self) -> bool:
        """Whether it has been wrong more than it helped, so that it suggests nothing."""
        wrong = self.latest.count(_FALSE)
        return wrong >= FEWEST_WRONG and wrong > self.latest.count(_FOUND)

    def count(self, heard: Verdict, failed: bool) -> None:
        """Take in one event: what the ear took it for, and whether the player marked it."""
        if heard.says is Says.NOTHING:
            self.unsure += 1
        elif heard.says is Says.CLEAN:
            self.missed += failed
            self.clean += not failed
        else:
            self.found += failed
            self.false_alarms += not failed
            self.latest = (self.latest + (_FOUND if failed else _FALSE))[-LATEST:]


@mutable
class EarRecord:
    """By node, several of one event joined by `+`; by an empty text the low notes."""

    nodes: dict[str, Agreement] = field(default_factory=dict)

    @property
    def total(self) -> Agreement:
        return together(self.nodes.values())

    @property
    def withheld(self) -> frozenset[str]:
        """The nodes at which nothing is suggested."""
        return frozenset(key for key, one in self.nodes.items() if one.withheld)


def together(parts: Iterable[Agreement]) -> Agreement:
    """The counts of several, without what came last."""
    total = Agreement()
    for part in parts:
        total.clean += part.clean
        total.found += part.found
        total.missed += part.missed
        total.false_alarms += part.false_alarms
        total.unsure += part.unsure
    return total


def record_key(nodes: Iterable[str]) -> str:
    """What an event's nodes are counted under."""
    return "+".join(nodes)


class RecordFold:
    """A fold over the log (`coach.log.fold`)."""

    name = "ear"
    version = "1"

    def initial(self) -> EarRecord:
        return EarRecord()

    def step(self, state: EarRecord, rep: Rep, passage: LoggedPassage) -> EarRecord:
        if rep.faults is None or not rep.suggestions:
            return state
        unreached = {fault.label for fault in rep.faults if fault.result is NOT_REACHED}
        failed = {fault.label for fault in rep.faults if fault.result.fails}
        nodes = {event.label: event.nodes for event in passage.events}
        for one in rep.suggestions:
            verdict = VERDICTS.get(one.result) if one.source == SOURCE else None
            if verdict and one.label not in unreached and one.label in nodes:
                key = record_key(nodes[one.label])
                state.nodes.setdefault(key, Agreement()).count(verdict, one.label in failed)
        return state

    def plain(self, state: EarRecord) -> Any:
        return {key: list(asdict(one).values()) for key, one in state.nodes.items()}

    def state(self, plain: Any) -> EarRecord:
        return EarRecord({key: Agreement(*row) for key, row in plain.items()})


RECORD = RecordFold()
