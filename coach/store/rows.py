"""Reps, corrections and entries as the rows of the raw tables, and back."""

from __future__ import annotations

from coach.core.log import Correction, Entry, Fault, Rep, faults_text, parse_faults
from coach.core.plain import plain_text
from coach.store.schema import DamagedLogError, Value, damage


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


# A rep whose passage was lost with a damaged page can't be read until the passage is saved again.
SELECT_REPS = (
    "SELECT reps.id, player, at_ms, utc_offset_min, passage, excerpt, tempo_bpm, goal_bpm, faults, rung_bpm, "
    "purpose, turn, listened, duration_ms FROM reps JOIN passages ON passages.id = reps.passage"
)


def rep_of(row: tuple[str, str, int, int, str, str, int, int, str | None, int, str, str, int, int]) -> Rep:
    return Rep(
        id=row[0],
        player=row[1],
        at_ms=row[2],
        utc_offset_min=row[3],
        passage=row[4],
        excerpt=row[5],
        tempo_bpm=row[6],
        goal_bpm=row[7],
        faults=_faults(row[8], row[0]),
        rung_bpm=row[9],
        purpose=row[10],
        turn=row[11],
        listened=bool(row[12]),
        duration_ms=row[13],
    )


def correction_of(row: tuple[str, str, int, str | None, int]) -> Correction:
    return Correction(row[0], row[1], row[2], _faults(row[3], row[0]), bool(row[4]))


def _faults(text: str | None, row_id: str) -> tuple[Fault, ...] | None:
    try:
        return None if text is None else parse_faults(text)
    except ValueError as error:
        raise DamagedLogError(damage("the log", f"entry {plain_text(row_id)}: {error}")) from None


def with_word(rep: Rep, word: Correction | None) -> Rep | None:
    if word is None:
        return rep
    return None if word.void else rep.rated_as(word.faults)
