"""Tuning by harmonics: which nodes to compare, how fast they beat, what drifts, and a way that avoids it.

Conventions: strings are indices from 0, the highest. A pair compares partial p of a lower string with partial q of
a higher one. Its beat rate is the difference of the two frequencies, b = |p f_low - q f_high| (Helmholtz, On the
Sensations of Tone, part II: as many beats a second as the vibration numbers differ). A range (low, high) stands for
what is known of a string's stiffness B (Fletcher, JASA 36 (1964) 203); each string has its own, and its B may lie
anywhere in it, independently of the others. Where no ranges are given, strings are ideal. `Heard` is a pair while its
higher string is moved by cents, 0 where it is equal-tempered.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

from coach.ground.frozen import frozen
from coach.strings.instrument import STIFFNESS_RANGE, Instrument
from coach.strings.node import Node
from coach.strings.units import A4_MIDI, cents_between, detuned_hz, stiffening

HIGHEST_COMPARED_PARTIAL = 9
CLOSE_CENTS = 40.0
"""Partials further apart than this on equal-tempered strings, or higher, are not taken as a pair. Our own."""
NO_ERROR_CENTS = 0.05
"""Less than half of the last digit that is shown."""
STIFFNESS_SPREAD = 2.0
"""One value of B stands for B / 2 to 2 B: wound strings of one gauge differ about so much. Uncalibrated."""
MEASURED_SPREAD, MEASURED_WITHIN_B = 1.3, 1e-5
"""A value that was measured on the string itself stands for this much, and a little more where strings are thin
(docs/listening.md says how often that is right)."""
FIFTH = 7

Range = tuple[float, float]
Ranges = Sequence[Range]
"""A range of B for each string."""


@frozen
class Pair:
    """Two nodes that should agree: partial `low_partial` of the lower string, `high_partial` of the higher."""

    low_string: int
    high_string: int
    low_partial: int
    high_partial: int
    low_hz: float
    """Frequency of the lower string's partial when equal-tempered and ideal."""
    high_hz: float
    beats_hz: Range
    """Beats per second when both open strings are equal-tempered."""
    offset_cents: Range
    """The lower string's partial against the higher string's, when both are equal-tempered."""

    @property
    def low_node(self) -> Node:
        return Node(1, self.low_partial)

    @property
    def high_node(self) -> Node | None:
        """Where to touch the higher string; None for its open note."""
        return None if self.high_partial == 1 else Node(1, self.high_partial)


@frozen
class Drift:
    """Where a string ends when each pair from the reference string on is made beatless."""

    string: int
    hz: Range
    offset_cents: Range
    """Against equal temperament."""


@frozen
class FromReference:
    """One string compared with the reference string only, so that no error is passed on.

    `fret` is where the string, stopped, sounds the reference string's open note in some octave. Octaves are
    exact in equal temperament, so `own_partial` of the stopped note and `reference_partial` of the reference
    string (1 is the open string) agree at `hz` without a beat, but for stiffness; stopping a string raises its B
    by the square of the frequency ratio (B goes with 1 / length^2, Fletcher 1964). `pair` compares harmonics
    instead, with the beats that must be left; None where no two partials are close.
    """

    string: int
    fret: int
    own_partial: int
    reference_partial: int
    hz: float
    offset_cents: Range
    """The reference's partial against the stopped note's: 0 on ideal strings."""
    pair: Pair | None


@frozen
class Trend:
    """What the drift of a tuning comes to."""

    furthest: tuple[int, ...]
    """The strings that are the furthest off: several where they tie; none where nothing drifts."""
    adds_up: bool
    """The errors on the way to them have one direction, and there are several."""
    cancels: bool
    """Some of the errors on the way to them go against the others."""
    sure: bool = True
    """They are the furthest off wherever B is in its ranges; else only where it is worst for them."""


def stiffness_range(b: float, measured: bool = False) -> Range:
    """The range that one value of B stands for: narrower where a microphone measured the string."""
    spread, more = (MEASURED_SPREAD, MEASURED_WITHIN_B) if measured else (STIFFNESS_SPREAD, 0.0)
    return (max(b / spread - more, 0.0), min(b * spread + more, STIFFNESS_RANGE[1]))


def stiffness_ranges(instrument: Instrument) -> tuple[Range, ...]:
    """The range of each string's B: narrow where it was measured."""
    return tuple(
        stiffness_range(instrument.stiffness(at), string.measured_cents is not None)
        for at, string in enumerate(instrument.strings)
    )


def in_pure_fifths(instrument: Instrument) -> bool:
    """Whether its open strings are tuned pure: fifths without frets, as of the violin family (common practice).

    All others are tuned to equal temperament: a fretless bass and a double bass in fourths too, since they play with
    others. Of double basses practice varies: some players tune pure fourths from A.
    """
    steps = {
        instrument.open_midi(high) - instrument.open_midi(low)
        for low, high in itertools.pairwise(by_pitch(instrument))
    }
    return not instrument.fretted and steps == {FIFTH}


