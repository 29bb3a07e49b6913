"""The microphone beside the playing engine: what it heard at which moment, and never a reason to stop practising.

Conventions: moments are seconds of `coach.sound.player.now_s`, the clock that ties the engine's positions too:
position 0 of what plays is heard at `now_s() - player.position_s`. Samples are mono float32 at `rate_hz`, whatever
rate and channels the input has (the library converts). Count and clock are tied by the earliest of the last two
seconds of blocks, because a block can come late but never before its last sample; what is left is the input's own
delay, `delay_s`, which `align` finds from clicks that were played and heard. Two cards drift apart, so align on each
count-in.

Privacy: nothing is opened before `start`, the last `kept_s` seconds are kept in memory alone, and `stop` forgets them.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from enum import Enum, auto
from typing import TYPE_CHECKING, Self

from coach.ground.frozen import frozen
from coach.sound.device import (
    INPUT_PERIODS,
    RETRY_S,
    STALL_S,
    START_STALL_S,
    DeviceError,
    OpenInput,
    Taker,
    open_input,
)
from coach.sound.player import RATE, now_s
from coach.sound.tended import Tended

if TYPE_CHECKING:
    from coach.sound.player import Pcm

KEPT_S = 60.0
ALIGN_REACH_S = 0.3
"""How late or early against the reckoning a click is looked for; never half a beat or more."""
CLEAR = 6.0
"""A click in a recording stands out from what is around it by this factor."""
_ANCHORS = 200
"""Blocks of 10 ms whose earliest ties count and clock."""
_LATEST = INPUT_PERIODS + 1
"""Blocks that can all be late only where sound before them was lost: so many can't have waited together."""
LOST_S = 0.015
"""A jump of the tie by so much is lost sound: two cards drift apart by far less in two seconds."""

OpenInputFunction = Callable[[int, str, Taker], OpenInput]


class CaptureState(Enum):
    """Whether anything is heard."""

    OFF = auto()
    """Not asked for."""
    OPENING = auto()
    LISTENING = auto()
    NONE = auto()
    """There is no input to listen with, or it can't be had."""
    LOST = auto()
    """Nothing until the input is back."""


@frozen
class CaptureStatus:
    """Whether the program listens, with what, and where it can't, why."""

    state: CaptureState
    name: str = ""
    why: str = ""

    def __str__(self) -> str:
        return {
            CaptureState.OFF: "not listening",
            CaptureState.OPENING: "opening the microphone",
            CaptureState.LISTENING: f"listening: {self.name}",
            CaptureState.NONE: f"not listening: {self.why}",
            CaptureState.LOST: "microphone lost: going on without it until it is back",
        }[self.state]


