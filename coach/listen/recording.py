"""A repetition as a microphone heard it: one channel, and where its passage lies in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coach.ground.frozen import frozen
from coach.listen.arrays import Samples
from coach.listen.clicks import ClickSound, Strike, click_sound, drift_of
from coach.listen.frame import LOW_RATE_HZ, Stretch, frame_of
from coach.music.excerpt import Passage, PlacedEvent


@frozen
class Recording:
    """Sound of one repetition, or of its beginning while it goes on."""

    samples: Samples
    """One channel; full scale is 1."""
    rate_hz: int
    passage: Passage
    tempo_bpm: int
    beat_1_s: float
    """When the passage begins, in seconds from the first sample."""
    click: ClickSound | None = None
    """What of the click gets into the microphone; taken out where `strikes` lie."""
    strikes: tuple[Strike, ...] = ()
    drift: float = 0.0
    """How much longer each second of the music is in the sound."""

    @property
    def length_s(self) -> float:
        """How much sound there is."""
        return len(self.samples) / self.rate_hz

    def due_s(self, event: PlacedEvent) -> float:
        """When an event is due, in seconds from the first sample."""
        after_s = float(self.passage.tempo.seconds_at(event.onset, self.tempo_bpm))
        return self.beat_1_s + (1.0 + self.drift) * after_s

    def stretch(self, start_s: float, stop_s: float) -> Stretch:
        """A part of it at the low rate without the click, and at twice that with what of the click lies so high."""
        low = frame_of(self.samples, self.rate_hz, start_s, stop_s)
        high = frame_of(self.samples, self.rate_hz, start_s, stop_s, 2 * LOW_RATE_HZ)
        return Stretch(self.click.taken_out(low, self.strikes) if self.click else low, high)


def without_click(recording: Recording, click: ClickSound, strikes: Sequence[Strike]) -> Recording:
    """A recording with its clock, to be heard without its clicks; as it is where they are not heard in the music."""
    drift = drift_of(click, recording.samples, recording.rate_hz, strikes, recording.beat_1_s)
    if drift is None:
        return recording
    return replace(recording, click=click, strikes=drift.moved(strikes), drift=drift.by_second)


def without_clicks(recording: Recording, strikes: Sequence[Strike]) -> Recording:
    """The same where the click is first learnt from the count-in, again once it is known where exactly it lies."""
    count = sum(0.0 <= one.at_s < recording.beat_1_s - 0.01 for one in strikes)
    heard = sorted((one for one in strikes if one.at_s >= 0.0), key=lambda one: one.at_s)
    click = click_sound(recording.samples, recording.rate_hz, heard[:count])
    once = without_click(recording, click, heard) if click else recording
    click = click_sound(recording.samples, recording.rate_hz, once.strikes[:count])
    return without_click(recording, click, heard) if click else recording
