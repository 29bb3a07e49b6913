"""How a device asks for blocks, and from that when each of its frames is due.

A block can be asked for late but never early, so the earliest of the last blocks ties the device's frames to the clock.
Some devices ask for several at a time, up to 140 ms apart (PulseAudio); and at first any device fills its queue
at once, then waits until it plays. Before blocks come as fast as they are played, they tell nothing.
"""

from __future__ import annotations

from collections import deque

_BLOCKS = 16
"""Two helpings and some more of a device that asks for seven blocks at a time."""
_SLOWEST, _FASTEST = 1.5, 0.6
"""Time taken by the last blocks against the time that they last, where they come as they are played."""


class Pace:
    """The blocks of one device. `block` runs in the device's thread; the rest may be asked from anywhere."""

    def __init__(self, rate: int) -> None:
        self.frames = 0
        """Asked for so far."""
        self._rate = rate
        self._stamps: deque[float] = deque(maxlen=_BLOCKS)
        self._starts: deque[float] = deque(maxlen=_BLOCKS)

    def block(self, stamp_s: float, count: int) -> None:
        """The device asks for a block at this moment."""
        self._stamps.append(stamp_s)
        self._starts.append(stamp_s - self.frames / self._rate)
        self.frames += count

    @property
    def steady(self) -> bool:
        """Whether the last blocks came about as fast as they are played."""
        if len(self._stamps) < _BLOCKS:
            return False
        took_s = self._stamps[-1] - self._stamps[0]
        lasts_s = took_s - (self._starts[-1] - self._starts[0])
        return _FASTEST * lasts_s < took_s < _SLOWEST * lasts_s

    @property
    def start_s(self) -> float:
        """The moment at which frame 0 was due to be asked for."""
        return min(tuple(self._starts))
