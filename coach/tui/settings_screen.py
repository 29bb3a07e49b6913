"""The settings, each with its value; a key changes the one under the cursor and writes the file at once."""

from __future__ import annotations

import re
from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.widgets import Static

from coach.folder.settings import SETTINGS
from coach.ground.fields import Row
from coach.ground.plain import visible
from coach.tui.base import CoachScreen
from coach.tui.widgets import HintLine, MarkedList

OFFERED: tuple[tuple[str, str, Row], ...] = tuple(
    (section, key, row)
    for section, group in SETTINGS.rows.items()
    for key, row in group.rows.items()
    if row.choices
)
"""Section, key and row of every setting that the screen offers."""


def _short(row: Row) -> str:
    """What a setting is about, without what the file's comment adds to it."""
    return re.split("[,;]", row.about)[0]


LABEL_COLUMNS = max(len(_short(row)) for *_, row in OFFERED)


class SettingsScreen(CoachScreen):
    """Walk with the arrow keys, change with one key."""

    scope = "settings"

    AUTO_FOCUS: ClassVar[str | None] = "#settings"

    def compose(self) -> ComposeResult:
        yield Static("Settings", classes="head")
        yield MarkedList(id="settings")
        yield Static(
            visible(
                f"Saved in {self.coach.desk.places.settings}; keys, sound and MIDI are set in that file too."
            ),
            id="where",
            classes="quiet",
            markup=False,
        )
        yield HintLine()

    def on_mount(self) -> None:
        self.show_settings()

    def show_settings(self) -> None:
        """List every setting with its value now."""
        listed = self.query_one("#settings", MarkedList)
        listed.list_texts([self._line(*offered) for offered in OFFERED], listed.highlighted or 0)

    def _value(self, section: str, key: str) -> Any:
        return getattr(getattr(self.coach.desk.settings, section), key)

    def _line(self, section: str, key: str, row: Row) -> Text:
        return Text(f"{_short(row):<{LABEL_COLUMNS}}  {row.kind.show(self._value(section, key))}")

    def do_change(self) -> None:
        section, key, row = OFFERED[self.query_one("#settings", MarkedList).highlighted or 0]
        self.coach.save_settings({section: {key: _following(row.choices, self._value(section, key))}})
        if key == "theme":
            self.coach.choose_theme(self.coach.desk.settings.screen.theme)
        if key == "minutes":
            self.coach.desk.minutes = self.coach.desk.settings.practice.minutes
        self.show_settings()


def _following(choices: tuple[Any, ...], value: Any) -> Any:
    """The choice behind a value, the first behind the last; a number between two counts as the lower."""
    if value in choices:
        return choices[(choices.index(value) + 1) % len(choices)]
    return next((choice for choice in choices if choice > value), choices[0])
