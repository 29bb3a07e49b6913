"""The log's files: whole lines appended and never changed, what is planted refused, what is gone noticed."""

from __future__ import annotations

import errno
import fcntl
import json
import os
import shutil
import socket
from pathlib import Path

import pytest

from coach.ground.files import write_whole
from coach.ground.own_files import keep_checked, read_checked, refuse_link
from coach.ground.problem import CoachError, Problem
from coach.learning.learning import LearningFold
from coach.log import disk, pen, shelf
from coach.log.disk import append, read_whole
from coach.log.entries import practice_day
from coach.log.lines import line_of
from coach.log.log import Log
from coach.log.machine import name_kept_in
from coach.log.pen import Pen
from tests.logs import DAY, NOON, PASSAGE, disk_full, opened, passage_named, rep_at


def practise(log: Log, count: int = 3, start: int = 0) -> list[str]:
    """Log some repetitions; their ids."""
    reps = [rep_at(log, NOON + (start + index) * 30_000) for index in range(count)]
    for rep in reps:
        assert log.send((rep, PASSAGE)) is None
    return [rep.id for rep in reps]


def file_of(folder: Path) -> Path:
    return folder / "log" / "here-2026.jsonl"


def lines(path: Path) -> list[bytes]:
    return path.read_bytes().splitlines(keepends=True)


