"""All MIDI of one session: click and clock out, the pedal in, each on its own port, each optional.

A session opens one rig from its settings, hands it every rep as it starts, and takes presses from it when told. A
press carries what it is bound to and its moment; what it means then is for `coach.midi.pedal.meaning`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Self

from coach.ground.frozen import frozen
from coach.midi.out import OutPort, rep_messages
from coach.midi.pedal import Action, Pedals, actions_of, heard, is_latching, trigger_of
from coach.midi.port_process import PortProcess
from coach.midi.settings import MidiSettings
from coach.sound.timeline import clock_ticks

if TYPE_CHECKING:
    from coach.music.excerpt import Passage
    from coach.sound.player import Player
    from coach.sound.timeline import RepTimeline


@frozen
class Press:
    """One press of a bound switch; `at_s` is on the clock of `coach.sound.player.now_s`."""

    actions: tuple[Action, ...]
    at_s: float


class Rig:
    """MIDI ports of a session; nothing is opened where the settings name no port."""

    def __init__(self, settings: MidiSettings) -> None:
        self.settings = settings
        self._notify: Callable[[], object] = lambda: None
        self._pedals = Pedals()
        self._presses: deque[Press] = deque(maxlen=100)
        self._out = OutPort(settings.out_port) if settings.out_port else None
        self._in = PortProcess("in", settings.in_port, self.received) if settings.in_port else None
        self._ports = [port for port in (self._out, self._in) if port is not None]

    def notify_by(self, notify: Callable[[], object]) -> None:
        """Call this, in a thread of the port's, when presses wait to be taken."""
        self._notify = notify

    def open(self) -> None:
        """Look for the ports; returns at once."""
        for port in self._ports:
            port.open()

    def close(self) -> None:
        """Stop what was started and end every thread."""
        for port in self._ports:
            port.close()

    @property
    def status(self) -> tuple[str, ...]:
        """One clear line for each port that the settings name."""
        return tuple(port.status for port in self._ports)

    def play(
        self,
        passage: Passage,
        tempo_bpm: int,
        timeline: RepTimeline,
        player: Player,
        beat_whole: Fraction = Fraction(1, 4),
        *,
        resume: bool = False,
        end: bool = True,
    ) -> None:
        """Send a rep's click and clock as `player` comes to them; see `rep_messages` for `resume` and `end`."""
        if self._out is None:
            return
        ticks = (
            clock_ticks(passage, tempo_bpm, timeline.count_in_s, beat_whole) if self.settings.clock else ()
        )
        self._out.play(rep_messages(timeline, ticks, self.settings, resume=resume, end=end), player)

    def stop(self) -> None:
        """The sound stops: stop the receiver, too."""
        if self._out is not None:
            self._out.stop()

    def received(self, message: Sequence[int], at_s: float) -> None:
        """Take in one message from the input port."""
        trigger = trigger_of(message)
        if trigger is None:
            return
        bindings = self.settings.bindings
        latching = is_latching(trigger, bindings)
        self._pedals, pressed = heard(self._pedals, message, at_s, self.settings.bounce_ms / 1000, latching)
        actions = actions_of(trigger, bindings) if pressed else ()
        if actions:
            self._presses.append(Press(actions, at_s))
            self._notify()

    def take(self) -> tuple[Press, ...]:
        """Presses since the last call, oldest first."""
        taken = []
        while self._presses:
            taken.append(self._presses.popleft())
        return tuple(taken)

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()
