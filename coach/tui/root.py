"""What every screen may ask of the app: the desk, the sound, the keys, and to show another screen.

`coach.tui.app` knows the screens; the screens know only this.
"""

from __future__ import annotations

import os
from abc import abstractmethod
from collections.abc import Callable, Sequence
from types import ModuleType
from typing import TYPE_CHECKING, Literal

from textual.app import App

from coach.folder.settings import keep_settings, load_settings, save_settings, usual_settings
from coach.ground.problem import CoachError
from coach.learning.plan import Plan
from coach.music.drill import Drill
from coach.session.desk import Desk
from coach.sound.player import Player
from coach.sound.settings import HEARING_NOTE
from coach.strings.instrument import Instrument
from coach.tui.theme import PLAIN_THEME, few_colours, textual_themes

if TYPE_CHECKING:
    from coach.sound.player import Pcm

VOLUME_STEP = 0.1
OPENED_S = 0.5
"""After so long a sound card is open, or it is known that there is none."""
ScreenName = Literal["drills", "nodes", "tuning", "reports", "settings", "tour"]


class Coach(App[None]):
    """The app as its screens know it. A type check finds a way to a screen that `CoachApp` leaves out."""

    CSS_PATH = "coach.tcss"
    TITLE = "Wellrung"
    ENABLE_COMMAND_PALETTE = True
    NOTIFICATION_TIMEOUT = 6.0

    def __init__(self, desk: Desk) -> None:
        few = few_colours(os.environ)
        super().__init__(ansi_color=True if few else None)
        self.desk = desk
        self.keymap = desk.settings.keys
        self.last_words: list[str] = []
        """Lines for the terminal after the screen is gone."""
        self.few_colours = few
        self._unheard = ""
        self._player: Player | None = None
        for theme in textual_themes():
            self.register_theme(theme)
        self.choose_theme(desk.settings.screen.theme)

    def choose_theme(self, name: str) -> None:
        """Draw in one of our themes; a terminal of few colours keeps its own."""
        self.theme = PLAIN_THEME if self.few_colours else name

    def refresh_css(self, animate: bool = True) -> None:
        """Apply the theme's colours; before there is a screen, only note them: the styles are yet to be read."""
        if self.screen_stack:
            super().refresh_css(animate)
        else:
            self.stylesheet.set_variables(self.get_css_variables())

    @property
    def plain(self) -> bool:
        """Whether only ASCII may be drawn."""
        return self.desk.settings.screen.ascii

    @property
    def player(self) -> Player:
        """What plays the sound, opened when it is first needed; a clock where the session is silent."""
        if self._player is None:
            from coach.sound.engine import open_engine  # A library of sound cards too.

            sound = self.desk.settings.sound
            self._player = open_engine(self.desk.silent, device=sound.device, offset_s=sound.offset_s)
        return self._player

    def hearing_note(self) -> list[str]:
        """What to tell about hearing before the first session of a folder that sounds; nothing after it."""
        if self.desk.silent or self.desk.settings.sound.hearing_note_seen:
            return []
        return [HEARING_NOTE]

    def hear(self, sound: Callable[[ModuleType, int], Pcm]) -> None:
        """Play what is made of `coach.sound.models` at the player's rate."""
        # It stands on numpy, a fifth of the start: it waits until something sounds, as the device does.
        import coach.sound.models

        self.player.play(sound(coach.sound.models, self.player.rate))
        self.set_timer(OPENED_S, self._tell_unheard)

    def _tell_unheard(self) -> None:
        """Once, why what was to be heard can't be."""
        why = self.player.status.unheard
        if why and why != self._unheard:
            self.notify(f"Nothing can be heard: {why}.")
        self._unheard = why

    def tell(self, trouble: object) -> None:
        """Tell the player what went wrong."""
        self.notify(str(trouble), severity="error", markup=False)

    def action_help_quit(self) -> None:
        """What ctrl+c does: say how one leaves, in our words and not in the library's."""
        self.notify("Escape goes back. Ctrl+q quits at once; what you rated is saved.")

    def player_stop(self) -> None:
        """Silence, where anything was opened at all."""
        if self._player is not None:
            self._player.stop()

    @abstractmethod
    def ask_known(self, drill: Drill, phrase: str, then: Callable[[], None]) -> None:
        """Ask at which tempo a drill, or its phrase of this id, is played already; log the answer."""

    def change_volume(self, way: int) -> None:
        """One step louder (1) or softer (-1)."""
        self.player.volume = min(max(self.player.volume + way * VOLUME_STEP, 0.0), 1.0)
        self.notify(f"sound at {self.player.volume:.0%}", timeout=2)

    def on_unmount(self) -> None:
        if self._player is not None:
            self._player.close()

    def set_look(self, theme: str) -> None:
        """Change the theme now and for later runs."""
        self.choose_theme(theme)
        self.save_settings({"screen": {"theme": theme}})

    def save_settings(self, changes: dict[str, dict[str, object]]) -> None:
        """Write settings to the file and use them; a problem is told and changes nothing."""
        try:
            save_settings(self.desk.places.settings, changes)
            self.use_saved_settings()
            self.set_class(self.plain, "-plain")
        except CoachError as error:
            self.tell(error)

    def use_saved_settings(self) -> None:
        """Use the settings file as it stands, and begin the next new folder with it. CoachError where it is wrong."""
        keep_settings(self.desk.places.settings, usual_settings())
        self.desk.settings = load_settings(self.desk.places.settings)

    @abstractmethod
    def begin(self, plan: Plan) -> None:
        """Start a session on a plan and show it; a problem with the settings is shown instead."""

    @abstractmethod
    def show(self, name: ScreenName, instrument: Instrument | None = None) -> None:
        """Another screen over this one; that of nodes or of tuning for an instrument, else the one at hand."""

    @abstractmethod
    def show_help(self, notes: Sequence[str]) -> None:
        """What can be done on this screen, and its keys; below them notes that had no room there."""
