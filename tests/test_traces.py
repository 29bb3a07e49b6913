"""Whole sessions, line by line, as the text files of `tests/traces/` have them; see `tests/traces.py`."""

from __future__ import annotations

from pathlib import Path

import pytest

from coach.session import machine
from coach.session.events import SessionEvent
from coach.session.session import Session
from tests.traces import FOLDER, traced

TRACES = sorted(FOLDER.glob("*.txt"))


@pytest.mark.parametrize("path", TRACES, ids=lambda path: path.stem)
def test_a_session_goes_as_its_trace_says(path: Path) -> None:
    text = path.read_text("utf-8")
    assert traced(text) == text


def test_every_way_that_the_table_names_is_gone_by_a_trace(monkeypatch: pytest.MonkeyPatch) -> None:
    gone: set[tuple[str, str, str]] = set()
    receive = machine.receive

    def watched(session: Session, event: SessionEvent, now_ms: int, utc_offset_min: int) -> machine.Result:
        after, effects = receive(session, event, now_ms, utc_offset_min)
        gone.add((type(session.state).__name__, type(event).__name__, type(after.state).__name__))
        return after, effects

    monkeypatch.setattr(machine, "receive", watched)
    for path in TRACES:
        traced(path.read_text("utf-8"))
    assert gone == {
        (state.__name__, event.__name__, to.__name__)
        for (state, event), (_handler, leads_to) in machine.TRANSITIONS.items()
        for to in leads_to
    }
