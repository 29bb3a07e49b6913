"""What all screens share: keys by way of the action registry, help, and the app that they belong to."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterable, Sequence
from functools import partialmethod
from typing import ClassVar, cast

from textual import events
from textual.screen import Screen

from coach.folder.actions import Action, Keymap
from coach.ground.problem import CoachError
from coach.tui.root import Coach, ScreenName


class CoachScreen(Screen[None]):
    """A screen whose keys come from the registry: action `x` of its scope is its method `do_x`."""

    AUTO_FOCUS: ClassVar[str | None] = ""
    ALLOW_SELECT = False

    @property
    def coach(self) -> Coach:
        """The app, as our own type."""
        return cast(Coach, self.app)

    @property
    def keymap(self) -> Keymap:
        return self.coach.keymap

    @property
    @abstractmethod
    def scope(self) -> str:
        """The phase or screen whose actions are in force."""

    async def on_key(self, event: events.Key) -> None:
        action = self.keymap.meaning(event.key, self.scope)
        if (
            self.focused is not None
            and self.focused.has_class("typing")
            and event.key not in ("escape", "f1")
        ):
            # What is typed into a field is text, and its own keys are its own.
            action = None
        if action is None:
            if self.other_key(event):
                event.stop()
                event.prevent_default()
            return
        event.stop()
        event.prevent_default()
        self.act(action.id, event.time)

    def other_key(self, event: events.Key) -> bool:
        """A key that no action has; True where the screen used it."""
        return False

    def act(self, action_id: str, when_s: float = 0.0) -> None:
        """Do an action of this screen; `when_s` is the moment of the key on the monotonic clock, 0 for now."""
        self.pressed_s = when_s
        try:
            self.handler(action_id)()
        except CoachError as error:
            self.coach.tell(error)

    def handler(self, action_id: str) -> Callable[[], object]:
        """What does an action here."""
        return cast("Callable[[], object]", getattr(self, f"do_{action_id}"))

    pressed_s: float = 0.0
    """When the key of the action in progress was pressed."""

    def actions(self) -> tuple[Action, ...]:
        """What can be done here now, for help and palette."""
        return self.keymap.in_scope(self.scope)

    def touch_marks(self) -> Iterable[tuple[str, str]]:
        """(key, what it marks) of every event that can be marked now, for fingers."""
        return ()

    def touch_cue(self) -> str:
        """The cue of the moment, for the page to show large."""
        return ""

    def action_words(self, actions: Iterable[Action]) -> list[str]:
        """What each action does in the present state, in a word or two; nothing where it does nothing."""
        return [action.label for action in actions]

    def do_help(self) -> None:
        self.coach.show_help(self.help_notes())

    def help_notes(self) -> Sequence[str]:
        """What help tells below the keys."""
        return ()

    def do_back(self) -> None:
        self.coach.player_stop()
        self.dismiss()

    def do_hush(self) -> None:
        self.coach.player_stop()

    def _volume(self, way: int) -> None:
        self.coach.change_volume(way)

    def _show(self, name: ScreenName) -> None:
        self.coach.show(name)

    do_louder, do_softer = partialmethod(_volume, 1), partialmethod(_volume, -1)
    do_drills, do_nodes = partialmethod(_show, "drills"), partialmethod(_show, "nodes")
    do_reports, do_tuning = partialmethod(_show, "reports"), partialmethod(_show, "tuning")
