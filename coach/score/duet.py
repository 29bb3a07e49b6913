"""Arranges a melody part over a bass part: the melody in natural harmonics, the bass stopped and open, for one player.

Conventions: seconds at the piece's first tempo; pitches are sounding MIDI numbers. In each of the twelve keys melody
and bass go to the octaves that suit them best, and the node search (`coach.strings.fingering`) gives the cheapest
places over the held bass; a note is left out where its places cost more than it is worth. The worths are our own and
uncalibrated; they only rank. Keys in which far fewer notes ring than in the best are not searched.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError, Problem
from coach.music.key import Key, moved_spelling
from coach.score.score import Score, ScoreBar, ScoreNote, join_ties, numbered
from coach.strings.fingering import Choice, Fingering, find_fingering
from coach.strings.fingering_text import place_text
from coach.strings.instrument import Instrument
from coach.strings.reach import USUAL, WantedNote, places_for
from coach.words.names import tuning_name

MELODY, BASS = "harmonics", "bass"
"""The layers of the drill, and the voices of the notes before."""
MELODY_WORTH, BASS_WORTH = 70.0, 28.0
"""What leaving a note out costs: a melody note is worth more than a cut ring or a span beyond the reach, a bass note
less."""
KEYS = range(-6, 6)
_OCTAVES = (0, -12, 12, -24, 24, -36, 36)
_BASS_SPAN = 19
"""Semitones above the lowest string in which a bass line lies well: up to the D string's fifth fret on a bass."""
_NEAR = 2
WORTH_WEIGHING = 0.9
"""The share of the best key's ringing notes below which a key is not searched."""


@frozen
class Struck:
    """A note of one of the two lines at its place in the file, in whole notes."""

    onset: Fraction
    bar: ScoreBar
    note: ScoreNote


@frozen
class Shift:
    """How many semitones melody and bass are moved: the same key, each in its octave."""

    melody: int
    bass: int

    @property
    def key(self) -> int:
        """The move without its octaves, from -6 to 5."""
        return (self.bass + 6) % 12 - 6


@frozen
class Arrangement:
    """A key and what it asks; without a fingering where too few notes ring in it."""

    shift: Shift
    rings: int
    """Notes of the melody that ring at some node."""
    fingering: Fingering | None = None

    @property
    def cost(self) -> float:
        return self.fingering.cost if self.fingering else math.inf

    def choices(self, layer: str) -> list[Choice]:
        """The places of the notes that are kept of a layer."""
        wanted = "bass" if layer == BASS else "melody"
        return (
            [choice for choice in self.fingering.choices if choice.layer == wanted] if self.fingering else []
        )


@frozen
class Duet:
    """The two lines and what the search needs to know of them."""

    melody: tuple[Struck, ...]
    bass: tuple[Struck, ...]
    instrument: Instrument
    seconds_per_whole: float

    def wanted(self, shift: Shift) -> tuple[list[WantedNote], list[WantedNote]]:
        """The notes of melody and bass for the search, moved."""
        lines = ((self.melody, shift.melody, MELODY_WORTH), (self.bass, shift.bass, BASS_WORTH))
        melody, bass = (
            [
                WantedNote(
                    float(one.onset) * self.seconds_per_whole,
                    max(float(one.note.length) * self.seconds_per_whole, 0.001),
                    self.moved(one, semitones),
                    leave_cost=worth,
                )
                for one in line
            ]
            for line, semitones, worth in lines
        )
        return melody, bass

    def moved(self, one: Struck, semitones: int) -> int:
        """The pitch of a moved note; a bass note below the lowest string goes up an octave."""
        midi = one.note.midi + semitones
        lowest = min(string.midi for string in self.instrument.strings)
        while one.note.voice == BASS and midi < lowest:
            midi += 12
        return max(0, min(127, midi))

    def rings(self, midi: int) -> bool:
        return 0 <= midi <= 127 and bool(places_for(self.instrument, midi))


