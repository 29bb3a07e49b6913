"""The ear: what is known of an instrument's sound, learning more from clean repetitions, and judging another one.

An `Ear` is a value; `learn` gives a new one. It holds no sound, only measures, and `coach.ground.codec` makes JSON of
it, so that it can be kept with the instrument. Where a note's clean sound isn't known, nothing is suggested of it.

    ear = ear_of(instrument, sound, path)
    ear = ear.learn(recording)           # of a repetition rated clean
    looks = ear.looks(recording)
    suggestions = ear.heard(looks)       # or both in one: ear.judge(recording)
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from coach.listen.heard import Heard
from coach.listen.look import HEARD_S, Look, look_at
from coach.listen.memory import (
    NoteSound,
    clean_sound,
    compared,
    known_of,
    pluck_of,
    sharp_bias_ms,
    usual_ratios,
)
from coach.listen.open_string import MeasuredString
from coach.listen.recording import Recording
from coach.listen.scene import Scene
from coach.listen.verdict import LEAST_SEEN, Judged, verdict
from coach.strings.instrument import Instrument

UNMEASURED_CENTS = 50.0
"""How wrong a string may be that nobody plucked open."""
USUAL_NOTES = 5
"""A repetition's loudness is the median of its notes and of so many at the usual loudness: chokes pull a median down,
and of few notes it says little. On the training sets 4 do as well, and 6 or 8 mark one more good note."""
MOST_GAIN_DB = 12.0
"""A repetition that differs by more from what is known was not played: silence is no soft playing. On the training sets
20 gives the same; less than 12 would forbid a microphone that was moved."""


@dataclass(frozen=True)
class Ear:
    """What is known of one instrument's sound."""

    strings: tuple[MeasuredString, ...]
    """The highest first, as in `Instrument.strings`."""
    notes: Mapping[str, NoteSound] = field(default_factory=dict)
    """What was learnt of each note, by `note_key`."""

    @classmethod
    def of(cls, instrument: Instrument, measured: Sequence[MeasuredString | None] = ()) -> Ear:
        """An ear that knows only strings: those measured, the highest first; the others as the instrument says."""
        strings = []
        for string, one in zip(
            range(len(instrument.strings)), itertools.chain(measured, itertools.repeat(None)), strict=False
        ):
            theory = MeasuredString(
                instrument.open_hz(string), instrument.stiffness(string), UNMEASURED_CENTS, 0
            )
            strings.append(one or theory)
        return cls(tuple(strings))

    def learn(self, recording: Recording, looks: Sequence[Look] = ()) -> Ear:
        """The ear after a repetition that its player rated clean; `looks` are its own at it, where they are at hand.

        It is looked at twice: what other strings may hide is known better once their own levels are.
        """
        once = self._with(looks or self.looks(recording))
        return self._with(once.looks(recording))

    def looks(self, recording: Recording) -> tuple[Look, ...]:
        """What can be measured of each event that the recording holds whole, in order."""
        ratios = {key: usual_ratios(sound) for key, sound in self.notes.items()}
        scene = Scene(recording.passage, recording.tempo_bpm, dict(enumerate(self.strings)), ratios)
        known = {key: known_of(sound) for key, sound in self.notes.items()}
        bias_ms = sharp_bias_ms(self.notes.values())
        return tuple(
            look_at(recording, scene, event, known, bias_ms)
            for event in recording.passage.events
            if recording.due_s(event) + HEARD_S <= recording.length_s
        )

    def heard(self, looks: Sequence[Look]) -> tuple[Heard, ...]:
        """How each event went that was looked at."""
        keys = {note.key for look in looks for note in look.notes if note.key in self.notes}
        clean = {key: clean_sound(self.notes[key]) for key in keys}
        judged = [
            tuple(
                Judged(compared(note, clean[note.key]), clean[note.key])
                if note.key in clean and len(note.hz)
                else None
                for note in look.notes
            )
            for look in looks
        ]
        seen = [one.now for notes in judged for one in notes if one and one.now.seen >= LEAST_SEEN]
        gain_db = loudness_db([one.level_db for one in seen])
        return tuple(verdict(look, notes, gain_db) for look, notes in zip(looks, judged, strict=True))

    def judge(self, recording: Recording) -> tuple[Heard, ...]:
        """How each event of a whole repetition went."""
        return self.heard(self.looks(recording))

    def _with(self, looks: Sequence[Look]) -> Ear:
        notes = dict(self.notes)
        for look in looks:
            for note in look.notes:
                if len(note.hz):
                    notes[note.key] = notes.get(note.key, NoteSound()).with_pluck(pluck_of(note, look))
        return replace(self, notes=notes)


def loudness_db(level_db: Sequence[float]) -> float:
    """By how much a repetition is louder than usual, from its notes' levels against their clean sound."""
    middle_db = float(np.median([*level_db, *[0.0] * USUAL_NOTES]))
    return min(max(middle_db, -MOST_GAIN_DB), MOST_GAIN_DB)
