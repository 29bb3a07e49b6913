"""The log on disk: what was saved is there, counts as it should, and survives damage."""

from __future__ import annotations

import hashlib
import random
import sqlite3
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from coach.ground.problem import CoachError, UsageError
from coach.log.entries import Correction, Entry, Rep, new_id
from coach.music.excerpt import LoggedEvent, LoggedPassage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LIFT
from coach.store import schema
from coach.store.log import Log
from coach.store.rows import rep_values
from coach.store.salvage import mend_log
from coach.store.schema import DamagedLogError

NOON = 1_796_299_200_000
"""2026-12-03 12:00 UTC."""
DAY = 86_400_000
A_CHOKE = (Fault(2, CHOKED, LIFT),)


def passage_named(name: str = "lantern", drill: str = "lanterns") -> LoggedPassage:
    events = (
        LoggedEvent(1, "bass", "4:0", "0", (), ""),
        LoggedEvent(2, "harmonics", "1:<7>", "0", ("4x864|G2|1/3",), ""),
        LoggedEvent(3, "harmonics", "1:<5>", "3/2", ("4x864|G2|1/4",), "4x864|G2|1/3>4x864|G2|1/4"),
    )
    return LoggedPassage.of(f"{drill}:{name}:together:phrase:full:", "0123456789ab", name, events)


PASSAGE = passage_named()


def id_at(at_ms: int, seed: object = 0) -> str:
    return new_id(at_ms, hashlib.sha256(f"{at_ms} {seed}".encode()).digest()[:10])


def rep_at(
    log: Log,
    at_ms: int = NOON,
    faults: tuple[Fault, ...] | None = (),
    passage: LoggedPassage = PASSAGE,
    tempo_bpm: int = 52,
) -> Rep:
    return Rep(
        id=id_at(at_ms, log.player.id),
        player=log.player.id,
        at_ms=at_ms,
        utc_offset_min=60,
        passage=passage.id,
        excerpt=passage.excerpt,
        tempo_bpm=tempo_bpm,
        goal_bpm=76,
        faults=faults,
        purpose="build",
        turn=id_at(NOON),
        duration_ms=21_000,
    )


Opener = Callable[..., Log]


@pytest.fixture
def open_log(tmp_path: Path) -> Opener:
    def opened(name: str = "Ada", **options: object) -> Log:
        return Log.open(tmp_path / "progress" / "log.sqlite3", name, now_ms=NOON, **options)  # type: ignore[arg-type]

    return opened


def test_a_saved_rep_is_read_back_by_another_connection_as_it_was(open_log: Opener) -> None:
    with open_log() as log:
        rep = rep_at(log, faults=A_CHOKE)
        log.save_rep(rep, PASSAGE)
        with open_log(read_only=True) as other:
            assert other.reps() == [rep]
            assert other.passage(rep.passage) == PASSAGE


def test_saving_a_rep_again_does_not_double_it(open_log: Opener) -> None:
    with open_log() as log:
        for _ in range(2):
            log.save_rep(rep_at(log), PASSAGE)
        assert len(log.reps()) == 1


def test_a_rep_of_another_passage_is_refused(open_log: Opener) -> None:
    with open_log() as log, pytest.raises(ValueError, match="is of passage"):
        log.save_rep(rep_at(log), passage_named("other"))


def test_another_rep_of_a_known_id_is_refused_and_not_lost_silently(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        with pytest.raises(ValueError, match="another repetition has the id"):
            log.save_rep(rep_at(log, tempo_bpm=60), PASSAGE)


def test_an_unrated_rep_comes_back_unrated_and_not_clean(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log, faults=None), PASSAGE)
        (rep,) = log.reps()
        assert not rep.rated
        assert not rep.clean


def test_the_latest_correction_by_time_then_id_counts_whatever_the_order_of_saving(open_log: Opener) -> None:
    with open_log() as log:
        rep = rep_at(log)
        log.save_rep(rep, PASSAGE)
        later = Correction(id_at(NOON + 9), rep.id, NOON + 9, A_CHOKE)
        earlier = Correction(id_at(NOON + 5), rep.id, NOON + 5, None, void=True)
        for correction in (later, earlier):
            log.correct(correction)
        assert [one.faults for one in log.reps()] == [A_CHOKE]
        assert log.original(rep.id) == rep
        assert log.corrections(rep.id) == [earlier, later]


def test_undo_drops_the_last_rep_and_keeps_the_original(open_log: Opener) -> None:
    with open_log() as log:
        first, second = rep_at(log), rep_at(log, NOON + 30_000)
        for rep in (first, second):
            log.save_rep(rep, PASSAGE)
        assert log.undo_last(NOON + 40_000) == second
        assert log.reps() == [first]
        assert log.original(second.id) == second
        assert log.undo_last(NOON + 41_000) == first
        assert log.undo_last(NOON + 42_000) is None


