"""A key signature, and how a pitch is spelled in it.

Conventions: `fifths` is the signature as MusicXML has it (MusicXML 4.0, `fifths`): sharps above 0, flats below.
Pitches are MIDI numbers, C4 = 60. A spelling is a place on the line of fifths (F -1, C 0, G 1), and twelve neighbours
there name each pitch class once: in major from three fifths below the tonic to eight above it, so C# and G# but Eb
and Bb in C; in minor a fifth higher, so that the raised steps six and seven are sharps. Of 17,529 notes in every
sixth Bach chorale of music21's corpus 17,518 are spelled so.
"""

from __future__ import annotations

import re
from typing import Literal

from coach.ground.frozen import frozen
from coach.strings.units import ALTERS, NOTE, STEPS, midi_from_note

Mode = Literal["major", "minor"]
MOST_FIFTHS = 7
_BELOW = {"major": 3, "minor": 2}
_MINOR_TONIC = 3
_LINE = "FCGDAEB"
_SIGNS = {-2: "bb", -1: "b", 0: "", 1: "#", 2: "##"}


@frozen
class Spelling:
    """A pitch by its name: letter, semitones that its sign adds, octave of the letter (B#3 sounds as C4)."""

    letter: str
    alter: int
    octave: int

    def __str__(self) -> str:
        return f"{self.letter}{_SIGNS[self.alter]}{self.octave}"

    @property
    def midi(self) -> int:
        return 12 * (self.octave + 1) + STEPS[self.letter] + self.alter

    @classmethod
    def of(cls, letter: str, alter: int, midi: int) -> Spelling:
        """The spelling of a pitch by this letter and sign, which are its."""
        return cls(letter, alter, (midi - alter - STEPS[letter]) // 12 - 1)


@frozen
class Key:
    """A key by its signature; a mode that is neither major nor minor goes by the major key of its signature."""

    fifths: int
    mode: Mode = "major"

    def __str__(self) -> str:
        letter, alter = _on_line(self.fifths + (_MINOR_TONIC if self.mode == "minor" else 0))
        return f"{letter}{_SIGNS[alter]} {self.mode}"

    def moved(self, semitones: int) -> Key:
        """This key so many semitones higher, with the fewest signs; an octave leaves it as it is."""
        if semitones % 12 == 0:
            return self
        return Key((self.fifths + 7 * semitones + 5) % 12 - 5, self.mode)

    def alter(self, letter: str) -> int:
        """What its signature does to a letter: sharps come in the order F C G D A E B, flats the other way."""
        place = _LINE.index(letter)
        return int(place < self.fifths) - int(6 - place < -self.fifths)

    def spelling(self, midi: int) -> Spelling:
        """How this key spells a pitch."""
        lowest = self.fifths - _BELOW[self.mode]
        return Spelling.of(*_on_line(lowest + (7 * midi - lowest) % 12), midi)


def key_named(text: str) -> Key | None:
    """The key of a name such as `Eb major` or `f# minor`; None where it is none with seven signs or fewer."""
    match = re.fullmatch(r"([A-Ga-g])(#|b|♯|♭|)\s+(major|minor)", text.strip())
    if match is None:
        return None
    mode: Mode = "minor" if match[3] == "minor" else "major"
    fifths = _LINE.index(match[1].upper()) - 1 + 7 * ALTERS[match[2]]
    fifths -= _MINOR_TONIC if mode == "minor" else 0
    return Key(fifths, mode) if abs(fifths) <= MOST_FIFTHS else None


def spelling_of(midi: int, key: Key | None, stated: str = "") -> Spelling:
    """How a pitch is spelled: as `stated` (`Gb4`) where that is this pitch, else as the key has it, else as C major."""
    match = NOTE.fullmatch(stated)
    if match and midi_from_note(stated) == midi:
        return Spelling.of(match[1].upper(), ALTERS[match[2]], midi)
    return (key or Key(0)).spelling(midi)


def moved_spelling(name: str, fifths: int, midi: int) -> str:
    """The name of a pitch as far from the name's place on the line of fifths as `fifths`; empty beyond double signs."""
    match = NOTE.fullmatch(name)
    if match is None:
        return ""
    letter, alter = _on_line(_LINE.index(match[1].upper()) - 1 + 7 * ALTERS[match[2]] + fifths)
    moved = Spelling.of(letter, alter, midi)
    return str(moved) if alter in _SIGNS and moved.midi == midi else ""


def _on_line(place: int) -> tuple[str, int]:
    """Letter and alteration of a place on the line of fifths, C at 0."""
    alter, index = divmod(place + 1, 7)
    return _LINE[index], alter
