"""Reads the messages of a Standard MIDI File: notes with their onsets and lengths settled, tempos, meters, keys, texts.

Conventions: places in quarters from the file's start. Onsets and lengths are moved to the nearest simple part of a
quarter within 1/50 of it, else to the nearest twelfth or sixteenth, which is counted. A note let go a little early or
late ends with the next one, as it would be written. Notes of General MIDI program 32, guitar harmonics, are harmonics;
they sound an allowance of octaves above their keys, which the file's text may state. Pitch bends round to the nearest
semitone. Channel 10 is percussion and left out. What the sustain pedal holds (controller 64, down from 64 on: MIDI 1.0)
sounds until it comes up, or until its key is struck again; half pedalling and controllers 66 and 67 are not followed.
"""

from __future__ import annotations

import contextlib
import io
import re
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any, NamedTuple

import mido

from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.music.key import Key, key_named
from coach.score.midi_out import ALLOWANCE_TEXT, CLICK_CHANNEL, HARMONICS_OCTAVES, HARMONICS_PROGRAM
from coach.score.score import Score, ScoreNote
from coach.score.unpack import reason_of

MAX_MIDI_BYTES = 500_000
MAX_READ = 20_000
BENT_CENTS = 1.0
"""A bend below it is none."""
TOLERANCE = Fraction(1, 50)
_DIVISORS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)
SUSTAIN, DOWN = 64, 64
"""The pedal's controller, and the value from which it is down (MIDI 1.0)."""
_ALLOWANCE = re.compile(ALLOWANCE_TEXT.format(octaves=r"(\d)"))


@dataclass
class Contents:
    """What a file's events say, places in quarters."""

    notes: list[ScoreNote] = field(default_factory=list)
    """Their onsets from the file's start."""
    names: dict[str, str] = field(default_factory=dict)
    meters: dict[Fraction, tuple[int, int, int]] = field(default_factory=dict)
    tempos: dict[Fraction, Fraction] = field(default_factory=dict)
    markers: dict[Fraction, str] = field(default_factory=dict)
    cues: dict[Fraction, list[str]] = field(default_factory=dict)
    keys: dict[Fraction, Key] = field(default_factory=dict)
    texts: list[str] = field(default_factory=list)
    title: str = ""
    told: Counter[tuple[str, str]] = field(default_factory=Counter)
    """What was left out or changed, one of it (`note`) and how, and how often."""


_AGAIN = "export it again as a MIDI file of type 1"


def parsed(data: bytes, where: str) -> Any:
    """The file as mido has it; CoachError where it is too large, broken, or of a kind that has no bars."""
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


def contents_of(file: Any, harmonics_octaves: int | None, score: Score) -> Contents:
    """What a file's tracks say, its harmonics so many octaves above their keys; `score` takes the remarks."""
    contents = Contents()
    raw = sorted(_notes(file, contents), key=lambda note: note[:2])
    if len(raw) > MAX_READ:
        score.remark("", f"only the first {MAX_READ} notes are read")
        raw = raw[:MAX_READ]
    stated = next((int(match[1]) for text in contents.texts if (match := _ALLOWANCE.search(text))), None)
    octaves = harmonics_octaves if harmonics_octaves is not None else stated
    if octaves is None:
        octaves = HARMONICS_OCTAVES
        if any(note.harmonic for note in raw):
            what = f"guitar harmonics read as sounding {octaves} octaves above their keys"
            score.remark("", f"{what} (--harmonics-octaves)")
    for note in raw:
        midi = round(note.pitch) + (12 * octaves if note.harmonic else 0)
        beside_cents = 100 * (note.pitch - round(note.pitch))
        if not note.harmonic and abs(beside_cents) > BENT_CENTS:
            contents.told["bent note", "written as the semitone nearest to the beginning"] += 1
        if 0 <= midi <= 127:
            says = note.harmonic and (stated is not None or abs(beside_cents) > BENT_CENTS)
            onset = _snapped(Fraction(note.start, file.ticks_per_beat), contents, "onset")
            length = Fraction(note.stop, file.ticks_per_beat) - onset
            beside = beside_cents if says else None
            contents.notes.append(
                ScoreNote(onset, length, midi, note.voice, harmonic=note.harmonic, beside_cents=beside)
            )
    _end_notes(contents, exactly=stated is not None)
    return contents


class RawNote(NamedTuple):
    """A note as its track has it: ticks, and the key with its bend."""

    start: int
    stop: int
    pitch: float
    voice: str
    harmonic: bool


