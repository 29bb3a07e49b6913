"""The drills at hand: which files count, what is kept, and ids that stay."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.cli import main
from coach.folder.library import (
    at_hand,
    find_drill,
    in_plan,
    keep_copies,
    load_library,
    named_drills,
    player_meant,
    settle_ids,
    strings_lacking,
)
from coach.ground.places import Places
from coach.ground.problem import CoachError
from coach.log.entries import Entry, new_id
from coach.log.log import Log
from coach.score.load import load_drill

KITE = """\
drill: 1
title: {title}   # my own
{more}instrument: {{strings: [G2, D2, A1, E1], scale_mm: 864}}
meter: 4/4
tempo: {{start: 44, goal: 76}}
phrases:
  - name: Tail
    bars:
      - bass: 1 E:0 for 4
        harmonics: 1 G:<12>, 3 D:<12>
"""


def write(folder, name, title="Kite", more=""):
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    path.write_text(KITE.format(title=title, more=more), encoding="utf-8")
    return path


def kept(path, places):
    """What is told when a named file is kept."""
    return keep_copies(named_drills([str(path)], places), places).notices


def test_own_drills_come_before_the_built_in_ones(tmp_path):
    write(tmp_path / "drills", "kite.yaml")
    library = load_library(Places(tmp_path))
    assert library.drills[0].title == "Kite"
    assert len(library.drills) >= 5
    assert library.notices == ()


def test_own_drills_with_a_grade_are_met_by_it_after_those_without(tmp_path):
    for name, grade in (("a", "grade: 3\n"), ("b", "grade: 1\n"), ("c", "")):
        write(tmp_path / "drills", f"{name}.yaml", name, grade)
    own = [drill.title for drill in load_library(Places(tmp_path)).drills][:3]
    assert own == ["c", "b", "a"]


def test_beyond_the_most_files_a_drill_is_not_read_instead_of_not_there(tmp_path, monkeypatch):
    for number in range(4):
        write(tmp_path / "drills", f"kite-{number}.yaml", f"Kite {number}")
    monkeypatch.setattr("coach.folder.library.MOST_FILES", 3)
    places = Places(tmp_path)
    assert "left out: 1 more files" in load_library(places).notices[0]
    with pytest.raises(CoachError, match="only the first 3 files") as refusal:
        find_drill("Kite 3", places)
    assert refusal.value.problems[0].guess == "name the file"
    assert find_drill("kite-3", places).name == "kite-3.yaml"


def test_a_drills_folder_that_may_not_be_read_is_told(tmp_path, monkeypatch):
    """Root may read everything, so that the system's answer is played."""
    (tmp_path / "drills").mkdir()
    monkeypatch.setattr("os.access", lambda path, mode: False)
    assert "can't be read; does it belong to another user?" in load_library(Places(tmp_path)).notices[0]


def test_an_empty_folder_meets_the_built_in_drills_by_grade_and_only_those_for_the_strings_at_hand(tmp_path):
    library = load_library(Places(tmp_path))
    planned = in_plan(library, {}, at_hand(library, ()))
    grades = [drill.grade for drill in planned]
    assert grades == sorted(grades)
    assert all(len(drill.instrument.strings) == 4 for drill in planned)
    five = next(drill for drill in library.drills if len(drill.instrument.strings) == 5)
    assert strings_lacking(five, at_hand(library, ())) == ("B0",)
    series = tuple(drill for drill in library.drills if drill.grade)
    # A five-string bass has the four strings of the others too.
    assert in_plan(library, {}, at_hand(library, begun={five.id})) == series
    assert in_plan(library, {}, at_hand(library, (), own=[five.instrument])) == series


def test_a_piece_of_ones_own_is_the_plan_and_a_built_in_drill_joins_it_when_taken_up(tmp_path):
    write(tmp_path / "drills", "kite.yaml")
    library = load_library(Places(tmp_path))
    assert [drill.id for drill in in_plan(library, {}, at_hand(library, {"first-pour"}))] == ["kite"]
    both = in_plan(library, {"first-pour": True}, at_hand(library, ()))
    assert [drill.id for drill in both] == ["kite", "first-pour"]
    assert [drill.id for drill in in_plan(library, {"kite": False}, at_hand(library, ()))] == []


def test_the_student_whom_a_file_names_is_who_practises_first_or_says_so(tmp_path):
    with Log.open(tmp_path / "log", None, now_ms=0) as log:
        assert player_meant("Mia", log, None) == "Mia"
        assert player_meant("Mia", log, lambda name: name == "Mia") == "Mia"
        assert player_meant("Mia", log, lambda name: False) == ""
        log.choose_player("", 0)
        log.send(Entry(new_id(0, bytes(10)), log.player.id, 0, 0, "note", {"text": "begun"}))
        assert player_meant("Mia", log, None) == ""
        assert player_meant("Mia", log, lambda name: True) == "Mia"
        log.rename(log.player.ids, "Noa", 1)
        assert player_meant("Mia", log, lambda name: True) == ""


