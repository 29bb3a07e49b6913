"""How late sound is: by listening to it where there is an input, and by tapping along.

The engine reckons with what is queued in the device. Recording its click shows what comes on top, which holds the
input's own delay too and so is an upper bound. Taps come before the click that they are meant for, by 20 to 80 ms
(Repp, Psychon. Bull. Rev. 12 (2005) 969, from memory): half-way, `TAP_LEAD_S`, is taken off, which leaves some 30 ms
of doubt.
"""

from __future__ import annotations

import statistics
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from coach.ground.problem import CoachError, Problem
from coach.sound.device import hush_libraries
from coach.sound.player import now_s
from coach.sound.timeline import Strike

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from coach.sound.engine import Engine

    Pcm = NDArray[np.float32]

TAP_LEAD_S = 0.05
FEWEST_TAPS = 8
WIDEST_SPREAD_S = 0.06

_STRIKES_S = (0.5, 1.0, 1.5, 2.0, 2.5)
_LENGTH_S = 3.5
_REACH_S = 0.45
_CLEAR = 6.0
"""A click in a recording stands out from what is around it by this factor."""


@dataclass(frozen=True, slots=True)
class TapResult:
    """What tapping along has shown."""

    offset_s: float
    """How much later than reckoned the player hears."""
    spread_s: float
    """Median distance of the taps from their middle."""
    taps: int


def offset_from_taps(taps_s: Sequence[float], strikes_s: Sequence[float]) -> TapResult:
    """The player's offset from taps, both in seconds of the engine's position with no offset set.

    Each tap belongs to the nearest strike. CoachError for fewer than eight taps or for taps too far apart to tell.
    """
    if not strikes_s:
        raise CoachError(Problem("there was no click to tap to"))
    distances = [min((tap - strike for strike in strikes_s), key=abs) for tap in taps_s]
    if len(distances) < FEWEST_TAPS:
        raise CoachError(Problem(f"found {len(distances)} taps, at least {FEWEST_TAPS} are needed"))
    middle = statistics.median(distances)
    spread = statistics.median(abs(distance - middle) for distance in distances)
    if spread > WIDEST_SPREAD_S:
        raise CoachError(
            Problem(
                f"the taps lie {spread * 1000:.0f} ms apart, at most {WIDEST_SPREAD_S * 1000:.0f} ms tell an offset",
                guess="tap with the click, not after it",
            )
        )
    return TapResult(middle + TAP_LEAD_S, spread, len(distances))


@dataclass(frozen=True, slots=True)
class LoopResult:
    """What a recording of the click has shown."""

    extra_s: float
    """From the moment that the engine reckons with to the recording: card, air and input."""
    spread_s: float
    clicks: int


class Recorder:
    """The system's default input, mono, with the moment at which each block came. Raises CoachError without one."""

    def __init__(self, rate: int) -> None:
        import miniaudio

        hush_libraries()
        self.rate = rate
        self._blocks: list[tuple[float, bytes]] = []
        self._lock = threading.Lock()
        self._device: Any = None
        backends = [one for one in miniaudio.Backend if one.name not in ("NULL", "CUSTOM")]
        for backend in backends:
            try:
                if not miniaudio.Devices([backend]).get_captures():
                    continue
                self._device = miniaudio.CaptureDevice(
                    miniaudio.SampleFormat.FLOAT32, 1, rate, 10, backends=[backend], app_name="Wellrung"
                )
                break
            except miniaudio.MiniaudioError:
                continue
        if self._device is None:
            raise CoachError(
                Problem("no input to record with: the latency beyond the queue can't be measured")
            )
        keep = self._keep()
        next(keep)
        self._device.start(keep)

    def _keep(self) -> Any:
        while True:
            block = yield
            stamp = now_s()
            with self._lock:
                self._blocks.append((stamp, bytes(block)))

    def close(self) -> tuple[Pcm, Callable[[int], float]]:
        """Stop; the samples, and a function from a sample's index to the earliest moment at which it can have come."""
        import numpy as np

        self._device.close()
        with self._lock:
            blocks = list(self._blocks)
        samples = np.frombuffer(b"".join(block for _, block in blocks), dtype=np.float32)
        done, anchors = 0, []
        for stamp, block in blocks:
            done += len(block) // 4
            anchors.append(stamp - done / self.rate)
        anchor = min(anchors[len(anchors) // 4 :], default=0.0)
        return samples, lambda index: anchor + index / self.rate


def measure_loop(engine: Engine) -> LoopResult:
    """Play clicks and listen for them; takes four seconds. CoachError where nothing is heard."""
    import numpy as np

    from coach.sound.render import click_shape, render_clicks

    recorder = Recorder(engine.rate)
    engine.play(
        render_clicks([Strike(at_s) for at_s in _STRIKES_S], engine.rate, round(_LENGTH_S * engine.rate))
    )
    while not engine.finished:
        time.sleep(0.05)
    start_s = now_s() - engine.position_s
    samples, moment_of = recorder.close()
    shape = np.asarray(click_shape("wood", "beat", engine.rate))
    delays_s = []
    for strike_s in _STRIKES_S:
        due_s = start_s + strike_s
        first = max(round((due_s - _REACH_S - moment_of(0)) * engine.rate), 0)
        last = round((due_s + _REACH_S - moment_of(0)) * engine.rate)
        piece = samples[first : last + len(shape)]
        if len(piece) <= len(shape):
            continue
        likeness = np.abs(np.correlate(piece, shape, "valid"))
        best = int(np.argmax(likeness))
        if likeness[best] > _CLEAR * max(float(np.median(likeness)), 1e-6):
            delays_s.append(moment_of(first + best) - due_s)
    if len(delays_s) < 3:
        raise CoachError(
            Problem(
                "the input heard no clear click", guess="is the microphone near the speaker, and not muted?"
            )
        )
    middle = statistics.median(delays_s)
    spread = statistics.median(abs(one - middle) for one in delays_s)
    return LoopResult(middle, spread, len(delays_s))
