"""A repetition as a microphone heard it: one channel, and where its passage lies in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.clicks import ClickSound, Strike
from coach.listen.frame import LOW_RATE_HZ, Stretch, frame_of
from coach.music.excerpt import Passage, PlacedEvent

if TYPE_CHECKING:
    from numpy.typing import NDArray


@frozen
class Recording:
    """Sound of one repetition, or of its beginning while it goes on."""

    samples: NDArray[np.floating]
    """One channel; full scale is 1."""
    rate_hz: int
    passage: Passage
    tempo_bpm: int
    beat_1_s: float
    """When the passage begins, in seconds from the first sample."""
    click: ClickSound | None = None
    """What of the click gets into the microphone; taken out where `strikes` lie."""
    strikes: tuple[Strike, ...] = ()

    @property
    def length_s(self) -> float:
        """How much sound there is."""
        return len(self.samples) / self.rate_hz

    def due_s(self, event: PlacedEvent) -> float:
        """When an event is due, in seconds from the first sample."""
        return self.beat_1_s + float(self.passage.tempo.seconds_at(event.onset, self.tempo_bpm))

    def stretch(self, start_s: float, stop_s: float) -> Stretch:
        """A part of it at the low rate without the click, and at twice that with what of the click lies so high."""
        low = frame_of(self.samples, self.rate_hz, start_s, stop_s)
        high = frame_of(self.samples, self.rate_hz, start_s, stop_s, 2 * LOW_RATE_HZ)
        return Stretch(self.click.taken_out(low, self.strikes) if self.click else low, high)
