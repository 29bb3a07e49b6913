"""The click and the clock as MIDI, from the same time line as the audio, sent as the player's position comes to them.

MIDI 1.0: F8 timing clock, 24 to the quarter; FA start, FB continue, FC stop. The clock ticks through the count-in;
start (or continue) comes right before the tick on the music's first beat. Click notes go to General MIDI percussion
keys unless the settings say otherwise.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Protocol

from coach.midi.settings import MidiSettings
from coach.sound.player import now_s
from coach.sound.timeline import RepTimeline, Strike

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
NOTE_S = Fraction(1, 25)
"""How long a click's note lasts."""

_VELOCITY = {"accent": 112, "beat": 88, "subdivision": 56}
_NEAR_S = 0.002
_LONGEST_WAIT_S = 0.05
_TOO_LATE_S = 0.25


@dataclass(frozen=True, slots=True, order=True)
class Timed:
    """A message and when it is due, in seconds from the rep's start; messages of one moment go by `rank`."""

    at_s: Fraction
    rank: int
    message: tuple[int, ...]


class Heard(Protocol):
    """What says where the music is."""

    @property
    def position_s(self) -> float: ...


def rep_messages(
    timeline: RepTimeline,
    ticks_s: Sequence[Fraction],
    settings: MidiSettings,
    *,
    resume: bool = False,
    end: bool = True,
) -> tuple[Timed, ...]:
    """Everything that one rep sends, in order.

    `ticks_s` are from `coach.sound.timeline.clock_ticks`. `resume` continues a receiver instead of starting it from
    its beginning; with `end` it is stopped at the last bar's end, without it goes on into the next rep.
    """
    messages: list[Timed] = []
    if settings.click:
        messages += click_notes(timeline.strikes, settings)
    if settings.clock:
        messages += [Timed(at_s, 2, (CLOCK,)) for at_s in ticks_s]
        messages.append(Timed(timeline.count_in_s, 1, (CONTINUE if resume else START,)))
        if end:
            messages.append(Timed(timeline.end_s, 1, (STOP,)))
    return tuple(sorted(messages))


def click_notes(strikes: Iterable[Strike], settings: MidiSettings) -> list[Timed]:
    """Note on and note off of every strike; a note that would run into the next of its key is ended before."""
    keys = {
        "accent": settings.accent_key,
        "beat": settings.beat_key,
        "subdivision": settings.subdivision_key,
    }
    on, off = 0x90 | settings.channel - 1, 0x80 | settings.channel - 1
    notes = []
    for strike in strikes:
        at_s, key = Fraction(strike.at_s), keys[strike.kind]
        notes.append(Timed(at_s, 3, (on, key, _VELOCITY[strike.kind])))
        notes.append(Timed(at_s + NOTE_S, 0, (off, key, 0)))
    return notes


class Sender:
    """A thread that sends each message when the position reaches it; joined by `close`.

    `send` takes the bytes and may fail without harm. Waiting ends in small sleeps, so that a message is sent within
    a fraction of a millisecond of its moment where the system wakes the thread in time.
    """

    def __init__(self, send: Callable[[Sequence[int]], object], clock: Callable[[], float] = now_s) -> None:
        self._send = send
        self._clock = clock
        self._change = threading.Condition()
        self._queue: list[Timed] = []
        self._player: Heard | None = None
        self._started = False
        self._ending = False
        self._thread = threading.Thread(target=self._run, name="midi sender", daemon=True)
        self._thread.start()

    def play(self, messages: Iterable[Timed], player: Heard) -> None:
        """Send these by this player's position, and nothing of what was waiting."""
        with self._change:
            self._queue = list(messages)[::-1]
            self._player = player
            self._change.notify()

    def stop(self) -> None:
        """Send nothing more; a receiver that was started is stopped, and sounding clicks are ended."""
        with self._change:
            rest, self._queue = self._queue, []
            offs = [timed.message for timed in rest if timed.message[0] & 0xF0 == 0x80][-1:]
            for message in offs:
                self._send(message)
            if self._started:
                self._send((STOP,))
                self._started = False
            self._change.notify()

    def close(self) -> None:
        self.stop()
        with self._change:
            self._ending = True
            self._change.notify()
        self._thread.join(2)

    def _run(self) -> None:
        while True:
            with self._change:
                if self._ending:
                    return
                wait_s = self._advance()
                if wait_s is None:
                    self._change.wait()
                elif wait_s > _NEAR_S:
                    # Waking from a wait is less exact than waking from a sleep: leave the rest to a sleep.
                    self._change.wait(min(wait_s - _NEAR_S, _LONGEST_WAIT_S))
            if wait_s is not None and wait_s <= _NEAR_S:
                _sleep(wait_s)

    def _advance(self) -> float | None:
        """Send what is due; how long until the next in seconds, None where nothing waits."""
        while self._queue and self._player is not None:
            timed = self._queue[-1]
            wait_s = float(timed.at_s) - self._player.position_s
            if wait_s > 0.00005:
                return wait_s
            self._queue.pop()
            status = timed.message[0]
            if status in (START, CONTINUE, STOP):
                self._started = status != STOP
            # What a stalled machine missed is not made up for in a burst, but nothing may hang or stay stopped.
            if wait_s > -_TOO_LATE_S or status & 0xF0 == 0x80 or status in (START, CONTINUE, STOP):
                self._send(timed.message)
        return None


def _sleep(seconds: float) -> None:
    import time

    time.sleep(max(seconds, 0.0))
