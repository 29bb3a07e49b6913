"""A sample of the comparison with music21 over its corpus: `python -m tests.corpus` makes all of it."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from tests.corpus import ACCOUNTED, KNOWN, checked_file, suite

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import music21

BACH = Path(music21.__file__).parent / "corpus/bach"


@pytest.mark.parametrize("name", ["bwv13.6", "bwv312", "bwv394", "bwv10.7"])
def test_a_chorale_whose_bars_are_parted_keeps_every_onset(name: str) -> None:
    different = {part: what for part, what in checked_file(music21, BACH / f"{name}.mxl", True) if what}
    assert different == {}


ALIKE = [path for path in suite(music21) if path.name not in KNOWN]


@pytest.mark.parametrize("path", ALIKE, ids=[path.stem for path in ALIKE])
def test_every_part_of_the_suite_is_as_music21_reads_it(path: Path) -> None:
    for part, what in checked_file(music21, path, True):
        assert [one for one in what if not one.startswith(ACCOUNTED)] == [], part
