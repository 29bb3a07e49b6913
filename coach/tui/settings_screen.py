"""The settings, each with its value; a key changes the one under the cursor and writes the file at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from coach.ground.plain import visible
from coach.tui.base import CoachScreen
from coach.tui.canvas import fitted
from coach.tui.theme import THEME_NAMES
from coach.tui.widgets import HintLine


@dataclass(frozen=True)
class Choice:
    """One setting and the values that the key goes round."""

    section: str
    key: str
    label: str
    values: tuple[Any, ...]
    unit: str = ""


CHOICES: tuple[Choice, ...] = (
    Choice("screen", "theme", "colours", THEME_NAMES),
    Choice("screen", "view", "a session opens with the view", ("glance", "study")),
    Choice("screen", "left_handed", "left-handed fretboard", (False, True)),
    Choice("screen", "ascii", "plain letters only", (False, True)),
    Choice("practice", "minutes", "a session's length", (10, 15, 20, 25, 30, 45, 60, 90), " min"),
    Choice("practice", "clean_to_climb", "clean in a row to climb a rung", (1, 2, 3, 4, 5)),
    Choice("practice", "pause_s", "pause before the next repetition", (0.0, 1.0, 2.0, 3.0, 5.0, 8.0), " s"),
    Choice(
        "practice", "run_on_pause_s", "pause in a turn that runs on", (0.0, 1.0, 2.0, 3.0, 5.0, 8.0), " s"
    ),
    Choice(
        "practice", "longest_interval_days", "met again at the latest after", (7, 14, 21, 30, 60), " days"
    ),
)


class SettingsScreen(CoachScreen):
    """Walk with the arrow keys, change with one key."""

    AUTO_FOCUS: ClassVar[str | None] = "#settings"

    @property
    def scope(self) -> str:
        return "settings"

    def compose(self) -> ComposeResult:
        yield Static("Settings", classes="head")
        yield OptionList(id="settings")
        yield Static(
            visible(f"Kept in {self.coach.desk.places.settings}; keys, sound and MIDI are set there too."),
            id="where",
            classes="quiet",
            markup=False,
        )
        yield HintLine()

    def on_mount(self) -> None:
        self.show_settings()

    def show_settings(self) -> None:
        """List every setting with its value now."""
        listed = self.query_one("#settings", OptionList)
        at = listed.highlighted or 0
        listed.clear_options()
        listed.add_options([Option(self._told(choice)) for choice in CHOICES])
        listed.highlighted = at

    def _value(self, choice: Choice) -> Any:
        return getattr(getattr(self.coach.desk.settings, choice.section), choice.key)

    def _told(self, choice: Choice) -> Text:
        value = self._value(choice)
        shown = {True: "yes", False: "no"}.get(
            value, f"{value:g}" if isinstance(value, float) else f"{value}"
        )
        width = max(self.size.width - 30, 34)
        return Text(visible(f"  {fitted(choice.label, width):<34}  {shown}{choice.unit}"))

    def do_change(self) -> None:
        choice = CHOICES[self.query_one("#settings", OptionList).highlighted or 0]
        value = self._value(choice)
        later = [other for other in choice.values if choice.values.index(other) > _place(choice, value)]
        following = later[0] if later else choice.values[0]
        self.coach.save_settings({choice.section: {choice.key: following}})
        if choice.key == "theme":
            self.coach.choose_theme(self.coach.desk.settings.screen.theme)
        if choice.key == "minutes":
            self.coach.desk.minutes = self.coach.desk.settings.practice.minutes
        self.show_settings()


def _place(choice: Choice, value: Any) -> int:
    """Where a value stands among the choices; one between two of them counts as the lower."""
    if value in choice.values:
        return choice.values.index(value)
    if isinstance(value, int | float):
        return sum(other <= value for other in choice.values) - 1
    return -1
