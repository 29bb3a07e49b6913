"""A line of the log: JSON Lines with a checksum that any program can compute, read back with everything checked."""

from __future__ import annotations

import json
import zlib
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.ground.codec import UnfitError
from coach.log.entries import Correction, Entry, Named, Rep, Suggestion, iso_time, new_id, parse_time
from coach.log.lines import ID_AT, PLAYER_AT, fault_in, is_whole, kind_of, line_of, lines_in, record_of
from tests.logs import A_CHOKE, FAULTS, NOON, PASSAGE, id_at

PLAYER = id_at(NOON, "player")
CRC = b',"crc"'
AT_NOON = "2026-12-03T13:00:00.000+00:00"


def a_rep(**changes: Any) -> Rep:
    facts: dict[str, Any] = {
        "id": id_at(NOON),
        "player": PLAYER,
        "at_ms": NOON + 7,
        "utc_offset_min": 60,
        "passage": PASSAGE.id,
        "excerpt": PASSAGE.excerpt,
        "tempo_bpm": 52,
        "goal_bpm": 76,
        "faults": A_CHOKE,
    }
    return Rep(**{**facts, **changes})


RECORDS = (
    a_rep(),
    a_rep(rung_bpm=50, purpose="climb", turn=id_at(NOON, "turn"), listened=True, duration_ms=9000),
    a_rep(
        faults=None,
        suggestions=(Suggestion(2, "choked", 0.8, "pedal"), Suggestion(3, "clean", 1, "microphone")),
    ),
    Correction(id_at(NOON, "c"), id_at(NOON), NOON + 9, None, void=True),
    Correction(id_at(NOON, "d"), id_at(NOON), NOON + 9, ()),
    Entry(id_at(NOON, "e"), PLAYER, NOON, -330, "note", {"text": "Schöne Töne\x1b \u202e \ud800"}),
    Entry(id_at(NOON, "f"), PLAYER, NOON, 0, "hurt"),
    Named(PLAYER, PLAYER, NOON, "Björk"),
    PASSAGE,
)


@pytest.mark.parametrize("record", RECORDS, ids=range(len(RECORDS)))
def test_a_record_comes_back_from_its_line(record: Any) -> None:
    line = line_of(record)
    assert line.endswith(b"\n")
    assert line.count(b"\n") == 1
    assert is_whole(line[:-1])
    assert record_of(line[:-1]) == record


@given(
    st.integers(0, 2**47 - 1),
    st.integers(-1439, 1439),
    st.sampled_from(FAULTS),
    st.integers(20, 300),
    st.booleans(),
)
def test_any_rep_comes_back_from_its_line(
    at_ms: int, offset: int, faults: Any, bpm: int, listened: bool
) -> None:
    rep = a_rep(at_ms=at_ms, utc_offset_min=offset, faults=faults, tempo_bpm=bpm, listened=listened)
    assert record_of(line_of(rep)[:-1]) == rep


def test_a_line_is_json_with_the_crc_32_of_all_before_it_and_the_time_of_iso_8601() -> None:
    line = line_of(a_rep())
    plain = json.loads(line)
    assert list(plain)[:3] == ["rep", "at", "player"]
    assert plain["at"] == "2026-12-03T13:00:00.007+01:00"
    assert list(plain)[-1] == "crc"
    assert plain["crc"] == f"{zlib.crc32(line.partition(CRC)[0]):08x}"
    assert plain["faults"] == "2c:lift"
    assert "listened" not in plain
    assert line[ID_AT].decode() == a_rep().id
    assert line[PLAYER_AT].decode() == PLAYER
    assert [kind_of(record) for record in RECORDS[3:]] == [
        *("correction", "correction", "entry", "entry", "named", "passage")
    ]


def test_no_line_holds_what_a_terminal_obeys() -> None:
    line = line_of(RECORDS[5]).decode()
    assert not any(sign in line for sign in "\x1b\u202e")
    assert "Schöne Töne" in line


@pytest.mark.parametrize("at", range(0, 300, 7))
def test_a_flipped_bit_anywhere_makes_a_line_unwhole(at: int) -> None:
    line = bytearray(line_of(RECORDS[1])[:-1])
    line[at % len(line)] ^= 4
    assert not is_whole(bytes(line))


def test_what_is_wrong_with_a_line_is_told_apart() -> None:
    line = line_of(a_rep())[:-1]
    assert fault_in(line[:-1]).startswith("is cut off")
    assert fault_in(line[:40]).startswith("is cut off")
    assert fault_in(line.replace(b"lift", b"lifs")).startswith("does not match its checksum")
    assert fault_in(line[:3]).startswith("is cut off")
    assert fault_in(b"") == "is empty"
    for text in (b"a shopping list", b'{"reps": 3}', b"\0" * 80, line[40:]):
        assert fault_in(text).startswith('is not a line of the log, which begins like {"rep":"01')
    assert not is_whole(b"")
    assert not is_whole(line[:-1])
    assert not is_whole(line + b" ")


