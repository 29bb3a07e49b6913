"""What a teacher might assign next to one student on one drill, and why.

The first rule that fits: landed; nothing practised; too little to say; not practised for a week; cold repetitions
mostly fail (slower goal); one node fails (that node alone); a move fails; a layer is not ready; late; going well.
They are plain thresholds, stated below, for the teacher to overrule. Whether it is overdue is said beside all of them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from coach.ground.plain import counted
from coach.rating.counts import commonest_cause, results_text
from coach.report.inbox import DrillSeen, PhraseSeen, PlaceSeen
from coach.words.amounts import percent, short_day, tempo

AWAY_DAYS = 7
CHOKES_FROM = 0.25
"""Part of a node's recent results that failed, from which it is named."""
RESULTS_FROM = 6
RATED_FROM = 20
"""Repetitions with a result, and on a second day, from which a drill's results advise something."""
COLD_LOW = 0.5
READY = 0.7
CLOSE = 0.9
"""Part of the goal tempo from which a student is close to it."""


def failing(places: Sequence[PlaceSeen]) -> list[PlaceSeen]:
    """Nodes or moves that fail often enough to be named, the worst first."""
    named = [
        place
        for place in places
        if place.clean + place.failed >= RESULTS_FROM and fail_rate(place) >= CHOKES_FROM
    ]
    return sorted(named, key=lambda place: (-fail_rate(place), place.name))


def fail_rate(place: PlaceSeen) -> float:
    return place.failed / (place.clean + place.failed)


def failing_text(place: PlaceSeen) -> str:
    return f"{place.name} {percent(fail_rate(place))}"


def enough(drill: DrillSeen) -> bool:
    """Whether there are results of two days, and enough of them, to say what is wrong."""
    return len(drill.days) > 1 and sum(day.rated for day in drill.days) >= RATED_FROM


Advice = tuple[str, str]
"""What to assign next, and why."""


@dataclass(frozen=True)
class _Case:
    """One student on one drill, as the rules ask about it."""

    drill: DrillSeen
    today: date
    rung_bpm: int
    """Of the phrase that is furthest behind; 0 where one was never begun."""
    cold: int
    cold_clean: int

    @cached_property
    def whole(self) -> list[PhraseSeen]:
        return [phrase for phrase in self.drill.phrases if phrase.top]

    @property
    def overdue_since(self) -> date | None:
        return self.drill.due if self.drill.due and self.drill.due < self.today else None

    @property
    def close(self) -> bool:
        return self.rung_bpm >= CLOSE * self.drill.goal_bpm

    @property
    def tempo(self) -> str:
        return (
            f"{self.rung_bpm} of {tempo(self.drill.goal_bpm)}" if self.rung_bpm else "not every phrase begun"
        )

    @property
    def away(self) -> str:
        """Since when it was not practised, where that is long ago; else empty."""
        last = max(day.day for day in self.drill.days)
        long = (self.today - last).days >= AWAY_DAYS
        return f"not practised since {short_day(last, self.today)}" if long else ""


def advised(drill: DrillSeen, today: date, rung_bpm: int, cold: int, cold_clean: int) -> Advice:
    """What to assign next, and why; what is overdue is said in front."""
    case = _Case(drill, today, rung_bpm, cold, cold_clean)
    if case.whole and all(phrase.landed for phrase in case.whole):
        return "the next drill, or a faster goal", f"every phrase landed at {tempo(drill.goal_bpm)}"
    what, why = next(advice for rule in _RULES if (advice := rule(case)))
    late = f"overdue since {short_day(case.overdue_since, today)}; " if case.overdue_since else ""
    return what, f"{late}{why}"


def _unpractised(case: _Case) -> Advice | None:
    return None if case.drill.days else ("talk before assigning more", "nothing of it was practised yet")


def _too_little(case: _Case) -> Advice | None:
    if enough(case.drill):
        return None
    rated = counted(sum(day.rated for day in case.drill.days), "rated repetition")
    seen = f"{rated} on {counted(len(case.drill.days), 'day')}"
    return "too little to say: ask for another sitting", ", ".join(part for part in (seen, case.away) if part)


def _not_practised_lately(case: _Case) -> Advice | None:
    if not case.away:
        return None
    if case.close:
        return "the same, to its end: it is close", f"{case.tempo}, {case.away}"
    return "the same, in shorter sittings", case.away


def _cold_fails(case: _Case) -> Advice | None:
    if case.cold < RESULTS_FROM or case.cold_clean / case.cold >= COLD_LOW:
        return None
    rate = f"{case.cold_clean} of {case.cold}"
    return "a slower goal for now", f"only {rate} first repetitions of a day are clean"


def _place_fails(case: _Case) -> Advice | None:
    nodes, moves = failing(case.drill.nodes), failing(case.drill.moves)
    if nodes:
        return f"{nodes[0].name} alone", _fails(nodes[0])
    return (f"the move {moves[0].name}", _fails(moves[0])) if moves else None


def _layer_unready(case: _Case) -> Advice | None:
    ready_bpm = READY * case.drill.goal_bpm
    alone = [phrase for phrase in case.drill.phrases if not phrase.top and (phrase.rung_bpm or 0) < ready_bpm]
    if not alone or case.rung_bpm >= ready_bpm:
        return None
    slow = min(alone, key=lambda phrase: phrase.rung_bpm or 0)
    where = f"at {tempo(slow.rung_bpm)}" if slow.rung_bpm else "not begun"
    return f"{slow.name}, {slow.layer} alone", f"{where}, the goal is {case.drill.goal_bpm}"


def _overdue(case: _Case) -> Advice | None:
    if not case.overdue_since or not case.rung_bpm:
        return None
    if case.close:
        return "the same, with a later date: it is close", case.tempo
    return f"a goal near {tempo(case.rung_bpm)}, then on", case.tempo


def _going_well(case: _Case) -> Advice:
    landed = sum(phrase.landed for phrase in case.whole)
    phrases = counted(len(case.whole), "phrase")
    return "nothing new: it is under way", f"{case.tempo}, {landed} of {phrases} landed"


_RULES: tuple[Callable[[_Case], Advice | None], ...] = (
    _unpractised,
    _too_little,
    _not_practised_lately,
    _cold_fails,
    _place_fails,
    _layer_unready,
    _overdue,
    _going_well,
)
"""The first that has something to say is followed; the last one always has."""


def _fails(place: PlaceSeen) -> str:
    """How often it fails, what was marked on it, and what helps against the cause that was marked most."""
    marked = results_text(place.marked)
    cause = commonest_cause(place.marked)
    return (
        f"fails {percent(fail_rate(place))} of the time"
        + (f" ({marked})" if marked else "")
        + (f", mostly {cause.word}: {cause.advice}" if cause else "")
    )
