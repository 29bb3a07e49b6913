"""The microphone without a microphone: moments, the clicks that align it, and every way in which it can fail."""

from __future__ import annotations

import numpy as np
import pytest

from coach.sound.capture import Capture, CaptureState
from coach.sound.device import INPUT_PERIODS, RETRY_S, DeviceError
from coach.sound.input_level import advice, advice_after, level_of
from coach.sound.render import render_clicks
from coach.sound.timeline import Strike

RATE = 48_000
BLOCK = 480


class Input:
    """An input whose sound is a function of the moment: `hear` hands over blocks as a driver does, at `now`."""

    def __init__(self, sound=lambda frames: np.zeros(len(frames))) -> None:
        self.now, self.frames, self.name = 100.0, 0, "Desk microphone"
        self.sound, self.taker, self.refusal, self.closed = sound, None, "", 0

    def open(self, rate, name, taker):
        if self.refusal:
            raise DeviceError(self.refusal)
        self.taker = taker
        self.began, self.frames = self.now, 0
        return self

    def close(self):
        self.closed += 1

    def hear(self, seconds, late=lambda: 0.0):
        for _ in range(round(seconds * RATE / BLOCK)):
            at = np.arange(self.frames, self.frames + BLOCK)
            self.frames += BLOCK
            due = self.began + self.frames / RATE
            self.now = due + late()
            self.taker.send(bytearray(self.sound(at / RATE + self.began).astype("<f4").tobytes()))


def capture_of(device: Input, **more) -> Capture:
    capture = Capture(opener=device.open, clock=lambda: device.now, **more)
    capture.tend()
    return capture


def test_samples_are_those_of_their_moments_though_blocks_come_late():
    """The sound is the moment itself, so that what comes back says when it was."""
    rng = np.random.default_rng(5)
    device = Input(lambda moments: moments / 1000)
    capture = capture_of(device)
    device.hear(5.0, late=lambda: float(rng.exponential(0.004)))
    heard = capture.samples(103.0, 103.5)
    assert heard is not None
    assert len(heard) == RATE // 2
    assert heard[0] * 1000 == pytest.approx(103.0, abs=0.001)
    assert capture.samples(99.0, 103.0) is None, "before it listened"
    assert capture.samples(104.9, 105.2) is None, "not yet heard"


def test_a_stretch_in_which_sound_was_lost_is_not_given_and_what_follows_has_its_moment():
    rng = np.random.default_rng(5)
    device = Input(lambda moments: moments / 1000)
    capture = capture_of(device)
    device.hear(3.0, late=lambda: float(rng.exponential(0.004)))
    capture.tend()
    # The machine is busy for a third of a second, and all of it comes then.
    device.hear(0.3, late=lambda: 0.3)
    device.hear(0.1)
    capture.tend()
    assert capture.samples(101.0, 103.3) is not None
    # All that can wait comes at once, and the look falls between its blocks.
    waited_s = device.now + INPUT_PERIODS * BLOCK / RATE
    for seconds in (0.3, 0.02):
        device.hear(seconds, late=lambda: waited_s - device.began - device.frames / RATE)
        capture.tend()
    assert capture.samples(101.0, 103.6) is not None
    device.began += 0.12
    device.hear(0.5, late=lambda: float(rng.exponential(0.004)))
    capture.tend()
    assert capture.samples(103.0, 104.1) is None
    heard = capture.samples(104.1, 104.3)
    assert heard is not None
    assert heard[0] * 1000 == pytest.approx(104.1, abs=0.001)


def test_only_the_last_seconds_are_kept():
    device = Input(lambda moments: moments / 1000)
    capture = capture_of(device, kept_s=2.0)
    device.hear(7.0)
    assert capture.samples(104.0, 106.0) is None
    heard = capture.samples(105.5, 106.5)
    assert heard is not None
    assert np.diff(heard).min() >= 0, "in order across the ring's end"
    assert capture.last(2.0) is not None
    assert capture.last(2.1) is None


@pytest.mark.parametrize("delay_s", [-0.12, 0.0, 0.037, 0.25])
@pytest.mark.parametrize("sign", [1, -1])
def test_clicks_that_are_heard_align_it_within_half_a_millisecond(delay_s, sign):
    clicks = render_clicks(
        [Strike(0.6 * beat, "beat" if beat else "accent") for beat in range(4)], RATE, 2 * RATE
    )
    noise = np.random.default_rng(3)

    def sound(moments):
        at = np.round((moments - 101.0 - delay_s) * RATE).astype(int)
        inside = (at >= 0) & (at < len(clicks))
        return sign * 0.05 * np.where(inside, clicks[np.clip(at, 0, len(clicks) - 1)], 0) + noise.normal(
            0, 1e-3, len(at)
        )

    device = Input(sound)
    capture = capture_of(device)
    device.hear(4.0)
    assert capture.align(clicks, 101.0, 0.29)
    assert capture.delay_s == pytest.approx(delay_s, abs=0.0005)
    assert capture.align(clicks, 101.0, 0.29), "again on the next count-in"
    assert capture.delay_s == pytest.approx(delay_s, abs=0.0005)


