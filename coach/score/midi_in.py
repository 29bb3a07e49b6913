"""Reads a Standard MIDI File into a `Score`: each track (in type 0 each channel) is a voice.

Conventions: onsets and lengths are moved to the nearest simple part of a quarter within 1/50 of it, else to the
nearest twelfth or sixteenth, which is told. A note let go a little early or late ends with the next one, as it would
be written. Notes of General MIDI program 32, guitar harmonics, are harmonics; they
sound an allowance of octaves above their keys, which the file's text may state. Pitch bends round to the nearest
semitone. Channel 10 is percussion and left out. Empty bars before the first note are left out.
"""

from __future__ import annotations

import contextlib
import io
import re
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import mido

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.music.key import Key, key_named
from coach.score.limits import MAX_BARS
from coach.score.midi_out import CLICK_CHANNEL, HARMONICS_OCTAVES, HARMONICS_PROGRAM
from coach.score.score import Score, ScoreBar, ScoreNote, index_chosen
from coach.score.sustain import RawNote, with_pedal
from coach.score.unpack import reason_of

MAX_MIDI_BYTES = 500_000
MOST_SKIPPED = 100_000
MAX_READ = 20_000
BENT_CENTS = 1.0
"""A bend below it is none."""
TOLERANCE = Fraction(1, 50)
_DIVISORS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
_ALLOWANCE = re.compile(r"harmonics are written (\d) octaves below")


@frozen
class _Struck:
    """A note in quarters from the file's start."""

    onset: Fraction
    length: Fraction
    midi: int
    voice: str
    harmonic: bool
    beside_cents: float | None
    """How far it sounds beside `midi`, where the file says so exactly."""


@dataclass
class _Contents:
    """What a file's events say, places in quarters."""

    notes: list[_Struck] = field(default_factory=list)
    names: dict[str, str] = field(default_factory=dict)
    meters: dict[Fraction, tuple[int, int, int]] = field(default_factory=dict)
    tempos: dict[Fraction, Fraction] = field(default_factory=dict)
    markers: dict[Fraction, str] = field(default_factory=dict)
    cues: dict[Fraction, list[str]] = field(default_factory=dict)
    keys: dict[Fraction, Key] = field(default_factory=dict)
    texts: list[str] = field(default_factory=list)
    title: str = ""
    percussion: int = 0
    moved: int = 0
    held: int = 0
    pedalled: int = 0
    bent: int = 0


def read_midi(
    data: bytes, tracks: Sequence[tuple[str | None, str]], harmonics_octaves: int | None, where: str
) -> tuple[Score, list[str]]:
    """The score of a file's tracks, or of those that `tracks` names, each with the option that names it.

    A track is named by its number from 1, or its name. With the score come the voices of the named tracks, in order.
    """
    file = _parsed(data, where)
    score = Score()
    contents = _contents(file, harmonics_octaves, score)
    if not contents.notes:
        raise CoachError("the file has no notes except percussion", where, guess="choose another file")
    voices = list(
        dict.fromkeys(note.voice for note in sorted(contents.notes, key=lambda note: int(note.voice)))
    )
    score.parts = [contents.names.get(voice) or "unnamed" for voice in voices]
    named = [(contents.names.get(voice, ""),) for voice in voices]
    chosen = [
        voices[index_chosen(track, named, score.parts, "track", where, option)] for track, option in tracks
    ]
    if chosen:
        voices = list(dict.fromkeys(chosen))
        contents.notes = [note for note in contents.notes if note.voice in voices]
    for count, what in (
        (contents.percussion, "percussion notes left out"),
        (contents.moved, "onsets or lengths moved to the nearest twelfth or sixteenth of a quarter"),
        (contents.held, "notes released a little early or late now end with the next note or beat"),
        (contents.pedalled, "notes lengthened by the sustain pedal"),
        (contents.bent, "bent notes written as the semitone nearest to their beginning"),
    ):
        if count:
            score.remark("", f"{count} {what}")
    score.title = contents.title
    score.layer_names = {voice: contents.names.get(voice, "") for voice in voices}
    _bars(contents, score, where)
    score.order = list(range(len(score.bars)))
    return score, chosen


