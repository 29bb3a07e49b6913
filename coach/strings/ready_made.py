"""Ready-made instruments by name, so that a player need not measure one to begin.

Tunings are the usual ones; sounding lengths are those usual in the trade (common practice, no source) and makers
differ: a player's own measure is better. An instrument from here carries no name of its own, so that its nodes are
the same nodes as those of the same strings written out by hand.
"""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from coach.ground.problem import SlipError
from coach.strings.instrument import Instrument
from coach.strings.units import midi_from_note

READY_MADE = {
    "bass": Instrument.of(("G2", "D2", "A1", "E1"), 864.0),
    "bass-short": Instrument.of(("G2", "D2", "A1", "E1"), 762.0),
    "bass-medium": Instrument.of(("G2", "D2", "A1", "E1"), 813.0),
    "bass-5": Instrument.of(("G2", "D2", "A1", "E1", "B0"), 864.0),
    "bass-5-long": Instrument.of(("G2", "D2", "A1", "E1", "B0"), 889.0),
    "bass-5-high": Instrument.of(("C3", "G2", "D2", "A1", "E1"), 864.0),
    "bass-6": Instrument.of(("C3", "G2", "D2", "A1", "E1", "B0"), 864.0),
    "guitar": Instrument.of(("E4", "B3", "G3", "D3", "A2", "E2"), 648.0),
    "violin": Instrument.of(("E5", "A4", "D4", "G3"), 328.0, fretted=False),
    "viola": Instrument.of(("A4", "D4", "G3", "C3"), 375.0, fretted=False),
    "cello": Instrument.of(("A3", "D3", "G2", "C2"), 690.0, fretted=False),
    "double-bass": Instrument.of(("G2", "D2", "A1", "E1"), 1050.0, fretted=False),
}
"""By name; the open strings from the highest, and the sounding length in mm."""
BASS_BELOW_MIDI = 40
"""A lowest string below E2 is taken for a bass's."""


def ready_made(name: str) -> Instrument:
    """The instrument with this name; ValueError, with the names there are and the nearest, for another."""
    key = name.strip().lower().replace(" ", "-").replace("_", "-")
    try:
        return READY_MADE[key]
    except KeyError:
        near = difflib.get_close_matches(name, READY_MADE, n=1)
        raise SlipError(
            f"'{name}' is not a ready-made instrument; there are {', '.join(READY_MADE)}",
            f"did you mean {near[0]}?" if near else "",
        ) from None


def usual_scale_mm(notes: Sequence[str]) -> float:
    """The scale usual for these open strings: the first ready-made instrument's tuned so, else a bass's or a guitar's.

    ValueError where one is no note.
    """
    midis = [midi_from_note(note) for note in notes]
    for instrument in READY_MADE.values():
        if [string.midi for string in instrument.strings] == midis:
            return instrument.scale_mm
    return READY_MADE["bass" if min(midis, default=0) < BASS_BELOW_MIDI else "guitar"].scale_mm
