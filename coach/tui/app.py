"""The app: it owns the desk, the sound and the keys, and leads from screen to screen. It decides nothing."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
from collections.abc import Iterable
from threading import Thread
from typing import TYPE_CHECKING

from textual.app import App, SystemCommand
from textual.screen import Screen

from coach.folder.settings import THEMES
from coach.ground.problem import CoachError
from coach.tui.base import CoachScreen
from coach.tui.theme import PLAIN_THEME, few_colours, textual_themes

if TYPE_CHECKING:
    from coach.learning.plan import Plan
    from coach.music.drill import Drill, Phrase
    from coach.session.desk import Desk
    from coach.sound.player import Player
    from coach.strings.instrument import Instrument, Node
    from coach.tui.start import StartScreen

VOLUME_STEP = 0.1


class CoachApp(App[None]):
    """One run of the program on the screen."""

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
            from coach.sound.opening import open_engine

            sound = self.desk.settings.sound
            self._player = open_engine(self.desk.silent, device=sound.device, offset_s=sound.offset_s)
        return self._player

    def get_default_screen(self) -> StartScreen:
        # Pushed on a blank screen instead, it would be composed and painted after that one.
        from coach.tui.start import StartScreen

        return StartScreen()

    def on_mount(self) -> None:
        self.set_class(self.plain, "-plain")
        if not self.desk.settings.screen.tour_seen:
            from coach.tui.tour import TourScreen

            self.push_screen(TourScreen())
        self.set_timer(0.2, self._warm_up)
        self._leave_on_signals()

    def _leave_on_signals(self) -> None:
        """End as on the quit key when the window is closed or the system asks, where it asks by signals."""
        loop = asyncio.get_running_loop()
        for name in ("SIGHUP", "SIGTERM"):
            with contextlib.suppress(AttributeError, NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(getattr(signal, name), self.exit)

    def _warm_up(self) -> None:
        """Load what the first repetition needs while the player reads, so that it starts at once."""
        if not gc.isenabled():
            # What is here now stays until the end: no later collection need look at it.
            gc.freeze()
            gc.enable()
        Thread(target=_load_sound, daemon=True, name="warm-up").start()

    def begin(self, plan: Plan) -> None:
        """Start a session on a plan and show it; what is wrong with the settings is told instead."""
        from coach.midi.rig import Rig
        from coach.tui.session_screen import SessionScreen

        try:
            sound = self.desk.settings.sound
            rig = Rig(self.desk.settings.midi)
            practice = self.desk.practice(plan, self.player, click_sound=sound.click, click_db=sound.click_db)
        except CoachError as error:
            self.notify(str(error), severity="error", markup=False)
            return
        self.push_screen(SessionScreen(practice, rig))
        if self.hearing_note():
            self.save_settings({"sound": {"hearing_note_seen": True}})

    def hearing_note(self) -> list[str]:
        """What to tell about hearing before the first session of a folder that sounds; nothing after it."""
        if self.desk.silent or self.desk.settings.sound.hearing_note_seen:
            return []
        from coach.sound.settings import HEARING_NOTE

        return [HEARING_NOTE]

    def hear_phrase(self, drill: Drill, phrase: Phrase) -> None:
        """Play the model of a whole phrase at the drill's start tempo."""
        from coach.music.drill import ClickPattern
        from coach.music.excerpt import passage_of, whole_phrase
        from coach.sound.render import render_rep
        from coach.sound.timeline import rep_timeline
        from coach.sound.tones import tones_of

        passage = passage_of(drill, whole_phrase(drill, phrase))
        timeline = rep_timeline(passage, drill.tempo.start_bpm, ClickPattern(), 0)
        tones = tones_of(passage, drill.instrument, timeline)
        self.player.play(render_rep((), tones, self.player.rate))

    def hear_node(self, instrument: Instrument, string: int, node: Node) -> None:
        """Play one harmonic."""
        from coach.sound.render import render_rep
        from coach.sound.tones import Tone

        tone = Tone(
            0, 3.0, instrument.open_hz(string), node, stiffness_b=instrument.string_at(string).stiffness_b
        )
        self.player.play(render_rep((), (tone,), self.player.rate))

    def player_stop(self) -> None:
        """Silence, where anything was opened at all."""
        if self._player is not None:
            self._player.stop()

    def change_volume(self, way: int) -> None:
        """One step louder (1) or softer (-1)."""
        self.player.volume = min(max(self.player.volume + way * VOLUME_STEP, 0.0), 1.0)
        self.notify(f"sound at {self.player.volume:.0%}", timeout=2)

    def on_unmount(self) -> None:
        if self._player is not None:
            self._player.close()

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        if isinstance(screen, CoachScreen):
            for action in screen.actions():
                yield SystemCommand(action.label, action.help, lambda chosen=action.id: screen.act(chosen))
        for name in THEMES if not self.few_colours else ():
            yield SystemCommand(
                f"theme {name}", f"Draw in the colours of {name}", lambda chosen=name: self.set_look(chosen)
            )

    def set_look(self, theme: str) -> None:
        """Change the theme now and for later runs."""
        self.choose_theme(theme)
        self.save_settings({"screen": {"theme": theme}})

    def save_settings(self, changes: dict[str, dict[str, object]]) -> None:
        """Write settings to the file and use them; a problem is told and changes nothing."""
        from coach.folder.settings import load_settings, save_settings

        try:
            save_settings(self.desk.places.settings, changes)
            self.desk.settings = load_settings(self.desk.places.settings)
            self.set_class(self.plain, "-plain")
        except CoachError as error:
            self.notify(str(error), severity="error", markup=False)


def _load_sound() -> None:
    import coach.session.host
    import coach.sound.opening
    import coach.sound.render
    import coach.sound.timeline
    import coach.sound.tones  # noqa: F401
