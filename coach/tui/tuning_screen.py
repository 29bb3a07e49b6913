"""Tuning on the screen: pairs of harmonics and open strings, heard from the coach or listened to by the microphone."""

from __future__ import annotations

from collections.abc import Callable
from functools import partialmethod
from threading import Thread
from typing import TYPE_CHECKING

from textual import events
from textual.timer import Timer

from coach.folder.own_strings import keep_strings, may_become_own
from coach.ground.problem import CoachError
from coach.sound.capture import Capture
from coach.sound.player import now_s
from coach.strings.instrument import Instrument
from coach.strings.tuning import Heard, adjacent_pairs, beatless, by_pitch, moved, usual_reference
from coach.tui.canvas import Pane, pane
from coach.tui.drawn import PictureScreen
from coach.tui.help import AskScreen
from coach.tui.tuning_view import TuningView, draw_tuning

if TYPE_CHECKING:
    from coach.listen.open_string import MeasuredString
    from coach.listen.turn import PegTurn
    from coach.sound.player import Pcm

LOOK_EVERY_S = 0.4
LOOK_BACK_S, LEAST_S = 3.0, 1.5
KEPT_S = 5.0
_KEPT = "All of them were heard; how far each is off and how stiff it is would stand in the settings, for `coach tune`."
HELD_S = 6.0
"""What was surely heard stands so long after it has faded."""


