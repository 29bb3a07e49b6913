"""One short sentence why a turn is next: what happened, never a claim about learning."""

from __future__ import annotations

from datetime import date

from coach.learning.choice import Choice, Option, Why
from coach.learning.learning import Learnt, Record
from coach.learning.skill import late_results
from coach.music.excerpt import Excerpt, Kind
from coach.words.amounts import short_day
from coach.words.names import capital, place_name

TELLING = 2
"""Failures of late from which a node or a move is named."""


def reason(learnt: Learnt, turn: Choice, day: date) -> str:
    """Why this turn is next."""
    option, part = turn.option, turn.option.part
    record = learnt.records.get(part.key)
    match turn.why:
        case Why.WARM_UP:
            return "Slow and easy, to warm the hands."
        case Why.TEST:
            return (
                f"At its goal on {_day(learnt.records[part.key].landed, day)}. Once, cold: is it still there?"
            )
        case _ if record is not None and not record.reps:
            return f"You said that you play it at about {record.bpm}: show it."
        case Why.UNHEARD:
            return f"Not heard by itself since {_day(learnt.records[part.key].day, day)}."
        case Why.BEGIN:
            whole = part.excerpt.kind is Kind.PIECE
            return _broke(learnt, option) or f"Not played {'from start to end here ' if whole else ''}yet."
        case Why.PIECE:
            return (
                _broke(learnt, option)
                or _slipped(record)
                or "From start to end: the parts must hold together."
            )
        case Why.SLOW | Why.STEADY:
            return _broke(learnt, option) or _standing(turn, record, day)


def _standing(turn: Choice, record: Record | None, day: date) -> str:
    option = turn.option
    if record and record.cold < 0 and record.day < day.toordinal():
        return f"Failed cold on {_day(record.day, day)}."
    if option.bpm < option.part.goal_bpm:
        return f"Not at its goal of {option.part.goal_bpm} yet."
    if turn.why is Why.SLOW:
        return f"Never landed at its goal of {option.part.goal_bpm}."
    tenths = min(9, round(10 * option.later))
    return f"At its goal. Cold in a week: clean {tenths} times in 10."


def _slipped(record: Record | None) -> str:
    """Where no place fails again and again, that the piece does."""
    failed, of = late_results(record.recent) if record else (0, 0)
    return f"Not clean in {failed} of {of}; no place failed twice." if failed >= TELLING else ""


def _broke(learnt: Learnt, option: Option) -> str:
    """`7 on G2 to 3.2 on D2 failed in 3 of its last 8`: what failed most of late; empty where nothing did."""
    skill = learnt.skills.get(option.part.excerpt.drill)
    if skill is None or not _failed_itself(learnt, option.part.excerpt):
        return ""
    most: tuple[float, str, int, int] | None = None
    for key in dict.fromkeys(key for keys in option.part.keys for key in keys[1::-1] if key in skill.terms):
        failed, of = late_results(skill.terms[key].recent)
        if failed >= TELLING and (most is None or failed / of > most[0]):
            most = (failed / of, key, failed, of)
    if most is None:
        return ""
    _, key, failed, of = most
    return capital(f"{place_name(key[2:])} failed in {failed} of its last {of}.")


def _failed_itself(learnt: Learnt, excerpt: Excerpt) -> bool:
    """Whether any layer or part of these bars failed of late: what failed in others only is no reason for these."""
    beginning = excerpt.bars_key
    records = (record for key, record in learnt.records.items() if key.startswith(beginning))
    return any(late_results(record.recent)[0] for record in records)


def _day(ordinal: int, today: date) -> str:
    return short_day(date.fromordinal(ordinal), today) if ordinal else "ever"