def test_a_broken_own_drill_is_left_out_with_a_word_and_the_rest_works(tmp_path):
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "torn.yaml").write_text("drill: 1\ntitle: [", encoding="utf-8")
    library = load_library(Places(tmp_path))
    assert library.drills
    torn = str(tmp_path / "drills" / "torn.yaml")
    assert f"left out: {torn}" in library.notices[0]
    assert f"`coach check {torn}` lists everything" in library.notices[0]


def test_a_drill_from_elsewhere_is_kept_in_the_folder_and_its_older_version_too(tmp_path):
    places = Places(tmp_path / "home")
    outside = write(tmp_path / "mail", "kite.yaml")
    assert "saved a copy" in kept(outside, places)[0]
    assert (places.drills / "kite.yaml").read_text() == outside.read_text()
    assert kept(outside, places) == ()
    first = outside.read_text()
    outside.write_text(first.replace("goal: 76", "goal: 90"), encoding="utf-8")
    older = places.drills / "kite.yaml.old"
    assert kept(outside, places) == (
        f"{places.drills / 'kite.yaml'} is now this version: goal 90 bpm with no due date now, goal 76 bpm with "
        f"no due date before; the old one is now {older}",
    )
    assert older.read_text() == first


@pytest.mark.parametrize("name", ["kite.yaml", "new.YML"])
@pytest.mark.parametrize(
    "words", [["report"], ["report", "--json"], ["log", "export"], ["check", "--schema"]]
)
def test_only_a_drill_is_written_where_a_drill_belongs(words, name, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    drill = write(tmp_path, "kite.yaml")
    before = drill.read_text()
    (tmp_path / "progress").mkdir()
    assert main(["log", "note", "hi", "--player", "Ada"]) == 0
    assert main([*words, "-o", name]) == 1
    assert f"{name}: .{name.partition('.')[2]} is the ending of a drill" in capsys.readouterr().err.replace(
        "\n", " "
    )
    assert drill.read_text() == before
    assert sorted(path.name for path in tmp_path.iterdir() if path.is_file()) == ["kite.yaml"]


def test_an_older_handout_opened_after_a_newer_one_says_what_it_puts_back(tmp_path):
    places = Places(tmp_path / "home")
    outside = write(tmp_path / "mail", "kite.yaml")
    drill = outside.read_text()
    task = "assignment: {{goal: {goal}, due: 2026-12-{day}, id: 01KD0000000000000000000{number}}}\n"
    for number, goal, day in ((2, 76, 24), (1, 60, 10)):
        outside.write_text(drill + task.format(goal=goal, day=day, number=number))
        (notice,) = kept(outside, places)
    expected = ", although it was assigned earlier: goal 60 bpm by 10 Dec 2026 now, goal 76 bpm by 24 Dec 2026 before;"
    assert expected in notice


def test_another_drill_of_the_same_file_name_is_never_overwritten(tmp_path):
    places = Places(tmp_path / "home")
    own = write(places.drills, "kite.yaml", title="Mine")
    before = own.read_text()
    kept(write(tmp_path / "mail", "kite.yaml"), places)
    assert own.read_text() == before
    assert load_drill(places.drills / "kite-2.yaml").title == "Kite"


def test_two_named_files_with_one_id_are_refused(tmp_path):
    one, two = write(tmp_path, "a.yaml"), write(tmp_path, "b.yaml")
    with pytest.raises(CoachError, match="has the same id as"):
        named_drills([str(one), str(two)], Places(tmp_path / "home"))


def test_ids_are_written_at_first_use_and_a_new_title_then_keeps_the_history(tmp_path):
    places = Places(tmp_path)
    path = write(places.drills, "kite.yaml")
    drill = load_drill(path)
    settle_ids([drill], places)
    text = path.read_text()
    assert "id: kite\n" in text
    assert "# my own" in text
    path.write_text(text.replace("title: Kite", "title: Hawk").replace("name: Tail", "name: Wing"))
    renamed = load_drill(path)
    assert (renamed.id, renamed.phrases[0].id, renamed.title) == ("kite", drill.phrases[0].id, "Hawk")
    assert renamed.phrases[0].revision == drill.phrases[0].revision


def test_writing_ids_keeps_the_line_ends_of_the_file(tmp_path):
    places = Places(tmp_path)
    path = write(places.drills, "kite.yaml")
    path.write_bytes(path.read_bytes().replace(b"\n", b"\r\n"))
    settle_ids([load_drill(path)], places)
    content = path.read_bytes()
    assert b"id: kite\r\n" in content
    assert content.count(b"\n") == content.count(b"\r\n")


def test_a_built_in_drill_is_never_written_to(tmp_path):
    library = load_library(Places(tmp_path))
    before = [Path(drill.path).read_text("utf-8") for drill in library.drills]
    settle_ids(library.drills, Places(tmp_path))
    assert [Path(drill.path).read_text("utf-8") for drill in library.drills] == before