def test_an_undone_rep_can_be_rated_anew_even_with_the_clock_set_back(open_log: Opener) -> None:
    with open_log() as log:
        rep = rep_at(log)
        log.save_rep(rep, PASSAGE)
        log.undo_last(NOON - DAY)
        assert log.reps() == []
        (word,) = log.corrections(rep.id)
        log.correct(Correction(id_at(word.at_ms + 1), rep.id, word.at_ms + 1, A_CHOKE))
        assert [one.faults for one in log.reps()] == [A_CHOKE]


def test_a_correction_of_an_unknown_rep_is_refused(open_log: Opener) -> None:
    with open_log() as log, pytest.raises(KeyError):
        log.correct(Correction(id_at(1), id_at(2), NOON, ()))


def test_a_rep_after_midnight_belongs_to_the_practice_day_before(open_log: Opener) -> None:
    with open_log() as log:
        # 02:30 on 4 December in a zone one hour ahead of UTC.
        log.save_rep(rep_at(log, NOON + 13 * 3_600_000 + 1_800_000), PASSAGE)
        assert len(log.reps(since=date(2026, 12, 3), until=date(2026, 12, 3))) == 1
        assert log.reps(since=date(2026, 12, 4)) == []


def test_reps_can_be_asked_for_by_drill_without_mistaking_a_longer_id(open_log: Opener) -> None:
    with open_log() as log:
        other = passage_named("lantern", "lanterns-2")
        log.save_rep(rep_at(log), PASSAGE)
        log.save_rep(rep_at(log, NOON + 1, passage=other), other)
        assert [rep.passage for rep in log.reps(drill="lanterns")] == [PASSAGE.id]


def test_players_in_one_folder_do_not_see_each_others_reps(open_log: Opener) -> None:
    with open_log("Ada") as log:
        log.save_rep(rep_at(log), PASSAGE)
    with open_log("Ben") as log:
        assert log.reps() == []
        assert [player.name for player in log.players()] == ["Ada", "Ben"]


def test_the_only_player_needs_no_name_and_several_must_be_told_apart(open_log: Opener) -> None:
    with open_log("Ada"):
        pass
    with open_log("") as log:
        assert log.player.name == "Ada"
        log.create_player("Ben", NOON)
    with pytest.raises(UsageError, match=r"several players: Ada \(\w{6}\), Ben"):
        open_log("")
    with pytest.raises(UsageError, match=r"nobody called 'Cleo' has practised here.*Ada, Ben"):
        open_log("Cleo", read_only=True)


def test_two_players_of_one_name_are_told_apart_by_the_end_of_the_id(open_log: Opener) -> None:
    with open_log("Ada") as log:
        second = log.create_player("Ada", NOON)
    with pytest.raises(UsageError, match="several players are called 'ada'"):
        open_log("ada")
    with open_log(second.id[-6:].lower()) as log:
        assert log.player == second


def test_reading_a_log_that_is_not_there_makes_no_file(tmp_path: Path) -> None:
    with Log.open(tmp_path / "progress" / "log.sqlite3", now_ms=NOON, read_only=True) as log:
        assert log.players() == []
        assert log.player_or_none is None
        with pytest.raises(CoachError, match="nobody has practised here yet"):
            _ = log.player
    assert list(tmp_path.iterdir()) == []


def test_a_second_session_for_one_player_is_told_and_a_released_one_is_free(open_log: Opener) -> None:
    with open_log("Ada") as log:
        log.hold(NOON)
        with (
            open_log("Ada") as second,
            pytest.raises(CoachError, match="Ada has another session open: process"),
        ):
            second.hold(NOON)
        with open_log("Ben") as other:
            other.hold(NOON)
    with open_log("Ada") as log:
        log.hold(NOON)


def test_entries_are_kept_in_order_of_time(open_log: Opener) -> None:
    with open_log() as log:
        later = Entry(id_at(NOON + 1), log.player.id, NOON + 1, 60, "sitting", '{"minutes":20}')
        sooner = Entry(id_at(NOON), log.player.id, NOON, 60, "hurt")
        for entry in (later, sooner):
            log.add_entry(entry)
        assert log.entries() == [sooner, later]
        assert log.entries("hurt") == [sooner]


