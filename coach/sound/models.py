"""What is heard outside of repetitions: a phrase, a node, a reference tone, two partials that beat.

Conventions as in `coach.sound.tones`. The lower string of a pair stays in tune and the higher one is
moved by cents, so that a change of beats is one string's doing.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from coach.music.drill import ClickPattern, Drill, Phrase
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.sound.render import RepSound
from coach.sound.timeline import rep_timeline
from coach.sound.tones import RELEASE_S, Tone, tones_of
from coach.sound.touched import ringing_then_choked
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.plucked import PluckedString
from coach.strings.tuning import STRIKE_S, Heard, Pair
from coach.strings.units import detuned_hz

if TYPE_CHECKING:
    from coach.sound.player import Pcm


NODE_S = 3.0
"""How long a single harmonic rings."""
RING_OUT_S = 0.5
"""After a phrase's end its last notes ring."""


def phrase_pcm(drill: Drill, phrase: Phrase, rate: int) -> RepSound:
    """A whole phrase as it should sound at the drill's start tempo, without clicks."""
    passage = passage_of(drill, whole_phrase(drill, phrase))
    timeline = rep_timeline(passage, drill.tempo.start_bpm, ClickPattern(), 0)
    tones = tones_of(passage, drill.instrument, timeline)
    return RepSound((), tones, rate, length_s=timeline.end_s + RING_OUT_S)


def node_pcm(instrument: Instrument, string: int, node: Node, rate: int) -> RepSound:
    """One harmonic."""
    return RepSound((), (Tone.of(instrument, string, 0, NODE_S, node),), rate)


def choke_pcm(instrument: Instrument, string: int, node: Node, rate: int) -> Pcm:
    """One harmonic that rings, and after it the same one choked."""
    return ringing_then_choked(PluckedString.of(instrument, string), node, rate)


def pair_pcm(
    instrument: Instrument, pair: Pair, cents: float, seconds: float, strikes: int, rate: int
) -> RepSound:
    """The two partials of a pair, struck together every `seconds`, the higher string moved by `cents`."""
    tones = []
    for at_s in (strike * seconds for strike in range(strikes)):
        tones.append(Tone.of(instrument, pair.low_string, at_s, seconds, pair.low_node))
        high = Tone.of(instrument, pair.high_string, at_s, seconds, pair.high_node)
        tones.append(replace(high, hz_open=detuned_hz(high.hz_open, cents)))
    return RepSound((), tones, rate, tail_s=RELEASE_S)


def heard_pcm(heard: Heard, rate: int, strikes: int = 1) -> RepSound:
    """What is heard while tuning: the pair as it is detuned, or the open string."""
    if heard.string is not None:
        return reference_pcm(heard.instrument, heard.string, STRIKE_S, strikes, rate)
    return pair_pcm(heard.instrument, heard.pair, heard.cents, STRIKE_S, strikes, rate)


def reference_pcm(instrument: Instrument, string: int, seconds: float, strikes: int, rate: int) -> RepSound:
    """The open string in tune, struck every `seconds`."""
    tones = [Tone.of(instrument, string, strike * seconds, seconds) for strike in range(strikes)]
    return RepSound((), tones, rate, tail_s=RELEASE_S)
