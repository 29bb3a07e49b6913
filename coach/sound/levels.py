"""How loud anything may be: levels, faded edges and the limiter that makes loud peaks impossible.

Signals up to `KNEE` pass untouched; above it a smooth curve bends them so that none is beyond `CEILING`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from coach.sound.player import Pcm

CEILING = 0.5
"""No sample is beyond this share of full scale (-6 dBFS)."""
KNEE = 0.35


def amplitude(level_db: float) -> float:
    """The factor of a level in decibels: 10^(dB/20)."""
    return float(10.0 ** (level_db / 20.0))


def fade_edges(
    wave: NDArray[Any], rate: int, in_s: float, out_s: float, first: int = 0, length: int | None = None
) -> None:
    """Fade the first `in_s` and the last `out_s` seconds in place, by half a raised cosine.

    `wave` may be a part of what is faded: its samples from `first` on, of `length`.
    """
    length = len(wave) if length is None else length
    for seconds, before, part in ((in_s, first, wave), (out_s, length - first - len(wave), wave[::-1])):
        count = min(round(seconds * rate), length)
        if before < count:
            ramp = _ramp(count)[before:][: len(part)]
            part[: len(ramp)] *= ramp


@lru_cache(maxsize=16)
def _ramp(count: int) -> NDArray[Any]:
    return 0.5 - 0.5 * np.cos(np.pi * np.arange(count) / count)


def limit(pcm: Pcm) -> Pcm:
    """`pcm` with no sample beyond `CEILING`, changed in place: untouched up to `KNEE`, bent smoothly above.

    Above the knee: KNEE + (CEILING - KNEE) tanh((|x| - KNEE) / (CEILING - KNEE)); a sample that is not a
    number becomes silence.
    """
    size = np.abs(pcm)
    loud = ~(size <= KNEE)
    if loud.any():
        room = CEILING - KNEE
        # tanh is 1 long before: absurdly large samples would overflow on the way there.
        over = np.minimum(size[loud], 100 * CEILING) - KNEE
        bent = KNEE + room * np.tanh(over / room)
        pcm[loud] = np.nan_to_num(np.copysign(bent, pcm[loud]))
        np.clip(pcm, -CEILING, CEILING, out=pcm)
    return pcm
