"""Nodes, instruments and what rings; values from the sources named beside them."""

from __future__ import annotations

import itertools
import math
import subprocess
import sys
import warnings
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.strings.fretboard import Board
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nearest_nodes, nodes_at_label, nodes_upto
from coach.strings.node_table import aim_text, node_rows
from coach.strings.reach import bass_places
from coach.strings.ready_made import READY_MADE, ready_made
from coach.strings.units import cents_between, length_from, midi_from_note, nearest_note

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from music21.scale import scala

BASS = Instrument.of(["G2", "D2", "A1", "E1"], 863.6)
GUITAR = Instrument.of(["E4", "B3", "G3", "D3", "A2", "E2"], 648.0)

nodes = st.sampled_from(nodes_upto(32))
ratios = st.integers(2, 32).flatmap(lambda n: st.tuples(st.integers(1, n - 1), st.just(n)))


# Equal temperament, closed form 12 log2(n / (n - k)).
@pytest.mark.parametrize(
    ("k", "n", "fret"),
    [
        (1, 2, 12.0),
        (1, 3, 7.0196),
        (1, 4, 4.9804),
        (1, 5, 3.8631),
        (1, 6, 3.1564),
        (1, 7, 2.6687),
        (1, 8, 2.3117),
        (1, 9, 2.0391),
        (2, 3, 19.0196),
        (3, 4, 24.0),
        (2, 5, 8.8436),
        (3, 5, 15.8631),
        (2, 7, 5.8251),
        (3, 7, 9.6883),
        (4, 7, 14.6687),
        (3, 8, 8.1369),
        (5, 8, 16.9804),
        (2, 9, 4.3508),
        (4, 9, 10.1760),
    ],
)
def test_a_node_lies_at_its_fret(k: int, n: int, fret: float) -> None:
    assert Node.of(k, n).fret == pytest.approx(fret, abs=5e-5)


def test_nodes_of_a_34_inch_string_lie_at_their_mm() -> None:
    places_mm = [BASS.position_mm(3, Node(1, n)) for n in (2, 3, 4, 5, 6)]
    assert places_mm == pytest.approx([431.80, 287.87, 215.90, 172.72, 143.93], abs=5e-3)


def test_the_first_fret_follows_the_luthiers_rule_of_17_817() -> None:
    # Luthiers' rule: each fret is 1/17.817 of what is left; from the nut 48.470 mm on 863.6 mm.
    assert BASS.fret_mm(3, 1) == pytest.approx(48.470, abs=5e-4)
    assert BASS.fret_mm(3, 1) == pytest.approx(863.6 / 17.817, abs=1e-3)
    assert BASS.fret_mm(3, 12) == pytest.approx(431.8)


def test_partials_lie_off_equal_temperament_by_the_harmonic_series() -> None:
    # +1.955, -13.686, +1.955, -31.174, +3.910 cents: harmonic series.
    offsets = [nearest_note(BASS.sounding_hz(2, Node(1, n)))[1] for n in (3, 5, 6, 7, 9)]
    assert offsets == pytest.approx([1.955, -13.686, 1.955, -31.174, 3.910], abs=5e-4)


def test_partials_2_to_16_are_the_harmonics_of_the_scala_scale_harm16() -> None:
    # music21's Scala archive, harm16.scl, "First 16 harmonics and subharmonics": the first 15 steps.
    scale = scala.parse("harm16.scl")
    assert scale is not None
    ours = [cents_between(GUITAR.sounding_hz(0, Node(1, n)), GUITAR.open_hz(0)) for n in range(2, 17)]
    assert ours == pytest.approx(scale.getCentsAboveTonic()[:15], abs=1e-6)


def test_a_touch_at_2_4_sounds_partial_2() -> None:
    # The pitch follows the greatest common divisor: Fiedler 2013, doi 10.1016/j.cam.2012.12.009 (summary).
    assert Node.of(2, 4) == Node(1, 2)
    assert Node.of(2, 4).partial == 2


@pytest.mark.parametrize(
    ("string", "partial", "hz"),
    [(3, 5, 206.017), (2, 7, 385.000), (1, 3, 220.249), (0, 4, 391.995), (0, 6, 587.993)],
)
def test_known_harmonics_of_a_bass_have_their_frequency(string: int, partial: int, hz: float) -> None:
    # Computed: n times the equal-tempered open string.
    assert BASS.sounding_hz(string, Node(1, partial)) == pytest.approx(hz, abs=6e-4)


