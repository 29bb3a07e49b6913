"""What fingers get: for every state of every screen a key for all that can be done in it."""

from __future__ import annotations

import pytest
from textual._xterm_parser import XTermParser
from textual.widgets import Static

from coach.folder.actions import SCREENS, Keymap
from coach.ground.places import Places
from coach.tui.touch import Key, keys_of
from tests.screens import running
from tests.test_tui_screens import DRILL_TEXT

ACTIONS = (
    *("drills", "nodes", "tuning", "reports", "settings", "drop_item"),
    *("item_earlier", "item_later", "more_minutes", "fewer_minutes", "know"),
)
"""Of the start screen, each with a label of its own."""


def labels(screen: object) -> list[str]:
    return [key["label"] for key in keys_of(screen)]


def first(screen: object, label: str) -> Key:
    return next(key for key in keys_of(screen) if key["label"] == label)


@pytest.mark.parametrize(
    ("scope", "keys"), [("library", "d"), ("nodes", "n"), ("tuning", "t"), ("settings", "comma")]
)
async def test_every_action_of_a_screen_has_a_key_and_lists_have_up_and_down(tmp_path, scope, keys):
    assert scope in SCREENS
    async with running(tmp_path) as (app, pilot, _):
        await pilot.press(keys)
        await pilot.pause()
        assert app.screen.scope == scope
        assert {"up", "down", "back"} <= set(labels(app.screen))
        for action in Keymap().in_scope(scope):
            assert not action.keys or action.label in labels(app.screen)


async def test_what_lost_its_key_is_told_on_the_start_screen_and_fingers_get_the_rest(tmp_path):
    Places(tmp_path).settings.write_text("keys: {drills: [space, enter]}\n")
    async with running(tmp_path, (100, 30)) as (app, _, _):
        assert "leave begin without one" in str(app.screen.query_one("#notes", Static).render())
        assert labels(app.screen)[0] == "drills"
        assert "go" not in labels(app.screen)


async def test_a_question_with_choices_is_answered_by_fingers(tmp_path):
    async with running(tmp_path) as (app, pilot, _):
        await pilot.press("enter", "enter", "g")
        await pilot.pause()
        assert labels(app.screen) == ["take", "up", "down", "leave"]


async def test_a_tempo_is_typed_by_a_question_of_the_page(tmp_path):
    (tmp_path / "drills").mkdir()
    (tmp_path / "drills" / "pocket.yaml").write_text(DRILL_TEXT)
    async with running(tmp_path, drills=("pocket",)) as (app, pilot, _):
        await pilot.press("d", "i")
        await pilot.pause()
        assert labels(app.screen) == ["type", "save", "leave"]
        assert first(app.screen, "type")["ask"] == "20 to 300 bpm"
        assert first(app.screen, "type")["send"] == "\x15"


async def test_what_the_page_sends_for_a_key_is_read_as_that_key(tmp_path):
    """Textual's own reader of what terminals send stands at the other end."""
    chosen = ["f5", "f12", "ctrl+s", "insert", "delete", "pagedown", "home", "up", "enter", "slash", "z"]
    Places(tmp_path).settings.write_text(
        f"keys: {{{', '.join(map(': '.join, zip(ACTIONS, chosen, strict=True)))}}}\n"
    )
    async with running(tmp_path) as (app, _, _):
        sent = {key["label"]: key["send"] for key in keys_of(app.screen)}
        for action_id, name in zip(ACTIONS, chosen, strict=True):
            label = app.keymap.action(action_id).label
            assert [event.key for event in XTermParser().feed(sent[label])] == [name], action_id
