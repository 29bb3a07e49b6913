"""The search for a fingering: exact against brute force, and what its costs and second best mean."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.strings.fingering import Fingering, find_fingering
from coach.strings.fingering_text import cost_lines, onset_numbers, tab_lines, warning_lines
from coach.strings.instrument import Instrument
from coach.strings.reach import (
    FingeringSettings,
    Place,
    WantedNote,
    bass_places,
    places_for,
    under_held,
)
from coach.strings.ready_made import ready_made
from coach.strings.units import midi_from_note

BASS = ready_made("bass")
NARROW = FingeringSettings(upto=5)


def wanted(names: str, beat_s: float = 0.5, ring_s: float = 0.5) -> list[WantedNote]:
    """A melody from names a beat apart; names joined by `+` start together."""
    return [
        WantedNote(i * beat_s, ring_s, midi_from_note(name))
        for i, names_at_once in enumerate(names.split())
        for name in names_at_once.split("+")
    ]


def written_out_cost(notes: list[tuple[WantedNote, Place]], limits: FingeringSettings) -> float | None:
    """The cost that the module's docstring describes, written out afresh from the whole history of each note."""
    total = 0.0
    for i, (note, place) in enumerate(notes):
        past = notes[:i]
        total += place.finger_cost + abs(place.offset_cents / 12.0) ** 3
        last_on_string = next((old for old in reversed(past) if old[1].string == place.string), None)
        if last_on_string is not None:
            taken = last_on_string[0]
            if taken.onset_s == note.onset_s:
                return None
            if taken.onset_s + taken.duration_s > note.onset_s:
                lost = (taken.onset_s + taken.duration_s - note.onset_s) / taken.duration_s
                total += 20.0 + 40.0 * lost
        together = [old for old in past if old[0].onset_s == note.onset_s]
        if together and (place.plucking_hand or any(old[1].plucking_hand for old in together)):
            return None
        if place.plucking_hand and place.fret is None:
            continue
        if place.fret == 0:
            continue
        spans = [0.0]
        for j, (old, there) in enumerate(past):
            still_down = there.string != place.string and all(
                later[1].string != there.string for later in past[j + 1 :]
            )
            if there.fret and still_down and old.onset_s + old.duration_s > note.onset_s:
                spans.append(abs(there.along_mm - place.along_mm))
        # The fretting hand stops an artificial harmonic, whichever hand touches it.
        fretting = (
            old for old in reversed(past) if old[1].fret or (not old[1].plucking_hand and old[1].node)
        )
        hand = next(fretting, None)
        if hand is not None:
            distance = abs(hand[1].along_mm - place.along_mm)
            time_s = note.onset_s - hand[0].onset_s
            if time_s == 0.0:
                spans.append(distance)
            else:
                total += distance / 100.0
                total += (distance / min(time_s, 1.0) / limits.hand_speed_mm_s) ** 2
        span = max(spans)
        total += (span / limits.reach_mm) ** 2 + (30.0 if span > limits.reach_mm else 0.0)
    return total


def brute_force(
    instrument: Instrument, melody: list[WantedNote], bass: list[WantedNote], limits: FingeringSettings
) -> list[tuple[float, tuple[Place, ...]]]:
    """Every possible fingering with its cost."""
    notes = sorted(
        [(n.onset_s, 0, n.midi, n) for n in bass] + [(n.onset_s, 1, n.midi, n) for n in melody],
        key=lambda item: item[:3],
    )
    options = [
        bass_places(instrument, item[2], item[3].string)
        if item[1] == 0
        else places_for(instrument, item[2], limits, item[3].string)
        for item in notes
    ]
    ways = []
    for chosen in itertools.product(*options):
        cost = written_out_cost([(item[3], place) for item, place in zip(notes, chosen, strict=True)], limits)
        if cost is not None:
            ways.append((cost, chosen))
    return ways


def sounding_pitches(instrument: Instrument, limits: FingeringSettings) -> list[int]:
    return [midi for midi in range(30, 90) if places_for(instrument, midi, limits)]


small = Instrument.of(["D2", "A1", "E1"], 864.0)
small_limits = FingeringSettings(upto=4)
melodies = st.lists(
    st.tuples(
        st.sampled_from(sounding_pitches(small, small_limits)),
        st.sampled_from([0.0, 0.2, 0.5, 1.5]),
        st.sampled_from([0.2, 0.5, 1.2]),
    ),
    min_size=1,
    max_size=4,
)
basses = st.lists(st.tuples(st.integers(28, 40), st.sampled_from([0.4, 1.0])), max_size=2)


