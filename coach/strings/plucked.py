"""A plucked string as a pickup senses it and an ear weighs it: plucking point, pickup, own losses, loudness.

Conventions: plucking point and pickup are in mm from the bridge, as players measure them, or shares of the string's
length where the name says so; frequencies in Hz; levels in dB.

A pluck at p gives partial m a displacement as sin(pi m p) / m^2, so a velocity, which is what a magnetic pickup
senses, as sin(pi m p) / m; a pickup at q takes part in it as sin(pi m q) (Fletcher and Rossing, The Physics of Musical
Instruments, ch. 2, from memory). Each partial decays as exp(-(b1 + b3 f^2) t), the usual two-term loss of a string;
the two constants are our own, set so that a low string rings for some seconds and its high partials for a fraction
of one. Where loudness is meant, partials are weighted as IEC 61672-1:2013, annex E, weights them (A).
"""

from __future__ import annotations

import math

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.node import HIGHEST_PARTIAL
from coach.strings.units import stiffening

PLUCK_SHARE = 0.09
"""Plucking point where none is given, as a share of the length from the bridge (78 mm of 864): harmonics are
plucked near the bridge. Common practice, no source."""
PICKUP_SHARE = 0.07
"""Pickup where none is given, as a share of the length from the bridge (60 mm of 864): about where a bass with two
pickups has the one at the bridge. Common practice, no source."""
FAINTEST_DB = -60.0
"""Levels below this are shown as this: a node plucked at another node of its own partial."""

_LOSS_B1, _LOSS_B3 = 0.7, 2.5e-6


@frozen
class PluckedString:
    """A string with where it is plucked and picked up, in shares of its length from the bridge."""

    open_hz: float
    """Frequency of the ideal open string."""
    length_mm: float
    stiffness_b: float = 0.0
    pluck: float = PLUCK_SHARE
    pickup: float = PICKUP_SHARE

    @classmethod
    def of(
        cls,
        instrument: Instrument,
        string: int,
        pluck_mm: float | None = None,
        pickup_mm: float | None = None,
    ) -> PluckedString:
        """One of an instrument's strings; ValueError when a point is not on it."""
        length_mm = instrument.length_mm(string)
        for point_mm in (pluck_mm, pickup_mm):
            if point_mm is not None:
                place_weight(1, point_mm, length_mm)
        return cls(
            instrument.open_hz(string),
            length_mm,
            instrument.stiffness(string),
            PLUCK_SHARE if pluck_mm is None else pluck_mm / length_mm,
            PICKUP_SHARE if pickup_mm is None else pickup_mm / length_mm,
        )

    def stopped(self, fret: int) -> PluckedString:
        """What sounds of it beyond a stop at `fret`, plucked and picked up at the same places: B grows as 1 / L^2."""
        part = 2.0 ** (-fret / 12.0)
        return PluckedString(
            self.open_hz / part,
            self.length_mm * part,
            self.stiffness_b / part**2,
            self.pluck / part,
            self.pickup / part,
        )

    def hz(self, partial: int) -> float:
        """Frequency of a partial of this stiff string."""
        return partial * self.open_hz * stiffening(partial, self.stiffness_b)

    def heard(self, partial: int) -> float:
        """How much a partial's velocity counts for an ear at the pickup: amplitude, in no unit."""
        return abs(math.sin(math.pi * partial * self.pickup)) * ear_weight(self.hz(partial))


def decay_per_s(hz: float) -> float:
    """The rate at which a partial's amplitude dies away by the string's own losses."""
    return _LOSS_B1 + _LOSS_B3 * hz * hz


def ear_weight(hz: float) -> float:
    """A-weighting of IEC 61672-1:2013, annex E, as a factor of amplitude: 1 at 1000 Hz."""
    square = hz * hz
    raw = (
        12194.217**2
        * square**2
        / (
            (square + 20.598997**2)
            * math.sqrt((square + 107.65265**2) * (square + 737.86223**2))
            * (square + 12194.217**2)
        )
    )
    return float(raw * 10.0 ** (2.0 / 20.0))


def place_weight(partial: int, from_bridge_mm: float, length_mm: float) -> float:
    """How strongly a pluck or a pickup at this point takes part in a partial: |sin(pi m x / L)|, 0 to 1.

    ValueError when the point is not on the string.
    """
    if not 0.0 < from_bridge_mm < length_mm:
        raise ValueError(
            f"{from_bridge_mm:g} mm from the bridge is outside 0 to {length_mm:g} mm, the string"
        )
    return abs(math.sin(math.pi * partial * from_bridge_mm / length_mm))


def level_of(weight: float) -> float:
    """An amplitude from 0 to 1 as dB, at least -60."""
    return max(FAINTEST_DB, 20.0 * math.log10(weight)) if weight > 0.0 else FAINTEST_DB


def partials_power(string: PluckedString, partial: int, seconds: float = 0.0) -> float:
    """What an ear hears of a partial and its multiples up to 32, so long after the pluck; 1 is the open string.

    Weighted squares of velocity, in no unit.
    """
    return math.fsum(
        (
            math.sin(math.pi * m * string.pluck)
            / m
            * string.heard(m)
            * math.exp(-decay_per_s(string.hz(m)) * seconds)
        )
        ** 2
        for m in range(partial, HIGHEST_PARTIAL + 1, partial)
    )


def dead_plucking_points_mm(partial: int, length_mm: float) -> tuple[float, ...]:
    """Points, in mm from the bridge up to mid-string, where a pluck does not excite the partial at all."""
    return tuple(length_mm * k / partial for k in range(1, partial // 2 + 1))


def best_plucking_point_mm(partial: int, length_mm: float) -> float:
    """The point nearest to the bridge, in mm from it, where a pluck excites the partial most."""
    return length_mm / (2 * partial)