def test_where_no_click_is_heard_the_clock_is_left_as_it_is():
    rng = np.random.default_rng(3)
    device = Input(lambda moments: rng.normal(0, 0.01, len(moments)))
    capture = capture_of(device)
    device.hear(4.0)
    clicks = render_clicks([Strike(0.0), Strike(0.5)], RATE, RATE)
    capture.delay_s = 0.02
    assert not capture.align(clicks, 101.0)
    assert not capture.align(clicks, 90.0), "before it listened"
    assert capture.delay_s == 0.02


def test_without_an_input_it_says_so_and_takes_one_up_when_it_comes():
    device = Input()
    device.refusal = "no microphone or other input found"
    capture = capture_of(device)
    assert str(capture.status) == "not listening: no microphone or other input found"
    device.refusal = ""
    capture.tend()
    assert capture.status.state is CaptureState.NONE, "not asked for in vain at every look"
    device.now += RETRY_S + 0.1
    capture.tend()
    device.hear(0.1)
    capture.tend()
    assert str(capture.status) == "listening: Desk microphone"


def test_an_input_that_is_lost_is_said_once_and_what_it_heard_is_not_joined_to_what_comes_after():
    device = Input()
    capture = capture_of(device)
    device.hear(2.0)
    capture.tend()
    device.now += 1.5
    capture.tend()
    assert str(capture.status) == "microphone lost: going on without it until it is back"
    assert capture.samples(100.5, 101.0) is None
    capture._closing.join()
    assert device.closed == 1
    device.now += RETRY_S + 0.1
    capture.tend()
    assert capture.status.state is CaptureState.LOST
    device.hear(2.0)
    capture.tend()
    assert capture.listening
    assert capture.samples(101.9, 104.0) is None


def test_an_input_that_never_hands_over_anything_is_told():
    device = Input()
    capture = capture_of(device)
    device.now += 4.0
    capture.tend()
    assert str(capture.status) == "not listening: no sound comes from Desk microphone"


def test_after_the_stop_nothing_is_left():
    device = Input(lambda moments: np.ones(len(moments)))
    capture = capture_of(device)
    device.hear(1.0)
    capture.stop()
    assert capture.last(0.1) is None
    assert str(capture.status) == "not listening"
    assert device.closed == 1


def tone(hz, level, seconds=3.0):
    return level * np.sin(2 * np.pi * hz * np.arange(round(seconds * RATE)) / RATE)


QUIET = np.random.default_rng(9).normal(0, 1e-4, 3 * RATE)


@pytest.mark.parametrize(
    ("heard", "playing", "words"),
    [
        (QUIET * 0, False, "Silence"),
        (np.clip(tone(110, 1.4), -1, 1), True, "clips"),
        (QUIET + tone(50, 0.003) + tone(150, 0.002), False, "hums at 50 Hz, -52 dB"),
        (QUIET + tone(60, 0.003) + tone(180, 0.002), False, "hums at 60 Hz"),
        (QUIET, True, "Very soft"),
        (QUIET, False, ""),
        (QUIET + tone(110, 0.2), True, ""),
        # Equal-tempered A1 and B1 lie 5 and 1.7 Hz from the mains (ISO 16, computed).
        (QUIET + tone(55.0, 0.2) + tone(110.0, 0.1), True, ""),
        (QUIET + tone(61.735, 0.2) + tone(123.47, 0.1), True, ""),
    ],
)
def test_what_is_wrong_with_an_input_is_one_sentence(heard, playing, words):
    said = advice(level_of(heard.astype(np.float32), RATE), playing)
    assert words in said
    assert bool(said) is bool(words)


def test_levels_are_those_of_a_full_sine():
    """A sine of full scale is 0 dBFS at its peak and -3.01 dB below it in the mean (AES17 counts from the sine)."""
    level = level_of(tone(440, 1.0).astype(np.float32), RATE)
    assert level.peak_db == pytest.approx(0, abs=0.01)
    assert level.level_db == pytest.approx(-3.01, abs=0.01)


def test_an_input_whose_noise_gate_shuts_between_notes_is_not_called_muted():
    times = np.arange(3 * RATE) / RATE
    note, hum = 0.2 * np.sin(2 * np.pi * 220 * times), 0.01 * np.sin(2 * np.pi * 50 * times)
    whole, gated = level_of(note.astype(np.float32), RATE), level_of(np.zeros(len(times), np.float32), RATE)
    assert advice_after(whole, gated) == ""
    assert advice_after(whole, level_of(hum.astype(np.float32), RATE)).startswith("It hums at 50 Hz")
    assert advice_after(gated, gated).startswith("Silence")
