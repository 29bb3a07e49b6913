"""What a teacher might assign next to one student on one drill, and why.

The first rule that fits counts (`_RULES`, in their order). They are plain thresholds, stated below, for the teacher to
overrule. Whether it is overdue, and whether most was entered afterwards, is said beside all of them. A reply tells of
the days up to its own, so absence is counted to that day.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property

from coach.ground.plain import counted
from coach.rating.counts import commonest_cause, results_text
from coach.rating.table import DROPPED, RESULTS
from coach.report.student import RECENT_DAYS, DrillReply, PhraseReply, PlaceReply
from coach.words.amounts import percent, short_day, tempo

AWAY_DAYS = 7
FAILS_FROM = 0.25
"""Part of its last results that failed, from which a node or a move is named."""
RESULTS_FROM = 6
RATED_FROM = 20
"""Repetitions with a result, and on a second day, from which a drill's results advise something."""
COLD_LOW = 0.5
READY = 0.7
CLOSE = 0.9
"""Part of the goal tempo from which a student is close to it."""
MARKS_FROM = 100
"""Repetitions with a result of which at least one in a hundred usually fails."""
DROPS_FROM = 0.25
"""Part of all marks of late, from which dropped notes are named."""
ENTERED_FROM = 0.5

Advice = tuple[str, str]
"""What to assign next, and why."""


@dataclass(frozen=True)
class Case:
    """One student on one drill, as the rules and the overview ask about it."""

    drill: DrillReply
    reply_day: date
    today: date

    @cached_property
    def phrases(self) -> list[PhraseReply]:
        """In their fullest layer."""
        return [phrase for phrase in self.drill.phrases if phrase.top]

    @cached_property
    def behind(self) -> PhraseReply | None:
        """The phrase that is furthest behind."""
        ranked = sorted(self.phrases, key=lambda phrase: (phrase.landed is not None, phrase.rung_bpm or 0))
        return ranked[0] if ranked else None

    @property
    def rung_bpm(self) -> int:
        """Of the phrase that is furthest behind; 0 where one was never begun."""
        return (self.behind and self.behind.rung_bpm) or 0

    @property
    def landed(self) -> int:
        return sum(phrase.landed is not None for phrase in self.phrases)

    @property
    def kept(self) -> int:
        return sum(phrase.kept for phrase in self.phrases)

    @property
    def done(self) -> bool:
        return 0 < len(self.phrases) == self.landed

    @property
    def due(self) -> date | None:
        return self.drill.assignment.due if self.drill.assignment else None

    @property
    def overdue(self) -> bool:
        return self.due is not None and self.due < self.today and not self.done

    @cached_property
    def cold(self) -> tuple[int, int]:
        """First repetitions of a day of late, and how many of them were clean."""
        recent = [day for day in self.drill.days if (self.reply_day - day.day).days < RECENT_DAYS]
        return sum(day.cold for day in recent), sum(day.cold_clean for day in recent)

    @property
    def cold_rate(self) -> float:
        """Part of them that was clean; -1 without any."""
        return self.cold[1] / self.cold[0] if self.cold[0] else -1.0

    @property
    def begun(self) -> int:
        """Phrases begun in any layer."""
        return len({phrase.phrase for phrase in self.drill.phrases if phrase.rung_bpm})

    @property
    def minutes(self) -> float:
        return sum(day.minutes for day in self.drill.days)

    @property
    def week_minutes(self) -> float:
        """Of the last week before the reply."""
        return sum(day.minutes for day in self.drill.days if (self.reply_day - day.day).days < 7)

    @property
    def last(self) -> date | None:
        """When it was last practised."""
        return max((day.day for day in self.drill.days), default=None)

    @property
    def away(self) -> str:
        """From when to when it was not practised, where that is long; else empty."""
        if self.last is None or (self.reply_day - self.last).days < AWAY_DAYS:
            return ""
        return f"not practised from {short_day(self.last, self.today)} to {short_day(self.reply_day, self.today)}"

    @property
    def rated(self) -> int:
        return sum(day.rated for day in self.drill.days)

    @property
    def enough(self) -> bool:
        """Whether there are results of two days, and enough of them, to say what is wrong."""
        return len(self.drill.days) > 1 and self.rated >= RATED_FROM

    @property
    def close(self) -> bool:
        return self.rung_bpm >= CLOSE * self.drill.goal_bpm

    @property
    def tempo(self) -> str:
        goal = tempo(self.drill.goal_bpm)
        return f"{self.rung_bpm} of {goal}" if self.rung_bpm else "not every phrase begun"


def failing(places: Sequence[PlaceReply]) -> list[PlaceReply]:
    """Nodes or moves that fail often enough to be named, the worst first."""
    named = [place for place in places if place.of >= RESULTS_FROM and place.failed >= FAILS_FROM * place.of]
    return sorted(named, key=lambda place: (-place.failed / place.of, place.chance, place.name))


