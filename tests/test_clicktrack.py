"""Count-in, beats and clicks of a repetition."""

from __future__ import annotations

from fractions import Fraction

import pytest

from coach.music.clicktrack import beats_of, clicks_of
from coach.music.drill import TOGETHER, Bar, ClickPattern, Drill, Phrase, Tempo
from coach.music.excerpt import Excerpt, Kind
from coach.music.passages import passage_of
from coach.music.rhythm import Meter, TempoMap
from tests.samples import BASS, FOUR_FOUR, event, harmonic, sample_drill

F = Fraction


def lamp():
    return passage_of(sample_drill(), Excerpt("lamps", ("lamp",), TOGETHER))


def test_one_bar_is_counted_in_and_every_beat_clicks_with_an_accent_on_one():
    clicks = clicks_of(lamp(), 60, 1, ClickPattern())
    assert [click.seconds for click in clicks] == [F(n) for n in range(-4, 8)]
    assert [click.kind for click in clicks[:6]] == ["count-in"] * 4 + ["accent", "beat"]
    assert [click.accent for click in clicks[:5]] == [True, False, False, False, True]


def test_beats_carry_the_number_that_players_count():
    beats = beats_of(lamp(), 60, 1)
    assert [(beat.bar, beat.number) for beat in beats][:6] == [
        (-1, 1),
        (-1, 2),
        (-1, 3),
        (-1, 4),
        (0, 1),
        (0, 2),
    ]
    assert (beats[-1].bar, beats[-1].number) == (1, 4)


def test_an_excerpt_inside_a_bar_is_led_in_from_that_bars_first_beat():
    node = Excerpt("lamps", ("lamp",), TOGETHER, Kind.NODE, subject="D2|1/6")
    beats = beats_of(passage_of(sample_drill(), node), 60, 1)
    assert [(beat.bar, beat.number, beat.seconds) for beat in beats] == [
        (-1, 1, -2),
        (-1, 2, -1),
        (0, 3, 0),
        (0, 4, 1),
    ]


def test_a_pick_up_off_the_beat_keeps_the_count_on_the_beat():
    pick_up = Bar(FOUR_FOUR, F(1, 2), (event("harmonics", "7/2", "1/2", harmonic(0, "1/2")),))
    full = Bar(FOUR_FOUR, F(4), (event("harmonics", "0", "4", harmonic(0, "1/3")),))
    drill = Drill("up", "Up", BASS, Tempo(50, 60), (Phrase("a", "A", (pick_up, full), ("harmonics",)),))
    beats = beats_of(passage_of(drill, Excerpt("up", ("a",), "harmonics")), 60, 1)
    assert [(beat.number, beat.seconds) for beat in beats][:5] == [
        (1, F(-7, 2)),
        (2, F(-5, 2)),
        (3, F(-3, 2)),
        (4, F(-1, 2)),
        (1, F(1, 2)),
    ]


def in_meter(meter, first_length=None, hold="1"):
    """A phrase of two bars of a meter, the first a pick-up of so many counted beats if they are given."""
    length = F(meter.beats) if first_length is None else F(first_length)
    start = str(meter.beats - length)
    bars = (
        Bar(meter, length, (event("harmonics", start, hold, harmonic(0, "1/2")),)),
        Bar(meter, F(meter.beats), (event("harmonics", "0", hold, harmonic(0, "1/3")),)),
    )
    drill = Drill("m", "M", BASS, Tempo(60, 60, meter.beat_whole), (Phrase("a", "A", bars, ("harmonics",)),))
    return passage_of(drill, Excerpt("m", ("a",), "harmonics"))


def test_large_beats_are_counted_in_and_clicked():
    passage = in_meter(Meter.of(7, 8, 3))
    clicks = clicks_of(passage, 60, 1, ClickPattern())
    assert [(click.kind, click.seconds) for click in clicks[:6]] == [
        ("count-in", -7),
        ("count-in", -5),
        ("count-in", -3),
        ("accent", 0),
        ("beat", 2),
        ("beat", 4),
    ]
    beats = beats_of(passage, 60, 1)
    assert [(beat.number, beat.beats, beat.accent) for beat in beats[:3]] == [
        (1, 3, True),
        (2, 3, False),
        (3, 3, False),
    ]
    eighths = clicks_of(passage, 60, 0, ClickPattern(subdivision=2))
    assert [click.seconds for click in eighths] == list(range(14))
    assert [click.kind for click in eighths[:4]] == ["accent", "subdivision", "beat", "subdivision"]
    off = clicks_of(passage, 60, 0, ClickPattern(placing="offbeat"))
    assert [click.seconds for click in off[:3]] == [1, 3, F(11, 2)]