def test_a_newer_schema_is_refused_and_the_file_left_as_it_is(open_log: Opener) -> None:
    with open_log() as log:
        path = log.path
        log.connection.execute(f"PRAGMA user_version = {schema.CURRENT + 1}")
    assert path is not None
    before = path.read_bytes()
    with pytest.raises(CoachError, match="a newer version wrote it: update the program; nothing was changed"):
        open_log()
    assert path.read_bytes() == before


def test_another_programs_database_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite3"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE songs (name)")
    other.close()
    with pytest.raises(CoachError, match="is no practice log"):
        Log.open(path, now_ms=NOON)


def test_a_commit_is_on_the_disk_when_it_returns(open_log: Opener) -> None:
    with open_log() as log:
        assert log.connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert log.connection.execute("PRAGMA journal_mode").fetchone() == ("truncate",)


def filled(open_log: Opener, reps: int = 200) -> tuple[Path, list[Rep]]:
    with open_log() as log:
        saved = [rep_at(log, NOON + index * 1000, A_CHOKE if index % 3 else ()) for index in range(reps)]
        log.save_rep(saved[0], PASSAGE)
        with schema.transaction(log.connection):
            for rep in saved[1:]:
                log.insert("reps", rep_values(rep))
        assert log.path is not None
        return log.path, saved


def test_damage_is_told_and_the_good_part_goes_on_beside_the_kept_file(open_log: Opener) -> None:
    path, saved = filled(open_log)
    data = bytearray(path.read_bytes())
    data[:100] = bytes(100)
    path.write_bytes(data)
    with pytest.raises(DamagedLogError, match=r"damaged.*log check --mend"):
        open_log()
    assert path.read_bytes() == data
    with open_log(mend=True) as log:
        assert log.reps() == saved
        assert "200 repetitions could be read" in log.notices[0]
    kept = [file for file in path.parent.iterdir() if ".damaged." in file.name]
    assert [file.read_bytes() for file in kept] == [data]


def test_a_session_mends_a_log_in_which_only_a_row_was_changed(open_log: Opener) -> None:
    path, saved = filled(open_log, 30)
    path.write_bytes(path.read_bytes().replace(b"Ada", b"Oda", 1))
    with pytest.raises(DamagedLogError, match=r"players, entry \w+, was changed"):
        open_log()
    with open_log("", mend=True) as log:
        assert log.player.name.startswith("recovered")
        assert log.reps() == saved
        assert "30 repetitions could be read" in log.notices[0]


@pytest.mark.parametrize("seed", range(6))
def test_bit_flips_lose_at_most_the_rows_they_hit(open_log: Opener, seed: int) -> None:
    path, saved = filled(open_log, 400)
    rng = random.Random(seed)
    data = bytearray(path.read_bytes())
    for _ in range(3):
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    path.write_bytes(data)
    report = mend_log(path, NOON)
    with open_log() as log:
        found = {rep.id: rep for rep in log.reps()} if log.player_or_none else {}
    originals = {rep.id: rep for rep in saved}
    # A flip in a page's header can hide that page's rows (fewer than 30), never change one.
    assert report.saved["reps"] >= 400 - 3 * 30
    assert all(originals[rep_id] == rep for rep_id, rep in found.items())
    if report.saved["players"] and report.saved["passages"]:
        assert len(found) == report.saved["reps"]
    assert report.kept.read_bytes() == data


def test_a_log_cut_off_in_the_middle_keeps_what_stands_before_the_cut(open_log: Opener) -> None:
    path, _ = filled(open_log, 400)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 3 // 4])
    report = mend_log(path, NOON)
    assert 100 < report.saved["reps"] < 400
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    connection.close()


def test_a_player_whose_name_is_lost_keeps_the_reps(open_log: Opener) -> None:
    path, saved = filled(open_log, 20)
    data = path.read_bytes()
    path.write_bytes(data.replace(b"Ada", b"Bda"))
    mend_log(path, NOON)
    with open_log("") as log:
        assert log.player.name.startswith("recovered")
        assert log.reps() == saved


def test_a_rep_whose_passage_is_lost_stays_and_counts_again_once_the_passage_is_back(
    open_log: Opener,
) -> None:
    path, saved = filled(open_log, 3)
    path.write_bytes(path.read_bytes().replace(b"lantern", b"lanterm"))
    mend_log(path, NOON)
    with open_log() as log:
        assert log.reps() == []
        log.save_rep(rep_at(log, NOON + DAY), PASSAGE)
        assert log.reps()[:3] == saved


def test_a_file_in_place_of_the_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "progress").write_text("")
    with pytest.raises(CoachError, match="is a file, but a folder is needed here"):
        Log.open(tmp_path / "progress" / "log.sqlite3", now_ms=NOON)
