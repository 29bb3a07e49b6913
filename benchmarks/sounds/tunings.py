"""The tuning set: 3 s of two strings that beat, or of one open string, with every partial's true frequency.

Takes begin after the plucks, when the fingers have left; their strings don't glide and nothing colours them, so that
amplitudes, decays and the noise's density are exact and a Cramer-Rao bound can stand beside what a listener finds.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from benchmarks.sounds.instruments import SETS, Model
from benchmarks.sounds.room import NOISE_BAND_HZ, write_wav
from benchmarks.sounds.strings import CORE_RATE_HZ, Contact, Floats, Pluck, String, heard_by, ring
from benchmarks.sounds.takes import SNRS_DB, seeded

TAKE_S = 3.0
_BLOCK = 512
BEATS_HZ = (0.0, 0.1, 0.15, 0.2, 0.25, 0.33, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0)
_RATES_HZ = (44_100, 48_000, 96_000)
_MEETING = {5: (4, 3), 4: (5, 4), 7: (3, 2)}
"""Semitones between two strings to the partials that meet: of the lower, of the higher."""
_COMPONENT = tuple[str, int, float, float, float, float]
"""String, partial, Hz, amplitude, decay per s, phase."""


def write_tunings(folder: Path, which: str, seed: int, rounds: int, models: int | None = None) -> int:
    """Write `rounds` takes of each pair, bowed pair and string at each ratio of signal to noise; how many.

    `models` takes the first so many instruments only.
    """
    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for model in SETS[which][:models]:
        for number in range(rounds):
            for snr_db in SNRS_DB:
                count += _write_model(folder, which, model, seed, number, snr_db)
    return count


def _write_model(folder: Path, which: str, model: Model, seed: int, number: int, snr_db: int) -> int:
    jobs = [("pair", low) for low in range(len(model.notes) - 1)]
    jobs += [("bowed", low) for low in range(len(model.notes) - 1)] if model.bowed else []
    jobs += [("single", index) for index in range(len(model.notes))]
    for kind, index in jobs:
        name = f"{model.name}-{kind}-{model.notes[index]}-{number + 1}-{snr_db}dB"
        random = seeded(f"{seed} {which} tuning {name}")
        strings = model.strings(random)
        if kind == "single":
            truth, parts = _single(model, strings[index], random)
        else:
            truth, parts = _pair(kind, model, strings[index], strings[index + 1], random)
        _write(folder / name, truth | {"set": which, "instrument": model.name}, parts, snr_db, random)
    return len(jobs)


def _pair(
    kind: str, model: Model, low: String, high: String, random: np.random.RandomState
) -> tuple[dict, list[_COMPONENT]]:
    semitones = round(12 * math.log2(high.fundamental_hz / low.fundamental_hz))
    lower, higher = _MEETING[semitones]
    wanted_hz = BEATS_HZ[random.randint(len(BEATS_HZ))] * (1 if random.uniform() < 0.5 else -1)
    if kind == "bowed":
        high = replace(high, fundamental_hz=(lower * low.fundamental_hz + wanted_hz) / higher)
        parts = _bowed(low, random) + _bowed(high, random)
        meet = lower * low.fundamental_hz, higher * high.fundamental_hz
    else:
        target_hz = float(low.partials_hz()[lower - 1]) + wanted_hz
        high = replace(
            high, fundamental_hz=high.fundamental_hz * target_hz / float(high.partials_hz()[higher - 1])
        )
        second = bool(random.uniform() < 0.5)
        parts = _harmonic(model, low, lower, second, random) + _harmonic(model, high, higher, second, random)
        meet = float(low.partials_hz()[lower - 1]), float(high.partials_hz()[higher - 1])
    truth = {
        "kind": kind,
        "lower": {"string": low.name, "partial": lower, "hz": meet[0]},
        "higher": {"string": high.name, "partial": higher, "hz": meet[1]},
        "beat_hz": abs(meet[1] - meet[0]),
        "higher_is_sharp": meet[1] > meet[0],
        "cents": 1200 * math.log2(meet[1] / meet[0]),
    }
    return truth, parts


def _harmonic(
    model: Model, string: String, partial: int, second: bool, random: np.random.RandomState
) -> list[_COMPONENT]:
    """What rings after a harmonic was touched at 1 / `partial`, plucked and left for a while."""
    onset, lift = 1200, 1200 + round(random.uniform(0.04, 0.08) * CORE_RATE_HZ)
    place = 1 - 1 / partial + random.normal(0, 0.001) / string.length_m
    plucks = [Pluck(onset, random.uniform(*model.pluck_place), model.height_mm, 8.0, 0.5 * second)]
    contacts = [Contact(0, lift, place, 8.0, string.impedance)]
    return _components(model, string, contacts, plucks, lift + random.randint(1000, 12_000))


def _single(model: Model, string: String, random: np.random.RandomState) -> tuple[dict, list[_COMPONENT]]:
    second = bool(random.uniform() < 0.5)
    plucks = [Pluck(0, random.uniform(*model.pluck_place), model.height_mm, 8.0, 0.5 * second)]
    parts = _components(model, string, [], plucks, random.randint(1000, 6000))
    truth = {
        "kind": "single",
        "string": string.name,
        "f0_hz": string.fundamental_hz,
        "stiffness_b": string.stiffness_b,
    }
    return truth, parts


def _components(
    model: Model, string: String, contacts: list[Contact], plucks: list[Pluck], samples: int
) -> list[_COMPONENT]:
    heard = heard_by(string, model.ear)
    _, state = ring(string, model.ear.split, samples, contacts, plucks, heard[None])
    loud = heard * state
    hz, decays = string.partials_hz(), string.decays_per_s()
    rows = []
    for way, (ratio, loss) in enumerate([(1.0, 1.0), (1 + model.ear.split, 1.5)]):
        for mode in range(string.modes):
            amplitude = float(abs(loud[way, mode]))
            phase = float(np.angle(loud[way, mode]))
            row = string.name, mode + 1, float(hz[mode] * ratio), amplitude, float(decays[mode] * loss), phase
            rows.append(row)
    return rows


def _bowed(string: String, random: np.random.RandomState) -> list[_COMPONENT]:
    """A bowed open string: exact multiples, falling as 1 / n (Helmholtz's motion; Fletcher and Rossing, chapter 10)."""
    numbers = range(1, int(5_000 / string.fundamental_hz))
    return [
        (
            string.name, number, number * string.fundamental_hz, random.uniform(0.3, 1) / number, 0.0,
            random.uniform(0, 2 * math.pi),
        )
        for number in numbers
    ]  # fmt: skip


def _write(
    path: Path, truth: dict, parts: list[_COMPONENT], snr_db: int, random: np.random.RandomState
) -> None:
    rate_hz = _RATES_HZ[random.randint(len(_RATES_HZ))]
    time = np.arange(round(TAKE_S * rate_hz)) / rate_hz
    loudest = max(part[3] for part in parts)
    parts = [part for part in parts if part[3] > loudest * 1e-4]
    sound = _sum_of(parts, time.size, rate_hz)
    if truth["kind"] == "bowed":
        sound *= _unsteady(time, random)
    gain = 0.4 / float(np.max(np.abs(sound)))
    density = gain**2 * float(np.mean(sound**2)) * 10 ** (-snr_db / 10) / NOISE_BAND_HZ
    noise = math.sqrt(density * rate_hz / 2) * random.standard_normal(time.size)
    write_wav(path.with_name(path.name + ".wav"), (gain * sound + noise)[:, None], rate_hz)
    rows = [
        {
            "string": name,
            "partial": number,
            "hz": round(hz, 7),
            "amplitude": float(f"{amplitude * gain:.6g}"),
            "decay_per_s": round(decay, 5),
        }
        for name, number, hz, amplitude, decay, _ in parts
    ]
    whole = {
        "format": 1,
        **truth,
        "rate_hz": rate_hz,
        "snr_db": snr_db,
        "noise_per_hz": float(f"{density:.6g}"),
        "partials": rows,
    }
    path.with_name(path.name + ".json").write_text(json.dumps(whole, indent=1) + "\n", encoding="utf-8")


def _sum_of(parts: list[_COMPONENT], samples: int, rate_hz: int) -> Floats:
    """The sum of amplitude exp(-decay t) cos(2 pi hz t + phase), in blocks: a product of two matrices."""
    turn = np.array([-decay + 2j * math.pi * hz for _, _, hz, _, decay, _ in parts])
    weight = np.array([amplitude * np.exp(1j * phase) for *_, amplitude, _, phase in parts])
    within = np.exp(np.outer(turn, np.arange(_BLOCK) / rate_hz))
    starts = weight * np.exp(np.outer(np.arange(0, samples, _BLOCK) / rate_hz, turn))
    whole = starts.real @ within.real - starts.imag @ within.imag
    return np.asarray(whole.ravel()[:samples])


def _unsteady(time: Floats, random: np.random.RandomState) -> Floats:
    """A bow's pressure: a few percent up and down, slower than 3 Hz."""
    waves = [
        random.uniform(0, 0.02) * np.sin(2 * math.pi * random.uniform(0.3, 3) * time + random.uniform(0, 6))
        for _ in range(4)
    ]
    return np.asarray(1 + sum(waves))
