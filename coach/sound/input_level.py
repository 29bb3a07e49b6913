"""How a microphone hears: level, clipping, hum of the mains, silence; and what to do about each.

Levels are decibels of full scale (dBFS): 0 is the largest sample that there is. Mains hum stands at 50 or 60 Hz and
whole multiples (IEC 60038 gives both frequencies).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from coach.sound.player import Pcm

FLOOR_DB = -120.0
CLIPPED_AT = 0.999
"""Of full scale; the largest sample of 16 bits is 0.99997."""
FEWEST_CLIPPED = 3
SILENT_DB = -90.0
"""A muted or unplugged input gives zeros or the last bit's noise; a microphone in a quiet room gives more."""
QUIET_DB = -45.0
"""Peaks of playing below this are far from what an input can take."""
HUM_DB = -70.0
HUM_SHARE = 0.5
"""Mains lines are called hum where they carry so much of what is heard below 1 kHz."""
_HARMONICS = 8
_LINE_HZ = 0.7
_TOP_HZ = 1000.0


@frozen
class InputLevel:
    """What a few seconds of an input hold."""

    peak_db: float
    level_db: float
    """Root mean square."""
    clipped: int
    """Samples at full scale."""
    mains_hz: int
    """50 or 60 where the mains hums; 0 where it does not."""
    hum_db: float
    """Root mean square of what stands on the lines of that frequency, or, where none hums, of the likelier."""

    @property
    def silent(self) -> bool:
        return self.peak_db < SILENT_DB


def is_silent(heard: NDArray[np.floating]) -> bool:
    """Whether an input gave nothing, muted or unplugged."""
    return _db(float(np.abs(heard).max(initial=0.0))) < SILENT_DB


def level_of(heard: Pcm, rate_hz: int) -> InputLevel:
    """The level of at least a second; hum is told from a low string only where nothing is played, or by 3 s or more."""
    peak = float(np.abs(heard).max(initial=0.0))
    mains_hz, hum_power = _hum(heard, rate_hz)
    return InputLevel(
        _db(peak),
        _db(float(np.sqrt(np.mean(np.square(heard, dtype=np.float64)))) if len(heard) else 0.0),
        int(np.count_nonzero(np.abs(heard) >= CLIPPED_AT)),
        mains_hz,
        _db(float(np.sqrt(hum_power))),
    )


def advice(level: InputLevel, playing: bool) -> str:
    """What is wrong with an input in one sentence, the worst first; empty where nothing is.

    `playing` is whether the strings were played meanwhile: only then is a low level a fault.
    """
    if level.silent:
        return "Silence: is the microphone muted, or unplugged?"
    if level.clipped >= FEWEST_CLIPPED:
        return "Too loud, it clips: turn the input down."
    if level.mains_hz:
        hum = f"It hums at {level.mains_hz} Hz, {level.hum_db:.0f} dB of full scale"
        return f"{hum}: try another cable, or sit further from the power supply."
    if playing and level.peak_db < QUIET_DB:
        return "Very soft: turn the input up, or move the microphone closer."
    return ""


def advice_after(whole: InputLevel, quietest: InputLevel) -> str:
    """The same of a stretch in which something was played; hum is judged in its quietest part."""
    words = advice(whole, playing=True)
    # Between notes an input with a noise gate gives nothing at all.
    if whole.clipped or whole.silent or quietest.silent:
        return words
    return advice(quietest, playing=False) or words


def _hum(heard: Pcm, rate_hz: int) -> tuple[int, float]:
    """(50, 60 or 0, power of its lines) from a Hann-windowed spectrum below 1 kHz."""
    if len(heard) < rate_hz:
        return 0, 0.0
    window = np.hanning(len(heard))
    spectrum = np.square(np.abs(np.fft.rfft(heard * window))) * 2 / (len(heard) * np.sum(window**2))
    hz = np.fft.rfftfreq(len(heard), 1 / rate_hz)
    below = float(np.sum(spectrum[(hz > 20) & (hz < _TOP_HZ)]))
    best, power = 0, 0.0
    for mains_hz in (50, 60):
        away = np.abs(hz - mains_hz * np.round(hz / mains_hz))
        lines = (away < _LINE_HZ) & (hz > mains_hz / 2) & (hz < (_HARMONICS + 0.5) * mains_hz)
        here = float(np.sum(spectrum[lines]))
        if here > power:
            best, power = mains_hz, here
    hums = power > HUM_SHARE * below and _db(float(np.sqrt(power))) > HUM_DB
    return (best, power) if hums else (0, power)


def _db(amplitude: float) -> float:
    return max(20.0 * float(np.log10(amplitude)), FLOOR_DB) if amplitude > 0 else FLOOR_DB
