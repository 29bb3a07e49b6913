"""Where on an instrument a pitch can be sounded, what a place asks of the finger, and what the hand can reach.

Conventions: seconds; strings are indices from 0, the highest; mm from the nut. A *place* is a node (touched by the
fretting hand, or by the plucking hand from fret 12 on), a stop with the octave node of what sounds beyond it (an
artificial harmonic, touched by the plucking hand), or, for a bass note, a stopped or open string. Costs have no unit;
they only rank. The figures that weigh them are our own and uncalibrated.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import lru_cache
from typing import TypeVar

from coach.ground.frozen import frozen
from coach.strings.instrument import Instrument
from coach.strings.node import DEFAULT_PARTIAL, Node, nodes_upto, touch_label
from coach.strings.plucked import PluckedString
from coach.strings.touch import FINGER_MM_RANGE, clear_mm, finger_share
from coach.strings.units import cents_between, hz_from_midi, midi_from_hz, note_name

FINGER_COST_MM = 10.0
TUNE_CENTS = 12.0
"""Cents beside the wanted note that cost 1; the cost grows with their cube, so that partial 5, the pure third that
players know, costs hardly more than a true octave, and partial 7 nearly as much as a ring cut short."""
LEAST_CLEAR_MM = 0.25
BESIDE_CENTS, SAME_CENTS = 5.0, 0.5
"""How far a node may sound from what a file says, and what tells two partials apart: 3 lies 2 cents beside 4."""
USUAL_FRET, STOP_COST = 12, 2.0
"""The last fret at which a bass note is stopped as a rule (common practice, no source), and the cost of each beyond."""
PLUCKING_HAND_COST = 2.0
ARTIFICIAL_COST = 6.0
"""Both hands move for an artificial harmonic; a natural one that lies well is preferred."""
OCTAVE = Node(1, 2)
LAST_STOP = 12
"""Beyond it the octave node lies past most fretboards."""
HIGH_COST = 4.0
"""What the fretting hand pays at the bridge, falling to nothing at mid-string: the body is in its way."""
BEYOND_REACH_COST = 30.0

AnyPlace = TypeVar("AnyPlace")

LIMITS: dict[str, tuple[float, float]] = {
    "finger_mm": FINGER_MM_RANGE,
    "tolerance_cents": (0.0, 100.0),
    "reach_mm": (10.0, 500.0),
    "hand_speed_mm_s": (10.0, 20_000.0),
}


@frozen
class WantedNote:
    """A pitch to sound, in seconds, and how long it must ring; on one string only where `string` says so."""

    onset_s: float
    duration_s: float
    midi: int
    string: int | None = None
    beside_cents: float | None = None
    """How far beside `midi` it is known to sound: only nodes that do are its places, where there are any."""
    leave_cost: float | None = None
    """What it costs to leave the note out; None where it has to be played."""

    @property
    def end_s(self) -> float:
        return self.onset_s + self.duration_s


@frozen
class FingeringSettings:
    """What the search may use and what the player's hand can do."""

    upto: int = DEFAULT_PARTIAL
    tolerance_cents: float = 40.0
    """How far a partial may sound from the wanted note; 40 admits partial 7, 31 cents flat."""
    reach_mm: float = 130.0
    """Span of the fretting hand; 130 mm is frets 1 to 4 of a 34 inch bass, a finger a fret. Uncalibrated."""
    hand_speed_mm_s: float = 1000.0
    """Speed at which a move is as fast as the player cares for. Uncalibrated."""
    finger_mm: float | None = None
    """Width of string under a light touch; None for the usual share of the string's length."""
    plucking_hand: bool = True
    """Whether the plucking hand may touch nodes from fret 12 on."""
    artificial: bool = False
    """Whether a note may be stopped, and its octave node touched by the plucking hand."""

    def __post_init__(self) -> None:
        for name, (low, high) in LIMITS.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                what, _, unit = name.partition("_")
                raise ValueError(f"{what} {unit} {value:g} is outside {low:g} to {high:g}")


USUAL = FingeringSettings()
"""The settings where none are given."""


