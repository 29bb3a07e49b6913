"""What tuning by harmonics sounds like: a reference tone, and two partials that beat.

Conventions as in `coach.sound.tones`: mono float32 PCM. The lower string of a pair stays in tune and the higher one is
moved by cents, so that a change of beats is one string's doing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from coach.sound.tones import Tone, render_model
from coach.strings.instrument import Instrument
from coach.strings.tuning import Pair, detuned_hz

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Pcm = NDArray[np.float32]


def pair_pcm(
    instrument: Instrument, pair: Pair, cents: float, seconds: float, strikes: int, rate: int
) -> Pcm:
    """The two partials of a pair, struck together every `seconds`, the higher string moved by `cents`."""
    tones = []
    for strike in range(strikes):
        for string, node, moved in (
            (pair.low_string, pair.low_node, 0.0),
            (pair.high_string, pair.high_node, cents),
        ):
            tones.append(
                Tone(
                    strike * seconds,
                    seconds,
                    detuned_hz(instrument.open_hz(string), moved),
                    node,
                    None if node else 0,
                    instrument.string_at(string).stiffness_b,
                )
            )
    return render_model(tones, rate)


def reference_pcm(instrument: Instrument, string: int, seconds: float, strikes: int, rate: int) -> Pcm:
    """The open string in tune, struck every `seconds`."""
    stiffness_b = instrument.string_at(string).stiffness_b
    open_hz = instrument.open_hz(string)
    tones = [Tone(strike * seconds, seconds, open_hz, None, 0, stiffness_b) for strike in range(strikes)]
    return render_model(tones, rate)
