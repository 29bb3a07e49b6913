"""What is kept of files that were read: equal to what is read, never older than the file, harmless when it is bad."""

from __future__ import annotations

import os
import pickle
from pathlib import Path

import pytest

from coach.folder.kept import Kept, program_stamp
from coach.folder.library import load_library
from coach.folder.settings import load_settings
from coach.ground.own_files import keep_checked, read_checked
from coach.ground.places import Places, builtin_drills
from coach.ground.problem import CoachError
from coach.score.load import load_drill


def refuse(path):
    raise AssertionError(f"{path} is read again")


def settled(path, text):
    """A file that was written an hour ago."""
    path.write_text(text, encoding="utf-8")
    os.utime(path, ns=(path.stat().st_mtime_ns - 3600 * 10**9,) * 2)
    return path


@pytest.fixture
def file(tmp_path):
    return tmp_path / "state" / "read"


def test_every_built_in_drill_and_the_settings_come_back_as_they_were_read(tmp_path, file):
    settings = settled(tmp_path / "settings.yaml", "practice: {minutes: 35}\nscreen: {tour_seen: true}\n")
    first = Kept(file, "now")
    read = [first.read(path, load_drill) for path in builtin_drills()]
    had = first.read(settings, load_settings)
    first.save()
    again = Kept(file, "now")
    kept = [again.read(path, refuse) for path in builtin_drills()]
    assert kept == read
    assert repr(kept) == repr(read)
    assert [drill.revision for drill in kept] == [drill.revision for drill in read]
    assert again.read(settings, refuse) == had == load_settings(settings)
    library = load_library(Places(tmp_path))
    assert load_library(Places(tmp_path), again) == library


def test_a_file_that_changed_is_read_again_and_one_that_has_just_changed_is_not_kept(tmp_path, file):
    path = settled(tmp_path / "a", "one")
    kept = Kept(file, "now")
    assert kept.read(path, Path.read_text) == "one"
    assert kept.read(path, refuse) == "one"
    settled(path, "two")
    assert kept.read(path, Path.read_text) == "two"
    times = path.stat().st_atime_ns, path.stat().st_mtime_ns
    path.write_text("six")
    os.utime(path, ns=times)
    assert kept.read(path, Path.read_text) == "six", (
        "same size and time: only its inode's own time is another"
    )
    path.write_text("new")
    assert kept.read(path, Path.read_text) == "new"
    path.write_text("now")
    assert kept.read(path, Path.read_text) == "now"
    path.unlink()
    with pytest.raises(FileNotFoundError):
        kept.read(path, Path.read_text)


def test_a_link_is_followed_each_time(tmp_path, file):
    link = tmp_path / "link"
    link.symlink_to(settled(tmp_path / "a", "one"))
    kept = Kept(file, "now")
    assert kept.read(link, Path.read_text) == "one"
    settled(tmp_path / "a", "two")
    assert kept.read(link, Path.read_text) == "two"


def test_errors_pass_and_are_not_kept(tmp_path, file):
    path = settled(tmp_path / "bad.yaml", "drill: 1\n")
    kept = Kept(file, "now")
    for _ in range(2):
        with pytest.raises(CoachError):
            kept.read(path, load_drill)


def test_another_program_or_python_reads_everything_again(tmp_path, file):
    path = settled(tmp_path / "a", "one")
    kept = Kept(file, "now")
    kept.read(path, Path.read_text)
    kept.save()
    assert Kept(file, "then").read(path, lambda _: "read again") == "read again"
    assert program_stamp() == program_stamp()


def test_what_was_kept_may_be_damaged_anywhere(tmp_path, file):
    path = settled(tmp_path / "a", "one")
    kept = Kept(file, "now")
    kept.read(path, Path.read_text)
    kept.save()
    whole = file.read_bytes()
    for at in range(len(whole)):
        for damaged in (whole[:at], whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :]):
            file.write_bytes(damaged)
            assert Kept(file, "now").read(path, Path.read_text) == "one"


class Evil:
    """Unpickled as the standard library does, it runs a command."""

    def __reduce__(self):
        return os.system, ("touch ran",)


@pytest.mark.parametrize("inside", [True, False])
def test_nothing_that_is_kept_can_run(tmp_path, file, monkeypatch, inside):
    monkeypatch.chdir(tmp_path)
    path = settled(tmp_path / "a", "one")
    status = path.stat()
    mark = (status.st_mtime_ns, status.st_ctime_ns, status.st_size, status.st_ino, status.st_dev)
    entry = pickle.dumps(Evil()) if inside else b""
    content = pickle.dumps(("now", {str(path): (mark, entry)} if inside else Evil()))
    keep_checked(file, content)
    assert read_checked(file) == content
    assert Kept(file, "now").read(path, Path.read_text) == "one"
    assert not (tmp_path / "ran").exists()


def test_a_folder_that_takes_no_file_stops_nothing(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    path = settled(tmp_path / "a", "one")
    kept = Kept(blocked / "read", "now")
    assert kept.read(path, Path.read_text) == "one"
    kept.save()
