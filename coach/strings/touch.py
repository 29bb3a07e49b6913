"""The light touch: what a string does while a finger rests on it and after, and how near the finger must come.

Conventions: positions are shares of the string's length from the nut, or mm where the name says so; durations in
seconds from the pluck to the moment at which the finger is lifted.

Model. The finger is a dashpot spread over a short width of the string: it resists velocity, and nothing else. With
y = sum of q_m sin(pi m x), the modes of a stiff string are coupled through it,

    q_m'' + w_m^2 q_m + 8 f0 P sum over n of M_mn q_n' = 0,  M_mn = mean of sin(pi m x) sin(pi n x) under the finger,

w_m = 2 pi m f0 sqrt(1 + B m^2), where P, the *pressure*, is the dashpot's resistance over twice the string's wave
impedance (Fletcher and Rossing, The Physics of Musical Instruments, ch. 2 and 4, from memory; the coupling is derived
from the string's equation of motion). It is solved by its matrix exponential for as long as the finger rests. The
string's own losses, small beside the finger's in so short a time, act on each partial by itself. A simulation by
finite differences, which shares no code with this, agrees (tests/test_touch.py).

Words. "Dull" is a harmonic half as loud as its partials would be without the finger, "dead" one a quarter as loud: 10
and 20 dB (the sone: ten phon double the loudness, Stevens 1955). Nobody has measured a player's finger: what is stated
of a node holds for every pressure from a light to a firm touch, and is given in whole mm.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.node import Node
from coach.strings.plucked import PluckedString, decay_per_s, level_of, partials_power
from coach.strings.units import stiffening

FINGER_SHARE = 8.0 / 864.0
"""Width of string under a light fingertip as a share of its length: 8 mm on a 34 inch bass, 3 mm on a violin, whose
players touch with the tip alone. Uncalibrated."""
FINGER_MM_RANGE = (0.0, 40.0)
LIGHT, USUAL, FIRM = 0.5, 1.0, 2.0
"""Pressures. At 1 a point finger takes from the string the most that a dashpot can: half of what arrives. The factor 2
to either side is our own."""
TOUCH_PERIODS, LEAST_TOUCH_S = 6.0, 0.03
"""A player lifts as soon as the harmonic speaks, which takes a low string longer: about so many periods of the open
string, and no less than a hand needs. Uncalibrated."""
DULL_DB, DEAD_DB = 10.0, 20.0

MODES = 40
"""Modes that are coupled, at least: those that the finger's width and the ear leave to be heard, and some more."""
_NEPER_DB = 20.0 / math.log(10.0)
_CLOSE_DB = 1.0
_MOST_STEPS = 6
_SERIES = 12
"""The power at which the last three terms of an exponential's series begin: 1 / 15! is below 1e-12."""
_STEPS_LOG2 = 5

HASTY = 1 / 3
"""A touch too short, in usual ones. Our own."""

Word = Literal["clear", "dull", "dead", "open"]
"""What a touch gives; `open`: the open string speaks, louder than the harmonic."""


@frozen
class Touch:
    """A finger on a string: where, how wide, how firm and how long."""

    at: float
    """Its middle, as a share of the length from the nut."""
    width: float = FINGER_SHARE
    """Share of the length under it."""
    pressure: float = USUAL
    seconds: float = 0.1


@frozen
class Ringing:
    """What rings after a touch at a node or near it, in dB against the harmonic with no finger on the string."""

    harmonic_db: float
    """The node's partial and its multiples."""
    rest_db: float
    """All other partials: the open string."""

    @property
    def word(self) -> Word:
        """What a player would say of it."""
        if self.rest_db > max(self.harmonic_db, -DEAD_DB):
            return "open"
        if self.harmonic_db > -DULL_DB:
            return "clear"
        return "dull" if self.harmonic_db > -DEAD_DB else "dead"


@frozen
class Forgiveness:
    """How far the finger may stray from a node, in whole mm."""

    clear_mm: int
    """Up to here the harmonic is more than half as loud, even under a firm touch; 0 where it is dull at its best."""
    dead_mm: int | None
    """From here on less than a quarter as loud, even under a light touch; None where that does not come before
    the next point at which the partial rings."""


@frozen
class WireAim:
    """What aiming at the nearest fret wire does for a node."""

    fret: int
    offset_mm: float
    """From the wire to the node, positive toward the bridge."""
    word: Word


def strengths(string: PluckedString, touch: Touch, modes: int = MODES) -> tuple[float, ...]:
    """Velocity of each partial, from the first, when the finger is lifted; untouched, partial m has sin(pi m p) / m."""
    periods = touch.seconds * string.open_hz
    bare = _bare(touch.at, touch.width, touch.pressure, periods, string.stiffness_b, string.pluck, modes)
    return tuple(
        amount * left for amount, left in zip(bare, _left_of(string, touch.seconds, modes), strict=True)
    )


