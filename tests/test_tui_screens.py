"""The screens around the session: plan, library, nodes, tuning, report, settings, tour, help, palette."""

from __future__ import annotations

import asyncio
from dataclasses import replace

import pytest
from textual.widgets import Static

from coach.cli import main
from coach.folder.actions import (
    ACTIONS,
    PHASES,
    SCREENS,
    Keymap,
    Phase,
    key_name,
    shown_key,
)
from coach.folder.settings import THEMES, load_settings, read_settings
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.rating.table import CHOKED
from coach.strings.node import Node
from coach.strings.tuning import Heard, adjacent_pairs
from coach.tui.app import CoachApp
from coach.tui.drill_files import draw_preview
from coach.tui.lane import LaneLook, draw_lane, pages_of
from coach.tui.library_screen import LibraryScreen
from coach.tui.nodes_screen import NodesScreen
from coach.tui.reports_screen import ReportsScreen
from coach.tui.session_screen import CAUSE_OF, RESULT_OF, SENDS, SessionScreen
from coach.tui.settings_screen import SettingsScreen
from coach.tui.start import StartScreen
from coach.tui.summary import SummaryScreen
from coach.tui.theme import PALETTES, PLAIN_THEME
from coach.tui.tour import PAGES, TourScreen
from coach.tui.tuning_screen import TuningScreen
from tests.screens import in_phase, picture_text, running, screen_text, session_of, task_of

DRILL_TEXT = """drill: 1
id: pocket
title: Pocket
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 50, goal: 70}
phrases:
  - id: one
    name: One
    bars:
      - harmonics: 1 G:<7> for 4
"""

SCREEN_OF = {
    "start": StartScreen,
    "library": LibraryScreen,
    "nodes": NodesScreen,
    "tuning": TuningScreen,
    "reports": ReportsScreen,
    "settings": SettingsScreen,
    "summary": SummaryScreen,
    **dict.fromkeys(PHASES, SessionScreen),
}


@pytest.mark.parametrize("scope", [*PHASES, *SCREENS])
def test_every_action_has_its_handler_in_the_screen_of_its_scope(scope):
    for action in Keymap().in_scope(scope):
        in_table = action.id in {*RESULT_OF, *CAUSE_OF, *SENDS}
        assert in_table or callable(getattr(SCREEN_OF[scope], f"do_{action.id}")), action.id
        assert action.help
        assert action.label


@pytest.mark.parametrize("scope", [*PHASES, *SCREENS])
def test_no_key_means_two_things_at_once_and_every_action_has_a_key(scope):
    keys = [key for action in Keymap().in_scope(scope) for key in action.keys]
    assert len(keys) == len(set(keys))
    assert all(action.keys for action in ACTIONS)
    assert Keymap().meaning("question_mark", scope).id == "help"


def test_keys_named_by_the_player_are_the_ones_textual_sends():
    from textual.keys import _character_to_key

    for sign in "?/,.;:-+=[]!'#*<>":
        assert key_name(sign) == _character_to_key(sign)
        assert shown_key(key_name(sign)) == sign
    assert key_name("Ctrl+S") == "ctrl+s"
    assert key_name("F5") == "f5"
    assert key_name("nonsense") is None


def test_keys_can_be_remapped_and_hints_follow():
    keymap = read_settings("keys: {go: [f2, space], skip: f3}", "s").keys
    assert keymap.meaning("f2", "ready").id == "go"
    assert keymap.meaning("s", "ready") is None
    assert ("f3", "skip", "skip") in keymap.hints("ready")


async def test_a_remapped_key_works_on_the_screen(tmp_path):
    (tmp_path / "settings.yaml").write_text("keys: {drills: f4}\n")
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d")
        assert isinstance(app.screen, StartScreen)
        await pilot.press("f4")
        assert isinstance(app.screen, LibraryScreen)


