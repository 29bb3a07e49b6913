"""Practice tracks as WAV files: 16-bit mono PCM, written piece by piece so that an hour needs no more memory than
some seconds."""

from __future__ import annotations

import wave
from collections.abc import Iterable, Iterator
from fractions import Fraction
from typing import IO, TYPE_CHECKING

import numpy as np

from coach.music.rhythm import sample_at
from coach.sound.player import RATE
from coach.sound.render import RepSound
from coach.sound.timeline import rep_timeline
from coach.sound.tones import tones_of

if TYPE_CHECKING:
    from coach.music.drill import ClickPattern
    from coach.music.excerpt import Passage
    from coach.sound.player import Sound
    from coach.strings.instrument import Instrument

_TAIL_S = 1.5
_PIECE_SAMPLES = 1 << 18


def practice_track(
    passage: Passage,
    instrument: Instrument,
    tempo_bpm: int,
    click: ClickPattern,
    *,
    model: bool = True,
    repeats: int = 1,
    count_in_bars: int = 1,
) -> Iterator[RepSound]:
    """A passage as a track: `repeats` times, one sound a rep, the last with a tail.

    It starts with a count-in, which its repeats follow without a gap. Every rep starts at its exact time, rounded once,
    so that repeats don't drift.
    """
    start = Fraction(0)
    for repeat in range(repeats):
        timeline = rep_timeline(passage, tempo_bpm, click, 0 if repeat else count_in_bars)
        tones = tones_of(passage, instrument, timeline) if model else ()
        end = start + timeline.end_s
        samples = sample_at(end, RATE) - sample_at(start, RATE)
        if repeat == repeats - 1:
            samples += round(_TAIL_S * RATE)
        yield RepSound(timeline.strikes, tones, length_s=Fraction(samples, RATE))
        start = end


def write_wav(target: str | IO[bytes], sounds: Iterable[Sound], rate: int = RATE) -> int:
    """Write sounds one after another as a 16-bit mono WAV file; returns how many frames there are.

    `target` is a path or a binary file that can seek. OSError where it can't be written.
    """
    frames = 0
    with wave.open(target, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        for sound in sounds:
            for first in range(0, len(sound), _PIECE_SAMPLES):
                piece = np.clip(sound[first : first + _PIECE_SAMPLES], -1.0, 1.0)
                file.writeframes(np.round(piece * 32767.0).astype("<i2").tobytes())
            frames += len(sound)
    return frames
