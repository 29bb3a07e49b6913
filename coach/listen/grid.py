"""Roughly where a string's frequency and stiffness lie: where most of its first partials stand in a spectrum."""

from __future__ import annotations

import numpy as np

from coach.listen.spectrum import Spectrum
from coach.strings.units import stiffening

STIFFEST_B = 3e-4
"""Spread of Fletcher's B over strings: a bass's low string has about as much."""
_GRID_B = (0.0, *np.geomspace(1e-5, 2e-3, 22))
_PARTIALS = 12
_TOP_HZ = 3000.0


def best_on_grid(spectrum: Spectrum, open_hz: float, search_cents: float) -> tuple[float, float]:
    """f0, within `search_cents` of `open_hz`, and B at which most of twelve partials m f0 sqrt(1 + B m^2) stand out.

    Of values that explain as much, the smaller B.
    """
    floor = float(np.median(spectrum.level[: spectrum.places(np.array([_TOP_HZ]))[0]])) + 1e-30
    # The logarithm keeps one loud partial of another string from deciding alone.
    clear = np.log1p(np.square(spectrum.level / (6.0 * floor)))
    f0_hz = open_hz * 2.0 ** (np.arange(-search_cents, search_cents + 0.5) / 1200.0)
    numbers, b = np.arange(1.0, _PARTIALS + 1.0), np.array(_GRID_B)
    hz = f0_hz[:, None] * (numbers * stiffening(numbers, b[:, None, None]))
    scores = np.where(hz < _TOP_HZ, clear[spectrum.places(hz)], 0.0).sum(axis=2) - b[:, None] / STIFFEST_B
    at_b, at = np.unravel_index(int(np.argmax(scores)), scores.shape)
    return float(f0_hz[at]), float(b[at_b])
