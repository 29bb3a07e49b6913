"""What can be measured of one event: when its notes begin, and how loud their partials are in windows around that.

Windows, against the beginning: before it, early (a touch may still rest), late (205 ms on, when a harmonic
rings by itself). A partial that dies between early and late was choked; one that was never there was not struck.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from coach.ground.frozen import frozen
from coach.listen.arrays import Values
from coach.listen.frame import SPLIT_HZ, Frame, Stretch
from coach.listen.partials import Partials, Rings, loudness, measured, measured_ratios
from coach.listen.recording import Recording
from coach.listen.scene import Beside, Scene, note_key, rings
from coach.listen.transients import Rises, rises
from coach.music.drill import Note
from coach.music.excerpt import PlacedEvent

WINDOWS = {"before": (-0.075, 0.10), "early": (0.08, 0.11), "late": (0.205, 0.12)}
"""Middle and length in seconds, against the beginning of the note."""
RANG_S, RINGS_S = (0.02, 0.22), (0.08, 0.38)
"""Before and after its beginning: where a note's partials lie is heard in what has come."""
EARLY_S, LATE_S = -0.045, 0.13
"""A beginning is looked for from 45 ms before the beat to 130 ms after it."""
HEARD_S = 0.4
"""So long after its beat everything of an event has been heard."""
SHARP_DB = 6.0
"""A rise of the high partials by so much is a pluck; a softer beginning is timed by its own partials alone."""
CLEAR_DB = 10.0
"""A rise of this much, alone, tells when a note was struck to 2 or 3 ms."""
RISE_BIAS_S = 0.0017
"""A sharp beginning is found that much too early: the comparison looks 5 ms ahead."""
USUAL_BIAS_MS = 4.0
"""How much later than struck a note's partials have risen by a quarter, where nothing is known of it."""
MOST_RANGE_MS = 15.0
"""A beginning that is not clear is timed only of notes whose clean strokes have all risen within this: players are off
their beat by 6 ms, so that six strokes lie within some 15 where the note's rise adds nothing."""
AFTER_S, AFTER_LATE_S = 0.25, 0.33
"""A note that is silent at its beat is heard once more so much later, and its beginning is looked for until then."""
SILENT_DB, RINGS_DB = 12.0, -10.0
"""A note rings only after its beat: so much louder then, both against its usual level, and not softer than this."""
_SMOOTH_S = 0.04
_RISEN, _MOSTLY = 0.25, 0.8
_BEFORE_S = -0.05
_NEAR_S = 0.012
_CLEAR_HZ = 15.0


@frozen
class Known:
    """What is known of one note's clean sound."""

    levels: Mapping[str, Values]
    """Each window's usual amplitudes, an entry a partial."""
    bias_ms: float
    """How much later than it is struck its partials have risen."""
    range_ms: float
    """How far apart the earliest and the latest stroke are in that, the player's own unevenness with it."""


@frozen
class NoteLook:
    """What was measured of one note."""

    key: str
    hz: Values
    ratios: Values
    """By what its partials lie off theory; 0 where that isn't heard."""
    windows: Mapping[str, Partials]
    instead: tuple[Partials, ...]
    """Late, of what may sound on its string instead."""

    def lowest(self, count: int) -> NoteLook:
        """The same of the note's lowest partials, so many."""
        windows = {name: part.lowest(count) for name, part in self.windows.items()}
        return NoteLook(self.key, self.hz[:count], self.ratios[:count], windows, self.instead)


@frozen
class Look:
    """What was measured of one event."""

    label: int
    due_s: float
    """When it was due, in seconds of the take."""
    risen_ms: float
    """When its partials have risen, against the beat: some time after it was struck."""
    sharp_ms: float | None
    """When it began sharply, against the beat; None where it did not."""
    onset_ms: float | None
    """When it was struck, against the beat; None where too little is known of how the note begins."""
    rise_db: float
    """How sharply it began."""
    alone: bool
    """No other event begins with it, so that the rise is its own."""
    after_ms: float | None
    """When it began, roughly, where a note of it is silent at its beat and rings later; None of all other events."""
    notes: tuple[NoteLook, ...]


