"""Strings as physics has them: partials, losses, plucks, touching fingers, and what a bridge passes on.

A string is pinned at both ends. Its displacement is a sum of modes q_n(t) sin(n pi x / L), x from the bridge, for two
polarisations. A mode is kept as a complex number a = q - i p with q' = -sigma q + omega p, so that it turns freely as
exp((-sigma + i omega) t), and a kick of its velocity by dv moves p by dv / omega, both exactly.

Partials: f_n = n f0 sqrt(1 + B n^2), B = pi^3 E d^4 / (64 T L^2) with the core's diameter d (H. Fletcher 1964,
J. Acoust. Soc. Am. 36(1), 203-209).
Losses: 1/Q = air + bending + a constant; air R / (2 pi mu f) with R = 2 pi eta + 2 pi d sqrt(pi eta rho f), bending
4 pi^2 mu E I delta f^2 / T^2 (C. Valette 1995, "The mechanics of vibrating strings", in Mechanics of Musical
Instruments, Springer; A. Paté, J.-L. Le Carrou and B. Fabre 2014, J. Acoust. Soc. Am. 135(5)). sigma = pi f / Q.
Pluck: a corner pulled at beta L and let go has modes 2 A sin(n pi beta) / (n^2 pi^2 beta (1 - beta)) (N. H. Fletcher
and T. D. Rossing 1998, The Physics of Musical Instruments, chapter 2), rounded by a finger's width.
Touch: a finger is a dashpot spread over its width: F = -R v at three points (chapter 2 again: a resistive load on a
string); it takes the modes that move there and spares those with a node there. Within a step of one sample the
dashpots act alone, exactly (matrix exponential), after a free turn: energy can only fall.
Bridge: its force T y' drives the other strings' ends through a small real admittance Y.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

CORE_RATE_HZ = 24_000
"""All strings are computed at this rate."""
_HIGHEST_HZ = 7_000.0
_MODES = 64
_SYMPATHY_HZ = 1_300.0
_BLOCK = 128
_YOUNG_PA, _BENDING_LOSS = 2.0e11, 4.5e-3
_AIR_VISCOSITY, _AIR_DENSITY = 1.8e-5, 1.2
_FINGER_POINTS = (-0.4, 0.0, 0.4)

Floats = NDArray[np.float64]
Modes = NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class String:
    """One string: `fundamental_hz` is f0 of the formula; lengths in m, tension in N, diameters in mm."""

    name: str
    fundamental_hz: float
    length_m: float
    tension_n: float
    core_mm: float
    diameter_mm: float
    loss: float
    """The constant part of 1/Q: the material's and the neck's."""
    dead_spots: tuple[float, ...] = ()
    """By how much more each mode loses, from the first."""

    @property
    def mass_kg_per_m(self) -> float:
        return self.tension_n / (2 * self.length_m * self.fundamental_hz) ** 2

    @property
    def impedance(self) -> float:
        """Its characteristic impedance sqrt(T mu), in kg/s."""
        return math.sqrt(self.tension_n * self.mass_kg_per_m)

    @property
    def stiffness_b(self) -> float:
        core_m = self.core_mm / 1000
        return math.pi**3 * _YOUNG_PA * core_m**4 / (64 * self.tension_n * self.length_m**2)

    @property
    def modes(self) -> int:
        """How many modes are computed: up to 7 kHz, at most 64."""
        numbers = np.arange(1, _MODES + 1)
        return int(np.sum(_stiff_hz(self.fundamental_hz, self.stiffness_b, numbers) < _HIGHEST_HZ))

    def partials_hz(self) -> Floats:
        return _stiff_hz(self.fundamental_hz, self.stiffness_b, np.arange(1, self.modes + 1))

    def decays_per_s(self) -> Floats:
        """sigma of each mode: its amplitude falls as exp(-sigma t)."""
        hz = self.partials_hz()
        diameter_m, core_m = self.diameter_mm / 1000, self.core_mm / 1000
        drag = (
            2
            * math.pi
            * (_AIR_VISCOSITY + diameter_m * np.sqrt(math.pi * _AIR_VISCOSITY * _AIR_DENSITY * hz))
        )
        air = drag / (2 * math.pi * self.mass_kg_per_m * hz)
        bent = _YOUNG_PA * math.pi * core_m**4 / 64
        bending = 4 * math.pi**2 * self.mass_kg_per_m * bent * _BENDING_LOSS * hz**2 / self.tension_n**2
        constant = np.full(hz.shape, self.loss)
        spots = np.array(self.dead_spots[: hz.size])
        constant[: spots.size] *= 1 + spots
        return np.asarray(math.pi * hz * (air + bending + constant))

    def shape(self, place: float) -> Floats:
        """sin(n pi x / L) at a part of the string, counted from the bridge."""
        return np.sin(np.arange(1, self.modes + 1) * math.pi * place)

    def fretted(self, fret: int) -> String:
        """The string stopped at a fret of equal temperament: shorter, so higher and stiffer."""
        shorter = 2 ** (-fret / 12)
        return replace(self, fundamental_hz=self.fundamental_hz / shorter, length_m=self.length_m * shorter)


def _stiff_hz(fundamental_hz: float, stiffness_b: float, numbers: NDArray[np.int_]) -> Floats:
    return np.asarray(numbers * fundamental_hz * np.sqrt(1 + stiffness_b * numbers**2))


@dataclass(frozen=True, slots=True)
class Contact:
    """A finger on a string from `start` to `stop` (samples): `place` from the bridge, resistance in kg/s."""

    start: int
    stop: int
    place: float
    width_mm: float
    resistance: float


@dataclass(frozen=True, slots=True)
class Pluck:
    """A string let go at a sample: `height_mm` at `place` (part from the bridge), by a finger `width_mm` wide."""

    at: int
    place: float
    height_mm: float
    width_mm: float
    angle: float
    """Of the pull, in radians: 0 is the polarisation that the pickup hears best."""


@dataclass(frozen=True, slots=True)
class Ear:
    """Where a string is heard: a pickup's place (part from the bridge) and width, or the bridge's force (None)."""

    place: float | None
    width_mm: float = 0.0
    second: float = 0.3
    """How much of the second polarisation is heard."""
    split: float = 3e-4
    """By how much the second polarisation is higher: a ratio."""


class Ringing:
    """A string's modes as they go on in time. `turn` is lambda = -sigma + i omega of each mode, shape (2, modes)."""

    def __init__(self, string: String, split: float) -> None:
        self.string = string
        hz, decays = string.partials_hz(), string.decays_per_s()
        self.turn: Modes = np.stack(
            [-decays + 2j * math.pi * hz, -1.5 * decays + 2j * math.pi * hz * (1 + split)]
        )
        self.state: Modes = np.zeros_like(self.turn)

    def pluck(self, pluck: Pluck) -> None:
        """Add the shape of a string that is let go."""
        string = self.string
        numbers = np.arange(1, string.modes + 1)
        corner = 2 * string.shape(pluck.place) / (math.pi**2 * pluck.place * (1 - pluck.place) * numbers**2)
        rounded = np.exp(-((numbers * pluck.width_mm / 1000 / string.length_m) ** 2))
        along = np.array([math.cos(pluck.angle), math.sin(pluck.angle)])
        self.state = self.state + pluck.height_mm / 1000 * np.outer(along, corner * rounded)

    def free(self, samples: int, heard: Modes) -> Floats:
        """Ring freely; what the ears hear, shape (ears, samples). `heard` has shape (ears, 2, modes)."""
        blocks = -(-samples // _BLOCK)
        turn = self.turn.ravel()
        within = np.exp(np.outer(turn, np.arange(_BLOCK) / CORE_RATE_HZ))
        real = np.vstack([within.real, -within.imag])
        starts = self.state.ravel() * np.exp(np.outer(np.arange(blocks) * (_BLOCK / CORE_RATE_HZ), turn))
        weighed = [starts * weight.ravel() for weight in heard]
        # The real part of a complex product, as one real product.
        sounds = [(np.hstack([one.real, one.imag]) @ real).ravel()[:samples] for one in weighed]
        self.state = self.state * np.exp(self.turn * (samples / CORE_RATE_HZ))
        return np.array(sounds)

    def touched(self, samples: int, contacts: Sequence[Contact], heard: Modes) -> Floats:
        """Ring under fingers; what the ears hear, shape (ears, samples).

        One step is a matrix; its powers take a block of some sqrt(samples) steps at once.
        """
        size = self.string.modes
        doublings = max(1, int(math.log2(samples) / 2))
        powers = [self._step(contacts)]
        ears = np.concatenate([heard.real, -heard.imag], axis=2).transpose(1, 0, 2)[:, None]
        for _ in range(doublings):
            ears = np.concatenate([ears, ears @ powers[-1][:, None]], axis=1)
            powers.append(powers[-1] @ powers[-1])
        block = 1 << doublings
        state = np.concatenate([self.state.real, self.state.imag], axis=1)[:, :, None]
        starts = []
        for _ in range(samples // block):
            starts.append(state)
            state = powers[-1] @ state
        starts.append(state)
        for bit in range(doublings):
            if samples >> bit & 1:
                state = powers[bit] @ state
        self.state = state[:, :size, 0] + 1j * state[:, size:, 0]
        sounds = np.einsum("pjed,pkdx->ekj", ears, np.stack(starts, axis=1), optimize=True)
        return np.asarray(sounds.reshape(len(heard), -1)[:, :samples])

    def _step(self, contacts: Sequence[Contact]) -> Floats:
        """A free turn of one sample and the fingers' kick, for (q, -p) of each polarisation: (2, 2 modes, 2 modes)."""
        felt, kick = self._dashpots(contacts)
        mixed = (felt @ kick).T
        steps = []
        for turn in self.turn:
            rotation = np.exp(turn / CORE_RATE_HZ)
            cosine, sine = np.diag(rotation.real), np.diag(rotation.imag)
            free = np.block([[cosine, -sine], [sine, cosine]])
            kicked = np.eye(2 * turn.size)
            kicked[turn.size :, : turn.size] += mixed * turn.real
            kicked[turn.size :, turn.size :] -= mixed * turn.imag
            steps.append(kicked @ free)
        return np.array(steps)

    def _dashpots(self, contacts: Sequence[Contact]) -> tuple[Floats, Floats]:
        """What the fingers feel of the velocities, shape (modes, points), and their kick of p, (points, modes)."""
        string = self.string
        rows = []
        for contact in contacts:
            for point in _FINGER_POINTS:
                place = contact.place + point * contact.width_mm / 1000 / string.length_m
                rows.append(string.shape(place) * math.sqrt(contact.resistance / len(_FINGER_POINTS)))
        points = np.array(rows)
        modal_mass = string.mass_kg_per_m * string.length_m / 2
        rates, ways = np.linalg.eigh(points @ points.T / modal_mass)
        step = 1 / CORE_RATE_HZ
        safe = np.maximum(rates, 1e-9)
        lost = (ways * (-np.expm1(-safe * step) / safe)) @ ways.T / modal_mass
        return points.T, lost @ points / self.turn.imag[0]


def heard_by(string: String, ear: Ear) -> Modes:
    """The weight of each mode in what an ear hears, (2, modes): velocity over a pickup, or force at the bridge."""
    ringing = Ringing(string, ear.split)
    numbers = np.arange(1, string.modes + 1)
    if ear.place is None:
        one = np.asarray(numbers * math.pi / string.length_m * string.tension_n, complex)
        both = np.stack([one, one])
    else:
        width = ear.width_mm / 1000 / string.length_m
        both = ringing.turn * string.shape(ear.place) * np.sinc(numbers * width / 2)
    return both * np.array([[1.0], [ear.second]])


def slope_at_bridge(string: String) -> Modes:
    """The weight of each mode in y' at the bridge, shape (2, modes)."""
    slope = np.arange(1, string.modes + 1) * math.pi / string.length_m
    return np.stack([slope, 0 * slope]).astype(complex)


def ring(
    string: String,
    split: float,
    samples: int,
    contacts: Sequence[Contact],
    plucks: Sequence[Pluck],
    heard: Modes,
) -> tuple[Floats, Modes]:
    """A string from rest through its contacts and plucks: what the ears hear, (ears, samples), and its last state.

    `heard` has shape (ears, 2, modes).
    """
    ringing = Ringing(string, split)
    times = {0, samples, *(pluck.at for pluck in plucks)}
    times |= {time for contact in contacts for time in (contact.start, contact.stop)}
    parts = []
    for start, stop in itertools.pairwise(sorted(time for time in times if 0 <= time <= samples)):
        for pluck in plucks:
            if pluck.at == start:
                ringing.pluck(pluck)
        active = [contact for contact in contacts if contact.start <= start and contact.stop >= stop]
        if active:
            parts.append(ringing.touched(stop - start, active, heard))
        else:
            parts.append(ringing.free(stop - start, heard))
    return np.concatenate(parts, axis=1), ringing.state


def in_sympathy(string: String, coupling: float, slope: Floats, heard: Modes) -> Floats:
    """What an open string rings when the others' slope at the bridge (samples,) drives its end; `coupling` is Y Z.

    The end moves with w' = Y T y'; seen from the moving end, mode n is pushed by (2 / (n pi)) w''.
    """
    ringing = Ringing(string, 0.0)
    push = np.diff(slope, prepend=0.0) * coupling * 2 * string.length_m * string.fundamental_hz
    sound = np.zeros(slope.shape)
    for mode in range(min(string.modes, int(_SYMPATHY_HZ / string.fundamental_hz))):
        turn = ringing.turn[0, mode]
        kick = push * (2 / ((mode + 1) * math.pi)) / turn.imag
        sound += (heard[0, mode] * lfilter([-1j], [1, -np.exp(turn / CORE_RATE_HZ)], kick)).real
    return sound
