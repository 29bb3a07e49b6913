"""The log as JSON Lines, to carry it between machines and people, and the merge of such a file.

Format: docs/log-format.md. One entry a line, each with the checksum of its row, in an order that makes the same log
the same text; a head that says the version and a foot that says how many lines stood between. Merging is a union by id:
idempotent, commutative, and never changing a row that is there. An entry of a known id that says something else is
refused and named.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from coach.ground.plain import json_text, plain_text
from coach.ground.problem import CoachError, Problem
from coach.music.excerpt import LoggedPassage
from coach.store.derive import keys_of
from coach.store.log import Log
from coach.store.records import NAMES, READ, WRITE, iso_time, table_of
from coach.store.schema import (
    NOTE_LOST_PASSAGES,
    PASSAGES_ARE_MISSING,
    RAW_COLUMNS,
    Value,
    checksum,
    name_the_nameless,
    told,
    transaction,
)

FORMAT = "log"
VERSION = 1
LONGEST_LINE = 4_000_000
MOST_PROBLEMS = 200
REBUILD_FROM_DAYS = 40
"""With more touched days than this a whole replay is quicker than going back for each."""


@dataclass
class Merged:
    """What a merge did."""

    added: dict[str, int] = field(default_factory=lambda: dict.fromkeys(RAW_COLUMNS, 0))
    known: int = 0
    """Entries that were there already."""
    problems: list[Problem] = field(default_factory=list)
    """Lines that were not taken in, and a file that is not whole: the first of them."""
    more: int = 0
    """Such problems beyond those."""

    def tell(self, problem: Problem) -> None:
        """Note a problem; of very many, their number."""
        if len(self.problems) < MOST_PROBLEMS:
            self.problems.append(problem)
        else:
            self.more += 1


def export_lines(log: Log, players: Sequence[str], written_ms: int, program: str) -> Iterator[str]:
    """The log of some players (ids) as lines, each with its line end."""
    digest = hashlib.sha256()
    count = 0
    head = {"wellrung": FORMAT, "version": VERSION, "program": program, "written": iso_time(written_ms)}
    yield _line(head)
    marks = ",".join("?" * len(players))
    of_players = f"player IN ({marks})"
    passages = f"SELECT passage FROM reps WHERE {of_players}"
    chosen = {
        "players": (f"id IN ({marks})", players),
        "passages": (f"id IN ({passages})", players),
        "entries": (of_players, players),
        "reps": (of_players, players),
        "corrections": (of_players, players),
    }
    with told(log.path):
        for table, (where, values) in chosen.items():
            columns = ",".join(RAW_COLUMNS[table])
            rows = log.connection.execute(f"SELECT {columns} FROM {table} WHERE {where} ORDER BY id", values)
            for row in rows:
                text = _line(WRITE[table](row) | {"crc": f"{checksum(table, row):08x}"})
                digest.update(text.encode())
                count += 1
                yield text
    yield _line({"end": count, "sha256": digest.hexdigest()})


def merge_lines(log: Log, lines: Iterable[bytes], where: str) -> Merged:
    """Take in an exported log, all in one transaction.

    Good entries are taken in even where others are not; those are named in `problems`. CoachError where it is no
    exported log or a newer one.
    """
    merged = Merged()
    touched: dict[str, dict[date, set[str]]] = defaultdict(lambda: defaultdict(set))
    with told(log.path), transaction(log.connection):
        foot: dict[str, Any] | None = None
        digest, count, number = hashlib.sha256(), 0, 0
        for number, raw in enumerate(lines, 1):
            if len(raw) > LONGEST_LINE:
                raise CoachError(Problem(f"a line of {len(raw)} bytes is no entry of a log", where, number))
            record = _parsed(raw, where, number, merged)
            if number == 1:
                _check_head(record, where)
            elif record is None:
                digest.update(raw)
                count += 1
            elif "end" in record:
                foot = record
                break
            else:
                digest.update(raw)
                count += 1
                _take(log, record, where, number, merged, touched)
        if not number:
            raise CoachError(Problem("is empty; an exported log was expected", where))
        _check_foot(foot, count, digest.hexdigest(), where, number, merged)
        name_the_nameless(log.connection)
        for player, days in touched.items():
            if len(days) > REBUILD_FROM_DAYS:
                log.rebuild_player(player)
            else:
                log.refresh(player, days)
        log.connection.execute(NOTE_LOST_PASSAGES)
    return merged


def _take(
    log: Log,
    record: dict[str, Any],
    where: str,
    number: int,
    merged: Merged,
    touched: dict[str, dict[date, set[str]]],
) -> None:
    """One entry into the raw tables; what it touches is noted for the derived ones."""
    table = table_of(record)
    try:
        if table is None:
            raise ValueError("is no kind of entry that version 1 knows")
        values = READ[table](record)
        if str(record.get("crc", "")) != f"{checksum(table, values):08x}":
            raise ValueError(
                "does not fit its checksum: it was changed after the export, by hand or on the way"
            )
    except (ValueError, KeyError, TypeError, OverflowError) as error:
        what = f"{NAMES[table]} {plain_text(str(record[NAMES[table]]), 30)}" if table else "the line"
        reason = f"{error.args[0]!r} is missing" if isinstance(error, KeyError) else str(error)
        merged.tell(Problem(f"{what}: {reason}; not taken in", where, number))
        return
    if table == "players":
        _take_player(log, values, merged)
    elif table == "passages":
        passage = LoggedPassage.from_json(str(values[2]))
        if log.add_passage(passage):
            merged.added[table] += 1
        else:
            merged.known += 1
    elif log.insert(table, values):
        merged.added[table] += 1
        _touch(log, table, values, touched)
    else:
        columns = ",".join(RAW_COLUMNS[table])
        known = log.connection.execute(f"SELECT {columns} FROM {table} WHERE id = ?", (values[0],)).fetchone()
        if tuple(known) == tuple(values):
            merged.known += 1
        else:
            merged.tell(
                Problem(
                    f"{NAMES[table]} {values[0]} is in the log already and says something else there; "
                    "the one in the log stays",
                    where,
                    number,
                )
            )


def _take_player(log: Log, values: Sequence[Value], merged: Merged) -> None:
    """A player; of two names for one id the later stands, of two at one moment the one later in the alphabet."""
    if log.insert("players", values):
        merged.added["players"] += 1
        return
    merged.known += 1
    player_id, name, at_ms = values
    known = log.connection.execute("SELECT at_ms, name FROM players WHERE id = ?", (player_id,)).fetchone()
    if (at_ms, name) > tuple(known):
        log.connection.execute(
            "UPDATE players SET name = ?, at_ms = ?, crc = ? WHERE id = ?",
            (name, at_ms, checksum("players", values), player_id),
        )


def _touch(log: Log, table: str, values: Sequence[Value], touched: dict[str, dict[date, set[str]]]) -> None:
    if table == "entries":
        return
    place = log.place_of(str(values[0] if table == "reps" else values[1]))
    if place is None:
        return
    player, day, passage = place
    try:
        keys = keys_of(log.passage(passage))
    except KeyError:
        # It may stand further down in the file; then `add_passage` looks who waits for it.
        log.connection.execute(PASSAGES_ARE_MISSING)
        return
    touched[player][day] |= keys


def _parsed(raw: bytes, where: str, number: int, merged: Merged) -> dict[str, Any] | None:
    try:
        record = json.loads(raw)
        if not isinstance(record, dict):
            raise ValueError
        return record
    except (ValueError, RecursionError):
        if number > 1:
            merged.tell(Problem("the line is no JSON object; not taken in", where, number))
        return None


def _check_head(record: dict[str, Any] | None, where: str) -> None:
    kind = record.get("wellrung") if record else None
    if record is None or kind != FORMAT:
        guess = "`coach log export` writes one"
        if kind == "report":
            guess = "it is a student's report: `coach roster FOLDER` reads those"
        raise CoachError(Problem("is no exported log", where, 1, guess=guess))
    version = record.get("version")
    if not isinstance(version, int) or isinstance(version, bool) or version < 1:
        raise CoachError(
            Problem(f"version {plain_text(str(version), 20)} is none; expected {VERSION}", where, 1)
        )
    if version > VERSION:
        raise CoachError(
            Problem(
                f"was exported in version {version} of the format; this program reads version {VERSION}",
                where,
                1,
                guess="update this program; nothing was taken in",
            )
        )


def _check_foot(
    foot: dict[str, Any] | None, count: int, digest: str, where: str, number: int, merged: Merged
) -> None:
    if foot is None:
        merged.tell(
            Problem(
                "the file is cut off: its last line is missing; what stood before was taken in",
                where,
                number,
                guess="get the whole file and merge it again; nothing doubles",
            )
        )
    elif foot.get("end") != count or (foot.get("sha256") != digest and not merged.problems):
        merged.tell(
            Problem(
                f"the file was changed after the export: {count} entries stand in it, "
                f"{plain_text(str(foot.get('end')), 20)} were exported; every good entry was taken in",
                where,
                number,
            )
        )


def _line(record: dict[str, Any]) -> str:
    return json_text(record, separators=(",", ":")) + "\n"
