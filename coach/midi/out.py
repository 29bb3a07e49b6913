"""The click and the clock as MIDI, from the same time line as the audio, sent as the player's position comes to them.

MIDI 1.0: F8 timing clock, 24 to the quarter; FA start, FB continue, FC stop. The clock ticks through the count-in;
start (or continue) comes right before the tick on the music's first beat. Click notes go to General MIDI percussion
keys unless the settings say otherwise.
"""

from __future__ import annotations

import heapq
import threading
from collections.abc import Iterable, Iterator
from fractions import Fraction

from coach.ground.frozen import frozen
from coach.midi.port_process import PortProcess
from coach.midi.sender import CLOCK, CONTINUE, START, STOP
from coach.midi.settings import MidiSettings
from coach.sound.player import Player, now_s
from coach.sound.timeline import RepTimeline, Strike

NOTE_S = Fraction(1, 25)
"""How long a click's note lasts."""

_VELOCITY = {"accent": 112, "beat": 88, "subdivision": 56}
_AHEAD_S = 1.0
"""How long before it is due a message is handed over."""
_HAND_OVER_S = 0.1


@frozen
class Timed:
    """A message and when it is due, in seconds from the rep's start; messages of one moment go by `rank`."""

    at_s: Fraction
    rank: int
    message: tuple[int, ...]


def rep_messages(
    timeline: RepTimeline,
    ticks_s: Iterable[Fraction],
    settings: MidiSettings,
    *,
    resume: bool = False,
    end: bool = True,
) -> Iterator[Timed]:
    """Everything that one rep sends, in order, made as it is asked for, so that the first need not wait for the last.

    `ticks_s` are from `coach.sound.timeline.clock_ticks`. `resume` continues a receiver instead of starting it from
    its beginning; with `end` it is stopped at the last bar's end, without it goes on into the next rep.
    """
    strands: list[Iterable[Timed]] = []
    if settings.click:
        strands += [_strokes(timeline.strikes, settings), _releases(timeline.strikes, settings)]
    if settings.clock:
        marks = [Timed(timeline.count_in_s, 1, (CONTINUE if resume else START,))]
        if end:
            marks.append(Timed(timeline.end_s, 1, (STOP,)))
        strands += [marks, (Timed(at_s, 2, (CLOCK,)) for at_s in ticks_s)]
    return heapq.merge(*strands, key=lambda timed: (timed.at_s, timed.rank))


def _key(strike: Strike, settings: MidiSettings) -> int:
    if strike.kind == "accent":
        return settings.accent_key
    return settings.beat_key if strike.kind == "beat" else settings.subdivision_key


def _strokes(strikes: Iterable[Strike], settings: MidiSettings) -> Iterator[Timed]:
    status = 0x90 | settings.channel - 1
    for strike in strikes:
        yield Timed(Fraction(strike.at_s), 3, (status, _key(strike, settings), _VELOCITY[strike.kind]))


def _releases(strikes: Iterable[Strike], settings: MidiSettings) -> Iterator[Timed]:
    status = 0x80 | settings.channel - 1
    for strike in strikes:
        yield Timed(Fraction(strike.at_s) + NOTE_S, 0, (status, _key(strike, settings), 0))


class OutPort(PortProcess):
    """An output port. What is due soon is handed over ahead of time, again and again with where the music is; it can
    be taken back."""

    def __init__(self, name: str) -> None:
        super().__init__("out", name)
        self._change = threading.Condition()
        self._messages: Iterator[Timed] = iter(())
        self._next: Timed | None = None
        self._player: Player | None = None
        self._feeder = threading.Thread(target=self._feed, name="midi feeder", daemon=True)

    def open(self) -> None:
        super().open()
        self._feeder.start()

    def close(self) -> None:
        self.stop()
        with self._change:
            self._ending.set()
            self._change.notify()
        super().close()

    def play(self, messages: Iterable[Timed], player: Player) -> None:
        """Send these by this player's position, and nothing of what was waiting."""
        with self._change:
            self._messages, self._player = iter(messages), player
            self._next = next(self._messages, None)
            self.order("withdraw")
            self._hand_over(player)
            self._change.notify()

    def stop(self) -> None:
        """Send nothing more; a receiver that was started is stopped, and a sounding click is ended."""
        with self._change:
            self._player = None
            self.order("stop")

    def _feed(self) -> None:
        with self._change:
            while not self._ending.is_set():
                if self._player is not None:
                    self._hand_over(self._player)
                self._change.wait(_HAND_OVER_S if self._player else None)

    def _hand_over(self, player: Player) -> None:
        now = now_s()
        position_s = player.position_s_at(now)
        due = []
        while self._next is not None and self._next.at_s <= position_s + _AHEAD_S:
            due.append((float(self._next.at_s), self._next.message))
            self._next = next(self._messages, None)
        self.order("expect", now - position_s, due)
