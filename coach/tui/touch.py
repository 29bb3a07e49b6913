"""What fingers need: for every state of every screen all that can be done in it, each on a key of the browser's page,
and the cue large enough to be read from the chair.

The page draws the keys (`coach serve` hands them on); nothing is touched in the terminal itself, where a slip of the
finger would be a mark.
"""

from __future__ import annotations

from collections.abc import Iterator

from textual._ansi_sequences import ANSI_SEQUENCES_KEYS
from textual.app import App
from textual.screen import Screen
from textual.widgets import Input

from coach.folder.actions import SCREENS, shown_key
from coach.tui.base import CoachScreen
from coach.tui.help import AskScreen, HelpScreen

Key = dict[str, str]
"""`send`: the bytes that the key stands for; `label`; `role`: `first`, `mark` or none; `ask`: for a text to send."""

LOOK_EVERY_S = 0.2
_BYTES = {
    keys[0].value: sequence
    for sequence, keys in reversed(list(ANSI_SEQUENCES_KEYS.items()))
    if isinstance(keys, tuple) and len(keys) == 1
}
"""What a terminal sends for a key without a letter, of several the first that the library knows."""


def watch(app: App[None]) -> None:
    """Tell the page that shows the app of the keys whenever they change."""
    driver = app._driver
    shown: dict[str, object] = {}

    def look() -> None:
        screen = app.screen
        cue = screen.touch_cue() if isinstance(screen, CoachScreen) else ""
        page = {"type": "touch", "cue": cue, "keys": list(keys_of(screen))}
        if page != shown:
            shown.update(page)
            # The web driver's own channel beside the screen; the page's side is `coach/web/held.py`.
            driver.write_meta(page)  # type: ignore[union-attr]

    app.set_interval(LOOK_EVERY_S, look)


def keys_of(screen: object) -> Iterator[Key]:
    """The keys of a screen as it stands now."""
    if isinstance(screen, AskScreen):
        for keys, _answer, says in screen.answers:
            yield _key(keys[0], says)
    elif isinstance(screen, CoachScreen):
        yield from _keys_in(screen)
    elif isinstance(screen, HelpScreen):
        yield from (*_UP_AND_DOWN, _key("escape", "close"))
    elif isinstance(screen, Screen) and isinstance(screen.focused, Input):
        # What stood there goes: ctrl+u deletes back to the start of the line.
        yield {"send": "\x15", "label": "type", "role": "", "ask": screen.focused.placeholder}
        yield from (_key("enter", "save"), _key("escape", "leave"))
    else:
        yield from (_key("enter", "take", "first"), *_UP_AND_DOWN, _key("escape", "leave"))


def _keys_in(screen: CoachScreen) -> Iterator[Key]:
    actions = [action for action in screen.actions() if action.keys]
    words = screen.action_words(actions)
    (first, word), *more = zip(actions, words, strict=True)
    others = [(action, word) for action, word in more if word]
    yield _key(first.keys[0], word, "first")
    # What the ear suggests is taken or not before anything is marked.
    yield from (_key(action.keys[0], word) for action, word in others if action.id == "as_heard")
    for name, what in screen.touch_marks():
        yield _key(name, what, "mark")
    if screen.scope in SCREENS:  # There they choose, or scroll.
        yield from _UP_AND_DOWN
    for action, word in others:
        if action.id == "as_heard":
            continue
        key = _key(action.keys[0], word)
        yield {**key, "ask": action.help} if action.id == "search" else key


def _key(name: str, label: str, role: str = "") -> Key:
    return {"send": _BYTES.get(name) or shown_key(name), "label": label, "role": role}


_UP_AND_DOWN = (_key("up", "up"), _key("down", "down"))