def failing_text(place: PlaceReply) -> str:
    """`3.2 on D2 in 3 of 8`."""
    return f"{place.name} in {place.failed} of {place.of}"


def advised(case: Case) -> Advice:
    """What to assign next, and why."""
    what, why = next(advice for rule in _RULES if (advice := rule(case)))
    late = f"overdue since {short_day(case.due, case.today)}; " if case.overdue and case.due else ""
    entered = case.drill.entered
    return what, f"{late}{why}" + (
        f"; {percent(entered)} entered afterwards" if entered >= ENTERED_FROM else ""
    )


def _landed(case: Case) -> Advice | None:
    if not case.done:
        return None
    return (
        "the next drill, or a faster goal",
        f"every phrase landed at {tempo(case.drill.goal_bpm)}, {case.kept} kept",
    )


def _unpractised(case: Case) -> Advice | None:
    return None if case.drill.days else ("talk before assigning more", "nothing of it was practised yet")


def _too_little(case: Case) -> Advice | None:
    if case.enough:
        return None
    seen = f"{counted(case.rated, 'rated repetition')} on {counted(len(case.drill.days), 'day')}"
    return "too little to say: ask for another sitting", ", ".join(part for part in (seen, case.away) if part)


def _hardly_marked(case: Case) -> Advice | None:
    failed = case.rated - sum(day.clean for day in case.drill.days)
    if case.rated < MARKS_FROM or failed >= case.rated / 100:
        return None
    return "hear this once with them", f"{failed} of {case.rated} rated repetitions had any mark"


def _cold_fails(case: Case) -> Advice | None:
    cold, clean = case.cold
    if cold < RESULTS_FROM or case.cold_rate >= COLD_LOW:
        return None
    return "a slower goal for now", f"only {clean} of {cold} first repetitions of a day are clean"


def _place_fails(case: Case) -> Advice | None:
    nodes, moves = failing(case.drill.nodes), failing(case.drill.moves)
    if nodes:
        return f"{nodes[0].name} alone", _fails(nodes[0])
    return (f"the move {moves[0].name}", _fails(moves[0])) if moves else None


def _held_notes_drop(case: Case) -> Advice | None:
    marked = case.drill.marked
    dropped, all_marks = marked.get(DROPPED.word, 0), sum(marked.get(row.word, 0) for row in RESULTS)
    if dropped < RESULTS_FROM or dropped < DROPS_FROM * all_marks:
        return None
    return (
        "the held notes, slower",
        f"{DROPPED.word} {dropped} of {all_marks} marks of late: {DROPPED.meaning}",
    )


def _away(case: Case) -> Advice | None:
    if not case.away:
        return None
    what = "the same, to its end: it is close" if case.close else "the same, in shorter sittings"
    return what, f"{case.tempo}, {case.away}"


def _layer_unready(case: Case) -> Advice | None:
    """What is played together counts for its layers, so only a phrase that is not yet played together asks for one."""
    together = {phrase.phrase for phrase in case.phrases if phrase.rung_bpm}
    ready_bpm = READY * case.drill.goal_bpm
    alone = [
        phrase
        for phrase in case.drill.phrases
        if not phrase.top and phrase.phrase not in together and (phrase.rung_bpm or 0) < ready_bpm
    ]
    if not alone:
        return None
    slow = min(alone, key=lambda phrase: phrase.rung_bpm or 0)
    where = f"at {tempo(slow.rung_bpm)}" if slow.rung_bpm else "not begun"
    return f"{slow.name}, {slow.layer} alone", f"{where}, the goal is {case.drill.goal_bpm}"


def _overdue(case: Case) -> Advice | None:
    if not case.overdue or not case.rung_bpm:
        return None
    if case.close:
        return "the same, with a later date: it is close", case.tempo
    return f"a goal near {tempo(case.rung_bpm)}, then on", case.tempo


def _going_well(case: Case) -> Advice:
    phrases = counted(len(case.phrases), "phrase")
    return (
        "nothing new: it is under way",
        f"{case.tempo}, {case.landed} of {phrases} landed, {case.kept} kept",
    )


_RULES: tuple[Callable[[Case], Advice | None], ...] = (
    _landed,
    _unpractised,
    _too_little,
    _hardly_marked,
    _cold_fails,
    _place_fails,
    _held_notes_drop,
    _away,
    _layer_unready,
    _overdue,
    _going_well,
)
"""The first that has something to say is followed; the last one always has."""


def _fails(place: PlaceReply) -> str:
    """How often it fails, what was marked on it, and what helps against the cause that was marked most."""
    marked = results_text(place.marked)
    cause = commonest_cause(place.marked)
    return (
        f"fails in {place.failed} of its last {place.of}"
        + (f" ({marked})" if marked else "")
        + (f", mostly {cause.word}: {cause.advice}" if cause else "")
    )
