"""Meter, counting and tempo: exact times, and gradual changes against numerical integration."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from coach.music.rhythm import Meter, TempoMap, TempoSpan, count_text, sample_at

F = Fraction


def test_compound_meter_is_counted_in_the_beats_it_says():
    six = Meter.of(6, 8, 2)
    assert (six.beats, six.beat_whole, str(six)) == (2, F(3, 8), "6/8 in 2")
    assert (Meter.of(6, 8).beats, str(Meter.of(6, 8))) == (6, "6/8")


def test_uneven_meter_has_its_accents_where_the_groups_start():
    assert Meter.grouped(7, 8, (2, 2, 3)).accents == (0, 2, 4)


@pytest.mark.parametrize(
    ("upper", "lower", "count", "groups"),
    [
        (7, 8, 3, (2, 2, 3)),
        (5, 8, 2, (2, 3)),
        (7, 4, 2, (3, 4)),
        (8, 8, 3, (3, 3, 2)),
        (10, 8, 4, (3, 3, 2, 2)),
    ],
)
def test_beats_that_cannot_be_equal_are_large_beats_of_equal_small_ones(upper, lower, count, groups):
    # Common practice, no source.
    meter = Meter.of(upper, lower, count)
    assert (meter.groups, meter.beat_whole, meter.large) == (groups, F(1, lower), True)
    assert (str(meter), meter.accents) == (f"{upper}/{lower} in {count}", (0,))
    assert tuple(meter.clicked.values()) == groups


def test_another_order_of_large_beats_is_said():
    assert str(Meter.in_large(7, 8, (3, 2, 2))) == "7/8 in 3 as 3+2+2"
    assert Meter.in_large(7, 8, (3, 2, 2)).clicked == {0: 3, 3: 2, 5: 2}
    assert str(Meter.in_large(8, 8, (3, 3, 2))) == "8/8 in 3"


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Meter.of(0, 4), "upper number is 1 to 64"),
        (lambda: Meter.of(4, 5), "lower number is 1, 2, 4, 8, 16 or 32"),
        (lambda: Meter.of(4, 0, 2), "4/0: the lower number is 1, 2, 4, 8, 16 or 32"),
        (lambda: Meter.in_large(4, 0, (2, 2)), "4/0: the lower number is 1, 2, 4, 8, 16 or 32"),
        (lambda: Meter.of(6, 8, 9), "can't be counted in 9"),
        (lambda: Meter.of(4, 4, 3), r"can't be counted in 3: .* \(did you mean 8/8 in 3\?\)"),
        (lambda: Meter.grouped(7, 8, (2, 2, 2)), "adds up to 6, not 7"),
    ],
)
def test_impossible_meters_are_refused_with_a_reason(make, says):
    with pytest.raises(ValueError, match=says):
        make()


def test_beats_are_written_as_players_count_them():
    # common practice, no source: 1 e & a
    assert [count_text(F(n, 4)) for n in range(5)] == ["1", "1e", "1&", "1a", "2"]
    assert count_text(F(4, 3)) == "2+1/3"


@given(st.integers(20, 300), st.integers(0, 100_000))
def test_a_beat_of_a_steady_tempo_is_off_by_at_most_half_a_sample_however_late_it_comes(tempo_bpm, beat):
    exact = F(beat) * 60 * 48_000 / tempo_bpm
    sample = sample_at(TempoMap((TempoSpan(F(0), F(1)),)).seconds_at(F(beat), tempo_bpm), 48_000)
    assert abs(sample - exact) <= F(1, 2)


def test_a_gradual_change_agrees_with_the_integral_of_60_over_the_tempo():
    # Outside reference: numerical quadrature (scipy) of dt = 60 / bpm(beat) dbeat.
    tempo = TempoMap((TempoSpan(F(0), F(8), F(1), F(3, 2)), TempoSpan(F(8), F(12), F(3, 2), F(3, 2))))
    for beat in (F(1, 2), F(3), F(8), F(10)):
        inside = float(min(beat, F(8)))
        expected = quad(lambda b: 60 / (72 * (1 + 0.5 * b / 8)), 0, inside)[0]
        expected += 60 / (72 * 1.5) * float(max(beat - 8, F(0)))
        assert float(tempo.seconds_at(beat, 72)) == pytest.approx(expected, abs=1e-9)


@given(
    st.lists(
        st.tuples(st.integers(1, 9), st.integers(50, 150), st.integers(50, 150)), min_size=1, max_size=12
    ),
    st.fractions(-4, 130, max_denominator=12),
    st.integers(20, 300),
)
def test_a_beat_falls_after_the_sum_of_all_spans_before_it(rows, beat, tempo_bpm):
    """The definition itself, span by span, beside the map's running sums."""
    spans, start = [], Fraction(0)
    for length, first, last in rows:
        spans.append(TempoSpan(start, start + length, Fraction(first, 100), Fraction(last, 100)))
        start += length
    tempo = TempoMap(tuple(spans))
    bpm = Fraction(tempo_bpm)
    if beat < 0:
        expected = beat * 60 / (bpm * spans[0].start_ratio)
    else:
        expected = sum(
            (
                span.seconds(min(beat, span.stop_beat) - span.start_beat, bpm)
                for span in spans
                if span.start_beat < beat
            ),
            Fraction(0),
        )
        expected += max(beat - start, Fraction(0)) * 60 / (bpm * spans[-1].stop_ratio)
    assert tempo.seconds_at(beat, tempo_bpm) == expected
    assert tempo.beat_at(float(expected), tempo_bpm) == pytest.approx(float(beat), abs=1e-6)
