"""Recorded takes as recordings of a passage: where beat 1 lies, and the click that sounds along.

Beat 1 is found from the clicks of the count-in. In a take without them it is found from the notes: the passage's onsets
are moved along the take until the most of them meet a sharp beginning.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from coach.ground.problem import CoachError, Problem
from coach.listen.clicks import Strike, click_sound, count_in_start_s, goes_on
from coach.listen.ear import Ear
from coach.listen.frame import frame_of
from coach.listen.look import HEARD_S
from coach.listen.open_string import MeasuredString, measured_strings
from coach.listen.recording import Recording
from coach.listen.sound_file import Sound
from coach.listen.transients import rises
from coach.music.clicktrack import ClickAt, clicks_of
from coach.music.drill import Drill
from coach.music.excerpt import Passage
from coach.strings.instrument import Instrument
from coach.strings.tuning import by_pitch

if TYPE_CHECKING:
    from numpy.typing import NDArray

MET_DB = 15.0
"""A beginning sharper than this counts no more."""
MET_S = 0.02
LEAST_MET_DB = 4.0
"""What an event's beginning has to bring in the mean, or the passage isn't in the take."""


def ear_of(instrument: Instrument, sound: Sound, path: str) -> Ear:
    """An ear that knows the strings of a take with one pluck of each, the lowest first.

    A string that is not recognised is taken as tuned; CoachError where half of them are not.
    """
    order, by_string = by_pitch(instrument), strings_of(instrument, sound, path)
    lacking = [place for place, string in enumerate(order, 1) if by_string[string] is None]
    # One string that fades too fast is taken as tuned; where most are not found, the take holds something else.
    if 2 * len(lacking) >= len(order):
        string = order[lacking[0] - 1]
        label = instrument.string_label(string)
        found = f"pluck {lacking[0]} is not the open {label} string, near {instrument.open_hz(string):.1f} Hz"
        raise CoachError(Problem(found, path, guess="the lowest string first, roughly in tune"))
    return Ear.of(instrument, [by_string[string] for string in range(len(instrument.strings))])


def strings_of(instrument: Instrument, sound: Sound, path: str) -> dict[int, MeasuredString | None]:
    """Every string of a take with one pluck of each, from the lowest; None for one that is not recognised.

    CoachError where there are fewer plucks than strings.
    """
    order = by_pitch(instrument)
    try:
        measured = measured_strings(
            sound.samples, sound.rate_hz, [instrument.open_hz(string) for string in order]
        )
    except ValueError as error:
        guess = "pluck each open string once, lowest first, two seconds apart"
        raise CoachError(Problem(str(error), path, guess=guess)) from None
    return dict(zip(order, measured, strict=True))


def recording_of(
    sound: Sound, drill: Drill, passage: Passage, tempo_bpm: int, starts_at_s: float | None, path: str
) -> Recording:
    """A take with its beat 1: as given, else from its clicks, else from its notes.

    CoachError where neither is heard, or the take ends before the passage does.
    """
    clicks = clicks_of(passage, tempo_bpm, drill.count_in_bars, drill.click)
    beat_1_s = (
        _start_s(sound.samples, sound.rate_hz, passage, tempo_bpm, clicks)
        if starts_at_s is None
        else starts_at_s
    )
    if beat_1_s is None:
        guess = "give the time of beat 1 with --starts-at; are phrase and tempo right?"
        raise CoachError(Problem("no count-in and no beginning of the phrase was heard", path, guess=guess))
    _refuse_short(sound, passage, tempo_bpm, beat_1_s, path)
    count_in, later = strikes_of(clicks, beat_1_s)
    click = click_sound(sound.samples, sound.rate_hz, [s for s in count_in if s.at_s > 0.0])
    if click is None or not goes_on(click, sound.samples, sound.rate_hz, later):
        return Recording(sound.samples, sound.rate_hz, passage, tempo_bpm, beat_1_s)
    return Recording(sound.samples, sound.rate_hz, passage, tempo_bpm, beat_1_s, click, later)


def found_start_s(recording: Recording, drill: Drill) -> float | None:
    """Where beat 1 of a recording would be found, whatever is said of it; None where it would not."""
    clicks = clicks_of(recording.passage, recording.tempo_bpm, drill.count_in_bars, drill.click)
    return _start_s(recording.samples, recording.rate_hz, recording.passage, recording.tempo_bpm, clicks)


def _start_s(
    samples: NDArray[np.floating],
    rate_hz: int,
    passage: Passage,
    tempo_bpm: int,
    clicks: Sequence[ClickAt],
) -> float | None:
    clicked_s = _clicked_start_s(samples, rate_hz, clicks)
    return _played_start_s(samples, rate_hz, passage, tempo_bpm) if clicked_s is None else clicked_s


def strikes_of(clicks: Sequence[ClickAt], beat_1_s: float) -> tuple[tuple[Strike, ...], tuple[Strike, ...]]:
    """The clicks of the count-in and those in the music, in seconds of the take."""
    count_in = [Strike(beat_1_s + float(c.seconds), c.accent) for c in clicks if c.kind == "count-in"]
    beats = [
        Strike(beat_1_s + float(c.seconds), c.kind == "accent")
        for c in clicks
        if c.kind in ("accent", "beat")
    ]
    return tuple(count_in), tuple(beats)


def _clicked_start_s(samples: NDArray[np.floating], rate_hz: int, clicks: Sequence[ClickAt]) -> float | None:
    """Beat 1 from the clicks of the count-in; None where they are not heard."""
    count_in = [float(c.seconds) for c in clicks if c.kind == "count-in"]
    if not count_in:
        return None
    start_s = count_in_start_s(samples, rate_hz, [at - count_in[0] for at in count_in])
    return None if start_s is None else start_s - count_in[0]


def _played_start_s(
    samples: NDArray[np.floating], rate_hz: int, passage: Passage, tempo_bpm: int
) -> float | None:
    """Beat 1 from the notes: where the most events meet a sharp beginning; None where too few do."""
    risen = rises(frame_of(samples, rate_hz, 0.0, len(samples) / rate_hz))
    onsets_s = [float(passage.tempo.seconds_at(event.onset, tempo_bpm)) for event in passage.events]
    moments = sorted({round(onset / risen.hop_s) for onset in onsets_s})
    room = len(risen.db) - moments[-1]
    if room <= 0:
        return None
    met = _smoothed(np.clip(risen.db, 0.0, MET_DB), round(MET_S / risen.hop_s))
    total = np.zeros(room)
    for moment in moments:
        total += met[moment : moment + room]
    best = int(np.argmax(total))
    if total[best] / len(moments) < LEAST_MET_DB:
        return None
    return risen.start_s + best * risen.hop_s


def _smoothed(values: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Each value as the best of its surroundings, those further off counting less: players are not machines."""
    padded = np.pad(values, reach)
    weight = 1.0 - np.abs(np.arange(-reach, reach + 1)) / (reach + 1.0)
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    return np.asarray((windows * weight).max(axis=1))


def _refuse_short(sound: Sound, passage: Passage, tempo_bpm: int, beat_1_s: float, path: str) -> None:
    last = max(passage.events, key=lambda event: event.onset)
    needed_s = beat_1_s + float(passage.tempo.seconds_at(last.onset, tempo_bpm)) + HEARD_S
    if sound.length_s < needed_s or beat_1_s < 0.0:
        found = f"the take ends at {sound.length_s:.1f} s, but the last event needs {needed_s:.1f} s"
        guess = "record the whole phrase and let it ring; are phrase, tempo and --starts-at right?"
        raise CoachError(Problem(found, path, guess=guess))