def test_stiffness_raises_partials_as_fletcher_says() -> None:
    # f_n = n f0 sqrt(1 + B n^2), Fletcher, JASA 36 (1964) 203; B = 1e-4, partials 5, 7, 9.
    stiff = Instrument.of(["A1"], 863.6, stiffness_b=1e-4)
    sounding = {n: stiff.sounding_hz(0, Node(1, n)) for n in (5, 7, 9)}
    ideal = [cents_between(hz, n * stiff.open_hz(0)) for n, hz in sounding.items()]
    assert ideal == pytest.approx([2.16, 4.23, 6.98], abs=5e-3)
    first_hz = stiff.open_hz(0) * math.sqrt(1.0 + 1e-4)
    own = [cents_between(hz, n * first_hz) for n, hz in sounding.items()]
    assert own == pytest.approx([2.1, 4.1, 6.9], abs=5e-2)


def test_partial_9_of_a_real_low_bass_string_is_a_fifth_of_a_semitone_sharp() -> None:
    # B about 3e-4, inferred from Kemp 2020, SN Applied Sciences 2:636 (abstract): 600 log2(1 + 81 B) cents.
    low = Instrument.of(["E1"], 863.6, stiffness_b=3e-4)
    sharp = cents_between(low.sounding_hz(0, Node(1, 9)), 9 * low.open_hz(0))
    assert sharp == pytest.approx(20.78, abs=5e-3)


def test_the_same_note_at_two_places() -> None:
    # Common practice, no source: 4 and 9 on one string; 7 on a string and 5 on the next lower one, tuned in
    # fourths; 3.2 is the octave of 7.
    assert nodes_at_label("4")[0].partial == nodes_at_label("9")[0].partial == 5
    seven, five = BASS.sounding_hz(1, nodes_at_label("7")[0]), BASS.sounding_hz(2, nodes_at_label("5")[0])
    assert nearest_note(seven)[0] == nearest_note(five)[0]
    assert BASS.sounding_hz(1, nodes_at_label("3.2")[0]) == pytest.approx(2.0 * seven)


# Common practice, no source: a decimal names one node; a whole number next to a usual node means that one;
# 3 is 3.2 or 2.7, 8 is 8.1 or 8.8.
@pytest.mark.parametrize(
    ("written", "labels"),
    [
        ("12", ["12"]),
        ("12.0", ["12"]),
        ("7", ["7"]),
        ("4", ["3.9"]),
        ("9", ["8.8"]),
        ("16", ["15.9"]),
        ("3", ["3.2", "2.7"]),
        ("8", ["8.1", "8.8"]),
        ("10", ["10.2", "9.7"]),
        ("6", ["5.8"]),
        ("3.2", ["3.2"]),
        ("3.16", ["3.2"]),
        ("3.1", ["3.2"]),
        (3.2, ["3.2"]),
        (Fraction(27, 10), ["2.7"]),
        ("6.5", []),
        ("11", []),
        ("0", []),
        ("99", []),
    ],
)
def test_a_written_fret_means_these_nodes(written: float | Fraction | str, labels: list[str]) -> None:
    assert [node.label for node in nodes_at_label(written)] == labels


@pytest.mark.parametrize("written", ["x", "nan", "inf", "", "1/0"])
def test_what_is_no_fret_is_refused(written: str) -> None:
    with pytest.raises(ValueError, match=r"is not a fret; a fret is a number such as 7 or 3\.2"):
        nodes_at_label(written)


def test_a_fret_behind_the_nut_is_refused() -> None:
    with pytest.raises(ValueError, match="fret -2 is below 0, the nut"):
        nodes_at_label("-2")


def test_labels_are_unique_up_to_partial_9() -> None:
    # Common practice, no source.
    labels = [node.label for node in nodes_upto(9)]
    assert len(set(labels)) == len(labels) == 27


def test_every_node_up_to_partial_9_is_found_by_its_label() -> None:
    assert all(nodes_at_label(node.label) == (node,) for node in nodes_upto(9))


def test_nearest_nodes_are_offered_nearest_first() -> None:
    assert [node.label for node in nearest_nodes(6.5)] == ["7", "5.8"]


@settings(max_examples=60)
@given(ratios, st.integers(1, 4))
def test_a_fraction_and_its_reduced_form_are_one_node(ratio: tuple[int, int], times: int) -> None:
    k, n = ratio
    node = Node.of(k * times, n * times)
    assert node == Node.of(k, n)
    assert node.fraction == Fraction(k, n)
    assert Node.parse(node.key) == node


