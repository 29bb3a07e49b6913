"""A drill written as MusicXML comes back as the same drill, and what was changed elsewhere as any other score."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings

from coach.music.drill import Drill
from coach.score.load import load_drill
from coach.score.musicxml_out import musicxml_text
from coach.score.musicxml_own import own_export
from tests.drillfile_drafts import DRILLS, EACH, as_read, drafts


def back(drill: Drill, tempo_bpm: int, folder: Path) -> Drill:
    path = folder / "out.musicxml"
    path.write_text(musicxml_text(drill, tempo_bpm), encoding="utf-8")
    read = own_export(path)
    assert read is not None
    return replace(read[0], path=drill.path)


@EACH
@pytest.mark.parametrize("tempo_bpm", [47, 120])
def test_every_built_in_drill_comes_back_the_same(path: Path, tempo_bpm: int, tmp_path: Path) -> None:
    drill = load_drill(path)
    assert back(drill, tempo_bpm, tmp_path) == drill


@settings(max_examples=60, deadline=None)
@given(drafts())
def test_any_drill_comes_back_the_same(tmp_path_factory: pytest.TempPathFactory, draft: Drill) -> None:
    drill = as_read(draft)
    assert back(drill, drill.tempo.start_bpm, tmp_path_factory.mktemp("own")) == drill


@pytest.mark.parametrize(
    ("pattern", "change"),
    [
        (r"(<step>)[A-G]", r"\g<1>C"),
        (r"<fret>\d+", "<fret>9"),
        (r'tempo="[^"]*"', 'tempo="1e999999999"'),
        (r'(name="tempo_bpm">)\d+', r"\g<1>0"),
        (r'(name="drill">)', r"\g<1>- "),
        (r"<work>", "<work"),
    ],
)
def test_a_changed_export_is_no_export(pattern: str, change: str, tmp_path: Path) -> None:
    text, changes = re.subn(pattern, change, musicxml_text(load_drill(DRILLS[0]), 60), count=1)
    assert changes == 1
    path = tmp_path / "changed.musicxml"
    path.write_text(text, encoding="utf-8")
    assert own_export(path) is None
