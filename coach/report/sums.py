"""The sums that reports draw on, as a fold over the log: what each practice day came to, by what was played.

Minutes, repetitions and marks are never added up twice: a day, a drill or an excerpt is the sum of its rows (`added`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import field, fields
from datetime import date
from functools import lru_cache
from itertools import chain, repeat
from operator import attrgetter
from typing import Any

from coach.ground.frozen import mutable
from coach.learning.skill import event_keys
from coach.log.entries import Rep
from coach.log.log import Log
from coach.music.excerpt import LoggedPassage
from coach.rating.counts import Counts, count_faults
from coach.rating.fault import Fault, faults_text, parse_faults, was_clean
from coach.rating.table import NOT_REACHED, Says


@mutable
class Sum:
    """What one passage came to on one practice day, or several of these together."""

    reps: int = 0
    duration_ms: int = 0
    """Count-ins and repetitions; the time between them is not known."""
    rated: int = 0
    clean: int = 0
    cold: int = 0
    """First repetitions of an excerpt on a day that said how it went,"""
    cold_clean: int = 0
    """and how many of them were clean."""
    fastest_bpm: int = 0
    """The fastest clean repetition; 0 where none was."""
    marks: dict[str, int] = field(default_factory=dict)
    """How often each mark was made, as the log writes it: `4c:lift`."""

    @property
    def minutes(self) -> float:
        return self.duration_ms / 60_000

    @property
    def marked(self) -> Counts:
        """How often each result and cause was marked."""
        return count_faults(_faults(self.marks))


Row = tuple[date, str, Sum]
"""Practice day, passage id, and what the one came to on the other."""


@mutable
class Sums:
    """Days before the last one are kept as the cache has them: a report reads few of many years."""

    past: dict[str, Any] = field(default_factory=dict)
    """By practice day (its ordinal, as a text) the rows of its passages."""
    day: int = 0
    """The last day's ordinal; 0 where nothing was practised."""
    today: dict[str, Sum] = field(default_factory=dict)
    """Its sums, by passage id."""
    excerpts: dict[str, str] = field(default_factory=dict)
    """The excerpt key of each passage."""

    def rows(self, since: date, until: date, drill: str = "") -> Iterator[Row]:
        """The rows from `since` to `until`, both included, of one drill (its id) or of all."""
        of_drill = f"{drill}:" if drill else ""
        wanted = range(since.toordinal(), until.toordinal() + 1)
        days = ((int(day), rows) for day, rows in self.past.items())
        past = ((day, key, Sum(*row)) for day, rows in days if day in wanted for key, row in rows.items())
        today = ((self.day, key, row) for key, row in self.today.items() if self.day in wanted)
        for day, passage, row in chain(past, today):
            if self.excerpts[passage].startswith(of_drill):
                yield date.fromordinal(day), passage, row

    def by_excerpt(self, rows: Iterable[Row]) -> dict[str, list[Row]]:
        """Some rows by the key of their excerpt."""
        by_key: dict[str, list[Row]] = {}
        for row in rows:
            by_key.setdefault(self.excerpts[row[1]], []).append(row)
        return by_key


class SumsFold:
    """A fold over the log (`coach.log.fold`)."""

    name = "sums"
    version = "2"

    def initial(self) -> Sums:
        return Sums()

    def step(self, state: Sums, rep: Rep, passage: LoggedPassage) -> Sums:
        if rep.day_number != state.day:
            state.past |= _closed(state)
            state.day, state.today = rep.day_number, {}
        row = state.today.get(rep.passage)
        if row is None:
            row = state.today[rep.passage] = Sum()
            state.excerpts[rep.passage] = rep.excerpt
        row.reps += 1
        row.duration_ms += rep.duration_ms
        if rep.faults is None:
            return state
        row.rated += 1
        row.clean += rep.clean
        if not row.cold and was_clean(rep.faults) is not None and not _was_cold(state, rep.excerpt):
            row.cold, row.cold_clean = 1, int(rep.clean)
        if rep.clean:
            row.fastest_bpm = max(row.fastest_bpm, rep.tempo_bpm)
        for fault in rep.faults:
            text = faults_text((fault,))
            row.marks[text] = row.marks.get(text, 0) + 1
        return state

    def plain(self, state: Sums) -> Any:
        return {"days": state.past | _closed(state), "excerpts": dict(state.excerpts)}

    def state(self, plain: Any) -> Sums:
        days = dict(plain["days"])
        last, rows = days.popitem() if days else ("0", {})
        today = {passage: Sum(*row) for passage, row in rows.items()}
        return Sums(days, int(last), today, dict(plain["excerpts"]))