@settings(max_examples=60)
@given(nodes)
def test_mirrored_nodes_ring_the_same_partial(node: Node) -> None:
    mirrored = Node.of(node.partial - node.numerator, node.partial)
    assert mirrored.partial == node.partial
    assert BASS.sounding_hz(0, mirrored) == BASS.sounding_hz(0, node)
    assert BASS.position_mm(3, mirrored) + BASS.position_mm(3, node) == pytest.approx(863.6)


@settings(max_examples=60)
@given(nodes, nodes)
def test_positions_are_monotone(one: Node, other: Node) -> None:
    in_order = one.fraction < other.fraction
    assert (one.fret < other.fret) == in_order
    assert (BASS.position_mm(3, one) < BASS.position_mm(3, other)) == in_order


@settings(max_examples=60)
@given(nodes)
def test_a_node_lies_where_its_fret_would_be(node: Node) -> None:
    assert BASS.fret_mm(3, node.fret) == pytest.approx(BASS.position_mm(3, node))


@settings(max_examples=40)
@given(st.integers(2, 32))
def test_nodes_go_from_nut_to_bridge_without_doubles(upto: int) -> None:
    nodes = nodes_upto(upto)
    assert all(a.fraction < b.fraction for a, b in itertools.pairwise(nodes))
    # Euler's totient, summed: reduced fractions with each denominator.
    assert len(nodes) == sum(math.gcd(k, n) == 1 for n in range(2, upto + 1) for k in range(1, n))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Instrument.of(["E1"], 0.0), "scale 0 mm is outside 100 to 2000 mm"),
        (lambda: Instrument.of(["E1"], math.nan), "scale nan mm is outside 100 to 2000 mm"),
        (lambda: Instrument.of(["E1"] * 40, 864.0), "40 strings is outside 1 to 12 strings"),
        (lambda: Instrument.of([], 864.0), "0 strings is outside 1 to 12 strings"),
        (lambda: Instrument.of(["E1"], 864.0, 44.0), "A4 44 Hz is outside 380 to 480 Hz"),
        (lambda: Instrument.of(["E1"], 864.0, stiffness_b=0.5), "stiffness B 0.5 is outside 0 to 0.01"),
        (lambda: Instrument.of(["E1"], 864.0, stiffness_b=[0, 0]), "2 stiffness values for 1 strings"),
        (lambda: Instrument.of(["E"], 864.0), r"which octave\? E2, say"),
        (lambda: nodes_upto(1000), "partial 1000 is outside 2 to 32"),
        (lambda: nodes_upto(1), "partial 1 is outside 2 to 32"),
        (lambda: Node.of(3, 3), "3/3 is not a node; a node is k/n with 0 < k < n"),
        (lambda: Node(2, 4), "2/4 is not in lowest terms"),
        (lambda: Node(1, 33), "1/33 is not a node; .* n from 2 to 32"),
        (lambda: Node.parse("7"), "'7' is not a node; a node is written k/n, as in 1/6"),
        (lambda: BASS.open_hz(4), r"string 5 is outside 1 to 4 \(1 is the highest\)"),
        (lambda: BASS.open_hz(-1), "string 0 is outside 1 to 4"),
        (
            lambda: ready_made("gitar"),
            r"'gitar' is not a ready-made instrument; .* \(did you mean guitar\?\)",
        ),
    ],
)
def test_bad_instruments_and_nodes_are_refused_with_the_allowed_range(make: object, message: str) -> None:
    assert callable(make)
    with pytest.raises(ValueError, match=message):
        make()


def test_strings_are_named_by_letter_where_that_is_unique() -> None:
    assert [BASS.string_label(string) for string in range(4)] == ["G", "D", "A", "E"]
    assert [GUITAR.string_label(string) for string in range(6)] == ["E4", "B", "G", "D", "A", "E2"]
    assert Instrument.of(["D2", "D2", "A1"], 864.0).string_label(1) == "2"


def test_a_nodes_identity_is_its_instrument_open_pitch_and_fraction() -> None:
    assert BASS.node_key(1, Node(1, 6)) == "D2|1/6"
    assert Instrument.of(["Bb1"], 864.0).node_key(0, Node(1, 2)) == "A#1|1/2"
    assert Instrument.of(["D2"], 864.0, name="mine").node_key(0, Node(1, 2)) == "mine|D2|1/2"


def test_stopped_notes_are_equal_tempered() -> None:
    assert nearest_note(BASS.fretted_hz(3, 3))[0] == midi_from_note("G1")
    assert BASS.fretted_hz(0, 12) == pytest.approx(2.0 * BASS.open_hz(0))