def duet_of(score: Score, instrument: Instrument, seconds_per_whole: float, where: str) -> Duet:
    """Melody and bass, each one note at a time: of a chord the highest and the lowest. CoachError without a melody."""
    starts, at = [], Fraction(0)
    for bar in score.bars:
        starts.append((at, bar))
        at += bar.length
    lines: dict[str, dict[Fraction, Struck]] = {MELODY: {}, BASS: {}}
    for onset, bar, note, _ in join_ties(starts):
        there = lines[note.voice].get(onset)
        better = there is None or (note.midi > there.note.midi) == (note.voice == MELODY)
        if there is not None and note.midi != there.note.midi:
            score.remark(
                bar.number, "of notes that start together, the melody has the highest, the bass the lowest"
            )
        if better:
            lines[note.voice][onset] = Struck(onset, bar, note)
    melody, bass = (tuple(line[onset] for onset in sorted(line)) for line in (lines[MELODY], lines[BASS]))
    if not melody:
        guess = f"another --melody: {numbered(score.parts)}"
        raise CoachError(Problem("the melody has no note here to play", where, guess=guess))
    return Duet(melody, bass, instrument, seconds_per_whole)


def arrangements(duet: Duet, keys: Sequence[int], where: str) -> list[Arrangement]:
    """A row for each of these keys, the cheapest first; CoachError where the melody rings in none of them."""
    rows = sorted((_unsearched(duet, key) for key in keys), key=lambda row: abs(row.shift.key))
    if not any(row.rings for row in rows):
        strings = tuning_name(duet.instrument)
        what = "in any key" if len(keys) > 1 else "in this key"
        message = f"no note of the melody rings at a node of {strings} {what}"
        guess = "choose another --instrument" if len(keys) > 1 else "--transpose best tries all keys"
        raise CoachError(Problem(message, where, guess=guess))
    enough = WORTH_WEIGHING * max(row.rings for row in rows)
    rows = [_searched(duet, row) if row.rings >= enough else row for row in rows]
    return sorted(rows, key=lambda row: (row.cost, -row.rings))


def _searched(duet: Duet, row: Arrangement) -> Arrangement:
    return replace(row, fingering=find_fingering(duet.instrument, *duet.wanted(row.shift)))


def _unsearched(duet: Duet, key: int) -> Arrangement:
    melody = max(
        (key + octave for octave in _OCTAVES),
        key=lambda move: (sum(duet.rings(one.note.midi + move) for one in duet.melody), -abs(move)),
    )
    lowest = min(string.midi for string in duet.instrument.strings)
    bass = min(
        (key + octave for octave in _OCTAVES),
        key=lambda move: (
            sum(_misfit(one.note.midi + move - lowest) for one in duet.bass),
            abs(move),
        ),
    )
    rings = sum(duet.rings(one.note.midi + melody) for one in duet.melody)
    return Arrangement(Shift(melody, bass), rings)


def _misfit(above_lowest: int) -> int:
    """How badly a bass note lies so many semitones above the lowest string."""
    return -3 * above_lowest if above_lowest < 0 else max(0, above_lowest - _BASS_SPAN)


def place_duet(score: Score, duet: Duet, chosen: Arrangement) -> None:
    """Leave in the score the notes that the arrangement keeps, moved and at their places; tell the others by bar."""
    shift = chosen.shift
    for bar in score.bars:
        bar.notes = []
        bar.key = bar.key.moved(shift.key) if bar.key else None
    lines = ((duet.melody, shift.melody, MELODY), (duet.bass, shift.bass, BASS))
    for line, semitones, layer in lines:
        at = {choice.note.onset_s: choice for choice in chosen.choices(layer)}
        for one in line:
            midi = duet.moved(one, semitones)
            choice = at.get(float(one.onset) * duet.seconds_per_whole)
            spelled = _respelled(one, shift, midi)
            if choice is None:
                score.remark(one.bar.number, _lost(duet, one, midi, spelled))
                continue
            if midi != one.note.midi + semitones:
                score.remark(one.bar.number, "a bass note below the lowest string is played an octave higher")
            one.bar.notes.append(_placed(one, choice, midi, spelled))
    score.layer_names = {MELODY: MELODY, BASS: BASS}
    score.remark("", _moved_text(shift))