_AGAIN = "export it again as a MIDI file of type 1"


def _parsed(data: bytes, where: str) -> Any:
    if len(data) > MAX_MIDI_BYTES:
        raise CoachError(
            f"the MIDI file has {len(data) / 1e6:.1f} MB; at most {MAX_MIDI_BYTES / 1e6:g} MB are read", where
        )
    try:
        file = mido.MidiFile(file=io.BytesIO(data), clip=True, charset="latin-1")
    except Exception as error:  # mido raises whatever its parts raise on broken bytes
        raise CoachError(f"this MIDI file is broken: {reason_of(error)}", where, guess=_AGAIN) from None
    for fault, what in (
        (file.ticks_per_beat == 0, "divides a beat into 0 ticks"),
        (not 0 <= file.ticks_per_beat < 0x8000, "counts film frames, not beats"),
        (file.type == 2, "is of type 2, separate patterns"),
        (file.type > 2, f"is of type {file.type}, which does not exist"),
    ):
        if fault:
            raise CoachError(f"this MIDI file {what}, and can't be read", where, guess=_AGAIN)
    return file


def _text(message: Any) -> str:
    text = message.text if hasattr(message, "text") else message.name
    with contextlib.suppress(UnicodeError):
        # mido decodes one byte to a letter; files of today are UTF-8.
        text = text.encode("latin-1").decode("utf-8")
    return plain_text(text)[:80]


def _contents(file: Any, harmonics_octaves: int | None, score: Score) -> _Contents:
    contents = _Contents()
    raw: list[RawNote] = []
    for index, track in enumerate(file.tracks):
        for note in _track_notes(track, index, file, contents):
            raw.append(note)
            if len(raw) > MAX_READ:
                score.remark("", f"only the first {MAX_READ} notes are read")
                break
    stated = next((int(match[1]) for text in contents.texts if (match := _ALLOWANCE.search(text))), None)
    octaves = harmonics_octaves if harmonics_octaves is not None else stated
    if octaves is None:
        octaves = HARMONICS_OCTAVES
        if any(note.harmonic for note in raw):
            score.remark(
                "",
                f"guitar harmonics read as sounding {octaves} octaves above their keys (--harmonics-octaves)",
            )
    raw, contents.pedalled = with_pedal(raw, file.tracks)
    for note in raw:
        midi = round(note.pitch) + (12 * octaves if note.harmonic else 0)
        beside_cents = 100 * (note.pitch - round(note.pitch))
        contents.bent += not note.harmonic and abs(beside_cents) > BENT_CENTS
        if 0 <= midi <= 127:
            says = note.harmonic and (stated is not None or abs(beside_cents) > BENT_CENTS)
            onset = _snapped(Fraction(note.start, file.ticks_per_beat), contents)
            length = Fraction(note.stop, file.ticks_per_beat) - onset
            contents.notes.append(
                _Struck(onset, length, midi, note.voice, note.harmonic, beside_cents if says else None)
            )
    _end_notes(contents, exactly=stated is not None)
    return contents


def _track_notes(track: Any, index: int, file: Any, contents: _Contents) -> Iterator[RawNote]:
    """The notes of a track, each when it is let go; its other messages go into `contents`."""
    tick = 0
    states: dict[int, dict[str, int]] = defaultdict(lambda: {"program": 0, "bend": 0, "range": 2, "rpn": -1})
    held: dict[tuple[int, int], list[tuple[int, float, bool]]] = defaultdict(list)

    def ended(channel: int, key: int, tick: int) -> RawNote:
        """The note of a key that was struck first, let go at a tick."""
        start, pitch, harmonic = held[channel, key].pop(0)
        voice = str(channel if file.type == 0 else index)
        return RawNote(start, tick, pitch, voice, harmonic, channel, key)

    for message in track:
        tick += message.time
        if message.is_meta:
            _meta(contents, message, Fraction(tick, file.ticks_per_beat), index, file.type)
            continue
        channel = getattr(message, "channel", None)
        if channel is None:
            continue
        state = states[channel]
        if message.type == "program_change":
            state["program"] = message.program
        elif message.type == "pitchwheel":
            state["bend"] = message.pitch
        elif message.type == "control_change":
            _control(state, message)
        elif message.type in ("note_on", "note_off"):
            same_key = held[channel, message.note]
            if same_key:
                yield ended(channel, message.note, tick)
            if message.type == "note_on" and message.velocity:
                if channel == CLICK_CHANNEL:
                    contents.percussion += 1
                    continue
                pitch = message.note + state["bend"] / 8192 * state["range"]
                same_key.append((tick, pitch, state["program"] == HARMONICS_PROGRAM))
    for (channel, key), left in held.items():
        while left:
            yield ended(channel, key, max(tick, left[0][0] + 1))


