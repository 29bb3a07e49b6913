"""The instruments of the two sets: none stands in both. Tensions, cores and losses are typical ones, from memory."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmarks.sounds.strings import Ear, String

A4_HZ = 440.0
_LETTERS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}


@dataclass(frozen=True, slots=True)
class Model:
    """An instrument: notes, tensions (N), cores and diameters (mm) from the lowest string; `length_mm` of all."""

    name: str
    notes: tuple[str, ...]
    length_mm: float
    tensions_n: tuple[float, ...]
    cores_mm: tuple[float, ...]
    diameters_mm: tuple[float, ...]
    loss: float
    ear: Ear
    pluck_place: tuple[float, float]
    """Nearest to and farthest from the bridge that it is plucked, as a part of the string."""
    height_mm: float
    """How far a plucked string is pulled at mezzoforte."""
    coupling: float
    """Bridge admittance times a string's impedance: how much it passes to other strings."""
    glide: float
    """By what ratio a mezzoforte pluck starts sharp; it goes with the square of the pull (Fletcher and Rossing,
    chapter 5: tension grows with amplitude squared)."""
    bowed: bool = False

    def strings(self, random: np.random.RandomState) -> tuple[String, ...]:
        """Its strings, lowest first, each up to 4 cents from equal temperament, with dead spots of its own."""
        rows = zip(self.notes, self.tensions_n, self.cores_mm, self.diameters_mm, strict=True)
        return tuple(self._string(row, random) for row in rows)

    def _string(self, row: tuple[str, float, float, float], random: np.random.RandomState) -> String:
        note, tension_n, core_mm, diameter_mm = row
        hz = note_hz(note) * 2 ** (random.uniform(-4, 4) / 1200)
        spots = tuple(float(spot) for spot in random.exponential(0.4, 24))
        return String(note, hz, self.length_mm / 1000, tension_n, core_mm, diameter_mm, self.loss, spots)


def note_hz(note: str) -> float:
    """Equal-tempered frequency of `E1`, `A4` = 440 Hz."""
    semitones = _LETTERS[note[0]] + 12 * (int(note[1:]) + 1) - 69
    return float(A4_HZ * 2 ** (semitones / 12))


_BASS_4, _BASS_5 = ("E1", "A1", "D2", "G2"), ("B0", "E1", "A1", "D2", "G2")
_GUITAR = ("E2", "A2", "D3", "G3", "B3", "E4")

TRAIN = (
    Model(
        "alder", _BASS_4, 864, (178, 188, 200, 190), (0.80, 0.68, 0.55, 0.45), (2.67, 2.0, 1.6, 1.1),
        1.1e-3, Ear(0.075, 20), (0.07, 0.16), 2.2, 2e-4, 1.2e-3,
    ),
    Model(
        "maple", _BASS_5, 889, (165, 185, 200, 210, 205), (0.92, 0.80, 0.66, 0.54, 0.44),
        (3.3, 2.67, 2.1, 1.65, 1.15), 1.6e-3, Ear(0.12, 30), (0.06, 0.2), 2.0, 3e-4, 0.8e-3,
    ),
    Model(
        "spruce", _GUITAR, 648, (78, 92, 98, 84, 72, 72), (0.44, 0.40, 0.34, 0.43, 0.33, 0.254),
        (1.17, 0.9, 0.66, 0.43, 0.33, 0.254), 1.0e-3, Ear(None), (0.1, 0.25), 1.0, 4e-4, 1.5e-3,
    ),
    Model(
        "poplar", _BASS_4, 762, (140, 150, 160, 150), (0.75, 0.62, 0.52, 0.42), (2.5, 1.95, 1.5, 1.05),
        2.4e-3, Ear(0.2, 40), (0.12, 0.28), 2.2, 2e-4, 2.0e-3,
    ),
    Model(
        "cello", ("C2", "G2", "D3", "A3"), 690, (135, 138, 140, 170), (0.6, 0.5, 0.42, 0.40),
        (1.7, 1.3, 0.95, 0.75), 2.5e-3, Ear(None), (0.1, 0.3), 1.0, 3e-4, 0.5e-3, bowed=True,
    ),
)  # fmt: skip
TEST = (
    Model(
        "ash", _BASS_4, 864, (160, 170, 182, 176), (0.86, 0.66, 0.58, 0.42), (2.54, 1.9, 1.5, 1.0),
        1.4e-3, Ear(0.145, 25), (0.05, 0.18), 2.4, 3e-4, 1.6e-3,
    ),
    Model(
        "walnut", _BASS_5, 864, (150, 172, 186, 196, 186), (0.88, 0.84, 0.70, 0.56, 0.46),
        (3.2, 2.6, 2.05, 1.6, 1.1), 2.0e-3, Ear(0.06, 15), (0.07, 0.22), 1.8, 2.5e-4, 1.0e-3,
    ),
    Model(
        "cedar", _GUITAR, 650, (70, 72, 76, 60, 58, 66), (0.36, 0.36, 0.30, 0.40, 0.30, 0.23),
        (1.1, 0.85, 0.7, 0.62, 0.5, 0.28), 2.2e-3, Ear(None), (0.08, 0.3), 1.2, 3e-4, 1.2e-3,
    ),
    Model(
        "teak", _BASS_4, 775, (130, 138, 150, 142), (0.82, 0.60, 0.50, 0.40), (2.6, 2.0, 1.55, 1.1),
        1.9e-3, Ear(0.1, 18), (0.08, 0.25), 2.4, 4e-4, 1.4e-3,
    ),
    Model(
        "violin", ("G3", "D4", "A4", "E5"), 328, (45, 48, 56, 74), (0.4, 0.34, 0.30, 0.26),
        (0.8, 0.78, 0.68, 0.26), 2.0e-3, Ear(None), (0.1, 0.3), 0.5, 3e-4, 0.3e-3, bowed=True,
    ),
    Model(
        "double-bass", _BASS_4, 1050, (280, 285, 290, 300), (1.1, 0.9, 0.75, 0.6), (2.6, 2.0, 1.6, 1.3),
        3.0e-3, Ear(None), (0.1, 0.25), 3.0, 3e-4, 1.0e-3, bowed=True,
    ),
)  # fmt: skip
SETS = {"train": TRAIN, "test": TEST}