def look_at(
    recording: Recording, scene: Scene, event: PlacedEvent, known: Mapping[str, Known], sharp_bias_ms: float
) -> Look:
    """Measure one event; `known` has what is known of notes by their keys.

    `sharp_bias_ms` is how much later than struck this instrument's sharp beginnings are heard.
    """
    due_s, bias_s = recording.due_s(event), sharp_bias_ms / 1000.0
    stretch = recording.stretch(due_s - 0.25, due_s + HEARD_S + 0.05)
    frame = stretch.low
    note, alone = event.notes[0].note, scene.alone(event)
    first = known.get(note_key(note))
    risen_s = _risen_s(frame, _clear_hz(scene.hz(note), scene.beside(event, note)), due_s)
    about_s = risen_s - (first.bias_ms if first else USUAL_BIAS_MS) / 1000.0
    sharp_s, rise_db = _sharpest(rises(frame), about_s + bias_s, due_s)
    sharp = rise_db >= SHARP_DB
    struck_s = sharp_s - bias_s if sharp else about_s
    # Of notes that begin together a sharp beginning is the harmonics'; a low note below them can't be timed.
    own = alone or note.is_harmonic
    timed = own and (rise_db >= CLEAR_DB or (first is not None and first.range_ms < MOST_RANGE_MS))
    begin_s = min(max(struck_s, due_s - 0.03), due_s + 0.085)
    notes = tuple(_note_look(stretch, scene, event, placed.note, begin_s, known) for placed in event.notes)
    risen_ms, onset_ms = (risen_s - due_s) * 1000.0, (struck_s - due_s) * 1000.0 if timed else None
    sharp_ms = (sharp_s - due_s) * 1000.0 if sharp and own else None
    after_ms = None
    for placed, one in zip(event.notes, notes, strict=True):
        if one.key in known and _rings_after(stretch, scene, event, placed.note, one, due_s, known):
            clear = _clear_hz(one.hz, scene.beside(event, placed.note))
            after_s = _risen_s(frame, clear, due_s, AFTER_LATE_S) - due_s
            after_s -= known[one.key].bias_ms / 1000.0
            # What begins nearer to the next event may be that.
            if after_s <= 0.5 * scene.until_next_s(event):
                after_ms = max(after_s * 1000.0, after_ms or 0.0)
    return Look(event.label, due_s, risen_ms, sharp_ms, onset_ms, rise_db, alone, after_ms, notes)


def _rings_after(
    stretch: Stretch,
    scene: Scene,
    event: PlacedEvent,
    note: Note,
    look: NoteLook,
    due_s: float,
    known: Mapping[str, Known],
) -> bool:
    """Whether a note is silent at its beat against what is usual then, and rings later about as usual."""
    usual = known[look.key].levels
    levels = {key: one.levels["early"] for key, one in known.items()}
    beside = scene.beside(event, note)
    others = rings(beside, WINDOWS["early"][0] + AFTER_S, levels, [None] * len(beside))
    at_beat, after = (
        measured(_window(stretch, "early", due_s + later_s), look.hz, others) for later_s in (0.0, AFTER_S)
    )
    late = look.windows["late"]
    at_beat_db = _against_db(at_beat, usual["early"])
    after_db = max(_against_db(after, usual["early"]), _against_db(late, usual["late"]))
    return after_db >= RINGS_DB and after_db - at_beat_db >= SILENT_DB


def _against_db(part: Partials, usual: Values) -> float:
    """A note's level against its usual one in dB; what can't be heard of it counts nothing."""
    count = min(len(usual), len(part.error))
    level, error, usual = np.abs(part.amplitude)[:count], part.error[:count], usual[:count]
    clear = usual**2 / (usual**2 + 4.0 * error**2 + 1e-18)
    off_db = np.clip(20.0 * np.log10((np.maximum(level, error) + 1e-12) / (usual + 1e-12)), -36.0, 6.0)
    return float(np.average(off_db, weights=np.sqrt(usual) * clear**2 + 1e-12))


