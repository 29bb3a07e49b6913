"""A stiff, lossy string with a finger on it, stepped through time by finite differences; no code of the program.

The equation of motion, per length, with rho the mass per length and T the tension,

    rho u_tt = T u_xx - E u_xxxx - 2 rho b1 u_t + 2 rho b3 u_txx - r(x) u_t,

both ends hinged, by the usual explicit scheme (S. Bilbao, Numerical Sound Synthesis, ch. 6 and 7, from memory): centred
differences, the b3 term backward in time, the dashpots r(x) and b1 centred. Lengths are in string lengths, so that
T / rho = (2 f0)^2 and the stiff string's partial n has f0 n sqrt(1 + B n^2) where E / rho = (2 f0)^2 B / pi^2.
"""

from __future__ import annotations

import math

import numpy as np

CELLS = 200


def levels_after_touch(
    open_hz: float,
    at: float,
    width: float,
    pressure: float,
    seconds: float,
    pluck: float,
    stiffness_b: float = 0.0,
    losses: tuple[float, float] = (0.0, 0.0),
    partials: int = 16,
    cells: int = CELLS,
) -> np.ndarray:
    """Velocity of each partial when the finger is lifted, in units in which a pluck gives partial m sin(pi m p) / m.

    `at` from the nut, `pluck` from the bridge, `width` in string lengths; `losses` are b1 and b3 of the decay rate
    b1 + b3 f^2; `pressure` is the finger's whole resistance over twice the wave impedance.
    """
    speed, step = 2.0 * open_hz, 1.0 / cells
    stiff = speed**2 * stiffness_b / np.pi**2
    b1, b3 = losses[0], losses[1] * (speed / (2.0 * np.pi)) ** 2
    time = step / speed
    while _too_long(time, step, speed, stiff, b3):
        time *= 0.995
    steps = int(np.ceil(seconds / time))
    time = seconds / steps
    x = np.arange(cells + 1) * step
    # Its resistance is 2 P Z = 2 P rho c. Hat functions of a cell's width smear it by sqrt(2) cells.
    narrow = np.sqrt(max(width**2 - 2.0 * step**2, 0.0)) + 1e-9
    covered = _hats((at + narrow / 2 - x) / step) - _hats((at - narrow / 2 - x) / step)
    drag = 2.0 * pressure * speed * covered / covered.sum() / step
    centred = (drag + 2.0 * b1) * time / 2.0
    u = _triangle(x, pluck, cells)
    before = u.copy()
    # The string starts at rest: half a step's acceleration.
    before += 0.5 * time**2 * _pull(u, speed, stiff, step)
    for _ in range(steps):
        rate = (_second(u, step) - _second(before, step)) / time
        force = _pull(u, speed, stiff, step) + 2.0 * b3 * rate
        after = (2.0 * u - before + centred * before + time**2 * force) / (1.0 + centred)
        after[0] = after[-1] = 0.0
        before, u = u, after
    velocity, middle = (u - before) / time, (u + before) / 2.0
    levels = []
    for m in range(1, partials + 1):
        shape = 2.0 * step * np.sin(np.pi * m * x)
        turn = 2.0 * np.pi * open_hz * m * np.sqrt(1.0 + stiffness_b * m * m)
        levels.append(np.hypot(turn * shape @ middle, shape @ velocity) / (2.0 * np.pi * open_hz))
    return np.array(levels)


def _hats(at: np.ndarray) -> np.ndarray:
    """The integral of the hat function, which rises from -1 to 0 and falls to 1, up to `at`."""
    at = np.clip(at, -1.0, 1.0)
    return np.where(at < 0.0, (1.0 + at) ** 2 / 2.0, 1.0 - (1.0 - at) ** 2 / 2.0)


def _too_long(time: float, step: float, speed: float, stiff: float, b3: float) -> bool:
    """Whether the scheme is unstable with this step of time (von Neumann's condition)."""
    waves = (speed * time) ** 2 + 4.0 * b3 * time
    return waves + math.sqrt(waves**2 + 16.0 * stiff * time**2) > 2.0 * step**2


def _triangle(x: np.ndarray, pluck: float, cells: int) -> np.ndarray:
    """The string pulled aside, so that partial m has sin(pi m p) / m^2; smooth enough for the cells."""
    orders = np.arange(1, cells // 4)
    shape: np.ndarray = np.sin(np.pi * np.outer(x, orders)) @ (
        np.sin(np.pi * orders * (1.0 - pluck)) / orders**2
    )
    return shape


def _second(u: np.ndarray, step: float) -> np.ndarray:
    out = np.zeros_like(u)
    out[1:-1] = (u[2:] - 2.0 * u[1:-1] + u[:-2]) / step**2
    return out


def _pull(u: np.ndarray, speed: float, stiff: float, step: float) -> np.ndarray:
    bend = _second(u, step)
    return speed**2 * bend - (stiff * _second(bend, step) if stiff else 0.0)