@frozen
class Place:
    """Where a note can be played: a node, a stopped (`fret` above 0) or open string, a stop with a node beyond it."""

    string: int
    node: Node | None
    fret: int | None
    plucking_hand: bool
    position_mm: float
    along_mm: float
    """Where the hand is for it (`Instrument.along_mm`), the fretting hand where it stops the string."""
    offset_cents: float
    """How far it sounds above the wanted note."""
    finger_cost: float

    @property
    def tune_cost(self) -> float:
        """What its distance from the wanted pitch costs."""
        return abs(self.offset_cents / TUNE_CENTS) ** 3

    @property
    def cost(self) -> float:
        """What the place costs by itself, wherever the hands come from."""
        return self.finger_cost + self.tune_cost

    @property
    def spot(self) -> tuple[int, Node | None, int | None]:
        """What makes two places different to the ear and eye: string, node and fret, not the hand."""
        return (self.string, self.node, self.fret)

    @property
    def uses_fretting_hand(self) -> bool:
        return bool(self.fret) if self.plucking_hand else self.fret != 0

    @property
    def text(self) -> str:
        """As text tab writes it: `<3.2>` for a harmonic, `5` for a fret, `2<14>` for a touch beyond a stop."""
        fret = "" if self.fret is None else str(self.fret)
        return f"{fret}<{touch_label(self.node, self.fret or 0)}>" if self.node else fret


@lru_cache(1024)
def places_for(
    instrument: Instrument,
    midi: int,
    settings: FingeringSettings = USUAL,
    string: int | None = None,
) -> tuple[Place, ...]:
    """Every node that sounds `midi` within the tolerance, the least costly first."""
    wanted_hz = hz_from_midi(midi, instrument.a4_hz)
    places: list[Place] = []
    for at in _strings(instrument, string):
        places += _natural(instrument, at, wanted_hz, settings)
        if settings.artificial and settings.plucking_hand:
            places += _artificial(instrument, at, wanted_hz, settings)
    return tuple(sorted(places, key=_order))


def sounding_beside(
    places: Sequence[AnyPlace], beside_cents: float, cents_of: Callable[[AnyPlace], float]
) -> tuple[AnyPlace, ...]:
    """The places that sound so far beside the wanted note, as nearly as any of them; all where none is near."""
    beside = [abs(cents_of(place) - beside_cents) for place in places]
    nearest = min(beside, default=math.inf)
    if nearest > BESIDE_CENTS:
        return tuple(places)
    return tuple(place for place, cents in zip(places, beside, strict=True) if cents <= nearest + SAME_CENTS)


def _natural(
    instrument: Instrument, string: int, wanted_hz: float, settings: FingeringSettings
) -> Iterator[Place]:
    plucked = PluckedString.of(instrument, string)
    for node in nodes_upto(settings.upto):
        offset_cents = cents_between(instrument.sounding_hz(string, node), wanted_hz)
        if abs(offset_cents) > settings.tolerance_cents:
            continue
        finger = _finger_cost(plucked, node, settings)
        position_mm = instrument.position_mm(string, node)
        where_mm = (position_mm, instrument.along_mm(string, position_mm))
        high = HIGH_COST * max(0.0, 2.0 * node.numerator / node.partial - 1.0)
        yield Place(string, node, None, False, *where_mm, offset_cents, finger + high)
        if settings.plucking_hand and 2 * node.numerator >= node.partial:
            yield Place(string, node, None, True, *where_mm, offset_cents, finger + PLUCKING_HAND_COST)


def _artificial(
    instrument: Instrument, string: int, wanted_hz: float, settings: FingeringSettings
) -> Iterator[Place]:
    for fret in range(1, LAST_STOP + 1):
        offset_cents = cents_between(instrument.sounding_hz(string, OCTAVE, fret), wanted_hz)
        if abs(offset_cents) <= settings.tolerance_cents:
            plucked = PluckedString.of(instrument, string).stopped(fret)
            cost = ARTIFICIAL_COST + _finger_cost(plucked, OCTAVE, settings)
            touch_mm = instrument.position_mm(string, OCTAVE, fret)
            stop_mm = instrument.along_mm(string, instrument.fret_mm(string, fret))
            yield Place(string, OCTAVE, fret, True, touch_mm, stop_mm, offset_cents, cost)