async def test_the_plan_shows_reasons_and_minutes_and_can_be_changed(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        screen = app.screen
        before = screen.plan.items
        text = screen_text(app)
        assert "Today, Monday 23 February: " in text
        assert before[1].reason.split()[0] in text
        await pilot.press("down", "j")
        assert screen.plan.items[2] == before[1]
        await pilot.press("x")
        assert before[1] not in screen.plan.items[1:3]
        await pilot.press("plus")
        assert app.desk.minutes == 25
        assert sum(item.minutes for item in screen.plan.items) <= 25 + 1e-9
        await pilot.press("space")
        assert isinstance(app.screen, SessionScreen)


async def test_what_was_taken_out_stays_out_when_the_minutes_change(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        screen = app.screen
        out = [(item.excerpt, item.purpose) for item in screen.plan.items[:2]]
        await pilot.press("x", "x", "plus", "minus", "minus")
        assert app.desk.minutes == 15
        assert not {(item.excerpt, item.purpose) for item in screen.plan.items} & set(out)
        await pilot.press("space", "escape", "enter", "escape")
        await pilot.pause()
        assert screen.plan.items[0].purpose == out[0][1]  # after a session nothing is out any more


async def test_a_session_ends_in_a_summary_and_the_plan_is_made_anew(tmp_path):
    async with running(tmp_path, drills=("small-bells",)) as (app, pilot, player):
        await pilot.press("space", "space")
        await pilot.press("space")
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.RATING)
        await pilot.press("space", "escape", "enter")
        await pilot.pause()
        assert isinstance(app.screen, SummaryScreen)
        text = screen_text(app)
        assert "1 repetition, 1 of 1 clean" in text
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(app.screen, StartScreen)
        assert app.screen.plan is not None
    assert any("1 repetition" in line for line in app.last_words)


async def test_the_library_searches_previews_and_practises(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d", "slash")
        await pilot.press(*"great")
        assert [entry.drill.title for entry in app.screen._shown] == ["The Great Bell"]
        assert "The Rope" in screen_text(app)
        await pilot.press("enter", "enter")
        await pilot.pause()
        assert {
            item.excerpt.drill for item in session_of(app).practice.session.plan.items if item.excerpt
        } == {"the-great-bell"}


async def test_the_preview_of_a_drill_shows_its_lane_to_the_last_row_whatever_its_strings(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d")
        await pilot.pause()
        width, height = app.screen.query_one("#preview").size
        entries = app.screen._entries
    strings = set()
    for entry in entries:
        drill = entry.drill
        instrument, phrase = drill.instrument, drill.phrases[0]
        passage = passage_of(drill, whole_phrase(drill, phrase))
        pages = pages_of(passage, instrument, width, len(instrument.strings) + 4)
        lane = picture_text(draw_lane, width, pages.height, passage, instrument, pages, LaneLook())
        assert lane in picture_text(draw_preview, width, height, entry, True, app.desk.today), drill.title
        strings.add(len(instrument.strings))
    assert {4, 5} <= strings


async def test_a_drill_goes_out_of_the_plan_and_back_by_one_key(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d", "x")
        first = app.screen.chosen.drill
        assert first not in app.desk.in_plan()
        await pilot.press("x")
        assert first in app.desk.in_plan()


async def test_with_a_piece_of_their_own_players_get_a_built_in_drill_only_when_they_take_it_up(tmp_path):
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "pocket.yaml").write_text(DRILL_TEXT)
    async with running(tmp_path) as (app, pilot, _player):
        assert [drill.title for drill in app.desk.in_plan()] == ["Pocket"]
        assert {item.excerpt.drill for item in app.desk.plan().items if item.excerpt} == {"pocket"}
        await pilot.press("d", "down")
        easiest = app.screen.chosen.drill
        assert easiest.grade == 1
        await pilot.press("x")
        assert app.desk.in_plan()[1] == easiest


def test_a_file_opened_in_an_empty_folder_says_at_the_start_and_at_the_end_where_practice_goes(
    tmp_path, monkeypatch, capsys
):
    here, home = tmp_path / "here", tmp_path / "home"
    here.mkdir()
    (here / "pocket.yaml").write_text(DRILL_TEXT)
    monkeypatch.chdir(here)
    monkeypatch.setenv("XDG_DATA_HOME", str(home))
    monkeypatch.setenv("TEXTUAL_DRIVER", "none")
    seen = []

    async def look(app):
        async with app.run_test(size=(80, 24)) as pilot:
            await pilot.pause()
            await pilot.press("escape")
            seen.append(screen_text(app))

    monkeypatch.setattr(CoachApp, "run", lambda app: asyncio.run(look(app)))
    assert main(["practice", "pocket.yaml"]) == 0
    told = f"drills and log are in {home / 'wellrung'}; `mkdir drills` makes the current folder"
    assert told in capsys.readouterr().out
    assert "".join(told[:60].split()) in "".join(seen[0].split())


async def test_a_drill_edited_beside_the_app_is_read_again_with_its_errors(tmp_path):
    drill = tmp_path / "drills" / "pocket.yaml"
    drill.parent.mkdir()
    drill.write_text(DRILL_TEXT)
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d", "slash", *"pocket", "enter")
        assert "<7>" in screen_text(app)
        drill.write_text(DRILL_TEXT.replace("<7>", "<6.5>"))
        app.screen.look()
        text = screen_text(app)
        assert "pocket.yaml can't be read" in text
        assert "6.5" in text
        assert "11:" in text
        drill.write_text(DRILL_TEXT.replace("<7>", "<5>"))
        app.screen.look()
        assert "<5>" in screen_text(app)


async def test_a_drill_edited_during_the_session_is_taken_up_before_the_next_repetition(tmp_path):
    drill = tmp_path / "drills" / "pocket.yaml"
    drill.parent.mkdir()
    drill.write_text(DRILL_TEXT)
    async with running(tmp_path, drills=("pocket",), view="study") as (app, pilot, _player):
        await pilot.press("space", "space")
        screen = session_of(app)
        drill.write_text(DRILL_TEXT.replace("<7>", "<6.5>"))
        screen.look()
        assert "pocket.yaml:11" in screen_text(app)
        assert task_of(screen.practice.session).passage.events[0].notes[0].note.written == "7"
        drill.write_text(DRILL_TEXT.replace("<7>", "<5>"))
        screen.look()
        assert task_of(screen.practice.session).passage.events[0].notes[0].note.written == "5"
        assert "<5>" in screen_text(app)


async def test_the_node_explorer_walks_hears_and_goes_back(tmp_path):
    async with running(tmp_path) as (app, pilot, player):
        await pilot.press("n", "down", "right")
        screen = app.screen
        assert (screen.string, screen.at) == (1, screen.nodes.index(screen.nodes[screen.at]))
        await pilot.press("h")
        assert player.played == 1
        await pilot.press("c")
        assert player.played == 2
        await pilot.press("escape")
        assert isinstance(app.screen, StartScreen)
        assert not player.playing


async def test_the_node_explorer_tells_how_far_off_a_place_rings_that_is_no_unison(tmp_path):
    # Against equal temperament partial 3 is 1.955 cents sharp, partial 4 exact, partial 7 31.17 cents flat:
    # 1200 log2 of 3/2, 2 and 7/4 less whole semitones.
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("n")
        screen = app.screen
        screen.string, screen.at = 0, screen.nodes.index(Node(1, 3))
        screen.draw()
        (line,) = [line for line in screen_text(app).splitlines() if "also rings this note" in line]
        places = line.split("  ")[1:]
        assert {"D<5>", "E<2.7> -31"} <= set(places)


def hear_all(screen):
    """Let the tuning screen have heard every string."""
    instrument = screen.heard.instrument
    for string in range(len(instrument.strings)):
        instrument = instrument.with_measured(string, instrument.open_hz(string) * 1.001, 1e-4)
    screen.heard = replace(screen.heard, instrument=instrument)


async def test_strings_that_were_all_heard_are_offered_to_be_saved(tmp_path):
    async with running(tmp_path, (100, 30)) as (app, pilot, _player):
        await pilot.press("t")
        hear_all(app.screen)
        await pilot.press("q")
        assert "Save these strings" in screen_text(app)
        await pilot.press("y")
        await pilot.pause()
        assert isinstance(app.screen, StartScreen)
        (mine,) = app.desk.settings.instruments
        assert mine.strings[0].measured_cents == pytest.approx(1.73, abs=0.05)


@pytest.mark.parametrize("broken_first", [True, False])
async def test_strings_that_cannot_be_saved_are_told_of_and_the_screen_is_left(tmp_path, broken_first):
    settings = tmp_path / "settings.yaml"
    async with running(tmp_path, (100, 30)) as (app, pilot, _player):
        await pilot.press("t")
        hear_all(app.screen)
        if broken_first:
            settings.write_text("practice: 1\n", encoding="utf-8")
        await pilot.press("q")
        assert "Save these strings" in screen_text(app)
        settings.write_text("practice: 1\n", encoding="utf-8")
        await pilot.press("y")
        await pilot.pause()
        assert isinstance(app.screen, StartScreen)
        assert "settings.yaml:1" in app.last_words[-1]
        assert settings.read_text(encoding="utf-8") == "practice: 1\n"


async def test_tuning_shows_beats_and_detunes_by_a_key(tmp_path):
    async with running(tmp_path) as (app, pilot, player):
        await pilot.press("t")
        # E-A 0.1862, A-D 0.2486, D-G 0.3318 beats a second: 4 x lower less 3 x higher open frequency, ideal strings.
        text = screen_text(app)
        for beats in ("0.19", "0.25", "0.33"):
            assert f"{beats} beats a second" in text
        await pilot.press("plus")
        assert "the A string 1 cent sharp" in screen_text(app)
        assert player.played == 1


@pytest.mark.parametrize("string", [None, 3])
async def test_what_is_to_be_heard_while_tuning_sounds_at_once_and_the_arrow_keys_detune_it(tmp_path, string):
    async with running(tmp_path) as (app, pilot, player):
        bass = app.desk.instrument
        heard = Heard(bass, adjacent_pairs(bass)[::-1], string, cents=2)
        app.push_screen(TuningScreen(bass, heard=heard))
        await pilot.pause()
        assert player.played == 1
        await pilot.press("left")
        assert player.played == 2
        shown = "the G string 1 cent sharp" if string is None else "▶ E open"
        assert shown in screen_text(app)


async def test_the_report_screen_shows_the_report(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("r")
        await pilot.pause()
        assert isinstance(app.screen, ReportsScreen)
        assert "practice, " in screen_text(app)


async def test_a_setting_changed_on_the_screen_is_in_the_file(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("comma", *["down"] * 4, "enter", "down", "down", "enter")
        assert load_settings(tmp_path / "settings.yaml").screen.theme == "paper"
        assert load_settings(tmp_path / "settings.yaml").screen.left_handed
        assert app.desk.settings.screen.left_handed


async def test_the_tour_is_shown_once(tmp_path):
    async with running(tmp_path, tour_seen=False) as (app, pilot, _player):
        assert isinstance(app.screen, TourScreen)
        await pilot.press(*["space"] * len(PAGES))
        assert isinstance(app.screen, StartScreen)
        assert load_settings(tmp_path / "settings.yaml").screen.tour_seen
        await pilot.press("w", "right", "left", "escape")
        assert isinstance(app.screen, StartScreen)


@pytest.mark.parametrize(("keys", "way_out"), [("", "q leave"), ("d", "esc back"), ("t", "esc back")])
async def test_the_way_out_has_room_before_what_is_done_less(tmp_path, keys, way_out):
    async with running(tmp_path) as (app, pilot, _):
        await pilot.press(*keys)
        await pilot.pause()
        assert screen_text(app).splitlines()[-1].endswith(f" {way_out}  ? help")


async def test_where_the_way_out_is_all_there_is_it_comes_first(tmp_path):
    async with running(tmp_path) as (app, pilot, _):
        await pilot.press("r")
        await pilot.pause()
        assert screen_text(app).splitlines()[-1].startswith(" esc back ")


async def test_a_plan_line_leaves_the_grade_out_before_it_is_cut(tmp_path):
    async with running(tmp_path) as (app, _, _):
        shown = screen_text(app)
        assert "Try It, together (Latch of the Gate, grade 1) at 46" in shown
        assert "Latch of the Gate from start to end, together at 46" in shown


@pytest.mark.parametrize("plain", [False, True])
async def test_help_and_palette_list_the_registry(tmp_path, plain):
    async with running(tmp_path, size=(100, 50), ascii=plain) as (app, pilot, _player):
        await pilot.press("question_mark")
        text = screen_text(app)
        for action in Keymap().in_scope("start"):
            assert action.help in text
        await pilot.press("escape")
        titles = {command.title for command in app.get_system_commands(app.screen)}
        assert {action.label for action in Keymap().in_scope("start")} <= titles


def test_the_key_of_choked_is_one_while_playing_and_rating_and_x_means_out_of_the_plan_alone():
    keymap = Keymap()
    assert [keymap.meaning(CHOKED.key, scope).id for scope in ("playing", "rating")] == [
        "choke_now",
        "choked",
    ]
    assert [action.id for action in keymap.actions if "x" in action.keys] == ["drop_item", "set_aside"]


def test_every_theme_that_the_settings_allow_is_there_and_no_other():
    assert set(THEMES) == {*PALETTES, PLAIN_THEME}


async def test_the_plans_cursor_is_a_sign_beside_the_item(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        items = app.screen.plan.items
        (marked,) = [line for line in screen_text(app).splitlines() if line.startswith("▶")]
        assert marked.split()[1] == "tune"
        await pilot.press("down")
        await pilot.pause()
        (marked,) = [line for line in screen_text(app).splitlines() if line.startswith("▶")]
        assert marked.split()[1] == items[1].purpose
        await pilot.press("x")
        assert app.screen.plan.items == (items[0], *items[2:])


async def test_a_long_reason_is_whole_under_the_cursor_and_else_ends_at_a_word(tmp_path):
    reason = " ".join(f"word{number}" for number in range(40)) + " end."
    async with running(tmp_path) as (app, pilot, _player):
        screen = app.screen
        screen.plan = replace(
            screen.plan,
            items=tuple(replace(item, reason=f"{reason} {at}") for at, item in enumerate(screen.plan.items)),
        )
        screen.show_plan()
        for at in range(2):
            await pilot.pause()
            text = screen_text(app)
            assert " ".join(text.split()).count(reason) == 1
            listed = [part.split("…")[0].split()[-1] for part in text.split("▶")[1].split("word0 ")[2:]]
            assert listed
            assert set(listed) <= set(reason.split())
            marked = next(line for line in text.splitlines() if line.startswith("▶"))
            assert marked.split()[1] == screen.plan.items[at].purpose
            await pilot.press("down")


@pytest.mark.parametrize(("rows", "rest"), [(24, "2 more notes"), (20, "the rest of it and 2 more notes")])
async def test_what_the_notes_have_no_room_for_stands_below_the_keys(tmp_path, rows, rest):
    async with running(tmp_path, (80, rows)) as (app, pilot, _player):
        app.desk.first_words = ("The first word.", "The last word.")
        app.screen.make_plan()
        await pilot.pause()
        assert f"? shows {rest}" in screen_text(app)
        await pilot.press("question_mark")
        await pilot.pause()
        assert any("The last word." in str(text.render()) for text in app.screen.query(Static))


async def test_the_planners_notes_stand_above_the_plan(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        screen = app.screen
        screen.plan = replace(screen.plan, notes=("Yesterday ended because something hurt.",))
        screen.show_plan()
        await pilot.pause()
        assert screen_text(app).splitlines()[1] == "! Yesterday ended because something hurt."


async def test_the_note_on_hearing_stands_on_the_start_screen_once(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        assert "85 dBA" in screen_text(app)
        await pilot.press("space")
        await pilot.pause()
        assert "85 dBA" not in screen_text(app)
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.pause()
        assert load_settings(tmp_path / "settings.yaml").sound.hearing_note_seen
        assert "85 dBA" not in screen_text(app)


async def test_silent_mode_says_nothing_of_hearing(tmp_path):
    async with running(tmp_path) as (app, pilot, _player):
        app.desk.silent = True
        app.screen.show_plan()
        await pilot.pause()
        assert "85 dBA" not in screen_text(app)


async def test_the_library_says_what_is_assigned(tmp_path):
    drill = tmp_path / "drills" / "pocket.yaml"
    drill.parent.mkdir()
    asked = "assignment: {teacher: Ana, goal: 64, due: 2026-12-20, note: slowly}\n"
    drill.write_text(DRILL_TEXT.replace("phrases:", asked + "phrases:"))
    async with running(tmp_path) as (app, pilot, _player):
        await pilot.press("d", "slash", *"pocket", "enter")
        text = screen_text(app)
        assert "Pocket  in the plan  assigned by Ana: goal 64 bpm by 20 Dec" in text
        assert "assigned by Ana: goal 64 bpm by 20 Dec. slowly" in text


async def test_the_summary_tells_the_tempo_played_and_the_rung_reached(tmp_path):
    async with running(tmp_path, drills=("small-bells",)) as (app, pilot, player):
        await pilot.press("space", "space", "minus")
        tempo = task_of(session_of(app).practice.session).tempo_bpm
        await pilot.press("space")
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.RATING)
        await pilot.press("space", "escape", "enter")
        await pilot.pause()
        assert f"at {tempo} bpm  rung " in screen_text(app)


async def test_excerpts_of_one_phrase_have_names_of_their_own_wherever_results_are_listed(tmp_path, capsys):
    from coach.commands.practice import _result_lines

    names = ("Row at Four, harmonics", "first half of Row at Four, harmonics")
    async with running(tmp_path, drills=("small-bells",)) as (app, pilot, player):
        await pilot.press("space", "space")
        session = session_of(app)
        while task_of(session.practice.session).excerpt.layer != "harmonics":
            await pilot.press("l")
        for key in ("v", "z"):
            await pilot.press(key, "space")
            player.position_s = player.length_s + 1
            await in_phase(pilot, app, Phase.RATING)
            await pilot.press("space")
        printed = list(_result_lines(session.practice))
        await pilot.press("escape", "enter")
        await pilot.pause()
        shown = screen_text(app)
    assert main(["log", "show", "--folder", str(tmp_path)]) == 0
    listed = capsys.readouterr().out
    for name in names:
        assert f"  {name}: " in "\n".join(printed)
        assert name in shown.splitlines()
        assert f"  {name}  " in listed


async def test_the_summary_tells_of_choked_low_notes_too(tmp_path):
    async with running(tmp_path, drills=("small-bells",)) as (app, pilot, player):
        await pilot.press("space", "space", "space")
        player.position_s = player.length_s + 1
        await in_phase(pilot, app, Phase.RATING)
        await pilot.press("1", "space", "escape", "enter")
        await pilot.pause()
        assert "1 low note choked" in screen_text(app)


async def test_the_report_knows_the_drills_that_this_run_did_not_name(tmp_path):
    (tmp_path / "answers").write_text("clean\n" * 3)
    words = ("--answers", str(tmp_path / "answers"), "--folder", str(tmp_path), "--date", "2026-02-22")
    assert main(["practice", "latch-of-the-gate", *words]) == 0
    async with running(tmp_path, drills=("first-pour",)) as (app, pilot, _player):
        await pilot.press("r")
        await pilot.pause()
        assert "Try It" in screen_text(app)
        assert "not here" not in screen_text(app)


@pytest.mark.parametrize("columns", [80, 120])
@pytest.mark.parametrize("lines", [3, 90])
async def test_the_report_is_drawn_for_the_width_that_it_has(tmp_path, monkeypatch, columns, lines):
    asked = []

    def as_wide_as_asked(report, drills, width):
        asked.append(width)
        return ["x" * (width - 1) + "|"] * lines

    monkeypatch.setattr("coach.tui.reports_screen.report_lines", as_wide_as_asked)
    async with running(tmp_path, size=(columns, 24)) as (app, pilot, _player):
        await pilot.press("r")
        await pilot.pause()
        assert asked[-1] == columns - 2  # the scroll bar takes two, whether it is needed or not
        assert "x|" in screen_text(app).splitlines()[0]
