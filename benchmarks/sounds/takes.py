"""Sessions: one player, one instrument, one passage and tempo, one recording chain; its takes and their truth."""

from __future__ import annotations

import json
import zlib
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.sounds.drills import PHRASES, Wanted, WantedEvent, drill_text, length_beats, wanted_events
from benchmarks.sounds.instruments import SETS, Model
from benchmarks.sounds.playing import Played, Player, played
from benchmarks.sounds.room import Chain, clicks, coloured, drawn_chain, hum, recorded, write_wav
from benchmarks.sounds.sampled import FONTS, SampledInstrument, SamplePlayer, sampled_strings
from benchmarks.sounds.simulated import sounded
from benchmarks.sounds.strings import CORE_RATE_HZ, Floats, String

TEMPOS_BPM = (50, 110, 80, 140, 64, 124, 96)
SNRS_DB = (30, 20, 12)
CLEAN_TAKES, JUDGED_TAKES = 3, 6
"""Of a session: takes to learn from, all clean; takes to judge, every second of them all clean."""
BEATS_COUNTED_IN = 4
_TAIL_S = 1.5
_OPEN_S, _OPEN_RINGS_S = 4.0, 3.0


@dataclass(frozen=True, slots=True)
class Session:
    """What one session's takes share."""

    which: str
    source: str
    name: str
    model: Model
    strings: tuple[String, ...]
    muted: tuple[bool, ...]
    phrase: str
    events: tuple[WantedEvent, ...]
    tempo_bpm: int
    chain: Chain
    sampled: SampledInstrument | None
    seed: int

    def random(self, what: str) -> np.random.RandomState:
        """A stream of its own for a part of the session, the same in every numpy (NEP 19 freezes RandomState)."""
        return seeded(f"{self.seed} {self.which} {self.name} {what}")

    def player(self, random: np.random.RandomState) -> Player:
        kind = SamplePlayer if self.sampled else Player
        return kind(self.model, self.strings, random)

    def sounds(self, gestures: list, samples: int) -> Floats:
        if self.sampled:
            return self.sampled.sounded(gestures, samples)
        return sounded(self.model, self.strings, self.muted, gestures, samples)


def seeded(text: str) -> np.random.RandomState:
    """A stream of random numbers that a text names."""
    return np.random.RandomState(zlib.crc32(text.encode()))


def session(which: str, source: str, number: int, seed: int) -> tuple[Session, str]:
    """A session, from 0, of a set (`train`, `test`) and source (`simulated`, `sampled`), and its drill."""
    plucked = [model for model in SETS[which] if not model.bowed]
    model = plucked[number % len(plucked)]
    name = f"{source}-{number + 1:02}-{model.name}"
    random = seeded(f"{seed} {which} {name}")
    text = drill_text(model, random)
    phrase = PHRASES[random.randint(len(PHRASES))]
    chain = drawn_chain(random, pickup=model.ear.place is not None)
    stretch = 1 + chain.ppm * 1e-6
    strings = tuple(_slowed(string, stretch) for string in model.strings(random))
    muted = tuple(bool(random.uniform() < 0.5) for _ in strings)
    sampled = None
    if source == "sampled":
        strings = sampled_strings(model)
        sampled = SampledInstrument(FONTS[which], strings, random)
    tempo_bpm = TEMPOS_BPM[number % len(TEMPOS_BPM)]
    events = wanted_events(text, phrase)
    return (
        Session(which, source, name, model, strings, muted, phrase, events, tempo_bpm, chain, sampled, seed),
        text,
    )


def _slowed(string: String, stretch: float) -> String:
    """The string as a recording clock that runs fast by `stretch` has it."""
    return replace(string, fundamental_hz=string.fundamental_hz / stretch)


