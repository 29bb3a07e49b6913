"""What a pair or a string that is heard asks of the pegs: which one to turn, which way, how far; in words for people.

Conventions: cents are those by which a string has to be moved, positive upwards. Of a pair the string that is further
from the reference string is turned. Sentences are plain; lines for the screen are short, to be drawn two metres large.
"""

from __future__ import annotations

from coach.ground.frozen import frozen
from coach.listen.band import Meeting
from coach.listen.beats import Beats
from coach.listen.open_string import MeasuredString
from coach.strings.instrument import Instrument
from coach.strings.tuning import Pair, by_pitch, goal_hz
from coach.strings.units import cents_between

IN_TUNE_HZ = 0.05
"""A pair is in tune where its beat is that near to its goal, or as near as the sound tells."""
IN_TUNE_CENTS = 1.0
"""A string by itself is in tune within this: about what a player hears at best between notes that follow each other
(uncalibrated)."""
SURE_CENTS = 1.0
LEAST_SURE_HZ = 1.0
"""An error of more beats a second than this is no help to anyone."""
SLOWEST_HZ = 0.15
"""Beats slower than this are hardly heard as beats; goals below it are called beatless."""


@frozen
class Turn:
    """What to do, in short lines for the screen and one sentence."""

    heard: str
    """`0.48 BEATS/S`, `3.1 CENTS FLAT`."""
    peg: str
    """`A UP 3.1 CENTS`; empty where there is nothing to turn."""
    goal: str
    """`GOAL 0.19 BEATS/S`, `GOAL: NO BEAT`."""
    sentence: str
    sure: bool
    cents: float | None = None
    """How far to turn; None where that is not known."""
    in_tune: bool = False


def meeting_of(instrument: Instrument, pair: Pair) -> Meeting:
    """The pair as `beats.py` listens for it."""
    return Meeting(
        instrument.open_hz(pair.low_string),
        instrument.open_hz(pair.high_string),
        pair.low_partial,
        pair.high_partial,
    )


def turned_string(instrument: Instrument, pair: Pair, reference: int) -> int:
    """The string of a pair whose peg is turned: the one further from the reference string in order of pitch."""
    order = by_pitch(instrument)
    both = (pair.high_string, pair.low_string)
    return max(both, key=lambda string: abs(order.index(string) - order.index(reference)))


def pair_turn(instrument: Instrument, pair: Pair, reference: int, beats: Beats | None) -> Turn:
    """What a pair asks for, from what was heard of it; None is nothing."""
    goal = goal_hz(instrument, pair)
    goal_line = _goal_line(goal)
    if beats is None:
        return Turn("", "", goal_line, "Let both ring together for three seconds.", sure=False)
    if beats.alone:
        why = "Only one of the two strings is heard: let both ring together for three seconds."
        return Turn("ONE STRING", "", goal_line, why, sure=False)
    if beats.one_tone:
        why = "No beat is heard: either only one string rings, or both agree."
        return Turn("NO BEAT", "", goal_line, f"{why} {_want(goal)}", sure=False)
    if not beats.sure:
        about = f"about {beats.beats_hz:.1f} beats a second, give or take {beats.error_hz:.1f}"
        why = f"Not sure: {about}." if beats.error_hz < LEAST_SURE_HZ else "Not sure how fast they beat."
        return Turn(
            "NOT SURE", "", goal_line, f"{why} Let both ring longer and louder, and nothing else.", False
        )
    return _turn(instrument, pair, turned_string(instrument, pair, reference), beats, goal)


