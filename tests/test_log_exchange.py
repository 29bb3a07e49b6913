"""Carrying the log between machines: nothing is lost, nothing doubles, and what is not whole is told."""

from __future__ import annotations

import itertools
import json
import random
from collections.abc import Iterable
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.ground.problem import CoachError
from coach.log.entries import Correction, Entry
from coach.store import schema
from coach.store.exchange import Merged, export_lines, merge_lines
from coach.store.log import Log
from coach.store.records import iso_time, parse_time
from tests.test_store import DAY, NOON, PASSAGE, id_at, rep_at
from tests.test_store_derived import FAULTS, OTHER, assert_equal_to_a_replay, derived_rows

HERE = "her.jsonl"


def memory_log(name: str = "") -> Log:
    connection = schema.connect(None)
    schema.prepare(connection, None, "")
    log = Log(connection, None)
    log.use_folds(None)
    if name:
        log.choose_player(name, NOON)
    return log


def exported(log: Log) -> list[bytes]:
    players = [player.id for player in log.players()]
    return [line.encode() for line in export_lines(log, players, NOON, "0.1.0")]


def raw_rows(log: Log) -> dict[str, list[tuple[object, ...]]]:
    return {
        table: log.connection.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()
        for table in schema.RAW_COLUMNS
    }


def practised(name: str, seed: int, reps: int = 12) -> Log:
    rng = random.Random(seed)
    log = memory_log(name)
    for number in range(reps):
        at = NOON + rng.randrange(20) * DAY + number
        passage = rng.choice([PASSAGE, OTHER])
        rep = rep_at(log, at, rng.choice(FAULTS), passage, rng.choice([48, 52, 60]))
        log.save_rep(rep, passage)
        if rng.random() < 0.3:
            log.correct(Correction(id_at(at, "c"), rep.id, at + 1, rng.choice(FAULTS), rng.random() < 0.5))
    log.add_entry(Entry(id_at(NOON, "e"), log.player.id, NOON, 60, "note", '{"text":"Schöne Töne"}'))
    return log


def merged_into(log: Log, lines: Iterable[bytes]) -> Merged:
    return merge_lines(log, lines, HERE)


def test_an_export_merged_into_an_empty_log_is_the_same_log() -> None:
    source, copy = practised("Ada", 1), memory_log()
    result = merged_into(copy, exported(source))
    assert raw_rows(copy) == raw_rows(source)
    assert derived_rows(copy) == derived_rows(source)
    assert exported(copy) == exported(source)
    assert (result.added["reps"], result.known, result.problems) == (12, 0, [])


def test_in_whatever_order_the_lines_stand_the_log_says_the_same() -> None:
    source = practised("Ada", 4)
    head, *inside, foot = exported(source)
    for seed in range(4):
        random.Random(seed).shuffle(inside)
        copy = memory_log()
        merged_into(copy, [head, *inside, foot])
        assert raw_rows(copy) == raw_rows(source)
        assert_equal_to_a_replay(copy)
        assert derived_rows(copy) == derived_rows(source)


def test_an_entry_that_could_not_be_read_back_is_not_taken_in() -> None:
    source = memory_log("Ada")
    for number, body in enumerate(("[" * 50_000, '{"drill": "x", "list": [1, [2]]}')):
        source.add_entry(Entry(id_at(NOON, number), source.player.id, NOON, 60, "set-aside", body))
    copy = memory_log()
    merged = merged_into(copy, exported(source))
    assert merged.problems[0].message.endswith("nobody wrote; not taken in")
    assert merged.added["entries"] == 1


