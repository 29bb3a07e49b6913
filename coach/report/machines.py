"""One student's replies about one drill from several machines, put together into one.

Where the machines' logs were one log, a day is the same day in both and counts once; else days, repetitions and marks
add up. What was learnt on each machine is estimated apart, so that estimates are those of the machine with most
results of late.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from coach.rating.counts import sum_counts
from coach.report.reply import DayReply, DrillReply, PhraseReply


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
        return replace(main, phrases=_phrases(main, other, False))
    if main.days and set(main.days) <= set(other.days):
        return replace(other, phrases=_phrases(other, main, False))
    days = _days(main, other)
    reps = main.total.reps + other.total.reps
    total = replace(
        main.total,
        days=len({day.day for day in days}) or max(main.total.days, other.total.days),
        first=min((day for day in (main.total.first, other.total.first) if day), default=None),
        last=max((day for day in (main.total.last, other.total.last) if day), default=None),
        minutes=main.total.minutes + other.total.minutes,
        reps=reps,
        rated=main.total.rated + other.total.rated,
        clean=main.total.clean + other.total.clean,
    )
    entered = main.entered * main.total.reps + other.entered * other.total.reps
    return replace(
        main,
        phrases=_phrases(main, other, True),
        held=(main.held[0] + other.held[0], main.held[1] + other.held[1]),
        days=days,
        total=total,
        marked=sum_counts((main.marked, other.marked)),
        entered=entered / reps if reps else 0.0,
    )


def _days(main: DrillReply, other: DrillReply) -> tuple[DayReply, ...]:
    days: dict[date, DayReply] = {day.day: day for day in main.days}
    for day in other.days:
        known = days.get(day.day)
        days[day.day] = _sum(known, day) if known and known != day else day
    return tuple(days[day] for day in sorted(days))


def _sum(one: DayReply, other: DayReply) -> DayReply:
    added = ("minutes", "reps", "rated", "clean", "cold", "cold_clean")
    sums = {name: getattr(one, name) + getattr(other, name) for name in added}
    return replace(one, fastest_bpm=max(one.fastest_bpm, other.fastest_bpm), **sums)


def _phrases(main: DrillReply, other: DrillReply, add: bool) -> tuple[PhraseReply, ...]:
    """What landed on either machine has landed."""
    others = {(phrase.phrase, phrase.layer): phrase for phrase in other.phrases}
    return tuple(
        _phrase(phrase, others[key], add) if (key := (phrase.phrase, phrase.layer)) in others else phrase
        for phrase in main.phrases
    )


def _phrase(one: PhraseReply, other: PhraseReply, add: bool) -> PhraseReply:
    landed = [day for day in (one.landed, other.landed) if day]
    last = [day for day in (one.last, other.last) if day]
    return replace(
        one,
        rung_bpm=max(one.rung_bpm or 0, other.rung_bpm or 0) or None,
        fastest_clean_bpm=max(one.fastest_clean_bpm or 0, other.fastest_clean_bpm or 0) or None,
        landed=max(landed, default=None),
        kept=one.kept or other.kept,
        tested=one.tested or other.tested,
        reps=one.reps + other.reps if add else max(one.reps, other.reps),
        last=max(last, default=None),
    )
