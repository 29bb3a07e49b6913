"""What follows from the raw log: evidence per day, memories, ladders and time per day, kept up to date rep by rep.

Conventions: everything here is a pure fold of the raw rows (`coach.learning.evidence`, `memory`, `ladder`), so that an
incremental state equals a full replay to the digit. A late rep, a merge or a correction recomputes its keys from the
first day it touches. Every 32nd day of a key its state is kept beside the evidence, so that going back is short.
"""

from __future__ import annotations

import itertools
import json
import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from coach.learning.evidence import EXCERPT, MOVE, NODE, DayEvidence, day_evidence
from coach.learning.ladder import DEFAULT as DEFAULT_RULE
from coach.learning.ladder import Ladder, Rule
from coach.learning.memory import CAP_DAYS, Memory, fold, fold_ladder
from coach.log.entries import Rep
from coach.music.excerpt import LoggedPassage
from coach.rating.counts import Counts, count_faults, counts_from
from coach.store.schema import DamagedStateError, derived, sealed

MODEL = 4
"""Raised whenever the folds or their JSON change: a log of another model is rebuilt from its raw rows when opened."""
KEPT_EVERY_DAYS = 32

DERIVED_TABLES = ("evidence", "states", "days")


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

    def to_json(self) -> str:
        """Its numbers, without the day."""
        numbers = (self.duration_ms, self.reps, self.rated, self.clean, self.marked)
        return json.dumps(numbers, separators=(",", ":"))

    @classmethod
    def from_json(cls, day: date, text: str) -> DayTotal:
        """The inverse of `to_json`."""
        duration_ms, reps, rated, clean, marked = json.loads(text)
        return cls(day, duration_ms, reps, rated, clean, counts_from(marked))


@dataclass(frozen=True, slots=True)
class Folds:
    """What the player's settings say about the folds."""

    rule: Rule = DEFAULT_RULE
    cap_days: int = CAP_DAYS

    def to_json(self) -> str:
        return json.dumps(
            [MODEL, self.rule.clean_to_climb, self.rule.target, self.cap_days], separators=(",", ":")
        )

    @classmethod
    def from_json(cls, text: str) -> Folds | None:
        """The inverse of `to_json`; None for the folds of another model."""
        try:
            model, clean_to_climb, target, cap_days = json.loads(text)
            return cls(Rule(clean_to_climb, target), cap_days) if model == MODEL else None
        except (ValueError, TypeError):
            return None


@dataclass(frozen=True, slots=True)
class _State:
    """A key's memory after its last day and before it, and the same of its ladder where it is an excerpt."""

    memory: Memory
    before: Memory | None
    ladder: Ladder | None
    ladder_before: Ladder | None

    def row(self) -> tuple[str | None, ...]:
        return tuple(
            sealed(value.to_json()) if value else None
            for value in (self.memory, self.before, self.ladder, self.ladder_before)
        )


def keys_of(passage: LoggedPassage) -> frozenset[str]:
    """The keys of evidence that a rep of this passage can touch."""
    found = _KEYS.get(passage.id)
    if found is None:
        found = _KEYS[passage.id] = _keys_of(passage)
    return found


_KEYS: dict[str, frozenset[str]] = {}
"""By passage id, which is a digest of the passage."""


def _keys_of(passage: LoggedPassage) -> frozenset[str]:
    keys = {EXCERPT + passage.excerpt}
    for event in passage.events:
        keys.update(NODE + node for node in event.nodes)
        if event.move:
            keys.add(MOVE + event.move)
    return frozenset(keys)


CountedReps = Callable[[str, date, date], Iterable[tuple[Rep, LoggedPassage]]]
"""A player's counted reps with their passages from a first to a last practice day, in order of (day, at_ms, id)."""


