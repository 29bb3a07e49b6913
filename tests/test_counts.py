"""Counts on one screen agree: what a player would add up."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from coach.rating.fault import Fault, in_words
from coach.rating.table import CHOKED, LATE, NOT_REACHED
from coach.session.summary import summarise
from coach.tui.picture import band_words
from coach.tui.session_view import layout_of, sheet_shown
from coach.tui.summary import summary_lines
from tests.screens import running, screen_text
from tests.test_afar import at_work
from tests.test_session import CHOKE_2, drive, opened, rep


def sums(pattern: str, text: str) -> list[int]:
    """The sum of each group's numbers over all places where the pattern stands."""
    found = [tuple(map(int, each.groups())) for each in re.finditer(pattern, text)]
    return [sum(column) for column in zip(*found, strict=True)]


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 45)])
async def test_the_minutes_of_the_plans_items_add_up_to_the_minutes_planned(tmp_path, size):
    async with running(tmp_path, size=size) as (app, _pilot, _player):
        text = screen_text(app)
    (planned,) = sums(r"(\d+) of \d+ minutes planned", text) or [0]
    minutes, seconds = sums(r" (\d+):(\d\d) min\b", text)
    assert round(minutes + seconds / 60) == planned


def test_a_summarys_excerpts_add_up_to_its_first_line():
    session, _ = drive(
        opened(2), *rep(), *rep(CHOKE_2), *rep(), *rep(), *rep(CHOKE_2), *rep(), *rep(), *rep()
    )
    lines = [text.rstrip() for _, text in summary_lines(summarise(session, 0, 600_000), session, 100)]
    reps, clean, of = sums(r"(\d+) repetitions?, (\d+) of (\d+) clean", lines[0])
    assert sums(r"    (\d+) of (\d+) clean", "\n".join(lines[1:])) == [clean, of]
    assert reps == of == 8


def test_nodes_that_have_no_room_in_a_summary_are_counted():
    session, _ = drive(opened(2), *rep())
    nodes = {f"G2|1/{n}": 1 for n in range(2, 10)}
    summary = replace(summarise(session, 0, 600_000), rang=nodes, choked={})
    lines = [text.rstrip() for _, text in summary_lines(summary, session, 40)]
    shown = lines[lines.index("rang") + 1]
    hidden = re.search(r"and (\d) more$", shown)
    assert hidden is not None
    assert shown.count(" on G2: 1") + int(hidden[1]) == len(nodes)


@pytest.mark.parametrize(
    "marks",
    [(Fault(2, CHOKED),), (Fault(1, CHOKED), Fault(3, LATE)), (Fault(2, LATE), Fault(8, NOT_REACHED))],
)
def test_the_failed_events_in_large_are_those_of_the_message_and_of_the_sheet(marks):
    picture = at_work("rating", marks=marks, message=in_words(marks))
    failed = [mark for mark in marks if mark.result.fails]
    assert band_words(picture)[0][0] == f"{len(failed)} FAILED"
    assert [int(number) for number in re.findall(r"\d+", picture.message)] == [mark.label for mark in marks]
    shown = sheet_shown(picture, layout_of(picture, 80, 24))
    assert shown is not None
    assert shown[1].marks == marks
