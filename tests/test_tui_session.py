"""A session on the screen: what each key does, what is saved, what the screen says."""

from __future__ import annotations

from functools import partial

import pytest

from coach.folder.actions import Phase
from coach.ground.places import builtin_drills
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.listen.settings import MEASURED
from coach.music.drill import TOGETHER
from coach.music.excerpt import Kind, whole_phrase, whole_piece
from coach.rating.table import CHOKED, DROPPED, LATE, LIFT, NOT_REACHED
from coach.score.load import load_drill
from coach.session.desk import Desk
from coach.session.events import SetTempo
from coach.session.states import Amending
from coach.sound.player import SoundState, SoundStatus
from coach.tui.glyphs import big_text, least_size
from coach.tui.help import AskScreen
from coach.tui.root import OPENED_S
from coach.tui.session_screen import SessionScreen
from tests.screens import in_phase, running, screen_text, session_of, shown, task_of

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")

DRILL = ("small-bells",)
NO_CARD = SoundStatus(SoundState.SILENT, why="no sound card found")


async def to_ready(pilot, app) -> None:
    """From the plan past the tuning to the first excerpt, all layers together."""
    await pilot.press("space")
    await pilot.pause()
    while session_of(app).practice.session.phase is Phase.REST:
        await pilot.press("space")
    while task_of(session_of(app).practice.session).excerpt.layer != TOGETHER:
        await pilot.press("l")


async def play_to_end(pilot, app, player) -> None:
    await pilot.press("space")
    player.position_s = player.length_s + 1
    await in_phase(pilot, app, Phase.RATING)