def write_session(folder: Path, which: str, source: str, number: int, seed: int) -> int:
    """Write a session's drill, OPEN, clean and judged takes with their truth; how many events are judged."""
    made, text = session(which, source, number, seed)
    place = folder / made.name
    place.mkdir(parents=True, exist_ok=True)
    (place / "drill.yaml").write_text(text, encoding="utf-8")
    _write_open(place, made)
    for index in range(CLEAN_TAKES):
        write_take(place, made, f"clean-{index + 1}", SNRS_DB[index % 2], faulty=False)
    judged = 0
    for index in range(JUDGED_TAKES):
        judged += write_take(place, made, f"take-{index + 1}", SNRS_DB[index // 2 % 3], faulty=index % 2 == 0)
    return judged


def write_take(place: Path, made: Session, name: str, snr_db: float, faulty: bool) -> int:
    """Write one take, `NAME.wav` and `NAME.json`; how many events it has."""
    take, truth = take_of(made, name, snr_db, faulty)
    write_wav(place / f"{name}.wav", take, made.chain.rate_hz)
    (place / f"{name}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return len(truth["events"])


def take_of(made: Session, name: str, snr_db: float, faulty: bool) -> tuple[Floats, dict]:
    """A take, shape (samples, channels), and its truth."""
    random, chain = made.random(name), made.chain
    stretch = 1 + chain.ppm * 1e-6
    beat_s = 60 / made.tempo_bpm * stretch
    believed_s = random.uniform(0.2, 1.0) + BEATS_COUNTED_IN * beat_s
    starts_at_s = believed_s + chain.latency_ms / 1000
    rows = played(made.player(random), made.events, lambda beat: starts_at_s + beat * beat_s, faulty)
    end_s = starts_at_s + length_beats(made.events) * beat_s + _TAIL_S
    samples = round(end_s * CORE_RATE_HZ) // 80 * 80
    gestures = [gesture for row in rows for gesture in row.gestures]
    sounds = made.sounds(gestures, samples)
    music = coloured(sounds.sum(axis=0), chain, random)
    beats = range(-BEATS_COUNTED_IN, round(length_beats(made.events)))
    heard = [beat for beat in beats if chain.clicks == "all" or (chain.clicks == "count-in" and beat < 0)]
    click = clicks(
        samples, [starts_at_s + beat * beat_s for beat in heard], [beat % 4 == 0 for beat in heard], chain
    )
    first = round(starts_at_s * CORE_RATE_HZ)
    power = float(np.mean(music[first:] ** 2))
    whole = music + click * np.max(np.abs(music)) * 10 ** (chain.click_db / 20)
    whole += hum(samples, chain, random) * power**0.5 * 10 ** (chain.hum_db / 20)
    take, density = recorded(whole, chain, power, snr_db, random)
    truth = {
        "format": 1,
        "set": made.which,
        "source": made.source,
        "instrument": made.model.name,
        "drill": "drill.yaml",
        "phrase": made.phrase,
        "tempo_bpm": made.tempo_bpm,
        "all_clean": not faulty,
        "starts_at_s": round(starts_at_s, 6),
        "believed_starts_at_s": round(believed_s, 6),
        "beat_s": round(beat_s, 9),
        "snr_db": snr_db,
        "noise_per_hz": float(f"{density:.6g}"),
        "chain": _rounded(asdict(chain)),
        "events": _truths(made, rows, sounds),
    }
    return take, truth


def _rounded(value: object) -> object:
    if isinstance(value, float):
        return round(value, 6)
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    return [_rounded(item) for item in value] if isinstance(value, (list, tuple)) else value


def _truths(made: Session, rows: list[Played], sounds: Floats) -> list[dict]:
    power = [_powers(row, sounds) for row in rows]
    top = max(own for own, _ in power)
    return [
        _truth(made, row, own / top, others / top) for row, (own, others) in zip(rows, power, strict=True)
    ]


def _powers(row: Played, sounds: Floats) -> tuple[float, float]:
    """Mean power 50 to 250 ms after the beat of the event's own strings, and of all others."""
    start = round((row.beat_s + 0.05) * CORE_RATE_HZ)
    window = sounds[:, start : start + CORE_RATE_HZ // 5]
    own = sorted({note.string for note in row.event.notes} | {one.string for one in row.gestures})
    others = [index for index in range(len(sounds)) if index not in own]
    return float(np.mean(window[own].sum(axis=0) ** 2)), float(np.mean(window[others].sum(axis=0) ** 2))


def _truth(made: Session, row: Played, own: float, others: float) -> dict:
    onset_s = min((gesture.onset_s for gesture in row.gestures), default=None)
    return {
        "label": row.event.label,
        "layer": row.event.layer,
        "result": row.result,
        "notes": [_note(made, note) for note in row.event.notes],
        "played": [
            {
                "string": made.model.notes[one.string],
                "fret": one.fret,
                "partial": one.partial,
                "level_db": round(one.level_db, 2),
            }
            for one in row.gestures
        ],
        "beat_s": round(row.beat_s, 6),
        "hold_s": round(row.hold_s, 6),
        "onset_s": None if onset_s is None else round(onset_s, 6),
        "onset_ms": None if onset_s is None else round((onset_s - row.beat_s) * 1000, 3),
        "touch_db": round(row.touch_db, 2),
        "released_s": None if row.released_s is None else round(row.released_s, 6),
        "own_db": round(10 * np.log10(own + 1e-12), 2),
        "others_db": round(10 * np.log10(others + 1e-12), 2),
    }


def _note(made: Session, note: Wanted) -> dict:
    string = made.strings[note.string].fretted(note.fret or 0)
    return {
        "string": made.model.notes[note.string],
        "fret": note.fret,
        "partial": note.partial,
        "node_from_nut": round(note.place, 6),
        "hz": round(float(string.partials_hz()[note.partial - 1]), 4),
    }


def _write_open(place: Path, made: Session) -> None:
    """OPEN.wav, one pluck of each open string, the lowest first, and its truth."""
    random = made.random("open")
    player = made.player(random)
    gestures = []
    for index in range(len(made.strings)):
        onset_s = 1.0 + index * _OPEN_S
        note = Wanted(index, 0, 1, 0.0, made.strings[index].fundamental_hz)
        gestures.append(player.gesture(note, onset_s, onset_s + _OPEN_RINGS_S))
    samples = round((1.0 + _OPEN_S * len(gestures)) * CORE_RATE_HZ) // 80 * 80
    music = coloured(made.sounds(gestures, samples).sum(axis=0), made.chain, random)
    power = float(np.mean(music**2))
    whole = music + hum(samples, made.chain, random) * power**0.5 * 10 ** (made.chain.hum_db / 20)
    take, _ = recorded(whole, made.chain, power, SNRS_DB[0], random)
    write_wav(place / "OPEN.wav", take, made.chain.rate_hz)
    known = made.sampled is None
    rows = [
        {
            "string": string.name,
            "onset_s": round(gesture.onset_s, 6),
            "f0_hz": round(string.fundamental_hz, 5),
            "stiffness_b": float(f"{string.stiffness_b:.5g}") if known else None,
        }
        for string, gesture in zip(made.strings, gestures, strict=True)
    ]
    (place / "OPEN.json").write_text(json.dumps({"format": 1, "strings": rows}, indent=1) + "\n", "utf-8")