@pytest.mark.parametrize("name", READY_MADE)
def test_every_ready_made_instrument_has_its_strings_from_the_highest(name: str) -> None:
    instrument = ready_made(name)
    pitches = [string.midi for string in instrument.strings]
    assert pitches == sorted(pitches, reverse=True)
    assert instrument.name == ""


def test_a_wire_near_the_edge_of_what_a_node_forgives_is_told_as_doubtful_until_the_set_back_is_measured() -> (
    None
):
    """Node 1/6 of 864 mm is at 144.0 mm, wire 3 at 137.5 mm (L (1 - 2 ** (-n / 12))): 6.5 mm, of 7 that ring clear."""
    bass = ready_made("bass")
    told = [
        aim_text(node_rows(one, [Node(1, 6)], [0])[0])
        for one in (bass, Instrument.of(["G2", "D2", "A1", "E1"], 864.0, set_back_mm=0.0))
    ]
    assert told == ["6.5 mm past wire 3, may be dull there", "6.5 mm past wire 3, clear there"]


def test_a_set_back_moves_nodes_against_their_wires() -> None:
    # Computed: the wire at 12 halves the scale, the node at 12 the string, which is longer by the set-back.
    bass = Instrument.of(["G2", "D2", "A1", "E1"], 864.0, set_back_mm=[0.0, 2.0, 3.0, 5.0])
    twelve = Node(1, 2)
    apart = [bass.position_mm(string, twelve) - bass.fret_mm(string, 12) for string in range(4)]
    assert apart == pytest.approx([0.0, 1.0, 1.5, 2.5])
    # The node at 5 lies before the wire on an ideal string and past it with 5 mm of set-back.
    five = [bass.position_mm(string, Node(1, 4)) - bass.fret_mm(string, 5) for string in (0, 3)]
    assert five[0] < 0.0 < five[1]


def test_fanned_frets_have_a_scale_for_each_string() -> None:
    fan = Instrument.of(["G2", "D2", "A1", "E1"], [838.0, 851.0, 864.0, 876.0])
    assert (fan.scale_mm, fan.longest_mm) == (876.0, 876.0)
    assert [fan.fret_mm(string, 12) for string in range(4)] == pytest.approx([419.0, 425.5, 432.0, 438.0])
    assert fan.position_mm(0, Node(1, 3)) == pytest.approx(838.0 / 3)


def test_a_capo_raises_the_strings_and_leaves_wires_and_saddles_where_they_are() -> None:
    bass = Instrument.of(["G2", "D2", "A1", "E1"], 864.0, stiffness_b=1e-4, set_back_mm=3.0)
    capo = replace(bass, capo=5)
    # Players go on naming a string as it is without the capo (common practice, no source).
    assert [string.name for string in capo.strings] == ["G2", "D2", "A1", "E1"]
    assert [nearest_note(capo.open_hz(string), 440.0)[0] for string in range(4)] == [48, 43, 38, 33]
    # Where the 12th fret from the capo lies is where the 17th from the nut does.
    assert bass.fret_mm(0, 5) + capo.fret_mm(0, 12) == pytest.approx(bass.fret_mm(0, 17))
    assert bass.fret_mm(0, 5) + capo.length_mm(0) == pytest.approx(bass.length_mm(0))
    # A neck of 24 wires has 19 left above its fifth: a G at the 20th from the capo would be the 25th from the nut.
    assert list(Board.of(capo).frets_of(0)) == list(range(20))
    assert [place.fret for place in bass_places(capo, capo.open_midi(0) + 19, 0)] == [19]
    assert bass_places(capo, capo.open_midi(0) + 20, 0) == ()
    # B goes with 1 / L^2 (Fletcher 1964), so with the square of the frequency: 5 frets make it 2^(10 / 12).
    assert capo.stiffness(0) == pytest.approx(1e-4 * 2.0 ** (10 / 12))


@pytest.mark.parametrize(
    ("text", "mm"), [("864", 864.0), ("34in", 863.6), ('25.5"', 647.7), ("34 inch", 863.6)]
)
def test_lengths_are_mm_or_inches(text: str, mm: float) -> None:
    # An inch is 25.4 mm: international yard and pound agreement, 1959.
    assert length_from(text) == pytest.approx(mm)
    with pytest.raises(ValueError, match="is not a length; write mm, 864, or inches, 34in"):
        length_from(text + "x")


def test_strings_import_without_numpy() -> None:
    code = "import sys, coach.strings.touch, coach.strings.ready_made; assert 'numpy' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
