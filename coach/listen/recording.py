"""A repetition as a microphone heard it: one channel, and where its passage lies in it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.clicks import ClickSound, Strike
from coach.listen.frame import Frame, frame_of
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

    def frame(self, start_s: float, stop_s: float) -> Frame:
        """A stretch at the low rate, without the click."""
        frame = frame_of(self.samples, self.rate_hz, start_s, stop_s)
        return self.click.taken_out(frame, self.strikes) if self.click else frame