def test_nothing_is_made_before_the_first_word(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        assert not log.exists
        assert log.player.name == "Ada"
    assert list(tmp_path.iterdir()) == []


def test_a_file_holds_name_and_passage_before_their_first_use_and_once(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        practise(log, 3)
        rep = rep_at(log, NOON + DAY * 40, passage=passage_named("other"))
        log.send((rep, passage_named("other")))
    kinds = [line.split(b'"')[1] for line in lines(file_of(tmp_path))]
    assert kinds == [b"passage", b"named", b"rep", b"rep", b"rep"]
    kinds = [line.split(b'"')[1] for line in lines(tmp_path / "log" / "here-2027.jsonl")]
    assert kinds == [b"named", b"passage", b"rep"]
    with opened(tmp_path) as log:
        practise(log, 1, start=9)
    assert [line.split(b'"')[1] for line in lines(file_of(tmp_path))][5:] == [b"rep"]


def test_two_processes_of_one_machine_append_to_one_file(tmp_path: Path) -> None:
    with opened(tmp_path) as one, opened(tmp_path) as other:
        first = practise(one, 2)
        other.refresh()
        second = practise(other, 2, start=2)
        third = practise(one, 1, start=4)
        one.refresh()
        assert [rep.id for rep in one.reps()] == [*first, *second, *third]
    assert len(list((tmp_path / "log").iterdir())) == 1


def test_a_line_after_a_torn_end_begins_on_a_line_of_its_own(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        practise(log)
    path = file_of(tmp_path)
    whole = path.read_bytes()
    path.write_bytes(whole + b'{"rep":"half')
    with opened(tmp_path) as log:
        assert any(f"{path}:6: warning: is cut off" in notice for notice in log.notices)
        (last,) = practise(log, 1, start=9)
    assert path.read_bytes().startswith(whole + b'{"rep":"half\n{"rep":"' + last.encode())
    with opened(tmp_path) as log:
        assert len(log.reps()) == 4


@pytest.mark.parametrize("what", ["link", "link to nothing", "pipe", "folder", "socket"])
def test_what_is_planted_in_a_files_place_is_refused_and_never_followed(
    tmp_path: Path, what: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, outside = file_of(tmp_path), tmp_path / "outside"
    path.parent.mkdir()
    outside.write_bytes(b"theirs\n")
    if what == "link":
        path.symlink_to(outside)
    elif what == "link to nothing":
        path.symlink_to(tmp_path / "nowhere")
    elif what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    else:
        monkeypatch.chdir(path.parent)  # A socket's path is short.
        with socket.socket(socket.AF_UNIX) as one:
            one.bind(path.name)
    with opened(tmp_path) as log:
        word = {"link to nothing": "link"}.get(what, what)
        refusal = f"{path}: is a {word}, but the program needs a file of its own here: left alone"
        assert any(refusal in notice for notice in log.notices)
        assert refusal in str(log.send((rep_at(log), PASSAGE)))
        assert len(log.waiting) == 2
        log.sent.clear()
    assert outside.read_bytes() == b"theirs\n"
    assert not (tmp_path / "nowhere").exists()


def test_a_log_folder_that_is_a_link_is_refused(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "log").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CoachError, match="is a link, but the program needs a folder of its own"):
        opened(tmp_path)
    refuse_link(tmp_path / "nothing there")


def test_a_cache_that_is_a_link_is_replaced_and_its_target_left(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.write_bytes(b"theirs\n")
    (tmp_path / "cache").mkdir()
    (tmp_path / "cache" / "seen.json").symlink_to(outside)
    with opened(tmp_path) as log:
        practise(log)
    assert outside.read_bytes() == b"theirs\n"
    assert not (tmp_path / "cache" / "seen.json").is_symlink()
    keep_checked(tmp_path / "cache" / "x.json", b"body")
    assert read_checked(tmp_path / "cache" / "x.json") == b"body"
    (tmp_path / "cache" / "x.json").write_bytes(b"00000000\nbody")
    assert read_checked(tmp_path / "cache" / "x.json") == b""
    assert read_checked(tmp_path / "cache" / "nothing") == b""


def test_write_whole_follows_a_link_unless_told_not_to(tmp_path: Path) -> None:
    target, link = tmp_path / "target", tmp_path / "link"
    link.symlink_to(target)
    write_whole(link, [b"a"])
    assert (link.is_symlink(), target.read_bytes()) == (True, b"a")
    write_whole(link, [b"b"], through_links=False)
    assert (link.is_symlink(), target.read_bytes(), link.read_bytes()) == (False, b"a", b"b")


def test_a_file_that_another_program_holds_is_waited_for_and_then_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(disk, "LOCK_TRIES", 3)
    monkeypatch.setattr(disk, "LOCK_WAIT_S", 0.001)
    with opened(tmp_path) as log:
        practise(log, 1)
        with file_of(tmp_path).open("rb") as other:
            fcntl.flock(other, fcntl.LOCK_EX)
            refusal = log.send((rep_at(log, NOON + 1), PASSAGE))
            assert "can't be written: another program is writing to it" in str(refusal)
            with pytest.raises(CoachError, match="another program is writing"):
                read_whole(file_of(tmp_path))
        assert log.retry() is None
        assert len(log.reps()) == 2


def test_a_file_system_without_locks_is_used_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(disk, "_try_lock", none)
    with opened(tmp_path) as log:
        assert "its file system can't lock files" in log.notices[0], "before anything was saved there"
        practise(log)
        assert len(log.reps()) == 3
        assert "its file system can't lock files: practise in one window at a time" in log.notices[0]


def test_a_lock_that_fails_for_another_reason_says_that_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with opened(tmp_path) as log:
        practise(log, 1)
        with monkeypatch.context() as failing:
            failing.setattr(disk, "_try_lock", broken)
            assert "can't be written: input/output error" in str(log.send((rep_at(log, NOON + 1), PASSAGE)))
        assert log.retry() is None


def test_what_a_full_disk_took_of_a_line_is_cut_off_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"before\n")
    real = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: real(descriptor, data[:3]))
    descriptor = os.open(path, os.O_RDWR | os.O_APPEND)
    with pytest.raises(OSError, match="No space left"):
        append(descriptor, b"a long line\n")
    os.close(descriptor)
    assert path.read_bytes() == b"before\n"


def test_a_write_in_two_parts_is_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "file"
    path.touch()
    real = os.write
    monkeypatch.setattr(os, "write", lambda descriptor, data: real(descriptor, data[:7]))
    descriptor = os.open(path, os.O_RDWR | os.O_APPEND)
    append(descriptor, b"a long line\n")
    os.close(descriptor)
    assert path.read_bytes() == b"a long line\n"


def test_what_waits_counts_and_is_written_with_the_next_word(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with opened(tmp_path) as log:
        practise(log, 1)
        with monkeypatch.context() as patched:
            patched.setattr(pen, "append", disk_full)
            for index in (1, 2):
                refusal = log.send((rep_at(log, NOON + index), PASSAGE))
                assert str(refusal).startswith(
                    f"NOT SAVED yet ({index} waiting): {file_of(tmp_path)}: can't be written"
                )
            assert len(log.reps()) == 3
            assert len(lines(file_of(tmp_path))) == 3
            with pytest.raises(CoachError, match=r"NOT SAVED yet \(3 waiting\)"):
                log.send_all([(rep_at(log, NOON + 3), PASSAGE)])
            assert (len(log.waiting), len(log.sent)) == (2, 4)
        practise(log, 1, start=5)
        assert log.waiting == []
        assert len(lines(file_of(tmp_path))) == 6


def test_what_belongs_together_is_saved_together_over_a_change_of_year(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = pen.append
    room = [1]

    def full_after(descriptor: int, data: bytes) -> None:
        if not room:
            disk_full()
        room.pop()
        real(descriptor, data)

    monkeypatch.setattr(pen, "append", full_after)
    with opened(tmp_path, "Cleo") as log:
        days = (NOON, NOON + 40 * DAY, NOON)
        log.send_all([(rep_at(log, at_ms + index), PASSAGE) for index, at_ms in enumerate(days)])
        assert [path.name for path in (tmp_path / "log").iterdir()] == ["here-2026.jsonl"]
        with pytest.raises(CoachError, match="NOT SAVED"):
            log.send_all([(rep_at(log, at_ms + 9), PASSAGE) for at_ms in days[:2]])
    with opened(tmp_path, "Cleo") as log:
        assert [rep.at_ms for rep in log.reps()] == [NOON, NOON + 2, NOON + 40 * DAY + 1]


def test_a_new_player_whom_a_full_disk_refused_has_the_name_when_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with opened(tmp_path, "Cleo") as log:
        with monkeypatch.context() as patched:
            patched.setattr(pen, "append", disk_full)
            with pytest.raises(CoachError, match="NOT SAVED"):
                log.send_all([(rep_at(log), PASSAGE)])
        assert (log.waiting, log.sent) == ([], [])
        log.send_all([(rep_at(log), PASSAGE)])
    with opened(tmp_path) as log:
        assert [player.name for player in log.players()] == ["Cleo"]


def test_the_last_words_name_a_file_that_takes_what_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "else where"
    elsewhere.mkdir()
    with opened(tmp_path) as log:
        assert log.last_words() == []
        with monkeypatch.context() as patched:
            patched.setattr(pen, "append", disk_full)
            log.send((rep_at(log), PASSAGE))
            first, second = log.last_words([tmp_path / "nowhere", elsewhere])
            kept = elsewhere / "unsaved-20261203T120000Z.jsonl"
            assert first == f"NOT SAVED in the practice log: 1 result. They are saved in {kept}"
            assert second == f"when there is room: cp '{kept}' {tmp_path / 'log'}"
            said, _, *rest = log.last_words([tmp_path / "nowhere"])
            assert "nowhere else either: 1 result" in said
            assert [json.loads(line) for line in rest] == [json.loads(line) for line in lines(kept)]
        log.sent.clear()
    (tmp_path / "log").mkdir(exist_ok=True)
    os.rename(kept, tmp_path / "log" / kept.name)
    with opened(tmp_path) as log:
        assert len(log.reps()) == 1
        assert [player.name for player in log.players()] == ["Ada"]


@pytest.mark.parametrize("how", ["replaced by an older one", "cut", "removed", "emptied in place"])
def test_what_this_run_wrote_is_written_again_where_it_is_gone(tmp_path: Path, how: str) -> None:
    with opened(tmp_path) as log:
        earlier = practise(log, 2)
    path = file_of(tmp_path)
    older = path.read_bytes()
    with opened(tmp_path) as log:
        mine = practise(log, 2, start=2)
        if how == "removed":
            path.unlink()
        elif how == "cut":
            os.truncate(path, len(older))
        elif how == "emptied in place":
            os.truncate(path, 0)
        else:
            write_whole(path, [older])
        mine += practise(log, 1, start=4)
        log.refresh()
        kept = earlier if how in ("replaced by an older one", "cut") else []
        assert [rep.id for rep in log.reps()] == [*kept, *mine]
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == [*kept, *mine]
        assert bool(log.notices) == (not kept)


def test_what_is_gone_when_the_run_ends_is_written_again(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        ids = practise(log)
        file_of(tmp_path).unlink()
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids
        assert log.notices == ()


def test_an_own_line_that_is_overwritten_in_place_is_written_again(tmp_path: Path) -> None:
    path = file_of(tmp_path)
    with opened(tmp_path) as log:
        ids = practise(log)
        first = next(line for line in lines(path) if ids[0].encode() in line)
        before = path.stat()
        with path.open("r+b") as file:
            file.seek(path.read_bytes().index(first))
            file.write(b"#" * (len(first) - 1))
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
        ids += practise(log, 1, start=3)
        log.refresh()
        assert [rep.id for rep in log.reps()] == ids
        assert first in lines(path)
        assert ":3: is not a line of the log" in str(log.notices)
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids


def test_what_the_old_year_lost_is_written_again_though_words_of_the_new_one_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def say(log: Log, at_ms: int) -> str:
        rep = rep_at(log, at_ms)
        log.send((rep, PASSAGE))
        return rep.id

    with opened(tmp_path) as log:
        ids = [say(log, NOON), say(log, NOON + 40 * DAY)]
        with monkeypatch.context() as patched:
            patched.setattr(pen, "append", disk_full)
            ids.append(say(log, NOON + 41 * DAY))
        assert len(log.waiting) == 1
        file_of(tmp_path).unlink()
    assert sorted(path.name for path in (tmp_path / "log").iterdir()) == [
        "here-2026.jsonl",
        "here-2027.jsonl",
    ]
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids


def test_a_file_replaced_between_opening_and_writing_is_written_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, older = pen.append, []

    def replaced_meanwhile(descriptor: int, data: bytes) -> None:
        real(descriptor, data)
        if older:
            write_whole(file_of(tmp_path), [older.pop()])

    monkeypatch.setattr(pen, "append", replaced_meanwhile)
    with opened(tmp_path) as log:
        practise(log, 1)
        older.append(file_of(tmp_path).read_bytes())
        practise(log, 1, start=1)
        assert len(lines(file_of(tmp_path))) == 4
        older += [b""] * 9
        assert "another program keeps replacing it" in str(log.send((rep_at(log, NOON + 9), PASSAGE)))
        older.clear()


def test_a_pen_writes_what_a_line_needs_only_where_the_file_lacks_it(tmp_path: Path) -> None:
    a_pen = Pen(tmp_path / "progress" / "log", lambda: "m")
    first = a_pen.write(2026, [b"rep 1\n"], [b"passage\n", b"named\n"])
    assert (first.start, first.data) == (0, b"passage\nnamed\nrep 1\n")
    assert a_pen.write(2026, [b"rep 2\n"], [b"passage\n"]).data == b"rep 2\n"
    assert a_pen.write(2026, [b"named 2\n", b"rep 3\n"], [b"named 2\n"]).data == b"named 2\nrep 3\n"
    assert a_pen.write(2026, [b"rep 4\n"], [b"named 2\n"]).data == b"rep 4\n"
    assert a_pen.write(2027, [b"rep 5\n"], [b"passage\n"]).data == b"passage\nrep 5\n"
    assert [written.data for written in a_pen.settle()] == [b"", b""]
    (tmp_path / "progress" / "log" / "m-2026.jsonl").write_bytes(b"rep 2\n")
    assert sorted(written.data for written in a_pen.settle()) == [
        b"",
        b"passage\nnamed\nrep 1\nnamed 2\nrep 3\nrep 4\n",
    ]


def test_what_is_gone_since_the_last_run_is_told_by_file_and_line_until_it_is_back(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        ids = practise(log, 5)
    path = file_of(tmp_path)
    all_lines = lines(path)
    path.write_bytes(b"".join([*all_lines[:2], *all_lines[4:6]]))
    for _ in range(2):
        with opened(tmp_path) as log:
            (notice,) = log.notices
            assert notice.startswith(f"{path}:3: missing: lines 3 to 4 and 7, in no other file either")
            assert [rep.id for rep in log.reps()] == ids[2:4]
    (tmp_path / "log" / "from elsewhere.jsonl").write_bytes(all_lines[2])
    with opened(tmp_path) as log:
        (notice,) = log.notices
        assert "missing: lines 4 and 7" in notice
    path.write_bytes(b"".join(all_lines))
    with opened(tmp_path) as log:
        (notice,) = log.notices
        assert "none is lost" in notice
    with opened(tmp_path) as log:
        assert log.notices == ()


def test_a_line_that_is_flipped_is_told_and_left_and_the_others_count(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        ids = practise(log, 3)
    path = file_of(tmp_path)
    damaged = path.read_bytes().replace(b'"tempo_bpm":52', b'"tempo_bpm":53', 1)
    path.write_bytes(damaged)
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids[1:]
        assert f"{path}:3: missing: line 3" in log.notices[0]
        assert log.notices[1] == (
            f"{path}:3: does not match its checksum: it was changed after it was written; left where it is"
        )
    assert path.read_bytes() == damaged


def test_lines_in_another_order_are_told_and_count_as_before(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        ids = practise(log, 3)
    path = file_of(tmp_path)
    first, second, *rest = lines(path)
    path.write_bytes(b"".join([first, second, *reversed(rest)]))
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids
        assert log.notices == (
            f"{path}:3: warning: from here on, lines have moved or changed order; none is lost",
        )
    os.rename(path, path.with_name("renamed.jsonl"))
    with opened(tmp_path) as log:
        assert [rep.id for rep in log.reps()] == ids
        assert log.notices == (f"{path}: warning: the file is gone, but all its lines are in other files",)
    with opened(tmp_path) as log:
        assert log.notices == ()


def test_a_file_that_can_not_be_read_is_told_and_its_lines_are_not_called_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with opened(tmp_path) as log:
        practise(log, 3)
    path = file_of(tmp_path)
    data = path.read_bytes()
    path.unlink()
    path.mkdir()
    for _ in range(2):
        with opened(tmp_path) as log:
            (notice,) = log.notices
            assert "is a folder, but the program needs a file of its own" in notice
    path.rmdir()
    path.write_bytes(data[:-9])
    with opened(tmp_path) as log:
        assert any("missing: line 5" in notice for notice in log.notices)


def test_what_another_machine_adds_is_seen_while_the_log_is_open(tmp_path: Path) -> None:
    with opened(tmp_path) as log, opened(tmp_path, machine="there") as other:
        first = practise(log, 1)
        other.refresh()
        second = practise(other, 1, start=1)
        log.refresh()
        assert [rep.id for rep in log.reps()] == [*first, *second]
    assert sorted(path.name for path in (tmp_path / "log").iterdir()) == [
        "here-2026.jsonl",
        "there-2026.jsonl",
    ]


@pytest.mark.parametrize("away", [2, 99])
def test_a_file_that_is_away_while_it_is_read_breaks_nothing_and_nothing_wrong_is_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, away: int
) -> None:
    # A program that synchronises the folder takes a file away for a moment while it replaces it.
    with opened(tmp_path) as log:
        practise(log)
    day = practice_day(NOON + 2 * DAY, 0)
    tries = 0

    def gone(path: Path) -> bytes:
        nonlocal tries
        tries += 1
        if tries <= away:
            raise CoachError(Problem("can't be read: no such file or directory", str(path)))
        return read_whole(path)

    log = opened(tmp_path)
    monkeypatch.setattr(shelf, "_WAITS_S", (0.0, 0.0, 0.0))
    monkeypatch.setattr(shelf, "read_whole", gone)
    log.state(LearningFold(), day)
    monkeypatch.setattr(shelf, "read_whole", read_whole)
    log.close()
    with opened(tmp_path) as again:
        from_cache = LearningFold().plain(again.state(LearningFold(), day))
        assert len(again.reps()) == 3
    shutil.rmtree(tmp_path / "cache", ignore_errors=True)
    with opened(tmp_path) as anew:
        assert LearningFold().plain(anew.state(LearningFold(), day)) == from_cache


def test_hidden_files_and_other_endings_are_no_files_of_the_log(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        practise(log, 1)
    data = file_of(tmp_path).read_bytes().replace(b"52", b"53")
    for name in (".here-2026.jsonl", "here.jsonl.tmp", "notes.txt"):
        (tmp_path / "log" / name).write_bytes(data)
    with opened(tmp_path) as log:
        assert (len(log.reps()), log.notices) == (1, ())


def test_a_machine_keeps_its_letters_and_says_nothing_of_its_name(tmp_path: Path) -> None:
    state = tmp_path / "state" / "machine.json"
    name = name_kept_in(state, "adas-laptop", b"\x00\x01\x02\x03\x04\x05")
    assert name == "abcdef"
    assert name_kept_in(state, "adas-laptop", b"\x09" * 6) == name
    other = name_kept_in(state, "a copied home", b"\x1e" * 6)
    assert other == "999999"
    assert name_kept_in(state, "adas-laptop", b"\x09" * 6) == name
    assert "laptop" not in state.read_text()
    state.write_text('{"x": [')
    assert name_kept_in(state, "adas-laptop", b"\x09" * 6) == "kkkkkk"
    for broken in ("[]", json.dumps(dict.fromkeys(json.loads(state.read_text()), "../up"))):
        state.write_text(broken)
        assert name_kept_in(state, "adas-laptop", b"\x0a" * 6) == "mmmmmm"


def test_where_nothing_can_be_kept_a_machine_has_the_same_letters_each_time(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    state = tmp_path / "file" / "machine.json"
    one = name_kept_in(state, "adas-laptop", b"\x00" * 6)
    assert one == name_kept_in(state, "adas-laptop", b"\x01" * 6)
    assert one != name_kept_in(state, "another", b"\x00" * 6)
    assert len(one) == 8


def test_a_seen_file_that_is_broken_is_not_believed(tmp_path: Path) -> None:
    with opened(tmp_path) as log:
        practise(log, 2)
    seen = tmp_path / "cache" / "seen.json"
    body = json.loads(read_checked(seen))
    for wrong in (
        {"files": {}},
        {"files": {"a": [1]}, "gone": {}},
        {"files": {"a": [1, 2, [3], [], [], "!"]}, "gone": {}},
        [],
    ):
        keep_checked(seen, json.dumps(wrong).encode())
        with opened(tmp_path) as log:
            assert len(log.reps()) == 2
    size, _, others, bad, players, _ = body["files"]["here-2026.jsonl"]
    assert size == file_of(tmp_path).stat().st_size
    assert len(others) == 2
    assert (bad, players) == ([], [line_of_player(tmp_path)])


def line_of_player(folder: Path) -> str:
    with opened(folder) as log:
        assert line_of(log.book.name_of(log.player.id)) in lines(file_of(folder))  # type: ignore[arg-type]
        return log.player.id
