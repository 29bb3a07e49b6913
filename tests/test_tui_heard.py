"""What a microphone heard, on the rating screen: it stands unlike a mark, and only keys make marks of it."""

from __future__ import annotations

import pytest

from coach.folder.actions import Phase
from coach.folder.settings import load_settings, save_settings
from coach.listen.heard import VERDICTS, Heard
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, Result
from coach.session.desk import Desk
from coach.session.events import Go, Pause, Source, Stop, Suggest
from coach.session.states import Amending
from coach.sound.capture import CaptureState, CaptureStatus
from coach.tui.glyphs import SMALL, THIN, big_text
from coach.tui.touch import keys_of
from tests.hearing import SpokenEar
from tests.screens import in_phase, running, screen_text, session_of, shown
from tests.test_tui_session import DRILL, play_to_end, to_ready

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")


def heard(label: int, result: Result | None, verdict: str, words: str) -> Suggest:
    return Suggest(label, result, verdict, 0.9, Source.MICROPHONE, (), words)


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
        assert line.startswith("2: quiet?   3: 40 ms late?   5: nothing?   can't tell 4")
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


async def test_what_was_heard_without_a_mark_is_told_in_its_own_words(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        for suggestion in (HIDDEN, heard(3, None, "buzzed", "a buzz")):
            session_of(app).send(suggestion)
        await pilot.pause()
        assert screen_text(app).splitlines()[-2].startswith("a buzz 3   can't tell 4")


async def test_one_key_takes_all_that_was_heard_as_it_stands(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        await pilot.press("h")
        (rep,) = app.desk.log.reps()
        assert rep.faults == (Fault(2, CHOKED), Fault(3, LATE), Fault(5, DROPPED))
        assert session_of(app).practice.session.phase is Phase.READY


async def test_fingers_take_what_was_heard_where_something_was(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        assert not {"as heard", "next bars"} & {key["label"] for key in keys_of(app.screen)}
        session_of(app).send(QUIET)
        key = list(keys_of(app.screen))[1]
        assert key["label"] == "as heard", "before the marks, so that no screen is too small for it"
        await pilot.press(key["send"])
        (rep,) = app.desk.log.reps()
        assert rep.faults == (Fault(2, CHOKED),)


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
        session_of(app).send(Suggest(2, CHOKED, "choked", 0.5, Source.PEDAL, (3,)))
        await pilot.pause()
        assert "choked?" in screen_text(app)
        assert "2 is a guess; it may be 3." in screen_text(app)
        assert session_of(app).practice.session.marks == (Fault(2, CHOKED),)


async def test_beside_an_event_that_other_strings_hide_it_says_so(tmp_path):
    async with running(tmp_path, size=(120, 36), drills=DRILL) as (app, pilot, player):
        await to_heard(pilot, app, player)
        sheet = screen_text(app).splitlines()[:-4]
        assert sum("can't tell" in line for line in sheet) == 1
        assert sum("quiet?" in line for line in sheet) == 1
        assert sum("40 ms late?" in line for line in sheet) == 1


@pytest.fixture
def ear(tmp_path, monkeypatch) -> SpokenEar:
    """An ear that every session of the test has."""
    save_settings(tmp_path / "settings.yaml", {"listening": {"note_seen": True}})
    ear = SpokenEar(
        (
            Heard(1, VERDICTS["clean"], 0.9),
            Heard(2, VERDICTS["choked"], 0.9, 3.0),
            Heard(4, VERDICTS["unsure"], 0.0),
        )
    )
    monkeypatch.setattr(Desk, "hearing", lambda desk: ear)
    return ear


async def test_a_repetition_is_judged_when_it_ends_and_what_comes_stands_at_once(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        assert ear.takes == []
        await shown(pilot, lambda: screen_text(app).splitlines()[0].endswith("listening"))
        player.position_s = player.length_s + 1
        await shown(pilot, lambda: ear.takes)
        (take,) = ear.takes
        assert take.alone
        timeline = session_of(app).practice.about.timeline
        assert take.until_s - take.start_s > max(timeline.onsets_s.values())
        ear.answer()
        await shown(pilot, lambda: "2: quiet?   can't tell 4" in screen_text(app))
        await pilot.press("h")
        (rep,) = app.desk.log.reps()
        assert rep.faults == (Fault(2, CHOKED),)
        assert ear.learnt == 0


async def test_only_a_clean_rating_is_learnt_from_and_not_once_it_is_taken_back(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        assert ear.learnt == 1
        await pilot.press("backspace")
        assert ear.learnt == 0
        await pilot.press("space")
        assert ear.learnt == 0


async def test_what_is_heard_after_the_rating_is_logged_with_it_and_goes_to_no_other_repetition(
    tmp_path, ear
):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        ear.answer()
        await play_to_end(pilot, app, player)
        (rep,) = app.desk.log.reps()
        assert rep.faults == ()
        assert [(one.label, one.result) for one in rep.suggestions] == [
            (1, "clean"),
            (2, "choked"),
            (4, "unsure"),
        ]
        await pilot.pause(0.1)
        assert "quiet?" not in screen_text(app)
        assert len(ear.takes) == 2
        ear.answer()
        await shown(pilot, lambda: "2: quiet?" in screen_text(app))


async def test_what_is_heard_after_the_next_rating_too_goes_to_its_own_repetition(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        for _ in range(3):
            await play_to_end(pilot, app, player)
            await pilot.press("space")
        ear.answer(0)
        ear.says = ()
        ear.answer(1)
        ear.says = (Heard(3, VERDICTS["clean"], 0.9),)
        ear.answer(2)
        await shown(
            pilot,
            lambda: (
                [[one.label for one in rep.suggestions] for rep in app.desk.log.reps()]
                == [[1, 2, 4], [], [3]]
            ),
        )


async def test_what_is_heard_when_the_screen_is_left_is_logged(tmp_path, ear, monkeypatch):
    monkeypatch.setattr(ear, "close", ear.answer)
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        session_of(app).practice.send(Stop())
        await app.pop_screen()
        (rep,) = app.desk.log.reps()
        assert [one.label for one in rep.suggestions] == [1, 2, 4]


async def test_what_is_heard_in_a_pause_stands_after_it(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        session_of(app).send(Pause())
        ear.answer()
        await pilot.pause()
        session_of(app).send(Go())
        await shown(pilot, lambda: "2: quiet?" in screen_text(app))


async def test_what_is_heard_goes_to_no_earlier_repetition_that_is_rated_anew(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        await play_to_end(pilot, app, player)
        await pilot.press("backspace")
        assert isinstance(session_of(app).practice.session.state, Amending)
        ear.answer()
        await pilot.pause(0.1)
        assert "quiet?" not in screen_text(app)


async def test_in_a_round_the_suggestion_stands_while_the_bar_of_clicks_counts(tmp_path, ear):
    async with running(tmp_path, drills=DRILL, pause_s=0) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        for alone in (True, False):
            player.position_s = player.length_s + 0.2
            await in_phase(pilot, app, Phase.RATING)
            assert ear.takes[-1].alone is alone
            ear.answer()
            await shown(pilot, lambda: "2: quiet?" in screen_text(app))
            assert player.playing
            await pilot.press("space")
            assert session_of(app).practice.session.phase is Phase.PLAYING
        assert ear.learnt == 2


async def test_the_model_a_broken_count_in_and_a_turn_that_runs_on_are_not_judged(tmp_path, ear):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("h")
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.READY)
        await pilot.press("space", "space", "t")
        player.position_s = player.length_s + 1
        await shown(pilot, lambda: app.desk.log.reps())
        assert ear.takes == []


async def test_what_keeps_it_from_hearing_is_one_line_and_gives_way(tmp_path, ear):
    ear.listens, ear.status = False, "not listening: no input found"
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        assert "listening" not in screen_text(app).splitlines()[0]
        await pilot.press("p")
        assert "not listening" not in screen_text(app)
        ear.status = str(CaptureStatus(CaptureState.LOST, "Built-in Audio Analog Stereo"))
        await pilot.press("space")
        assert ear.status in screen_text(app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        assert len(app.desk.log.reps()) == 1


async def test_a_line_that_is_wider_than_the_screen_is_shown_as_far_as_it_goes(tmp_path, ear):
    why = "another program may be using Built-in Audio Analog Stereo of the docking station"
    async with running(tmp_path, drills=DRILL) as (app, pilot, _):
        await to_ready(pilot, app)
        ear.listens, ear.status = False, str(CaptureStatus(CaptureState.NONE, why=why))
        await pilot.press("space")
        assert "not listening: another program may be using Built-in Audio Analog Stereo" in screen_text(app)


async def test_it_is_off_until_turned_on(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _):
        assert app.desk.hearing() is None
        await pilot.press("space")
        assert session_of(app).practice.hearing is None


@pytest.fixture
def allowed(tmp_path, monkeypatch, ear) -> SpokenEar:
    """An ear that the settings turn on."""
    monkeypatch.setattr(Desk, "hearing", lambda desk: ear if desk.settings.listening.on else None)
    save_settings(tmp_path / "settings.yaml", {"listening": {"on": True, "note_seen": False}})
    return ear


async def test_before_it_first_listens_it_says_what_the_ear_was_measured_on(tmp_path, allowed):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _):
        await pilot.press("space")
        text = " ".join(screen_text(app).replace("▊", "").replace("▎", "").split())
        assert "simulated and sampled strings only; your own marks measure it on yours" in text
        assert allowed.opened == 0
        await pilot.press("enter")
        assert allowed.opened == 1
        assert session_of(app)
    async with running(tmp_path, drills=DRILL) as (app, pilot, _):
        await pilot.press("space")
        assert session_of(app)
        assert allowed.opened == 1
    assert allowed.opened == 0


async def test_who_does_not_want_it_then_turns_it_off(tmp_path, allowed):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _):
        await pilot.press("space")
        await pilot.press("n")
        assert session_of(app).practice.hearing is None
        assert not load_settings(tmp_path / "settings.yaml").listening.on
    assert allowed.opened == 0