def _finger_cost(plucked: PluckedString, node: Node, settings: FingeringSettings) -> float:
    """What a node costs by how little a finger may miss it."""
    width = finger_share(settings.finger_mm, plucked.length_mm)
    return FINGER_COST_MM / max(clear_mm(plucked, node, width), LEAST_CLEAR_MM)


def bass_places(instrument: Instrument, midi: int, string: int | None = None) -> tuple[Place, ...]:
    """Every stopped or open string that sounds `midi`, the lowest fret first."""
    places = []
    for at in _strings(instrument, string):
        fret = midi - instrument.open_midi(at)
        if 0 <= fret <= instrument.last_fret:
            fret_mm = instrument.fret_mm(at, fret)
            high = STOP_COST * max(0, fret - USUAL_FRET)
            places.append(Place(at, None, fret, False, fret_mm, instrument.along_mm(at, fret_mm), 0.0, high))
    return tuple(sorted(places, key=_order))


def under_held(
    places: Iterable[Place], held: Sequence[Place], settings: FingeringSettings
) -> tuple[tuple[Place, float], ...]:
    """The places that can be played while `held` notes sound, each with its cost, cheapest first.

    Left out: strings that are held, and what the fretting hand can't reach from a held stopped note.
    """
    busy = {place.string for place in held}
    stops_mm = [place.along_mm for place in held if place.fret]
    kept = []
    for place in places:
        span_mm = 0.0
        if place.uses_fretting_hand:
            span_mm = max((abs(place.along_mm - stop_mm) for stop_mm in stops_mm), default=0.0)
        if place.string not in busy and span_mm <= settings.reach_mm:
            kept.append((place, place.cost + reach_cost(span_mm, settings.reach_mm)))
    return tuple(sorted(kept, key=lambda pair: (pair[1], *_order(pair[0]))))


def reach_cost(span_mm: float, reach_mm: float) -> float:
    """What it costs to span `span_mm` with a hand that reaches `reach_mm`: a strain, and a penalty beyond it."""
    return (span_mm / reach_mm) ** 2 + (BEYOND_REACH_COST if span_mm > reach_mm else 0.0)


def why_nowhere(
    instrument: Instrument, number: int, note: WantedNote, is_bass: bool, settings: FingeringSettings
) -> str:
    """Why a note has no place: what was wanted, where it was looked for, what is nearest."""
    where = "" if note.string is None else f" on the {instrument.string_label(note.string)} string"
    if is_bass:
        return f"bass note {number} ({note_name(note.midi)}) is not on any fret from 0 to {instrument.last_fret}{where}"
    strings = _strings(instrument, note.string)
    wanted_hz = hz_from_midi(note.midi, instrument.a4_hz)
    sounding = {
        round(midi_from_hz(instrument.sounding_hz(string, node), instrument.a4_hz))
        for string in strings
        for node in nodes_upto(settings.upto)
    }
    if settings.artificial and settings.plucking_hand:
        above = range(13, 13 + LAST_STOP)
        sounding |= {instrument.open_midi(string) + rise for string in strings for rise in above}
    near = sorted(sounding - {note.midi}, key=lambda midi: (abs(midi - note.midi), midi))[:2]
    message = (
        f"note {number} ({note_name(note.midi)}, {wanted_hz:.1f} Hz) rings at no node up to partial "
        f"{settings.upto} within {settings.tolerance_cents:g} cents{where}"
    )
    return f"{message} (nearest that ring: {', '.join(note_name(midi) for midi in sorted(near))})"


def _strings(instrument: Instrument, string: int | None) -> Sequence[int]:
    """Where to look: on all strings where none is named."""
    return range(len(instrument.strings)) if string is None else (string,)


def _order(place: Place) -> tuple[float, int, float]:
    """Which of equal places is named first: the cheaper, the higher string, the nearer to the nut."""
    return (place.cost, place.string, place.position_mm)
