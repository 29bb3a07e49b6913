"""A drill as a Standard MIDI File: a track for each layer, a click track with the count-in, tempo and markers.

Conventions: type 1, 960 ticks to the quarter. Every note sounds at its exact pitch: the key is the nearest
equal-tempered note and a pitch bend (range +-2 semitones, MIDI 1.0's default, set by RPN 0) makes up the rest, so
that partials 5 and 7 lie 14 and 31 cents flat as on the string. Notes that overlap with another bend or program
have a channel of their own. Harmonics use General MIDI program 32, guitar harmonics; common soundfonts sound it two
octaves above the key, so the key is written lower by an allowance, which the file's text states.
Percussion keys 76, 77 (wood blocks) and 37 (side stick) on channel 10 are the click: General MIDI.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from copy import copy
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from itertools import accumulate
from typing import Any

import mido

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.clicktrack import clicks_of, count_in_length
from coach.music.drill import Drill
from coach.music.excerpt import Passage, whole_piece
from coach.music.key import Key
from coach.music.passages import passage_of
from coach.music.rhythm import LOWER_NUMBERS
from coach.score.notated import LASTING_DYNAMICS
from coach.strings.units import midi_from_hz

TICKS_PER_QUARTER = 960
HARMONICS_PROGRAM = 31
"""Guitar harmonics: number 32 counted from 1, byte 31."""
BASS_PROGRAM = 33
"""Finger bass: number 34 counted from 1."""
PLUCKED_PROGRAM = 24
"""Nylon guitar, number 25, for instruments that are no bass."""
HARMONICS_OCTAVES = 2
"""How far above its key common soundfonts sound program 32."""
BEND_CENTS = 200
CLICK_CHANNEL = 9
CLICK_KEYS = {"accent": 76, "count-in": 77, "beat": 77, "subdivision": 37}
ALLOWANCE_TEXT = "harmonics are written {octaves} octaves below where they sound"
_CHANNELS = tuple(channel for channel in range(16) if channel != CLICK_CHANNEL)
_VELOCITIES = dict(zip(LASTING_DYNAMICS, (18, 30, 42, 56, 70, 84, 98, 112, 124, 127), strict=True))


_Event = tuple[int, int, Any]
"""A message with its tick, and its rank within that."""


@dataclass
class _Channel:
    number: int
    program: int = -1
    bend: int = 0
    layer: str = ""
    """The layer whose track set program and bend last; programs that read each track alone miss another's."""
    sounding: dict[int, int] = field(default_factory=dict)
    """Keys that sound, and the tick at which each ends."""

    @property
    def idle_since(self) -> int:
        return max(self.sounding.values(), default=-1)


@frozen
class _Sound:
    start: int
    end: int
    layer: str
    pitch: float
    harmonic: bool
    velocity: int


def midi_bytes(
    drill: Drill, tempo_bpm: int, click_only: bool = False, harmonics_octaves: int = HARMONICS_OCTAVES
) -> bytes:
    """The whole piece at a rung as a MIDI file; with `click_only` the click and count-in alone."""
    passage = passage_of(drill, whole_piece(drill))
    meta = mido.MetaMessage
    ticks = _Ticks(passage, drill)
    tracks = [(plain_text(drill.title), list(_conductor(drill, passage, ticks, tempo_bpm)))]
    if not click_only:
        text = ALLOWANCE_TEXT.format(octaves=harmonics_octaves)
        text = f"{text}; common soundfonts play program 32 that much higher"
        tracks[0][1].append((0, 0, meta("text", text=text)))
        tracks += _layers(drill, passage, ticks, harmonics_octaves)
    tracks.append(("click", list(_clicks(drill, passage, ticks, tempo_bpm))))
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS_PER_QUARTER, charset="utf-8")
    for name, events in tracks:
        track = mido.MidiTrack()
        track.append(meta("track_name", name=name, time=0))
        now = 0
        for tick, _, message in sorted(events, key=lambda event: event[:2]):
            track.append(_timed(message, tick - now))
            now = tick
        track.append(meta("end_of_track", time=max(ticks.end - now, 0)))
        file.tracks.append(track)
    buffer = io.BytesIO()
    file.save(file=buffer)
    return buffer.getvalue()


