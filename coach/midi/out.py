"""The click and the clock as MIDI, from the same time line as the audio, sent as the player's position comes to them.

MIDI 1.0: F8 timing clock, 24 to the quarter; FA start, FB continue, FC stop. The clock ticks through the count-in;
start (or continue) comes right before the tick on the music's first beat. Click notes go to General MIDI percussion
keys unless the settings say otherwise.
"""

from __future__ import annotations

import contextlib
import heapq
import os
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from fractions import Fraction
from typing import Protocol

from coach.ground.frozen import frozen
from coach.midi.settings import MidiSettings
from coach.sound.player import now_s
from coach.sound.timeline import RepTimeline, Strike

CLOCK, START, CONTINUE, STOP = 0xF8, 0xFA, 0xFB, 0xFC
NOTE_S = Fraction(1, 25)
"""How long a click's note lasts."""

_VELOCITY = {"accent": 112, "beat": 88, "subdivision": 56}
GIVE_WAY_S = 0.0005
_NEAR_S = 0.002
_LONGEST_WAIT_S = 0.05
_TOO_LATE_S = 0.25


@frozen
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


class Sender:
    """A thread that sends each message when the position reaches it; joined by `close`.

    `send` takes the bytes and may fail without harm. Waiting ends in small sleeps, so that a message is sent within
    a fraction of a millisecond of its moment where the system wakes the thread in time.
    """

    def __init__(self, send: Callable[[Sequence[int]], object], clock: Callable[[], float] = now_s) -> None:
        self._send = send
        self._clock = clock
        self._change = threading.Condition()
        self._messages: Iterator[Timed] = iter(())
        self._next: Timed | None = None
        self._sounding: tuple[int, ...] | None = None
        self._player: Heard | None = None
        self._started = False
        self._ending = False
        # While another thread draws, Python gives this one its turn only after so long: by default, an audible 5 ms.
        sys.setswitchinterval(min(sys.getswitchinterval(), GIVE_WAY_S))
        self._thread = threading.Thread(target=self._run, name="midi sender", daemon=True)
        self._thread.start()

    def play(self, messages: Iterable[Timed], player: Heard) -> None:
        """Send these by this player's position, and nothing of what was waiting."""
        with self._change:
            self._messages = iter(messages)
            self._next = next(self._messages, None)
            self._player = player
            _hurry(self._thread)
            self._change.notify()

    def stop(self) -> None:
        """Send nothing more; a receiver that was started is stopped, and sounding clicks are ended."""
        with self._change:
            self._messages, self._next = iter(()), None
            if self._sounding is not None:
                status, key, _ = self._sounding
                self._send((status & 0x0F | 0x80, key, 0))
                self._sounding = None
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
                wait_s = self._advance()
                if wait_s is None:
                    _slow_down()
                    if self._ending:
                        return
                    self._change.wait()
                elif wait_s > _NEAR_S:
                    # Waking from a wait is less exact than waking from a sleep: leave the rest to a sleep.
                    self._change.wait(min(wait_s - _NEAR_S, _LONGEST_WAIT_S))
            if wait_s is not None and wait_s <= _NEAR_S:
                time.sleep(max(wait_s, 0.0))

    def _advance(self) -> float | None:
        """Send what is due; how long until the next in seconds, None where nothing waits."""
        while self._next is not None and self._player is not None:
            wait_s = float(self._next.at_s) - self._player.position_s
            if wait_s > 0.00005:
                return wait_s
            message = self._next.message
            status = message[0]
            if status in (START, CONTINUE, STOP):
                self._started = status != STOP
            # What a stalled machine missed is not made up for in a burst, but nothing may hang or stay stopped.
            if status in (CLOCK, START, CONTINUE, STOP) or status & 0xF0 == 0x80 or wait_s > -_TOO_LATE_S:
                self._send(message)
            if status & 0xE0 == 0x80:
                self._sounding = message if status & 0x10 else None
            # Making the next one takes longer than sending this one, so it comes after.
            self._next = next(self._messages, None)
        return None


def _hurry(sender: threading.Thread) -> None:
    """Put this program before others, and the sender before its other threads, where the system lets it (Linux,
    real-time rights): the sender waits for Python's lock while a thread that holds it waits for a processor.

    Threads that a sound system has put higher stay there; programs that this one starts are not put before others.
    """
    with contextlib.suppress(AttributeError):
        _move(os.SCHED_OTHER, os.SCHED_RR | os.SCHED_RESET_ON_FORK, lambda thread: 1 + (thread is sender))


def _slow_down() -> None:
    """Undo `_hurry`."""
    with contextlib.suppress(AttributeError):
        _move(os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.SCHED_OTHER, lambda _: 0)


def _move(policy: int, to: int, priority: Callable[[threading.Thread], int]) -> None:
    """Move this program's threads from one scheduling policy to another; one that may not or is gone is left."""
    for thread in threading.enumerate():
        with contextlib.suppress(OSError):
            if thread.native_id is not None and os.sched_getscheduler(thread.native_id) == policy:
                os.sched_setscheduler(thread.native_id, to, os.sched_param(priority(thread)))
