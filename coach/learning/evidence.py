"""What one practice day says about each node, move and excerpt: a fold over that day's counted reps.

Keys: `n:<node key>`, `m:<place>place>`, `x:<excerpt key>`. What a result says of the event's nodes (only of the note
named, where one is) and of the move to it stands in `coach.rating.table`; where nothing is marked both were clean.

An excerpt is clean where every event is, and failed otherwise; a rep that only broke off (nothing but events not
reached) and an unrated rep say nothing, but their time counts. The cold result is the day's first one of its key.
Reps come in the order of (at_ms, id), so that the same log gives the same evidence however it was merged.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from coach.log.entries import Rep
from coach.music.excerpt import LoggedEvent, LoggedPassage
from coach.rating.counts import Counts, count_faults, counts_from
from coach.rating.fault import Fault, verdict
from coach.rating.table import Says

NODE, MOVE, EXCERPT = "n:", "m:", "x:"

Tally = tuple[int, int, int, int]
"""Tempo in bpm, goal in bpm, how many clean, how many failed."""


@dataclass(frozen=True, slots=True)
class DayEvidence:
    """One key's results on one practice day."""

    key: str
    day: date
    cold_clean: bool | None
    """The day's first result; None where nothing was rated."""
    cold_bpm: int
    cold_goal_bpm: int
    tallies: tuple[Tally, ...]
    """All results of the day, the cold one too, in order of tempo and goal."""
    reps: int
    """Repetitions in which it was played, rated or not."""
    duration_ms: int
    """Time spent on it, count-ins included; excerpts only, so that adding them up counts no minute twice."""
    marked: Counts = field(default_factory=dict)
    """How often each result and cause was marked."""

    @property
    def clean(self) -> int:
        return sum(tally[2] for tally in self.tallies)

    @property
    def failed(self) -> int:
        return sum(tally[3] for tally in self.tallies)

    def near_goal(self, part: float) -> tuple[int, int]:
        """Clean and failed results at `part` of the goal tempo or faster."""
        near = [tally for tally in self.tallies if tally[0] >= part * tally[1]]
        return sum(tally[2] for tally in near), sum(tally[3] for tally in near)

    def to_json(self) -> str:
        """Canonical JSON."""
        body = [
            self.key,
            self.day.isoformat(),
            self.cold_clean,
            self.cold_bpm,
            self.cold_goal_bpm,
            self.tallies,
            self.reps,
            self.duration_ms,
            self.marked,
        ]
        return json.dumps(body, separators=(",", ":"), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> DayEvidence:
        """The inverse of `to_json`; ValueError, KeyError or TypeError on other text."""
        key, day, cold, cold_bpm, cold_goal, tallies, reps, duration, marked = json.loads(text)
        rows = tuple((int(bpm), int(goal), int(clean), int(failed)) for bpm, goal, clean, failed in tallies)
        return cls(
            key,
            date.fromisoformat(day),
            cold,
            cold_bpm,
            cold_goal,
            rows,
            reps,
            duration,
            counts_from(marked),
        )


@dataclass(slots=True)
class _Sum:
    """Evidence of one key while the day is being read."""

    cold: bool | None = None
    cold_bpm: int = 0
    cold_goal_bpm: int = 0
    tallies: dict[tuple[int, int], list[int]] = field(default_factory=dict)
    reps: int = 0
    duration_ms: int = 0
    faults: list[Fault] = field(default_factory=list)

    def add(self, clean: bool, rep: Rep) -> None:
        if self.cold is None:
            self.cold, self.cold_bpm, self.cold_goal_bpm = clean, rep.tempo_bpm, rep.goal_bpm
        tally = self.tallies.setdefault((rep.tempo_bpm, rep.goal_bpm), [0, 0])
        tally[0 if clean else 1] += 1

    def done(self, key: str, day: date) -> DayEvidence:
        rows = tuple((bpm, goal, *counts) for (bpm, goal), counts in sorted(self.tallies.items()))
        return DayEvidence(
            key,
            day,
            self.cold,
            self.cold_bpm,
            self.cold_goal_bpm,
            tuple((row[0], row[1], row[2], row[3]) for row in rows),
            self.reps,
            self.duration_ms,
            count_faults(self.faults),
        )


def day_evidence(reps: Sequence[tuple[Rep, LoggedPassage]]) -> dict[str, DayEvidence]:
    """Evidence per key from one practice day's counted reps of one player.

    Counted: corrections applied, void reps left out. Any order will do. ValueError where they are of several
    players or days.
    """
    if len({(rep.player, rep.day) for rep, _ in reps}) > 1:
        raise ValueError("evidence is for one player and one practice day")
    sums: dict[str, _Sum] = {}
    for rep, passage in sorted(reps, key=lambda pair: (pair[0].at_ms, pair[0].id)):
        _add_rep(sums, rep, passage)
    day = reps[0][0].day if reps else date.min
    return {key: sums[key].done(key, day) for key in sorted(sums)}


def _add_rep(sums: dict[str, _Sum], rep: Rep, passage: LoggedPassage) -> None:
    whole = sums.setdefault(EXCERPT + rep.excerpt, _Sum())
    whole.reps += 1
    whole.duration_ms += rep.duration_ms
    clean = verdict(rep.faults)
    if clean is not None:
        whole.add(clean, rep)
    faults: dict[int, list[Fault]] = {}
    for fault in rep.faults or ():
        faults.setdefault(fault.label, []).append(fault)
        whole.faults.append(fault)
    played: set[str] = set()
    for event in passage.events:
        _add_event(sums, rep, event, faults.get(event.label, ()), played)
    for key in played:
        sums[key].reps += 1


def _add_event(
    sums: dict[str, _Sum], rep: Rep, event: LoggedEvent, faults: Iterable[Fault], played: set[str]
) -> None:
    for node, result in node_results(event, faults).items():
        key = NODE + node
        played.add(key)
        entry = sums.setdefault(key, _Sum())
        for fault in faults:
            if node in _named(event, fault):
                entry.faults.append(fault)
        if result is not None and rep.rated:
            entry.add(result, rep)
    if event.move:
        key = MOVE + event.move
        played.add(key)
        entry = sums.setdefault(key, _Sum())
        for fault in faults:
            entry.faults.append(fault)
        of_move = {fault.move for fault in faults}
        if rep.rated and (Says.FAILED in of_move or Says.NOTHING not in of_move):
            entry.add(Says.FAILED not in of_move, rep)


def node_results(event: LoggedEvent, faults: Iterable[Fault]) -> Mapping[str, bool | None]:
    """Per node of the event: rang (True), choked (False), or nothing can be said (None)."""
    results: dict[str, bool | None] = dict.fromkeys(event.nodes, True)
    for fault in faults:
        for node in _named(event, fault):
            if fault.result.node is Says.FAILED:
                results[node] = False
            elif fault.result.node is Says.NOTHING and results[node] is not False:
                results[node] = None
    return results


def _named(event: LoggedEvent, fault: Fault) -> tuple[str, ...]:
    """The nodes that a fault is about: all of the event's, or the one at the note that it names."""
    if not fault.note:
        return event.nodes
    harmonic = ["<" in text for text in event.text.split("+")]
    if fault.note > len(harmonic) or not harmonic[fault.note - 1]:
        return ()
    index = sum(harmonic[: fault.note - 1])
    return event.nodes[index : index + 1]