@lru_cache(4096)
def _note(kind: str, channel: int, key: int, velocity: int) -> Any:
    return mido.Message(kind, channel=channel, note=key, velocity=velocity)


def _timed(message: Any, time: int) -> Any:
    """A message at a time, without the library's checks of values that are ours: they cost most of an export."""
    timed = copy(message)
    vars(timed)["time"] = time
    return timed


class _Ticks:
    """Places in ticks; the count-in's first click is tick 0."""

    def __init__(self, passage: Passage, drill: Drill) -> None:
        self.quarters = drill.tempo.beat_whole * 4
        self.lead = count_in_length(passage, drill.count_in_bars)
        self.end = self.at(passage.length)

    def at(self, beat: Fraction | float) -> int:
        """The tick of a place in tempo beats from the passage's start."""
        return round((beat + self.lead) * self.quarters * TICKS_PER_QUARTER)


def _conductor(drill: Drill, passage: Passage, ticks: _Ticks, tempo_bpm: int) -> Iterator[_Event]:
    meta = mido.MetaMessage
    if drill.composer:
        yield 0, 0, meta("text", text=plain_text(drill.composer))
    for tick, microseconds in _tempos(passage, ticks, tempo_bpm):
        yield tick, 1, meta("set_tempo", tempo=microseconds)
    shown = None
    shown_key: Key | None = None
    phrases = {phrase.id: phrase for phrase in drill.phrases}
    for index, bar in enumerate(passage.bars):
        # The count-in and a pick-up that it leads into fill whole bars.
        tick = 0 if index == 0 else ticks.at(bar.start)
        upper, lower = bar.meter.numerator, bar.meter.denominator
        length = bar.length * drill.tempo.beat_whole
        unit = max(lower, length.denominator)
        if index and length != Fraction(upper, lower) and unit in LOWER_NUMBERS:
            upper, lower = int(length * unit), unit
        click = min(255, max(1, round(bar.meter.beat_whole * 96)))
        if (upper, lower, click) != shown and upper <= 255:
            shown = (upper, lower, click)
            look = {"numerator": upper, "denominator": lower, "clocks_per_click": click}
            yield tick, 0, meta("time_signature", **look)
        phrase = phrases[bar.phrase]
        key = phrase.bars[bar.number - phrase.first_bar].key
        if key != shown_key:
            shown_key = key
            yield tick, 0, meta("key_signature", key=_key_text(key or Key(0)))
        if bar.number == phrase.first_bar:
            yield ticks.at(bar.start), 0, meta("marker", text=plain_text(phrase.name))
        if bar.cue:
            yield ticks.at(bar.start), 0, meta("cue_marker", text=plain_text(bar.cue))


def _key_text(key: Key) -> str:
    """A key as mido names it: `Eb`, `F#m`."""
    tonic, mode = str(key).split()
    return tonic + "m" * (mode == "minor")


def _tempos(passage: Passage, ticks: _Ticks, tempo_bpm: int) -> Iterator[tuple[int, int]]:
    """(tick, microseconds to the quarter): a gradual change goes in steps of a quarter of a tempo beat."""
    for span in passage.tempo.spans:
        points = [span.start_beat]
        if span.start_ratio != span.stop_ratio:
            while points[-1] + Fraction(1, 4) < span.stop_beat:
                points.append(points[-1] + Fraction(1, 4))
        for start, stop in zip(points, [*points[1:], span.stop_beat], strict=True):
            seconds = passage.tempo.seconds_at(stop, tempo_bpm) - passage.tempo.seconds_at(start, tempo_bpm)
            microseconds = round(seconds * 1_000_000 / ((stop - start) * ticks.quarters))
            yield 0 if start == 0 else ticks.at(start), min(microseconds, 0xFFFFFF)


