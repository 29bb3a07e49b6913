"""The log's repetitions as a table for a spreadsheet, one row each as it counts now."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from coach.ground.frozen import frozen
from coach.ground.table_csv import csv_text
from coach.log.entries import Rep, iso_time
from coach.log.log import Log
from coach.music.excerpt import Excerpt, LoggedPassage
from coach.pages.parts import Column, facts_of
from coach.rating.counts import cells, columns, count_faults
from coach.rating.fault import faults_text


@frozen
class _Row:
    """A repetition, who played what, and how often each of `columns()` was marked."""

    rep: Rep
    player: str
    excerpt: Excerpt
    passage: LoggedPassage
    marked: tuple[int, ...]


def _marked(at: int) -> Callable[[_Row], int]:
    return lambda row: row.marked[at]


COLUMNS: tuple[Column[_Row], ...] = (
    Column("practice_day", lambda row: row.rep.day.isoformat()),
    Column("time", lambda row: iso_time(row.rep.at_ms, row.rep.utc_offset_min)),
    Column("player", lambda row: row.player),
    Column("drill", lambda row: row.excerpt.drill),
    Column("phrase", lambda row: "+".join(row.excerpt.phrases)),
    Column("layer", lambda row: row.excerpt.layer),
    Column("excerpt", lambda row: str(row.excerpt.kind)),
    Column("subject", lambda row: row.excerpt.subject),
    Column("easier", lambda row: row.excerpt.easier),
    Column("title", lambda row: row.passage.title),
    Column("tempo_bpm", lambda row: row.rep.tempo_bpm),
    Column("goal_bpm", lambda row: row.rep.goal_bpm),
    Column("rated", lambda row: row.rep.rated),
    Column("clean", lambda row: row.rep.clean),
    *(Column(name, _marked(at)) for at, name in enumerate(columns())),
    Column("faults", lambda row: faults_text(row.rep.faults or ())),
    Column("purpose", lambda row: row.rep.purpose),
    Column("listened", lambda row: row.rep.listened),
    Column("duration_s", lambda row: row.rep.duration_ms / 1000),
    Column("id", lambda row: row.rep.id),
)


def reps_csv(log: Log, players: Sequence[str]) -> str:
    """All repetitions of some players (ids)."""
    names = {player.id: player.name for player in log.players()}
    rows = (row for player in players for row in _rows(log, player, names.get(player, "")))
    return csv_text(
        [column.key for column in COLUMNS], (list(facts_of(COLUMNS, row).values()) for row in rows)
    )


def _rows(log: Log, player: str, name: str) -> Iterator[_Row]:
    for rep, passage in log.counted(player=player):
        marked = cells(count_faults(rep.faults or ()))
        yield _Row(rep, name, Excerpt.parse(rep.excerpt), passage, marked)