def _end_notes(contents: _Contents, exactly: bool) -> None:
    """Settle each length: a note let go a little before or after the next one, or a simple beat, ends there.

    What says `exactly` was written by an export and not played: its ends are only moved to the nearest simple part.
    """
    onsets: dict[str, list[Fraction]] = defaultdict(list)
    for note in contents.notes:
        onsets[note.voice].append(note.onset)
    for in_voice in onsets.values():
        in_voice.sort()
    held = 0
    for index, note in enumerate(contents.notes):
        end = note.onset + note.length
        settled = None if exactly else _near_end(note, end, onsets[note.voice])
        if settled is None:
            settled = _snapped(end, contents)
        elif settled != end:
            held += 1
        length = max(settled - note.onset, Fraction(1, 16))
        contents.notes[index] = replace(note, length=length)
    contents.held = held


def _near_end(note: _Struck, end: Fraction, onsets: list[Fraction]) -> Fraction | None:
    """The next onset of the voice, else the quarter or third of a beat, that a note's end is hardly off."""
    slack = min(Fraction(1, 8), note.length / 4)
    following = bisect_right(onsets, note.onset)
    if following < len(onsets) and abs(onsets[following] - end) <= slack:
        return onsets[following]
    near = min((Fraction(round(end * parts), parts) for parts in (4, 3)), key=lambda place: abs(place - end))
    return near if note.onset < near and abs(near - end) <= slack else None


def _control(of: dict[str, int], message: Any) -> None:
    """Registered parameter 0 sets the range of the pitch bend (MIDI 1.0)."""
    if message.control == 101:
        of["rpn"] = message.value << 7
    elif message.control == 100 and of["rpn"] >= 0:
        of["rpn"] |= message.value
    elif message.control == 6 and of["rpn"] == 0:
        of["range"] = max(1, min(24, message.value))


def _meta(contents: _Contents, message: Any, at: Fraction, track: int, kind: int) -> None:
    if message.type == "track_name":
        name = _text(message)
        if track == 0:
            contents.title = name
        contents.names.setdefault(str(track), name)
        if kind == 0:
            contents.names.clear()
    elif message.type == "set_tempo" and message.tempo > 0:
        contents.tempos[at] = Fraction(60_000_000, message.tempo)
    elif message.type == "time_signature" and message.denominator <= 32 and 1 <= message.numerator <= 64:
        contents.meters[at] = (message.numerator, message.denominator, message.clocks_per_click)
    elif message.type == "key_signature":
        tonic, minor = message.key.removesuffix("m"), message.key.endswith("m")
        if key := key_named(f"{tonic} {'minor' if minor else 'major'}"):
            contents.keys[at] = key
    elif message.type == "marker":
        contents.markers[at] = _text(message)
    elif message.type == "cue_marker":
        contents.cues.setdefault(at, []).append(_text(message))
    elif message.type == "text":
        contents.texts.append(_text(message))


def _snapped(quarters: Fraction, contents: _Contents) -> Fraction:
    for divisor in _DIVISORS:
        near = Fraction(round(quarters * divisor), divisor)
        if abs(near - quarters) <= min(TOLERANCE, Fraction(1, 3 * divisor)):
            return near
    contents.moved += 1
    return min(
        (Fraction(round(quarters * divisor), divisor) for divisor in (12, 16)),
        key=lambda near: abs(near - quarters),
    )