def test_a_pick_up_is_counted_in_as_a_bandleader_counts():
    # Common practice, no source: six-eight in two with an eighth before the bar has "one, two, one, two".
    def counted(meter, length):
        return [beat.number for beat in beats_of(in_meter(meter, length, "1/3"), 60, 1) if beat.bar < 0]

    assert counted(Meter.of(6, 8, 2), "1/3") == [1, 2, 1, 2]
    assert counted(Meter.of(4, 4), "1") == [1, 2, 3]
    assert counted(Meter.of(3, 4), "1") == [1, 2, 3, 1, 2]
    assert counted(Meter.of(7, 8, 3), "1") == [1, 2, 3]
    assert counted(Meter.of(7, 8, 3), "3") == [1, 2, 3, 1, 2]


def test_a_subdivision_by_note_value_changes_with_the_meter():
    # Eighths: two to a quarter, three to a dotted quarter, and the large beats of 7/8 as they are (common practice).
    eighths = ClickPattern(subdivision=F(1, 8))

    def kinds(meter):
        clicks = clicks_of(in_meter(meter), 60, 0, eighths)
        return [click.kind[0] for click in clicks if click.seconds < meter.beats]

    assert "".join(kinds(Meter.of(4, 4))) == "asbsbsbs"
    assert "".join(kinds(Meter.of(6, 8, 2))) == "assbss"
    assert "".join(kinds(Meter.of(7, 8, 3))) == "asbsbss"
    assert "".join(kinds(Meter.of(5, 8))) == "abbbb"
    # A pick-up that begins inside a beat has the clicks from there on.
    pickup = in_meter(Meter.of(6, 8, 2), "1/3", "1/3")
    played = [
        (click.seconds, click.kind) for click in clicks_of(pickup, 60, 0, eighths) if click.seconds >= 0
    ]
    assert played[:2] == [
        (0, "subdivision"),
        (F(1, 3), "accent"),
    ]


def test_patterns_subdivide_fall_off_the_beat_or_leave_bars_out():
    halves = clicks_of(lamp(), 60, 0, ClickPattern(subdivision=2))
    assert [click.seconds for click in halves[:4]] == [0, F(1, 2), 1, F(3, 2)]
    off = clicks_of(lamp(), 60, 0, ClickPattern(placing="offbeat"))
    assert [click.seconds for click in off[:2]] == [F(1, 2), F(3, 2)]
    bars = clicks_of(lamp(), 60, 0, ClickPattern(placing="bar"))
    assert [click.seconds for click in bars] == [0, 4]
    gaps = clicks_of(lamp(), 60, 1, ClickPattern(silent_bars=1, silent_every=2))
    assert max(click.seconds for click in gaps) == 3


def test_what_falls_in_a_repetition_is_one_sequence_whatever_is_asked_for_first():
    clicks = clicks_of(lamp(), 60, 1, ClickPattern(subdivision=2))
    backwards = [clicks[-1 - at] for at in range(len(clicks))]
    again = clicks_of(lamp(), 60, 1, ClickPattern(subdivision=2))
    assert list(again) == backwards[::-1] == list(again[:])
    assert list(again.each(lambda click: click.seconds)) == [click.seconds for click in clicks]
    with pytest.raises(IndexError):
        clicks[len(clicks)]


def test_only_the_moments_that_are_asked_for_are_worked_out(monkeypatch):
    asked = []
    exact = TempoMap.seconds_at
    monkeypatch.setattr(
        TempoMap, "seconds_at", lambda self, beat, bpm: asked.append(beat) or exact(self, beat, bpm)
    )
    clicks = iter(clicks_of(lamp(), 60, 1, ClickPattern()))
    assert not asked
    next(clicks)
    assert len(asked) == 1