def _notes(file: Any, contents: Contents) -> Iterator[RawNote]:
    """The notes of all tracks as the pedal lets them sound; other messages go into `contents`."""
    states: dict[tuple[int, int], dict[str, int]] = defaultdict(
        lambda: {"program": 0, "bend": 0, "range": 2, "rpn": -1}
    )
    down: set[int] = set()
    struck: dict[tuple[int, int, int], list[tuple[int, float, bool]]] = defaultdict(list)
    pedalled: dict[tuple[int, int], list[RawNote]] = defaultdict(list)

    def let_go(track: int, channel: int, key: int, stop: int) -> Iterator[RawNote]:
        """The note of a key that was struck first, unless the pedal holds it on."""
        start, pitch, harmonic = struck[track, channel, key].pop(0)
        note = RawNote(start, stop, pitch, str(channel if file.type == 0 else track), harmonic)
        if channel in down:
            pedalled[channel, key].append(note)
        else:
            yield note

    def died_away(channel: int, key: int, stop: int) -> Iterator[RawNote]:
        """The notes of a key that only the pedal held."""
        for note in pedalled.pop((channel, key), ()):
            if stop > note.stop:
                contents.told["note", "lengthened by the sustain pedal"] += 1
            yield note._replace(stop=stop)

    tick = 0
    for tick, _, track, message in sorted(_events(file.tracks), key=lambda event: event[:2]):
        if message is None:
            for _, of, key in [place for place in struck if place[0] == track]:
                while left := struck[track, of, key]:
                    yield from let_go(track, of, key, max(tick, left[0][0] + 1))
            continue
        if message.is_meta:
            _meta(contents, message, Fraction(tick, file.ticks_per_beat), track, file.type)
            continue
        channel = getattr(message, "channel", None)
        if channel is None:
            continue
        state = states[track, channel]
        if _is_pedal(message):
            (down.add if message.value >= DOWN else down.discard)(channel)
            if channel not in down:
                for key in [key for other, key in pedalled if other == channel]:
                    yield from died_away(channel, key, tick)
        elif message.type == "program_change":
            state["program"] = message.program
        elif message.type == "pitchwheel":
            state["bend"] = message.pitch
        elif message.type == "control_change":
            _control(state, message)
        elif message.type in ("note_on", "note_off"):
            key = message.note
            if struck[track, channel, key]:
                yield from let_go(track, channel, key, tick)
            if message.type == "note_on" and message.velocity:
                yield from died_away(channel, key, tick)
                if channel == CLICK_CHANNEL:
                    contents.told["percussion note", "left out"] += 1
                    continue
                pitch = key + state["bend"] / 8192 * state["range"]
                struck[track, channel, key].append((tick, pitch, state["program"] == HARMONICS_PROGRAM))
    for of, key in list(pedalled):
        yield from died_away(of, key, tick)


def _events(tracks: Iterable[Iterable[Any]]) -> Iterator[tuple[int, int, int, Any]]:
    """Tick, rank at that tick, track and message of all; the pedal comes first, None at a track's end last."""
    for track, messages in enumerate(tracks):
        tick = 0
        for message in messages:
            tick += message.time
            yield tick, 0 if _is_pedal(message) else 1, track, message
        yield tick, 2, track, None


def _is_pedal(message: Any) -> bool:
    return bool(message.type == "control_change" and message.control == SUSTAIN)


def _end_notes(contents: Contents, exactly: bool) -> None:
    """Settle each length: a note let go a little before or after the next one, or a simple beat, ends there.

    What says `exactly` was written by an export and not played: its ends are only moved to the nearest simple part.
    """
    onsets: dict[str, list[Fraction]] = defaultdict(list)
    for note in contents.notes:
        onsets[note.voice].append(note.onset)
    for in_voice in onsets.values():
        in_voice.sort()
    for note in contents.notes:
        end = note.onset + note.length
        near = None if exactly else _near_end(note, end, onsets[note.voice])
        settled = _snapped(end, contents, "end") if near is None else near
        if near not in (None, end):
            how = "released a little early or late, made to end with the next note or beat"
            contents.told["note", how] += 1
        note.length = max(settled - note.onset, Fraction(1, 16))


def _near_end(note: ScoreNote, end: Fraction, onsets: list[Fraction]) -> Fraction | None:
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


def _meta(contents: Contents, message: Any, at: Fraction, track: int, kind: int) -> None:
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


def _snapped(quarters: Fraction, contents: Contents, what: str) -> Fraction:
    """The simple part of a quarter that is nearest; `what` it is of, for those that are told."""
    for divisor in _DIVISORS:
        near = Fraction(round(quarters * divisor), divisor)
        if abs(near - quarters) <= min(TOLERANCE, Fraction(1, 3 * divisor)):
            return near
    contents.told[what, "moved to the nearest twelfth or sixteenth of a quarter"] += 1
    return min(
        (Fraction(round(quarters * divisor), divisor) for divisor in (12, 16)),
        key=lambda near: abs(near - quarters),
    )
