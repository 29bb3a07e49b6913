"""The light touch: how far the finger may stray from a node, what sounds then, and how strongly a partial speaks.

Conventions: positions are fractions of the string length from the nut, or mm where the name says so; plucking
point and pickup are in mm from the bridge, as players measure them.

Touch. A finger that rests lightly over a width w (a fraction of the length) at x damps partial m in proportion to
the mean of sin^2(pi m x) under it: d_m = 1/2 [1 - cos(2 pi m x) sin(pi m w) / (pi m w)], the first-order modal
damping of a string with a lossy stretch. The touch costs partial m `TOUCH_STRENGTH` x d_m nepers. A node dulls
where its own partial has lost `DULL_LOSS_DB`; another partial wins where one that is no multiple of the node's is
the loudest, partials starting as 1 / m (a plucked string's velocity before the plucking point is counted:
Fletcher and Rossing, The Physics of Musical Instruments, ch. 2, from memory).

Plucking and pickup. A pluck at p gives partial m a displacement as sin(pi m p) / m^2, so a velocity, which is what a
magnetic pickup senses, as sin(pi m p) / m; a pickup at q takes part in it as sin(pi m q) (Fletcher and Rossing, as
above, from memory). Touched at a node of partial m the string rings in m, 2m, 3m and so on: a note's level is the sum
of their squares, against the open string plucked and picked up at the same points. The touch's own loss is left out.

The four constants below are uncalibrated: no measurement of fingers is behind them. They were set so that the
fret wire works for partials 2 to 5 and fails for 3.2, 2.7 and 5.8 on a 34 inch bass (common practice, no source).
They rank nodes; the millimetres are a guide, not a measurement.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from coach.strings.instrument import HIGHEST_PARTIAL, Instrument, Node

FINGER_WIDTH_MM = 8.0
"""Width of string under a light fingertip. Uncalibrated."""
TOUCH_STRENGTH = 100.0
"""Nepers that a touch costs a partial whose damping d is 1. Uncalibrated."""
DULL_LOSS_DB = 12.0
"""Loss at which a node counts as dull. Uncalibrated."""
LAST_FRET = 24
"""Wires beyond this fret are not on the neck."""

FINGER_MM_RANGE = (0.0, 40.0)
PLUCK_SHARE = 0.09
"""Plucking point where none is given, as a share of the scale from the bridge (78 mm of 864): harmonics are
plucked near the bridge. Common practice, no source."""
PICKUP_SHARE = 0.07
"""Pickup where none is given, as a share of the scale from the bridge (60 mm of 864): about where a bass with two
pickups has the one at the bridge. Common practice, no source."""
FAINTEST_DB = -60.0
"""Levels below this are shown as this: a node plucked at another node of its own partial."""

_NEPER_DB = 20.0 / math.log(10.0)
_SEARCH_STEPS = 40

Aim = Literal["works", "dull", "fails"]


@dataclass(frozen=True, slots=True)
class Stray:
    """How far the finger may stray from a node to one side."""

    dull_mm: float
    """Distance at which the node dulls; 0 where it is dull at its best."""
    other_mm: float | None
    """Distance at which another partial wins; None where none does before the string's end or the midpoint
    to where this partial rings again."""
    other_partial: int | None
    """The partial that wins there."""

    @property
    def clear_mm(self) -> float:
        """The lesser of the two distances: so far the node is clear."""
        return self.dull_mm if self.other_mm is None else min(self.dull_mm, self.other_mm)


@dataclass(frozen=True, slots=True)
class Forgiveness:
    """How far the finger may stray from a node towards the nut and towards the bridge."""

    nut: Stray
    bridge: Stray

    @property
    def clear_mm(self) -> float:
        """The lesser of both sides."""
        return min(self.nut.clear_mm, self.bridge.clear_mm)


@dataclass(frozen=True, slots=True)
class WireAim:
    """What aiming at the nearest fret wire does for a node."""

    fret: int
    offset_mm: float
    """From the wire to the node, positive towards the bridge."""
    result: Aim
    sounds: int
    """The partial that is loudest with the finger at the wire."""


def damping(partial: int, position: float, width: float) -> float:
    """Damping d of a partial, 0 to 1, under a touch of `width` centred at `position`, both shares of the length."""
    angle = math.pi * partial * width
    smear = math.sin(angle) / angle if angle else 1.0
    return 0.5 * (1.0 - math.cos(2.0 * math.pi * partial * position) * smear)


def touch_loss_db(partial: int, position: float, width: float) -> float:
    """What the touch costs a partial, in dB."""
    return _NEPER_DB * TOUCH_STRENGTH * damping(partial, position, width)


def loudest_partial(position: float, width: float) -> int:
    """The partial, 1 to 32, that is loudest after a touch at `position`."""
    return max(range(1, HIGHEST_PARTIAL + 1), key=lambda partial: _level(partial, position, width))


@lru_cache(maxsize=4096)
def forgiveness(node: Node, scale_mm: float, finger_mm: float = FINGER_WIDTH_MM) -> Forgiveness:
    """How far the finger may stray from `node` on a string of `scale_mm`, with a touch of `finger_mm`.

    ValueError when `finger_mm` is outside 0 to 40 mm.
    """
    low, high = FINGER_MM_RANGE
    if not low <= finger_mm <= high:
        raise ValueError(f"finger width {finger_mm:g} mm is outside {low:g} to {high:g} mm")
    width = finger_mm / scale_mm
    dull = _dull_share(node.partial, width)
    return Forgiveness(
        _stray(node, -1, dull, width, scale_mm),
        _stray(node, 1, dull, width, scale_mm),
    )


def wire_aim(instrument: Instrument, node: Node, finger_mm: float = FINGER_WIDTH_MM) -> WireAim | None:
    """What happens when the finger aims at the wire nearest to `node`; None beyond the last fret."""
    below = math.floor(node.fret)
    if below > LAST_FRET:
        return None
    position_mm = instrument.position_mm(node)
    fret = min((max(below, 1), below + 1), key=lambda wire: abs(instrument.fret_mm(wire) - position_mm))
    if fret > LAST_FRET:
        return None
    offset_mm = position_mm - instrument.fret_mm(fret)
    allowed = forgiveness(node, instrument.scale_mm, finger_mm)
    side = allowed.nut if offset_mm > 0 else allowed.bridge
    sounds = loudest_partial(instrument.fret_mm(fret) / instrument.scale_mm, finger_mm / instrument.scale_mm)
    result: Aim = "dull"
    if abs(offset_mm) <= side.clear_mm:
        result = "works"
    elif sounds % node.partial:
        result = "fails"
    return WireAim(fret, offset_mm, result, sounds)


def place_weight(partial: int, from_bridge_mm: float, scale_mm: float) -> float:
    """How strongly a pluck or a pickup at this point takes part in a partial: |sin(pi m x / L)|, 0 to 1.

    ValueError when the point is not on the string.
    """
    if not 0.0 < from_bridge_mm < scale_mm:
        raise ValueError(f"{from_bridge_mm:g} mm from the bridge is outside 0 to {scale_mm:g} mm, the string")
    return abs(math.sin(math.pi * partial * from_bridge_mm / scale_mm))


def level_db(partial: int, pluck_mm: float, pickup_mm: float, scale_mm: float) -> float:
    """Level of the harmonic at a node of this partial, in dB against the open string; at most 0, at least -60.

    Plucking point and pickup are in mm from the bridge. ValueError when either is not on the string.
    """
    open_power = _power(1, pluck_mm, pickup_mm, scale_mm)
    return level_of(math.sqrt(_power(partial, pluck_mm, pickup_mm, scale_mm) / open_power))


def level_of(weight: float) -> float:
    """A weight from 0 to 1 as dB, at least -60."""
    return max(FAINTEST_DB, 20.0 * math.log10(weight)) if weight > 0.0 else FAINTEST_DB


def dead_plucking_points_mm(partial: int, scale_mm: float) -> tuple[float, ...]:
    """Points, in mm from the bridge up to mid-string, where a pluck does not excite the partial at all."""
    return tuple(scale_mm * k / partial for k in range(1, partial // 2 + 1))


def best_plucking_point_mm(partial: int, scale_mm: float) -> float:
    """The point nearest to the bridge, in mm from it, where a pluck excites the partial most."""
    return scale_mm / (2 * partial)


def _power(partial: int, pluck_mm: float, pickup_mm: float, scale_mm: float) -> float:
    """What a pickup senses of a partial and its multiples up to 32: squares of velocity, in no unit."""
    return sum(
        (place_weight(n, pluck_mm, scale_mm) * place_weight(n, pickup_mm, scale_mm) / n) ** 2
        for n in range(partial, HIGHEST_PARTIAL + 1, partial)
    )


def _level(partial: int, position: float, width: float) -> float:
    """Level of a partial after the touch, in nepers."""
    return -math.log(partial) - TOUCH_STRENGTH * damping(partial, position, width)


def _dull_share(partial: int, width: float) -> float:
    """Share of the length that the finger may stray until the partial dulls: damping solved for the offset."""
    allowed = DULL_LOSS_DB / (_NEPER_DB * TOUCH_STRENGTH)
    angle = math.pi * partial * width
    smear = math.sin(angle) / angle if angle else 1.0
    if smear <= 1.0 - 2.0 * allowed:
        return 0.0
    return math.acos((1.0 - 2.0 * allowed) / smear) / (2.0 * math.pi * partial)


def _stray(node: Node, side: int, dull: float, width: float, scale_mm: float) -> Stray:
    centre = node.numerator / node.partial
    # Half-way to the next point where this partial has a node, or the end of the string.
    limit = min(0.5 / node.partial, centre if side < 0 else 1.0 - centre)

    def winner(share: float) -> int:
        return loudest_partial(centre + side * share, width)

    reached = 0.0
    for step in range(_SEARCH_STEPS + 1):
        share = limit * step / _SEARCH_STEPS
        if winner(share) % node.partial:
            share = _bisect(node.partial, winner, reached, share) if step else 0.0
            return Stray(dull * scale_mm, share * scale_mm, winner(share))
        reached = share
    return Stray(dull * scale_mm, None, None)


def _bisect(partial: int, winner: Callable[[float], int], low: float, high: float) -> float:
    """The least share, between one where the node's partial wins and one where it does not, where it does not."""
    for _ in range(24):
        middle = (low + high) / 2.0
        if winner(middle) % partial:
            high = middle
        else:
            low = middle
    return high
