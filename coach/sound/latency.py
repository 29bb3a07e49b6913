"""How late sound is: by listening to it where there is an input, and by tapping along.

The engine reckons with what is queued in the device. Recording its click shows what comes on top, which holds the
input's own delay too and so is an upper bound. Taps come before the click that they are meant for, by 20 to 80 ms
(Repp, Psychon. Bull. Rev. 12 (2005) 969, from memory): half-way, `TAP_LEAD_S`, is taken off, which leaves some 30 ms
of doubt.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError
from coach.sound.capture import Capture, CaptureState
from coach.sound.player import now_s
from coach.sound.timeline import Strike

if TYPE_CHECKING:
    from coach.sound.engine import Engine

TAP_LEAD_S = 0.05
FEWEST_TAPS = 8
WIDEST_SPREAD_S = 0.06

_STRIKES_S = (0.5, 1.0, 1.5, 2.0, 2.5)
_LENGTH_S = 3.5
_REACH_S = 0.24
"""Less than half of what is between two clicks."""


@frozen
class Late:
    """How much later than reckoned clicks were heard, by a player or a microphone."""

    offset_s: float
    """In the middle; of a microphone with card, air and input."""
    spread_s: float
    """Median distance from that."""

    @classmethod
    def of(cls, late_s: Sequence[float]) -> Late:
        middle = statistics.median(late_s)
        return cls(middle, statistics.median(abs(one - middle) for one in late_s))


def offset_from_taps(taps_s: Sequence[float], strikes_s: Sequence[float]) -> Late:
    """The player's offset from taps, both in seconds of the engine's position with no offset set.

    Each tap belongs to the nearest strike. CoachError for fewer than eight taps or for taps too far apart to tell.
    """
    if not strikes_s:
        raise CoachError("no click could be played to tap to")
    distances = [min((tap - strike for strike in strikes_s), key=abs) for tap in taps_s]
    if len(distances) < FEWEST_TAPS:
        raise CoachError(f"{len(distances)} taps; at least {FEWEST_TAPS} are needed")
    taps = Late.of(distances)
    if taps.spread_s > WIDEST_SPREAD_S:
        raise CoachError(
            f"the taps lie {taps.spread_s * 1000:.0f} ms apart; for an offset at most {WIDEST_SPREAD_S * 1000:.0f} ms",
            guess="tap with the click, not after it",
        )
    return Late(taps.offset_s + TAP_LEAD_S, taps.spread_s)


def measure_loop(engine: Engine, name: str) -> Late:
    """Play clicks and listen for them at an input (empty: the system's); takes four seconds.

    CoachError where there is no input, or it hears nothing.
    """
    import numpy as np

    from coach.sound.render import click_shape, render_clicks

    strikes = render_clicks(
        [Strike(at_s) for at_s in _STRIKES_S], engine.rate, round(_LENGTH_S * engine.rate)
    )
    shape = np.asarray(click_shape("wood", "beat", engine.rate))
    with Capture(name, engine.rate) as capture:
        while capture.status.state is CaptureState.OPENING:
            time.sleep(0.05)
        if not capture.listening:
            raise CoachError(capture.status.why, guess="coach sound lists the inputs")
        engine.play(strikes)
        while not engine.finished:
            time.sleep(0.05)
        start_s = now_s() - engine.position_s
        found = [capture.click_delay_s(shape, start_s + at_s, _REACH_S) for at_s in _STRIKES_S]
    delays_s = [delay_s for delay_s in found if delay_s is not None]
    if len(delays_s) < 3:
        raise CoachError(
            "the input heard no clear click", guess="is the microphone near the speaker, and not muted?"
        )
    return Late.of(delays_s)