def test_merging_again_changes_nothing() -> None:
    source, copy = practised("Ada", 2), memory_log()
    for _ in range(2):
        result = merged_into(copy, exported(source))
    assert sum(result.added.values()) == 0
    assert raw_rows(copy) == raw_rows(source)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_the_order_of_merging_makes_no_difference_and_no_rep_is_lost_or_doubled(seed: int) -> None:
    # Two machines of one player: they share the first half, then each goes on alone.
    base = practised("Ada", seed, 6)
    shared = exported(base)
    files = []
    for machine in range(2):
        log = memory_log()
        merged_into(log, shared)
        log.choose_player("Ada", NOON)
        rng = random.Random(seed + machine)
        for number in range(5):
            at = NOON + rng.randrange(25) * DAY + 1000 * (machine + 1) + number
            log.save_rep(rep_at(log, at, rng.choice(FAULTS)), PASSAGE)
        rep = rng.choice(base.reps() or log.reps())
        log.correct(Correction(id_at(NOON, machine), rep.id, NOON + 90 * DAY + machine, FAULTS[2]))
        files.append(exported(log))
    results = []
    for order in itertools.permutations(files):
        log = memory_log()
        for lines in (*order, shared):
            merged_into(log, lines)
        assert_equal_to_a_replay(log)
        results.append((raw_rows(log), derived_rows(log)))
    assert results[0] == results[1]
    ids = {row[0] for row in results[0][0]["reps"]}
    assert len(ids) == 6 + 5 + 5


def test_a_merge_into_a_long_log_replays_to_the_digit() -> None:
    log = memory_log("Ada")
    for day in range(70):
        log.save_rep(rep_at(log, NOON + day * DAY, FAULTS[day % 5]), PASSAGE)
    other = memory_log()
    merged_into(other, exported(log))
    other.choose_player("Ada", NOON)
    late = rep_at(other, NOON + 30 * DAY + 7, FAULTS[2])
    other.save_rep(late, PASSAGE)
    assert merged_into(log, exported(other)).added["reps"] == 1
    assert_equal_to_a_replay(log)


def test_two_players_stay_apart_and_can_be_exported_alone() -> None:
    log = practised("Ada", 3)
    merged_into(log, exported(practised("Ben", 4)))
    ben = next(player for player in log.players() if player.name == "Ben")
    text = "".join(export_lines(log, [ben.id], NOON, "0.1.0"))
    assert "Ada" not in text
    alone = memory_log()
    merged_into(alone, text.encode().splitlines(keepends=True))
    assert [player.name for player in alone.players()] == ["Ben"]
    assert len(raw_rows(alone)["reps"]) == 12


def test_the_later_name_of_a_player_stands_whichever_file_comes_first() -> None:
    old = practised("Ada", 5)
    lines = exported(old)
    old.rename_player("Ada B.", NOON + DAY)
    for files in ((lines, exported(old)), (exported(old), lines)):
        log = memory_log()
        for file in files:
            merged_into(log, file)
        assert [player.name for player in log.players()] == ["Ada B."]


