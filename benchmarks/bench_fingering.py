"""How long the search for a fingering takes: 64 notes, six strings, nodes up to partial 9.

No reference: we know of no public program that searches nodes. Melodies are random but seeded, drawn from the pitches
that ring on the instrument.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from statistics import median

from benchmarks.measure import Goal, Options, Row, cpu_ms, in_turns
from coach.strings.fingering import find_fingering
from coach.strings.node import nodes_upto
from coach.strings.reach import WantedNote
from coach.strings.ready_made import ready_made
from coach.strings.units import midi_from_hz

NOTES = 64
NOTE_S = 0.5


def melody(seed: int, ring_notes: float, chord: int = 1) -> list[WantedNote]:
    """`NOTES` notes, `chord` at once, each ringing as long as `ring_notes` of them."""
    rng = random.Random(seed)
    instrument = ready_made("bass-6")
    notes = []
    for i in range(NOTES // chord):
        for string in rng.sample(range(6), chord):
            node = rng.choice(nodes_upto(9))
            midi = round(midi_from_hz(instrument.sounding_hz(string, node)))
            notes.append(WantedNote(i * NOTE_S, ring_notes * NOTE_S, midi))
    return notes


def bass(seed: int) -> list[WantedNote]:
    """A stopped or open note under each four melody notes, string and fret free."""
    rng = random.Random(seed)
    return [WantedNote(i * 4 * NOTE_S, 4 * NOTE_S, rng.randint(28, 40)) for i in range(NOTES // 4)]


def searching(options: Options) -> Iterator[Row]:
    instrument = ready_made("bass-6")
    cases: dict[str, tuple[Sequence[WantedNote], Sequence[WantedNote] | None]] = {
        "a melody": (melody(1, 1.0), None),
        "a melody ringing over 4 notes": (melody(1, 4.0), None),
        "a melody over a bass line": (melody(1, 1.0), bass(1)),
        "a melody ringing over 4, over a bass line": (melody(1, 4.0), bass(1)),
        "pairs of notes ringing over 2": (melody(1, 2.0, 2), None),
    }
    taken = in_turns(
        {
            what: cpu_ms(lambda notes=notes, low=low: find_fingering(instrument, notes, low))
            for what, (notes, low) in cases.items()
        },
        2 if options.quick else 5,
    )
    slowest = max(taken, key=lambda what: median(taken[what]))
    yield Row(
        f"nodes for 64 notes: {slowest} (slowest of {len(cases)})",
        "ms",
        median(taken[slowest]),
        goal=Goal(1000, "ms"),
    )
