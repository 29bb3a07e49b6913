"""Links, pipes and devices in a practice folder, as an archive or a stick brings them: none is followed or waited for.

`python -m tests.fuzz --target planted` tries every place with every command; here is one of each.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from coach.cli import main
from coach.folder.settings import adopt_settings, keep_settings
from coach.ground.own_files import read_own, write_own
from coach.ground.places import find_places
from coach.ground.problem import CoachError
from coach.listen.kept import EarShelf, new_ear
from coach.log.machine import name_kept_in
from coach.report.neck import necks
from coach.report.reply import PlaceReply
from tests.kills import WITHOUT_IDS
from tests.samples import sample_drill

pytestmark = pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="links and pipes are POSIX")
ANSWERS = ["practice", "ferry", "--answers", "answers.txt", "--player", "Ada", "--date", "2026-12-03"]
ASSIGN = ["assign", "ferry", "--to", "Mia", "-o", "mia.yaml"]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A practice folder, the current one, beside a folder of somebody else's."""
    theirs, mine = tmp_path / "theirs", tmp_path / "mine"
    (theirs / "folder").mkdir(parents=True)
    (theirs / "comment").write_text("# theirs\n")
    (theirs / "barge.yaml").write_text(WITHOUT_IDS.replace("Ferry", "Barge"))
    (mine / "drills").mkdir(parents=True)
    (mine / "drills" / "ferry.yaml").write_text(WITHOUT_IDS)
    (mine / "answers.txt").write_text("clean\nstop\n")
    monkeypatch.chdir(mine)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    assert main(ANSWERS) == 0
    return mine


def theirs_of(folder: Path) -> dict[str, bytes]:
    place = folder.parent / "theirs"
    return {str(path.relative_to(place)): path.read_bytes() for path in place.rglob("*") if path.is_file()}


def plant(path: Path, target: str) -> None:
    if path.is_dir() and not path.is_symlink():
        path.rename(path.with_name("away"))
    path.unlink(missing_ok=True)
    path.symlink_to(
        path.parent / os.path.relpath(find_places(None).folder.parent / "theirs" / target, path.parent)
    )


@pytest.mark.parametrize(
    ("place", "target", "words", "said"),
    [
        ("settings.yaml", "comment", ["midi", "forget", "clean"], "is a link, but the program needs a file"),
        ("settings.yaml", "nothing", ["midi", "forget", "clean"], "is a link, but the program needs a file"),
        ("assigned.jsonl", "comment", ASSIGN, "is a link, but the program needs a file"),
        ("assigned.jsonl", "comment", ["roster", "."], "is a link, but the program needs a file"),
        ("drills/ferry.yaml", "barge.yaml", ASSIGN, "the id night-barge can't be written into it"),
        ("drills", "folder", ["new", "--title", "Night"], "is a link, but the program needs a folder"),
        ("drills/night.yaml", "nothing", ["new", "--title", "Night"], "exists already"),
        ("progress", "folder", ["log", "note", "a thumb"], "is a link, but the program needs a folder"),
        ("progress/backups", "folder", ["log", "backup"], "is a link, but the program needs a folder"),
        ("progress/backups", "folder", ["log", "forget", "Ada", "--yes"], "is a link, but the program needs"),
        ("progress/cache", "folder", ["log", "forget", "Ada", "--yes"], "is a link, but the program needs"),
        ("out.csv", "comment", ["log", "export", "-o", "out.csv"], "out.csv: is a link to "),
        ("out.csv", "nothing", ["log", "export", "-o", "out.csv"], "out.csv: is a link to "),
        ("mia.yaml", "folder", ASSIGN, "mia.yaml: is a folder; a file's name is needed"),
    ],
)  # fmt: skip
def test_nothing_is_written_through_a_planted_link(
    folder: Path, capsys: pytest.CaptureFixture[str], place: str, target: str, words: list[str], said: str
) -> None:
    plant(folder / place, target)
    before = theirs_of(folder)
    main(words)
    assert said in capsys.readouterr().err
    assert theirs_of(folder) == before


