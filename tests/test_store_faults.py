"""The log when things go wrong: killed, full, locked, read by two; and the paths and clocks around it."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest

from coach.commands.common import clock, fresh_id, parse_date, write_output
from coach.folder.library import find_drill
from coach.ground.places import all_drills, builtin_drills, find_places, make_folder
from coach.ground.problem import CoachError, UsageError
from coach.log.entries import is_id, practice_day
from coach.store.log import Log
from tests.damages import damage_often
from tests.test_store import NOON, PASSAGE, Opener, open_log, rep_at
from tests.test_store_derived import assert_equal_to_a_replay

__all__ = ["open_log"]


def test_a_kill_at_any_moment_loses_nothing_that_was_told_as_saved(tmp_path: Path) -> None:
    """In a process of its own, since it forks; `python -m tests.kills 1000` does the same by the thousand."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.kills", "20", "--seed", "3", "--folder", str(tmp_path)],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parent.parent,
    )
    assert done.stdout.startswith("20 kills, nothing lost"), done.stderr


def test_a_damaged_log_is_found_mended_as_far_as_it_is_whole_and_kept(tmp_path: Path) -> None:
    """`python -m tests.damages 5000` does the same by the thousand."""
    seen = damage_often(40, 5, tmp_path)
    assert sum(times for what, times in seen.items() if what.endswith("mended")) > 10


def save_many(log: Log, count: int) -> None:
    for index in range(1, count):
        log.save_rep(rep_at(log, NOON + index), PASSAGE)


