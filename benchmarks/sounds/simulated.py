"""An instrument that is played: gestures to the sound of each of its strings."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from benchmarks.sounds.instruments import Model
from benchmarks.sounds.playing import Gesture, contacts_of, pluck_of
from benchmarks.sounds.strings import (
    CORE_RATE_HZ,
    Contact,
    Floats,
    String,
    heard_by,
    in_sympathy,
    ring,
    slope_at_bridge,
)

_GLIDE_S = 0.35
"""How fast a pluck's sharpness goes."""
_FADE = 120


def sounded(
    model: Model, strings: Sequence[String], muted: Sequence[bool], gestures: Sequence[Gesture], samples: int
) -> Floats:
    """What each string sounds, shape (strings, samples). `muted` strings don't ring in sympathy."""
    sounds, slopes = np.zeros((2, len(strings), samples))
    by_string = [
        sorted((one for one in gestures if one.string == index), key=lambda one: one.onset_s)
        for index in range(len(strings))
    ]
    for index, (string, own) in enumerate(zip(strings, by_string, strict=True)):
        if own:
            sounds[index], slopes[index] = _struck(model, string, own, samples)
    total = slopes.sum(axis=0)
    for index, (string, own) in enumerate(zip(strings, by_string, strict=True)):
        heard = heard_by(string, model.ear)
        for start, stop in _untouched(own, samples) if own or not muted[index] else ():
            drive = (total - slopes[index])[start:stop]
            rung = in_sympathy(string, model.coupling, drive, heard)
            sounds[index, start:stop] += _faded(rung)
    return sounds


def _struck(model: Model, string: String, own: Sequence[Gesture], samples: int) -> tuple[Floats, Floats]:
    warped = _string_time(model, own, samples)

    def sample(time_s: float) -> int:
        whole = min(max(0, int(time_s * CORE_RATE_HZ)), samples - 1)
        return round(float(warped[whole]) + time_s * CORE_RATE_HZ - whole)

    end = int(warped[-1]) + 8
    both = np.zeros((2, end))
    spans = [list(group) for _, group in itertools.groupby(own, key=lambda gesture: gesture.fret)]
    starts = [sample(span[0].start_s) for span in spans]
    for span, start, stop in zip(spans, starts, [*starts[1:], end], strict=True):
        stopped = string.fretted(span[0].fret)
        heard = np.stack([heard_by(stopped, model.ear), slope_at_bridge(stopped)])
        contacts = [_moved(contact, -start) for contact in _contacts(span, stopped, sample)]
        plucks = [pluck_of(gesture, model, sample(gesture.onset_s) - start) for gesture in span]
        sound, _ = ring(stopped, model.ear.split, stop - start, contacts, plucks, heard)
        both[:, start:stop] += _faded(sound)
    read = _read_at(both, warped)
    return read[0], read[1]


def _contacts(span: Sequence[Gesture], string: String, sample: Callable[[float], int]) -> list[Contact]:
    contacts = []
    ends = [sample(gesture.start_s) for gesture in span[1:]] + [10**9]
    for gesture, end in zip(span, ends, strict=True):
        for contact in contacts_of(gesture, string, sample):
            if contact.start < end:
                stop = min(contact.stop, end)
                contacts.append(replace(contact, stop=stop))
    return contacts


def _moved(contact: Contact, samples: int) -> Contact:
    return replace(contact, start=contact.start + samples, stop=contact.stop + samples)


def _untouched(own: Sequence[Gesture], samples: int) -> list[tuple[int, int]]:
    """Where a string is open and no finger is on it, as samples."""
    spans, start = [], 0.0
    for gesture in own:
        spans.append((start, gesture.start_s))
        lifted_s = gesture.onset_s + (gesture.touch.after_s + 0.02 if gesture.touch else 0.0)
        start = 1e9 if gesture.fret else lifted_s
    spans.append((start, 1e9))
    whole = [(round(a * CORE_RATE_HZ), min(samples, round(b * CORE_RATE_HZ))) for a, b in spans if a < b]
    return [(a, b) for a, b in whole if b - a > 4 * _FADE]


def _string_time(model: Model, own: Sequence[Gesture], samples: int) -> Floats:
    """For each sample the time (in samples) of a string whose pitch glides: it runs fast after a pluck."""
    clock = np.arange(samples, dtype=float)
    warped = clock.copy()
    onsets = [gesture.onset_s * CORE_RATE_HZ for gesture in own]
    fall = _GLIDE_S * CORE_RATE_HZ
    for gesture, onset, stop in zip(own, onsets, [*onsets[1:], samples], strict=True):
        sharp = model.glide * 10 ** (gesture.level_db / 10)
        since = np.clip(clock - onset, 0, max(0.0, stop - onset))
        warped += sharp * fall * -np.expm1(-since / fall)
    return warped


def _read_at(sounds: Floats, times: Floats) -> Floats:
    """Sounds (ears, n) read between their samples by six-point Lagrange interpolation; `times` in samples."""
    whole = np.floor(times).astype(int)
    part = times - whole
    read = np.zeros((len(sounds), times.size))
    points = range(-2, 4)
    away = [part - point for point in points]
    for at, point in enumerate(points):
        weight = math.prod(1 / (point - other) for other in points if other != point)
        others = np.prod([gap for index, gap in enumerate(away) if index != at], axis=0)
        read += weight * others * np.take(sounds, whole + point, axis=1, mode="clip")
    return read


def _faded(sound: Floats) -> Floats:
    """The sound with its last 5 ms faded out, where a finger comes down."""
    faded = sound.copy()
    size = min(_FADE, sound.shape[-1])
    if size:
        faded[..., -size:] *= np.linspace(1, 0, size)
    return faded
