"""Where to play a melody in natural harmonics over a bass line: the cheapest sequence of places, exactly.

Conventions, and what a *place* is: `reach.py`. What a choice costs is said and worked out in `fingering_states.py`.

Search: the state is what still counts of the past: where the fretting hand last was and since when (more than a
second makes no difference), and which strings are occupied, until when and by which stopped note. Dynamic
programming (Bellman 1957) over all states that can be reached, forwards for the least cost to each and backwards
for the least cost of the rest, is exact. `most_cost` leaves out only ways that cost more than it: what leads to a
state, with the least that the places of the notes after it cost by themselves, is never more than the whole (branch
and bound, Land and Doig 1960).

The *second best* of a note is its place in the cheapest whole fingering that puts this note elsewhere (another
string, node or fret, not the other hand). The least of these over all notes is the second-best fingering.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Literal

from coach.ground.frozen import frozen
from coach.strings.fingering_states import (
    START,
    Hand,
    HeldStrings,
    OnHand,
    OnStrings,
    State,
    Task,
    asked_of_hand,
    met_on_strings,
    task_of,
)
from coach.strings.instrument import Instrument
from coach.strings.reach import (
    USUAL,
    FingeringSettings,
    Place,
    WantedNote,
    reach_cost,
)
from coach.strings.units import note_name

MOST_STATES = 100_000
"""States before one note beyond which the search gives up: some seconds' work a note."""


class TooManyWaysError(ValueError):
    """More states than may be compared, at a note."""

    def __init__(self, number: int, note: WantedNote) -> None:
        super().__init__(
            f"too many notes ring at once around note {number} to compare every fingering; "
            "let notes ring for a shorter time"
        )
        self.note = note


@frozen
class Cost:
    """What a choice costs, in parts."""

    finger: float = 0.0
    tune: float = 0.0
    move: float = 0.0
    speed: float = 0.0
    reach: float = 0.0
    cut: float = 0.0

    @property
    def total(self) -> float:
        return self.finger + self.tune + self.move + self.speed + self.reach + self.cut


@frozen
class Choice:
    """One note's place in a fingering."""

    note: WantedNote
    layer: Literal["melody", "bass"]
    place: Place
    cost: Cost
    move_mm: float = 0.0
    span_mm: float = 0.0
    """Largest span to notes held or sounded with it; beyond the reach it is a warning."""
    cuts: int | None = None
    """Index of the choice whose ring this one ends early."""
    second: Place | None = None
    second_extra_cost: float = 0.0
    """How much more the whole costs with this note at `second`."""


@frozen
class Fingering:
    """The cheapest sequence of places; choices in order of onset, bass before melody at one onset.

    A note that may be left out (`WantedNote.leave_cost`) is no choice where that is cheaper; `cost` includes it.
    """

    choices: tuple[Choice, ...]
    cost: float
    second_cost: float | None
    """Cost of the second-best fingering; None when there is no other."""


def find_fingering(
    instrument: Instrument,
    melody: Sequence[WantedNote],
    bass: Sequence[WantedNote] | None = None,
    settings: FingeringSettings = USUAL,
) -> Fingering:
    """The cheapest places for a melody in natural harmonics over a bass line of stopped and open notes.

    ValueError, naming the note, when a note sounds nowhere or more notes start at once than strings allow.
    """
    task = task_of(instrument, melody, bass or (), settings)
    layers = _layers(task, math.inf)
    fingering = _cheapest(task, layers)
    if fingering is None:
        raise ValueError(_no_fingering(task, layers))
    return fingering


def fingering_upto(
    instrument: Instrument,
    melody: Sequence[WantedNote],
    bass: Sequence[WantedNote],
    most_cost: float,
    most_states: float = math.inf,
) -> tuple[Fingering | None, int]:
    """As `find_fingering`, but None where the cheapest costs more than `most_cost`, which takes a fraction of the time.

    With it how many states were compared; TooManyWaysError where they would be more than `most_states`. Second-best
    places above `most_cost` are not found.
    """
    task = task_of(instrument, melody, bass, USUAL)
    layers = _layers(task, most_cost, most_states)
    return _cheapest(task, layers), sum(len(layer.reached) for layer in layers)


def _cheapest(task: Task, layers: list[_Layer]) -> Fingering | None:
    """The cheapest fingering of all ways; None where there is none."""
    settings, rests = task.settings, _rests(layers)
    total = rests[0][0]
    if not task.notes or total == math.inf:
        return None
    choices: list[Choice] = []
    number_of: dict[int, int] = {}
    second_cost: float | None = None
    state, at = START, 0
    for i, layer in enumerate(layers):
        _cost, picked, following = min(layer.ways[at], key=lambda way: way[0] + rests[i + 1][way[2]])
        place = task.places[i][picked]
        on_strings, on_hand = (
            met_on_strings(task, i, place, state[1]),
            asked_of_hand(task, i, place, state[0]),
        )
        if on_strings is None or on_hand is None:
            return None
        cut, cut_note, held_span_mm, held = on_strings
        move, speed, move_mm, hand_span_mm, hand = on_hand
        span_mm = max(held_span_mm, hand_span_mm)
        state, at = (hand, held), following
        if place is None:
            continue
        number_of[i] = len(choices)
        second, whole = _second(task, i, place, layer, rests[i + 1])
        if second is not None:
            second_cost = whole if second_cost is None else min(second_cost, whole)
        choices.append(
            Choice(
                task.notes[i],
                "bass" if task.bass[i] else "melody",
                place,
                Cost(
                    place.finger_cost,
                    place.tune_cost,
                    move,
                    speed,
                    reach_cost(span_mm, settings.reach_mm),
                    cut,
                ),
                move_mm,
                span_mm,
                number_of.get(cut_note),
                second,
                whole - total if second else 0.0,
            )
        )
    return Fingering(tuple(choices), total, second_cost)