class Deriver:
    """The derived tables of one connection."""

    def __init__(self, connection: sqlite3.Connection, counted: CountedReps) -> None:
        self.connection = connection
        self.counted = counted
        self.folds = Folds()

    def append(self, rep: Rep, passage: LoggedPassage) -> None:
        """Take in one new rep, inside the caller's transaction; quick where it is the latest of its player."""
        newest = self.connection.execute(
            "SELECT id FROM reps WHERE player = ? ORDER BY day DESC, at_ms DESC, id DESC LIMIT 1",
            (rep.player,),
        ).fetchone()
        keys = keys_of(passage)
        reps = list(self.counted(rep.player, rep.day, rep.day)) if newest == (rep.id,) else []
        if not reps or reps[-1][0] != rep:
            self.refresh(rep.player, {rep.day: keys})
            return
        self._write_day(rep.player, rep.day, reps)
        evidence = day_evidence([pair for pair in reps if keys & keys_of(pair[1])])
        for key in keys:
            self._write_evidence(rep.player, key, rep.day, evidence[key])
            known, _ = self._state_before(rep.player, key, rep.day)
            state = self._next(known, evidence[key], ())
            if key.startswith(EXCERPT):
                # The ladder is folded rep by rep: today's earlier reps are in it already.
                row = self.connection.execute(
                    "SELECT ladder FROM states WHERE player = ? AND key = ?", (rep.player, key)
                ).fetchone()
                state = replace(
                    state, ladder=fold_ladder(_ladder(row[0]) if row else None, (rep,), self.folds.rule)
                )
            self._keep(rep.player, state)
            self._write_state(rep.player, key, state)

    def refresh(self, player: str, touched: Mapping[date, Iterable[str]]) -> None:
        """Bring the touched days and keys up to date, inside the caller's transaction."""
        first_day: dict[str, date] = {}
        reps_of_day: dict[date, list[tuple[Rep, LoggedPassage]]] = {}
        for day in sorted(touched):
            keys = set(touched[day])
            reps = list(self.counted(player, day, day))
            reps_of_day[day] = reps
            self._write_day(player, day, reps)
            near = [pair for pair in reps if keys & keys_of(pair[1])]
            evidence = day_evidence(near)
            for key in sorted(keys):
                first_day.setdefault(key, day)
                self._write_evidence(player, key, day, evidence.get(key))
        last = max(touched, default=date.min)
        since = min((day for key, day in first_day.items() if key.startswith(EXCERPT)), default=date.max)
        later = len(touched) > 1 or self._has_day_after(player, last)
        by_excerpt: dict[tuple[str, date], list[Rep]] = defaultdict(list)
        pairs = self.counted(player, since, date.max) if later else reps_of_day.get(last, [])
        for rep, _ in pairs:
            by_excerpt[EXCERPT + rep.excerpt, rep.day].append(rep)
        for key, day in first_day.items():
            self._refold(player, key, day, since, by_excerpt)

    def rebuild(self, player: str) -> None:
        """All derived rows of a player from the raw ones, inside the caller's transaction."""
        for table in DERIVED_TABLES:
            self.connection.execute(f"DELETE FROM {table} WHERE player = ?", (player,))
        states: dict[str, _State] = {}
        for day, reps in _by_day(self.counted(player, date.min, date.max)):
            self._write_day(player, day, reps)
            by_key: dict[str, list[Rep]] = defaultdict(list)
            for rep, _ in reps:
                by_key[EXCERPT + rep.excerpt].append(rep)
            for key, evidence in day_evidence(reps).items():
                self._write_evidence(player, key, day, evidence)
                states[key] = self._next(states.get(key), evidence, by_key.get(key, ()))
                self._keep(player, states[key])
        for key, state in states.items():
            self._write_state(player, key, state)

    def _refold(
        self, player: str, key: str, day: date, since: date, reps: Mapping[tuple[str, date], Iterable[Rep]]
    ) -> None:
        """Fold a key's evidence from `day` on, from the nearest state that is known before it.

        `reps` holds the reps of every excerpt and day from `since` on.
        """
        state, known_day = self._state_before(player, key, day)
        rows = self.connection.execute(
            "SELECT body FROM evidence WHERE player = ? AND key = ? AND day > ? ORDER BY day",
            (player, key, known_day),
        ).fetchall()
        if state is None and not rows:
            self.connection.execute("DELETE FROM states WHERE player = ? AND key = ?", (player, key))
            return
        if state is not None and not rows:
            # The key's last day counts no more: its last day but one has to know the state before it as well.
            self._refold(player, key, state.memory.last_day, since, reps)
            return
        for (body,) in rows:
            evidence = derived(DayEvidence.from_json, body)
            if evidence.key != key:
                raise DamagedStateError(f"evidence of {key!r} is another key's")
            found = reps.get((key, evidence.day), ())
            if evidence.day < since and key.startswith(EXCERPT):
                found = [
                    rep
                    for rep, _ in self.counted(player, evidence.day, evidence.day)
                    if EXCERPT + rep.excerpt == key
                ]
            state = self._next(state, evidence, found)
            self._keep(player, state)
        assert state is not None
        self._write_state(player, key, state)

    def _next(self, state: _State | None, evidence: DayEvidence, reps: Iterable[Rep]) -> _State:
        """The state after one more day of a key."""
        memory, ladder = (state.memory, state.ladder) if state else (None, None)
        now = None
        if evidence.key.startswith(EXCERPT):
            now = fold_ladder(ladder, tuple(reps), self.folds.rule)
        return _State(fold(memory, evidence, self.folds.cap_days), memory, now, ladder)

    def _state_before(self, player: str, key: str, day: date) -> tuple[_State | None, int]:
        """The latest known state whose last day is before `day`, and that day; None and 0 where there is none."""
        row = self.connection.execute(
            "SELECT day, memory, before, ladder, ladder_before FROM states WHERE player = ? AND key = ?",
            (player, key),
        ).fetchone()
        if row is None:
            return None, 0
        last, *texts = row
        memory, before, ladder, ladder_before = texts
        if last < day.toordinal():
            return _State(_memory(key, memory), None, _ladder(ladder), None), last
        if last == day.toordinal():
            if before is None:
                return None, 0
            known = _memory(key, before)
            return _State(known, None, _ladder(ladder_before), None), known.last_day.toordinal()
        kept = self.connection.execute(
            "SELECT day, memory, ladder FROM evidence WHERE player = ? AND key = ? AND day < ? "
            "AND memory IS NOT NULL ORDER BY day DESC LIMIT 1",
            (player, key, day.toordinal()),
        ).fetchone()
        if kept is None:
            return None, 0
        return _State(_memory(key, kept[1]), None, _ladder(kept[2]), None), kept[0]

    def _write_day(self, player: str, day: date, reps: list[tuple[Rep, LoggedPassage]]) -> None:
        if not reps:
            self.connection.execute(
                "DELETE FROM days WHERE player = ? AND day = ?", (player, day.toordinal())
            )
            return
        total = DayTotal(
            day,
            sum(rep.duration_ms for rep, _ in reps),
            len(reps),
            sum(rep.rated for rep, _ in reps),
            sum(rep.clean for rep, _ in reps),
            count_faults(fault for rep, _ in reps for fault in rep.faults or ()),
        )
        self.connection.execute(
            "INSERT OR REPLACE INTO days (player, day, body) VALUES (?,?,?)",
            (player, day.toordinal(), sealed(total.to_json())),
        )

    def _write_evidence(self, player: str, key: str, day: date, evidence: DayEvidence | None) -> None:
        where = (player, key, day.toordinal())
        if evidence is None:
            self.connection.execute("DELETE FROM evidence WHERE player = ? AND key = ? AND day = ?", where)
        else:
            self.connection.execute(
                "INSERT OR REPLACE INTO evidence (player, key, day, body) VALUES (?,?,?,?)",
                (*where, sealed(evidence.to_json())),
            )

    def _keep(self, player: str, state: _State) -> None:
        kept = state.memory.days % KEPT_EVERY_DAYS == 0
        self.connection.execute(
            "UPDATE evidence SET memory = ?, ladder = ? WHERE player = ? AND key = ? AND day = ? "
            "AND (? OR memory IS NOT NULL)",
            (
                sealed(state.memory.to_json()) if kept else None,
                sealed(state.ladder.to_json()) if kept and state.ladder else None,
                player,
                state.memory.key,
                state.memory.last_day.toordinal(),
                kept,
            ),
        )

    def _write_state(self, player: str, key: str, state: _State) -> None:
        self.connection.execute(
            "INSERT OR REPLACE INTO states (player, key, day, memory, before, ladder, ladder_before) "
            "VALUES (?,?,?,?,?,?,?)",
            (player, key, state.memory.last_day.toordinal(), *state.row()),
        )

    def _has_day_after(self, player: str, day: date) -> bool:
        row = self.connection.execute(
            "SELECT 1 FROM days WHERE player = ? AND day > ? LIMIT 1", (player, day.toordinal())
        ).fetchone()
        return row is not None


def _memory(key: str, text: str) -> Memory:
    memory = derived(Memory.from_json, text)
    if memory.key != key:
        raise DamagedStateError(f"the memory of {key!r} is another key's")
    return memory


def _ladder(text: str | None) -> Ladder | None:
    return derived(Ladder.from_json, text) if text else None


def _by_day(
    pairs: Iterable[tuple[Rep, LoggedPassage]],
) -> Iterator[tuple[date, list[tuple[Rep, LoggedPassage]]]]:
    for day, group in itertools.groupby(pairs, key=lambda pair: pair[0].day):
        yield day, list(group)