def _layers(drill: Drill, passage: Passage, ticks: _Ticks, octaves: int) -> list[tuple[str, list[_Event]]]:
    channels = [_Channel(number) for number in _CHANNELS]
    tracks: dict[str, list[_Event]] = {layer: [] for layer in passage.layers}
    plain = BASS_PROGRAM if min(string.midi for string in drill.instrument.strings) < 36 else PLUCKED_PROGRAM
    for sound in _sounds(passage, ticks):
        track = tracks[sound.layer]
        program = HARMONICS_PROGRAM if sound.harmonic else plain
        pitch = sound.pitch - 12 * octaves if sound.harmonic else sound.pitch
        key = min(127, max(0, round(pitch)))
        bend = max(-8192, min(8191, round((pitch - key) * 100 / BEND_CENTS * 8192)))
        channel = _channel_for(channels, sound, program, bend, key)
        number = channel.number
        if channel.program < 0:
            for control, value in ((101, 0), (100, 0), (6, 2), (38, 0)):
                message = mido.Message("control_change", channel=number, control=control, value=value)
                track.append((sound.start, 2, message))
        anew = channel.layer != sound.layer
        if anew or channel.program != program:
            track.append((sound.start, 2, mido.Message("program_change", channel=number, program=program)))
        if anew or channel.bend != bend:
            track.append((sound.start, 2, mido.Message("pitchwheel", channel=number, pitch=bend)))
        channel.program, channel.bend, channel.layer = program, bend, sound.layer
        channel.sounding[key] = sound.end
        on = _note("note_on", number, key, sound.velocity)
        off = _note("note_off", number, key, 0)
        # A note's end comes before what starts on the same tick.
        track += [(sound.start, 3, on), (sound.end, 1, off)]
    return list(tracks.items())


def _channel_for(channels: Sequence[_Channel], sound: _Sound, program: int, bend: int, key: int) -> _Channel:
    wanted = (program, bend, sound.layer)
    for channel in channels:
        same = (channel.program, channel.bend, channel.layer) == wanted
        if same and channel.sounding.get(key, -1) <= sound.start:
            return channel
    free = [channel for channel in channels if channel.idle_since <= sound.start]
    # At most twelve strings sound at once, so one of fifteen channels is always free.
    return min(free, key=lambda channel: (channel.program != program, channel.idle_since))


def _sounds(passage: Passage, ticks: _Ticks) -> list[_Sound]:
    """Every note with its end: its hold, or the next time that its string is played."""
    next_on_string: dict[int, Fraction] = {}
    sounds = []
    # A sign holds until the next; what is no such sign, as `sfz`, changes nothing of what follows.
    signs = [_VELOCITIES.get(bar.dynamics) for bar in passage.bars]
    velocities = list(accumulate(signs, lambda before, sign: sign or before, initial=_VELOCITIES["mf"]))[1:]
    for event in reversed(passage.events):
        for placed in event.notes:
            string = placed.note.string
            end = min(event.onset + event.hold, next_on_string.get(string, event.onset + event.hold))
            start_tick = ticks.at(event.onset)
            # MIDI keys count from A4 = 440 Hz.
            pitch = midi_from_hz(placed.sounding_hz, 440.0)
            stop_tick = max(ticks.at(end), start_tick + 1)
            harmonic, velocity = placed.note.is_harmonic, velocities[event.bar]
            sounds.append(_Sound(start_tick, stop_tick, event.layer, pitch, harmonic, velocity))
        for placed in event.notes:
            next_on_string[placed.note.string] = event.onset
    return sounds[::-1]


def _clicks(drill: Drill, passage: Passage, ticks: _Ticks, tempo_bpm: int) -> Iterator[_Event]:
    for click in clicks_of(passage, tempo_bpm, drill.count_in_bars, drill.click):
        seconds = click.seconds
        beat = seconds * tempo_bpm * passage.tempo.spans[0].start_ratio / 60
        place = beat if seconds < 0 else passage.tempo.beat_at(float(seconds), tempo_bpm)
        tick = ticks.at(place)
        key = CLICK_KEYS["accent" if click.accent else click.kind]
        velocity = 60 if click.kind == "subdivision" else 90
        yield tick, 3, _note("note_on", CLICK_CHANNEL, key, velocity)
        yield tick + TICKS_PER_QUARTER // 16, 1, _note("note_off", CLICK_CHANNEL, key, 0)