class TuningScreen(PictureScreen):
    """Choose a pair or a string; hear it, detune it by cents, or let the microphone say which peg to turn."""

    scope = "tuning"

    def __init__(
        self,
        instrument: Instrument,
        reference: int | None = None,
        heard: Heard | None = None,
        listening: bool = False,
    ) -> None:
        """`heard` is what sounds as soon as the screen stands."""
        super().__init__()
        self._begins = "hear" if heard else "microphone" if listening else ""
        self.heard = heard or Heard(instrument, adjacent_pairs(instrument))
        self.reference = usual_reference(instrument) if reference is None else reference
        self._strings = by_pitch(instrument)
        string = self.heard.string
        self.row = 0 if string is None else len(self.heard.pairs) + self._strings.index(string)
        """Of the pairs, then of the strings from the lowest."""
        self._capture: Capture | None = None
        self._timer: Timer | None = None
        self._thinking: Thread | None = None
        self._turn: PegTurn | None = None
        self._sure_s = 0.0
        self._chosen_s = float("-inf")
        """When the row was chosen: what rang before was another one's."""

    @property
    def string(self) -> int | None:
        """The open string that is chosen; None where a pair is."""
        at = self.row - len(self.heard.pairs)
        return self._strings[at] if at >= 0 else None

    def on_mount(self) -> None:
        if self._begins:
            self.act(self._begins)

    def picture(self) -> Pane:
        """The rows as they stand, and what is heard of the chosen one."""
        status = str(self._capture.status) if self._capture else ""
        listens = self._capture is not None and self._capture.listening
        return pane(draw_tuning, TuningView(self.heard, self._strings, self.row, status, self._turn, listens))

    def other_key(self, event: events.Key) -> bool:
        if event.key not in ("up", "down"):
            return False
        last = len(self.heard.pairs) + len(self._strings) - 1
        self.row = min(max(self.row + (1 if event.key == "down" else -1), 0), last)
        index = min(self.row, max(len(self.heard.pairs) - 1, 0))
        self.heard = Heard(self.heard.instrument, self.heard.pairs, self.string, index=index)
        self._turn = None
        self._chosen_s = now_s()
        self.draw()
        return True

    def do_microphone(self) -> None:
        """Begin to listen, or stop."""
        if self._capture is not None:
            self._stop_listening()
            self.draw()
            return
        self._capture = Capture(self.coach.desk.settings.sound.input, kept_s=KEPT_S)
        self._capture.start()
        self._timer = self.set_interval(LOOK_EVERY_S, self._look)
        self.draw()

    def _look(self) -> None:
        """Have what was heard last looked through, unless that still goes on."""
        if self._capture is None:
            return
        seconds = min(now_s() - self._chosen_s, LOOK_BACK_S)
        heard = self._capture.last(seconds) if self._capture.listening and seconds >= LEAST_S else None
        if heard is not None and (self._thinking is None or not self._thinking.is_alive()):
            arguments = (self.row, heard, self._capture.rate_hz, self.heard, self.string, self.reference)
            self._thinking = Thread(target=self._think, args=arguments, name="tuner", daemon=True)
            self._thinking.start()
        self.draw()

    def _think(
        self, row: int, heard: Pcm, rate_hz: int, shown: Heard, string: int | None, reference: int
    ) -> None:
        """In a thread of its own: some tenths of a second of computing."""
        from coach.listen.tuner import beats_now, string_now
        from coach.listen.turn import pair_turn, string_turn

        measured = None
        if string is not None:
            measured = string_now(heard, rate_hz, shown.instrument, string)
            turn = string_turn(shown.instrument, string, measured)
        else:
            turn = pair_turn(
                shown.instrument,
                shown.pair,
                reference,
                beats_now(heard, rate_hz, shown.instrument, shown.pair),
            )
        self.call_later(self._listened, row, turn, measured)

    def _listened(self, row: int, turn: PegTurn, measured: MeasuredString | None) -> None:
        """Show what was heard of a row that was chosen; what was sure stands for a while."""
        if row != self.row or self._capture is None:
            return
        faded = now_s() - self._sure_s > HELD_S
        if turn.sure:
            self._sure_s = now_s()
            if measured is not None and self.string is not None:
                self._keep_string(self.string, measured)
        if turn.sure or self._turn is None or faded:
            self._turn = turn
        self.draw()

    def _keep_string(self, string: int, measured: MeasuredString) -> None:
        instrument = self.heard.instrument.with_measured(string, measured.f0_hz, measured.stiffness_b)
        self.heard = Heard(instrument, adjacent_pairs(instrument), string, self.heard.index)

    def _stop_listening(self) -> None:
        if self._timer is not None:
            self._timer.stop()
        if self._capture is not None:
            self._capture.stop()
        self._capture = self._timer = self._turn = None

    def _detune(self, change: Callable[[Heard], Heard]) -> None:
        if self.string is None:
            self.heard = change(self.heard)
        self.draw()
        self.do_hear()

    do_flatter = partialmethod(_detune, lambda heard: moved(heard, -1.0))
    do_sharper = partialmethod(_detune, lambda heard: moved(heard, 1.0))
    do_beatless = partialmethod(_detune, beatless)

    def do_hear(self) -> None:
        if self.string is not None or self.heard.pairs:
            self.coach.hear(lambda models, rate: models.heard_pcm(self.heard, rate))

    def do_back(self) -> None:
        """Leave; what was heard of all strings is kept with the player's own instrument, or saving it is offered."""
        self.coach.player_stop()
        self._stop_listening()
        if may_become_own(self.coach.desk.settings.instruments, self.heard.instrument):
            answers = ((("enter", "y"), "save", "save it"), (("n", "escape"), "leave", "don't"))
            self.app.push_screen(
                AskScreen("Save these strings as your instrument?", _KEPT, answers), self._leave
            )
        else:
            self._leave("")

    def _leave(self, answer: str | None) -> None:
        settings = self.coach.desk.places.settings
        try:
            if keep_strings(settings, self.heard.instrument, answer == "save"):
                self.coach.use_saved_settings()
                self.coach.last_words.append(f"the strings' tuning and stiffness are kept in {settings}")
        except CoachError as error:
            # Told now and, as the app may end here, after it.
            self.coach.tell(error)
            self.coach.last_words.append(f"the strings' tuning and stiffness are not saved: {error}")
        if self.app.screen_stack[0] is self:
            self.app.exit()
        else:
            self.dismiss()

    def on_unmount(self) -> None:
        self._stop_listening()