def _closed(state: Sums) -> dict[str, Any]:
    """The last day as the cache has it."""
    rows = {passage: [*_values(row), dict(row.marks)] for passage, row in state.today.items()}
    return {str(state.day): rows} if rows else {}


_values = attrgetter(*(each.name for each in fields(Sum) if each.name != "marks"))


def _was_cold(state: Sums, excerpt: str) -> bool:
    """Whether the day's first result of an excerpt is known: another revision of the drill may have played it."""
    return any(row.cold and state.excerpts[passage] == excerpt for passage, row in state.today.items())


def sums_of(log: Log, day: date) -> Sums:
    """The sums up to a practice day, that day as far as it has gone."""
    return log.state(SumsFold(), day)


def passage_in(log: Log, sums: Sums, passage: str) -> LoggedPassage:
    """What was played, by passage id; without events where its line in the log was lost."""
    try:
        return log.passage(passage)
    except KeyError:
        return LoggedPassage(passage, sums.excerpts[passage], "", "", ())


def added(rows: Iterable[Sum]) -> Sum:
    """Some sums together."""
    total = Sum()
    for row in rows:
        total.reps += row.reps
        total.duration_ms += row.duration_ms
        total.rated += row.rated
        total.clean += row.clean
        total.cold += row.cold
        total.cold_clean += row.cold_clean
        total.fastest_bpm = max(total.fastest_bpm, row.fastest_bpm)
        for mark, count in row.marks.items():
            total.marks[mark] = total.marks.get(mark, 0) + count
    return total


def by_day(rows: Iterable[Row]) -> dict[date, Sum]:
    """What each practice day came to, in order."""
    days: dict[date, list[Sum]] = {}
    for day, _, row in rows:
        days.setdefault(day, []).append(row)
    return {day: added(of_day) for day, of_day in days.items()}


def marked_at_places(log: Log, sums: Sums, rows: Iterable[Row]) -> dict[str, Counts]:
    """What was marked against each node and move, by their keys in `coach.learning.skill.event_keys`.

    A mark counts for what it says has failed: a late event for the move to it and not for its node.
    """
    by_key: dict[str, list[Fault]] = {}
    for _, passage, row in rows:
        keys = event_keys(passage_in(log, sums, passage)) if row.marks else ()
        for fault in _faults(row.marks):
            if fault.label <= len(keys):
                node, move, *_ = keys[fault.label - 1]
                for key, says in ((node, fault.result.node), (move, fault.move)):
                    if key and says is Says.FAILED:
                        by_key.setdefault(key, []).append(fault)
    return {key: count_faults(faults) for key, faults in by_key.items()}


def results_at_places(log: Log, sums: Sums, rows: Iterable[Row]) -> dict[str, tuple[int, int]]:
    """Of each node and move, and of held notes (key `held`): failed, of how often it was played and rated.

    What was not reached was not played.
    """
    tally: dict[str, list[int]] = {}
    for _, passage, row in rows:
        keys = event_keys(passage_in(log, sums, passage)) if row.rated else ()
        for node, move, *_ in keys:
            for key in (node or "held", move):
                if key:
                    tally.setdefault(key, [0, 0])[1] += row.rated
        for fault in _faults(row.marks):
            if fault.label <= len(keys):
                node, move, *_ = keys[fault.label - 1]
                at_node = fault.result.node if node else fault.result.held
                for key, says in ((node or "held", at_node), (move, fault.move)):
                    if key and fault.result is NOT_REACHED:
                        tally[key][1] -= 1
                    elif key:
                        tally[key][0] += says is Says.FAILED
    return {key: (min(failed, of), of) for key, (failed, of) in tally.items()}


def _faults(marks: Mapping[str, int]) -> Iterator[Fault]:
    return chain.from_iterable(repeat(_fault(text), count) for text, count in marks.items())


@lru_cache(4096)
def _fault(text: str) -> Fault:
    (fault,) = parse_faults(text)
    return fault