def usual_touch_s(string: PluckedString) -> float:
    """How long a player's finger rests on this string: 0.15 s on the low E of a bass, 0.06 s on its G."""
    return max(TOUCH_PERIODS / string.open_hz, LEAST_TOUCH_S)


def choke_at(string: PluckedString, node: Node) -> Touch:
    """A touch that chokes a node and leaves no other to speak: firm, a little beside it, and four times too long.

    It lies a third of the way to where no touch rings.
    """
    dead_mm = forgiveness(string, node).dead_mm
    share = 0.5 / node.partial if dead_mm is None else dead_mm / string.length_mm
    side = 1.0 if float(node.fraction) < 0.5 else -1.0
    at = float(node.fraction) + side * share / 3.0
    return Touch(at, FINGER_SHARE, FIRM, 4.0 * usual_touch_s(string))


def ringing(string: PluckedString, partial: int, touch: Touch) -> Ringing:
    """What rings after `touch` of a harmonic of this partial."""
    modes = max(MODES, partial + MODES // 2)
    heard = _heard(string, modes)
    powers = [
        (amount * each) ** 2 for amount, each in zip(strengths(string, touch, modes), heard, strict=True)
    ]
    own = math.fsum(powers[partial - 1 :: partial])
    clean = partials_power(string, partial, touch.seconds)
    return Ringing(_db(own, clean), _db(math.fsum(powers) - own, clean))


def level_db(string: PluckedString, node: Node, width: float = FINGER_SHARE) -> float:
    """Loudness of the harmonic after a usual touch, in dB (A) against the open string untouched; at least -60."""
    touch = Touch(float(node.fraction), width, USUAL, usual_touch_s(string))
    kept = ringing(string, node.partial, touch).harmonic_db
    clean = level_of(
        math.sqrt(
            partials_power(string, node.partial, touch.seconds) / partials_power(string, 1, touch.seconds)
        )
    )
    return max(level_of(0.0), min(clean + kept, 0.0))


def finger_share(finger_mm: float | None, length_mm: float) -> float:
    """Share of a string under a finger of this width, of the usual one where it is None.

    ValueError outside 0 to 40 mm.
    """
    if finger_mm is None:
        return FINGER_SHARE
    low, high = FINGER_MM_RANGE
    if not low <= finger_mm <= high:
        raise ValueError(f"finger width {finger_mm:g} mm is outside {low:g} to {high:g} mm")
    return finger_mm / length_mm


def clear_mm(string: PluckedString, node: Node, width: float = FINGER_SHARE) -> float:
    """How far a firm finger may stray until the harmonic is dull; 0 where it is dull at its best."""
    return _distance(string, node, width, FIRM, DULL_DB) or 0.0


def forgiveness(string: PluckedString, node: Node, width: float = FINGER_SHARE) -> Forgiveness:
    """How far the finger may stray from `node`."""
    dead = _distance(string, node, width, LIGHT, DEAD_DB)
    return Forgiveness(math.floor(clear_mm(string, node, width)), None if dead is None else math.ceil(dead))


def wire_aim(instrument: Instrument, string: int, node: Node, allowed: Forgiveness) -> WireAim | None:
    """What happens when the finger aims at the wire nearest to `node`; None where there is none."""
    below = math.floor(node.fret)
    if not instrument.fretted or below > instrument.last_fret:
        return None
    position_mm = instrument.position_mm(string, node)
    fret = min(
        (max(below, 1), below + 1), key=lambda wire: abs(instrument.fret_mm(string, wire) - position_mm)
    )
    if fret > instrument.last_fret:
        return None
    offset_mm = position_mm - instrument.fret_mm(string, fret)
    nearer_mm, further_mm = instrument.position_error_mm(string, node)
    worst_mm = max(abs(offset_mm - nearer_mm), abs(offset_mm + further_mm))
    return WireAim(fret, offset_mm, aim_word(allowed, worst_mm))


def aim_word(allowed: Forgiveness, offset_mm: float) -> Word:
    """What a finger so far beside a node gives; dull is what lies between clear and dead, as the touch is."""
    if offset_mm <= allowed.clear_mm:
        return "clear"
    return "dull" if allowed.dead_mm is None or offset_mm < allowed.dead_mm else "dead"


def steady_word(
    string: PluckedString, node: Node, seconds: float, width: float = FINGER_SHARE
) -> Word | None:
    """What a touch of this duration gives at perfect aim, where a light and a firm one give the same."""
    at = float(node.fraction)
    words = {
        ringing(string, node.partial, Touch(at, width, pressure, seconds)).word for pressure in (LIGHT, FIRM)
    }
    return words.pop() if len(words) == 1 else None


@lru_cache(maxsize=256)
def _left_of(string: PluckedString, seconds: float, modes: int) -> tuple[float, ...]:
    """What the string's own losses leave of each partial's amplitude."""
    return tuple(math.exp(-decay_per_s(string.hz(m)) * seconds) for m in range(1, modes + 1))


@lru_cache(maxsize=256)
def _heard(string: PluckedString, modes: int) -> tuple[float, ...]:
    return tuple(map(string.heard, range(1, modes + 1)))


def _db(power: float, clean: float) -> float:
    return 10.0 * math.log10(power / clean) if power > 0.0 else -math.inf


@lru_cache(maxsize=4096)
def _distance(
    string: PluckedString, node: Node, width: float, pressure: float, loss_db: float
) -> float | None:
    """Mm from the node to where the harmonic has lost so much, the lesser of both sides; None where it never has."""
    at, seconds = float(node.fraction), usual_touch_s(string)

    def loss(share: float) -> float:
        return -ringing(string, node.partial, Touch(at + share, width, pressure, seconds)).harmonic_db

    least = loss(0.0)
    if least >= loss_db:
        return 0.0
    # Half-way to the next point where this partial rings; no node is nearer to the string's end.
    limit = 0.5 / node.partial
    share = _weak_share(node.partial, loss_db, pressure * seconds * string.open_hz)
    side = max((-1.0, 1.0), key=lambda way: loss(way * share))
    for _ in range(_MOST_STEPS):
        lost_db = loss(side * share)
        if abs(lost_db - loss_db) < _CLOSE_DB:
            break
        if share == limit and lost_db < loss_db:
            return None
        # The loss in dB grows nearly as the square of the distance.
        steps = math.sqrt((loss_db - least) / max(lost_db - least, 0.1))
        share = min(share * min(max(steps, 0.3), 3.0), limit)
    return share * string.length_mm


def _weak_share(partial: int, loss_db: float, touch: float) -> float:
    """A first guess: where partial `partial` loses so much under a touch too weak to couple the modes.

    Its amplitude falls as exp(-4 f0 P t sin^2); `touch` is P f0 t.
    """
    sine = math.sqrt(min(loss_db / (_NEPER_DB * 4.0 * touch), 1.0))
    return math.asin(sine) / (math.pi * partial)


@lru_cache(maxsize=4096)
def _bare(
    at: float, width: float, pressure: float, periods: float, stiffness_b: float, pluck: float, modes: int
) -> tuple[float, ...]:
    """`strengths` without the string's own losses, in periods of its first partial."""
    # numpy takes longer to import than most commands run, and few of them need a touch.
    import numpy as np

    m = np.arange(1, modes + 1)
    turn = 2.0 * np.pi * m * stiffening(m.astype(float), stiffness_b)
    order = np.arange(2 * modes + 1)
    mean_cosine = np.cos(np.pi * order * at) * np.sinc(order * width / 2.0)
    under = 0.5 * (mean_cosine[abs(m[:, None] - m)] - mean_cosine[m[:, None] + m])
    rates = np.zeros((2 * modes, 2 * modes))
    rates[:modes, modes:] = np.diag(turn)
    rates[modes:, :modes] = -np.diag(turn)
    rates[modes:, modes:] = -8.0 * pressure * under
    state = np.zeros(2 * modes)
    state[:modes] = np.sin(np.pi * m * (1.0 - pluck)) / m
    # The exponential of the rates, by its series over so short a step that it is exact, doubled; the last doublings
    # cost more than taking the state through the same step again and again.
    doublings = math.ceil(math.log2(max(float(np.abs(rates).sum(axis=1).max()) * periods, 1.0)))
    step = rates * (periods / 2.0**doublings)
    # In powers of its cube (Paterson and Stockmeyer 1973): less than half of the products.
    one, square = np.eye(2 * modes), step @ step
    cube, through = square @ step, np.zeros_like(step)
    for first in range(_SERIES, -1, -3):
        part = [1.0 / math.factorial(power) for power in range(first, first + 3)]
        through = through @ cube + part[0] * one + part[1] * step + part[2] * square
    at_once = min(doublings, _STEPS_LOG2)
    for _ in range(doublings - at_once):
        through = through @ through
    for _ in range(2**at_once):
        state = through @ state
    return tuple(float(amount) for amount in np.hypot(state[:modes], state[modes:]))
