"""Notes, frequencies, intervals and lengths: the conversions that the rest of the house shares.

Conventions: MIDI note numbers 0 to 127 with C4 = 60 (scientific pitch names, so MIDI 0 is C-1 and 127 is G9);
twelve-tone equal temperament; A4 = 440 Hz (ISO 16:1975) unless another reference is given; 1200 cents to the
octave. Names are written with sharps; flats are read.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Any, TypeVar

from coach.ground.problem import SlipError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Partial = TypeVar("Partial", float, "NDArray[np.float64]")

A4_HZ = 440.0
"""Frequency of A4 in Hz (ISO 16:1975)."""

A4_MIDI = 69
LOWEST_MIDI = 0
HIGHEST_MIDI = 127

INCH_MM = 25.4
"""International yard and pound agreement, 1959."""

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
"""Semitones of the letters above C."""
ALTERS = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1, "##": 2, "x": 2, "bb": -2, "♮": 0}
"""Semitones that the signs add."""
NOTE = re.compile(r"([A-Ga-g])(##|x|#|♯|bb|b|♭|♮|)(-?\d+)")
"""Letter, sign and octave of a written note."""


def hz_from_midi(midi: float, a4_hz: float = A4_HZ) -> float:
    """Frequency in Hz of a MIDI note number; fractions of a semitone are allowed."""
    return float(a4_hz * 2.0 ** ((midi - A4_MIDI) / 12.0))


def midi_from_hz(hz: float, a4_hz: float = A4_HZ) -> float:
    """MIDI note number, with its fraction, of a frequency in Hz."""
    return A4_MIDI + 12.0 * math.log2(hz / a4_hz)


def cents_between(hz: float, reference_hz: float) -> float:
    """Interval in cents from `reference_hz` up to `hz`, negative when `hz` is the lower."""
    return 1200.0 * math.log2(hz / reference_hz)


def stiffening(partial: Partial, stiffness_b: Any) -> Partial:
    """What a string's stiffness B does to the frequency of partials n, one or several: sqrt(1 + B n^2) (Fletcher)."""
    stiffer: Partial = (1.0 + stiffness_b * partial * partial) ** 0.5
    return stiffer


def detuned_hz(hz: float, cents: float) -> float:
    """A frequency moved by cents."""
    return float(hz * 2.0 ** (cents / 1200.0))


def nearest_note(hz: float, a4_hz: float = A4_HZ) -> tuple[int, float]:
    """MIDI number of the nearest equal-tempered note and how many cents `hz` lies above it (-50 to +50)."""
    exact = midi_from_hz(hz, a4_hz)
    midi = math.floor(exact + 0.5)
    return midi, (exact - midi) * 100.0


def note_name(midi: int) -> str:
    """Scientific name with a sharp where one is needed: 66 is `F#4`."""
    octave, step = divmod(midi, 12)
    return f"{_NAMES[step]}{octave - 1}"


def midi_from_note(text: str) -> int:
    """MIDI number of a written note: `F#4`, `Gb4`, `g♭4`, `E1`.

    ValueError, one sentence with what was found, what is allowed and the likely slip, for anything else and
    for notes outside C-1 to G9.
    """
    name = text.strip()
    match = NOTE.fullmatch(name)
    if match is None:
        raise SlipError(
            f"'{name}' is not a note; a note is a letter A to G, # or b if needed, and an octave, as in F#4 or Bb1",
            _note_guess(name),
        )
    letter, accidental, octave = match.groups()
    midi = 12 * (int(octave) + 1) + STEPS[letter.upper()] + ALTERS[accidental]
    if not LOWEST_MIDI <= midi <= HIGHEST_MIDI:
        raise ValueError(f"'{name}' is outside C-1 to G9 (the octave of middle C is 4)")
    return midi


def _note_guess(name: str) -> str:
    """The likely slip in something that is no note; empty where none is known."""
    if re.fullmatch(r"[A-Ga-g](##|x|#|♯|bb|b|♭)?", name):
        return f"which octave? {name[0].upper()}{name[1:]}2, say"
    if swapped := re.fullmatch(r"([A-Ga-g])(-?\d+)(#|b|♯|♭)", name):
        return f"did you mean {swapped[1].upper()}{swapped[3]}{swapped[2]}?"
    if german := re.fullmatch(r"[Hh](-?\d+)", name):
        return f"did you mean B{german[1]}?"
    if words := re.fullmatch(r"([A-Ga-g])[ -]?(sharp|flat|is|es)[ -]?(\d+)", name, re.IGNORECASE):
        sign = "#" if words[2].lower() in ("sharp", "is") else "b"
        return f"did you mean {words[1].upper()}{sign}{words[3]}?"
    return ""


def length_from(text: str) -> float:
    """A length in mm from `864`, `864mm` or, in inches, `34in`; ValueError for anything else."""
    match = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(mm|in|inch|inches|\")?", text.strip())
    if match is None:
        raise ValueError(f"'{text[:40]}' is not a length; write mm, 864, or inches, 34in")
    # To a thousandth of a mm, as a file writes it again.
    return round(float(match[1]) * (1.0 if match[2] in (None, "mm") else INCH_MM), 3)
