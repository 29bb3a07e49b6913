"""Rendered clicks: on their sample, soft, faded, and never loud."""

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.sound.levels import CEILING, KNEE, fade_edges, limit
from coach.sound.render import RepSound, click_shape, render_clicks
from coach.sound.settings import CLICK_SOUNDS
from coach.sound.timeline import Strike
from coach.sound.tones import Tone

RATE = 48_000
KINDS = ("accent", "beat", "subdivision")


def onsets(pcm: np.ndarray, gap: int = 4800) -> list[int]:
    """First samples that are not silence after `gap` samples of it."""
    sounding = np.flatnonzero(pcm)
    starts = np.flatnonzero(np.diff(sounding, prepend=-gap - 1) > gap)
    return [int(sounding[start]) for start in starts]


@pytest.mark.parametrize("sound", CLICK_SOUNDS)
def test_a_click_is_heard_from_the_sample_after_its_own(sound):
    """The click's own sample is the zero that its fade starts from."""
    strikes = [Strike(Fraction(60 * beat, 137)) for beat in range(12)]
    pcm = render_clicks(strikes, RATE, 6 * RATE, sound)
    assert [start - 1 for start in onsets(pcm)] == [
        round(Fraction(60 * beat * RATE, 137)) for beat in range(12)
    ]


@pytest.mark.parametrize("sound", CLICK_SOUNDS)
def test_accent_beat_and_subdivision_differ_in_level_and_pitch(sound):
    accent, beat, part = (click_shape(sound, kind, RATE) for kind in KINDS)
    assert np.abs(accent).max() > np.abs(beat).max() > np.abs(part).max()
    peaks = [int(np.argmax(np.abs(np.fft.rfft(shape, 1 << 15)))) for shape in (accent, beat, part)]
    assert peaks[0] > peaks[1] > peaks[2]


@pytest.mark.parametrize("sound", CLICK_SOUNDS)
@pytest.mark.parametrize("kind", KINDS)
def test_a_click_starts_and_ends_at_nothing(sound, kind):
    shape = click_shape(sound, kind, RATE)
    assert shape[0] == 0.0
    assert np.abs(shape[-10:]).max() < 1e-3
    assert np.abs(shape[1:5]).max() < 0.2 * np.abs(shape).max()


def test_the_click_is_soft_by_default():
    pcm = render_clicks([Strike(0, "accent")], RATE, RATE)
    assert 0.05 < np.abs(pcm).max() < 0.25


def test_strikes_before_the_start_or_after_the_end_are_left_out():
    assert not render_clicks([Strike(-1), Strike(5)], RATE, RATE).any()


@settings(max_examples=60)
@given(
    levels=st.lists(st.floats(allow_nan=True, allow_infinity=True, width=32), min_size=1, max_size=50),
)
def test_no_sample_is_ever_beyond_the_ceiling(levels):
    limited = limit(np.array(levels, dtype=np.float32))
    assert np.all(np.abs(limited) <= CEILING)


@given(st.lists(st.floats(-0.34375, 0.34375, width=32), min_size=1, max_size=50))
def test_what_is_below_the_knee_passes_untouched(levels):
    pcm = np.array(levels, dtype=np.float32)
    assert np.abs(pcm).max() < KNEE
    assert np.array_equal(limit(pcm.copy()), pcm)


def test_the_limiter_keeps_the_order_of_levels():
    ramp = np.linspace(0, 5, 1000, dtype=np.float32)
    assert np.all(np.diff(limit(ramp)) >= 0)


@settings(max_examples=15, deadline=None)
@given(volume_db=st.floats(-60, 60), crowd=st.integers(1, 30))
def test_a_mix_can_not_be_loud_whatever_is_asked_for(volume_db, crowd):
    strikes = [Strike(0.1, "accent")] * crowd
    tones = [Tone(0.1, 0.2, 55.0, fret=0)] * crowd
    pcm = RepSound(strikes, tones, RATE, length_s=0.5, volume_db=volume_db)[:]
    assert np.abs(pcm).max() <= CEILING


@settings(max_examples=25, deadline=None)
@given(
    beats=st.lists(st.integers(0, 60), min_size=1, max_size=12),
    tones=st.lists(st.tuples(st.integers(0, 40), st.integers(0, 30), st.integers(0, 12)), max_size=6),
    cuts=st.lists(st.integers(0, 3 * 44_100), max_size=8),
    volume_db=st.sampled_from([-12.0, 6.0]),
)
def test_a_rep_is_the_same_to_the_bit_however_it_is_cut(beats, tones, cuts, volume_db):
    rate = 44_100
    strikes = [Strike(Fraction(beat, 23), KINDS[beat % 3]) for beat in sorted(beats)]
    played = [Tone(Fraction(at, 17), lasts / 10, 61.0, fret=fret) for at, lasts, fret in sorted(tones)]
    sound = RepSound(strikes, played, rate, length_s=3, volume_db=volume_db)
    borders = [0, *sorted(cuts), len(sound)]
    parts = [sound[first:stop] for first, stop in pairwise(borders)]
    assert np.array_equal(np.concatenate(parts), sound[:])


class Counted(Sequence[Strike]):
    """An hour of clicks that counts those which it was asked for."""

    def __init__(self) -> None:
        self.asked = 0

    def __len__(self) -> int:
        return 7200

    def __getitem__(self, number):
        self.asked += 1
        return Strike(Fraction(number, 2))


def test_the_place_of_a_click_in_an_hour_is_found_without_those_before_it():
    strikes = Counted()
    sound = RepSound(strikes, (), RATE, length_s=3600)
    for at_s in (0, 1800, 3599):
        assert onsets(sound[at_s * RATE : at_s * RATE + 8192]) == [1]
    assert strikes.asked < 3 * 20


def test_a_rep_lasts_as_long_as_asked_or_until_its_tail():
    assert len(RepSound([Strike(1)], (), RATE, length_s=Fraction(1, 3))) == 16_000
    assert len(RepSound([Strike(1)], (), RATE, tail_s=0.5)) == 72_000


def test_a_tone_cut_by_the_rep_s_end_is_faded():
    pcm = RepSound((), [Tone(0, 2.0, 98.0, fret=0)], RATE, length_s=1.0)[:]
    assert abs(pcm[-1]) < 1e-4


def test_fading_reaches_nothing_at_both_edges():
    wave = np.ones(1000)
    fade_edges(wave, 1000, 0.1, 0.1)
    assert wave[0] == wave[-1] == 0.0
    assert wave[500] == 1.0
