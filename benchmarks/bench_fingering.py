"""How long the search for a fingering takes: 64 notes, six strings, nodes up to partial 9.

Run: python -m benchmarks.bench_fingering. Each line: what was searched, the best of three runs in seconds.
Melodies are random but seeded, drawn from the pitches that ring on the instrument.
"""

from __future__ import annotations

import random
import time
from collections.abc import Sequence

from coach.core.fingering import find_fingering
from coach.core.instruments import ready_made
from coach.core.reach import WantedNote
from coach.core.strings import nodes_upto
from coach.core.units import midi_from_hz

NOTES = 64
NOTE_S = 0.5
RUNS = 3


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


def measure(what: str, notes: Sequence[WantedNote], low: Sequence[WantedNote] | None) -> None:
    """Print the best of three runs."""
    instrument = ready_made("bass-6")
    best = float("inf")
    for _ in range(RUNS):
        start = time.perf_counter()
        fingering = find_fingering(instrument, notes, low)
        best = min(best, time.perf_counter() - start)
    print(f"{what:<46} {best:6.3f} s   cost {fingering.cost:8.2f}")


def main() -> None:
    for seed in (1, 2):
        measure(f"melody, no overlap, seed {seed}", melody(seed, 1.0), None)
        measure(f"melody ringing over 2 notes, seed {seed}", melody(seed, 2.0), None)
        measure(f"melody ringing over 4 notes, seed {seed}", melody(seed, 4.0), None)
        measure(f"melody over a bass line, seed {seed}", melody(seed, 1.0), bass(seed))
        measure(f"melody ringing over 2, bass line, seed {seed}", melody(seed, 2.0), bass(seed))
        measure(f"melody ringing over 4, bass line, seed {seed}", melody(seed, 4.0), bass(seed))
        measure(f"pairs of notes ringing over 2, seed {seed}", melody(seed, 2.0, 2), None)


if __name__ == "__main__":
    main()
