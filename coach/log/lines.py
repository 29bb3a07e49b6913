"""One line of the log: a repetition, a correction, an entry, a name or a passage, with a checksum.

A line is a JSON object that ends in a line feed. Its first key names the kind and holds the id, `at` the moment with
its zone, the others are the record's fields (`coach.ground.codec`). The last key, `crc`, is the CRC-32 of all bytes of
the line before `,"crc"`, in eight hexadecimal digits: a changed line is told from a whole one without reading it.
"""

from __future__ import annotations

import json
import re
import zlib
from collections.abc import Iterator
from typing import Any

from coach.ground.codec import Read, UnfitError, plain_of, reader
from coach.ground.plain import json_text
from coach.log.entries import Correction, Entry, Named, Rep, iso_time, parse_time
from coach.music.excerpt import Excerpt, LoggedPassage

Record = Rep | Correction | Entry | Named | LoggedPassage

KINDS: dict[str, type[Record]] = {
    "rep": Rep,
    "correction": Correction,
    "entry": Entry,
    "named": Named,
    "passage": LoggedPassage,
}
REP_STARTS = b'{"rep":"'
ID_AT = slice(len(REP_STARTS), len(REP_STARTS) + 26)
"""Where a repetition's line holds its id,"""
_PLAYER_FROM = ID_AT.stop + len('","at":"2026-12-03T13:00:00.000+01:00","player":"')
PLAYER_AT = slice(_PLAYER_FROM, _PLAYER_FROM + 26)
"""and its player's: the lines that the log writes have their keys in one order."""
PASSAGE_STARTS = b'{"passage":"'
PASSAGE_ID_AT = slice(len(PASSAGE_STARTS), len(PASSAGE_STARTS) + 16)
"""Where a passage's line holds its id."""
LINE_STARTS = tuple(b'{"%s":"' % name.encode() for name in KINDS)
"""How every line begins."""
_NAMES = {kind: name for name, kind in KINDS.items()}
_DEEPEST = 50
_FLAT = (Correction, Named)
"""Kinds that know no local time: theirs is written in UTC."""
_END = re.compile(rb',"crc":"[0-9a-f]{8}"\}')
_END_BYTES = len(b',"crc":"00000000"}')
_decode = json.JSONDecoder().raw_decode


def line_of(record: Record) -> bytes:
    """A record as its line, line feed included."""
    plain = plain_of(record)
    named: dict[str, Any] = {_NAMES[type(record)]: plain.pop("id")}
    if "at_ms" in plain:
        named["at"] = iso_time(plain.pop("at_ms"), plain.pop("utc_offset_min", 0))
    text = json_text(named | plain, separators=(",", ":"))[:-1].encode()
    return text + b',"crc":"%08x"}\n' % zlib.crc32(text)


def kind_of(record: Record) -> str:
    """The first key of a record's line."""
    return _NAMES[type(record)]


def is_whole(line: bytes) -> bool:
    """Whether a line, without its line feed, fits the checksum at its end."""
    return line.endswith(b',"crc":"%08x"}' % zlib.crc32(memoryview(line)[:-_END_BYTES]))


def fault_in(line: bytes) -> str:
    """What is wrong with a line that is not whole, as a sentence's end."""
    if not line:
        return "is empty"
    if not any(line.startswith(start) or start.startswith(line) for start in LINE_STARTS):
        return f"is not a line of the log, which begins like {REP_STARTS.decode()}01..."
    if not _END.fullmatch(line, max(len(line) - _END_BYTES, 0)):
        return "is cut off: the program or the machine stopped while writing it, or something cut it later"
    return "does not match its checksum: it was changed after it was written"


def record_of(line: bytes) -> Record:
    """The record in a whole line, without its line feed; `UnfitError` where it holds none."""
    try:
        text = line.decode()
        plain, end = _decode(text)
        if end != len(text):
            raise ValueError
        name = next(iter(plain))
        read = _READERS[name]
        del plain["crc"]
    except (ValueError, StopIteration, RecursionError, TypeError, KeyError):
        raise UnfitError(f"is not a line of the log; expected one of {', '.join(KINDS)}") from None
    plain["id"] = plain.pop(name)
    if name != "passage":
        _take_time(plain, KINDS[name] not in _FLAT)
    record: Record = read(plain)
    if isinstance(record, Entry) and not _is_shallow(record.body):
        raise UnfitError("contains nested lists that the program never writes")
    if isinstance(record, LoggedPassage):
        _check_passage(record)
    return record


def _is_shallow(value: object, depth: int = _DEEPEST) -> bool:
    """Whether there are fewer lists and blocks in each other; how deep Python reads JSON differs by its version."""
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    return depth > 0 and all(_is_shallow(part, depth - 1) for part in parts)


_READERS: dict[str, Read] = {name: reader(kind) for name, kind in KINDS.items()}


def _take_time(plain: dict[str, Any], local: bool) -> None:
    """The moment of a line as the fields that it stands for."""
    try:
        plain["at_ms"], offset_min = parse_time(plain.pop("at"))
    except KeyError:
        raise UnfitError("is missing", ("at",)) from None
    except (ValueError, TypeError, OverflowError) as error:
        raise UnfitError(f"has no valid time ({error})", ("at",)) from None
    if local:
        plain["utc_offset_min"] = offset_min


def _check_passage(passage: LoggedPassage) -> None:
    try:
        Excerpt.parse(passage.excerpt)
    except ValueError as error:
        raise UnfitError(str(error), ("excerpt",)) from None
    if LoggedPassage.of(passage.excerpt, passage.revision, passage.title, passage.events) != passage:
        raise UnfitError("its content does not match its id", ("passage",))


def lines_in(data: bytes) -> Iterator[bytes]:
    """The lines of a text that ends in a line feed, one by one, without their line feeds."""
    start = 0
    while (stop := data.find(b"\n", start)) >= 0:
        yield data[start:stop]
        start = stop + 1
