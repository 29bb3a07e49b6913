"""What two hands can do at one moment: the rules that the node search and the checker share.

Conventions: mm from the nut; fretting fingers are `1` (index) to `4` (little finger) and `T`, the thumb; no finger is
an empty text. Common practice, no source: fingers lie in order along the neck, the index nearest the nut; each is at
one place, where it may lie across several strings. A plucking hand that touches a node with one finger has the rest of
itself at that string: it strikes no other string at that moment.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

from coach.ground.frozen import frozen

FINGERS = "1234"
THUMB = "T"
ONE_PLACE_MM = 9.0
"""A finger's breadth: what lies no further apart is one place. Our own, uncalibrated."""


@frozen
class Finger:
    """A place that the fretting hand needs at one moment, and the finger that is to be there, if one is named."""

    mm: float
    finger: str = ""
    text: str = ""
    """The note as the player knows it: `D:<3.2>`."""


def plucks(struck: int, touching: int) -> bool:
    """Whether the plucking hand can strike so many strings at once while it touches nodes on some of them."""
    return touching == 0 or struck == 1


def finger_fault(places: Sequence[Finger]) -> str:
    """Why the fretting hand can't be at all these places at once, or nothing."""
    named = sorted((place for place in places if place.finger not in ("", THUMB)), key=lambda place: place.mm)
    for near, far in itertools.combinations(named, 2):
        if far.mm - near.mm <= ONE_PLACE_MM:
            continue
        if near.finger == far.finger:
            return f"finger {near.finger} is needed at {near.text} and at {far.text} at once"
        if near.finger > far.finger:
            return (
                f"finger {near.finger} at {near.text} would be behind finger {far.finger} at {far.text}: "
                "fingers go in order along the neck"
            )
    if not _fingers_suffice(places):
        listed = ", ".join(place.text for place in sorted(places, key=lambda place: place.mm))
        return (
            f"{listed}: no finger is left for one of these places, since fingers go in order along the neck"
        )
    return ""


def _fingers_suffice(places: Sequence[Finger]) -> bool:
    """Whether fingers in order can be at all the places, the named ones where they are named; the thumb needs none."""
    last = 0
    for _start_mm, named in _spots(places):
        if named and min(named) <= last:
            return False
        last = max(named, default=last + 1)
    return last <= len(FINGERS)


def _spots(places: Sequence[Finger]) -> list[tuple[float, list[int]]]:
    """Places no further apart than a finger's breadth as one: where it starts and which fingers are named there."""
    spots: list[tuple[float, list[int]]] = []
    for place in sorted(places, key=lambda place: place.mm):
        if place.finger == THUMB:
            continue
        if not spots or place.mm - spots[-1][0] > ONE_PLACE_MM:
            spots.append((place.mm, []))
        spots[-1][1].extend(int(finger) for finger in place.finger)
    return spots
