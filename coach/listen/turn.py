"""What a pair or a string that is heard asks of the pegs: which one to turn, which way, how far; in words for people.

Conventions: cents are those by which a string has to be moved, positive upwards. Of a pair the string that is further
from the reference string is turned. Sentences are plain; lines for the screen are short, to be drawn two metres large.
"""

from __future__ import annotations

from dataclasses import replace

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
class PegTurn:
    """What to do, in short lines for the screen and one sentence."""

    goal: str
    """`GOAL 0.19 BEATS/S`, `GOAL: NO BEAT`."""
    sentence: str
    heard: str = ""
    """`0.48 BEATS/S`, `3.1 CENTS FLAT`; empty where nothing is."""
    peg: str = ""
    """`A UP 3.1 CENTS`; empty where there is nothing to turn."""
    sure: bool = False
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


def pair_turn(instrument: Instrument, pair: Pair, reference: int, beats: Beats | None) -> PegTurn:
    """What a pair asks for, from what was heard of it; None is nothing."""
    goal = goal_hz(instrument, pair)
    goal_line = "GOAL: NO BEAT" if abs(goal) < SLOWEST_HZ else f"GOAL {abs(goal):.2f} BEATS/S"
    want = "It should not beat." if abs(goal) < SLOWEST_HZ else f"It should beat {abs(goal):.2f} a second."
    if beats is None:
        return PegTurn(goal_line, "Let both ring together for three seconds.")
    if beats.alone:
        why = "Only one of the two strings is heard: let both ring together for three seconds."
        return PegTurn(goal_line, why, "ONE STRING")
    if beats.one_tone:
        why = "No beat is heard: either only one string rings, or both agree."
        return PegTurn(goal_line, f"{why} {want}", "NO BEAT")
    if not beats.sure:
        about = f"about {beats.beats_hz:.1f} beats a second, give or take {beats.error_hz:.1f}"
        why = f"Not sure: {about}." if beats.error_hz < LEAST_SURE_HZ else "Not sure how fast they beat."
        return PegTurn(goal_line, f"{why} Let both ring longer and louder, and nothing else.", "NOT SURE")
    string = turned_string(instrument, pair, reference)
    turn = _turn_by(instrument.string_label(string), pair, string, beats, goal)
    there = f"{beats.beats_hz:.2f} beats a second. {want}"
    sentence = f"{there} {turn.sentence}"
    return replace(turn, goal=goal_line, sentence=sentence, heard=f"{beats.beats_hz:.2f} BEATS/S", sure=True)


def _turn_by(label: str, pair: Pair, string: int, beats: Beats, goal: float) -> PegTurn:
    """What to turn where the beat is surely heard, without what was heard and what is wanted."""
    limit = max(IN_TUNE_HZ, 2.0 * beats.error_hz)
    ways = [_cents(pair, string, beats, goal, sign) for sign in (1.0, -1.0)]
    if beats.sure_of_way:
        cents = ways[0] if beats.high_hz > beats.low_hz else ways[1]
        if abs(beats.high_hz - beats.low_hz - goal) <= limit:
            return _in_tune(cents)
        peg = f"{label} {'UP' if cents > 0 else 'DOWN'} {abs(cents):.1f} CENTS"
        return PegTurn("", _do(label, cents), peg=peg, cents=cents)
    # Of two strings that meet at 0 Hz apart, either side of it beats alike.
    if abs(beats.beats_hz - abs(goal)) <= limit:
        if abs(goal) <= limit:
            return _in_tune()
        side, back = ("flat", "down") if (string == pair.high_string) == (goal < 0) else ("sharp", "up")
        check = f"In tune if {label} is the {side} one: a hair {back} must beat faster."
        return PegTurn("", check, peg="IN TUNE?")
    least, most = sorted(abs(cents) for cents in ways)
    if ways[0] * ways[1] > 0.0:
        way = "up" if ways[0] > 0 else "down"
        sentence = f"Turn {label} {way} by {least:.1f} to {most:.1f} cents."
        return PegTurn("", sentence, peg=f"{label} {way.upper()} {least:.1f} CENTS")
    far = f"{least:.1f}" if most - least < 0.1 else f"{least:.1f} or {most:.1f}"
    trial = f"{label} is {far} cents off, but which way is not clear: turn it a little, and back if it beats faster."
    return PegTurn("", trial, peg=f"{label} +/- {least:.1f} CENTS")


def _in_tune(cents: float | None = None) -> PegTurn:
    return PegTurn("", "In tune.", peg="IN TUNE", cents=cents, in_tune=True)


def string_turn(instrument: Instrument, string: int, measured: MeasuredString | None) -> PegTurn:
    """What one open string asks for against its own pitch."""
    label = instrument.string_label(string)
    pitch_hz = instrument.open_hz(string)
    goal_line = f"GOAL {pitch_hz:.2f} HZ"
    if measured is None:
        return PegTurn(goal_line, f"Pluck the {label} string open, and let it ring.")
    cents = cents_between(measured.f0_hz, pitch_hz)
    if measured.error_cents > SURE_CENTS:
        return PegTurn(goal_line, f"Not sure: {label} may be {cents:+.0f} cents off.", "NOT SURE")
    turn, heard = _in_tune(-cents), f"{cents:+.1f} CENTS"
    if abs(cents) > IN_TUNE_CENTS:
        heard = f"{abs(cents):.1f} CENTS {'SHARP' if cents > 0 else 'FLAT'}"
        peg = f"{label} {'DOWN' if cents > 0 else 'UP'}"
        turn = PegTurn("", _do(label, -cents), peg=peg, cents=-cents)
    sentence = f"{label} sounds at {measured.f0_hz:.2f} Hz. {turn.sentence}"
    return replace(turn, goal=goal_line, sentence=sentence, heard=heard, sure=True)


def _cents(pair: Pair, string: int, beats: Beats, goal: float, sign: float) -> float:
    """How far to move the string if the higher one is sharp (1) or flat (-1) by the beats that are heard."""
    middle = (beats.low_hz + beats.high_hz) / 2.0
    low, high = middle - sign * beats.beats_hz / 2.0, middle + sign * beats.beats_hz / 2.0
    return cents_between(low + goal, high) if string == pair.high_string else cents_between(high - goal, low)


def _do(label: str, cents: float) -> str:
    return f"Turn {label} {'up' if cents > 0 else 'down'} by {abs(cents):.1f} cents."