def test_a_file_cut_off_in_the_middle_gives_what_it_holds_and_is_told() -> None:
    source, copy = practised("Ada", 6), memory_log()
    whole = b"".join(exported(source))
    cut = whole[: len(whole) * 2 // 3]
    result = merged_into(copy, cut.splitlines(keepends=True))
    assert "the file is cut off" in result.problems[-1].message
    assert 0 < result.added["reps"] < 12
    assert merged_into(copy, exported(source)).problems == []
    assert raw_rows(copy) == raw_rows(source)


def test_a_line_edited_by_hand_is_named_and_the_others_are_taken_in() -> None:
    source, copy = practised("Ada", 7), memory_log()
    lines = exported(source)
    number = next(index for index, line in enumerate(lines) if b'"rep"' in line[:8])
    lines[number] = lines[number].replace(b'"goal_bpm":76', b'"goal_bpm":70')
    result = merged_into(copy, lines)
    assert [problem.line for problem in result.problems] == [number + 1]
    assert "does not fit its checksum: it was changed after the export" in str(result.problems[0])
    assert result.added["reps"] == 11


def test_a_removed_line_is_noticed_by_the_count() -> None:
    lines = exported(practised("Ada", 8))
    del lines[-4]
    (problem,) = merged_into(memory_log(), lines).problems
    assert "the file was changed after the export" in problem.message


def test_an_entry_of_a_known_id_that_says_something_else_is_refused_and_the_known_one_stays() -> None:
    source, copy = practised("Ada", 9), memory_log()
    merged_into(copy, exported(source))
    before = raw_rows(copy)
    forged = memory_log()
    merged_into(forged, exported(source))
    row = forged.connection.execute("SELECT * FROM reps LIMIT 1").fetchone()
    values = (*row[:7], 99, *row[8:-1])
    forged.connection.execute(
        "UPDATE reps SET goal_bpm = 99, crc = ? WHERE id = ?", (schema.checksum("reps", values), row[0])
    )
    result = merged_into(copy, exported(forged))
    assert "is in the log already and says something else there" in str(result.problems[0])
    assert raw_rows(copy) == before


def test_reps_whose_player_or_passage_line_is_missing_are_kept() -> None:
    lines = exported(practised("Ada", 10))
    kept = [line for line in lines if not line.startswith((b'{"player"', b'{"passage"'))]
    log = memory_log()
    assert merged_into(log, kept).added["reps"] == 12
    assert log.players()[0].name.startswith("recovered")
    merged_into(log, lines)
    assert [player.name for player in log.players()] == ["Ada"]
    assert len(raw_rows(log)["reps"]) == 12
    assert_equal_to_a_replay(log)
    log.choose_player("Ada", NOON)
    assert log.reps()


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ([], "is empty; an exported log was expected"),
        ([b"hello\n"], "is no exported log"),
        ([b'{"wellrung":"report","version":1}\n'], "is no exported log.*student's report"),
        (
            [b'{"wellrung":"log","version":2}\n'],
            "exported in version 2.*reads version 1.*update this program",
        ),
        ([b'{"wellrung":"log","version":"x"}\n'], "version x is none; expected 1"),
        ([b'{"wellrung":"log","version":1}\n', b"x" * 4_000_001], "a line of 4000001 bytes"),
    ],
)
def test_a_file_that_is_no_log_of_this_version_is_refused(lines: list[bytes], message: str) -> None:
    log = memory_log()
    with pytest.raises(CoachError, match=message):
        merged_into(log, lines)
    assert raw_rows(log)["reps"] == []


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"at": "2026-12-03T13:00:00"}, "has no zone"),
        ({"at": "yesterday"}, "Invalid isoformat"),
        ({"tempo_bpm": 0}, "tempo_bpm 0 is no whole number from 20 to 300"),
        ({"tempo_bpm": "60"}, "tempo_bpm 60 is no whole number"),
        ({"faults": "2x"}, "'2x' is no result"),
        ({"player": "../etc"}, "is no id of 26"),
        ({"listened": 1}, "neither true nor false"),
        ({"duration_ms": None}, "duration_ms None is no whole number"),
        ({"passage": "0" * 17}, "passage is no text of up to 16 letters"),
        ({"rung_bpm": ...}, "'rung_bpm' is missing"),
    ],
)
def test_a_broken_field_is_named_with_its_line(change: dict[str, object], message: str) -> None:
    lines = exported(practised("Ada", 11, 1))
    number = next(index for index, line in enumerate(lines) if line.startswith(b'{"rep"'))
    record = json.loads(lines[number]) | change
    record = {key: value for key, value in record.items() if value is not ...}
    lines[number] = json.dumps(record).encode() + b"\n"
    problem = merged_into(memory_log(), lines).problems[0]
    assert message in problem.message
    assert problem.line == number + 1


@given(at_ms=st.integers(0, 1 << 46), offset=st.integers(-14 * 60, 14 * 60))
def test_times_come_back_from_their_iso_text(at_ms: int, offset: int) -> None:
    assert parse_time(iso_time(at_ms, offset)) == (at_ms, offset)


def test_times_are_written_with_their_zone_to_the_millisecond() -> None:
    assert iso_time(NOON + 7, 330) == "2026-12-03T17:30:00.007+05:30"
    assert iso_time(NOON) == "2026-12-03T12:00:00.000+00:00"


def test_practice_over_midnight_in_two_zones_keeps_its_days() -> None:
    log = memory_log("Ada")
    for offset, hour in ((60, 23), (-300, 2)):
        at = NOON + (hour - 12) * 3_600_000 - offset * 60_000
        log.save_rep(replace(rep_at(log, at), utc_offset_min=offset), PASSAGE)
    copy = memory_log()
    merged_into(copy, exported(log))
    copy.choose_player("Ada", NOON)
    assert [day.day for day in copy.days()] == [date(2026, 12, 2), date(2026, 12, 3)]
