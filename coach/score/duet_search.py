"""In which key, and in which octave each, a melody and its bass lie best: all of them are weighed, exactly.

The cost of a key and its octaves is that of its cheapest fingering (`coach.strings.fingering`) and of the bass notes
that go up an octave. What the notes' cheapest places cost by themselves is never more, so that whatever costs too much
by that alone is not searched (branch and bound, Land and Doig 1960). No bass is moved closer to its melody than it was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import count

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError, Problem
from coach.score.duet import BASS_WORTH, MELODY_WORTH, RAISED_COST, Duet, Shift, choices_of
from coach.strings.fingering import Choice, Fingering, TooManyWaysError, fingering_upto
from coach.strings.reach import bass_places, places_for
from coach.words.names import tuning_name

KEYS = range(-6, 6)
_OCTAVES = range(-48, 49, 12)
_MARGIN = 200.0
"""How far above the least that any key can cost is searched: some three melody notes; as far again where that is too
little."""

MOST_STATES, MOST_STATES_A_NOTE = 300_000, 500
"""What is compared of all keys and octaves together, beyond which the search gives up: some seconds' work, more for a
long score. A chorale asks for some 200 a note."""


@frozen
class Arrangement:
    """A key with its octaves and what it asks; without a fingering where it costs more than what was searched."""

    shift: Shift
    rings: int
    """Notes of the melody that ring at some node."""
    least_cost: float
    """What it can't cost less than."""
    raised_cost: float
    """What the bass notes cost that go up an octave."""
    fingering: Fingering | None = None

    @property
    def cost(self) -> float:
        return self.fingering.cost + self.raised_cost if self.fingering else math.inf

    def choices(self, layer: str) -> list[Choice]:
        """The places of the notes that are kept of a layer."""
        return choices_of(self.fingering.choices, layer) if self.fingering else []


def arrangements(duet: Duet, keys: Sequence[int], where: str) -> list[Arrangement]:
    """The best octaves of each of these keys, the cheapest key first; CoachError where the melody rings in none.

    A key that is much harder than the best may be has no fingering: it is not worked out.
    """
    rows = sorted(_unsearched(duet, keys), key=lambda row: (row.least_cost, _moved(row)))
    if not rows:
        strings = tuning_name(duet.instrument)
        what = "in any key" if len(keys) > 1 else "in this key"
        message = f"no note of the melody rings at a node of {strings} {what}"
        guess = "choose another --instrument" if len(keys) > 1 else "--transpose best looks in all keys"
        raise CoachError(message, where, guess=guess)
    searched = _searched_rows(duet, rows, where)
    best: dict[int, Arrangement] = {}
    for row in sorted(searched, key=lambda row: (row.cost, row.least_cost, _moved(row))):
        best.setdefault(row.shift.key, row)
    return list(best.values())


def _searched_rows(duet: Duet, rows: Sequence[Arrangement], where: str) -> list[Arrangement]:
    """The rows, with fingerings where they cost little more than the least and no more than others of their key."""
    states = MOST_STATES + MOST_STATES_A_NOTE * (len(duet.melody) + len(duet.bass))
    for step in count(1):
        searched = []
        cheapest: dict[int, float] = {}
        for row in rows:
            most_cost = min(rows[0].least_cost + step * _MARGIN, cheapest.get(row.shift.key, math.inf))
            try:
                row, compared = _searched(duet, row, most_cost, states)
            except TooManyWaysError as error:
                raise CoachError(_too_dense(duet, error, where)) from None
            states -= compared
            searched.append(row)
            cheapest[row.shift.key] = min(row.cost, cheapest.get(row.shift.key, math.inf))
        if any(row.fingering for row in searched):
            break
    return searched


def _too_dense(duet: Duet, error: TooManyWaysError, where: str) -> Problem:
    lines = [*duet.melody, *duet.bass]
    bar = next(one.bar for one in lines if float(one.onset) * duet.seconds_per_whole == error.note.onset_s)
    return Problem(
        f"bar {bar.number}: too many notes ring at once to compare all ways to play them",
        where,
        guess="melody and bass are one note at a time each: choose a voice of a part, or fewer --bars",
    )


def _moved(row: Arrangement) -> tuple[int, int]:
    """How far a key and its octaves are from the score's."""
    return abs(row.shift.key), abs(row.shift.melody) + abs(row.shift.bass)


def _searched(duet: Duet, row: Arrangement, most_cost: float, most_states: int) -> tuple[Arrangement, int]:
    """The row with its fingering, where it costs no more than that, and how many states were compared."""
    if row.least_cost > most_cost:
        return row, 0
    melody, bass = duet.wanted(row.shift)
    fingering, compared = fingering_upto(
        duet.instrument, melody, bass, most_cost - row.raised_cost, most_states
    )
    return replace(row, fingering=fingering), compared


def _unsearched(duet: Duet, keys: Sequence[int]) -> Iterator[Arrangement]:
    """Each key in all octaves in which a note of the melody rings and the bass is no closer than it was."""
    for key in keys:
        melodies = [(key + octave, *_melody(duet, key + octave)) for octave in _OCTAVES]
        for bass, least, raised in [(key + octave, *_bass(duet, key + octave)) for octave in _OCTAVES]:
            for melody, least_melody, rings in melodies:
                if rings and melody >= bass:
                    yield Arrangement(Shift(melody, bass), rings, least_melody + least + raised, raised)


def _melody(duet: Duet, move: int) -> tuple[float, int]:
    """The least that the melody costs when it is moved so, and how many of its notes ring."""
    least, rings = 0.0, 0
    for midi, times in duet.pitches(duet.melody):
        places = places_for(duet.instrument, midi + move) if 0 <= midi + move <= 127 else ()
        least += times * min((place.cost for place in places), default=MELODY_WORTH)
        rings += times * bool(places)
    return least, rings


def _bass(duet: Duet, move: int) -> tuple[float, float]:
    """The least that the bass costs when it is moved so, but for the notes that go up an octave; what those cost."""
    least = raised = 0.0
    for midi, times in duet.pitches(duet.bass):
        up = RAISED_COST if duet.within(midi + move) > midi + move else 0.0
        raised += times * up
        if not bass_places(duet.instrument, duet.within(midi + move)):
            least += times * (BASS_WORTH - up)
    return least, raised
