"""The sound card's player: hands out PCM, knows what is heard, and never stops for want of a device.

Time is the device's count of frames, tied to the monotonic clock by `Pace`. Heard = asked for less the blocks
queued in the device, less the player's own offset.

A rep's beat never moves. Where no device opens, or one stops asking for blocks, the same reps go on in silence on the
clock, from where they were, and a keeper thread tries again now and then. A device that comes back, and one whose
queue ran dry, first shows its pace in silence; then the sound comes in at the place where the rep is.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Self

from coach.sound.device import (
    PERIODS,
    RETRY_S,
    STALL_S,
    START_STALL_S,
    DeviceError,
    Filler,
    OpenDevice,
    open_device,
)
from coach.sound.feed import Feed, Pieces
from coach.sound.pace import Pace
from coach.sound.player import RATE, PlayToken, SoundState, SoundStatus, now_s
from coach.sound.tended import Tended

if TYPE_CHECKING:
    from coach.sound.player import Player, Sound

SILENT_LEAD_S = 0.1
"""In silence a rep begins so much later than it is asked for, as a card's queue has it: its first click as MIDI needs
time on the way to the port."""

OpenFunction = Callable[[int, str, Filler], OpenDevice]


def open_engine(silent: bool, *, device: str = "", offset_s: float = 0.0) -> Player:
    """An opened player: the sound card's, or, where `silent`, a clock alone. Close it when done.

    `device` is the name of a playback device, or part of it; empty is the system's choice. Without a sound
    card the player opens all the same, and its `status` says so.
    """
    player = Engine(device=device, opener=None if silent else open_device)
    # Nothing is heard later than calculated where nothing is heard.
    player.offset_s = 0.0 if silent else offset_s
    player.open()
    return player


class Engine(Tended[OpenDevice]):
    """Plays mono PCM on a sound card, or in silence while there is none; without an `opener` always in silence.

    `opener` and `clock` are injected by tests, which call `tend` themselves instead of `open`.
    """

    def __init__(
        self,
        rate: int = RATE,
        device: str = "",
        opener: OpenFunction | None = open_device,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__("sound keeper", clock)
        self.rate = rate
        self.offset_s = 0.0
        self.calls = 0
        """Blocks handed out so far."""
        self.late_calls = 0
        """Blocks asked for later than the device's queue lasts: likely drop-outs."""
        self.longest_call_s = 0.0
        self._wish = device
        self._opener = opener
        self._feed = Feed()
        self._lock = threading.Lock()
        self._awaiting = True
        self._sounding = False
        self._status = SoundStatus(SoundState.OPENING)
        self._opened_s = clock()
        self._silent_since_s = clock()
        self._silent_from = 0.0
        self._last_call_s = 0.0
        self._block = 0
        self._queued_blocks = PERIODS - 1
        self._pace = Pace(rate)
        self._shift = 0
        """The feed's frames less the device's."""
        if opener is None:
            self._go_silent(SoundStatus(SoundState.SILENT))

    def open(self) -> None:
        """Start the keeper, which opens the device; returns at once and never raises for want of one."""
        if self._opener is not None:
            self._keeper.start()

    def close(self) -> None:
        """Fade out, close the device and end the keeper; waits at most about two seconds."""
        fading = self._sounding and self.playing
        self.stop()
        if fading:
            time.sleep((self._queued_blocks + 1) * self._block / self.rate)
        self._end()

    def play(self, sound: Sound, *, join: bool = False) -> PlayToken:
        pieces = Pieces(sound)
        if self._opener is not None:
            pieces.prepare(0)
        with self._lock:
            frame = self._heard_frame(self._clock())
            if not (join or self._awaiting or self._sounding):
                self._feed.skip(round(frame + SILENT_LEAD_S * self.rate) - self._feed.frames)
            return PlayToken(self._feed.play(pieces, join))

    def stop(self) -> None:
        self._feed.stop()

    @property
    def volume(self) -> float:
        return self._feed.gain

    @volume.setter
    def volume(self, share: float) -> None:
        self._feed.gain = min(max(float(share), 0.0), 1.0)

    @property
    def token(self) -> PlayToken | None:
        number = self._heard(self._clock())[0]
        return PlayToken(number) if number else None

    @property
    def position_s(self) -> float:
        return self._heard(self._clock())[1] / self.rate

    def position_s_at(self, when_s: float) -> float:
        now = self._clock()
        return self._heard(now)[1] / self.rate + when_s - now

    @property
    def playing(self) -> bool:
        number, position, length = self._heard(self._clock())
        return number > 0 and position < length

    @property
    def finished(self) -> bool:
        number, position, length = self._heard(self._clock())
        return number > 0 and position >= length

    @property
    def latency_s(self) -> float:
        return (self._queue_s if self._sounding else 0.0) + self.offset_s

    @property
    def status(self) -> SoundStatus:
        return self._status

    @property
    def sounding(self) -> bool:
        """Whether a device is asking for blocks."""
        return self._sounding

    def _look_after(self, device: OpenDevice) -> None:
        """Make ready what it plays next, and notice that it is gone."""
        patience = STALL_S if self.calls > self._queued_blocks + 1 else START_STALL_S
        since = self._clock() - max(self._last_call_s, self._opened_s)
        if self._sounding:
            self._feed.prepare()
            if since > patience:
                self._go_silent(SoundStatus(SoundState.LOST, device.name))
                self._retry_at_s = self._clock() + RETRY_S
        elif since > patience:
            if self._awaiting:
                self._go_silent(SoundStatus(SoundState.SILENT, why=f"no sound comes out of {device.name}"))
            self._let_go()

    def _try_to_open(self) -> None:
        if self._opener is None:
            return
        self.calls = 0
        self._pace = Pace(self.rate)
        self._opened_s = self._clock()
        filler = self._filler()
        next(filler)
        try:
            self._device = self._opener(self.rate, self._wish, filler)
        except DeviceError as error:
            if self._awaiting:
                self._go_silent(SoundStatus(SoundState.SILENT, why=str(error)))
            self._retry_at_s = self._clock() + RETRY_S
            return
        self._queued_blocks = self._device.queued_blocks

    def _go_silent(self, status: SoundStatus) -> None:
        with self._lock:
            now = self._clock()
            lead = SILENT_LEAD_S * self.rate
            self._silent_from = self._feed.frames - lead if self._awaiting else self._heard_frame(now)
            self._silent_since_s = now
            self._sounding = self._awaiting = False
            self._pace = Pace(self.rate)
            self._status = status

    def _go_sounding(self) -> None:
        """From the next block on, which is asked for now, the device plays; the beat stays where it is."""
        device = self._device
        if device is None:
            return
        with self._lock:
            if not self._awaiting:
                heard_s = self._pace.start_s + self._pace.frames / self.rate + self._queue_s
                frame = round(self._silent_frame(heard_s))
                if frame < self._feed.frames:
                    # A rep that is about to begin was promised a later frame, which comes some blocks on.
                    return
                self._feed.resume_at(frame)
            self._shift = self._feed.frames - self._pace.frames
            self._sounding, self._awaiting = True, False
            self._status = SoundStatus(SoundState.CARD, device.name)

    def _let_go(self) -> None:
        self._sounding = False
        super()._let_go()

    @property
    def _pause_s(self) -> float:
        return super()._pause_s / (10 if self._awaiting else 1)

    def _filler(self) -> Filler:
        """What the device's thread runs: stamps, counts, and what lies ready."""
        clock, feed = self._clock, self._feed
        count = yield memoryview(b"")
        while True:
            stamp = clock()
            self._block = count
            if (
                stamp - self._last_call_s > self._queue_s + count / self.rate
                and self.calls > self._queued_blocks + 1
            ):
                self._ran_dry()
            self._last_call_s = stamp
            self.calls += 1
            if not self._sounding and self._pace.steady:
                self._go_sounding()
            self._pace.block(stamp, count)
            if self._sounding:
                block = feed.fill(count)
                self.longest_call_s = max(self.longest_call_s, clock() - stamp)
            else:
                block = memoryview(b"")
            count = yield block

    def _ran_dry(self) -> None:
        """The device has played all that it had, and stood still for a time that nobody knows."""
        self.late_calls += 1
        if self._sounding and self._device is not None:
            self._go_silent(SoundStatus(SoundState.LOST, self._device.name))

    @property
    def _queue_s(self) -> float:
        return self._queued_blocks * self._block / self.rate

    def _heard(self, now: float) -> tuple[int, float, int]:
        with self._lock:
            return self._feed.heard(self._heard_frame(now) - self.offset_s * self.rate)

    def _heard_frame(self, now: float) -> float:
        """Of the feed; the lock is held."""
        if self._awaiting:
            return self._feed.frames - self._queue_s * self.rate
        if self._sounding:
            return (now - self._pace.start_s - self._queue_s) * self.rate + self._shift
        frame = self._silent_frame(now)
        self._feed.skip(int(frame) - self._feed.frames)
        return frame

    def _silent_frame(self, now: float) -> float:
        return self._silent_from + (now - self._silent_since_s) * self.rate

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()
