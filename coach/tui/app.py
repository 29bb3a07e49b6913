"""The app: it leads from screen to screen. It decides nothing.

Its first screen is imported with it; every other one when it is first shown, which saves an eighth of the start.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import signal
from collections.abc import Callable, Iterable, Sequence
from threading import Thread
from typing import TYPE_CHECKING, Any

from textual.app import SystemCommand
from textual.driver import Driver
from textual.screen import Screen

from coach.folder.settings import THEMES
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.learning.plan import Plan
from coach.music.drill import Drill
from coach.strings.instrument import Instrument
from coach.tui.base import CoachScreen
from coach.tui.root import Coach, ScreenName
from coach.tui.start import StartScreen
from coach.tui.terminal import LastingFile

if TYPE_CHECKING:
    from coach.session.desk import Desk

GARBAGE = 50_000
"""So many values more than before are there when circles of them are looked for."""


class CoachApp(Coach):
    """One run of the program on the screen; `first` is shown in place of the start screen."""

    def __init__(self, desk: Desk, first: CoachScreen | None = None) -> None:
        super().__init__(desk)
        self._first = first

    def get_default_screen(self) -> CoachScreen:
        # Pushed on a blank screen instead, it would be composed and painted after that one.
        return self._first or StartScreen()

    def on_mount(self) -> None:
        self.set_class(self.plain, "-plain")
        if self._first is None and not self.desk.settings.screen.tour_seen:
            self.show("tour")
        if self.is_web:
            # Only a browser needs it.
            from coach.tui.touch import watch

            watch(self)
        self.set_timer(0.2, self._warm_up)
        self._leave_on_signals()

    def _build_driver(self, *arguments: Any, **named: Any) -> Driver:
        driver = super()._build_driver(*arguments, **named)
        if file := getattr(driver, "_file", None):
            driver._file = LastingFile(file)  # type: ignore[attr-defined]
        return driver

    def _leave_on_signals(self) -> None:
        """End as on the quit key when the window is closed or the system asks, where it asks by signals."""
        loop = asyncio.get_running_loop()
        for name in ("SIGHUP", "SIGTERM"):
            with contextlib.suppress(AttributeError, NotImplementedError, RuntimeError, ValueError):
                loop.add_signal_handler(getattr(signal, name), self.exit)

    def _warm_up(self) -> None:
        """Load what the first repetition needs while the player reads, so that it starts at once."""
        if not gc.isenabled():
            # What is here now stays until the end: no later collection need look at it. A picture makes thousands of
            # values that go by themselves, and looking for circles after every 700 takes a tenth of a repaint.
            gc.freeze()
            gc.set_threshold(GARBAGE)
            gc.enable()
        Thread(target=_load_sound, daemon=True, name="warm-up").start()

    def begin(self, plan: Plan) -> None:
        """Start a session on a plan and show it; what is wrong with the settings is told instead."""
        from coach.midi.rig import Rig
        from coach.tui.session_screen import SessionScreen

        try:
            rig = Rig(self.desk.settings.midi)
            practice = self.desk.practice(plan, self.player, self.desk.hearing())
        except CoachError as error:
            self.tell(error)
            return
        self.push_screen(SessionScreen(practice, rig))
        if self.hearing_note():
            self.save_settings({"sound": {"hearing_note_seen": True}})

    def ask_known(self, drill: Drill, phrase: str, then: Callable[[], None]) -> None:
        from coach.tui.know import KnowScreen

        def answered(bpm: int | None) -> None:
            if bpm is None:
                return
            if refusal := self.desk.know(drill, phrase, bpm):
                self.tell(refusal)
            then()

        what = plain_text(drill.phrase(phrase).name if phrase else drill.title)
        self.push_screen(KnowScreen(what), answered)

    def show(self, name: ScreenName, instrument: Instrument | None = None) -> None:
        screen: Screen[None]
        match name:
            case "drills":
                from coach.tui.library_screen import LibraryScreen

                screen = LibraryScreen()
            case "nodes":
                from coach.tui.nodes_screen import NodesScreen

                screen = NodesScreen(instrument or self.desk.instrument)
            case "tuning":
                from coach.tui.tuning_screen import TuningScreen

                screen = TuningScreen(instrument or self.desk.instrument)
            case "reports":
                from coach.tui.reports_screen import ReportsScreen

                screen = ReportsScreen()
            case "settings":
                from coach.tui.settings_screen import SettingsScreen

                screen = SettingsScreen()
            case "tour":
                from coach.tui.tour import TourScreen

                screen = TourScreen()
        self.push_screen(screen)

    def show_help(self, notes: Sequence[str]) -> None:
        from coach.tui.help import HelpScreen

        if isinstance(screen := self.screen, CoachScreen):
            self.push_screen(HelpScreen(screen.actions(), screen.scope, self.plain, notes))

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        if isinstance(screen, CoachScreen):
            for action in screen.actions():
                yield SystemCommand(action.label, action.help, lambda chosen=action.id: screen.act(chosen))
        for name in THEMES if not self.few_colours else ():
            yield SystemCommand(
                f"theme {name}", f"Draw in the colours of {name}", lambda chosen=name: self.set_look(chosen)
            )


def _load_sound() -> None:
    import coach.session.host
    import coach.sound.engine
    import coach.sound.models  # noqa: F401
