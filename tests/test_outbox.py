"""Words that the disk refuses: held in order, written when it takes them, and kept elsewhere at the end."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest

from coach.ground.problem import CoachError
from coach.log.entries import Correction, Entry
from coach.store.exchange import merge_lines
from coach.store.log import Log
from coach.store.outbox import Outbox
from coach.store.salvage import journal_of, mend_log
from coach.store.upkeep import check_log, forget_player
from tests.test_store import A_CHOKE, DAY, NOON, PASSAGE, Opener, id_at, open_log, rep_at

__all__ = ["open_log"]


def fill(log: Log) -> None:
    """No page more for this log, as on a full disk."""
    pages = log.connection.execute("PRAGMA page_count").fetchone()[0]
    log.connection.execute(f"PRAGMA max_page_count = {pages}")


def send_until_full(outbox: Outbox) -> int:
    """Repetitions until three wait; how many were sent."""
    number = 0
    while len(outbox.waiting) < 3:
        number += 1
        outbox.send((rep_at(outbox.log, NOON + number * DAY), PASSAGE), NOON)
    return number


def test_what_the_disk_refuses_is_written_in_order_when_there_is_room_again(open_log: Opener) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        fill(log)
        sent = send_until_full(outbox)
        assert "NOT SAVED yet (3 waiting): " in outbox.retry(NOON)
        word = Correction(
            id_at(NOON, "word"), rep_at(log, NOON + sent * DAY).id, NOON + sent * DAY + 1, A_CHOKE
        )
        outbox.send(word, NOON)
        log.connection.execute("PRAGMA max_page_count = 1000000")
        assert outbox.retry(NOON) == ""
        assert [rep.faults for rep in log.reps()] == [*[()] * (sent - 1), A_CHOKE]
        assert check_log(log).problems == ()


def test_what_waits_at_the_end_is_kept_in_the_first_folder_that_takes_it_and_can_be_merged(
    open_log: Opener, tmp_path: Path
) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        fill(log)
        sent = send_until_full(outbox)
        entry = Entry(id_at(NOON, "hurt"), log.player.id, NOON, 60, "hurt", "{}")
        outbox.send(entry, NOON)
        (tmp_path / "taken").touch()
        told = outbox.rescue(NOON, "test", [tmp_path / "taken" / "no folder", tmp_path])
        (kept,) = tmp_path.glob("log.unsaved.*.jsonl")
        assert str(kept) in told[0]
        assert outbox.rescue(NOON, "test", [tmp_path]) != told, "a file that is there is not written over"
        log.connection.execute("PRAGMA max_page_count = 1000000")
        merged = merge_lines(log, kept.read_bytes().splitlines(keepends=True), kept.name)
        assert (merged.problems, merged.added["reps"], merged.added["entries"]) == ([], 3, 1)
        assert len(log.reps()) == sent
        assert log.entries() == [entry]


def test_a_file_of_words_that_waited_is_named_when_its_player_is_forgotten(open_log: Opener) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        fill(log)
        send_until_full(outbox)
        assert log.path is not None
        outbox.rescue(NOON, "test", [log.path.parent])
        log.connection.execute("PRAGMA max_page_count = 1000000")
        (kept,) = log.path.parent.glob("log.unsaved.*.jsonl")
        assert forget_player(log, NOON).unreadable == (kept,)


def test_where_no_folder_takes_a_file_the_lines_themselves_are_told(open_log: Opener, tmp_path: Path) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        fill(log)
        send_until_full(outbox)
        told = outbox.rescue(NOON, "test", [tmp_path / "nowhere"])
        lines = [f"{line}\n".encode() for line in told if line.startswith("{")]
        with open_log("Ben") as other:
            assert merge_lines(other, lines, "told").added["reps"] == 3


def test_nothing_is_told_where_nothing_waits(open_log: Opener, tmp_path: Path) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        assert outbox.send((rep_at(log), PASSAGE), NOON) == ""
        assert outbox.rescue(NOON, "test", [tmp_path]) == []


def test_all_or_none_of_many_words_are_written(open_log: Opener) -> None:
    with open_log() as log:
        words = [(rep_at(log, NOON + number), PASSAGE) for number in range(100)]
        fill(log)
        with pytest.raises(CoachError, match="the disk is full"):
            Outbox(log).send_all(words)
        assert log.reps() == []
        log.connection.execute("PRAGMA max_page_count = 1000000")
        Outbox(log).send_all(words)
        assert len(log.reps()) == 100


def test_a_log_that_is_damaged_in_the_middle_of_a_session_is_mended_and_goes_on(open_log: Opener) -> None:
    with open_log() as log:
        log.hold(NOON)
        outbox = Outbox(log)
        for number in range(5):
            outbox.send((rep_at(log, NOON + number), PASSAGE), NOON)
        assert log.path is not None
        data = bytearray(log.path.read_bytes())
        at = data.index((rep_at(log, NOON + 2).id + log.player.id).encode()) + 58
        data[at] ^= 1
        # The counter of changes, else SQLite goes on from the pages that it holds (fileformat2.html, 1.3.6).
        data[27] ^= 128
        log.path.write_bytes(data)
        told = outbox.send((rep_at(log, NOON + 9), PASSAGE), NOON)
        assert "4 repetitions could be read" in told
        assert outbox.waiting == []
        assert len(log.reps()) == 5
        assert log.player.name == "Ada"
        assert check_log(log).problems == ()
        (kept,) = log.path.parent.glob("log.damaged.*.sqlite3")
        assert kept.read_bytes()[at] == data[at]


def test_a_damaged_log_is_not_mended_under_an_open_session(open_log: Opener) -> None:
    with open_log() as log:
        log.hold(NOON)
        assert log.path is not None
        with pytest.raises(CoachError, match=r"can't be mended while a session is open: process \d+"):
            mend_log(log.path, NOON)
        assert not list(log.path.parent.glob("log.damaged.*"))
    mend_log(log.path, NOON)


def test_a_log_that_is_moved_away_in_the_middle_of_a_session_is_told_and_nothing_is_lost(
    open_log: Opener, tmp_path: Path
) -> None:
    with open_log() as log:
        outbox = Outbox(log)
        outbox.send((rep_at(log), PASSAGE), NOON)
        assert log.path is not None
        away = tmp_path / "away.sqlite3"
        os.rename(log.path, away)
        assert "was moved or replaced" in outbox.send((rep_at(log, NOON + 1), PASSAGE), NOON)
        shutil.copy(away, log.path)
        assert "was moved or replaced" in outbox.retry(NOON)
        os.replace(away, log.path)
        assert outbox.retry(NOON) == ""
        assert len(log.reps()) == 2


def test_a_log_that_was_emptied_is_told_and_one_that_was_only_begun_is_not(open_log: Opener) -> None:
    with open_log() as log:
        path = log.path
    assert path is not None
    path.write_bytes(b"")
    with open_log() as log:
        assert log.notices == ()
        log.hold(NOON)
    path.write_bytes(b"")
    with pytest.raises(CoachError, match="the practice log is damaged: the file is empty"):
        open_log()
    with open_log(mend=True) as log:
        assert "0 repetitions could be read" in log.notices[0]


def test_a_migration_keeps_a_copy_under_a_free_name(open_log: Opener) -> None:
    from tests.kills import make_older

    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        path = log.path
    assert path is not None
    for number in range(1, 4):
        make_older(path)
        with open_log() as log:
            assert len(log.notices) == 1
        copies = list(path.parent.glob("log.schema-1.*.sqlite3"))
        assert len(copies) == number
        for copy in copies:
            connection = sqlite3.connect(copy)
            assert connection.execute("SELECT count(*) FROM reps").fetchone() == (1,)
            connection.close()
            journal_of(copy).unlink(missing_ok=True)
