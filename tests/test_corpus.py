"""A sample of the comparison with music21 over its corpus: `python -m tests.corpus` makes all of it."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from tests.corpus import checked_file

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import music21

BACH = Path(music21.__file__).parent / "corpus/bach"


@pytest.mark.parametrize("name", ["bwv13.6", "bwv312", "bwv394", "bwv10.7"])
def test_a_chorale_whose_bars_are_parted_keeps_every_onset(name: str) -> None:
    different = {part: what for part, what in checked_file(music21, BACH / f"{name}.mxl", True) if what}
    assert different == {}
