"""The player's own instruments: which of them a drill's tuning is played on, and that tuning on it.

A tuning fits an instrument that has as many strings next to each other, none of them tuned further from it than a
major third: so drop tunings and four strings of a five-string fit, and a bass with a high C is not taken for one with
a low B. How far is our own choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coach.strings.instrument import Instrument, OpenString
from coach.strings.units import A4_HZ

RETUNED_SEMITONES = 4


def on_own(tuning: Instrument, own: Sequence[Instrument]) -> Instrument:
    """The tuning on the player's instrument: open notes from the tuning, all that is measured from the player's.

    Of several that fit, the one of the tuning's own name, else that with the least to retune, else the first. The
    tuning as it is where none fits. A reference pitch other than 440 Hz is taken from the tuning first.
    """
    ways = [
        (bool(tuning.name) and mine.name != tuning.name, retuned, index, start)
        for index, mine in enumerate(own)
        for start in range(len(mine.strings) - len(tuning.strings) + 1)
        if (retuned := _retuned(tuning, mine, start)) is not None
    ]
    if not ways:
        return tuning
    *_, index, start = min(ways)
    mine = own[index]
    strings = tuple(
        _tuned(mine.strings[start + at], string.midi, string.name) for at, string in enumerate(tuning.strings)
    )
    a4_hz = mine.a4_hz if tuning.a4_hz == A4_HZ else tuning.a4_hz
    return replace(mine, strings=strings, a4_hz=a4_hz)


def _tuned(mine: OpenString, midi: int, name: str) -> OpenString:
    """One string at another note; what was heard of it at its old one is gone."""
    heard = mine.measured_cents if midi == mine.midi else None
    return replace(mine, midi=midi, name=name, measured_cents=heard)


def _retuned(tuning: Instrument, mine: Instrument, start: int) -> int | None:
    """Semitones by which all strings from `start` on are tuned away; None where one is too far."""
    steps = [abs(string.midi - mine.strings[start + at].midi) for at, string in enumerate(tuning.strings)]
    return sum(steps) if max(steps) <= RETUNED_SEMITONES else None