def test_a_pipe_that_nobody_reads_is_refused_and_not_waited_for(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(folder / "out.csv")
    assert main(["log", "export", "-o", "out.csv"]) == 1
    assert "out.csv: can't be written: no such device or address" in capsys.readouterr().err
    reader = os.open(folder / "out.csv", os.O_RDONLY | os.O_NONBLOCK)
    assert main(["log", "export", "-o", "out.csv"]) == 0
    assert os.read(reader, 1 << 16).startswith("\ufeff".encode())
    os.close(reader)


def test_ids_are_not_written_into_a_drill_that_is_a_link_and_practice_goes_on(folder: Path) -> None:
    plant(folder / "drills" / "ferry.yaml", "barge.yaml")
    before = theirs_of(folder)
    assert main(["know", "ferry", "60"]) == 0
    assert theirs_of(folder) == before


def device(path: Path) -> None:
    """One that never ends (Linux, null(4))."""
    os.mknod(path, stat.S_IFCHR | 0o666, os.makedev(1, 5))


@pytest.mark.parametrize(
    "make",
    [
        os.mkfifo,
        pytest.param(device, marks=pytest.mark.skipif(os.geteuid() != 0, reason="only root makes devices")),
        Path.mkdir,
    ],
    ids=["pipe", "device", "folder"],
)
def test_what_is_no_file_is_refused_and_not_waited_for(
    folder: Path, capsys: pytest.CaptureFixture[str], make: Callable[[Path], None]
) -> None:
    for place, words in (
        ("settings.yaml", ["plan"]),
        ("assigned.jsonl", ASSIGN),
        ("assigned.jsonl", ["roster", "."]),
    ):
        (folder / place).unlink(missing_ok=True)
        make(folder / place)
        assert main(words) == 1
        assert "but the program needs a file of its own here: left alone" in capsys.readouterr().err
        (folder / place).rmdir() if (folder / place).is_dir() else (folder / place).unlink()


@pytest.mark.parametrize(
    "plant_it", [lambda path: path.symlink_to(path.parent), os.mkfifo], ids=["link", "pipe"]
)
def test_what_is_planted_for_the_ear_or_the_machines_letters_is_not_read(
    tmp_path: Path, plant_it: Callable[[Path], None]
) -> None:
    instrument, shelf = sample_drill().instrument, EarShelf(tmp_path / "ear")
    shelf.folder.mkdir()
    plant_it(shelf.path(instrument))
    for use in (shelf.load, lambda one: shelf.save(one, new_ear(one))):
        with pytest.raises(CoachError, match="but the program needs a file of its own"):
            use(instrument)
    state = tmp_path / "machine.json"
    os.mkfifo(state)
    assert name_kept_in(state, "host", bytes(6)) == "aaaaaa"
    assert name_kept_in(state, "host", b"\1" * 6) == "aaaaaa"


def test_a_link_where_the_machines_letters_and_the_usual_settings_are_kept_gives_way_to_a_file(
    tmp_path: Path,
) -> None:
    theirs, state, usual = tmp_path / "theirs", tmp_path / "machine.json", tmp_path / "usual.yaml"
    theirs.write_text("{}", encoding="utf-8")
    for link in (state, usual):
        link.symlink_to(theirs)
    assert name_kept_in(state, "host", bytes(6)) == "aaaaaa"
    assert name_kept_in(state, "host", b"\1" * 6) == "aaaaaa"
    mine, new = tmp_path / "settings.yaml", tmp_path / "new.yaml"
    mine.write_text("practice: {minutes: 35}\n", encoding="utf-8")
    keep_settings(mine, usual)
    adopt_settings(new, usual)
    assert new.read_text(encoding="utf-8") == mine.read_text(encoding="utf-8")
    assert theirs.read_text(encoding="utf-8") == "{}"


def test_a_file_of_the_programs_own_is_written_whole_and_read_up_to_a_bound(tmp_path: Path) -> None:
    write_own(tmp_path / "a", [b"12", b"345"])
    assert read_own(tmp_path / "a", 9) == b"12345"
    assert read_own(tmp_path / "a", 5) == b"12345"
    with pytest.raises(OSError, match="it has 5 bytes; at most 4 are allowed"):
        read_own(tmp_path / "a", 4)
    with pytest.raises(FileNotFoundError):
        read_own(tmp_path / "b", 9)


def test_a_log_that_can_not_be_read_is_not_called_empty(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (log,) = (folder / "progress" / "log").iterdir()
    log.unlink()
    os.mkfifo(log)
    assert main(["log", "backup"]) == 1
    assert "is a pipe, but the program needs a file of its own" in capsys.readouterr().err


@pytest.mark.parametrize("key", ["", "A1", "A1|x", "H9|1/2", "A1@x|1/2", "A1|1/2|1/2|1/2"])
def test_a_key_that_names_no_node_is_on_no_neck(key: str) -> None:
    place = PlaceReply(key, 0.5, 40.0, 60.0, 1, 8, 1, 8, {})
    assert necks([place], [sample_drill().instrument]) == []
