"""`coach log` from the command line, on a real folder."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import zlib
from pathlib import Path

import pytest

from coach.cli import main
from coach.ground.places import Places
from coach.ground.table_csv import csv_text
from coach.log.entries import Entry, new_id
from coach.log.log import Log
from coach.rating.fault import parse_faults
from tests.logs import A_CHOKE, NOON, PASSAGE, rep_at


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A practice folder on a path with spaces and other letters, with three repetitions of Ada's."""
    folder = tmp_path / "Übe hier"
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        for index, faults in enumerate(((), A_CHOKE, None)):
            log.send((rep_at(log, NOON + index * 30_000, faults), PASSAGE))
    return folder


def test_a_whole_line_with_an_unknown_cause_is_of_a_newer_version(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (file,) = (folder / "progress" / "log").glob("*.jsonl")
    lines = file.read_bytes().splitlines()
    (at,) = (number for number, line in enumerate(lines) if b'"faults":"2c' in line)
    body = re.sub(rb'"faults":"2c[^"]*"', b'"faults":"2c:nail"', lines[at]).rpartition(b',"crc"')[0]
    lines[at] = body + b',"crc":"%08x"}' % zlib.crc32(body)
    file.write_bytes(b"\n".join(lines) + b"\n")
    assert coach(folder, "check") == 1
    told = "".join(capsys.readouterr())
    assert "'2c:nail' is not a result" in told
    assert "(a newer version of the program may have written it: update this program)" in told


def coach(folder: Path, *words: str) -> int:
    return main(["log", words[0], "--folder", str(folder), *words[1:]])


def shown(folder: Path, capsys: pytest.CaptureFixture[str]) -> list[dict[str, object]]:
    capsys.readouterr()
    assert coach(folder, "show", "--json") == 0
    rows: list[dict[str, object]] = json.loads(capsys.readouterr().out)
    return rows


def test_show_lists_each_rep_with_its_result(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert [row["result"] for row in shown(folder, capsys)] == ["clean", "2c:lift", "unrated"]


def test_show_tells_results_as_one_types_them(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from coach.session.answers import read_answers

    faults = parse_faults("1c:lift 2c 3l 4n 5n 6c.1:lift 7d")
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        log.send((rep_at(log, NOON + 100_000, faults), PASSAGE))
    assert coach(folder, "show") == 0
    told = capsys.readouterr().out.splitlines()[-1].partition(" bpm  ")[2]
    assert told == "choked 1 6.1 lift; choked 2; late 3; not reached 4 5; dropped 7"
    assert read_answers(told, "")[0].faults == faults


def test_show_with_a_date_lists_that_day_only(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        log.send((rep_at(log, NOON + 86_400_000, ()), PASSAGE))
    day = shown(folder, capsys)[0]["day"]
    assert coach(folder, "show", "--date", str(day), "--json") == 0
    assert [row["day"] for row in json.loads(capsys.readouterr().out)] == [day] * 3
    assert coach(folder, "show", "--date", str(day), "--since", str(day)) == 2
    assert "--since and --date exclude each other" in capsys.readouterr().err


def test_show_names_a_session_that_was_stopped_because_something_hurt(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        bodies: tuple[dict[str, object], ...] = ({"excerpt": PASSAGE.excerpt, "tempo_bpm": 52}, {})
        for number, body in enumerate(bodies):
            at_ms = NOON + (number + 1) * 40_000
            log.send(Entry(new_id(at_ms, bytes(10)), log.player.id, at_ms, 60, "hurt", body))
    rows = shown(folder, capsys)
    assert [row["kind"] for row in rows].count("hurt") == 2
    assert [row["at"] for row in rows] == sorted(str(row["at"]) for row in rows)
    assert coach(folder, "show") == 0
    told = [line for line in capsys.readouterr().out.splitlines() if "stopped: something hurt" in line]
    assert len(told) == 2
    assert "52 bpm" in told[0]


def test_a_rep_is_corrected_by_the_end_of_its_id_and_undo_drops_the_last(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rep_id = str(shown(folder, capsys)[0]["id"])
    assert coach(folder, "correct", rep_id[-8:], "late", "3") == 0
    assert coach(folder, "undo") == 0
    told = capsys.readouterr().out
    assert ": lantern, together at 52 bpm, unrated, no longer counts; it stays in the log" in told
    rows = shown(folder, capsys)
    assert [(row["result"], row["corrected"]) for row in rows] == [("3l", True), ("2c:lift", False)]
    assert coach(folder, "correct", rep_id, "void") == 0
    assert coach(folder, "correct", rep_id, "clean") == 0
    assert shown(folder, capsys)[0]["result"] == "clean"


@pytest.mark.parametrize(
    ("words", "message", "status"),
    [
        (("correct", "ZZZZ", "clean"), "no repetition ends in 'ZZZZ'", 1),
        (("correct", "0", "choked", "9"), "event 9 is outside 1 to 3", 1),
        (("correct", "0", "chocked", "2"), "found 'chocked', expected clean", 1),
        (("show", "--since", "yesterday"), "'yesterday' is not a date", 2),
        (("forget", "Ada"), "this needs a terminal, to ask you", 2),
        (("forget", "Cleo", "--yes"), "nobody called 'Cleo' has practised here", 2),
        (("export", "--everybody", "--player", "Ada"), "exclude each other", 2),
        (("note", " \x1b[31m"), "a note has 1 to 2,000 letters", 2),
        (("rename", "\x1b[31m"), "a name has 1 to 60 letters", 2),
        (("rename", "Ada B.", "--player", "Adda"), "nobody called 'Adda' has practised here (known: Ada)", 2),
        (("undo", "--player", "Adda"), "nobody called 'Adda' has practised here (known: Ada)", 2),
    ],
)
def test_wrong_use_is_told_in_a_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], message: str, status: int
) -> None:
    ids = [str(row["id"]) for row in shown(folder, capsys)]
    given = [ids[0] if word == "0" else word for word in words]
    assert coach(folder, *given) == status
    assert message in capsys.readouterr().err


def test_the_csv_export_is_read_by_the_standard_library(
    folder: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    assert coach(folder, "export") == 0
    written = capsysbinary.readouterr().out
    # RFC 3629, 6: the byte order mark is what tells a spreadsheet that a file is UTF-8.
    assert written[:3] == b"\xef\xbb\xbf"
    rows = list(csv.DictReader(io.StringIO(written.decode("utf-8-sig"), newline="")))
    assert [row["faults"] for row in rows] == ["", "2c:lift", ""]
    assert [row["clean"] for row in rows] == ["true", "false", "false"]
    assert rows[0]["time"] == "2026-12-03T13:00:00.000+01:00"


def test_numbers_below_zero_stay_numbers_in_csv() -> None:
    assert csv_text(["a", "b"], [(-3, "x,y")]) == '\ufeffa,b\r\n-3,"x,y"\r\n'


def the_file(folder: Path) -> Path:
    (path,) = (folder / "progress" / "log").glob("*.jsonl")
    return path


def test_check_tells_a_whole_log_and_finds_a_changed_line(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert coach(folder, "check") == 0
    assert "the log is whole: 3 repetitions in 1 file" in capsys.readouterr().out
    path = the_file(folder)
    path.write_bytes(path.read_bytes().replace(b"2c:lift", b"2c:lifs", 1))
    assert coach(folder, "check") == 1
    told = capsys.readouterr().err
    assert f"{path}:4: does not match its checksum: it was changed after it was written" in told
    assert f"{path}:4: missing: line 4, in no other file either" in told
    assert len(shown(folder, capsys)) == 2
    assert b"2c:lifs" in path.read_bytes()


def test_a_missing_log_is_never_whole_and_what_is_gone_is_told_until_it_is_accepted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = the_file(folder)
    data = path.read_bytes()
    path.unlink()
    for _ in range(2):
        assert coach(folder, "check") == 1
        assert f"{path}:1: missing: lines 1 to 5, in no other file either" in capsys.readouterr().err
        assert main(["plan", "--folder", str(folder)]) == 0
        capsys.readouterr()
    path.write_bytes(data)
    assert coach(folder, "check") == 0
    path.write_bytes(b"".join(data.splitlines(keepends=True)[:3]))
    assert coach(folder, "check", "--json") == 1
    told = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert "missing: lines 4 to 5" in told["problems"][0]
    assert not told["whole"]
    assert coach(folder, "check", "--accept") == 0
    assert coach(folder, "check") == 0
    path.unlink()
    (folder / "progress" / "cache" / "seen.json").unlink()
    assert coach(folder, "check") == 1
    assert "there is no log here" in capsys.readouterr().err


def test_forget_removes_a_person_from_the_log_and_its_backups_and_leaves_the_others(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Log.open(folder / "progress" / "log", "Ben", now_ms=NOON) as log:
        log.send((rep_at(log, NOON + 5), PASSAGE))
        log.correct(log.reps()[0], None, NOON + 6)
        ben = log.player.id
    assert main(["report", "--folder", str(folder), "--player", "Ben", "--date", "2026-12-03"]) == 0
    capsys.readouterr()
    assert coach(folder, "backup") == 0
    backup = Path(capsys.readouterr().out.strip())
    path = the_file(folder)
    broken = path.with_name("old-2026.jsonl")
    broken.write_bytes(b"not readable, Ben\n" + b'{"rep":"%s"\n' % ben.encode())
    assert coach(folder, "forget", "ben", "--yes") == 1
    told = capsys.readouterr()
    assert "old-2026.jsonl: can't be read completely and may still name Ben; look yourself" in told.err
    for file in (path, backup):
        data = file.read_bytes()
        assert b"Ben" not in data
        assert ben.encode() not in data
        assert b"Ada" in data
    assert broken.read_bytes() == b"not readable, Ben\n"
    assert not list((folder / "progress" / "cache").glob(f"*{ben}*"))
    broken.unlink()
    assert coach(folder, "check", "--accept") == 0
    assert len(shown(folder, capsys)) == 3


def test_a_backup_never_overwrites_and_brings_a_lost_log_back(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target, before = tmp_path / "copy.jsonl", shown(folder, capsys)
    assert coach(folder, "backup", "-o", str(target)) == 0
    assert coach(folder, "backup", "-o", str(target)) == 1
    assert "a backup never replaces a file" in capsys.readouterr().err
    the_file(folder).unlink()
    assert coach(folder, "check") == 1
    shutil.copy(target, folder / "progress" / "log")
    assert coach(folder, "check") == 0
    assert shown(folder, capsys) == before


def test_another_command_writes_while_a_session_is_open(folder: Path) -> None:
    with Log.open(folder / "progress" / "log", now_ms=NOON) as log:
        log.send((rep_at(log, NOON + 60_000), PASSAGE))
        assert coach(folder, "note", "her first week") == 0
        log.refresh()
        assert [entry.body["text"] for entry in log.entries("note")] == ["her first week"]


def test_a_renamed_player_is_found_by_the_new_name(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert coach(folder, "rename", "Ada Byron") == 0
    assert coach(folder, "players", "--json") == 0
    assert [row["name"] for row in json.loads(capsys.readouterr().out.split("\n", 1)[1])] == ["Ada Byron"]


def test_a_note_is_kept_for_its_day_and_shown_in_the_report(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert coach(folder, "note", "the lift is easier\x1b[31m", "sitting", "--date", "2026-12-04") == 0
    assert "noted for Ada on 2026-12-04" in capsys.readouterr().out
    report = ["report", "--folder", str(folder), "--date", "2026-12-05"]
    assert main(report) == 0
    assert "Notes\n  4 Dec: the lift is easier sitting\n" in capsys.readouterr().out
    assert main([*report, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["notes"] == [
        {"day": "2026-12-04", "text": "the lift is easier sitting"}
    ]
    assert main([*report, "--html"]) == 0
    assert "<li>4 Dec: the lift is easier sitting</li>" in capsys.readouterr().out


def test_a_note_is_saved_whatever_is_wrong_with_the_settings(tmp_path, capsys):
    (tmp_path / "drills").mkdir()
    Places(tmp_path).settings.write_text("practice: {minutes: many")
    assert coach(tmp_path, "note", "my thumb is sore") == 0
    assert "noted for player on " in capsys.readouterr().out


def test_a_note_may_be_the_first_word_of_a_log_and_is_that_of_the_student_whom_the_drill_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "drills").mkdir()
    handed = str(tmp_path / "drills" / "mia.yaml")
    assert (
        main(["assign", "first-pour", "--to", "Mia", "--folder", str(tmp_path / "class"), "-o", handed]) == 0
    )
    assert coach(tmp_path, "note", "a new string today") == 0
    assert "noted for Mia on " in capsys.readouterr().out
    assert coach(tmp_path, "undo") == 1
    assert "there is no repetition to take back" in capsys.readouterr().err


def test_two_names_become_one_person_and_are_parted_again(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Log.open(folder / "progress" / "log", "Addie", now_ms=NOON + 9) as log:
        log.send((rep_at(log, NOON + 10), PASSAGE))
        addie = log.player.id
    assert coach(folder, "rename", "ada", "--player", "Addie") == 0
    told = capsys.readouterr().out
    assert "ada was known here already: their results are one person's from now on" in told
    assert f"coach log rename Addie --player {addie[-6:]}" in told
    assert len(shown(folder, capsys)) == 4
    assert coach(folder, "rename", "Addie", "--player", addie[-6:]) == 0
    capsys.readouterr()
    assert coach(folder, "players", "--json") == 0
    assert [row["name"] for row in json.loads(capsys.readouterr().out)] == ["Ada", "Addie"]


def test_forgetting_names_the_files_that_still_name_the_person(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Log.open(folder / "progress" / "log", "Ada", now_ms=NOON) as log:
        player_id = log.player.id
    sub = folder / "inbox"
    sub.mkdir()
    (sub / "week.json").write_text(f'{{"id": "{player_id}"}}')
    (sub / "for-ada.yaml").write_text("drill: 1")
    (folder / "plan.txt").write_text("ask ADA about 3.2")
    (folder / "other.txt").write_text("Adagio")
    assert coach(folder, "forget", "Ada", "--yes") == 0
    told = capsys.readouterr().err
    assert told.count("names Ada; delete it yourself") == 3
    assert "other.txt" not in told
    assert coach(folder, "forget", "Ada", "--yes") == 1
    told = capsys.readouterr().err
    assert "nobody called 'Ada' has practised here, but some files name them" in told
    assert f"{sub / 'for-ada.yaml'}: names Ada" in told
    shutil.rmtree(folder / "progress")
    assert coach(folder, "forget", "Ada") == 1
    assert "plan.txt: names Ada" in capsys.readouterr().err


def test_a_folder_that_was_not_there_is_told_so_that_a_mistyped_one_is_noticed(tmp_path, capsys):
    folder = tmp_path / "praktice"
    assert main(["plan", "--folder", str(folder)]) == 0
    assert capsys.readouterr().err == f"coach: {folder}: there is no such folder\n"
    assert main(["log", "note", "hi", "--folder", str(folder)]) == 0
    assert capsys.readouterr().err == f"coach: {folder}: is a practice folder from now on\n"
    assert main(["plan", "--folder", str(folder)]) == 0
    assert capsys.readouterr().err == ""