def _turn(instrument: Instrument, pair: Pair, string: int, beats: Beats, goal: float) -> Turn:
    label = instrument.string_label(string)
    heard = f"{beats.beats_hz:.2f} BEATS/S"
    goal_line = _goal_line(goal)
    there = f"{beats.beats_hz:.2f} beats a second. {_want(goal)}"
    limit = max(IN_TUNE_HZ, 2.0 * beats.error_hz)
    ways = [_cents(pair, string, beats, goal, sign) for sign in (1.0, -1.0)]
    told = beats.high_hz > beats.low_hz
    if beats.sure_of_way:
        cents = ways[0] if told else ways[1]
        if abs(beats.high_hz - beats.low_hz - goal) <= limit:
            return Turn(heard, "IN TUNE", goal_line, f"{there} In tune.", True, cents, True)
        peg = f"{label} {'UP' if cents > 0 else 'DOWN'} {abs(cents):.1f} CENTS"
        return Turn(heard, peg, goal_line, f"{there} {_do(label, cents)}", True, cents)
    # Of two strings that meet at 0 Hz apart, either side of it beats alike.
    if abs(beats.beats_hz - abs(goal)) <= limit:
        side = "flat" if (string == pair.high_string) == (goal < 0) else "sharp"
        back = "down" if side == "flat" else "up"
        check = f"In tune if {label} is the {side} one: a hair {back} must beat faster."
        done = abs(goal) <= limit
        return Turn(
            heard,
            "IN TUNE" if done else "IN TUNE?",
            goal_line,
            f"{there} {'In tune.' if done else check}",
            True,
            None,
            done,
        )
    least, most = sorted(abs(cents) for cents in ways)
    if ways[0] * ways[1] > 0.0:
        way = "up" if ways[0] > 0 else "down"
        peg = f"{label} {way.upper()} {least:.1f} CENTS"
        return Turn(
            heard, peg, goal_line, f"{there} Turn {label} {way} by {least:.1f} to {most:.1f} cents.", True
        )
    far = f"{least:.1f}" if most - least < 0.1 else f"{least:.1f} or {most:.1f}"
    trial = f"{label} is {far} cents off, but which way is not clear: turn it a little, and back if it beats faster."
    return Turn(heard, f"{label} +/- {least:.1f} CENTS", goal_line, f"{there} {trial}", True)


def string_turn(instrument: Instrument, string: int, measured: MeasuredString | None) -> Turn:
    """What one open string asks for against its own pitch."""
    label = instrument.string_label(string)
    pitch_hz = instrument.open_hz(string)
    goal_line = f"GOAL {pitch_hz:.2f} HZ"
    if measured is None:
        return Turn("", "", goal_line, f"Pluck the {label} string open, and let it ring.", sure=False)
    cents = cents_between(measured.f0_hz, pitch_hz)
    if measured.error_cents > SURE_CENTS:
        return Turn("NOT SURE", "", goal_line, f"Not sure: {label} may be {cents:+.0f} cents off.", False)
    there = f"{label} sounds at {measured.f0_hz:.2f} Hz."
    if abs(cents) <= IN_TUNE_CENTS:
        return Turn(f"{cents:+.1f} CENTS", "IN TUNE", goal_line, f"{there} In tune.", True, -cents, True)
    heard = f"{abs(cents):.1f} CENTS {'SHARP' if cents > 0 else 'FLAT'}"
    peg = f"{label} {'DOWN' if cents > 0 else 'UP'}"
    return Turn(heard, peg, goal_line, f"{there} {_do(label, -cents)}", True, -cents)


def _cents(pair: Pair, string: int, beats: Beats, goal: float, sign: float) -> float:
    """How far to move the string if the higher one is sharp (1) or flat (-1) by the beats that are heard."""
    middle = (beats.low_hz + beats.high_hz) / 2.0
    low, high = middle - sign * beats.beats_hz / 2.0, middle + sign * beats.beats_hz / 2.0
    return cents_between(low + goal, high) if string == pair.high_string else cents_between(high - goal, low)


def _do(label: str, cents: float) -> str:
    return f"Turn {label} {'up' if cents > 0 else 'down'} by {abs(cents):.1f} cents."


def _want(goal: float) -> str:
    return "It should not beat." if abs(goal) < SLOWEST_HZ else f"It should beat {abs(goal):.2f} a second."


def _goal_line(goal: float) -> str:
    return "GOAL: NO BEAT" if abs(goal) < SLOWEST_HZ else f"GOAL {abs(goal):.2f} BEATS/S"