@settings(max_examples=60, deadline=None)
@given(melodies, basses, st.booleans())
def test_the_search_finds_what_brute_force_finds(
    melody: list[tuple[int, float, float]], bass: list[tuple[int, float]], artificial: bool
) -> None:
    limits = FingeringSettings(upto=small_limits.upto, artificial=artificial)
    onset_s = 0.0
    notes = []
    for midi, gap_s, ring_s in melody:
        onset_s += gap_s
        notes.append(WantedNote(onset_s, ring_s, midi))
    low = [WantedNote(i * 0.7, ring_s, midi) for i, (midi, ring_s) in enumerate(bass)]
    every = brute_force(small, notes, low, limits)
    if not every:
        with pytest.raises(ValueError, match="start at once"):
            find_fingering(small, notes, low, limits)
        return
    fingering = find_fingering(small, notes, low, limits)
    best = min(cost for cost, _chosen in every)
    assert fingering.cost == pytest.approx(best, abs=1e-9)
    assert sum(choice.cost.total for choice in fingering.choices) == pytest.approx(best, abs=1e-9)
    for i, choice in enumerate(fingering.choices):
        elsewhere = [cost for cost, chosen in every if chosen[i].spot != choice.place.spot]
        if elsewhere:
            assert choice.second is not None
            assert fingering.cost + choice.second_extra_cost == pytest.approx(min(elsewhere), abs=1e-9)
        else:
            assert choice.second is None
    spots = [choice.place.spot for choice in fingering.choices]
    others = [cost for cost, chosen in every if [place.spot for place in chosen] != spots]
    assert fingering.second_cost == (pytest.approx(min(others), abs=1e-9) if others else None)


def spots_of(fingering: Fingering) -> list[str]:
    return [f"{BASS.string_label(choice.place.string)}{choice.place.text}" for choice in fingering.choices]


def test_a_single_note_goes_to_its_most_forgiving_node() -> None:
    # F#4 is partial 5 of D and partial 9 of E.
    fingering = find_fingering(BASS, wanted("F#4"))
    assert spots_of(fingering) == ["D<3.9>"]


def test_two_notes_at_once_take_two_strings() -> None:
    fingering = find_fingering(BASS, wanted("D4+A3"))
    assert len({choice.place.string for choice in fingering.choices}) == 2


def test_a_held_bass_note_keeps_its_string() -> None:
    # A3 rings at A<5> and D<7>; with D held the search must leave it alone.
    held = [WantedNote(0.0, 4.0, midi_from_note("F2"), 1)]
    fingering = find_fingering(BASS, wanted("A3"), held, NARROW)
    assert fingering.choices[0].layer == "bass"
    assert fingering.choices[1].place.string == 2
    assert fingering.choices[1].cuts is None


def test_a_ringing_note_is_not_cut_where_another_string_has_the_pitch() -> None:
    long = find_fingering(BASS, wanted("A3 D4", ring_s=2.0), None, NARROW)
    assert all(choice.cuts is None for choice in long.choices)
    assert len({choice.place.string for choice in long.choices}) == 2


def test_a_ring_that_must_be_cut_is_reported() -> None:
    one_string = Instrument.of(["D2"], 864.0)
    fingering = find_fingering(one_string, wanted("A3 D4", ring_s=2.0), None, NARROW)
    assert fingering.choices[1].cuts == 0
    assert fingering.choices[1].cost.cut == pytest.approx(20.0 + 40.0 * 1.5 / 2.0)
    assert any("before note 1 has rung out" in line for line in warning_lines(one_string, fingering, NARROW))


def test_little_time_costs_more_for_the_same_move() -> None:
    one_string, one_hand = Instrument.of(["D2"], 864.0), FingeringSettings(plucking_hand=False)
    slow = find_fingering(one_string, wanted("A4 D3", beat_s=1.0), None, one_hand)
    fast = find_fingering(one_string, wanted("A4 D3", beat_s=0.2, ring_s=0.2), None, one_hand)
    assert fast.choices[1].cost.speed > slow.choices[1].cost.speed > 0.0


def test_what_is_beyond_reach_is_a_warning_and_no_refusal() -> None:
    settings = FingeringSettings(upto=3, reach_mm=100.0, plucking_hand=False)
    held = [WantedNote(0.0, 2.0, midi_from_note("F1"), 3)]
    fingering = find_fingering(BASS, wanted("D3"), held, settings)
    assert fingering.choices[1].span_mm > 100.0
    assert any("the reach is 100 mm" in line for line in warning_lines(BASS, fingering, settings))


def test_the_plucking_hand_has_no_limit_of_reach() -> None:
    held = [WantedNote(0.0, 2.0, midi_from_note("F1"), 3)]
    melody = [WantedNote(0.5, 0.5, midi_from_note("D3"))]
    fingering = find_fingering(BASS, melody, held, FingeringSettings(upto=3))
    assert fingering.choices[1].place.plucking_hand
    assert fingering.choices[1].span_mm == 0.0


def test_a_touching_plucking_hand_strikes_no_bass_note_at_once() -> None:
    # Common practice, no source; the search and the checker ask `coach.strings.hand`.
    held = [WantedNote(0.0, 2.0, midi_from_note("F1"), 3)]
    fingering = find_fingering(BASS, wanted("D3"), held, FingeringSettings(upto=3))
    assert not fingering.choices[1].place.plucking_hand


