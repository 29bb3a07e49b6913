"""The sums that reports draw on, as a fold over the log: what each practice day came to, and its evidence by key."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from coach.learning.evidence import DayEvidence, day_evidence
from coach.log.book import Pair
from coach.log.entries import Rep
from coach.log.log import Log
from coach.music.excerpt import LoggedPassage
from coach.rating.counts import Counts, count_faults, counts_from


@dataclass(frozen=True, slots=True)
class DayTotal:
    """One practice day of one player."""

    day: date
    duration_ms: int
    """Count-ins and repetitions; the time between them is not known."""
    reps: int
    rated: int
    clean: int
    marked: Counts = field(default_factory=dict)
    """How often each result and cause was marked."""


@dataclass(slots=True)
class Sums:
    """Days and evidence in order of days; `today` are the repetitions of the last day, which neither holds yet."""

    days: list[DayTotal] = field(default_factory=list)
    evidence: dict[str, list[DayEvidence]] = field(default_factory=dict)
    today: list[Pair] = field(default_factory=list)


class SumsFold:
    """A fold over the log (`coach.log.fold`)."""

    name = "sums"
    version = "1"

    def initial(self) -> Sums:
        return Sums()

    def step(self, state: Sums, rep: Rep, passage: LoggedPassage) -> Sums:
        if state.today and state.today[0][0].day_number != rep.day_number:
            close_day(state)
        state.today.append((rep, passage))
        return state

    def plain(self, state: Sums) -> Any:
        close_day(state)
        return {
            "days": [
                [one.day.toordinal(), one.duration_ms, one.reps, one.rated, one.clean, one.marked]
                for one in state.days
            ],
            "evidence": [one.to_json() for days in state.evidence.values() for one in days],
        }

    def state(self, plain: Any) -> Sums:
        sums = Sums(
            [
                DayTotal(date.fromordinal(day), duration_ms, reps, rated, clean, counts_from(marked))
                for day, duration_ms, reps, rated, clean, marked in plain["days"]
            ]
        )
        for text in plain["evidence"]:
            evidence = DayEvidence.from_json(text)
            sums.evidence.setdefault(evidence.key, []).append(evidence)
        return sums


def close_day(sums: Sums) -> None:
    """Add up the last day."""
    if sums.today:
        sums.days.append(_total(sums.today))
        for key, evidence in day_evidence(sums.today).items():
            sums.evidence.setdefault(key, []).append(evidence)
        sums.today = []


def _total(pairs: Sequence[Pair]) -> DayTotal:
    return DayTotal(
        pairs[0][0].day,
        sum(rep.duration_ms for rep, _ in pairs),
        len(pairs),
        sum(rep.rated for rep, _ in pairs),
        sum(rep.clean for rep, _ in pairs),
        count_faults(fault for rep, _ in pairs for fault in rep.faults or ()),
    )


def sums_of(log: Log, day: date) -> Sums:
    """The sums up to a practice day, that day added up as far as it has gone."""
    state = log.state(SumsFold(), day)
    sums = Sums(list(state.days), {key: list(days) for key, days in state.evidence.items()}, state.today)
    close_day(sums)
    return sums


def evidence_in(sums: Sums, prefix: str, since: date, until: date) -> list[DayEvidence]:
    """The evidence of every key that begins so, in order of (key, day): `n:` is all nodes, `x:lanterns:` a drill's."""
    return [
        one
        for key in sorted(sums.evidence)
        if key.startswith(prefix)
        for one in sums.evidence[key]
        if since <= one.day <= until
    ]