async def test_one_key_starts_a_repetition_and_one_key_saves_it_as_clean(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        assert "CLEAN" not in screen_text(app)  # it is drawn in tall glyphs, not in letters
        await pilot.press("space")
        reps = app.desk.log.reps()
        assert [rep.faults for rep in reps] == [()]
        assert "saved, clean" in screen_text(app)


REASON = (
    "The move from G<7> to D<5> choked in 3 of 8 repetitions, and the piece needs it much faster than that."
)


async def test_the_rating_that_ends_a_turn_tells_its_result_before_the_next_items_reason(
    tmp_path, monkeypatch
):
    (drill,) = (drill for path in builtin_drills() if (drill := load_drill(path)).id == "small-bells")
    whole = whole_phrase(drill, drill.phrases[0])
    rung = drill.tempo.start_bpm
    items = (
        PlanItem(Purpose.CLIMB, 9, "One.", whole, 1, rung),
        PlanItem(Purpose.CLIMB, 9, REASON, whole, 1, rung),
        PlanItem(Purpose.CLIMB, 9, "Faster.", whole, 2, rung),
    )
    plan = partial(Plan, minutes=20, items=items, drills=frozenset({drill.id}), chosen=False)
    monkeypatch.setattr(Desk, "plan", lambda desk, *_: plan(desk.today))
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await pilot.press("space")
        await play_to_end(pilot, app, player)
        await pilot.press("1", "3", "5", "space")
        step = session_of(app).practice.session.played[-1].step
        line = screen_text(app).splitlines()[-2]
        assert line.startswith(f"saved, choked 1 3 5: down to {step.to_bpm}   The move from G<7> to D<5>")
        assert line.endswith("…")
        assert line.rstrip("…").split()[-1] in REASON.split()
        await play_to_end(pilot, app, player)
        await pilot.press(*"1234567", "space")
        line = screen_text(app).splitlines()[-2]
        assert line.startswith("saved, choked 1 2 3 4 5 6 7: down to ")
        assert line.endswith("   Faster.")


async def test_label_keys_mark_chokes_and_the_same_key_takes_them_back(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("1", "3", "4", "3")
        marks = session_of(app).practice.session.marks
        assert [(mark.label, mark.result) for mark in marks] == [(1, CHOKED), (4, CHOKED)]
        assert "choked 1 4" in screen_text(app)
        await pilot.press("space")
        assert app.desk.log.reps()[0].faults == marks


async def test_every_answer_of_the_question_before_the_end_is_on_a_screen_of_24_rows(tmp_path):
    async with running(tmp_path, drills=DRILL, size=(80, 24)) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("2", "escape")
        shown = screen_text(app)
        for words in ("so are the marks", "end it here", "because something hurts", "go on practising"):
            assert words in shown


async def test_late_dropped_cause_and_not_reached_are_one_key_away(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("2", "b", "b", "l", "3", "d", "4", "right", "right", "right", "right", "right", "n")
        marks = {mark.label: mark for mark in session_of(app).practice.session.marks}
        assert (marks[2].result, marks[2].cause) == (CHOKED, LIFT)
        assert marks[3].result is LATE
        assert marks[4].result is DROPPED
        assert [label for label in marks if marks[label].result is NOT_REACHED] == [5, 6, 7]


async def test_backspace_takes_back_marks_one_by_one_and_then_the_last_rating(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("space")
        await play_to_end(pilot, app, player)
        await pilot.press("1", "l", "1", "backspace")
        (mark,) = session_of(app).practice.session.marks
        assert mark.result is CHOKED
        await pilot.press("backspace")
        assert session_of(app).practice.session.marks == ()
        await pilot.press("backspace")
        session = session_of(app).practice.session
        assert session.phase is Phase.RATING
        assert isinstance(session.state, Amending)
        await pilot.press("2", "space")
        assert [rep.faults[0].label for rep in app.desk.log.reps()] == [2]


async def test_breaking_off_marks_what_was_not_reached(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        practice = session_of(app).practice
        third = task_of(practice.session).passage.events[2]
        player.position_s = (
            practice.sounding.lead_s
            + float(
                task_of(practice.session).passage.tempo.seconds_at(
                    third.onset, task_of(practice.session).tempo_bpm
                )
            )
            + 0.05
        )
        await pilot.press("space")
        marks = practice.session.marks
        assert {mark.result for mark in marks} == {NOT_REACHED}
        assert min(mark.label for mark in marks) == third.label + 1


async def test_breaking_off_in_the_count_in_saves_nothing(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("space", "space")
        assert session_of(app).practice.session.phase is Phase.READY
        assert app.desk.log.reps() == []


async def test_a_choke_marked_while_playing_is_the_event_a_reaction_time_ago(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        practice = session_of(app).practice
        onset_s = float(
            task_of(practice.session).passage.tempo.seconds_at(
                task_of(practice.session).passage.event(3).onset, task_of(practice.session).tempo_bpm
            )
        )
        player.position_s = practice.sounding.lead_s + onset_s + 0.4
        await pilot.press("c")
        assert [mark.label for mark in practice.session.marks] == [3]


async def test_a_pedal_marks_a_choke_in_play_and_saves_as_clean_after_it(tmp_path):
    from coach.midi.rig import Press

    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        screen = session_of(app)
        practice = screen.practice

        async def step(at_s: float) -> None:
            player.position_s = at_s
            screen.rig._presses.append(Press(("clean", "choked"), 0.0))
            screen.take_presses()
            await pilot.pause()

        await step(0.0)
        assert practice.session.phase is Phase.PLAYING
        third = float(screen.timeline.onsets_s[3])
        await step(third + 0.35)
        assert [mark.label for mark in practice.session.marks] == [3]
        await step(
            player.length_s - 0.05
        )  # within the dead zone after the last note: about a note, no rating
        assert practice.session.phase is Phase.PLAYING
        player.position_s = player.length_s + 0.01
        await in_phase(pilot, app, Phase.RATING)
        await step(player.length_s + 2.0)
        assert [rep.faults == () for rep in app.desk.log.reps()] == [False]


async def test_the_shown_beat_is_the_one_the_engine_has_reached(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        practice = session_of(app).practice
        beat_s = 60 / task_of(practice.session).tempo_bpm
        for reached, expected in ((0.2, "1"), (2.2, "3"), (4.2, "1"), (5.2, "2")):
            player.position_s = reached * beat_s
            picture = session_of(app).picture()
            assert str(picture.beats[picture.beat_index].number) == expected
            assert picture.position_s == pytest.approx((reached - 4) * beat_s)


async def test_tempo_layer_easier_shorter_and_skip_keys_reach_the_session(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        practice = session_of(app).practice
        tempo = task_of(practice.session).tempo_bpm
        await pilot.press("plus")
        assert task_of(practice.session).tempo_bpm == tempo + 2
        await pilot.press("minus", "minus")
        assert task_of(practice.session).tempo_bpm == tempo - 2
        # A step that leads beyond the rung ends at it.
        practice.send(SetTempo(tempo - 1))
        await pilot.press("plus")
        assert (task_of(practice.session).tempo_bpm, rung_bpm(practice)) == (tempo, tempo)
        await pilot.press("minus")
        await pilot.press("l")
        assert task_of(practice.session).excerpt.layer == "bass"
        await pilot.press("l", "z")
        assert task_of(practice.session).excerpt.kind == "half"
        index = practice.session.turn.number
        await pilot.press("s")
        assert practice.session.turn.number == index + 1


async def test_in_a_round_one_key_in_the_bar_of_clicks_says_clean_and_the_next_pass_follows(tmp_path):
    async with running(tmp_path, drills=DRILL, pause_s=0) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        practice, picture = session_of(app).practice, session_of(app).picture()
        assert picture.beats[picture.beat_index].number in (1, 2, 3)
        assert practice.position_s < 0
        await pilot.press("space")
        assert practice.session.phase is Phase.PLAYING
        assert "saved, clean" in screen_text(app)
        player.position_s = player.length_s + 0.1
        await in_phase(pilot, app, Phase.RATING)
        await pilot.press("2")
        player.position_s = practice.sounding.lead_s - 0.01
        await shown(pilot, lambda: practice.sounding is None)
        assert [mark.label for mark in practice.session.marks] == [2]
        await pilot.press("space")
        assert [len(rep.faults) for rep in app.desk.log.reps()] == [0, 1]


async def test_the_view_key_changes_view_and_nothing_else(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        screen = session_of(app)
        before = screen.practice.session
        assert screen.view == "glance"
        await pilot.press("v")
        assert screen.view == "study"
        assert "bar 1" in screen_text(app)
        await pilot.press("tab")
        assert screen.view == "glance"
        assert screen.practice.session is before


def rung_bpm(practice):
    return practice.session.coaching.rung_bpm(task_of(practice.session).excerpt)


@pytest.mark.parametrize("screen", ["n", "t", "d", "comma"])
async def test_the_help_of_a_screen_names_its_arrow_keys_and_how_it_closes(tmp_path, screen):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        for keys in (["question_mark"], ["escape", screen, "question_mark"]):
            await pilot.press(*keys)
            await pilot.pause()
            assert "up down" in screen_text(app)
            assert "up and down scroll, any other key closes" in screen_text(app)


async def test_hear_it_plays_the_model_and_comes_back_to_ready(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("h")
        assert session_of(app).practice.session.phase is Phase.LISTENING
        lines = screen_text(app).splitlines()
        assert "h stop the sound" in lines[-1]
        assert "nothing can be heard" not in lines[-2]
        player.status = NO_CARD
        await shown(
            pilot, lambda: screen_text(app).splitlines()[-2].strip() == "nothing can be heard: silent mode"
        )
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.READY)


async def test_a_node_that_is_played_to_nobody_says_so_once(tmp_path, monkeypatch):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        player.status = NO_CARD
        told: list[str] = []
        monkeypatch.setattr(app, "notify", told.append)
        await pilot.press("n", "h", "h")
        await shown(pilot, lambda: told)
        await pilot.pause(OPENED_S)
        assert told == ["Nothing can be heard: silent mode."]


async def test_a_turn_that_runs_on_saves_unrated_repetitions_until_the_player_rates(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("t")
        player.position_s = player.length_s + 1
        await shown(pilot, lambda: [rep.faults for rep in app.desk.log.reps()] == [None])
        assert "runs on" in screen_text(app)
        await pilot.press("t", "space")
        assert [rep.faults for rep in app.desk.log.reps()] == [()]


async def test_stopping_because_it_hurts_is_logged_and_says_to_rest(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("escape", "h")
        await pilot.pause()
        assert [entry.kind for entry in app.desk.log.entries("hurt")] == ["hurt"]
        assert "see a clinician" in screen_text(app)
        await pilot.press("escape")
        await pilot.pause()
        assert "Today, Monday 23 February" in screen_text(app)


async def test_after_the_last_item_the_summary_is_one_key_away(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await pilot.press("space")
        for _ in session_of(app).practice.session.plan.items:
            await pilot.press("s")
        assert session_of(app).practice.session.phase is Phase.DONE
        await pilot.press("space")
        await pilot.pause()
        assert "This session" in screen_text(app)


async def test_escape_asks_first_and_a_second_escape_goes_on(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("escape")
        assert "End the session?" in screen_text(app)
        await pilot.press("escape")
        assert session_of(app).practice.session.phase is Phase.READY


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 45)])
async def test_the_question_before_the_end_is_readable_from_two_metres(tmp_path, size):
    async with running(tmp_path, drills=DRILL, size=size) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("escape")
        await pilot.pause()
        lines = screen_text(app).splitlines()
        for words in ("ENTER END", "H HURTS", "ESC GO ON"):
            least = least_size(size[1])
            firsts = [big_text(words, tall)[0].strip() for tall in (least, least + 1)]
            assert any(first in line for line in lines for first in firsts), words


@pytest.mark.parametrize("size", [(80, 24), (100, 30), (160, 45)])
async def test_a_questions_tall_words_stand_each_on_its_own_rows(tmp_path, size):
    answers = ((("enter", "space"), "listen", "go on"), (("n", "escape"), "off", "don't listen"))
    async with running(tmp_path, drills=DRILL, size=size) as (app, pilot, _player):
        app.push_screen(AskScreen("The coach listens while you play", MEASURED, answers))
        await pilot.pause()
        lines = screen_text(app).splitlines()
        for words in ("ENTER LISTEN", "N OFF"):
            drawn = ([row.rstrip() for row in big_text(words, tall)] for tall in (0, 1))
            assert any(all(any(row in line for line in lines) for row in rows) for rows in drawn), words


async def test_escape_stops_the_sound_at_once_and_nothing_unplayed_is_to_be_rated_after_it(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        player.position_s = player.length_s / 2
        await pilot.press("escape")
        assert not player.playing
        await pilot.press("escape")
        session = session_of(app).practice.session
        assert session.phase is Phase.READY
        assert session.played == ()


async def test_escape_while_a_repetition_waits_for_its_rating_leads_back_to_the_rating(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        player.position_s = player.length_s
        await in_phase(pilot, app, Phase.RATING)
        await pilot.press("1", "escape")
        assert "the marks you have just made" in screen_text(app)
        behind = next(screen for screen in app.screen_stack if isinstance(screen, SessionScreen))
        assert behind.picture().phase == Phase.RATING
        assert behind.action_words([behind.keymap.action("resume")])[0] == "back to the marks"
        await pilot.press("escape")
        assert session_of(app).practice.session.phase is Phase.RATING
        assert [mark.label for mark in session_of(app).practice.session.marks] == [1]


async def test_the_key_that_pauses_ends_the_pause(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space", "p")
        assert session_of(app).practice.session.phase is Phase.PAUSED
        assert not player.playing
        await pilot.press("p")
        assert session_of(app).practice.session.phase is Phase.READY


async def test_the_piece_and_any_run_of_its_phrases_can_be_played_from_a_session(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        drill = session_of(app).practice.session.music.task.drill
        await pilot.press("g", "enter")
        await pilot.pause()
        assert session_of(app).practice.session.music.task.excerpt == whole_piece(drill, "together")
        await pilot.press("g", "down", "down", "enter")
        await pilot.pause()
        assert "to the end of" in str(app.screen.query_one("#asks").render())
        await pilot.press("down", "enter")
        await pilot.pause()
        chosen = session_of(app).practice.session.music.task.excerpt
        assert (chosen.kind, chosen.phrases) == (Kind.SECTION, drill.played[1:3])
        await pilot.press("space")
        assert session_of(app).practice.session.phase is Phase.PLAYING


async def test_from_the_list_of_drills_a_run_is_played_at_once_and_again(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await pilot.press("d", "g", "enter")
        await pilot.pause()
        session = session_of(app).practice.session
        assert session.music.task.excerpt.kind is Kind.PIECE
        assert [item.reason for item in session.plan.items] == ["You chose it."]
        for _ in range(2):
            await pilot.press("space")
            player.position_s = player.length_s
            await in_phase(pilot, app, Phase.RATING)
            await pilot.press("space")
        played = session_of(app).practice.session.played
        assert [one.rep.excerpt for one in played] == [session.music.task.excerpt.key] * len(played)
        assert played


async def test_the_librarys_own_key_to_quit_answers_in_our_words(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await pilot.press("ctrl+c")
        await pilot.pause()
        assert [note.message for note in app._notifications] == [
            "Escape goes back. Ctrl+q quits at once; what you rated is saved."
        ]


@pytest.mark.parametrize("sizes", [((120, 40), (80, 24), (200, 60)), ((80, 24), (40, 10), (80, 24))])
async def test_the_terminal_may_be_resized_while_playing(tmp_path, sizes):
    async with running(tmp_path, size=sizes[0], drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space", "v")
        player.position_s = player.length_s / 2
        for size in sizes[1:]:
            await pilot.resize_terminal(*size)
            await pilot.pause(0.05)
            assert screen_text(app)
        assert session_of(app).practice.session.phase is Phase.PLAYING


async def test_nothing_polls_while_nothing_plays(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        screen = session_of(app)
        assert not screen._poll._active.is_set()
        await pilot.press("space")
        assert screen._poll._active.is_set()
        player.position_s = player.length_s + 1
        await shown(pilot, lambda: not screen._poll._active.is_set())


async def test_a_touch_on_the_key_line_and_on_a_note_does_what_the_keys_do(tmp_path):
    async with running(tmp_path, drills=DRILL, view="study") as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.click(offset=(2, 23))
        practice = session_of(app).practice
        assert practice.session.phase is Phase.PLAYING
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.RATING)
        row = next(at for at, line in enumerate(screen_text(app).splitlines()) if "bar 1, beat 1" in line)
        second = screen_text(app).splitlines()[row].index("bar 1", 10)
        await pilot.click(offset=(second + 2, row + 1))
        assert [mark.label for mark in practice.session.marks] == [2]


async def test_while_playing_only_what_changed_is_painted_again(tmp_path):
    async with running(tmp_path, size=(120, 40), drills=DRILL, view="study") as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        screen = session_of(app)
        player.position_s = 0.50
        screen.draw()
        assert screen.draw() == 0
        player.position_s = 0.62  # the walking mark moves, the beat does not change
        assert 0 < screen.draw() <= 2


FOUR_BARS = """drill: 1
id: stairs
title: Stairs
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 60, goal: 80}
assignment: {teacher: Ana, goal: 72, due: 2026-03-20, note: keep the low note down}
phrases:
  - id: one
    name: One
    cue: one finger, no pressure
    bars:
      - {bass: 1 E:0 for 4, harmonics: "1 G:<7>, 3 D:<5>"}
      - {bass: 1 E:3 for 4, harmonics: "1 G:<7>, 3 D:<5>"}
      - {bass: 1 E:0 for 4, harmonics: "1 G:<7>, 3 D:<5>"}
      - {bass: 1 E:3 for 4, harmonics: "1 G:<7>, 3 D:<5>"}
"""


def stairs(folder) -> tuple[str, ...]:
    (folder / "drills").mkdir()
    (folder / "drills" / "stairs.yaml").write_text(FOUR_BARS)
    return ("stairs",)


async def test_marking_turns_to_the_bar_of_the_label_and_keys_turn_pages(tmp_path):
    async with running(tmp_path, drills=stairs(tmp_path)) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        assert "→ 9-12" in screen_text(app)
        await pilot.press("0")
        assert "← 1-8" in screen_text(app)
        assert [mark.label for mark in session_of(app).practice.session.marks] == [10]
        await pilot.press("left")
        assert "→ 9-12" in screen_text(app)
        assert session_of(app).cursor == 1
        await pilot.press("right")
        assert session_of(app).cursor == 9
        await pilot.press("down", "m")
        assert [mark.label for mark in session_of(app).practice.session.marks] == []
        await pilot.press("up", "up", "m")
        assert "→ 9-12" in screen_text(app)
        assert [mark.label for mark in session_of(app).practice.session.marks] == [8]


@pytest.mark.parametrize("keys", [("space",), ("x", "space")])
@pytest.mark.parametrize("view", ["glance", "study"])
async def test_the_sheet_opens_where_the_playing_broke_off_or_choked(tmp_path, keys, view):
    async with running(tmp_path, drills=stairs(tmp_path), view=view) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("space")
        player.position_s = player.length_s - 3.3
        await pilot.pause(0.1)
        await pilot.press(*keys)
        assert session_of(app).practice.session.phase is Phase.RATING
        assert "← 1-8" in screen_text(app), "the page of events 9 to 12 is open"
        await pilot.press("left")
        assert "→ 9-12" in screen_text(app)


async def test_the_key_of_the_views_does_nothing_while_a_repetition_is_rated(tmp_path):
    async with running(tmp_path, drills=stairs(tmp_path)) as (app, pilot, player):
        await to_ready(pilot, app)
        await pilot.press("v")
        assert session_of(app).view == "study"
        await play_to_end(pilot, app, player)
        await pilot.press("v")
        assert session_of(app).view == "study"
        await pilot.press("question_mark")
        assert "study view" not in screen_text(app)


async def test_every_label_can_be_marked_by_its_key(tmp_path):
    async with running(tmp_path, drills=stairs(tmp_path)) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press(*"1234567890qw")
        session = session_of(app).practice.session
        assert [mark.label for mark in session.marks] == [
            event.label for event in task_of(session).passage.events
        ]


async def test_a_cue_about_harmonics_shows_only_where_there_are_some(tmp_path):
    async with running(tmp_path, drills=stairs(tmp_path), view="study") as (app, pilot, _player):
        await to_ready(pilot, app)
        assert "one finger, no pressure" in screen_text(app)
        while task_of(session_of(app).practice.session).excerpt.layer != "bass":
            await pilot.press("l")
        text = screen_text(app)
        assert "one finger" not in text
        assert "keep the low note down" in text


@pytest.mark.parametrize("view", ["glance", "study"])
async def test_a_first_harmonic_after_the_low_note_says_its_beat_and_a_narrow_screen_keeps_the_fingers(
    tmp_path, view
):
    drills = stairs(tmp_path)
    path = tmp_path / "drills" / "stairs.yaml"
    path.write_text(
        path.read_text().replace('1 E:0 for 4, harmonics: "1 G', '1 E:3(2) for 4, harmonics: "2 G')
    )
    async with running(tmp_path, size=(80, 24), drills=drills, view=view) as (app, pilot, _player):
        await to_ready(pilot, app)
        text = screen_text(app)
        assert "first, on 2" in text
        assert ("on 1  finger 2" if view == "glance" else "on 1") in text


async def test_where_one_harmonic_is_all_no_cue_speaks_of_the_next(tmp_path):
    drills = stairs(tmp_path)
    path = tmp_path / "drills" / "stairs.yaml"
    path.write_text(path.read_text().replace("one finger, no pressure", "look at the next node early"))
    async with running(tmp_path, drills=drills, view="study") as (app, pilot, _player):
        await to_ready(pilot, app)
        assert "look at the next node early" in screen_text(app)
        while task_of(session_of(app).practice.session).excerpt.kind != "node":
            await pilot.press("z")
        text = screen_text(app)
        assert sum(event.is_harmonic for event in session_of(app).picture().passage.events) == 1
        assert "look at the next node" not in text


@pytest.mark.parametrize("view", ["glance", "study"])
async def test_an_item_without_music_says_its_sentence_once(tmp_path, view):
    async with running(tmp_path, size=(120, 40), drills=DRILL, view=view) as (app, pilot, _player):
        await pilot.press("space")
        item = session_of(app).practice.session.turn.item
        assert item.excerpt is None
        assert " ".join(screen_text(app).split()).count(item.reason) == 1


async def test_the_key_line_of_a_pause_says_where_its_key_leads(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, _player):
        await to_ready(pilot, app)
        await pilot.press("space", "p")
        assert " space end the pause" in screen_text(app).splitlines()[-1]
        await pilot.press("space")
        assert session_of(app).practice.session.phase is Phase.READY


async def test_the_session_says_what_the_teacher_asks_for(tmp_path):
    async with running(tmp_path, drills=stairs(tmp_path)) as (app, pilot, _player):
        await to_ready(pilot, app)
        text = screen_text(app)
        assert "assigned by Ana: goal 72 bpm by 20 Mar" in text.splitlines()[0]
        assert "keep the low note down" in text


async def test_what_is_wrong_with_the_sound_is_told_once_in_full_and_then_gives_way(tmp_path):
    status = NO_CARD
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        player.status = status
        await pilot.press("space")
        await pilot.pause()
        assert str(status) in screen_text(app)
        await pilot.press("space")
        text = screen_text(app)
        assert "silent" not in text
        assert session_of(app).practice.session.turn.item.reason[:20] in text
        player.status = SoundStatus(SoundState.LOST, "card")
        await play_to_end(pilot, app, player)
        assert str(player.status) in screen_text(app)
        await pilot.press("1")
        assert "choked 1" in screen_text(app)


async def test_what_silent_mode_is_is_told_once_and_later_by_its_name_only(tmp_path):
    status = NO_CARD
    for told in (str(status), "silent mode"):
        async with running(tmp_path, drills=DRILL) as (app, pilot, player):
            player.status = status
            await pilot.press("space")
            await pilot.pause()
            assert screen_text(app).splitlines()[-2].endswith(told)
            assert (str(status) in screen_text(app)) == (told == str(status))
            await pilot.press("space")
            assert "silent" not in screen_text(app)


async def test_the_sound_line_waits_where_there_is_no_room_beside_the_reason(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        screen = session_of(app)
        player.status = NO_CARD
        screen.message = "a reason that is long enough to leave no room"
        screen.draw()
        assert "silent" not in screen_text(app)
        assert screen.message in screen_text(app)
        await pilot.press("space")
        assert str(player.status) in screen_text(app)


async def test_what_is_marked_is_saved_when_the_session_is_stopped(tmp_path):
    async with running(tmp_path, drills=DRILL) as (app, pilot, player):
        await to_ready(pilot, app)
        await play_to_end(pilot, app, player)
        await pilot.press("3", "escape")
        assert "so are the marks you have just made" in screen_text(app)
        await pilot.press("enter")
        assert [[fault.label for fault in rep.faults] for rep in app.desk.log.reps()] == [[3]]


async def test_a_window_too_small_still_plays_and_marks(tmp_path):
    async with running(tmp_path, size=(40, 10), drills=stairs(tmp_path)) as (app, pilot, player):
        assert "window too small: 80 x 24 at least" in screen_text(app)
        await to_ready(pilot, app)
        assert "window too small: 80 x 24 at least" in screen_text(app)
        await play_to_end(pilot, app, player)
        await pilot.press("0", "space")
        assert [[fault.label for fault in rep.faults] for rep in app.desk.log.reps()] == [[10]]
