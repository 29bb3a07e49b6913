"""The log's repetitions as a table for a spreadsheet, one row each as it counts now."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from coach.ground.table_csv import Cell, csv_text
from coach.log.entries import iso_time
from coach.log.log import Log
from coach.music.excerpt import Excerpt
from coach.rating.counts import cells, columns, count_faults
from coach.rating.fault import faults_text

HEADER = (
    "practice_day",
    "time",
    "player",
    "drill",
    "phrase",
    "layer",
    "excerpt",
    "subject",
    "easier",
    "title",
    "tempo_bpm",
    "goal_bpm",
    "rated",
    "clean",
    *columns(),
    "faults",
    "purpose",
    "listened",
    "duration_s",
    "id",
)


def reps_csv(log: Log, players: Sequence[str]) -> str:
    """All repetitions of some players (ids)."""
    names = {player.id: player.name for player in log.players()}
    return csv_text(HEADER, (row for player in players for row in _rows(log, player, names.get(player, ""))))


def _rows(log: Log, player: str, name: str) -> Iterator[tuple[Cell, ...]]:
    for rep, passage in log.counted(player=player):
        excerpt = Excerpt.parse(rep.excerpt)
        yield (
            rep.day.isoformat(),
            iso_time(rep.at_ms, rep.utc_offset_min),
            name,
            excerpt.drill,
            "+".join(excerpt.phrases),
            excerpt.layer,
            str(excerpt.kind),
            excerpt.subject,
            excerpt.easier,
            passage.title,
            rep.tempo_bpm,
            rep.goal_bpm,
            rep.rated,
            rep.clean,
            *cells(count_faults(rep.faults or ())),
            faults_text(rep.faults or ()),
            rep.purpose,
            rep.listened,
            rep.duration_ms / 1000,
            rep.id,
        )
