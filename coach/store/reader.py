"""What can be read from an open log: reps as they count now, and what follows from them.

Conventions: of a rep's corrections the latest by (time, id) decides, and a void one drops the rep. Methods that take a
`player` take a player's id; without one they mean the chosen player.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from coach.ground.problem import CoachError, Problem
from coach.learning.evidence import EXCERPT, DayEvidence
from coach.learning.ladder import Ladder
from coach.learning.memory import Memory
from coach.log.entries import Correction, Entry, Rep, practice_day
from coach.music.excerpt import LoggedPassage
from coach.store.derive import DayTotal, keys_of
from coach.store.rows import (
    SELECT_REPS,
    correction_of,
    glob_escaped,
    passage_of_row,
    proven,
    rep_of,
    select_sql,
    with_word,
)
from coach.store.schema import RAW_COLUMNS, Value, derived, told

if TYPE_CHECKING:
    from coach.learning.planner import History


@dataclass(frozen=True, slots=True)
class Player:
    """A person who practises from this folder."""

    id: str
    name: str
    at_ms: int
    """When the name was given."""


class Reader:
    """The reading half of a log."""

    def __init__(self, connection: sqlite3.Connection, path: Path | None) -> None:
        self.connection = connection
        self.path = path
        self._passages: dict[str, LoggedPassage] = {}
        self._player: Player | None = None

    @property
    def player(self) -> Player:
        """The player whose log this is; CoachError where a read-only log has none yet."""
        if self._player is None:
            raise CoachError(
                Problem(
                    "nobody has practised here yet", str(self.path or "the log"), guess="begin with `coach`"
                )
            )
        return self._player

    @property
    def player_or_none(self) -> Player | None:
        return self._player

    def players(self) -> list[Player]:
        """Everybody in this folder, by name."""
        with told(self.path):
            rows = self.connection.execute(select_sql("players")).fetchall()
        return sorted(
            (Player(*proven("players", row)) for row in rows),
            key=lambda player: (player.name.casefold(), player.id),
        )

    def reps(
        self,
        since: date | None = None,
        until: date | None = None,
        drill: str = "",
        player: str = "",
    ) -> list[Rep]:
        """The player's reps from `since` to `until` (both included) as they count now, in order of (time, id).

        `drill` is a drill's id, `player` a player's id (default: the chosen player).
        """
        pairs = self.counted(player or self.player.id, since or date.min, until or date.max, drill)
        return sorted((rep for rep, _ in pairs), key=lambda rep: (rep.at_ms, rep.id))

    def counted(
        self, player: str, first: date, last: date, drill: str = ""
    ) -> Iterator[tuple[Rep, LoggedPassage]]:
        """A player's reps that count, with their passages, one by one in order of (day, at_ms, id)."""
        where = "player = ? AND day BETWEEN ? AND ?"
        values: list[Value] = [player, first.toordinal(), last.toordinal()]
        if drill:
            where += " AND passage IN (SELECT id FROM passages WHERE excerpt GLOB ?)"
            values.append(f"{glob_escaped(drill)}:*")
        with told(self.path):
            words = self._corrections(
                f"SELECT rep FROM corrections WHERE rep IN (SELECT id FROM reps WHERE {where})", values
            )
            rows = self.connection.execute(
                f"{SELECT_REPS} WHERE {where} ORDER BY day, at_ms, reps.id", values
            )
            for row in rows:
                rep = with_word(rep_of(row), words.get(row[0]))
                if rep is not None:
                    yield rep, self.passage(rep.passage)

    def latest_ms(self, day: date, player: str = "") -> int:
        """When the player's last rep of a practice day was logged, in UTC ms; 0 where there is none."""
        values = (player or self.player.id, day.toordinal())
        with told(self.path):
            row = self.connection.execute("SELECT max(at_ms) FROM reps WHERE player = ? AND day = ?", values)
            return int(row.fetchone()[0] or 0)

    def rep(self, rep_id: str) -> Rep | None:
        """One rep as it counts now; None where it was never logged or is void."""
        original = self.original(rep_id)
        return self._corrected(original) if original else None

    def original(self, rep_id: str) -> Rep | None:
        """One rep as it was first rated; None where it was never logged."""
        with told(self.path):
            row = self.connection.execute(f"{SELECT_REPS} WHERE reps.id = ?", (rep_id,)).fetchone()
        return rep_of(row) if row else None

    def place_of(self, rep_id: str) -> tuple[str, date, str] | None:
        """A rep's player, practice day and passage, even where the passage was lost; None where it was never logged."""
        with told(self.path):
            row = self.connection.execute(f"{select_sql('reps')} WHERE id = ?", (rep_id,)).fetchone()
        return _place(proven("reps", row)) if row else None

    def places_of(self, passage_id: str) -> set[tuple[str, date]]:
        """Whoever played a passage, and on which practice days."""
        with told(self.path):
            rows = self.connection.execute(
                f"{select_sql('reps')} WHERE passage = ?", (passage_id,)
            ).fetchall()
        return {_place(proven("reps", row))[:2] for row in rows}

    def corrections(self, rep_id: str) -> list[Correction]:
        """Every later word on a rep, the one that counts last."""
        with told(self.path):
            rows = self.connection.execute(
                f"{select_sql('corrections')} WHERE rep = ? ORDER BY at_ms, id", (rep_id,)
            ).fetchall()
        return [correction_of(row) for row in rows]

    def passage(self, passage_id: str) -> LoggedPassage:
        """What a rep played; KeyError where it is unknown."""
        if passage_id in self._passages:
            return self._passages[passage_id]
        with told(self.path):
            row = self.connection.execute(f"{select_sql('passages')} WHERE id = ?", (passage_id,)).fetchone()
        if row is None:
            raise KeyError(passage_id)
        self._passages[passage_id] = passage_of_row(row)
        return self._passages[passage_id]

    def memories(self, player: str = "") -> dict[str, Memory]:
        """What is remembered of every node, move and excerpt the player has practised, by key of evidence."""
        with told(self.path):
            rows = self.connection.execute(
                "SELECT key, memory FROM states WHERE player = ?", (player or self.player.id,)
            )
            return {key: derived(Memory.from_json, text) for key, text in rows}

    def ladders(self, player: str = "") -> dict[str, Ladder]:
        """Every ladder the player has begun, by excerpt key."""
        with told(self.path):
            rows = self.connection.execute(
                "SELECT key, ladder FROM states WHERE player = ? AND ladder IS NOT NULL",
                (player or self.player.id,),
            )
            return {key.removeprefix(EXCERPT): derived(Ladder.from_json, text) for key, text in rows}

    def evidence(
        self, prefix: str, since: date | None = None, until: date | None = None, player: str = ""
    ) -> list[DayEvidence]:
        """The player's evidence of every key that begins so, in order of (key, day).

        `n:` is all nodes, `x:lanterns:` all excerpts of a drill.
        """
        values = (
            player or self.player.id,
            prefix,
            prefix + "\U0010ffff",
            (since or date.min).toordinal(),
            (until or date.max).toordinal(),
        )
        with told(self.path):
            rows = self.connection.execute(
                "SELECT body FROM evidence WHERE player = ? AND key >= ? AND key < ? AND day BETWEEN ? AND ? "
                "ORDER BY key, day",
                values,
            )
            return [derived(DayEvidence.from_json, body) for (body,) in rows]

    def evidence_of(self, key: str, since: date, until: date, player: str = "") -> list[DayEvidence]:
        """The evidence of one key from `since` to `until`, in order of days."""
        values = (player or self.player.id, key, since.toordinal(), until.toordinal())
        with told(self.path):
            rows = self.connection.execute(
                "SELECT body FROM evidence WHERE player = ? AND key = ? AND day BETWEEN ? AND ? ORDER BY day",
                values,
            )
            return [derived(DayEvidence.from_json, body) for (body,) in rows]

    def titles(self) -> dict[str, str]:
        """The title of every excerpt that was ever logged, by excerpt key; of several the latest logged."""
        with told(self.path):
            rows = self.connection.execute(
                "SELECT excerpt, json_extract(body, '$.title') FROM passages ORDER BY rowid"
            )
            return {excerpt: str(title) for excerpt, title in rows}

    def keys_in_drill(self, drill: str) -> set[str]:
        """Every key of evidence that a logged repetition of this drill could touch."""
        with told(self.path):
            rows = self.connection.execute(
                f"{select_sql('passages')} WHERE excerpt GLOB ?", (f"{glob_escaped(drill)}:*",)
            )
            return {key for row in rows for key in keys_of(passage_of_row(row))}

    def days(self, since: date | None = None, until: date | None = None, player: str = "") -> list[DayTotal]:
        """What each practice day came to, in order."""
        values = (
            player or self.player.id,
            (since or date.min).toordinal(),
            (until or date.max).toordinal(),
        )
        with told(self.path):
            rows = self.connection.execute(
                "SELECT day, body FROM days WHERE player = ? AND day BETWEEN ? AND ? ORDER BY day",
                values,
            )
            return [derived(partial(_total, day), body) for day, body in rows]

    def history(self, day: date, player: str = "") -> History:
        """What the planner needs of the four weeks up to a day: minutes by day, drills set aside, and when it hurt."""
        from coach.learning.planner import History
        from coach.learning.repertoire import BETWEEN_REPS_S

        totals = self.days(since=day - timedelta(days=28), until=day, player=player)
        aside: set[str] = set()
        hurt: set[date] = set()
        for entry in self.entries(player=player):
            if entry.kind in ("set-aside", "take-up"):
                drill = _drill_in(entry)
                aside = aside | {drill} if entry.kind == "set-aside" else aside - {drill}
            elif entry.kind == "hurt":
                hurt.add(practice_day(entry.at_ms, entry.utc_offset_min))
        minutes = {
            total.day: (total.duration_ms / 1000 + total.reps * BETWEEN_REPS_S) / 60 for total in totals
        }
        return History(minutes, frozenset(aside), frozenset(hurt))

    def entries(self, kind: str = "", player: str = "") -> list[Entry]:
        """The player's other entries, all or of one kind, in order of (time, id)."""
        values = [player or self.player.id] + ([kind] if kind else [])
        with told(self.path):
            rows = self.connection.execute(
                f"{select_sql('entries')} WHERE player = ?{' AND kind = ?' if kind else ''} ORDER BY at_ms, id",
                values,
            ).fetchall()
        return [Entry(*proven("entries", row)) for row in rows]

    def _corrected(self, rep: Rep) -> Rep | None:
        words = self.corrections(rep.id)
        return with_word(rep, words[-1] if words else None)

    def _corrections(self, chosen_sql: str, values: Sequence[Value]) -> dict[str, Correction]:
        """The word that counts for each of the chosen reps that has one."""
        rows = self.connection.execute(
            f"{select_sql('corrections')} WHERE rep IN ({chosen_sql}) ORDER BY at_ms, id",
            values,
        )
        return {row[1]: correction_of(row) for row in rows}


def _place(values: Sequence[Value]) -> tuple[str, date, str]:
    named = dict(zip(RAW_COLUMNS["reps"], values, strict=True))
    return str(named["player"]), date.fromordinal(int(named["day"] or 0)), str(named["passage"])


def _total(day: int, text: str) -> DayTotal:
    return DayTotal.from_json(date.fromordinal(day), text)


def _drill_in(entry: Entry) -> str:
    """The drill that a set-aside or take-up entry names; empty where its body names none."""
    try:
        body = json.loads(entry.body)
        return str(body["drill"])
    except (ValueError, KeyError, TypeError):
        return ""
