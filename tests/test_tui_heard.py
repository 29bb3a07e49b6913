"""What a microphone heard, on the rating screen: it stands unlike a mark, and only keys make marks of it."""

from __future__ import annotations

import pytest

from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, Result
from coach.session.events import Source, Suggest
from coach.session.states import Phase
from coach.tui.glyphs import SMALL, THIN, big_text
from tests.screens import running, screen_text, session_of
from tests.test_tui_session import DRILL, play_to_end, to_ready

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


def heard(label: int, result: Result | None, verdict: str, words: str) -> Suggest:
    return Suggest(label, result, 0.9, Source.MICROPHONE, (), verdict, words)


QUIET, TARDY, NOTHING = (
    heard(2, CHOKED, "choked", "quiet"),
    heard(3, LATE, "late", "40 ms late"),
    heard(5, DROPPED, "missing", "nothing"),
)
CLEAN, HIDDEN = heard(1, None, "clean", ""), heard(4, None, "unsure", "can't tell")


async def to_heard(pilot, app, player) -> None:
    """To the rating of a repetition of which something was heard."""
    await to_ready(pilot, app)
    await play_to_end(pilot, app, player)
    for suggestion in (CLEAN, QUIET, TARDY, HIDDEN, NOTHING):
        assert session_of(app).send(suggestion)
    await pilot.pause()


def shows_tall(app, text: str) -> bool:
    """Whether a text in tall glyphs stands on the screen."""
    shown = screen_text(app)
    spaced = (text, text.replace(" ", THIN))
    return any(
        all(row.rstrip() in shown for row in big_text(one, size)) for one in spaced for size in (SMALL, 1, 2)
    )


async def test_what_was_heard_stands_unlike_marks_and_is_saved_by_no_key_but_its_own(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        line = screen_text(app).splitlines()[-2]
        assert line.startswith("2 quiet?   3 40 ms late?   5 nothing?   can't tell 4")
        assert "h as heard" in screen_text(app).splitlines()[-1]
        assert shows_tall(app, "LOOK AT 2+3+5")
        assert session_of(app).practice.session.marks == ()
        await pilot.press("space")
        (rep,) = app.desk.log.reps()
        assert rep.faults == ()
        assert [(one.label, one.result) for one in rep.suggestions] == [
            (1, "clean"),
            (2, "choked"),
            (3, "late"),
            (4, "unsure"),
            (5, "missing"),
        ]


async def test_one_key_takes_all_that_was_heard_as_it_stands(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        await pilot.press("h")
        (rep,) = app.desk.log.reps()
        assert rep.faults == (Fault(2, CHOKED), Fault(3, LATE), Fault(5, DROPPED))
        assert session_of(app).practice.session.phase is Phase.READY


async def test_the_key_of_an_event_takes_what_was_heard_of_it_and_again_refuses_it(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        await pilot.press("3")
        assert session_of(app).practice.session.marks == (Fault(3, LATE),)
        assert shows_tall(app, "LOOK AT 2+5")
        await pilot.press("3")
        assert session_of(app).practice.session.marks == ()
        assert "late?" not in screen_text(app)
        await pilot.press("3")
        assert session_of(app).practice.session.marks == (Fault(3, CHOKED),)
        await pilot.press("3", "2", "2", "h")
        (rep,) = app.desk.log.reps()
        assert rep.faults == (Fault(5, DROPPED),)


async def test_another_brush_marks_what_it_says_whatever_was_heard(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        await pilot.press("l", "2")
        assert session_of(app).practice.session.marks == (Fault(2, LATE),)


async def test_where_nothing_was_heard_the_key_is_not_offered_and_says_so(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        assert "as heard" not in screen_text(app)
        await pilot.press("h")
        assert session_of(app).practice.session.phase is Phase.RATING
        assert "The ear suggests nothing more here." in screen_text(app)


async def test_what_a_pedal_guessed_stands_with_the_same_sign(tmp_path):
    async with running(tmp_path, size=(120, 36), drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        session_of(app).send(Suggest(2, CHOKED, 0.5, Source.PEDAL, (3,)))
        await pilot.pause()
        assert "choked?" in screen_text(app)
        assert "2 is a guess, may be 3" in screen_text(app)
        assert session_of(app).practice.session.marks == (Fault(2, CHOKED),)


async def test_beside_an_event_that_other_strings_hide_it_says_so(tmp_path):
    async with running(tmp_path, size=(120, 36), drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        sheet = screen_text(app).splitlines()[:-4]
        assert sum("can't tell" in line for line in sheet) == 1
        assert sum("quiet?" in line for line in sheet) == 1
        assert sum("40 ms late?" in line for line in sheet) == 1
