"""One harmonic as the touch leaves it: ringing under a usual one, choked under a slip.

`coach.strings.touch` gives what each partial has left when the finger is lifted; until then it falls by a constant
factor a second from what the pluck gave it, which is heard as the thud of a choke. From the lift on each partial dies
away by the string's own losses. The same pluck gives both, so that the choke is softer by what the touch takes.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from coach.sound.levels import fade_edges, limit
from coach.sound.tones import ATTACK_S, RELEASE_S, damped_sines, speaking_place
from coach.strings.node import Node
from coach.strings.plucked import PluckedString, decay_per_s
from coach.strings.touch import Touch, choke_at, strengths, usual_touch_s

if TYPE_CHECKING:
    from coach.sound.player import Pcm

RING_S = 2.5
"""How long each of the two is heard."""
PAUSE_S = 0.5
THUD_PEAK = 0.6
"""Of the pluck, before the limiter takes its edge: a high harmonic is far softer than the thud under the finger."""
_LEAST = 1e-6


def ringing_then_choked(string: PluckedString, node: Node, rate: int) -> Pcm:
    """The node under a usual touch, a pause, and the same pluck under a slip that chokes it; mono.

    It is plucked and picked up where this partial speaks.
    """
    string = replace(
        string,
        pluck=speaking_place(string.pluck, node.partial),
        pickup=speaking_place(string.pickup, node.partial),
    )
    usual = Touch(float(node.fraction), seconds=usual_touch_s(string))
    ring, choke = (_heard(string, touch, rate) for touch in (usual, choke_at(string, node)))
    whole = np.concatenate((ring, np.zeros(round(PAUSE_S * rate), dtype=np.float32), choke))
    return limit(whole * np.float32(THUD_PEAK / max(float(np.abs(whole).max()), _LEAST)))


def _heard(string: PluckedString, touch: Touch, rate: int) -> Pcm:
    """One pluck with a finger on the string, as a pickup hears it."""
    left = np.array(strengths(string, touch))
    m = np.arange(1, len(left) + 1)
    hz = np.array([string.hz(int(one)) for one in m])
    pluck = np.sin(math.pi * m * string.pluck) / m
    plucked = np.maximum(np.abs(pluck), _LEAST)
    own = np.array([decay_per_s(one) for one in hz])
    damped = -np.log(np.clip(left / plucked, _LEAST, 1.0)) / touch.seconds
    audible = hz < 0.45 * rate
    level = (pluck * np.sin(math.pi * m * string.pickup))[audible]
    turn = 2j * math.pi * hz[audible] / rate
    under = round(touch.seconds * rate)
    fall = turn - damped[audible] / rate
    wave = np.concatenate(
        (
            damped_sines(level, fall, under),
            damped_sines(level * np.exp(fall * under), turn - own[audible] / rate, round(RING_S * rate)),
        )
    )
    fade_edges(wave, rate, ATTACK_S, RELEASE_S)
    return wave
