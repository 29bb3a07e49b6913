"""The model of a choke beside the ringing node: how much is left of it, and that the other half is the harmonic."""

import numpy as np
import pytest

from coach.sound.levels import CEILING
from coach.sound.models import choke_pcm
from coach.sound.touched import PAUSE_S, RING_S
from coach.strings.instrument import Instrument
from coach.strings.node import Node, nodes_upto
from coach.strings.plucked import PluckedString
from coach.strings.touch import usual_touch_s

RATE = 48_000
BASS = Instrument.of(["G2", "D2", "A1", "E1"], 863.6)
DULL_DB = -20.0
"""Ten phon double the loudness (Stevens 1955): 20 dB is a quarter of it."""


def halves(string: int, node: Node) -> tuple[np.ndarray, np.ndarray]:
    """What is heard from a third of a second after each lift, for most of a second."""
    pcm = choke_pcm(BASS, string, node, RATE)
    lifted_s = usual_touch_s(PluckedString.of(BASS, string))
    again_s = lifted_s + RING_S + PAUSE_S
    starts = (round((lifted_s + 0.3) * RATE), round((again_s + 4 * lifted_s + 0.3) * RATE))
    first, second = (pcm[start : start + RATE * 4 // 5] for start in starts)
    return first, second


@pytest.mark.parametrize("string", range(4))
@pytest.mark.parametrize("node", nodes_upto(9)[::3])
def test_a_choked_node_is_under_a_quarter_as_loud_as_the_ringing_one(string, node):
    ring, choke = halves(string, node)
    assert 20 * np.log10(choke.std() / ring.std()) < DULL_DB


@pytest.mark.parametrize(("string", "node"), [(0, Node(1, 3)), (1, Node(2, 5)), (3, Node(1, 4))])
def test_the_ringing_half_is_the_node_s_partial(string, node):
    ring, _ = halves(string, node)
    bins = np.abs(np.fft.rfft(ring * np.hanning(len(ring)), 1 << 18))
    peak_hz = int(np.argmax(bins)) * RATE / (1 << 18)
    partial_hz = node.partial * BASS.open_hz(string)
    # Fletcher 1964: stiffness lifts a multiple by a few cents at most.
    multiple = round(peak_hz / partial_hz)
    assert multiple >= 1
    assert peak_hz == pytest.approx(multiple * partial_hz, rel=0.003)


def test_the_pluck_of_both_is_as_loud_and_none_is_beyond_the_ceiling():
    pcm = choke_pcm(BASS, 0, Node(1, 3), RATE)
    again = round((usual_touch_s(PluckedString.of(BASS, 0)) + RING_S + PAUSE_S) * RATE)
    first, second = np.abs(pcm[: RATE // 100]).max(), np.abs(pcm[again : again + RATE // 100]).max()
    assert first == pytest.approx(second, rel=0.3)
    assert np.abs(pcm).max() <= CEILING
