"""Where a string's partial must lie, from those of its partials that no partial of the other string comes near.

Two strings ring whose partials p and q meet. Partials that are no multiple of p belong to the lower string alone, those
that are no multiple of q to the higher: even a clean touch leaves traces of them. (f_m / m)^2 = f0^2 + f0^2 B m^2 is a
straight line in m^2 (Fletcher, JASA 36 (1964) 203), fitted by weighted least squares with outliers left out, and read
at the partial that is asked for.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.spectrum import LEAST_HEIGHT, Spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Values = NDArray[np.float64]

SEARCH_CENTS = 70.0
HIGHEST = 12
LEAST_PARTIALS = 2
STIFFEST_B = 3e-4
"""Spread of B over strings, for those whose partials do not tell it: a bass's low string has about as much."""
PEAK_ERROR = 3e-5
"""A partial's frequency may be off the line by such a share whatever the noise: polarisations, soft supports."""
_GRID_B = (0.0, *np.geomspace(1e-5, 1.5e-3, 20))


@frozen
class Expected:
    """Where one partial lies, and how well that is known."""

    hz: float
    error_hz: float
    usual_level: float
    """The median of all that were looked for, in the spectrum's unit; what is not heard has none."""


def expected_partial(spectrum: Spectrum, open_hz: float, partial: int) -> Expected | None:
    """Where `partial` of a string near `open_hz` lies, by those that are no multiple of it; None if unclear."""
    numbers = np.array([m for m in range(1, HIGHEST + 1) if m % partial], dtype=float)
    if not len(numbers):
        return None
    f0_hz, b = _best_on_grid(spectrum, open_hz, numbers)
    peaks = []
    for m in numbers:
        hz = m * f0_hz * math.sqrt(1.0 + b * m * m)
        peak = spectrum.peak(hz, max(0.8, 0.0012 * hz))
        if peak and peak[1] > LEAST_HEIGHT:
            peaks.append((m, *peak))
    if len(peaks) < LEAST_PARTIALS:
        return None
    heard = spectrum.level[spectrum.places(np.array([hz for _m, hz, _height in peaks]))]
    usual_level = float(np.median([*heard, *np.zeros(len(numbers) - len(heard))]))
    return _line(np.array(peaks), open_hz, partial, usual_level)


def _best_on_grid(spectrum: Spectrum, open_hz: float, numbers: Values) -> tuple[float, float]:
    """f0 and B at which the most of these partials stand out."""
    floor = float(np.median(spectrum.level[: spectrum.places(np.array([3000.0]))[0]])) + 1e-30
    # The logarithm keeps one loud partial of another string from deciding alone.
    clear = np.log1p(np.square(spectrum.level / (6.0 * floor)))
    f0_hz = open_hz * 2.0 ** (np.arange(-SEARCH_CENTS, SEARCH_CENTS + 0.5) / 1200.0)
    stretched = numbers * np.sqrt(1.0 + np.array(_GRID_B)[:, None, None] * numbers**2)
    scores = clear[spectrum.places(f0_hz[:, None] * stretched)].sum(axis=2)
    b, at = np.unravel_index(int(np.argmax(scores)), scores.shape)
    return float(f0_hz[at]), float(_GRID_B[b])


def _line(peaks: Values, open_hz: float, partial: int, usual_level: float) -> Expected | None:
    m, hz, height = peaks.T
    # The error of a peak falls with its height; 0.45 Hz at height 1 is a 3 s Hann window's.
    errors_hz = np.hypot(0.45 / height, PEAK_ERROR * hz)
    squares, scale = np.square(hz / m), 2.0 * hz / m**2 * errors_hz
    rows = np.stack([np.ones_like(m), m**2], axis=1) / scale[:, None]
    # A last row holds what is known of B where partials are few.
    usual = np.array([0.0, 1.0 / (open_hz**2 * STIFFEST_B)])
    kept = np.ones(len(m), dtype=bool)
    for _ in range(4):
        design = np.vstack([rows[kept], usual])
        spread = np.linalg.inv(design.T @ design)
        fit = spread @ (design.T @ np.append((squares / scale)[kept], 0.3))
        off = (squares - fit[0] - fit[1] * m**2) / scale
        fresh = np.abs(off) < max(3.5, 2.0 * float(np.median(np.abs(off[kept]))))
        if fresh.sum() < LEAST_PARTIALS or bool((fresh == kept).all()):
            break
        kept = fresh
    at = np.array([1.0, float(partial) ** 2])
    squared = partial**2 * float(at @ fit)
    if squared <= 0.0:
        return None
    misfit = max(1.0, float(np.sum(off[kept] ** 2)) / max(int(kept.sum()) - 1, 1))
    found_hz = math.sqrt(squared)
    error_hz = partial**2 * math.sqrt(float(at @ spread @ at) * misfit) / (2.0 * found_hz)
    return Expected(found_hz, error_hz, usual_level)
