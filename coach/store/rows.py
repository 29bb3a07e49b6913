"""Reps, corrections and entries as the rows of the raw tables, and back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from coach.ground.plain import plain_text
from coach.log.entries import Correction, Entry, Rep
from coach.music.excerpt import LoggedPassage
from coach.rating.fault import faults_text, parse_faults
from coach.store.schema import RAW_COLUMNS, DamagedLogError, Value, checksum, damage


def rep_values(rep: Rep) -> tuple[Value, ...]:
    """A rep as its raw row."""
    return (
        rep.id,
        rep.player,
        rep.day.toordinal(),
        rep.at_ms,
        rep.utc_offset_min,
        rep.passage,
        rep.tempo_bpm,
        rep.goal_bpm,
        None if rep.faults is None else faults_text(rep.faults),
        rep.rung_bpm,
        rep.purpose,
        rep.turn,
        int(rep.listened),
        rep.duration_ms,
    )


def correction_values(correction: Correction, player: str) -> tuple[Value, ...]:
    """A correction as its raw row."""
    faults = None if correction.faults is None else faults_text(correction.faults)
    return (correction.id, correction.rep, player, correction.at_ms, faults, int(correction.void))


def entry_values(entry: Entry) -> tuple[Value, ...]:
    """An entry as its raw row."""
    return (entry.id, entry.player, entry.at_ms, entry.utc_offset_min, entry.kind, entry.body)


def glob_escaped(text: str) -> str:
    """Text that a GLOB pattern takes as it stands."""
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


_RAW_REP = ", ".join(f"reps.{column}" for column in (*RAW_COLUMNS["reps"], "crc"))

SELECT_REPS = f"SELECT {_RAW_REP}, passages.excerpt FROM reps JOIN passages ON passages.id = reps.passage"
"""Rows for `rep_of`. A rep whose passage was lost with a damaged page is left out until the passage is back."""


def select_sql(table: str) -> str:
    """The statement that reads rows for `proven`."""
    return f"SELECT {', '.join((*RAW_COLUMNS[table], 'crc'))} FROM {table}"


def proven(table: str, row: Sequence[Any]) -> Sequence[Any]:
    """A raw row's columns; DamagedLogError where they don't fit the checksum at its end."""
    *values, crc = row
    if checksum(table, values) != crc:
        raise DamagedLogError(
            damage("the log", f"{table}, entry {plain_text(str(values[0]), 30)}, was changed")
        )
    return values


def rep_of(row: Sequence[Any]) -> Rep:
    """A rep from a row of `SELECT_REPS`."""
    *raw, excerpt = row
    values = proven("reps", raw)
    return Rep(
        id=values[0],
        player=values[1],
        at_ms=values[3],
        utc_offset_min=values[4],
        passage=values[5],
        excerpt=excerpt,
        tempo_bpm=values[6],
        goal_bpm=values[7],
        faults=None if values[8] is None else parse_faults(values[8]),
        rung_bpm=values[9],
        purpose=values[10],
        turn=values[11],
        listened=bool(values[12]),
        duration_ms=values[13],
    )


def correction_of(row: Sequence[Any]) -> Correction:
    """A correction from a row of its table."""
    rep_id, rep, _, at_ms, faults, void = proven("corrections", row)
    return Correction(rep_id, rep, at_ms, None if faults is None else parse_faults(faults), bool(void))


def passage_of_row(row: Sequence[Any]) -> LoggedPassage:
    """A passage from a row of its table."""
    return LoggedPassage.from_json(proven("passages", row)[2])


def with_word(rep: Rep, word: Correction | None) -> Rep | None:
    if word is None:
        return rep
    return None if word.void else rep.rated_as(word.faults)
