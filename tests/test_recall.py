"""What is recalled is what reading gives, and never anything else."""

from __future__ import annotations

import json
import os
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.cli import main
from coach.folder.recall import Recall, made, rows_of
from coach.ground.places import Places, builtin_drills
from coach.ground.problem import CoachError
from coach.music.drill import Assignment, Drill
from coach.score.load import load_drill, read_drill
from coach.session.desk import Desk

NOW = (1_796_299_200_000, 0)


def never(path: Path) -> Drill:
    pytest.fail(f"{path} was read again")


def kept(tmp_path: Path, drill: Path) -> Path:
    """A file in which one drill was kept."""
    recall = Recall(tmp_path / "recall.json")
    recall.value(drill, load_drill)
    recall.keep()
    return recall.path


@pytest.mark.parametrize("path", builtin_drills(), ids=lambda path: path.stem)
def test_a_drill_recalled_equals_the_drill_read(path, tmp_path):
    read = load_drill(path)
    recalled = Recall(kept(tmp_path, path)).value(path, never)
    assert recalled == read
    assert recalled.path == read.path
    assert recalled.revision == read.revision


def test_a_drill_with_every_part_comes_back_whole():
    text = builtin_drills()[0].read_text(encoding="utf-8")
    drill, _ = read_drill(text, "a.yaml")
    assert drill is not None
    whole = Drill(
        **{
            **{name: getattr(drill, name) for name in ("id", "title", "instrument", "tempo", "phrases")},
            "assignment": Assignment("Ida", "Mr Low", 70, date(2026, 12, 3), "slowly", "A1"),
            "tags": ("one", "two"),
            "path": "ä/\udc80.yaml",
        }
    )
    again = made(json.loads(json.dumps(rows_of(whole))))
    assert again == whole
    assert again.path == whole.path


plain = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text()
values = st.recursive(
    plain | st.fractions() | st.dates(),
    lambda inner: st.lists(inner) | st.lists(inner).map(tuple) | st.dictionaries(st.text(), inner),
    max_leaves=12,
)


@settings(max_examples=60)
@given(values)
def test_rows_give_back_the_value_and_its_kinds(value):
    again = made(json.loads(json.dumps(rows_of([value]))))
    assert repr(again) == repr([value])


def test_equal_values_of_other_kinds_stay_apart():
    value = [(1,), (1.0,), (True,), (Fraction(1),)]
    assert repr(made(rows_of(value))) == repr(value)


def test_a_changed_file_is_read_again(tmp_path):
    drill = tmp_path / "a.yaml"
    drill.write_bytes(builtin_drills()[0].read_bytes())
    path = kept(tmp_path, drill)
    status = drill.stat()
    text = drill.read_text(encoding="utf-8")
    drill.write_text(text.replace("title: First Pour", "title: First Four"), encoding="utf-8")
    os.utime(drill, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert Recall(path).value(drill, load_drill).title == "First Four"


def test_another_version_of_the_program_reads_again(tmp_path, monkeypatch):
    drill = builtin_drills()[0]
    path = kept(tmp_path, drill)
    monkeypatch.setattr("coach.__version__", "0.0.0")
    reads = []
    Recall(path).value(drill, lambda at: reads.append(at) or load_drill(at))
    assert reads == [drill]


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"",
        lambda data: data[:-1],
        lambda data: data[:500] + bytes([data[500] ^ 1]) + data[501:],
        lambda data: b"{}",
        lambda data: b"\xff" * 100,
    ],
    ids=["empty", "cut", "one bit", "no digest", "no text"],
)
def test_a_damaged_file_is_not_believed(damage, tmp_path):
    drill = builtin_drills()[0]
    path = kept(tmp_path, drill)
    path.write_bytes(damage(path.read_bytes()))
    assert Recall(path).value(drill, load_drill) == load_drill(drill)


@pytest.mark.parametrize(
    "rows", [[], 3, [["Drill", 1]], [["system", "x"]], [["tuple", [5]]], [["OpenString", 1, 2]]]
)
def test_rows_that_tell_no_value_are_read_anew(rows, tmp_path):
    drill = builtin_drills()[0]
    recall = Recall(tmp_path / "recall.json")
    recall._known = {recall._key(drill): rows}
    assert recall.value(drill, load_drill) == load_drill(drill)


def test_what_is_wrong_with_a_file_is_told_each_time(tmp_path):
    drill = tmp_path / "a.yaml"
    drill.write_text("drill: 1\n", encoding="utf-8")
    recall = Recall(tmp_path / "recall.json")
    for _ in range(2):
        with pytest.raises(CoachError, match="title"):
            recall.value(drill, load_drill)


def test_a_second_start_reads_no_drill_and_the_first_change_reads_one(tmp_path, monkeypatch):
    places = Places(tmp_path)
    (tmp_path / "settings.yaml").write_text("practice: {minutes: 35}\n", encoding="utf-8")
    with Desk.open(places, clock=lambda: NOW) as desk:
        first = desk.library
    with monkeypatch.context() as patch:
        patch.setattr("coach.session.desk.read_drill_file", never)
        with Desk.open(places, clock=lambda: NOW) as desk:
            assert desk.library == first
            assert desk.settings.practice.minutes == 35
    (tmp_path / "settings.yaml").write_text("practice: {minutes: 36}\n", encoding="utf-8")
    with Desk.open(places, clock=lambda: NOW) as desk:
        assert desk.settings.practice.minutes == 36


def test_reading_only_writes_nothing(tmp_path):
    with Desk.open(Places(tmp_path), clock=lambda: NOW, read_only=True):
        pass
    assert list(tmp_path.iterdir()) == []


def test_what_is_recalled_goes_when_a_person_is_forgotten(tmp_path):
    places = Places(tmp_path)
    with Desk.open(places, clock=lambda: NOW, player="Ida"):
        pass
    assert places.recall.exists()
    assert main(["log", "forget", "Ida", "--yes", "--folder", str(tmp_path)]) == 0
    assert not places.recall.exists()