def sealed(plain: dict[str, Any]) -> bytes:
    start = json.dumps(plain, separators=(",", ":")).encode()[:-1]
    return start + b',"crc":"%08x"}' % zlib.crc32(start)


def plain_rep(**changes: Any) -> dict[str, Any]:
    plain = json.loads(line_of(a_rep()))
    del plain["crc"]
    return {**plain, **changes}


@pytest.mark.parametrize(
    ("plain", "message"),
    [
        ({"repetition": "x"}, "is not a line of the log; expected one of rep, correction, entry, named, passage"),
        (plain_rep(tempo_bpm=1200), "tempo_bpm: found 1200, expected a whole number from 20 to 300"),
        (plain_rep(faults="2x"), "faults: '2x' is not a result"),
        (plain_rep(player="me"), "player: found 'me', expected an id of 26 letters and digits"),
        (plain_rep(rep="me"), "id: found 'me', expected an id of 26"),
        (plain_rep(at="yesterday"), "at: has no valid time"),
        (plain_rep(at="2026-12-03T13:00:00.000"), "has no zone"),
        (plain_rep(at=7), "at: has no valid time"),
        (plain_rep(at="1969-12-03T13:00:00.000+00:00"), "at_ms: found -"),
        (plain_rep(excerpt="x"), "excerpt: found 'x', expected drill:phrases"),
        (plain_rep(duration_ms=-1), "duration_ms: found -1"),
        (plain_rep(tempo=3), "unknown key 'tempo' (tempo_bpm?)"),
        ({key: value for key, value in plain_rep().items() if key != "at"}, "at: is missing"),
        ({"named": PLAYER, "at": AT_NOON, "player": PLAYER, "name": " Ada"}, "name: found ' Ada'"),
        ({"named": PLAYER, "at": AT_NOON, "player": PLAYER, "name": ""}, "name: found ''"),
        ({"passage": "0" * 16, "excerpt": PASSAGE.excerpt, "revision": "r", "title": "t", "events": []},
         "passage: its content does not match its id"),
        ({"passage": "0" * 16, "excerpt": "x", "revision": "r", "title": "t", "events": []},
         "excerpt: 'x' is not an excerpt key"),
        ({"entry": PLAYER, "at": AT_NOON, "player": PLAYER, "kind": "diary"},
         "kind: found 'diary', expected 'sitting'"),
    ],
)  # fmt: skip
def test_a_whole_line_that_says_what_nobody_can_is_told(plain: dict[str, Any], message: str) -> None:
    line = sealed(plain)
    assert is_whole(line)
    with pytest.raises(UnfitError) as caught:
        record_of(line)
    assert message in str(caught.value)


@pytest.mark.parametrize(
    "text", [b"", b"x", b"[]", b"7", b"{}", b"[" * 100_000, b'{"rep":', b"\xff", b'{"rep":1} ']
)
def test_what_is_no_object_is_no_line(text: bytes) -> None:
    with pytest.raises(UnfitError, match="is not a line of the log"):
        record_of(text)


def test_what_follows_the_object_makes_it_no_line() -> None:
    with pytest.raises(UnfitError, match="is not a line of the log"):
        record_of(line_of(a_rep())[:-1] + b" {}")


def test_lists_in_lists_are_told() -> None:
    deep = b'{"entry":"%s","at":"2026-12-03T13:00:00.000+00:00","player":"%s","kind":"note","body":{"a":' % (
        PLAYER.encode(),
        PLAYER.encode(),
    )
    for depth in (60, 5000):
        with pytest.raises(UnfitError, match=r"nested lists|is not a line"):
            record_of(deep + b"[" * depth + b"]" * depth + b'},"crc":"00000000"}')
    assert record_of(deep + b"[" * 40 + b"]" * 40 + b'},"crc":"00000000"}')


def test_lines_end_in_a_line_feed() -> None:
    assert list(lines_in(b"a\nbc\n\nd")) == [b"a", b"bc", b""]
    assert list(lines_in(b"")) == []


@given(st.integers(0, 127_000_000_000_000), st.integers(-1439, 1439))
def test_times_come_back_to_the_millisecond_with_their_zone(at_ms: int, offset_min: int) -> None:
    text = iso_time(at_ms, offset_min)
    assert parse_time(text) == (at_ms, offset_min)
    assert round(datetime.fromisoformat(text).timestamp() * 1000) == at_ms


def test_the_least_and_the_greatest_id() -> None:
    assert new_id(0, bytes(10)) == "0" * 26
    assert new_id((1 << 48) - 1, b"\xff" * 10) == "7" + "Z" * 25
