"""One student's replies about one drill from several machines, put together into one.

Where the machines' logs were one log, a day is the same day in both and counts once; else days, repetitions and marks
add up. What was learnt on each machine is estimated apart, so that estimates are those of the machine with most
results of late.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from operator import add, or_
from typing import Any, TypeVar

from coach.rating.counts import sum_counts
from coach.report.reply import DayReply, DrillReply, PhraseReply

T = TypeVar("T")
How = Mapping[str, Callable[[Any, Any], Any]]
"""By the name of a field how those of two values become one."""


def latest(one: Any, other: Any) -> Any:
    """The later day or the higher tempo; None where neither is known."""
    return max((value for value in (one, other) if value), default=None)


def _earliest(one: Any, other: Any) -> Any:
    return min((value for value in (one, other) if value), default=None)


COUNTS: How = dict.fromkeys(("minutes", "reps", "rated", "clean"), add)
DAY: How = {**COUNTS, "cold": add, "cold_clean": add, "fastest_bpm": max}
TOTAL: How = {**COUNTS, "first": _earliest, "last": latest}
PROGRESS: How = {"rung_bpm": latest, "fastest_clean_bpm": latest, "landed": latest, "kept": or_}
"""What landed on either machine has landed."""
PHRASE: How = {**PROGRESS, "tested": lambda one, other: one or other, "last": latest}


def joined(one: T, other: T, how: How) -> T:
    """The first value, with what the second adds to it."""
    both = {name: join(getattr(one, name), getattr(other, name)) for name, join in how.items()}
    return replace(one, **both)  # type: ignore[type-var]


def together(replies: Sequence[DrillReply]) -> DrillReply:
    """One reply out of one or several of the same drill."""
    first, *rest = sorted(replies, key=_recent, reverse=True)
    for other in rest:
        first = _both(first, other)
    return first


def _recent(reply: DrillReply) -> int:
    return sum(place.recent for place in reply.nodes)


def _both(main: DrillReply, other: DrillReply) -> DrillReply:
    if other.days and set(other.days) <= set(main.days):
        return replace(main, phrases=_phrases(main, other, max))
    if main.days and set(main.days) <= set(other.days):
        return replace(other, phrases=_phrases(other, main, max))
    days = _days(main, other)
    total = joined(main.total, other.total, TOTAL)
    practised = len(days) or max(main.total.days, other.total.days)
    entered = main.entered * main.total.reps + other.entered * other.total.reps
    return replace(
        main,
        phrases=_phrases(main, other, add),
        held=(main.held[0] + other.held[0], main.held[1] + other.held[1]),
        days=days,
        total=replace(total, days=practised),
        marked=sum_counts((main.marked, other.marked)),
        entered=entered / total.reps if total.reps else 0.0,
    )


def _days(main: DrillReply, other: DrillReply) -> tuple[DayReply, ...]:
    days: dict[date, DayReply] = {day.day: day for day in main.days}
    for day in other.days:
        known = days.get(day.day)
        days[day.day] = joined(known, day, DAY) if known and known != day else day
    return tuple(days[day] for day in sorted(days))


def _phrases(main: DrillReply, other: DrillReply, reps: Callable[[int, int], int]) -> tuple[PhraseReply, ...]:
    others = {(phrase.phrase, phrase.layer): phrase for phrase in other.phrases}
    pairs = ((phrase, others.get((phrase.phrase, phrase.layer))) for phrase in main.phrases)
    return tuple(joined(one, same, {**PHRASE, "reps": reps}) if same else one for one, same in pairs)