def _placed(one: Struck, choice: Choice, midi: int, spelled: str) -> ScoreNote:
    place = choice.place
    return replace(
        one.note,
        midi=midi,
        string=place.string + 1,
        fret=place.fret,
        written=place.node.key if place.node else "",
        harmonic=place.node is not None,
        touched_by_plucking_hand=place.plucking_hand,
        spelled=spelled,
        key=one.bar.key,
        tie_start=False,
        tie_stop=False,
    )


def _respelled(one: Struck, shift: Shift, midi: int) -> str:
    """The name of a moved note: as far along the line of fifths from its key as it was."""
    old = one.note.key or Key(0)
    return moved_spelling(one.note.spelled, old.moved(shift.key).fifths - old.fifths, midi)


def _lost(duet: Duet, one: Struck, midi: int, spelled: str) -> str:
    """Why a note is left out, and the nodes nearest to a melody note that rings nowhere."""
    key = one.bar.key or Key(0)
    name = spelled or str(key.spelling(midi))
    if one.note.voice == BASS:
        return f"the bass note {name} is left out: no finger is free for it"
    if duet.rings(midi):
        return f"the melody's {name} is left out: no hand is free for its nodes"
    near = [
        f"{key.spelling(other)} at {place_text(duet.instrument, places_for(duet.instrument, other)[0])}"
        for step in range(1, _NEAR + 1)
        for other in (midi - step, midi + step)
        if duet.rings(other)
    ]
    nearest = f"; nearest: {', '.join(near)}" if near else ""
    return f"the melody's {name} is left out: it rings at no node{nearest}"


def _moved_text(shift: Shift) -> str:
    parts = [
        f"{layer} {abs(move)} {'semitone' if abs(move) == 1 else 'semitones'} {'up' if move > 0 else 'down'}"
        for layer, move in (("melody", shift.melody), ("bass", shift.bass))
        if move
    ]
    return f"transposed: {', '.join(parts)}" if parts else "not transposed"


def table_lines(duet: Duet, rows: Sequence[Arrangement], key: Key | None) -> list[str]:
    """The rows as a table: the key, what rings in it, the hardest of it, and what is lost."""
    lines = ["key        melody  bass  rings  hardest node  longest reach  hardest move       lost"]
    for row in rows:
        name = str(key.moved(row.shift.key)) if key else f"{row.shift.key:+d}"
        start = f"{name:<10} {row.shift.melody:+6d}{row.shift.bass:+6d}  {row.rings:>2}/{len(duet.melody):<3}"
        if row.fingering is None:
            lines.append(f"{start} too few notes ring")
            continue
        melody, bass = row.choices(MELODY), row.choices(BASS)
        hardest = max(melody, key=lambda choice: choice.place.finger_cost, default=None)
        choices = row.fingering.choices
        reach_mm = max(choice.span_mm for choice in choices)
        move = max(choices, key=lambda choice: choice.cost.speed)
        node = place_text(duet.instrument, hardest.place) if hardest else ""
        speed_mm_s = USUAL.hand_speed_mm_s * math.sqrt(move.cost.speed)
        lost = len(duet.melody) - len(melody)
        lost_bass = len(duet.bass) - len(bass)
        lines.append(
            f"{start} {node:<13} {reach_mm:>7.0f} mm      {move.move_mm:>4.0f} mm, {speed_mm_s:>4.0f} mm/s"
            f"  {lost:>2} + {lost_bass} bass"
        )
    return lines
