"""A second source, apart from the physics: notes of General MIDI sound fonts, played by fluidsynth.

A harmonic is program 32 ("Guitar harmonics") or a bass or guitar at its sounding pitch. A choked note is a sample that
fades and loses its highs, so that it is lower by the wanted dB after 200 ms; a missing one is left out. Samples rise
slowly, have no stiffness that is known and no sympathy: what is true of them is when a note starts and how loud it is.
"""

from __future__ import annotations

import math
import shutil
import subprocess
import tempfile
import wave
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import mido
import numpy as np

from benchmarks.sounds.drills import Wanted
from benchmarks.sounds.instruments import Model
from benchmarks.sounds.playing import Gesture, Player
from benchmarks.sounds.strings import CORE_RATE_HZ, Floats, String

FONTS = {
    "train": Path("/usr/share/sounds/sf2/TimGM6mb.sf2"),
    "test": Path("/usr/share/sounds/sf2/FluidR3_GM.sf2"),
}
"""Debian's timgm6mb-soundfont and fluid-soundfont-gm: each set has its own."""
_LOW_PROGRAMS, _HIGH_PROGRAMS = (33, 34, 35, 36), (32, 32, 34, 36, 26, 28)
"""General MIDI numbers from 1: basses; harmonics, basses and guitars."""
_VELOCITIES = (60, 90, 115)
_SLOT_S, _HELD_S = 6, 4
_FADE = 240


def available(which: str) -> bool:
    """Whether fluidsynth and the set's sound font are there."""
    return bool(shutil.which("fluidsynth")) and FONTS[which].exists()


class SamplePlayer(Player):
    """A player whose touches are the samples' own: a choke is a number of dB."""

    def gesture(self, note: Wanted, onset_s: float, stop_s: float) -> Gesture:
        return Gesture(
            note.string, note.fret or 0, note.partial, note.place, onset_s, stop_s,
            self.level_db(note), 0.1, 0.0, None,
        )  # fmt: skip

    def touch_db(self, gesture: Gesture) -> float:
        return gesture.cut_db

    def choked(self, gesture: Gesture, wanted_db: float) -> Gesture:
        return replace(gesture, cut_db=wanted_db)


@dataclass(frozen=True, slots=True)
class Voice:
    """A program, a MIDI key and a velocity."""

    program: int
    key: int
    velocity: int


class SampledInstrument:
    """Strings that sound by a font's programs: one for low notes, one for harmonics."""

    def __init__(self, font: Path, strings: Sequence[String], random: np.random.RandomState) -> None:
        self.font, self.strings = font, strings
        self.low = _LOW_PROGRAMS[random.randint(len(_LOW_PROGRAMS))]
        self.high = _HIGH_PROGRAMS[random.randint(len(_HIGH_PROGRAMS))]
        self.bank: dict[Voice, Floats] = {}

    def sounded(self, gestures: Sequence[Gesture], samples: int) -> Floats:
        """What each string sounds, shape (strings, samples)."""
        voices = {gesture: self._voice(gesture) for gesture in gestures}
        missing = sorted(
            {voice for voice in voices.values() if voice not in self.bank},
            key=lambda one: (one.program, one.key, one.velocity),
        )
        if missing:
            self.bank |= rendered(self.font, missing)
        sounds = np.zeros((len(self.strings), samples))
        for gesture in gestures:
            later = [
                one.start_s
                for one in gestures
                if one.string == gesture.string and one.onset_s > gesture.onset_s
            ]
            stop_s = min([gesture.stop_s, *later, samples / CORE_RATE_HZ])
            start = round(gesture.onset_s * CORE_RATE_HZ)
            note = _shaped(self.bank[voices[gesture]], gesture)[
                : max(0, round(stop_s * CORE_RATE_HZ) - start)
            ]
            note[-_FADE:] *= np.linspace(1, 0, min(_FADE, note.size))
            sounds[gesture.string, start : start + note.size] += note[: samples - start]
        return sounds

    def _voice(self, gesture: Gesture) -> Voice:
        hz = self.strings[gesture.string].fundamental_hz * 2 ** (gesture.fret / 12) * gesture.partial
        key = round(69 + 12 * math.log2(hz / 440))
        loud = _VELOCITIES[int(np.searchsorted([-2.5, 2.5], gesture.level_db))]
        return Voice(self.high if gesture.partial > 1 else self.low, key, loud)


def _shaped(note: Floats, gesture: Gesture) -> Floats:
    """A sample at its level; where it is cut, it fades and loses its highs."""
    time = np.arange(note.size) / CORE_RATE_HZ
    dull = note
    if gesture.cut_db:
        spectrum = np.fft.rfft(note)
        hz = np.fft.rfftfreq(note.size, 1 / CORE_RATE_HZ)
        dull = np.fft.irfft(spectrum / np.sqrt(1 + (hz / 900) ** 2), note.size)
    return np.asarray(dull * 10 ** ((gesture.level_db + gesture.cut_db * time / 0.2) / 20))


def rendered(font: Path, voices: Sequence[Voice]) -> dict[Voice, Floats]:
    """Each voice's sound from its first sample above -50 dB of its peak, at the core rate."""
    track = mido.MidiTrack()
    for voice in voices:
        track.append(mido.Message("program_change", program=voice.program - 1))
        track.append(mido.Message("note_on", note=voice.key, velocity=voice.velocity))
        track.append(mido.Message("note_off", note=voice.key, time=_HELD_S * 1000))
        track.append(mido.Message("control_change", control=7, value=100, time=(_SLOT_S - _HELD_S) * 1000))
    # 500 ticks to a quarter at the usual 120 to a minute: a tick is a millisecond.
    midi = mido.MidiFile(ticks_per_beat=500, tracks=[track])
    with tempfile.TemporaryDirectory() as folder:
        score, sound = Path(folder) / "notes.mid", Path(folder) / "notes.wav"
        midi.save(score)
        command = ["fluidsynth", "-niq", "-R", "0", "-C", "0", "-g", "0.5", "-r", str(CORE_RATE_HZ)]
        subprocess.run([*command, "-F", sound, font, score], check=True, capture_output=True)
        with wave.open(str(sound)) as file:
            data = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
    mono = data.mean(axis=1) / 32768
    slot = _SLOT_S * CORE_RATE_HZ
    return {voice: _started(mono[index * slot : (index + 1) * slot]) for index, voice in enumerate(voices)}


def _started(slot: Floats) -> Floats:
    loud = np.flatnonzero(np.abs(slot) > np.max(np.abs(slot)) * 10 ** (-50 / 20))
    return slot[loud[0] if loud.size else 0 :].copy()


def sampled_strings(model: Model) -> tuple[String, ...]:
    """The model's strings in equal temperament, as a font's notes are."""
    rows = zip(model.notes, model.strings(np.random.RandomState(0)), strict=True)
    return tuple(replace(string, fundamental_hz=_tempered(string.fundamental_hz)) for _, string in rows)


def _tempered(hz: float) -> float:
    return float(440 * 2 ** (round(12 * math.log2(hz / 440)) / 12))
