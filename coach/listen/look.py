"""What can be measured of one event: when its notes begin, and how loud their partials are in windows around that.

Windows, against the beginning: before it, the attack, early (a touch may still rest), late (205 ms on, when a harmonic
rings by itself). A partial that dies between early and late was choked; one that was never there was not struck.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.frame import Frame
from coach.listen.partials import Partials, Rings, measured
from coach.listen.recording import Recording
from coach.listen.scene import Beside, Scene, note_key, rings
from coach.listen.transients import Rises, rises
from coach.music.drill import Note
from coach.music.excerpt import PlacedEvent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Samples = NDArray[np.float64]

WINDOWS = {"before": (-0.075, 0.10), "attack": (0.03, 0.06), "early": (0.08, 0.11), "late": (0.205, 0.12)}
"""Middle and length in seconds, against the beginning of the note."""
EARLY_S, LATE_S = -0.045, 0.13
"""A beginning is looked for from 45 ms before the beat to 130 ms after it."""
HEARD_S = 0.4
"""So long after its beat everything of an event has been heard."""
SHARP_DB = 6.0
"""A rise of the high partials by so much is a pluck; a softer beginning is timed by its own partials alone."""
CLEAR_DB = 10.0
"""A rise of this much, alone, tells when a note was struck to 2 or 3 ms."""
SHARP_WORTH = {True: 1.0, False: 0.2}
"""What a sharp beginning is worth beside the agreement of all phases: for harmonics, whose few partials agree again
after each period of some ms, and for other notes, whose beginning a harmonic's may cover."""
USUAL_LATE_S = 0.1
_SMOOTH_S, _LAG_S = 0.03, 0.018
_NEAR_S = 0.012
_CLEAR_HZ = 15.0


@frozen
class Known:
    """What is known of one note's clean sound."""

    levels: Mapping[str, Samples]
    """Each window's usual amplitudes, an entry a partial."""
    hz: Samples
    """Its partials."""
    bias_ms: float
    """How much later than it is struck it is heard to begin."""
    phases: Samples
    """Each partial's phase at the moment at which the note is struck."""
    sharp: bool
    """Whether its beginning is a sharp one."""
    harmonic: bool


@frozen
class NoteLook:
    """What was measured of one note."""

    key: str
    hz: Samples
    windows: Mapping[str, Partials]
    instead: tuple[Partials, ...]
    """Late, of what may sound on its string instead."""


@frozen
class Look:
    """What was measured of one event."""

    label: int
    due_s: float
    """When it was due, in seconds of the take."""
    heard_ms: float
    """The likeliest beginning against the beat, as measured: a soft sound rises later than it is struck."""
    onset_ms: float
    """When it was struck, against the beat, as far as is known how the note begins."""
    rise_db: float
    """How sharp it is."""
    alone: bool
    """No other event begins with it, so that the rise is its own."""
    notes: tuple[NoteLook, ...]


def look_at(recording: Recording, scene: Scene, event: PlacedEvent, known: Mapping[str, Known]) -> Look:
    """Measure one event; `known` has what is known of notes by their keys."""
    due_s = recording.due_s(event)
    frame = recording.frame(due_s - 0.25, due_s + HEARD_S + 0.05)
    first = known.get(note_key(event.notes[0].note))
    risen = rises(frame)
    onset_s, rise_db = _onset(frame, risen, scene, event, due_s)
    begin_s = onset_s - (first.bias_ms if first else 0.0) / 1000.0
    begin_s = min(max(begin_s, due_s - 0.03), due_s + 0.085)
    notes = tuple(_note_look(frame, scene, event, placed.note, begin_s, known) for placed in event.notes)
    alone = scene.alone(event)
    struck_s = begin_s
    if first and not (alone and first.sharp and rise_db > CLEAR_DB):
        struck_s = _struck_s(notes[0], first, risen, due_s)
    return Look(
        event.label, due_s, (onset_s - due_s) * 1000.0, (struck_s - due_s) * 1000.0, rise_db, alone, notes
    )


