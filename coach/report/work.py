"""One student's work on one drill, as the rules and the overview ask about it: what was handed out, what came back."""

from __future__ import annotations

from datetime import date, timedelta
from functools import cached_property

from coach.ground.frozen import frozen
from coach.ground.plain import counted
from coach.report.handed import Handed
from coach.report.reply import RECENT_DAYS, DayReply, DrillReply, PhraseReply, TotalReply
from coach.words.amounts import short_day, tempo

SILENT_DAYS = 9
"""How long after what was handed out or last replied a student counts as silent: a week, and two days for the mail."""
AWAY_DAYS = 7
NOTHING = TotalReply(0, None, None, 0.0, 0, 0, 0)
RATED_FROM = 20
"""Repetitions with a result, and on a second day, from which a drill's results advise something."""


@frozen
class Work:
    """One student on one drill. Without a reply (`drill` None) only what was handed out is known."""

    student: str
    handed: Handed | None
    """The newest hand-out of this drill to this student; None where the teacher's file has none."""
    practised: Handed | None
    """The hand-out that the student practises from."""
    drill: DrillReply | None
    reply_day: date | None
    today: date
    remarks: tuple[str, ...] = ()
    """What is to be told of this row's files: edited, another's name, two machines."""

    @property
    def drill_id(self) -> str:
        return self.handed.drill if self.handed else self.drill.id if self.drill else ""

    @property
    def title(self) -> str:
        """As the teacher calls it, who handed it out; a student may call it something else."""
        return self.handed.title if self.handed else self.drill.title if self.drill else ""

    @property
    def goal_bpm(self) -> int:
        """Of the phrase that is furthest behind; the drill's where no phrase is known."""
        known = self.behind or self.drill or self.handed
        return known.goal_bpm if known else 0

    @property
    def due(self) -> date | None:
        if self.handed:
            return self.handed.due
        return self.drill.assignment.due if self.drill and self.drill.assignment else None

    @property
    def due_text(self) -> str:
        """`20 Dec`, `20 Dec, past`; empty without a date."""
        return short_day(self.due, self.today) + (", past" if self.overdue else "") if self.due else ""

    @property
    def handed_on(self) -> date | None:
        return self.practised.day if self.practised else self.handed.day if self.handed else None

    @property
    def news_days(self) -> int | None:
        """How many days old the news is; None without any."""
        return (self.today - self.reply_day).days if self.reply_day else None

    @property
    def news(self) -> str:
        """`news of 26 Nov, 3 days old`, `no news since it was handed out on 20 Nov`."""
        if self.reply_day is None:
            since = (
                f" since it was handed out on {short_day(self.handed.day, self.today)}" if self.handed else ""
            )
            return f"no news{since}"
        days = (self.today - self.reply_day).days
        if not days:
            return "today's news"
        age = "a day old" if days == 1 else f"{days} days old"
        return f"news of {short_day(self.reply_day, self.today)}, {age}"

    @property
    def news_in_short(self) -> str:
        """`26 Nov, 3 days old`; `today`; `none`."""
        if not self.reply_day:
            return "none"
        return self.news.removeprefix("news of ") if self.news_days else "today"

    @property
    def silent(self) -> bool:
        """Whether a reply is overdue: silence, which is not idleness."""
        last = max((day for day in (self.reply_day, self.handed and self.handed.day) if day), default=None)
        return last is not None and (self.today - last).days > SILENT_DAYS

    @cached_property
    def phrases(self) -> list[PhraseReply]:
        """In their fullest layer."""
        return [phrase for phrase in self.drill.phrases if phrase.top] if self.drill else []

    @property
    def parts_asked(self) -> bool:
        """Whether single phrases or nodes are asked for, and not the whole drill."""
        return bool(self.practised and self.practised.parts)

    @property
    def asked(self) -> str:
        """How much is asked for: `3 phrases`, `2 parts`."""
        return counted(len(self.phrases), "part" if self.parts_asked else "phrase")

    @cached_property
    def behind(self) -> PhraseReply | None:
        """The phrase that is furthest behind."""
        ranked = sorted(self.phrases, key=lambda one: (one.landed is not None, _part_of_goal(one)))
        return ranked[0] if ranked else None

    @property
    def rung_bpm(self) -> int:
        """Of the phrase that is furthest behind; 0 where one was never begun."""
        return (self.behind and self.behind.rung_bpm) or 0

    @property
    def rung(self) -> str:
        """Rung and goal of the phrase that is furthest behind, with its name among several; or what was not begun."""
        if self.behind and self.behind.rung_bpm:
            rung = f"{self.behind.rung_bpm} of {tempo(self.behind.goal_bpm)}"
            return rung if len(self.phrases) == 1 else f"{self.behind.name} at {rung}"
        together = sum(bool(phrase.rung_bpm) for phrase in self.phrases)
        begun = "begun" if self.parts_asked else "begun together"
        return f"{together} of {len(self.phrases)} {begun}" if self.phrases else ""

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
    def overdue(self) -> bool:
        return self.due is not None and self.due < self.today and not self.done

    @cached_property
    def cold(self) -> tuple[int, int]:
        """First repetitions of a day of late, and how many of them were clean."""
        recent = self._days_within(RECENT_DAYS)
        return sum(day.cold for day in recent), sum(day.cold_clean for day in recent)

    @property
    def total(self) -> TotalReply:
        """All practice that the reply tells of."""
        return self.drill.total if self.drill else NOTHING

    @property
    def week_minutes(self) -> float:
        """Of the last week before the reply."""
        return sum(day.minutes for day in self._days_within(7))

    @property
    def enough(self) -> bool:
        """Whether there are results of two days, and enough of them, to say what is wrong."""
        return self.total.days > 1 and self.total.rated >= RATED_FROM

    @property
    def practised_of(self) -> tuple[int, int]:
        """Practice days, of so many from the hand-out to the reply, of the last four weeks at most."""
        if self.drill is None or self.reply_day is None:
            return 0, 0
        first = self.handed_on or self.drill.total.first or self.reply_day
        window = max(1, min(RECENT_DAYS, (self.reply_day - first).days + 1))
        return len(self._days_within(window)), window

    @property
    def practised_text(self) -> str:
        """`practised on 5 of 15 days`, `not practised in 15 days`, of those from the hand-out to the reply."""
        days, of = self.practised_of
        if days:
            return f"practised on {days} of {counted(of, 'day')}"
        return f"not practised in {counted(of, 'day')}" if of > 1 else "not practised on the day of the reply"

    def _days_within(self, days: int) -> list[DayReply]:
        if self.drill is None or self.reply_day is None:
            return []
        since = self.reply_day - timedelta(days=days)
        return [day for day in self.drill.days if day.day > since]


def _part_of_goal(phrase: PhraseReply) -> float:
    return (phrase.rung_bpm or 0) / phrase.goal_bpm
