"""Practice tracks as WAV files: 16-bit mono PCM, written piece by piece so that an hour needs no more memory than
some seconds."""

from __future__ import annotations

import wave
from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from typing import IO, TYPE_CHECKING

import numpy as np

from coach.music.drill import ClickPattern
from coach.music.rhythm import sample_at
from coach.sound.levels import RATE
from coach.sound.render import DEFAULT_VOLUME_DB, RepSound
from coach.sound.timeline import rep_timeline
from coach.sound.tones import tones_of

if TYPE_CHECKING:
    from coach.music.excerpt import Passage
    from coach.sound.player import Sound
    from coach.strings.instrument import Instrument

_TAIL_S = 1.5
_PIECE_SAMPLES = 1 << 18


def practice_track(
    passage: Passage,
    instrument: Instrument,
    tempos_bpm: Sequence[int],
    *,
    click: ClickPattern | None,
    model: bool = True,
    repeats: int = 1,
    count_in_bars: int = 1,
    layers: Sequence[str] = (),
    rate: int = RATE,
    sound: str = "wood",
    volume_db: float = DEFAULT_VOLUME_DB,
) -> Iterator[RepSound]:
    """A passage as a track: `repeats` times at each tempo in turn, one sound a rep, the last with a tail.

    `click` None leaves the click out; each tempo starts with a count-in, which its repeats follow without
    a gap. Within a tempo every rep starts at its exact time, rounded once, so that repeats don't drift.
    """
    pattern = click or ClickPattern()
    for tempo_index, tempo_bpm in enumerate(tempos_bpm):
        start = Fraction(0)
        for repeat in range(repeats):
            timeline = rep_timeline(passage, tempo_bpm, pattern, 0 if repeat else count_in_bars)
            tones = tones_of(passage, instrument, timeline, layers) if model else ()
            end = start + timeline.end_s
            samples = sample_at(end, rate) - sample_at(start, rate)
            last = repeat == repeats - 1
            if last:
                more = _TAIL_S if tempo_index == len(tempos_bpm) - 1 else 0.0
                samples += round(more * rate)
            yield RepSound(
                timeline.strikes if click else (),
                tones,
                rate,
                length_s=Fraction(samples, rate),
                sound=sound,
                volume_db=volume_db,
            )
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
