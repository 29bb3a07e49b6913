"""The click's place in time is exact, for every tempo and for an hour."""

import itertools
import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.music.drill import ClickPattern
from coach.music.excerpt import Excerpt, Passage, PassageBar, PlacedEvent
from coach.music.rhythm import Meter, TempoMap, TempoSpan, sample_at
from coach.sound.timeline import clock_ticks, rep_timeline

RATE = 48_000


def passage(
    meter: Meter,
    bars: int,
    spans: tuple[TempoSpan, ...] | None = None,
    pick_up: Fraction = Fraction(0),
    onsets: tuple[Fraction, ...] = (),
) -> Passage:
    """Bars of one meter whose counted beat is the tempo beat; the first lacks `pick_up` beats."""
    placed = []
    start = Fraction(0)
    for number in range(1, bars + 1):
        first_beat = pick_up if number == 1 else Fraction(0)
        length = meter.beats - first_beat
        placed.append(PassageBar(number, "p", start, length, meter, Fraction(1), first_beat))
        start += length
    events = tuple(
        PlacedEvent(label, "bass", onset, Fraction(1), 0, onset, ()) for label, onset in enumerate(onsets, 1)
    )
    tempo = TempoMap(spans) if spans else TempoMap((TempoSpan(Fraction(0), start),))
    return Passage(Excerpt("d", ("p",)), "P", "r", events, tuple(placed), start, tempo, ("bass",))


@settings(max_examples=60)
@given(
    tempo_bpm=st.integers(20, 300),
    beats=st.integers(1, 12),
    bars=st.integers(1, 8),
    parts=st.integers(1, 6),
    rate=st.sampled_from([44_100, 48_000, 96_000]),
)
def test_every_click_falls_on_its_exact_sample(tempo_bpm, beats, bars, parts, rate):
    timeline = rep_timeline(passage(Meter.of(beats, 4), bars), tempo_bpm, ClickPattern(subdivision=parts), 0)
    samples = [sample_at(strike.at_s, rate) for strike in timeline.strikes]
    exact = [round(Fraction(index * 60 * rate, parts * tempo_bpm)) for index in range(beats * bars * parts)]
    assert samples == exact


@pytest.mark.parametrize("tempo_bpm", [20, 61, 137, 299, 300])
def test_the_last_click_of_an_hour_has_not_drifted(tempo_bpm):
    bars = tempo_bpm * 60 // 4
    timeline = rep_timeline(passage(Meter.of(4, 4), bars), tempo_bpm, ClickPattern(), 0)
    assert sample_at(timeline.strikes[-1].at_s, RATE) == round(
        Fraction((bars * 4 - 1) * 60 * RATE, tempo_bpm)
    )


def test_the_count_in_comes_first_and_the_music_after_it():
    timeline = rep_timeline(passage(Meter.of(3, 4), 2), 60, ClickPattern(), 2)
    assert timeline.count_in_s == 6
    assert [strike.at_s for strike in timeline.strikes] == list(range(12))
    assert [strike.kind for strike in timeline.strikes[:4]] == ["accent", "beat", "beat", "accent"]


def test_a_pick_up_is_led_in_from_its_bar_line():
    timeline = rep_timeline(
        passage(Meter.of(4, 4), 2, pick_up=Fraction(3), onsets=(Fraction(0),)), 60, ClickPattern(), 1
    )
    assert timeline.onsets_s[1] == timeline.count_in_s == 3
    assert [strike.kind for strike in timeline.strikes[:5]] == ["accent", "beat", "beat", "beat", "accent"]


def test_a_gradual_tempo_change_moves_every_click_by_the_closed_form():
    """From 60 to 120 bpm over 8 beats: t(x) = 8 ln(1 + x / 8) s, the integral of 60 / tempo over beats."""
    spans = (TempoSpan(Fraction(0), Fraction(8), Fraction(1), Fraction(2)),)
    timeline = rep_timeline(passage(Meter.of(4, 4), 2, spans), 60, ClickPattern(), 0)
    exact = [round(8 * math.log(1 + beat / 8) * RATE) for beat in range(8)]
    assert [sample_at(strike.at_s, RATE) for strike in timeline.strikes] == exact


def test_bars_can_be_left_silent_so_that_the_player_keeps_time():
    timeline = rep_timeline(passage(Meter.of(4, 4), 4), 60, ClickPattern(silent_bars=1, silent_every=2), 1)
    assert [float(strike.at_s) for strike in timeline.strikes] == [0, 1, 2, 3, 4, 5, 6, 7, 12, 13, 14, 15]


def test_offbeat_clicks_fall_half_way_and_bar_clicks_on_the_first_beat():
    off = rep_timeline(passage(Meter.of(4, 4), 1), 60, ClickPattern(placing="offbeat"), 0)
    bar = rep_timeline(passage(Meter.of(4, 4), 2), 60, ClickPattern(placing="bar"), 0)
    assert [float(strike.at_s) for strike in off.strikes] == [0.5, 1.5, 2.5, 3.5]
    assert [float(strike.at_s) for strike in bar.strikes] == [0, 4]


@settings(max_examples=30)
@given(
    tempo_bpm=st.integers(20, 300),
    count_in=st.integers(0, 2),
    whole=st.sampled_from(["1/4", "1/8", "1/2", "3/8"]),
)
def test_the_midi_clock_ticks_24_to_the_quarter_and_one_tick_is_the_music_s_start(tempo_bpm, count_in, whole):
    beat_whole = Fraction(whole)
    music = passage(Meter.of(4, 4), 3)
    timeline = rep_timeline(music, tempo_bpm, ClickPattern(), count_in)
    ticks = list(clock_ticks(music, tempo_bpm, timeline.count_in_s, beat_whole))
    gaps = {after - before for before, after in itertools.pairwise(ticks)}
    quarter_s = Fraction(60, tempo_bpm) * Fraction(1, 4) / beat_whole
    assert gaps == {quarter_s / 24}
    assert timeline.count_in_s in ticks
    assert ticks[0] >= 0
    assert ticks[-1] < timeline.end_s


def test_when_the_last_event_is_due_is_known_without_the_others(monkeypatch):
    onsets = tuple(Fraction(beat, 3) for beat in range(12))
    timeline = rep_timeline(passage(Meter.of(4, 4), 1, onsets=onsets), 77, ClickPattern(), 1)
    latest = max(timeline.onsets_s.values())
    asked, exact = [], TempoMap.seconds_at
    monkeypatch.setattr(
        TempoMap, "seconds_at", lambda self, beat, bpm: asked.append(beat) or exact(self, beat, bpm)
    )
    assert timeline.last_onset_s == latest
    assert asked == [onsets[-1]]
    assert rep_timeline(passage(Meter.of(4, 4), 1), 77, ClickPattern(), 1).last_onset_s == 0
