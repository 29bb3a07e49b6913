"""Makes a drill of a melody over a bass in the key and the octaves in which they lie best, with a table of the keys.

All keys and octaves are weighed, exactly. The cost of one is that of its cheapest fingering (`coach.strings.fingering`)
and of the bass notes that go up an octave. What the notes' cheapest places cost by themselves is never more, so that
whatever costs too much by that alone is not searched (branch and bound, Land and Doig 1960). No bass is moved closer to
its melody than it was.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import count

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError, Problem
from coach.music.drill import Drill
from coach.music.key import Key
from coach.score.arrange import arranged, chosen_bars
from coach.score.duet import (
    BASS,
    BASS_WORTH,
    MELODY,
    MELODY_WORTH,
    RAISED_COST,
    Duet,
    Shift,
    choices_of,
    duet_of,
    place_duet,
)
from coach.score.phrase_maker import DEFAULT_QUARTERS
from coach.score.score import Score
from coach.score.strands import Choices
from coach.strings.fingering import Choice, Fingering, TooManyWaysError, fingering_upto
from coach.strings.fingering_text import place_text
from coach.strings.instrument import Instrument
from coach.strings.reach import USUAL, bass_places, places_for
from coach.words.names import tuning_name

EVERY_KEY = tuple(range(-6, 6))
_HEADS = (
    "key", "effort", "melody transposed", "bass transposed", "melody rings", "hardest node", "longest reach",
    "hardest move", "melody lost", "bass lost",
)  # fmt: skip
_WHY = "effort: a key's nodes, stretches, moves, cut rings and lost notes together; the key with the least is written"


def arranged_duet(
    score: Score, choices: Choices, instrument: Instrument, keys: Sequence[int], where: str
) -> tuple[Drill, str, list[str]]:
    """The drill, its text, and the table of the keys that were weighed.

    `keys`: by how many semitones the piece may be moved, its octaves apart. CoachError where no melody note rings.
    """
    chosen_bars(score, choices, where)
    _keep_bars(score, choices.bars)
    quarters = next((bar.tempos[0] for bar in score.bars if bar.tempos), DEFAULT_QUARTERS)
    duet = duet_of(score, instrument, float(240 / quarters), where)
    rows = arrangements(duet, keys, where)
    table = table_lines(duet, rows, next((bar.key for bar in score.bars if bar.key), None))
    best = rows[0].fingering
    place_duet(score, duet, rows[0].shift, best.choices if best else ())
    drill, text = arranged(score, replace(choices, bars=None, instrument=instrument), where)
    return drill, text, table


def _keep_bars(score: Score, bars: tuple[int, int] | None) -> None:
    """Leave only the bars of these numbers in the score, where some are chosen."""
    if bars is None:
        return
    kept = [index for index, bar in enumerate(score.bars) if bars[0] <= int(bar.number) <= bars[1]]
    score.bars = [score.bars[index] for index in kept]
    score.order = [index - kept[0] for index in score.order if index in kept]


def table_lines(duet: Duet, rows: Sequence[Arrangement], key: Key | None) -> list[str]:
    """The rows as a table: the key, what rings in it, the hardest of it, and what is lost."""
    cells = [_HEADS, *(_cells(duet, row, key) for row in rows if row.fingering)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    ]
    harder = [_key_name(row, key) for row in rows if not row.fingering]
    if harder:
        lines.append(f"much harder, so not worked out: {', '.join(harder)}")
    if len(rows) > 1:
        lines.append(_WHY)
    return lines


def _key_name(row: Arrangement, key: Key | None) -> str:
    return str(key.moved(row.shift.key)) if key else f"{row.shift.key:+d}"


def _cells(duet: Duet, row: Arrangement, key: Key | None) -> tuple[str, ...]:
    melody, bass = row.choices(MELODY), row.choices(BASS)
    hardest = max(melody, key=lambda choice: choice.place.finger_cost, default=None)
    move = max([*melody, *bass], key=lambda choice: choice.cost.speed)
    return (
        _key_name(row, key),
        f"{row.cost:.0f}",
        f"{row.shift.melody:+d} semitones",
        f"{row.shift.bass:+d} semitones",
        f"{row.rings} of {len(duet.melody)}",
        place_text(duet.instrument, hardest.place) if hardest else "",
        f"{max(choice.span_mm for choice in [*melody, *bass]):.0f} mm",
        f"{move.move_mm:.0f} mm, {USUAL.hand_speed_mm_s * math.sqrt(move.cost.speed):.0f} mm/s",
        f"{len(duet.melody) - len(melody)} of {len(duet.melody)}",
        f"{len(duet.bass) - len(bass)} of {len(duet.bass)}",
    )


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
            if row.least_cost <= most_cost:
                lines, room = duet.wanted(row.shift), most_cost - row.raised_cost
                try:
                    fingering, compared = fingering_upto(duet.instrument, *lines, room, states)
                except TooManyWaysError as error:
                    raise CoachError(_too_dense(duet, error, where)) from None
                states -= compared
                row = replace(row, fingering=fingering)
                cheapest[row.shift.key] = min(row.cost, cheapest.get(row.shift.key, math.inf))
            searched.append(row)
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
