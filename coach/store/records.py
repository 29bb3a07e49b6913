"""Rows of the raw tables as the JSON objects of an exported log, and back with every field checked.

Format: docs/log-format.md. Times are ISO 8601 with their zone, to the millisecond.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, get_args

from coach.ground.plain import plain_text
from coach.log.entries import EntryKind, is_id, practice_day
from coach.music.excerpt import Excerpt, LoggedPassage
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import parse_faults
from coach.store.log import checked_name
from coach.store.schema import RAW_COLUMNS, Value

NAMES = {
    "players": "player",
    "passages": "passage",
    "entries": "entry",
    "reps": "rep",
    "corrections": "correction",
}
"""Raw table to the key that names one of its entries."""


def table_of(record: dict[str, Any]) -> str | None:
    """The kind of an entry: a rep names its player and its passage too, a correction its rep."""
    for table in ("corrections", "reps", "entries", "passages", "players"):
        if NAMES[table] in record:
            return table
    return None


def iso_time(at_ms: int, utc_offset_min: int = 0) -> str:
    """A moment as ISO 8601 with its zone, to the millisecond: `2026-12-03T13:00:00.000+01:00`."""
    zone = timezone(timedelta(minutes=utc_offset_min)) if utc_offset_min else UTC
    local = datetime.fromtimestamp(at_ms // 1000, zone).replace(microsecond=at_ms % 1000 * 1000)
    return local.isoformat(timespec="milliseconds")


def parse_time(text: str) -> tuple[int, int]:
    """The inverse of `iso_time`: UTC in ms and offset in minutes; ValueError without a zone."""
    moment = datetime.fromisoformat(text)
    offset = moment.utcoffset()
    if offset is None:
        raise ValueError(
            f"{plain_text(text, 40)!r} has no zone; expected as in 2026-12-03T13:00:00.000+01:00"
        )
    whole_s = round((moment.replace(microsecond=0) - _EPOCH).total_seconds())
    return whole_s * 1000 + moment.microsecond // 1000, round(offset.total_seconds() / 60)


LONE_SURROGATE = re.compile("[\ud800-\udfff]")
MOST_BRACKETS = 200
"""In an entry's body: our own have a few, and a depth of many can't be read back."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _write_player(row: Sequence[Any]) -> dict[str, Any]:
    return {"player": row[0], "name": row[1], "named": iso_time(row[2])}


def _write_passage(row: Sequence[Any]) -> dict[str, Any]:
    return {"passage": row[0], "body": json.loads(row[2])}


def _write_entry(row: Sequence[Any]) -> dict[str, Any]:
    return {"entry": row[0], "player": row[1], "at": iso_time(row[2], row[3]), "kind": row[4], "body": row[5]}


def _write_rep(row: Sequence[Any]) -> dict[str, Any]:
    names = RAW_COLUMNS["reps"]
    facts = dict(zip(names, row, strict=True))
    return {
        "rep": facts["id"],
        "player": facts["player"],
        "at": iso_time(facts["at_ms"], facts["utc_offset_min"]),
        **{name: facts[name] for name in names[names.index("passage") :]},
        "listened": bool(facts["listened"]),
    }


def _write_correction(row: Sequence[Any]) -> dict[str, Any]:
    return {
        "correction": row[0],
        "rep": row[1],
        "player": row[2],
        "at": iso_time(row[3]),
        "faults": row[4],
        "void": bool(row[5]),
    }


def _id(record: dict[str, Any], name: str) -> str:
    text = record[name]
    if not isinstance(text, str) or not is_id(text):
        raise ValueError(f"{name} {plain_text(str(text), 30)!r} is no id of 26 letters and digits")
    return text


def _text(record: dict[str, Any], name: str, longest: int = 200) -> str:
    text = record[name]
    if not isinstance(text, str) or len(text) > longest:
        raise ValueError(f"{name} is no text of up to {longest} letters")
    if LONE_SURROGATE.search(text):
        raise ValueError(f"{name} holds half of a character")
    return text


def _number(record: dict[str, Any], name: str, low: int, high: int) -> int:
    number = record[name]
    if not isinstance(number, int) or isinstance(number, bool) or not low <= number <= high:
        raise ValueError(f"{name} {plain_text(str(number), 30)} is no whole number from {low} to {high}")
    return number


def _rung(record: dict[str, Any]) -> int:
    return 0 if record["rung_bpm"] == 0 else _number(record, "rung_bpm", MIN_BPM, MAX_BPM)


def _flag(record: dict[str, Any], name: str) -> int:
    if not isinstance(record[name], bool):
        raise ValueError(f"{name} is neither true nor false")
    return int(record[name])


def _at(record: dict[str, Any], name: str = "at") -> tuple[int, int]:
    at_ms, offset = parse_time(_text(record, name))
    if not 0 <= at_ms < 1 << 47:
        raise ValueError(f"{name} is before 1970 or beyond belief")
    return at_ms, offset


def _faults(record: dict[str, Any]) -> str | None:
    if record["faults"] is None:
        return None
    text = _text(record, "faults", 100_000)
    parse_faults(text)
    return text


def _read_player(record: dict[str, Any]) -> tuple[Value, ...]:
    name = _text(record, "name")
    if checked_name(name) != name:
        raise ValueError("name holds characters that no name has")
    return _id(record, "player"), name, _at(record, "named")[0]


def _read_passage(record: dict[str, Any]) -> tuple[Value, ...]:
    passage = LoggedPassage.from_json(json.dumps(record["body"]))
    Excerpt.parse(passage.excerpt)
    if passage.id != record["passage"]:
        raise ValueError("its body does not fit its id")
    return passage.id, passage.excerpt, passage.to_json()


def _read_entry(record: dict[str, Any]) -> tuple[Value, ...]:
    at_ms, offset = _at(record)
    kind = _text(record, "kind")
    if kind not in get_args(EntryKind):
        raise ValueError(f"kind {plain_text(kind, 30)!r} is none of {', '.join(get_args(EntryKind))}")
    body = _text(record, "body", 100_000)
    if body.count("[") + body.count("{") > MOST_BRACKETS:
        raise ValueError("body holds lists in lists that nobody wrote")
    return _id(record, "entry"), _id(record, "player"), at_ms, offset, kind, body


def _read_rep(record: dict[str, Any]) -> tuple[Value, ...]:
    at_ms, offset = _at(record)
    return (
        _id(record, "rep"),
        _id(record, "player"),
        practice_day(at_ms, offset).toordinal(),
        at_ms,
        offset,
        _text(record, "passage", 16),
        _number(record, "tempo_bpm", MIN_BPM, MAX_BPM),
        _number(record, "goal_bpm", MIN_BPM, MAX_BPM),
        _faults(record),
        _rung(record),
        _text(record, "purpose"),
        _text(record, "turn"),
        _flag(record, "listened"),
        _number(record, "duration_ms", 0, 86_400_000),
    )


def _read_correction(record: dict[str, Any]) -> tuple[Value, ...]:
    return (
        _id(record, "correction"),
        _id(record, "rep"),
        _id(record, "player"),
        _at(record)[0],
        _faults(record),
        _flag(record, "void"),
    )


WRITE: dict[str, Callable[[Sequence[Any]], dict[str, Any]]] = {
    "players": _write_player,
    "passages": _write_passage,
    "entries": _write_entry,
    "reps": _write_rep,
    "corrections": _write_correction,
}
READ: dict[str, Callable[[dict[str, Any]], tuple[Value, ...]]] = {
    "players": _read_player,
    "passages": _read_passage,
    "entries": _read_entry,
    "reps": _read_rep,
    "corrections": _read_correction,
}
