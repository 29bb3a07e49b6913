"""Nodes: where a light touch leaves one partial of a string ringing, and what a written fret means of them.

Conventions: a node k/n is counted from the nut, k/n of the string length; it is always in lowest terms, because a touch
at 2/4 leaves partial 2 ringing (the pitch follows the greatest common divisor: Fiedler 2013,
doi 10.1016/j.cam.2012.12.009). Frets are equal-tempered and may be fractions: fret = 12 log2(n / (n - k)).
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache

from coach.ground.digits import exact_number, whole_number
from coach.ground.frozen import frozen

LOWEST_PARTIAL, HIGHEST_PARTIAL = 2, 32
DEFAULT_PARTIAL = 9
FRET_TOLERANCE = 0.06
"""How far a written decimal fret may lie from a node (in frets): 3.1 and 3.16 both mean 3.156."""
COMMON_PARTIAL = 5
"""Nodes up to this partial are so usual that a whole number next to one means it: 4 is 3.9, 9 is 8.8."""


@frozen
class Node:
    """The point k/n of a string, counted from the nut, in lowest terms; partial n rings there."""

    numerator: int
    partial: int

    def __post_init__(self) -> None:
        k, n = self.numerator, self.partial
        if not 0 < k < n or n > HIGHEST_PARTIAL:
            raise ValueError(
                f"{k}/{n} is not a node; a node is k/n with 0 < k < n and n from "
                f"{LOWEST_PARTIAL} to {HIGHEST_PARTIAL}"
            )
        if math.gcd(k, n) != 1:
            raise ValueError(f"{k}/{n} is not in lowest terms; Node.of reduces it")

    @classmethod
    def of(cls, k: int, n: int) -> Node:
        """The node at k/n, reduced: `Node.of(2, 4)` is 1/2. ValueError unless 0 < k < n."""
        if not 0 < k < n:
            raise ValueError(f"{k}/{n} is not a node; a node is k/n with 0 < k < n")
        divisor = math.gcd(k, n)
        return cls(k // divisor, n // divisor)

    @classmethod
    def parse(cls, text: str) -> Node:
        """The node written `1/6`; ValueError for anything else."""
        numerator, slash, partial = text.strip().partition("/")
        k, n = whole_number(numerator), whole_number(partial)
        if not slash or k is None or n is None:
            raise ValueError(f"'{text[:40]}' is not a node; a node is written k/n, as in 1/6")
        return cls.of(k, n)

    @property
    def fraction(self) -> Fraction:
        """Distance from the nut as a fraction of the string length."""
        return Fraction(self.numerator, self.partial)

    @property
    def fret(self) -> float:
        """Position in equal-tempered frets: 12 log2(n / (n - k))."""
        return 12.0 * math.log2(self.partial / (self.partial - self.numerator))

    @property
    def label(self) -> str:
        """Position as tab writes it, one decimal, none where it would be 0: `12`, `7`, `3.2`, `2.7`."""
        return touch_label(self)

    @property
    def key(self) -> str:
        """Position as a fraction: `1/6`."""
        return f"{self.numerator}/{self.partial}"


@lru_cache(maxsize=64)
def nodes_upto(partial: int) -> tuple[Node, ...]:
    """Every node whose partial is at most `partial`, from nut to bridge; ValueError outside 2 to 32."""
    if not LOWEST_PARTIAL <= partial <= HIGHEST_PARTIAL:
        raise ValueError(f"partial {partial} is outside {LOWEST_PARTIAL} to {HIGHEST_PARTIAL}")
    nodes = (
        Node(k, n) for n in range(LOWEST_PARTIAL, partial + 1) for k in range(1, n) if math.gcd(k, n) == 1
    )
    return tuple(sorted(nodes, key=lambda node: node.fraction))


# A fret as text and as a number may be equal and yet mean different nodes (`Fraction(3.2)` is not quite 3.2).
@lru_cache(maxsize=1024, typed=True)
def nodes_at_label(fret: float | Fraction | Decimal | str) -> tuple[Node, ...]:
    """The nodes that a written fret may mean, the likeliest first; empty when it is none.

    1. Nodes whose label is that number to one decimal (`3.2`, `12`, `12.0`).
    2. A decimal (`3.16`): nodes within 0.06 fret.
    3. A whole number that is no label: nodes within half a fret. A usual node (partial 2 to 5) within a
       fifth of a fret is meant alone: `4` is 3.9 and `9` is 8.8. Otherwise all are given (`3`: 3.2 and 2.7;
       `10`: 10.2 and 9.7), and where that is only one, a neighbour less than a fret away with a lower partial
       is given too (`8`: 8.1 and 8.8).

    ValueError when `fret` is no number at or above 0.
    """
    exact = _fret_number(fret)
    nodes = nodes_upto(DEFAULT_PARTIAL)
    label = f"{float(exact):.1f}".removesuffix(".0")
    if exact * 10 == round(exact * 10):
        same = tuple(node for node in nodes if node.label == label)
        if same:
            return same

    def distance(node: Node) -> float:
        return abs(node.fret - float(exact))

    near = sorted(nodes, key=distance)
    if exact.denominator != 1:
        return tuple(node for node in near if distance(node) <= FRET_TOLERANCE)
    around = [node for node in near if distance(node) <= 0.5]
    usual = [node for node in around if node.partial <= COMMON_PARTIAL and distance(node) <= 0.2]
    if usual:
        return tuple(usual)
    if len(around) == 1:
        around += [node for node in near if 0.5 < distance(node) < 1.0 and node.partial < around[0].partial][
            :1
        ]
    return tuple(around)


def nodes_written(text: str, fret: int = 0) -> tuple[Node, ...]:
    """The nodes that a written touch may mean: the one of a part of the string (`1/6`), else those at a fret (`3.2`).

    On a string stopped at `fret` it is a part of what sounds beyond the stop, or a fret counted from the nut:
    `nodes_written("17", 5)` is the node an octave above the stop. ValueError when it is neither, or not past the stop.
    """
    if "/" in text:
        return (Node.parse(text),)
    past = _fret_number(text) - fret
    if fret and past <= 0:
        raise ValueError(f"fret {text} is not past the stop at {fret}")
    return nodes_at_label(past)


def touch_label(node: Node, fret: int = 0) -> str:
    """Where a finger touches, in frets from the nut, as tab writes it: `3.2`; `8.2` on a string stopped at 5."""
    return f"{fret + node.fret:.1f}".removesuffix(".0")


def nearest_nodes(fret: float) -> tuple[Node, ...]:
    """The two nodes nearest to a fret position, the nearer first."""
    return tuple(sorted(nodes_upto(DEFAULT_PARTIAL), key=lambda node: abs(node.fret - fret))[:2])


def _fret_number(fret: float | Fraction | Decimal | str) -> Fraction:
    try:
        # By way of its text, so that the float 3.2 is the number that was written.
        exact = fret if isinstance(fret, Fraction) else exact_number(str(fret))
    except ValueError:
        raise ValueError(f"'{str(fret)[:40]}' is not a fret; a fret is a number such as 7 or 3.2") from None
    if exact < 0:
        raise ValueError(f"fret {fret} is below 0, the nut")
    return exact