def _note_look(
    stretch: Stretch, scene: Scene, event: PlacedEvent, note: Note, begin_s: float, known: Mapping[str, Known]
) -> NoteLook:
    hz, own_hz = scene.hz(note), scene.own_others_hz(note)
    own = Rings(own_hz, np.full(len(own_hz), 0.05))
    beside, before = scene.beside(event, note), _window(stretch, "before", begin_s)
    loud_before = [loudness(before, one.hz) if one.is_long_ago else None for one in beside]

    def with_others(name: str, others: Rings) -> Rings:
        middle_s, length_s = WINDOWS[name]
        levels = {key: each.levels[name] for key, each in known.items()}
        rung = rings(beside, middle_s + length_s / 2.0, levels, loud_before)
        return Rings.of([rung, others])

    windows = {
        name: measured(_window(stretch, name, begin_s), hz, with_others(name, own)) for name in WINDOWS
    }
    target = Rings(hz, np.full(len(hz), 0.1))
    late, others = _window(stretch, "late", begin_s), with_others("late", target)
    instead = tuple(measured(late, other_hz, others) for other_hz in scene.alternatives(note))
    ratios = measured_ratios(
        stretch.high.between(begin_s - RANG_S[1], begin_s - RANG_S[0]),
        stretch.high.between(begin_s + RINGS_S[0], begin_s + RINGS_S[1]),
        scene.theory_hz(note),
        np.concatenate([np.zeros(0), *(one.hz for one in beside if not one.is_long_ago)]),
    )
    return NoteLook(note_key(note), hz, ratios, windows, instead)


def _window(stretch: Stretch, name: str, begin_s: float) -> Stretch:
    middle_s, length_s = WINDOWS[name]
    return stretch.between(begin_s + middle_s - length_s / 2.0, begin_s + middle_s + length_s / 2.0)


def _sharpest(risen: Rises, about_s: float, due_s: float) -> tuple[float, float]:
    """The sharpest beginning near a moment, those further off counting less: when something was struck, and its dB."""
    moments = risen.moments_s + RISE_BIAS_S
    inside = (moments >= due_s + EARLY_S) & (moments <= due_s + LATE_S)
    worth = risen.db - 3.0 * ((moments - about_s) / _NEAR_S) ** 2
    best = int(np.argmax(np.where(inside, worth, -np.inf)))
    return float(moments[best]), float(risen.db[best])


def _clear_hz(hz: Values, beside: tuple[Beside, ...]) -> Values:
    """The partials that no other string's lies near, all where there is none."""
    others = np.concatenate([np.zeros(0), *(one.hz for one in beside)])
    clear = np.array([h for h in hz if not len(others) or np.min(np.abs(others - h)) > _CLEAR_HZ])
    return clear if len(clear) else hz


def _risen_s(frame: Frame, hz: Values, due_s: float, late_s: float = LATE_S) -> float:
    """When these partials have changed by a quarter of their whole change since before the beat, in amplitude or phase.

    What goes on ringing is a phasor that stands still, and counts nothing.
    """
    width = int(_SMOOTH_S * frame.rate_hz) | 1
    shape = np.hanning(width + 2)[1:-1] / np.hanning(width + 2).sum()
    times_s = frame.times_s - due_s
    before = int(np.searchsorted(times_s, _BEFORE_S))
    change = np.zeros(len(frame.samples))
    for one in hz[hz < SPLIT_HZ]:
        turning = frame.samples * np.exp(-2j * np.pi * one * frame.times_s)
        smooth = np.convolve(turning, shape, "same")
        change += np.abs(smooth - smooth[before]) ** 2
    last = int(np.searchsorted(times_s, late_s + _SMOOTH_S))
    part = change[before:last]
    # Backwards from where most of it is there: a finger that comes down, or another pluck, changes something sooner.
    most = int(np.argmax(part >= _MOSTLY * part.max()))
    below = np.flatnonzero(part[:most] < _RISEN * part.max())
    return float(frame.times_s[before + (int(below[-1]) if len(below) else 0)])