def test_artificial_harmonics_sound_an_octave_above_their_stop_when_asked_for() -> None:
    # Common practice, no source: the octave of a stopped note is touched twelve frets above the stop.
    settings = FingeringSettings(artificial=True)
    low = midi_from_note("C#3")
    assert places_for(BASS, low) == ()
    assert [place.text for place in places_for(BASS, low, settings)] == ["4<16>", "9<21>"]
    # A natural node that lies well is preferred, and no bass note starts with a touch of the plucking hand.
    assert places_for(BASS, midi_from_note("D4"), settings)[0].fret is None
    with pytest.raises(ValueError, match="the plucking hand would have to touch one and play another"):
        find_fingering(
            BASS, [WantedNote(0.0, 1.0, low)], [WantedNote(0.0, 1.0, midi_from_note("E1"))], settings
        )
    later = find_fingering(
        BASS, [WantedNote(0.5, 1.0, low)], [WantedNote(0.0, 2.0, midi_from_note("E1"))], settings
    )
    assert [choice.place.text for choice in later.choices] == ["0", "4<16>"]


def test_partial_7_is_found_only_within_the_tolerance() -> None:
    # Partial 7 is 31.174 cents flat: harmonic series.
    seven = midi_from_note("C5")
    assert {place.node.partial for place in places_for(BASS, seven) if place.node} == {7}
    assert places_for(BASS, seven, FingeringSettings(tolerance_cents=31.0)) == ()
    assert places_for(BASS, seven, FingeringSettings(tolerance_cents=31.2)) != ()


def test_every_place_for_a_pitch_sounds_within_the_tolerance() -> None:
    for midi in range(40, 90):
        for place in places_for(BASS, midi):
            assert place.node is not None
            hz = BASS.sounding_hz(place.string, place.node)
            assert abs(1200.0 * math.log2(hz / (440.0 * 2.0 ** ((midi - 69) / 12.0)))) <= 40.0


def test_under_a_held_note_its_string_and_what_is_out_of_reach_are_left_out() -> None:
    settings = FingeringSettings(reach_mm=130.0, plucking_hand=False)
    held = bass_places(BASS, midi_from_note("C2"), 2)
    every = places_for(BASS, midi_from_note("A4"), settings)
    kept = under_held(every, held, settings)
    assert {place.string for place, _cost in kept} == {1}
    assert [place.text for place, _cost in kept] == ["<3.2>"]
    assert "<31>" in {place.text for place in every}


def test_bass_notes_are_found_on_every_string_that_has_them() -> None:
    assert [(place.string, place.fret) for place in bass_places(BASS, midi_from_note("D2"))] == [
        (1, 0),
        (2, 5),
        (3, 10),
    ]


def test_a_pitch_that_rings_nowhere_names_its_neighbours() -> None:
    with pytest.raises(
        ValueError, match=r"note 2 \(F4, 349\.2 Hz\) rings at no node up to partial 9 .* E4, F#4"
    ):
        find_fingering(BASS, wanted("A3 F4"))


def test_a_bass_note_below_the_strings_is_refused() -> None:
    with pytest.raises(ValueError, match=r"bass note 1 \(C1\) is not on any fret from 0 to 24"):
        find_fingering(BASS, wanted("A3"), [WantedNote(0.0, 1.0, midi_from_note("C1"))])


def test_no_notes_are_refused() -> None:
    with pytest.raises(ValueError, match="there is no note to play"):
        find_fingering(BASS, [])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: FingeringSettings(reach_mm=0.0), "reach mm 0 is outside 10 to 500"),
        (lambda: FingeringSettings(tolerance_cents=math.nan), "tolerance cents nan is outside 0 to 100"),
        (lambda: FingeringSettings(hand_speed_mm_s=1.0), "hand speed.* 1 is outside 10 to 20000"),
    ],
)
def test_bad_settings_are_refused(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()


def test_tab_has_a_line_a_string_of_one_width_and_wraps() -> None:
    fingering = find_fingering(BASS, wanted("F#4 A4 D5 A4 F#4 B4 D4 A3"), wanted("E1", ring_s=2.0))
    lines = tab_lines(BASS, fingering, 40)
    systems = "\n".join(lines).split("\n\n")
    assert len(systems) == 2
    for system in systems:
        rows = system.split("\n")[1:]
        assert [row[0] for row in rows] == ["G", "D", "A", "E"]
        assert len({len(row) for row in rows}) == 1
        assert max(map(len, rows)) <= 40
    cells = [cell for line in lines for cell in line.split("-") if cell.startswith("<")]
    assert len(cells) == 8


def test_the_table_has_a_line_a_note_and_numbers_onsets() -> None:
    fingering = find_fingering(BASS, wanted("D4+A3 D4"))
    assert onset_numbers(fingering) == [1, 1, 2]
    lines = cost_lines(BASS, fingering)
    assert len(lines) == 4
    assert max(map(len, lines)) <= 80
