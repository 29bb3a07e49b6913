"""What a teacher might assign next to one student on one drill, and why.

The first rule that fits: landed; nothing practised; too little to say; not practised for a week; cold repetitions
mostly fail (slower goal); one node fails (that node alone); a move fails; a layer is not ready; late; going well.
They are plain thresholds, stated below, for the teacher to overrule. That it is overdue is said beside all of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from coach.ground.plain import counted
from coach.rating.counts import commonest_cause, results_text
from coach.report.inbox import DrillSeen, PlaceSeen
from coach.words.amounts import percent, short_day

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


def advised(drill: DrillSeen, today: date, rung: int, cold: int, cold_clean: int) -> tuple[str, str]:
    """What to assign next, and why; what is overdue is said in front."""
    whole = [phrase for phrase in drill.phrases if phrase.top]
    overdue = bool(drill.due and drill.due < today)
    if whole and all(phrase.landed for phrase in whole):
        return "the next drill, or a faster goal", f"every phrase landed at {drill.goal_bpm} bpm"
    advice, why = _next_step(drill, today, rung, cold, cold_clean, overdue)
    return advice, f"overdue since {short_day(drill.due, today)}; {why}" if overdue and drill.due else why


def _next_step(
    drill: DrillSeen, today: date, rung: int, cold: int, cold_clean: int, overdue: bool
) -> tuple[str, str]:
    whole = [phrase for phrase in drill.phrases if phrase.top]
    last = max((day.day for day in drill.days), default=None)
    failing_nodes, moves = failing(drill.nodes), failing(drill.moves)
    if last is None:
        return "talk before assigning more", "nothing of it was practised yet"
    at = f"{rung} of {drill.goal_bpm} bpm" if rung else "not every phrase begun"
    close = rung >= CLOSE * drill.goal_bpm
    away = f", not practised since {short_day(last, today)}" if (today - last).days >= AWAY_DAYS else ""
    if not enough(drill):
        rated = counted(sum(day.rated for day in drill.days), "rated repetition")
        return (
            "too little to say: ask for another sitting",
            f"{rated} on {counted(len(drill.days), 'day')}{away}",
        )
    if away and close:
        return "the same, to its end: it is close", f"{at}{away}"
    if away:
        return "the same, in shorter sittings", away.removeprefix(", ")
    if cold >= RESULTS_FROM and cold_clean / cold < COLD_LOW:
        return "a slower goal for now", f"only {cold_clean} of {cold} first repetitions of a day are clean"
    if failing_nodes:
        worst = failing_nodes[0]
        return f"{worst.name} alone", _fails(worst)
    if moves:
        return f"the move {moves[0].name}", _fails(moves[0])
    alone = [
        phrase
        for phrase in drill.phrases
        if not phrase.top and (phrase.rung_bpm or 0) < READY * drill.goal_bpm
    ]
    if alone and rung < READY * drill.goal_bpm:
        slow = min(alone, key=lambda phrase: phrase.rung_bpm or 0)
        where = f"at {slow.rung_bpm} bpm" if slow.rung_bpm else "not begun"
        return f"{slow.name}, {slow.layer} alone", f"{where}, the goal is {drill.goal_bpm}"
    if overdue and close:
        return "the same, with a later date: it is close", at
    if overdue and rung:
        return f"a goal near {rung} bpm, then on", at
    landed = sum(phrase.landed for phrase in whole)
    return "nothing new: it is under way", f"{at}, {landed} of {counted(len(whole), 'phrase')} landed"


def _fails(place: PlaceSeen) -> str:
    """How often it fails, what was marked on it, and what helps against the cause that was marked most."""
    marked = results_text(place.marked)
    cause = commonest_cause(place.marked)
    return (
        f"fails {percent(fail_rate(place))} of the time"
        + (f" ({marked})" if marked else "")
        + (f", mostly {cause.word}: {cause.advice}" if cause else "")
    )
