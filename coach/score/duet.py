"""Arranges a melody part over a bass part: the melody in natural harmonics, the bass stopped and open, for one player.

Conventions: seconds at the piece's first tempo; pitches are sounding MIDI numbers. A line is named by its part's or
track's number or name, or as `staff 2` or `voice 1` of the part that is read; where both lines have one name, the
highest notes are the melody and the lowest the bass. `arrange_duet.py` chooses the key and the octaves, and the node
search (`coach.strings.fingering`) the places over the held bass; a note is left out where its places cost more than it
is worth. The worths are our own and uncalibrated; they only rank.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import accumulate, groupby

from coach.ground.frozen import frozen
from coach.ground.plain import counted, listed, plain_text
from coach.ground.problem import CoachError
from coach.music.key import Key, moved_spelling
from coach.score.score import Score, ScoreBar, ScoreNote, StruckNote, join_ties, numbered
from coach.strings.fingering import Choice
from coach.strings.fingering_text import place_text
from coach.strings.instrument import Instrument
from coach.strings.reach import WantedNote, places_for

MELODY, BASS = "harmonics", "bass"
"""The layers of the drill, and the voices of the notes before."""
MELODY_WORTH, BASS_WORTH = 70.0, 28.0
"""What leaving a note out costs: a melody note is worth more than a cut ring or a span beyond the reach, a bass note
less."""
OPEN_WORTH = 98.0
"""An open string's bass note needs no finger: with a melody note and a bass note to choose between, it stays."""
RAISED_COST = 14.0
"""What it costs that a bass note below the lowest string goes up an octave: half of it is lost."""
_NEAR = 2


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
class Duet:
    """The two lines and what the search needs to know of them."""

    melody: tuple[StruckNote, ...]
    bass: tuple[StruckNote, ...]
    instrument: Instrument
    seconds_per_whole: float

    def wanted(self, shift: Shift) -> tuple[list[WantedNote], list[WantedNote]]:
        """The notes of melody and bass for the search, moved."""
        return (
            [self._wanted(one, shift.melody) for one in self.melody],
            [self._wanted(one, shift.bass) for one in self.bass],
        )

    def _wanted(self, one: StruckNote, semitones: int) -> WantedNote:
        midi = self.moved(one, semitones)
        opens = any(midi == string.midi for string in self.instrument.strings)
        worth = MELODY_WORTH if one.note.voice == MELODY else OPEN_WORTH if opens else BASS_WORTH
        return WantedNote(
            float(one.onset) * self.seconds_per_whole,
            max(float(one.note.length) * self.seconds_per_whole, 0.001),
            midi,
            # What a raised note costs, it costs anyway: left out, it is worth so much less.
            leave_cost=worth - (RAISED_COST if midi > one.note.midi + semitones else 0.0),
        )

    def moved(self, one: StruckNote, semitones: int) -> int:
        """The pitch of a moved note; a bass note below the lowest string goes up an octave."""
        midi = one.note.midi + semitones
        return max(0, min(127, self.within(midi) if one.note.voice == BASS else midi))

    def within(self, midi: int) -> int:
        """The pitch, octaves up where it lies below the lowest string."""
        below = min(string.midi for string in self.instrument.strings) - midi
        return midi + 12 * max(0, -(-below // 12))

    def pitches(self, line: Sequence[StruckNote]) -> Iterable[tuple[int, int]]:
        """The pitches of a line as they stand in the score, each with how often it is struck."""
        return Counter(one.note.midi for one in line).items()

    def rings(self, midi: int) -> bool:
        return 0 <= midi <= 127 and bool(places_for(self.instrument, midi))


def duet_of(score: Score, instrument: Instrument, seconds_per_whole: float, where: str) -> Duet:
    """Melody and bass, each one note at a time: of a chord the highest and the lowest. CoachError without a melody."""
    starts = accumulate((bar.length for bar in score.bars), initial=Fraction(0))
    lines: dict[str, dict[Fraction, StruckNote]] = {MELODY: {}, BASS: {}}
    for struck in join_ties(list(zip(starts, score.bars, strict=False))):
        onset, bar, note, _ = struck
        there = lines[note.voice].get(onset)
        better = there is None or (note.midi > there.note.midi) == (note.voice == MELODY)
        if there is not None and note.midi != there.note.midi:
            told = "of notes that start together, the melody has the highest, the bass the lowest"
            score.remark(bar.number, told)
        if better:
            lines[note.voice][onset] = struck
    melody, bass = (tuple(line[onset] for onset in sorted(line)) for line in (lines[MELODY], lines[BASS]))
    if not melody:
        guess = f"another --melody: {numbered(score.parts)}"
        raise CoachError("the melody has no note here to play", where, guess=guess)
    return Duet(melody, bass, instrument, seconds_per_whole)


def choices_of(choices: Iterable[Choice], layer: str) -> list[Choice]:
    """The places of one layer of the drill."""
    wanted = "bass" if layer == BASS else "melody"
    return [choice for choice in choices if choice.layer == wanted]


def place_duet(score: Score, duet: Duet, shift: Shift, choices: Sequence[Choice]) -> None:
    """Leave in the score the notes that have a place, moved and at their places; tell the others by bar."""
    for bar in score.bars:
        bar.notes = []
        bar.key = bar.key.moved(shift.key) if bar.key else None
    lines = ((duet.melody, shift.melody, MELODY), (duet.bass, shift.bass, BASS))
    for line, semitones, layer in lines:
        at = {choice.note.onset_s: choice for choice in choices_of(choices, layer)}
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


def _placed(one: StruckNote, choice: Choice, midi: int, spelled: str) -> ScoreNote:
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


def _respelled(one: StruckNote, shift: Shift, midi: int) -> str:
    """The name of a moved note: as far along the line of fifths from its key as it was."""
    old = one.note.key or Key(0)
    return moved_spelling(one.note.spelled, old.moved(shift.key).fifths - old.fifths, midi)


def _lost(duet: Duet, one: StruckNote, midi: int, spelled: str) -> str:
    """Why a note is left out, and the nodes nearest to a melody note that rings nowhere."""
    key = one.bar.key or Key(0)
    name = spelled or str(key.spelling(midi))
    if one.note.voice == BASS:
        return f"the bass note {name} is left out: its string or the fingers for it are taken"
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
        f"{layer} {counted(abs(move), 'semitone')} {'up' if move > 0 else 'down'}"
        for layer, move in (("melody", shift.melody), ("bass", shift.bass))
        if move
    ]
    return f"transposed: {', '.join(parts)}" if parts else "not transposed"


_INSIDE = re.compile(r"(staff|voice)\s+(\S+)", re.IGNORECASE)


@frozen
class LineNames:
    """Which lines the user wants, and of which part where they are staves or voices."""

    melody: str
    bass: str
    part: str | None = None

    def part_of(self, line: str, option: str) -> tuple[str | None, str]:
        """The part in which the line of an option is to be found, and the option that names that part."""
        return (self.part, "--part") if _INSIDE.fullmatch(line) else (line, option)

    @property
    def are_parts(self) -> bool:
        """Whether both are parts by themselves, so that no other part is to be named."""
        return not any(map(_INSIDE.fullmatch, (self.melody, self.bass)))


def two_lines(names: LineNames, melody: Score, bass: Score, where: str) -> Score:
    """The melody's score with the notes of both lines, in voices of these names; the parts may be one.

    CoachError where a part has no such staff or voice, or a line has no notes.
    """
    if names.melody.strip().lower() == names.bass.strip().lower():
        bars = [replace(bar, notes=_outer(bar)) for bar in melody.bars]
        if not any(note.voice == BASS for bar in bars for note in bar.notes):
            message = f"melody and bass are one line, {plain_text(names.bass, 40)}, and it has no chords"
            raise CoachError(message, where, guess="name another part with --bass?")
    else:
        high, low = (
            _picker(score, line, option, where)
            for score, line, option in ((melody, names.melody, "--melody"), (bass, names.bass, "--bass"))
        )
        if len(melody.bars) != len(bass.bars):
            shown = counted(len(melody.bars), "bar")
            message = f"the melody's part has {shown} and the bass's {len(bass.bars)}"
            raise CoachError(message, where, guess="is the file whole?")
        bars = [_together(over, under, high, low) for over, under in zip(melody.bars, bass.bars, strict=True)]
    for what, places in bass.remarked.items():
        for place in places:
            melody.remark(place, what)
    melody.bars = bars
    return melody


def _together(over: ScoreBar, under: ScoreBar, high: _Pick, low: _Pick) -> ScoreBar:
    """A bar with the notes of both lines; what the bars say beside them is the melody's, else the bass's."""
    notes = [replace(note, voice=MELODY) for note in over.notes if high(note)]
    notes += [replace(note, voice=BASS) for note in under.notes if low(note)]
    marks = ("starts_section", "ends_section", "cue", "dynamics", "tempos", "refusal")
    either = {name: getattr(over, name) or getattr(under, name) for name in marks}
    return replace(over, notes=notes, length=max(over.length, under.length), **either)


_Pick = Callable[[ScoreNote], bool]


def _picker(score: Score, line: str, option: str, where: str) -> _Pick:
    """Which notes of a part are a line's. CoachError where none is."""
    inside = _INSIDE.fullmatch(line)
    if inside is None:
        return lambda _note: True
    kind, wanted = inside[1].lower(), inside[2]
    there = dict.fromkeys(_of(kind, note) for note in score.notes)
    if wanted not in there:
        shown = listed([f"{kind} {name}" for name in sorted(there)], 12)
        message = f"the part has no {kind} {plain_text(wanted, 20)}; it has {shown}"
        raise CoachError(message, where, guess=option)
    return lambda note: _of(kind, note) == wanted


def _of(kind: str, note: ScoreNote) -> str:
    return str(note.staff) if kind == "staff" else note.voice


def _outer(bar: ScoreBar) -> list[ScoreNote]:
    """The highest notes of a bar as melody, the lowest as bass; one alone is melody."""
    outer = []
    for _, moment in groupby(sorted(bar.notes, key=lambda note: note.onset), lambda note: note.onset):
        notes = sorted(moment, key=lambda note: note.midi)
        outer.append(replace(notes[-1], voice=MELODY))
        if len(notes) > 1:
            outer.append(replace(notes[0], voice=BASS))
    return outer
