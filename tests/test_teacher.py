"""The teacher's loop: assign, practise, report back, overview; and files that are not what they should be."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from coach.cli import main
from coach.folder.library import find_drill
from coach.ground.places import find_places
from coach.log.entries import Entry
from coach.log.log import Log
from coach.music.excerpt import Excerpt, passage_of
from coach.report.inbox import StudentFile, read_student
from coach.report.roster import SORTS, overview, roster_csv, roster_lines, roster_page
from coach.report.student import (
    DayReply,
    DrillReply,
    NoteReply,
    PhraseReply,
    PlaceReply,
    Reply,
    StudentReply,
    TaskReply,
    digest,
    student_text,
)
from coach.score.load import load_drill
from tests.logs import A_CHOKE, DAY, NOON, PASSAGE, id_at, rep_at
from tests.test_library import write

TODAY = date(2026, 12, 10)


def assign(folder: Path, *words: str, drill: str = "first-pour") -> int:
    return main(["assign", drill, "--folder", str(folder), "--date", "2026-12-01", *words])


@pytest.fixture
def assigned(tmp_path: Path) -> Path:
    file = tmp_path / "for mia.yaml"
    words = ("--to", "Mia", "--from", "Ms. Orr: the 2nd", "--goal", "70", "--due", "2026-12-24")
    assert assign(tmp_path, *words, "--note", 'slow # "then" fast', "-o", str(file)) == 0
    return file


def practise(folder: Path, drill_file: Path, name: str = "Mia", days: int = 3) -> None:
    """Open the drill file as a student does, then log some days of its first phrase."""
    answers = folder.with_suffix(".txt")
    answers.write_text("clean\nstop\n")
    words = ["practice", str(drill_file), "--folder", str(folder), "--player", name, "--date", "2026-12-02"]
    assert main([*words, "--answers", str(answers)]) == 0
    drill = load_drill(drill_file)
    with Log.open(folder / "progress" / "log", name, now_ms=NOON) as log:
        for day in range(days):
            for number, layer in enumerate(("harmonics", "together")):
                passage = passage_of(drill, Excerpt(drill.id, (drill.phrases[0].id,), layer)).logged
                faults = A_CHOKE if layer == "together" and day else ()
                rep = rep_at(log, NOON + day * DAY + number * 60_000, faults, passage, 52 + day)
                log.send((replace(rep, goal_bpm=70), passage))
        note = Entry(id_at(NOON, "n"), log.player.id, NOON, 60, "note", {"text": "my thumb is sore"})
        log.send(note)


def report_for_teacher(folder: Path, file: Path, *words: str) -> int:
    where = ["--folder", str(folder), "--date", "2026-12-10", "-o", str(file)]
    return main(["report", "--for-teacher", *where, *words])


@pytest.fixture
def file(tmp_path: Path, assigned: Path) -> Path:
    practise(tmp_path / "mia", assigned)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    assert report_for_teacher(tmp_path / "mia", inbox / "mia.json") == 0
    return inbox / "mia.json"


def test_an_assigned_file_is_the_same_drill_with_the_assignment_and_its_comments(assigned: Path) -> None:
    original = load_drill(find_drill("first-pour", find_places(assigned.parent)))
    drill = load_drill(assigned)
    task = drill.assignment
    assert task is not None
    assert (task.student, task.teacher, task.goal_bpm) == ("Mia", "Ms. Orr: the 2nd", 70)
    assert (task.due, task.note) == (date(2026, 12, 24), 'slow # "then" fast')
    assert (drill.id, drill.revision, drill.goal_bpm) == (original.id, original.revision, 70)
    assert "# the highest string first, as tab is read" in assigned.read_text()


def test_a_file_assigned_to_another_student_is_refused_and_kept_nowhere_unless_asked_anyway(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = tmp_path / "answers.txt"
    answers.write_text("clean\nstop\n")
    folder = tmp_path / "home"

    def practice(player: str, *more: str) -> int:
        words = ["practice", str(assigned), "--folder", str(folder), "--player", player, *more]
        return main([*words, "--answers", str(answers), "--date", "2026-12-02"])

    assert practice("Björn") == 1
    printed = capsys.readouterr().err
    assert f"{assigned}: is assigned to Mia; practised here, it would count for Björn" in printed
    assert "--anyway" in printed
    assert not folder.exists()
    assert practice(" mïa") == 0
    assert practice("Björn") == 1
    assert main(["log", "players", "--folder", str(folder), "--json"]) == 0
    assert "Björn" not in capsys.readouterr().out
    assert practice("Björn", "--anyway") == 0


def test_assigning_an_assigned_file_keeps_what_no_option_says_otherwise_and_tells_it(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    again = tmp_path / "bo.yaml"
    words = ("--to", "Bo", "--goal", "66", "--note", "", "-o", str(again))
    assert assign(tmp_path, *words, drill=str(assigned)) == 0
    task, before = load_drill(again).assignment, load_drill(assigned).assignment
    assert again.read_text().count("assignment:") == 1
    assert task is not None
    assert before is not None
    assert (task.student, task.teacher, task.goal_bpm) == ("Bo", "Ms. Orr: the 2nd", 66)
    assert (task.due, task.note) == (date(2026, 12, 24), "")
    assert task.id != before.id
    printed = capsys.readouterr().err
    assert "kept from the assignment in for mia.yaml: teacher Ms. Orr: the 2nd, due 2026-12-24\n" in printed


def test_a_kept_due_date_that_is_past_is_told(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["assign", str(assigned), "--to", "Bo", "-o", str(tmp_path / "bo.yaml"), "--date", "2027-01-02"]
    assert main(words) == 0
    assert "the due date that was kept, 2026-12-24, is past; --due sets another" in capsys.readouterr().err


def test_an_assignment_in_the_middle_of_a_file_and_in_flow_style_is_replaced(
    tmp_path: Path, assigned: Path
) -> None:
    text = assigned.read_text()
    head, _, tail = text.partition("phrases:")
    block = tail[tail.index("assignment:") :]
    middle = tmp_path / "middle.yaml"
    middle.write_text(f"{head}{block}phrases:{tail.removesuffix(block)}")
    flow = tmp_path / "flow.yaml"
    flow.write_text(
        "{drill: 1, id: f, title: F, instrument: bass, meter: 4/4, tempo: {start: 40, goal: 60}, "
        "assignment: {student: Al}, phrases: [{id: a, name: A, bars: [{bass: '1 E:0 for 4'}]}]}"
    )
    for source in (middle, flow):
        target = tmp_path / "new.yaml"
        assert assign(tmp_path, "--to", "Cy", "-o", str(target), drill=str(source)) == 0
        task = load_drill(target).assignment
        assert task is not None
        assert task.student == "Cy"


def test_assigning_writes_the_id_into_the_teachers_own_drill_so_that_a_new_title_keeps_the_history(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    own, out = write(tmp_path / "drills", "kite.yaml"), str(tmp_path / "mia.yaml")
    assert assign(tmp_path, "--to", "Mia", "-o", out, drill="kite") == 0
    assert "kite.yaml now holds its id, kite" in capsys.readouterr().err
    own.write_text(own.read_text().replace("title: Kite", "title: Hawk"))
    assert load_drill(own).id == load_drill(Path(out)).id
    assert assign(tmp_path, "--to", "Mia", "-o", out, drill="kite") == 0
    assert "now holds" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "message", "status"),
    [
        (("--to", "Mia", "--goal", "7000", "-o", "x"), "--goal: 7000 is outside 20 to 300 bpm", 2),
        (("--to", "Mia", "--goal", "30", "-o", "x"), "30 bpm is below the drill's start, 50 bpm", 2),
        (("--to", "Mia", "--due", "24.12.2026", "-o", "x"), "--due: '24.12.2026' is no date", 2),
        (
            ("--to", "Mia", "--due", "2026-11-30", "-o", "x"),
            "--due: 2026-11-30 is past; today is 2026-12-01",
            2,
        ),
        (("--to", "\x1b[0m ", "-o", "x"), "--to: a name is needed", 2),
        (("--to", "M" * 500, "-o", "x"), "--to: 500 letters are more than", 2),
    ],
)
def test_a_wrong_assignment_is_told_and_writes_nothing(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...],
    message: str,
    status: int,
) -> None:
    monkeypatch.chdir(tmp_path)
    assert assign(tmp_path, *words) == status
    assert message in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_the_student_sees_what_the_file_tells_before_it_is_written(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    practise(tmp_path / "mia", assigned)
    capsys.readouterr()
    assert report_for_teacher(tmp_path / "mia", tmp_path / "mia.json") == 0
    printed = capsys.readouterr().err
    assert "This is what your teacher will see of Mia:" in printed
    assert "First Pour: practised on 4 days, 2 Dec to 5 Dec 2026" in printed
    assert "my thumb is sore" in printed
    assert "Nothing about other drills, and no single repetition." in printed


def test_saying_no_writes_nothing(
    tmp_path: Path, assigned: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    practise(tmp_path / "mia", assigned)

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr("sys.stdin", Terminal("n\n"))
    target = tmp_path / "mia.json"
    assert report_for_teacher(tmp_path / "mia", target) == 1
    assert "nothing was written" in capsys.readouterr().err
    assert not target.exists()
    assert report_for_teacher(tmp_path / "mia", target, "--yes") == 0
    assert target.exists()


def test_notes_are_left_out_when_asked_and_other_drills_always(tmp_path: Path, assigned: Path) -> None:
    folder = tmp_path / "mia"
    practise(folder, assigned)
    other = replace(load_drill(assigned), id="private-piece", title="Private Piece")
    with Log.open(folder / "progress" / "log", "Mia", now_ms=NOON) as log:
        passage = passage_of(other, Excerpt(other.id, (other.phrases[0].id,), "together")).logged
        log.send((rep_at(log, NOON + 999, (), passage), passage))
    assert report_for_teacher(folder, tmp_path / "a.json", "--without-notes") == 0
    text = (tmp_path / "a.json").read_text()
    assert "thumb" not in text
    assert "rivate" not in text
    assert report_for_teacher(folder, tmp_path / "b.json") == 0
    assert "thumb" in (tmp_path / "b.json").read_text()


def test_without_an_assignment_a_drill_must_be_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Log.open(tmp_path / "progress" / "log", "Mia", now_ms=NOON) as log:
        log.send((rep_at(log), PASSAGE))
    assert report_for_teacher(tmp_path, tmp_path / "x.json") == 2
    assert "no drill here carries an assignment" in capsys.readouterr().err
    assert report_for_teacher(tmp_path, tmp_path / "x.json", "first-pour", "--yes") == 0


def test_the_file_sums_this_drills_reps(file: Path) -> None:
    seen = read_student(file)
    (drill,) = seen.reply.drills
    assert (seen.reply.student.name, drill.id, drill.goal_bpm) == ("Mia", "first-pour", 70)
    assert drill.assignment is not None
    assert drill.assignment.due == date(2026, 12, 24)
    assert [day.day.day for day in drill.days] == [2, 3, 4, 5]
    assert [(day.cold, day.cold_clean) for day in drill.days] == [(1, 1), (2, 2), (2, 1), (2, 1)]
    assert drill.marked == {"choked": 2, "lift": 2}
    ladle = {phrase.layer: phrase for phrase in drill.phrases if phrase.name == "Ladle"}
    assert [ladle[layer].reps for layer in ("harmonics", "together")] == [3, 4]
    assert len(drill.phrases) == 9
    assert not seen.edited


def test_the_overview_has_a_row_for_the_assignment_with_the_next_step_and_why(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["roster", str(file.parent), "--date", "2026-12-06", "--json"]) == 0
    (row,) = json.loads(capsys.readouterr().out)["rows"]
    assert (row["student"], row["drill"], row["goal_bpm"]) == ("Mia", "First Pour", 70)
    assert row["minutes"] == pytest.approx(6 * 21 / 60 + 24 / 60, abs=0.1)
    assert (row["cold"], row["cold_clean"], row["last_practised"]) == (7, 5, "2026-12-05")
    assert row["next"]
    assert row["why"]


def damaged(file: Path, change: Callable[[dict[str, Any]], object]) -> None:
    body = json.loads(file.read_text())
    change(body)
    file.write_text(json.dumps(body))


def newer(body: dict[str, Any]) -> None:
    body["version"] = 3


def older(body: dict[str, Any]) -> None:
    body["version"] = 1


def versionless(body: dict[str, Any]) -> None:
    del body["version"]


def headless(body: dict[str, Any]) -> None:
    del body["wellrung"]


def halved(body: dict[str, Any]) -> None:
    del body["drills"][0]["days"]


def unheard_of(body: dict[str, Any]) -> None:
    body["drills"][0]["marked"] = {"fluffed": 1}


def absurd(body: dict[str, Any]) -> None:
    body["drills"][0]["days"][0]["minutes"] = 10**9


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (newer, "is a report of version 3; this program reads version 2 (update this program"),
        (older, "is a report of version 1; this program reads version 2 (the student updates theirs"),
        (versionless, "is a student's report without a version (edited by hand?)"),
        (headless, "is no student's report"),
        (unheard_of, "is a student's report, but not whole: 'fluffed' is no result or cause"),
        (halved, "is a student's report, but not whole: drills.1.days: is missing (ask for it again)"),
        (absurd, "is a student's report, but not whole: drills.1.days.1.minutes: found 1000000000, expected"),
    ],
)
def test_a_file_that_can_not_be_read_is_told_apart_and_left_as_it_is(
    file: Path,
    capsys: pytest.CaptureFixture[str],
    change: Callable[[dict[str, Any]], object],
    message: str,
) -> None:
    good = file.with_name("good.json")
    good.write_bytes(file.read_bytes())
    damaged(file, change)
    before = file.read_bytes()
    assert main(["roster", str(file.parent), "--date", "2026-12-06"]) == 1
    printed = capsys.readouterr()
    assert f"{file}: {message}" in printed.err
    assert "Mia" in printed.out
    assert file.read_bytes() == before


def test_a_file_cut_off_is_told(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_bytes(file.read_bytes()[:-100])
    assert main(["roster", str(file.parent)]) == 1
    assert "is a student's report that is cut off or broken (ask for it again)" in capsys.readouterr().err


def test_a_file_of_a_log_and_other_files_are_told_apart(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (kept,) = (file.parent.parent / "mia" / "progress" / "log").glob("*.jsonl")
    file.with_name("log.jsonl").write_bytes(kept.read_bytes())
    file.with_name("text.txt").write_text("dear teacher")
    file.with_name("photo.json").write_bytes(b"\xff\xd8\xff")
    file.with_name("drill.yaml").write_text("drill: 1")
    assert main(["roster", str(file.parent)]) == 1
    printed = capsys.readouterr().err
    assert (
        "log.jsonl: is a file of a practice log, no report (ask for `coach report --for-teacher`)" in printed
    )
    assert "text.txt: is no student's report" in printed
    assert "photo.json: is no text" in printed
    assert "drill.yaml" not in printed


def test_a_file_edited_by_hand_is_shown_and_marked(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def better(body: dict[str, Any]) -> None:
        body["drills"][0]["phrases"][0]["rung_bpm"] = 70

    damaged(file, better)
    assert main(["roster", str(file.parent), "--date", "2026-12-06"]) == 0
    printed = capsys.readouterr()
    assert (
        "was changed after it was written, by hand or on the way; it is marked * where it is shown"
        in printed.err
    )
    assert "Mia*" in printed.out


def test_an_assignment_that_is_no_assignment_is_told(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    body = json.loads(file.read_text())
    body["drills"][0]["assignment"] = True
    file.write_text(json.dumps(body))
    assert main(["roster", str(file.parent)]) == 1
    assert (
        "not whole: drills.1.assignment: found True, expected an object in braces" in capsys.readouterr().err
    )


def test_layout_alone_does_not_count_as_an_edit(file: Path) -> None:
    damaged(file, lambda body: None)
    assert not read_student(file).edited


def test_no_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", str(tmp_path / "nowhere")]) == 1
    assert "is no folder (put your students' files into one folder" in capsys.readouterr().err
    assert main(["roster", str(tmp_path)]) == 0
    assert "no student's report here" in capsys.readouterr().out


def days(*rows: tuple[date, int, int, int], minutes: float = 9.0) -> tuple[DayReply, ...]:
    """Practice days: the day, rated repetitions, first ones of the day and clean ones of these."""
    return tuple(
        DayReply(day, minutes if rated else 0.0, rated, rated, rated // 2, cold, clean)
        for day, rated, cold, clean in rows
    )


PHRASE = PhraseReply("p", "P", "together", True, 60, 58, None, False, None, 9, TODAY)
UNBEGUN = PhraseReply("q", "Q", "together", True, None, None, None, False, None, 0, None)
LANDED = replace(PHRASE, landed=date(2026, 12, 1))


def seen_drill(
    drill_id: str = "d", title: str = "D", student: str = "", due: date | None = None, **more: Any
) -> DrillReply:
    facts: dict[str, Any] = {
        "id": drill_id,
        "revision": "r",
        "title": title,
        "goal_bpm": 80,
        "assignment": TaskReply("A", student, "", None, due, "") if student or due else None,
        "phrases": (PHRASE,),
        "nodes": (),
        "moves": (),
        "days": days((date(2026, 12, 8), 0, 0, 0), (date(2026, 12, 9), 20, 4, 4), minutes=20.0),
        "marked": {},
        "entered": 0.0,
    }
    return DrillReply(**{**facts, **more})


def seen_file(
    name: str,
    *drills: DrillReply,
    day: date = TODAY,
    student_id: str = "",
    hour: str = "12:00Z",
    edited: bool = False,
) -> StudentFile:
    who = StudentReply(student_id or f"id-{name}", name)
    return StudentFile(f"{name}.json", Reply(f"{day}T{hour}", day, who, drills, ()), edited)


def test_of_two_files_of_one_student_the_one_written_last_counts() -> None:
    old = seen_file("Mia", seen_drill(goal_bpm=70), day=date(2026, 12, 1))
    new = seen_file("Mia", seen_drill(goal_bpm=80))
    for files in ((old, new), (new, old)):
        rows = overview(files, TODAY)
        assert [(row.case.drill.goal_bpm, row.older) for row in rows] == [(80, 1)]
        assert "folded away: 1 older report of the same student and drill" in roster_lines(rows)


def test_a_new_assignment_of_a_drill_takes_the_place_of_the_old_by_the_reports_moment_and_not_its_letters() -> (
    None
):
    old = seen_file("Mia", seen_drill(student="Mia", goal_bpm=70), hour="12:00+02:00")
    new = seen_file("Mia", seen_drill(student="Mia", goal_bpm=80), hour="11:00Z")
    for files in ((old, new), (new, old)):
        assert [row.case.drill.goal_bpm for row in overview(files, TODAY)] == [80]


def test_of_two_reports_of_one_moment_the_one_as_it_was_written_counts() -> None:
    whole, changed = seen_file("Mia", seen_drill()), seen_file("Mia", seen_drill(goal_bpm=60), edited=True)
    for name in ("a.json", "z.json"):
        (row,) = overview([whole, replace(changed, path=name)], TODAY)
        assert (row.case.drill.goal_bpm, row.edited) == (80, False)


def test_a_report_by_another_player_than_the_assignments_student_says_so() -> None:
    files = [seen_file(name, seen_drill(student="Ana")) for name in ("Björn", "ana ")]
    rows = overview(files, TODAY)
    assert [row.assigned_to for row in sorted(rows, key=lambda row: row.student)] == ["Ana", ""]
    assert "    assigned to Ana" in roster_lines(rows)
    assert "Björn (assigned to Ana)" in roster_page(rows, [], TODAY)
    assert "coach assign DRILL --to NAME" in roster_page(rows, [], TODAY)


def test_two_drills_of_one_title_are_told_apart_by_their_ids() -> None:
    rows = overview([seen_file("A", seen_drill("one")), seen_file("B", seen_drill("two"))], TODAY)
    assert [row.drill for row in rows] == ["D (one)", "D (two)"]
    assert not any(row.marks for row in rows)


def test_another_revision_of_the_drill_than_most_have_is_marked() -> None:
    files = [seen_file(name, seen_drill(), edited=name == "B") for name in "AB"]
    rows = overview([*files, seen_file("C", seen_drill(revision="x"))], TODAY)
    assert [row.student + row.marks for row in rows] == ["A", "B*", "C+"]
    printed = roster_lines(rows)
    assert "* changed after it was written" in printed
    assert "+ another revision of the drill than most have" in printed


def test_two_students_of_one_name_are_told_apart_and_a_nameless_one_is_called_as_assigned() -> None:
    files = [
        seen_file("Mia", seen_drill(), student_id="01AAAA"),
        seen_file("Mia", seen_drill(), student_id="01BBBB"),
        seen_file("player", seen_drill(student="Noor"), student_id="01CCCC"),
    ]
    assert [row.student for row in overview(files, TODAY)] == ["Mia (AAAA)", "Mia (BBBB)", "Noor"]


FAILS = "fails in 5 of its last 8 (choked 6), mostly lift: let the string go as soon as it is plucked"
BAD_NODE = PlaceReply("D2|1/6", "3.2 on D2", 0.5, 5, 8, {"choked": 6, "position": 1, "lift": 5})


def away(rated: int) -> tuple[DayReply, ...]:
    """Two days of practice, the last of them nine days before the reply."""
    return days((date(2026, 11, 30), 0, 0, 0), (date(2026, 12, 1), rated, 0, 0))


@pytest.mark.parametrize(
    ("more", "advice", "why"),
    [
        ({"days": ()}, "talk before assigning more", "nothing of it was practised yet"),
        ({"phrases": (LANDED,)}, "the next drill, or a faster goal", "landed at 80 bpm, 0 kept"),
        (
            {"phrases": (replace(LANDED, kept=True),), "due": date(2026, 12, 9)},
            "the next drill, or a faster goal",
            "every phrase landed at 80 bpm, 1 kept",
        ),
        ({"days": away(60)}, "shorter sittings", "not practised from 1 Dec to 10 Dec"),
        ({"days": away(60), "nodes": (BAD_NODE,)}, "3.2 on D2 alone", FAILS),
        (
            {"days": away(9), "phrases": (replace(PHRASE, rung_bpm=76),)},
            "too little to say: ask for another sitting",
            "9 rated repetitions on 2 days, not practised from 1 Dec to 10 Dec",
        ),
        (
            {"days": away(60), "phrases": (replace(PHRASE, rung_bpm=76),)},
            "the same, to its end: it is close",
            "76 of 80 bpm, not practised from 1 Dec to 10 Dec",
        ),
        (
            {"days": days((TODAY, 60, 4, 4)), "nodes": (BAD_NODE,)},
            "too little to say: ask for another sitting",
            "60 rated repetitions on 1 day",
        ),
        ({"due": date(2026, 12, 9)}, "a goal near 60 bpm", "overdue since 9 Dec; 60 of 80 bpm"),
        (
            {"due": date(2026, 12, 9), "phrases": (replace(PHRASE, rung_bpm=76),)},
            "the same, with a later date: it is close",
            "overdue since 9 Dec; 76 of 80 bpm",
        ),
        (
            {"due": date(2026, 12, 9), "nodes": (BAD_NODE,)},
            "3.2 on D2 alone",
            f"overdue since 9 Dec; {FAILS}",
        ),
        ({"days": (*away(20), *days((TODAY, 9, 9, 3)))}, "a slower goal", "only 3 of 9 first repetitions"),
        ({"nodes": (BAD_NODE,)}, "3.2 on D2 alone", FAILS),
        (
            {"moves": (replace(BAD_NODE, name="7 on G2 to 5 on G2"),)},
            "the move 7 on G2 to 5 on G2",
            "fails in 5 of its last 8",
        ),
        (
            {"marked": {"dropped": 20, "choked": 10}},
            "the held notes",
            "dropped 20 of 30 marks of late: a held note ended too early",
        ),
        (
            {
                "days": tuple(
                    replace(day, reps=400, rated=400, clean=399) for day in days((TODAY, 2, 0, 0)) * 2
                )
            },
            "hear this once with them",
            "2 of 800 rated repetitions had any mark",
        ),
        ({"entered": 0.75}, "nothing new", "75 % entered afterwards"),
        (
            {"phrases": (UNBEGUN, replace(UNBEGUN, layer="bass", top=False))},
            "Q, bass alone",
            "not begun, the goal is 80",
        ),
        (
            {
                "phrases": (
                    replace(PHRASE, rung_bpm=39),
                    replace(PHRASE, layer="harmonics", top=False, rung_bpm=27),
                )
            },
            "nothing new: it is under way",
            "39 of 80 bpm",
        ),
        ({}, "nothing new: it is under way", "60 of 80 bpm, 0 of 1 phrase landed, 0 kept"),
    ],
)
def test_what_to_assign_next_follows_from_what_the_file_says(
    more: dict[str, Any], advice: str, why: str
) -> None:
    (row,) = overview([seen_file("Mia", seen_drill(**more))], TODAY)
    assert advice in row.advice
    assert why in row.why


def test_a_note_that_several_reports_repeat_is_shown_once(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file.with_name("later.json").write_bytes(file.read_bytes())
    capsys.readouterr()
    assert main(["roster", str(file.parent), "--date", "2026-12-10"]) == 0
    assert capsys.readouterr().out.count("my thumb is sore") == 1


def test_a_phrase_not_begun_is_said_in_place_of_the_rung() -> None:
    layer = replace(UNBEGUN, layer="bass", top=False, rung_bpm=50)
    for phrases, words in (
        ((PHRASE, UNBEGUN), "1 of 2 phrases begun"),
        ((PHRASE, UNBEGUN, layer), "1 of 2 phrases together"),
    ):
        assert overview([seen_file("Mia", seen_drill(phrases=phrases))], TODAY)[0].rung == words


def test_the_command_to_assign_stands_below_the_table() -> None:
    assert "coach assign DRILL --to NAME" in roster_lines(overview([seen_file("A", seen_drill())], TODAY))[-1]


def test_a_node_with_few_results_is_not_named() -> None:
    few = replace(BAD_NODE, failed=3, of=4)
    assert overview([seen_file("Mia", seen_drill(nodes=(few,)))], TODAY)[0].failing_nodes == []


@pytest.mark.parametrize("sort", list(SORTS))
def test_every_sort_keeps_every_row(sort: str) -> None:
    files = [
        seen_file("A", seen_drill(due=TODAY), seen_drill("e", "E", days=())),
        seen_file("B", seen_drill(phrases=(replace(PHRASE, rung_bpm=None),))),
        seen_file("C", seen_drill(days=days((TODAY, 9, 4, 1), minutes=60.0))),
    ]
    rows = overview(files, TODAY, sort)
    assert sorted(row.student for row in rows) == ["A", "A", "B", "C"]
    first = {"due": "A", "minutes": "C", "rung": "B", "cold": "A", "last": "A", "student": "A", "drill": "A"}
    assert rows[0].student == first[sort]


def test_the_overview_as_page_and_table_shows_names_from_files_as_text_only() -> None:
    evil = "=1+<script>alert(1)</script>"
    rows = overview([seen_file(evil, seen_drill(title=evil))], TODAY)
    page = roster_page(rows, [(evil, TODAY, evil)], TODAY)
    assert "<script" not in page
    (row,) = csv.DictReader(io.StringIO(roster_csv(rows), newline=""))
    assert row["student"] == f"'{evil}"


def test_the_overview_fits_eighty_columns() -> None:
    names = [f"{name} on D2 with 7 on G2 and more" for name in "abcd"]
    long = seen_drill(title="T" * 99, nodes=tuple(replace(BAD_NODE, name=name) for name in names))
    lines = roster_lines(overview([seen_file("M" * 99, long)], TODAY))
    assert max(len(line) for line in lines) <= 80
    fresh = replace(long, phrases=(replace(UNBEGUN, phrase="p"), replace(PHRASE, top=False)))
    head, row, *_ = roster_lines(overview([seen_file("M", fresh)], TODAY))
    assert "0 of 1 together " in row
    assert row.index("4 of 4") == head.index("cold")
    assert "MMM… TTT" in lines[1]
    assert "TTT… " in lines[1]


def test_control_characters_in_a_students_file_never_reach_the_terminal(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def evil(body: dict[str, Any]) -> None:
        body["student"]["name"] = "\x1b]0;owned\x07Mia\x1b[31m"
        body["notes"][0]["text"] = "\x9b2Jgone"
        body["sha256"] = digest(body)

    damaged(file, evil)
    assert main(["roster", str(file.parent), "--date", "2026-12-06"]) == 0
    printed = capsys.readouterr()
    assert "Mia" in printed.out
    assert not {"\x1b", "\x9b", "\x07"} & set(printed.out + printed.err)


def test_a_reply_is_written_with_the_digest_of_its_content_and_read_back_as_it_was(tmp_path: Path) -> None:
    reply = seen_file(
        "Zoë", seen_drill(student="Zoë", due=TODAY, nodes=(BAD_NODE,), phrases=(LANDED, UNBEGUN))
    ).reply
    reply = replace(reply, notes=(NoteReply(TODAY, "slow"),))
    file = tmp_path / "zoe.json"
    file.write_text(student_text(reply), encoding="utf-8")
    body = json.loads(file.read_text(encoding="utf-8"))
    assert body["sha256"] == digest(body)
    assert read_student(file) == StudentFile(str(file), reply, False)


def test_the_overview_tells_landed_beside_kept_and_how_old_the_news_are() -> None:
    drill = seen_drill(phrases=(replace(LANDED, kept=True), replace(LANDED, phrase="q"), UNBEGUN))
    rows = overview([seen_file("Mia", drill)], date(2026, 12, 20))
    lines = [line.strip() for line in roster_lines(rows)]
    assert "landed 2 of 3, kept 1 of 3" in lines
    assert "no news since 10 Dec, the day of the reply" in lines
    assert not any("not practised" in line for line in lines)
    (row,) = csv.DictReader(io.StringIO(roster_csv(rows), newline=""))
    assert (row["landed"], row["kept"], row["reply_of"]) == ("2", "1", "2026-12-10")


def test_what_was_entered_afterwards_is_told_as_a_share(tmp_path: Path, assigned: Path) -> None:
    practise(tmp_path / "mia", assigned)
    assert report_for_teacher(tmp_path / "mia", tmp_path / "mia.json") == 0
    (drill,) = read_student(tmp_path / "mia.json").reply.drills
    reps = sum(day.reps for day in drill.days)
    # Of what `practise` logs, one repetition comes from an answers file.
    assert (reps, drill.entered) == (7, round(1 / 7, 3))