def _struck_s(note: NoteLook, known: Known, risen: Rises, due_s: float) -> float:
    """When a note was struck, from the phases of its partials early on: each turns by 2 pi f in a second.

    Several partials agree at one moment; a sharp beginning there, and nearness to the beat, count too.
    """
    early = note.windows["early"]
    count = min(len(known.phases), len(early.amplitude))
    hz = note.hz[:count]
    size = np.abs(early.amplitude[:count])
    weight = np.sqrt(size) * (size > 2.0 * early.error[:count])
    shifts_s = np.arange(EARLY_S, LATE_S, 0.0005)
    back_s = early.middle_s - due_s - shifts_s
    turns = np.angle(early.amplitude[:count]) - known.phases[:count] - 2.0 * np.pi * hz * back_s[:, None]
    agree = (weight * np.cos(turns)).sum(axis=1) / (weight.sum() + 1e-12)
    places = np.round((due_s + shifts_s - risen.start_s) / risen.hop_s).astype(int)
    sharp = np.clip(risen.db[np.clip(places, 0, len(risen.db) - 1)], 0.0, 15.0) / 15.0
    worth = agree + SHARP_WORTH[known.harmonic] * sharp - (shifts_s / USUAL_LATE_S) ** 2
    return due_s + float(shifts_s[int(np.argmax(worth))])


def _note_look(
    frame: Frame, scene: Scene, event: PlacedEvent, note: Note, begin_s: float, known: Mapping[str, Known]
) -> NoteLook:
    hz, own_hz = scene.hz(note), scene.own_others_hz(note)
    own = Rings(own_hz, np.full(len(own_hz), 0.05))
    beside = scene.beside(event, note)
    windows = {
        name: measured(_window(frame, name, begin_s), hz, _rings(beside, name, known, own))
        for name in WINDOWS
    }
    target = Rings(hz, np.full(len(hz), 0.1))
    late, others = _window(frame, "late", begin_s), _rings(beside, "late", known, target)
    instead = tuple(measured(late, other_hz, others) for other_hz in scene.alternatives(note))
    return NoteLook(note_key(note), hz, windows, instead)


def _window(frame: Frame, name: str, begin_s: float) -> Frame:
    middle_s, length_s = WINDOWS[name]
    return frame.between(begin_s + middle_s - length_s / 2.0, begin_s + middle_s + length_s / 2.0)


def _rings(beside: tuple[Beside, ...], name: str, known: Mapping[str, Known], own: Rings) -> Rings:
    middle_s, length_s = WINDOWS[name]
    levels = {key: (each.hz, each.levels[name]) for key, each in known.items()}
    return Rings.of([rings(beside, middle_s + length_s / 2.0, levels), own])


def _onset(frame: Frame, risen: Rises, scene: Scene, event: PlacedEvent, due_s: float) -> tuple[float, float]:
    """When the event begins, in seconds of the take, and how sharply in dB."""
    rise_db, moments = risen.db, risen.moments_s
    note = event.notes[0].note
    clear = _clear_hz(scene.hz(note), scene.beside(event, note))
    soft_s = _soft_onset(frame, clear, due_s)
    inside = (moments >= due_s + EARLY_S) & (moments <= due_s + LATE_S)
    sharpest = float(np.max(np.where(inside, rise_db, -20.0)))
    # A sharp rise where nothing else is due is the note's own; else its own partials say which rise is.
    own = scene.alone(event) and sharpest >= CLEAR_DB
    far = 0.0 if own else 3.0 * ((moments - soft_s) / _NEAR_S) ** 2
    best = int(np.argmax(np.where(inside, rise_db - far, -np.inf)))
    if rise_db[best] >= SHARP_DB:
        return float(moments[best]), float(rise_db[best])
    return soft_s, sharpest


def _clear_hz(hz: Samples, beside: tuple[Beside, ...]) -> Samples:
    """The partials that no other string's lies near, all where there is none."""
    others = np.concatenate([np.zeros(0), *(one.hz for one in beside)])
    clear = np.array([h for h in hz if not len(others) or np.min(np.abs(others - h)) > _CLEAR_HZ])
    return clear if len(clear) else hz


def _soft_onset(frame: Frame, hz: Samples, due_s: float) -> float:
    """When these partials change the most, in amplitude or phase: a new pluck starts a partial anew."""
    width = int(_SMOOTH_S * frame.rate_hz) | 1
    shape = np.hanning(width + 2)[1:-1] / np.hanning(width + 2).sum()
    lag = int(_LAG_S * frame.rate_hz)
    change = np.zeros(len(frame.samples))
    for one in hz:
        turning = frame.samples * np.exp(-2j * np.pi * one * frame.times_s)
        smooth = np.convolve(turning, shape, "same")
        change[lag:-lag] += np.abs(smooth[2 * lag :] - smooth[: -2 * lag]) ** 2
    times_s = frame.times_s
    inside = (times_s >= due_s + EARLY_S) & (times_s <= due_s + LATE_S)
    return float(times_s[int(np.argmax(np.where(inside, change, -1.0)))])
