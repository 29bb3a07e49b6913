"""Picks a melody and a bass line from a score: two parts, two staves or voices of one, or the chords of one.

Conventions: a line is named by its part's or track's number or name, or as `staff 2` or `voice 1` of the part that is
read. Where both lines have one name, the highest notes are the melody and the lowest the bass.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

from coach.ground.frozen import frozen
from coach.ground.plain import counted, listed, plain_text
from coach.ground.problem import CoachError
from coach.score.duet import BASS, MELODY
from coach.score.score import Score, ScoreBar, ScoreNote

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
            message = (
                f"the melody's part has {counted(len(melody.bars), 'bar')} and the bass's {len(bass.bars)}"
            )
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
    return replace(
        over,
        notes=notes,
        length=max(over.length, under.length),
        starts_section=over.starts_section or under.starts_section,
        ends_section=over.ends_section or under.ends_section,
        cue=over.cue or under.cue,
        dynamics=over.dynamics or under.dynamics,
        tempos=over.tempos or under.tempos,
        refusal=over.refusal or under.refusal,
    )


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
    moments: dict[Fraction, list[ScoreNote]] = {}
    for note in bar.notes:
        moments.setdefault(note.onset, []).append(note)
    outer = []
    for onset in sorted(moments):
        notes = sorted(moments[onset], key=lambda note: note.midi)
        outer.append(replace(notes[-1], voice=MELODY))
        if len(notes) > 1:
            outer.append(replace(notes[0], voice=BASS))
    return outer
