"""The teacher's loop: assign, practise, report back, overview; and files that are not what they should be."""

from __future__ import annotations

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
from coach.ground.places import Places, find_places
from coach.ground.problem import CoachError
from coach.learning.material import material_of
from coach.log.entries import Entry
from coach.log.log import Log
from coach.music.drill import AskedPart
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.report.handed import FILE, recall
from coach.report.inbox import read_student
from coach.report.reply import digest
from coach.score.load import load_drill
from coach.session.desk import Desk
from tests.logs import A_CHOKE, DAY, NOON, PASSAGE, id_at, rep_at
from tests.test_library import write


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
    return main(["report", "--for-teacher", "--yes", *where(folder, file), *words])


def where(folder: Path, file: Path) -> list[str]:
    return ["--folder", str(folder), "--date", "2026-12-10", "-o", str(file)]


@pytest.fixture
def file(tmp_path: Path, assigned: Path) -> Path:
    practise(tmp_path / "mia", assigned)
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    assert report_for_teacher(tmp_path / "mia", inbox / "mia.json") == 0
    return inbox / "mia.json"


def test_a_reply_that_is_written_says_so_and_what_to_do_with_it(
    file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert report_for_teacher(tmp_path / "mia", file) == 0
    assert capsys.readouterr().out.endswith(f"wrote {file}; send it to your teacher\n")


def test_an_assigned_file_is_the_same_drill_with_the_assignment_and_its_comments(assigned: Path) -> None:
    original = load_drill(find_drill("first-pour", find_places(assigned.parent)))
    drill = load_drill(assigned)
    task = drill.assignment
    assert task is not None
    assert (task.student, task.teacher, task.goal_bpm) == ("Mia", "Ms. Orr: the 2nd", 70)
    assert (task.due, task.note) == (date(2026, 12, 24), 'slow # "then" fast')
    assert (drill.id, drill.revision, drill.goal_bpm) == (original.id, original.revision, 70)
    assert "# highest string first, as in tab" in assigned.read_text()


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
    assert f"{assigned}: is assigned to Mia, but here it would count for Björn" in printed
    assert "--anyway" in printed
    assert not folder.exists()
    assert practice(" mïa") == 0
    assert practice("Björn") == 1
    assert main(["log", "players", "--folder", str(folder), "--json"]) == 0
    assert "Björn" not in capsys.readouterr().out
    assert practice("Björn", "--anyway") == 0


def test_a_players_first_assigned_file_names_them_and_nobody_elses_file_replaces_it(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    answers, folder, bo = tmp_path / "answers.txt", tmp_path / "home", tmp_path / "bo.yaml"

    def practice(drill: str, results: str, *more: str) -> int:
        answers.write_text(results)
        words = ["practice", drill, "--folder", str(folder), *more]
        return main([*words, "--answers", str(answers), "--date", "2026-12-02"])

    assert assign(tmp_path, "--to", "Bo", "--goal", "66", "-o", str(bo), drill=str(assigned)) == 0
    assert practice("first-pour", "clean\n") == 0
    assert practice(str(assigned), "clean\nstop\n") == 1
    assert "`coach log rename Mia` if that is you" in capsys.readouterr().err
    assert main(["log", "rename", "Mia", "--folder", str(folder)]) == 0
    assert practice(str(assigned), "clean\nstop\n") == 0
    capsys.readouterr()
    assert main(["log", "players", "--folder", str(folder), "--json"]) == 0
    assert [one["name"] for one in json.loads(capsys.readouterr().out)] == ["Mia"]
    (kept,) = (folder / "drills").iterdir()
    before = kept.read_bytes()
    assert practice(str(bo), "clean\nclean\n") == 1
    assert practice(str(bo), "clean\nclean\n", "--anyway") == 0
    assert "is for Mia and stays as it is" in "".join(capsys.readouterr())
    assert [one.read_bytes() for one in (folder / "drills").iterdir()] == [before]


def test_nobody_becomes_the_student_of_a_file_that_they_try_without_being_asked(
    tmp_path: Path, assigned: Path
) -> None:
    """A teacher with a log that has no name yet opens what they made for Mia."""
    folder, asked = tmp_path / "home", list[str]()

    def no(name: str) -> bool:
        asked.append(name)
        return False

    def who(**more: Any) -> str:
        with Desk.open(Places(folder), clock=lambda: (NOON, 60), names=(str(assigned),), **more) as desk:
            desk.note("note", {"text": "a trial"})
            return desk.log.player.name

    for _ in range(2):
        with pytest.raises(CoachError, match="is assigned to Mia, but here it would count for player"):
            who(is_student=no)
        assert who(anyway=True) == "player"
    assert asked == ["Mia", "Mia"]
    assert who(is_student=lambda name: name == "Mia") == "Mia"
    with Log.open(folder / "progress" / "log", now_ms=NOON, read_only=True) as log:
        assert [one.name for one in log.players()] == ["Mia"]
        assert len(log.entries("note")) == 3


def test_an_answer_to_a_student_leaves_goal_and_date_as_they_were_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mia.yaml"

    def task(*words: str) -> tuple[int, date | None]:
        assert assign(tmp_path, "--to", "Mia", *words, "-o", str(file)) == 0
        drill = load_drill(file)
        assert drill.assignment is not None
        assert drill.assignment.teacher == "Marta", "said once, the teacher's name goes along"
        return drill.goal_bpm, drill.assignment.due

    assert task("--from", "Marta", "--goal", "60", "--due", "2026-12-24") == (60, date(2026, 12, 24))
    capsys.readouterr()
    assert task("--only", "ladle at 55") == (60, date(2026, 12, 24))
    told = "unchanged from what Mia has of First Pour: teacher Marta, goal 60 bpm, due 2026-12-24\n"
    assert told in capsys.readouterr().err
    assert task("--due", "", "--goal", "66") == (66, None)
    assert task("--due", "2026-11-30") == (66, date(2026, 11, 30))
    assert task() == (66, None), "a date that is past is no date for the next hand-out"


def test_an_answer_to_a_student_leaves_the_parts_that_were_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mia.yaml"

    def parts(*words: str, drill: str = "first-pour") -> list[str]:
        assert assign(tmp_path, "--to", "Mia", *words, "-o", str(file), drill=drill) == 0
        task = load_drill(file).assignment
        assert task is not None
        return [str(part) for part in task.parts]

    both = ["ladle at 55", "12 on D2 at 60"]
    assert parts("--only", *both) == both
    capsys.readouterr()
    assert parts("--note", "Lift sooner.") == both
    told = "unchanged from what Mia has of First Pour: only ladle at 55 and 12 on D2 at 60\n"
    assert told in capsys.readouterr().err
    marked = file.rename(tmp_path / "marked.yaml")
    assert parts("--note", "again", drill=str(marked)) == both, "from a file that has them itself"
    own = tmp_path / "drills" / "first-pour.yaml"
    own.parent.mkdir(exist_ok=True)
    text = find_drill("first-pour", find_places(str(tmp_path))).read_text()
    own.write_text(text.replace("tempo: {start: 50", "tempo: {start: 58"))
    capsys.readouterr()
    assert parts("--goal", "80", drill=str(own)) == both[1:]
    lost = "Mia: ladle at 55 is left out: 55 is outside 58 (the drill's start) to 300 bpm"
    assert lost in capsys.readouterr().err
    assert parts("--only", "") == []
    assert parts("--note", "all of it") == []


def test_the_teachers_note_stands_once_in_a_plan(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert main(["plan", str(assigned), "--folder", str(tmp_path / "home"), "--date", "2026-12-02"]) == 0
    assert capsys.readouterr().out.count('slow # "then" fast') == 1


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
    assert (
        "unchanged from the assignment in for mia.yaml: teacher Ms. Orr: the 2nd, due 2026-12-24\n" in printed
    )


def test_a_class_list_and_several_drills_make_one_file_a_student_that_opens_as_all_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    listed = tmp_path / "class.txt"
    listed.write_text("Mia\n# the new ones\nBo Lind  # since May\n\nmïa\n")
    words = ["assign", "first-pour", "small-bells", "--class", str(listed), "--note", "low E down"]
    out = tmp_path / "out"
    assert main([*words, "--folder", str(tmp_path), "-o", str(out), "--date", "2026-12-01"]) == 0
    assert sorted(path.name for path in out.iterdir()) == ["bo-lind.yaml", "mia.yaml"]
    handed, _ = recall(tmp_path)
    assert [(one.student, one.drill) for one in handed] == [
        (student, drill) for student in ("Mia", "Bo Lind") for drill in ("first-pour", "small-bells")
    ]
    answers = tmp_path / "answers.txt"
    answers.write_text("clean\nstop\n")
    home = tmp_path / "home"
    words = ["practice", str(out / "mia.yaml"), "--folder", str(home), "--answers", str(answers)]
    assert main([*words, "--date", "2026-12-02"]) == 0
    assert sorted(path.name for path in (home / "drills").iterdir()) == [
        "first-pour.yaml",
        "small-bells.yaml",
    ]
    (task, other) = (load_drill(path).assignment for path in sorted((home / "drills").iterdir()))
    assert task is not None
    assert other is not None
    assert (task.student, task.note, other.id) == ("Mia", "low E down", handed[1].id)
    capsys.readouterr()
    assert main(["plan", "--folder", str(home), "--date", "2026-12-03"]) == 0
    first = capsys.readouterr().out.splitlines()[1]
    assert first.startswith('Note: Your teacher writes: "low E down" Answer with `coach log note')
    capsys.readouterr()
    # What a double click on the file runs: its path alone.
    assert main([str(out / "mia.yaml"), "--folder", str(home)]) == 1
    assert "a session needs a terminal" in capsys.readouterr().err
    assert main(["check", str(out / "mia.yaml")]) == 0
    assert capsys.readouterr().out.count("good: ") == 2


def test_students_and_parts_named_by_an_option_each_are_all_meant(tmp_path: Path) -> None:
    words = ("--to", "Mia", "--to", "Bo", "Ida", "--only", "12 on G2", "--only", "7 on G2 at 60")
    assert assign(tmp_path, *words, "-o", f"{tmp_path / 'out'}/") == 0
    tasks = [load_drill(path).assignment for path in sorted((tmp_path / "out").iterdir())]
    asked = [AskedPart("12 on G2"), AskedPart("7 on G2", 60)]
    assert [(task.student, [*task.parts]) for task in tasks if task] == [
        (student, asked) for student in ("Bo", "Ida", "Mia")
    ]


def test_a_problem_in_the_second_drill_of_a_file_is_told_at_its_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mia.yaml"
    words = ["assign", "first-pour", "small-bells", "--to", "Mia", "--folder", str(tmp_path)]
    assert main([*words, "-o", str(out)]) == 0
    lines = out.read_text().splitlines()
    at = max(number for number, line in enumerate(lines, 1) if line.startswith("meter:"))
    lines[at - 1] = "meter: 4/5"
    out.write_text("\n".join(lines) + "\n")
    assert main(["check", str(out)]) == 1
    assert f"{out}:{at}:" in capsys.readouterr().err


def test_a_phrase_and_a_node_can_be_asked_for_each_with_a_goal_and_are_all_that_is_planned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "mia.yaml"
    assert assign(tmp_path, "--to", "Mia", "--only", "Ladle at 62", "12 on D2=55", "-o", str(out)) == 0
    capsys.readouterr()
    assert main(["plan", str(out), "--folder", str(tmp_path / "home"), "--date", "2026-12-02", "--json"]) == 0
    items = [item for item in json.loads(capsys.readouterr().out)["items"] if item.get("excerpt")]
    kinds = {item["excerpt"].split(":")[3] for item in items}
    assert kinds == {"phrase", "node"}
    material = material_of([load_drill(out)])
    parts = [material.part(excerpt) for excerpt in material.phrases(load_drill(out))]
    assert [part and (part.excerpt.phrases, part.goal_bpm) for part in parts] == [
        (("ladle",), 62),
        (("mould",), 55),
    ]


def test_a_due_date_that_is_past_is_told_and_allowed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = str(tmp_path / "mia.yaml")
    assert assign(tmp_path, "--to", "Mia", "--due", "2026-11-30", "-o", out) == 0
    assert "written with the due date 2026-11-30, which is past" in capsys.readouterr().err
    note = ("--note", "To its end, all the same.", "--due", "2026-11-30")
    assert assign(tmp_path, "--to", "Mia", *note, "-o", out) == 0
    capsys.readouterr()
    assert main(["plan", out, "--folder", str(tmp_path / "home"), "--date", "2026-12-01"]) == 0
    assert 'Your teacher writes: "To its end, all the same."' in capsys.readouterr().out


def test_who_is_to_be_forgotten_is_named_where_they_were_handed_something(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert assign(tmp_path, "--to", "Mia", "-o", str(tmp_path / "mia.yaml")) == 0
    capsys.readouterr()
    assert main(["log", "forget", "Mia", "--yes", "--folder", str(tmp_path)]) == 1
    assert FILE in "".join(capsys.readouterr())


def test_a_damaged_line_of_what_was_handed_out_is_told_with_its_number_and_the_rest_counts(
    tmp_path: Path,
) -> None:
    assert assign(tmp_path, "--to", "Mia", "Bo", "-o", str(tmp_path / "out")) == 0
    file = tmp_path / FILE
    first, second = file.read_text().splitlines()
    file.write_text(f"{first[:40]}\n{second}\n")
    handed, problems = recall(tmp_path)
    assert [one.student for one in handed] == ["Bo"]
    assert str(problems[0]).startswith(f"{file}:1: is left out: ")


def test_a_kept_due_date_that_is_past_is_told(
    tmp_path: Path, assigned: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["assign", str(assigned), "--to", "Bo", "-o", str(tmp_path / "bo.yaml"), "--date", "2027-01-02"]
    assert main([*words, "--folder", str(tmp_path)]) == 0
    assert (
        "written with the due date 2026-12-24, which is past; --due sets another" in capsys.readouterr().err
    )


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
    assert "kite.yaml: id kite added" in capsys.readouterr().err
    own.write_text(own.read_text().replace("title: Kite", "title: Hawk"))
    assert load_drill(own).id == load_drill(Path(out)).id
    assert assign(tmp_path, "--to", "Mia", "-o", out, drill="kite") == 0
    assert "added: a new title" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "message", "status"),
    [
        (("--to", "Mia", "--goal", "7000", "-o", "x"), "--goal: 7000 is outside 20 to 300 bpm", 2),
        (("--to", "Mia", "--goal", "30", "-o", "x"), "30 bpm is below the drill's start, 50 bpm", 2),
        (("--to", "Mia", "--due", "24.12.2026", "-o", "x"), "--due: '24.12.2026' is not a date", 2),
        (
            ("--only", "nowhere at 60", "--to", "Mia", "-o", "x"),
            "'nowhere' is neither a phrase nor a node of",
            2,
        ),
        (("--to", "Mia", "--only", "ladle at 20", "-o", "x"), "20 is outside 50 (the drill's start)", 2),
        (("-o", "x"), "--to: no student is named (--to NAME, or --class FILE)", 2),
        (("--to", "\x1b[0m ", "-o", "x"), "--to: a name is needed", 2),
        (("--to", "Tomo,Ilse", "-o", "x"), "names stand apart by blanks (--to Tomo Ilse)", 2),
        (("--to", "M" * 500, "-o", "x"), "--to: 500 letters; at most", 2),
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
    assert "This is what your teacher will see about Mia:" in printed
    assert "First Pour: practised on 4 days, 2 Dec to 5 Dec 2026" in printed
    assert "my thumb is sore" in printed
    assert "Nothing about other drills, and no single repetitions." in printed


@pytest.mark.parametrize(
    ("answer", "told"),
    [("n\n", "nothing was written\n"), ("\n", "nothing was written\n"), ("", "--yes writes it")],
)
def test_without_a_yes_nothing_is_written_be_it_at_a_terminal_or_by_a_pipe(
    tmp_path: Path,
    assigned: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    answer: str,
    told: str,
) -> None:
    practise(tmp_path / "mia", assigned)
    target = tmp_path / "mia.json"
    ask = ["report", "--for-teacher", *where(tmp_path / "mia", target)]
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    assert main(ask) == 1
    assert told in capsys.readouterr().err
    assert not target.exists()
    monkeypatch.setattr("sys.stdin", io.StringIO("y\n"))
    assert main(ask) == 0
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
    assert "no drill here has an assignment" in capsys.readouterr().err
    assert report_for_teacher(tmp_path, tmp_path / "x.json", "first-pour") == 0


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


def test_a_page_written_to_a_file_says_so(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, page = file.parent.parent, file.parent.parent / "class.html"
    capsys.readouterr()
    there = ["--date", "2026-12-10", "--html", "-o", str(page)]
    assert main(["roster", str(file.parent), "--folder", str(folder), *there]) == 0
    assert capsys.readouterr().out == f"wrote {page}: 1 student\n"
    assert main(["report", "--folder", str(folder / "mia"), *there]) == 0
    assert capsys.readouterr().out == f"wrote {page}\n"


def test_the_overview_has_a_row_for_the_assignment_with_the_next_step_and_why(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert (
        main(
            [
                "roster",
                str(file.parent),
                "--folder",
                str(file.parent.parent),
                "--date",
                "2026-12-10",
                "--json",
            ]
        )
        == 0
    )
    (row,) = json.loads(capsys.readouterr().out)["rows"]
    assert (row["student"], row["drill"], row["goal_bpm"]) == ("Mia", "First Pour", 70)
    assert row["minutes"] == pytest.approx(6 * 21 / 60 + 24 / 60, abs=0.15)
    assert (row["cold"], row["cold_clean"], row["last_practised"]) == (7, 5, "2026-12-05")
    assert row["next"]
    assert row["why"]


def damaged(file: Path, change: Callable[[dict[str, Any]], object]) -> None:
    body = json.loads(file.read_text())
    change(body)
    file.write_text(json.dumps(body))


def newer(body: dict[str, Any]) -> None:
    body["version"] = 4


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
        (newer, "is a reply of version 4; this program reads version 3 (update this program"),
        (older, "is a reply of version 1; this program reads version 3 (ask the student to update"),
        (versionless, "is a student's reply without a version (edited by hand?)"),
        (headless, "is not a student's reply"),
        (unheard_of, "is a student's reply, but has errors: 'fluffed' is not a result or cause"),
        (halved, "is a student's reply, but has errors: drills.1.days: is missing (ask for it again)"),
        (absurd, "is a student's reply, but has errors: drills.1.days.1.minutes: found 1000000000, expected"),
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
    assert (
        main(["roster", str(file.parent), "--folder", str(file.parent.parent), "--date", "2026-12-10"]) == 1
    )
    printed = capsys.readouterr()
    assert f"{file}: {message}" in printed.err
    assert "Mia" in printed.out
    assert file.read_bytes() == before


def test_a_whole_file_with_an_unknown_word_is_of_a_newer_version(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def by_newer(body: dict[str, Any]) -> None:
        unheard_of(body)
        body["sha256"] = digest(body)

    damaged(file, by_newer)
    assert main(["roster", str(file.parent), "--folder", str(file.parent.parent)]) == 1
    assert (
        "(a newer version of the program may have written it: update this program)" in capsys.readouterr().err
    )


def test_a_file_cut_off_is_told(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file.write_bytes(file.read_bytes()[:-100])
    assert main(["roster", str(file.parent), "--folder", str(file.parent.parent)]) == 1
    assert "is a student's reply, but cut off or damaged (ask for it again)" in capsys.readouterr().err


def test_a_file_of_a_log_and_other_files_are_told_apart(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (kept,) = (file.parent.parent / "mia" / "progress" / "log").glob("*.jsonl")
    file.with_name("log.jsonl").write_bytes(kept.read_bytes())
    file.with_name("text.txt").write_text("dear teacher")
    file.with_name("photo.json").write_bytes(b"\xff\xd8\xff")
    file.with_name("drill.yaml").write_text("drill: 1")
    assert main(["roster", str(file.parent), "--folder", str(file.parent.parent)]) == 1
    printed = capsys.readouterr().err
    assert "log.jsonl: is a practice log, not a reply (ask for `coach report --for-teacher`)" in printed
    assert "text.txt: is not a student's reply" in printed
    assert "photo.json: is not text" in printed
    assert "drill.yaml" not in printed


def test_a_file_edited_by_hand_is_shown_and_marked(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def better(body: dict[str, Any]) -> None:
        body["drills"][0]["phrases"][0]["rung_bpm"] = 70

    damaged(file, better)
    assert (
        main(["roster", str(file.parent), "--folder", str(file.parent.parent), "--date", "2026-12-10"]) == 0
    )
    printed = capsys.readouterr()
    assert "was changed after it was written; its row says so" in printed.err
    assert "the reply was changed after it was written" in printed.out


def test_an_assignment_that_is_no_assignment_is_told(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    body = json.loads(file.read_text())
    body["drills"][0]["assignment"] = True
    file.write_text(json.dumps(body))
    assert main(["roster", str(file.parent), "--folder", str(file.parent.parent)]) == 1
    assert (
        "has errors: drills.1.assignment: found True, expected an object in braces" in capsys.readouterr().err
    )


def test_layout_alone_does_not_count_as_an_edit(file: Path) -> None:
    damaged(file, lambda body: None)
    assert not read_student(file).edited


def test_no_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["roster", str(tmp_path / "nowhere")]) == 1
    assert "is not a folder (put your students' replies in one folder" in capsys.readouterr().err
    assert main(["roster", str(tmp_path), "--folder", str(tmp_path)]) == 0
    assert "no assignments and no replies yet" in capsys.readouterr().out


def test_control_characters_in_a_students_file_never_reach_the_terminal(
    file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def evil(body: dict[str, Any]) -> None:
        body["student"]["name"] = "\x1b]0;owned\x07Mia\x1b[31m"
        body["notes"][0]["text"] = "\x9b2Jgone"
        body["sha256"] = digest(body)

    damaged(file, evil)
    assert (
        main(["roster", str(file.parent), "--folder", str(file.parent.parent), "--date", "2026-12-10"]) == 0
    )
    printed = capsys.readouterr()
    assert "Mia" in printed.out
    assert not {"\x1b", "\x9b", "\x07"} & set(printed.out + printed.err)


def test_what_was_entered_afterwards_is_told_as_a_share(tmp_path: Path, assigned: Path) -> None:
    practise(tmp_path / "mia", assigned)
    assert report_for_teacher(tmp_path / "mia", tmp_path / "mia.json") == 0
    (drill,) = read_student(tmp_path / "mia.json").reply.drills
    reps = sum(day.reps for day in drill.days)
    # Of what `practise` logs, one repetition comes from an answers file.
    assert (reps, drill.entered) == (7, round(1 / 7, 3))


def test_a_node_that_is_asked_for_can_be_entered_by_the_name_that_the_plan_gives_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, home = tmp_path / "mia.yaml", ("--folder", str(tmp_path / "home"))
    assert assign(tmp_path, "--to", "Mia", "--only", "12 on D2 at 55", "-o", str(out)) == 0
    capsys.readouterr()
    planned = ["plan", str(out), *home, "--date", "2026-12-02", "--events"]
    assert main([*planned, "--json"]) == 0
    named = {item["at"] for item in json.loads(capsys.readouterr().out)["items"] if item.get("excerpt")}
    assert named == {"first-pour/12 on D2 in mould/together"}
    assert main(planned) == 0
    assert "at first-pour/12 on D2 in mould/together\n" in capsys.readouterr().out

    def entered(*lines: str) -> int:
        answers = tmp_path / "answers.txt"
        answers.write_text("\n".join(lines) + "\n")
        words = ["practice", str(out), *home, "--player", "Mia", "--date", "2026-12-02"]
        return main([*words, "--answers", str(answers)])

    assert entered(f"at {named.pop()} 60 clean", "at 12 on D2/harmonics 52 clean", "stop") == 0
    with Log.open(tmp_path / "home" / "progress" / "log", now_ms=NOON, read_only=True) as log:
        (day,) = {rep.day for rep in log.reps(date.min, date.max)}
        keys = [(rep.excerpt, rep.tempo_bpm) for rep in log.reps(day, day)]
    assert keys == [
        ("first-pour:mould:together:node:full:D2|1/2", 60),
        ("first-pour:mould:harmonics:node:full:D2|1/2", 52),
    ]
    capsys.readouterr()
    assert entered("at 12 on D2 in mould/bass clean") == 1
    assert "12 on D2 in mould is not in the layer 'bass'" in capsys.readouterr().err
    assert entered("at 12 on D2 clean") == 1
    assert "(at 12 on D2 in PHRASE/together 60 clean?)" in capsys.readouterr().err


def test_a_plan_of_one_node_alone_says_it_once_and_with_events_turn_by_turn(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mia.yaml"
    assert assign(tmp_path, "--to", "Mia", "--only", "12 on G2", "-o", str(file)) == 0
    practise(tmp_path / "mia", file, days=0)
    plan = ["plan", "--folder", str(tmp_path / "mia"), "--date", "2026-12-03"]
    capsys.readouterr()
    assert main([*plan, "--json"]) == 0
    items = [item for item in json.loads(capsys.readouterr().out)["items"] if item["excerpt"]]
    assert len(items) > 10
    assert len({item["excerpt"] for item in items}) == 1
    assert main(plan) == 0
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "12 on G2 in" in line]
    tempos = [item["tempo_bpm"] for item in items]
    assert f"{sum(item['reps'] for item in items)} times at {min(tempos)} to {max(tempos)} bpm" in line
    assert main([*plan, "--events"]) == 0
    assert capsys.readouterr().out.count("12 on G2 in Ladle") == len(items)