def _bars(contents: _Contents, score: Score, where: str) -> None:
    """Cut the notes into bars, from the first that has one."""
    end = max(note.onset + note.length for note in contents.notes)
    bars = _empty_bars(contents, score, end, where)
    starts = [start for start, _ in bars]

    def bar_at(place: Fraction) -> tuple[Fraction, ScoreBar]:
        return bars[max(0, bisect_right(starts, place) - 1)]

    for note in contents.notes:
        start, bar = bar_at(note.onset)
        onset, length = (note.onset - start) / 4, note.length / 4
        bar.notes.append(
            ScoreNote(
                onset, length, note.midi, note.voice, harmonic=note.harmonic, beside_cents=note.beside_cents
            )
        )
    for place, text in contents.markers.items():
        if text and starts[0] <= place < end:
            _, bar = bar_at(place)
            bar.mark, bar.starts_section = text, True
    for place, cues in contents.cues.items():
        if starts[0] <= place < end:
            _, bar = bar_at(place)
            bar.cue = "; ".join([bar.cue, *cues] if bar.cue else cues)
    for place in sorted(contents.tempos):
        _, bar = bar_at(place)
        if place <= starts[0]:
            bar.tempos.clear()
        if place < end:
            bar.tempos.append(contents.tempos[place])
    changes = sorted(contents.keys)
    for start, bar in bars:
        if before := bisect_right(changes, start):
            bar.key = contents.keys[changes[before - 1]]
    _pickup(bars[0][1])
    for (_, bar), (_, after) in pairwise(bars):
        # A marked short bar before longer ones leads into them: MIDI has no other way to say so.
        if bar.mark and bar.length < after.full and not bar.pickup and bar.length == bar.full:
            bar.upper, bar.lower, bar.pickup = after.upper, after.lower, True
    score.bars = [bar for _, bar in bars]
    for number, bar in enumerate(score.bars, 0 if score.bars[0].pickup else 1):
        bar.number = str(number)


def _empty_bars(
    contents: _Contents, score: Score, end: Fraction, where: str
) -> list[tuple[Fraction, ScoreBar]]:
    """Every bar from the first that has a note to the end, with its start in quarters."""
    first_note = min(note.onset for note in contents.notes)
    bars: list[tuple[Fraction, ScoreBar]] = []
    skipped = 0
    for start, (upper, lower, clocks) in _bar_starts(contents, end):
        length = Fraction(upper, lower)
        if start + length * 4 <= first_note:
            skipped += 1
            if skipped > MOST_SKIPPED:
                message = f"the first note comes after more than {MOST_SKIPPED:,} bars"
                raise CoachError(message, where)
            continue
        if score.beat_whole is None and clocks * Fraction(1, 96) == Fraction(1, lower):
            score.beat_whole = Fraction(1, lower)
        bars.append((start, ScoreBar(str(len(bars) + 1), upper, lower, length)))
        if len(bars) > MAX_BARS:
            raise CoachError(f"the file has more than {MAX_BARS} bars", where, guess="shorten it first")
    if skipped:
        score.remark("", f"{skipped} empty {'bars' if skipped > 1 else 'bar'} before the first note left out")
    return bars


def _bar_starts(contents: _Contents, end: Fraction) -> Iterator[tuple[Fraction, tuple[int, int, int]]]:
    meter = (4, 4, 24)
    changes = sorted(contents.meters)
    at = Fraction(0)
    while at < end:
        while changes and changes[0] <= at:
            meter = contents.meters[changes.pop(0)]
        yield at, meter
        at += Fraction(meter[0] * 4, meter[1])


def _pickup(bar: ScoreBar) -> None:
    """A first bar whose first half is silent is a pick-up."""
    first = min((note.onset for note in bar.notes), default=Fraction(0))
    if first >= bar.length / 2:
        bar.length -= first
        bar.pickup = True
        for note in bar.notes:
            note.onset -= first