def test_a_full_disk_is_told_and_what_was_saved_stays(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        pages = log.connection.execute("PRAGMA page_count").fetchone()[0]
        log.connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(CoachError, match="the disk is full: the last entry was not saved, all earlier"):
            save_many(log, 200)
        kept = len(log.reps())
        log.connection.execute("PRAGMA max_page_count = 1000000")
        log.save_rep(rep_at(log, NOON + 5000), PASSAGE)
        assert len(log.reps()) == kept + 1
        assert_equal_to_a_replay(log)


def test_a_log_that_another_program_keeps_locked_is_told(open_log: Opener) -> None:
    with open_log() as log:
        other = sqlite3.connect(log.path or "", isolation_level=None)
        other.execute("BEGIN EXCLUSIVE")
        log.connection.execute("PRAGMA busy_timeout = 10")
        with pytest.raises(CoachError, match="another program is writing to the log"):
            log.save_rep(rep_at(log), PASSAGE)
        other.execute("ROLLBACK")
        other.close()
        log.save_rep(rep_at(log), PASSAGE)


def test_a_report_reads_while_a_session_writes(open_log: Opener) -> None:
    with open_log() as log:
        log.hold(NOON)
        with open_log(read_only=True) as reader:
            for index in range(3):
                log.save_rep(rep_at(log, NOON + index), PASSAGE)
                assert len(reader.reps()) == index + 1


def test_a_reader_can_not_write(open_log: Opener) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
    with open_log(read_only=True) as reader, pytest.raises(CoachError, match="nothing may be written"):
        reader.save_rep(rep_at(reader, NOON + 1), PASSAGE)


@pytest.mark.skipif(os.name != "posix", reason="needs POSIX permissions")
def test_a_log_that_may_only_be_read_is_read(open_log: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_log() as log:
        log.save_rep(rep_at(log), PASSAGE)
        path = log.path
    assert path is not None
    # Root may write anywhere, so what access() would say to others is said here.
    monkeypatch.setattr(os, "access", lambda *_: False)
    with open_log(read_only=True) as reader:
        assert len(reader.reps()) == 1
    with pytest.raises(CoachError, match="nothing may be written in this folder"):
        open_log()


def test_a_practice_folder_is_the_current_one_only_where_it_looks_like_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    elsewhere = find_places().folder
    assert here not in (elsewhere, *elsewhere.parents)
    for name in ("drills", "progress"):
        (here / name).mkdir()
        assert find_places().folder == here
        (here / name).rmdir()
    assert find_places(tmp_path / "asked").log == tmp_path / "asked" / "progress" / "log.sqlite3"
    assert not (tmp_path / "asked").exists()


def test_a_file_where_a_folder_should_be_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(CoachError, match="is a file, but a folder is needed here"):
        find_places(tmp_path / "file")
    with pytest.raises(CoachError, match="the folder can't be made: not a directory"):
        make_folder(tmp_path / "file" / "progress")


def test_a_drill_is_found_by_name_and_a_near_name_is_offered(tmp_path: Path) -> None:
    places = find_places(tmp_path)
    name = builtin_drills()[0].stem
    assert find_drill(name, places) == builtin_drills()[0]
    assert find_drill(name.upper(), places) == builtin_drills()[0]
    assert find_drill(str(builtin_drills()[0]), places) == builtin_drills()[0]
    with pytest.raises(CoachError, match=f"there is no such drill file \\(near: {name}"):
        find_drill(name[:-1], places)
    with pytest.raises(CoachError, match="there is no such drill file"):
        find_drill("nowhere/at/all.yaml", places)
    with pytest.raises(CoachError, match="is a folder, not a drill file"):
        find_drill(str(tmp_path), places)


def test_a_drill_is_found_by_its_id_and_its_title_too_own_ones_first(tmp_path: Path) -> None:
    places = find_places(tmp_path)
    assert find_drill("First Pour", places).name == "first-pour.yaml"
    given = tmp_path / "drills" / "from-teacher.yaml"
    given.parent.mkdir()
    (tmp_path / "drills" / "faulty.yaml").write_text("drill: [")
    given.write_bytes(
        find_drill("first-pour", places).read_bytes().replace(b"title: First", b"title: Another")
    )
    for name in ("first-pour", "another  pour", "Another Pour", "from-teacher"):
        assert find_drill(name, places) == given
    with pytest.raises(CoachError, match=r"there is no such drill file .near: from-teacher"):
        find_drill("Anothre Pour", places)


def test_an_own_drill_stands_before_a_built_in_one_of_the_same_name(tmp_path: Path) -> None:
    own = tmp_path / "drills" / builtin_drills()[0].name
    own.parent.mkdir()
    own.write_text("drill: 1")
    places = find_places(tmp_path)
    assert find_drill(own.stem, places) == own
    assert all_drills(places)[0] == own
    assert len(all_drills(places)) == len(builtin_drills())


@pytest.mark.parametrize("text", ["2026-13-01", "2026-2-3", "20261203", "today", "2026-12-03T10:00", ""])
def test_a_wrong_date_is_told(text: str) -> None:
    with pytest.raises(UsageError, match=r"is no date .write year-month-day, as in 2026-12-03"):
        parse_date(text)


@pytest.mark.parametrize("hour", range(24))
def test_a_moment_of_a_given_day_lies_in_that_practice_day_at_any_hour(hour: int) -> None:
    now = datetime(2026, 7, 1, hour, 30, tzinfo=timezone(timedelta(hours=2)))
    assert practice_day(*clock("2026-12-03", lambda: now)) == date(2026, 12, 3)
    assert clock("", lambda: now) == (round(now.timestamp() * 1000), 120)


def test_a_moment_of_a_day_has_that_days_own_offset(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Europe/Berlin")
    time.tzset()
    try:
        assert clock("2026-12-03")[1] == 60
        assert clock("2026-07-03")[1] == 120
        # The night in which the clocks go back: still that practice day.
        assert practice_day(*clock("2026-10-24")) == date(2026, 10, 24)
    finally:
        monkeypatch.delenv("TZ")
        time.tzset()


def test_output_replaces_a_file_whole_or_not_at_all(tmp_path: Path) -> None:
    target = tmp_path / "out.txt"
    write_output(str(target), "first")
    write_output(str(target), iter(["sec", "ond"]))
    assert target.read_text() == "second"

    def breaking() -> object:
        yield "third"
        raise CoachError("no")

    with pytest.raises(CoachError, match="no"):
        write_output(str(target), breaking())  # type: ignore[arg-type]
    assert target.read_text() == "second"
    assert [path.name for path in tmp_path.iterdir()] == ["out.txt"]
    with pytest.raises(CoachError, match="is a folder; a file's name is needed"):
        write_output(str(tmp_path), "x")


def test_output_replaces_no_input_and_no_log_keeps_a_drill_beside_and_tells_of_any_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    drill, page, log = (tmp_path / name for name in ("lamps.yaml", "lamps.html", "log.sqlite3"))
    Log.open(log, "Ada", now_ms=NOON).close()
    before = log.read_bytes()
    write_output(str(drill), "one")
    write_output(str(page), "one")
    assert capsys.readouterr().err == ""
    link = tmp_path / "link.yaml"
    link.symlink_to(drill)
    with pytest.raises(CoachError, match=r"lamps\.yaml: is what this command reads; it would be lost"):
        write_output(str(drill), "two", [str(link)])
    with pytest.raises(CoachError, match="is a practice log or another database"):
        write_output(str(log), "two")
    assert (drill.read_text(), log.read_bytes()) == ("one", before)
    write_output(str(page), "two")
    assert capsys.readouterr().err == f"replaced {page}\n"
    for text in ("two", "two", "three"):
        write_output(str(drill), text)
    assert "lamps.yaml; the one before is kept as lamps.yaml.old\n" in capsys.readouterr().err
    kept = {path.name: path.read_text() for path in tmp_path.glob("lamps.yaml*")}
    assert kept == {"lamps.yaml": "three", "lamps.yaml.old": "one", "lamps.yaml-2.old": "two"}


def test_fresh_ids_differ_and_sort_by_time() -> None:
    early, late = fresh_id(NOON), fresh_id(NOON + 1)
    assert is_id(early)
    assert early < late
    assert len({fresh_id(NOON) for _ in range(50)}) == 50
    assert datetime.fromtimestamp(NOON / 1000, UTC) == datetime(2026, 12, 3, 12, tzinfo=UTC)