@frozen
class _Layer:
    """All states before one note: least cost to reach each, and the ways on."""

    reached: list[float]
    ways: list[list[tuple[float, int, int]]]
    """For each state: cost, candidate and index of the state after it, for every candidate that can be taken."""


def _layers(task: Task, most_cost: float, most_states: float = math.inf) -> list[_Layer]:
    """Forwards through the notes: every state that can be reached, at its least cost. One layer a note.

    Ways that can only lead to a whole above `most_cost` are left out.
    """
    layers = []
    room = _room_before(task, most_cost)
    states: dict[State, int] = {START: 0}
    reached = [0.0]
    compared = 0
    reach_mm = task.settings.reach_mm
    for i, places in enumerate(task.places):
        alone = [place.cost if place else task.notes[i].leave_cost or 0.0 for place in places]
        following: dict[State, int] = {}
        least: list[float] = []
        ways: list[list[tuple[float, int, int]]] = []
        # Many states share their strings or their hand: each is worked out once.
        by_strings: dict[HeldStrings, list[OnStrings | None]] = {}
        by_hand: dict[Hand, list[OnHand | None]] = {}
        for (hand, held), at in states.items():
            if held not in by_strings:
                by_strings[held] = [met_on_strings(task, i, place, held) for place in places]
            if hand not in by_hand:
                by_hand[hand] = [asked_of_hand(task, i, place, hand) for place in places]
            onward = []
            pairs = zip(by_strings[held], by_hand[hand], strict=True)
            for picked, (on_strings, on_hand) in enumerate(pairs):
                if on_strings is None or on_hand is None:
                    continue
                cut, _cut_note, held_span_mm, held_after = on_strings
                move, speed, _move_mm, hand_span_mm, hand_after = on_hand
                cost = alone[picked] + move + speed + cut
                if held_span_mm or hand_span_mm:
                    cost += reach_cost(max(held_span_mm, hand_span_mm), reach_mm)
                if reached[at] + cost > room[i]:
                    continue
                after = following.setdefault((hand_after, held_after), len(following))
                if after == len(least):
                    least.append(math.inf)
                least[after] = min(least[after], reached[at] + cost)
                onward.append((cost, picked, after))
            ways.append(onward)
        layers.append(_Layer(reached, ways))
        compared += len(following)
        if len(following) > MOST_STATES or compared > most_states:
            raise TooManyWaysError(i + 1, task.notes[i])
        states, reached = following, least
    return layers


def _room_before(task: Task, most_cost: float) -> list[float]:
    """For each note what all up to it may cost, if the rest costs as little as its places by themselves."""
    least = [
        min(place.cost if place else note.leave_cost or 0.0 for place in places)
        for places, note in zip(task.places, task.notes, strict=True)
    ]
    after = [*itertools.accumulate(reversed(least[1:]), initial=0.0)]
    return [most_cost - rest for rest in reversed(after)]


def _rests(layers: list[_Layer]) -> list[list[float]]:
    """Backwards through the notes: what the rest costs at least from each state. One list more than notes."""
    ends = max((way[2] for ways in layers[-1].ways for way in ways), default=0) if layers else 0
    rests = [[0.0] * (ends + 1)]
    for layer in reversed(layers):
        rest = rests[-1]
        rests.append([min((way[0] + rest[way[2]] for way in ways), default=math.inf) for ways in layer.ways])
    rests.reverse()
    return rests


def _second(task: Task, i: int, place: Place, layer: _Layer, rest: list[float]) -> tuple[Place | None, float]:
    """Note `i`'s place in the cheapest whole fingering that puts it elsewhere than `place`, and that one's cost."""
    options = task.places[i]
    best, best_whole = None, math.inf
    for reached, ways in zip(layer.reached, layer.ways, strict=True):
        for cost, picked, after in ways:
            whole = reached + cost + rest[after]
            option = options[picked]
            if option and whole < best_whole and option.spot != place.spot:
                best, best_whole = option, whole
    return best, best_whole


def _no_fingering(task: Task, layers: Sequence[_Layer]) -> str:
    """Why there is no fingering: the first onset whose notes can't each have a string, or a hand, of their own."""
    if not task.notes:
        return "there is no note to play"
    stuck = next(i for i, layer in enumerate(layers) if not any(layer.ways))
    onset_s = task.notes[stuck].onset_s
    members = [i for i, note in enumerate(task.notes) if note.onset_s == onset_s]
    names = ", ".join(note_name(task.notes[i].midi) for i in members)
    span = f"notes {members[0] + 1} to {members[-1] + 1} ({names}) start at once"
    options = [{place.string for place in task.places[i] if place} for i in members]
    if any(len(set(strings)) == len(members) for strings in itertools.product(*options)):
        return (
            f"{span}: either two of them need one string, or the plucking hand would have to touch one and play "
            "another (let one start later)"
        )
    return f"{span} and need one string twice"
