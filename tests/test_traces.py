"""Whole sessions, line by line, as the text files of `tests/traces/` have them; see `tests/traces.py`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.traces import FOLDER, traced


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.txt")), ids=lambda path: path.stem)
def test_a_session_goes_as_its_trace_says(path: Path) -> None:
    text = path.read_text("utf-8")
    assert traced(text) == text