class Capture(Tended[OpenInput]):
    """Keeps the last seconds of one input. `opener` and `clock` are injected by tests, which call `tend` themselves."""

    def __init__(
        self,
        name: str = "",
        rate_hz: int = RATE,
        kept_s: float = KEPT_S,
        opener: OpenInputFunction = open_input,
        clock: Callable[[], float] = now_s,
    ) -> None:
        super().__init__("input keeper", clock)
        self.rate_hz = rate_hz
        self.delay_s = 0.0
        """From the moment that the engine reckons with to the sample: card, air and input."""
        self._name = name
        self._kept = round(kept_s * rate_hz)
        self._opener = opener
        self._lock = threading.Lock()
        self._ring: Pcm | None = None
        self._frames = 0
        self._lost = 0
        """Where sound was last lost, as a machine that is too busy does: what lies before it has no moment any more."""
        self._anchors: deque[tuple[float, int]] = deque(maxlen=_ANCHORS)
        """Of each block the moment of frame 0 as its last frame has it, and its first frame."""
        self._last_block_s = self._opened_s = clock()
        self._status = CaptureStatus(CaptureState.OFF)

    def start(self) -> None:
        """Begin to listen; returns at once and never raises for want of an input."""
        if self._status.state is CaptureState.OFF:
            self._status = CaptureStatus(CaptureState.OPENING)
            self._retry_at_s = self._clock()
            self._keeper.start()

    def stop(self) -> None:
        """Stop listening and forget what was heard; waits at most about two seconds. Safe to call twice."""
        self._end()
        self._forget()
        self._status = CaptureStatus(CaptureState.OFF)

    @property
    def status(self) -> CaptureStatus:
        """Whether anything is heard; as text, one clear line."""
        return self._status

    @property
    def listening(self) -> bool:
        return self._status.state is CaptureState.LISTENING

    @property
    def heard_until_s(self) -> float:
        """The moment up to which there are samples; minus infinity where there are none."""
        with self._lock:
            return self._moment_s(self._frames)

    def samples(self, from_s: float, until_s: float) -> Pcm | None:
        """What was heard between two moments; None where not all of it was: too early, too late, or the input lost."""
        with self._lock:
            if not self._anchors:
                return None
            first = round((from_s + self.delay_s - min(self._anchors)[0]) * self.rate_hz)
            count = round((until_s - from_s) * self.rate_hz)
            return self._slice(first, count)

    def last(self, seconds: float) -> Pcm | None:
        """The last seconds that were heard; None where there are not so many."""
        count = round(seconds * self.rate_hz)
        with self._lock:
            return self._slice(self._frames - count, count)

    def align(self, played: Pcm, from_s: float, reach_s: float = ALIGN_REACH_S) -> bool:
        """Find `delay_s` from clicks that were `played`, at `rate_hz`, from the moment `from_s` on, as reckoned.

        False, and nothing is changed, where they were not heard clearly. The clicks have to be over by now and, at
        the input, alone; `reach_s` has to be less than half a beat.
        """
        delay_s = self.click_delay_s(played, from_s, reach_s)
        if delay_s is not None:
            self.delay_s = delay_s
        return delay_s is not None

    def click_delay_s(self, played: Pcm, from_s: float, reach_s: float = ALIGN_REACH_S) -> float | None:
        """What `align` would take for `delay_s`; None where the clicks were not heard clearly."""
        until_s = from_s + len(played) / self.rate_hz
        early_s = self.delay_s
        heard_until_s = self.heard_until_s + early_s
        heard = self.samples(from_s - reach_s - early_s, min(until_s + reach_s, heard_until_s) - early_s)
        return None if heard is None else lag_s(heard, played, self.rate_hz, reach_s)

    def _look_after(self, device: OpenInput) -> None:
        patience = STALL_S if self._frames else START_STALL_S
        if self._clock() - max(self._last_block_s, self._opened_s) <= patience:
            if self._frames:
                self._status = CaptureStatus(CaptureState.LISTENING, device.name)
            with self._lock:
                self._mind_lost()
            return
        name = device.name
        self._status = (
            CaptureStatus(CaptureState.LOST, name)
            if self._status.state in (CaptureState.LISTENING, CaptureState.LOST)
            else CaptureStatus(CaptureState.NONE, name, f"no sound comes from {name}")
        )
        self._let_go()
        self._forget()

    def _try_to_open(self) -> None:
        self._forget()
        taker = self._taker()
        next(taker)
        self._opened_s = self._clock()
        try:
            self._device = self._opener(self.rate_hz, self._name, taker)
        except DeviceError as error:
            if self._status.state is not CaptureState.LOST:
                self._status = CaptureStatus(CaptureState.NONE, why=str(error))
            self._retry_at_s = self._clock() + RETRY_S
        self._opened_s = self._clock()

    def _forget(self) -> None:
        with self._lock:
            self._ring, self._frames, self._lost = None, 0, 0
            self._anchors.clear()

    def _taker(self) -> Taker:
        """What the device's thread runs: stamps, counts and keeps."""
        import numpy as np

        ring = np.zeros(self._kept, dtype=np.float32)
        with self._lock:
            self._ring = ring
        while True:
            block = yield
            stamp = self._clock()
            new = np.frombuffer(block, dtype=np.float32)[-self._kept :]
            with self._lock:
                if self._ring is not ring:
                    return
                at = self._frames % self._kept
                head = min(len(new), self._kept - at)
                ring[at : at + head] = new[:head]
                ring[: len(new) - head] = new[head:]
                first, self._frames = self._frames, self._frames + len(new)
                self._anchors.append((stamp - self._frames / self.rate_hz, first))
                self._last_block_s = stamp

    def _moment_s(self, frame: int) -> float:
        if not self._anchors:
            return float("-inf")
        return min(self._anchors)[0] + frame / self.rate_hz - self.delay_s

    def _mind_lost(self) -> None:
        """Where sound was lost between the blocks, forget what lies before and tie count and clock anew."""
        before, latest = list(self._anchors)[:-_LATEST], list(self._anchors)[-_LATEST:]
        if before and min(latest)[0] > min(before)[0] + LOST_S:
            self._lost = latest[0][1]
            self._anchors.clear()
            self._anchors.extend(latest)

    def _slice(self, first: int, count: int) -> Pcm | None:
        import numpy as np

        oldest = max(self._frames - self._kept, self._lost)
        if self._ring is None or count < 0 or first < oldest or first + count > self._frames:
            return None
        at = first % self._kept
        head = min(count, self._kept - at)
        return np.concatenate((self._ring[at : at + head], self._ring[: count - head]))

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, *raised: object) -> None:
        self.stop()


def lag_s(heard: Pcm, played: Pcm, rate_hz: int, reach_s: float) -> float | None:
    """How much later than reckoned `played` lies in `heard`, which begins `reach_s` before it; None where unclear.

    The lag within `reach_s` of the largest correlation, of either sign.
    """
    import numpy as np

    reach = round(reach_s * rate_hz)
    if len(heard) <= 2 * reach:
        return None
    size = 1 << (len(heard) + len(played)).bit_length()
    spectrum = np.fft.rfft(heard, size) * np.conj(np.fft.rfft(played, size))
    likeness = np.abs(np.fft.irfft(spectrum, size)[: 2 * reach + 1])
    best = int(np.argmax(likeness))
    if likeness[best] <= CLEAR * max(float(np.median(likeness)), 1e-6):
        return None
    return (best - reach) / rate_hz
