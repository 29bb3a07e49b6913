"""A pair of strings as it is heard while one of them is detuned: what the command and the tuning screen share.

Conventions: cents by which the pair's higher string is moved, 0 where it is equal-tempered.
"""

from __future__ import annotations

from dataclasses import replace

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.tuning import Pair
from coach.strings.units import cents_between

STRIKE_S = 6.0
WIDEST_CENTS = 50.0


@frozen
class Heard:
    """What is heard: a pair with its higher string moved by cents, or one open string."""

    instrument: Instrument
    pairs: tuple[Pair, ...]
    string: int | None = None
    """The open string that is heard in place of a pair."""
    index: int = 0
    cents: float = 0.0

    @property
    def pair(self) -> Pair:
        return self.pairs[self.index]


def moved(heard: Heard, cents: float) -> Heard:
    """With the higher string moved by so many cents more, at most 50 to either side."""
    return replace(heard, cents=max(-WIDEST_CENTS, min(WIDEST_CENTS, heard.cents + cents)))


def beatless(heard: Heard) -> Heard:
    """With the higher string where the pair does not beat."""
    if not heard.pairs:
        return heard
    pair = heard.pair
    low = heard.instrument.sounding_hz(pair.low_string, pair.low_node)
    high_node = pair.high_node
    high = (
        heard.instrument.sounding_hz(pair.high_string, high_node)
        if high_node
        else heard.instrument.open_hz(pair.high_string)
    )
    return replace(heard, cents=cents_between(low, high))