def usual_reference(instrument: Instrument) -> int:
    """The lowest string; of pure fifths the A."""
    order = by_pitch(instrument)
    if not in_pure_fifths(instrument):
        return order[0]
    a = (string for string in order if instrument.string_at(string).midi % 12 == A4_MIDI % 12)
    return next(a, order[0])


def goal_hz(instrument: Instrument, pair: Pair) -> float:
    """How much higher the higher string's partial is than the lower's when the pair is in tune, in Hz.

    0 where strings are tuned in pure fifths; else what equal temperament and the strings' B leave.
    """
    low_hz, high_hz = _sounding_hz(instrument, pair)
    return 0.0 if in_pure_fifths(instrument) else high_hz - low_hz


def moved_beats_hz(instrument: Instrument, pair: Pair, cents: float) -> float:
    """Beats per second of a pair while its higher string is moved by `cents` from equal temperament."""
    low_hz, high_hz = _sounding_hz(instrument, pair)
    return abs(low_hz - detuned_hz(high_hz, cents))


def _sounding_hz(instrument: Instrument, pair: Pair) -> tuple[float, float]:
    """What the two nodes of a pair sound, the strings' B included, when both strings are equal-tempered."""
    low_b, high_b = instrument.stiffness(pair.low_string), instrument.stiffness(pair.high_string)
    return (
        pair.low_hz * stiffening(pair.low_partial, low_b),
        pair.high_hz * stiffening(pair.high_partial, high_b),
    )


def pair_between(
    instrument: Instrument, low_string: int, high_string: int, ranges: Ranges = ()
) -> Pair | None:
    """The pair to compare on two strings: the lowest partials that are the closest; None where none is close.

    Among partials up to 9 that lie within 40 cents on equal-tempered strings, the smallest sum of both numbers
    wins: low partials are loud and forgiving. Unisons and octaves compare open strings (partial 1) too.
    """
    low_hz, high_hz = instrument.open_hz(low_string), instrument.open_hz(high_string)
    candidates = [
        (p + q, p, q)
        for p in range(2, HIGHEST_COMPARED_PARTIAL + 1)
        for q in range(1, HIGHEST_COMPARED_PARTIAL + 1)
        if abs(cents_between(p * low_hz, q * high_hz)) <= CLOSE_CENTS
    ]
    if not candidates:
        return None
    _sum, p, q = min(candidates)
    corners = [
        (p * low_hz * stiffening(p, b_low), q * high_hz * stiffening(q, b_high))
        for b_low, b_high in _corners(_range_of(ranges, low_string), _range_of(ranges, high_string))
    ]
    offsets = [cents_between(low, high) for low, high in corners]
    return Pair(
        low_string,
        high_string,
        p,
        q,
        p * low_hz,
        q * high_hz,
        _absolute_range([low - high for low, high in corners]),
        (min(offsets), max(offsets)),
    )


def adjacent_pairs(instrument: Instrument, ranges: Ranges = ()) -> tuple[Pair, ...]:
    """The pair of each two neighbouring strings by pitch, from the lowest; those with none are left out."""
    order = by_pitch(instrument)
    pairs = (pair_between(instrument, low, high, ranges) for low, high in itertools.pairwise(order))
    return tuple(pair for pair in pairs if pair is not None)


def beatless_drift(
    instrument: Instrument, reference: int | None = None, ranges: Ranges = ()
) -> tuple[Drift, ...]:
    """Where each string ends when every neighbouring pair is made beatless, starting from the reference string.

    The reference (the lowest string where none is given) is equal-tempered and does not move. Strings that no chain
    of pairs reaches are left out. Lowest string first.
    """
    order = by_pitch(instrument)
    start = order.index(order[0] if reference is None else reference)
    # Each string's powers of its own partials' stretch in the product that leads from the reference to it.
    chains: dict[int, tuple[float, dict[int, tuple[tuple[int, int], ...]]]] = {start: (1.0, {})}
    steps = [(i, i + 1) for i in range(start, len(order) - 1)] + [(i, i - 1) for i in range(start, 0, -1)]
    for known, wanted in steps:
        low, high = min(known, wanted), max(known, wanted)
        pair = pair_between(instrument, order[low], order[high])
        if pair is None or known not in chains:
            continue
        up = 1 if wanted > known else -1
        ratio, powers = chains[known]
        ratio *= (pair.low_partial / pair.high_partial) ** up
        chains[wanted] = (
            ratio,
            powers
            | {
                low: (*powers.get(low, ()), (pair.low_partial, up)),
                high: (*powers.get(high, ()), (pair.high_partial, -up)),
            },
        )
    drifts = []
    for place, (ratio, powers) in sorted(chains.items()):
        low_hz = high_hz = ratio * instrument.open_hz(order[start])
        for at, terms in powers.items():
            spread = _range_of(ranges, order[at])
            ends = [math.prod(stiffening(partial, b) ** power for partial, power in terms) for b in spread]
            low_hz, high_hz = low_hz * min(ends), high_hz * max(ends)
        target_hz = instrument.open_hz(order[place])
        offsets = cents_between(low_hz, target_hz), cents_between(high_hz, target_hz)
        drifts.append(Drift(order[place], (low_hz, high_hz), offsets))
    return tuple(drifts)


def trend(drifts: Sequence[Drift], reference: int) -> Trend:
    """Which strings a beatless tuning leaves the furthest off, and how its errors got there.

    `drifts` are those of `beatless_drift`, the lowest string first. Errors below a twentieth of a cent are none.
    """
    middles = [sum(drift.offset_cents) / 2.0 for drift in drifts]
    sizes = [max(abs(end) for end in drift.offset_cents) for drift in drifts]
    worst = max(sizes)
    if worst < NO_ERROR_CENTS:
        return Trend((), False, False)
    start = next(at for at, drift in enumerate(drifts) if drift.string == reference)
    tops = [at for at, size in enumerate(sizes) if worst - size < NO_ERROR_CENTS]
    signs = []
    for at in tops:
        way = middles[start : at + 1] if at > start else middles[at : start + 1]
        steps = [after - before for before, after in itertools.pairwise(way)]
        signs.append([step > 0 for step in steps if abs(step) >= NO_ERROR_CENTS])
    # The least that a string is off: nothing where its range has both signs.
    least = [max(min(drift.offset_cents), -max(drift.offset_cents), 0.0) for drift in drifts]
    others = [size for at, size in enumerate(sizes) if at not in tops]
    return Trend(
        tuple(drifts[at].string for at in tops),
        all(len(each) > 1 and len(set(each)) == 1 for each in signs),
        any(len(set(each)) > 1 for each in signs),
        min(least[at] for at in tops) + NO_ERROR_CENTS >= max(others, default=0.0),
    )


def from_reference(instrument: Instrument, reference: int, ranges: Ranges = ()) -> tuple[FromReference, ...]:
    """How to compare every other string with the reference string alone. Lowest string first."""
    ways = []
    wanted = instrument.string_at(reference).midi
    for string in by_pitch(instrument):
        if string == reference:
            continue
        fret = (wanted - instrument.string_at(string).midi) % 12
        octaves = (instrument.string_at(string).midi + fret - wanted) // 12
        own_partial, reference_partial = 2 ** max(-octaves, 0), 2 ** max(octaves, 0)
        shorter = 2.0 ** (fret / 6.0)
        offsets = [
            cents_between(stiffening(reference_partial, b), stiffening(own_partial, own_b * shorter))
            for b, own_b in _corners(_range_of(ranges, reference), _range_of(ranges, string))
        ]
        low, high = sorted((reference, string), key=instrument.open_hz)
        ways.append(
            FromReference(
                string,
                fret,
                own_partial,
                reference_partial,
                reference_partial * instrument.open_hz(reference),
                (min(offsets), max(offsets)),
                pair_between(instrument, low, high, ranges),
            )
        )
    return tuple(ways)


def by_pitch(instrument: Instrument) -> list[int]:
    """String indices from the lowest pitch to the highest."""
    return sorted(range(len(instrument.strings)), key=lambda string: (instrument.open_hz(string), -string))


def _range_of(ranges: Ranges, string: int) -> Range:
    return ranges[string] if ranges else (0.0, 0.0)


def _corners(one: Range, other: Range) -> list[tuple[float, float]]:
    """Every pairing of the ends of two ranges: a monotone function of both takes its extremes here."""
    return list(itertools.product(sorted(set(one)), sorted(set(other))))


def _absolute_range(differences: list[float]) -> Range:
    """Range of |x| for x anywhere between the least and the greatest difference."""
    low, high = min(differences), max(differences)
    sizes = (abs(low), abs(high))
    return (0.0 if low < 0.0 < high else min(sizes), max(sizes))


STRIKE_S = 6.0
"""From one strike of what is heard to the next. Our own."""
WIDEST_CENTS = 50.0
"""How far the higher string can be moved, to either side. Our own."""


@frozen
class Heard:
    """What is heard: a pair with its higher string moved by cents, or one open string."""

    instrument: Instrument
    pairs: tuple[Pair, ...]
    string: int | None = None
    """The open string that is heard in place of a pair."""
    index: int = 0
    cents: float = 0.0

    @property
    def pair(self) -> Pair:
        return self.pairs[self.index]


def moved(heard: Heard, cents: float) -> Heard:
    """With the higher string moved by so many cents more, at most 50 to either side."""
    return replace(heard, cents=max(-WIDEST_CENTS, min(WIDEST_CENTS, heard.cents + cents)))


def beatless(heard: Heard) -> Heard:
    """With the higher string where the pair does not beat."""
    return (
        replace(heard, cents=cents_between(*_sounding_hz(heard.instrument, heard.pair)))
        if heard.pairs
        else heard
    )
