"""From strings to a file: pickup or microphone, room, mains hum, clicks that bleed in, noise, rate, channels."""

from __future__ import annotations

import math
import wave
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.signal import fftconvolve, resample_poly

from benchmarks.sounds.strings import CORE_RATE_HZ, Floats

NOISE_BAND_HZ = CORE_RATE_HZ / 2
"""The noise of the stated signal-to-noise ratio is what falls below this; it is white up to half of a file's rate."""


@dataclass(frozen=True, slots=True)
class Chain:
    """How a take is recorded; one session of one player keeps its chain."""

    rate_hz: int
    channels: str
    """`mono`, `both` (the same in two channels, one quieter) or `left` (the right one has noise only)."""
    top_hz: float
    """A second-order low-pass: a pickup's coil and cable, or a microphone far off."""
    peak: float
    """Its Q."""
    body: tuple[tuple[float, float, float], ...]
    """Resonances of a body: Hz, gain dB, Q; none for a pickup."""
    room_s: float
    """Reverberation time; 0 for a pickup."""
    wet: float
    mains_hz: float
    hum_db: float
    """Against the take's mean level."""
    clicks: str
    """`all`, `count-in` or `none`: which are heard."""
    click_db: float
    """A click's peak against the music's."""
    click_hz: float
    ppm: float
    """How much too fast the recording clock runs, in millionths."""
    latency_ms: float
    peak_dbfs: float


def drawn_chain(random: np.random.RandomState, pickup: bool) -> Chain:
    """A chain by chance."""
    body = [(random.uniform(80, 900), random.uniform(-4, 6), random.uniform(2, 8)) for _ in range(5)]
    heard = ("all", "all", "count-in", "none")[random.randint(4)]
    return Chain(
        rate_hz=(44_100, 48_000, 96_000)[random.randint(3)],
        channels=("mono", "both", "left")[random.randint(3)],
        top_hz=random.uniform(1_800, 4_500),
        peak=random.uniform(0.6, 1.6),
        body=() if pickup else tuple(body),
        room_s=0.0 if pickup else random.uniform(0.2, 0.6),
        wet=random.uniform(0.1, 0.5),
        mains_hz=(50.0, 60.0)[random.randint(2)],
        hum_db=random.uniform(-50, -28),
        clicks=heard,
        click_db=random.uniform(-34, -8),
        click_hz=random.uniform(900, 2_200),
        ppm=random.uniform(-60, 60),
        latency_ms=random.uniform(3, 60),
        peak_dbfs=random.uniform(-18, -4),
    )


def coloured(sound: Floats, chain: Chain, random: np.random.RandomState) -> Floats:
    """Strings as pickup or microphone and room give them, shape (samples,)."""
    size = sound.size + CORE_RATE_HZ
    hz = np.fft.rfftfreq(size, 1 / CORE_RATE_HZ)
    answer = 1 / (1 - (hz / chain.top_hz) ** 2 + 1j * hz / chain.top_hz / chain.peak)
    answer *= 1j * hz / (1j * hz + 25)
    for centre, gain_db, quality in chain.body:
        bell = 1j * hz * centre / quality / (centre**2 - hz**2 + 1j * hz * centre / quality)
        answer *= 1 + (10 ** (gain_db / 20) - 1) * bell
    dry = np.fft.irfft(np.fft.rfft(sound, size) * answer, size)[: sound.size]
    if not chain.room_s:
        return np.asarray(dry)
    late = np.arange(int(chain.room_s * CORE_RATE_HZ)) / CORE_RATE_HZ
    echo = random.standard_normal(late.size) * 10 ** (-3 * late / chain.room_s)
    echo[: CORE_RATE_HZ // 250] = 0
    echo /= math.sqrt(float(np.sum(echo**2)))
    return np.asarray(dry + chain.wet * fftconvolve(dry, echo)[: sound.size])


def clicks(samples: int, times_s: list[float], accents: list[bool], chain: Chain) -> Floats:
    """Clicks of peak 1 as they bleed in: a short decaying tone, higher on accents, through headphones or air."""
    sound = np.zeros(samples)
    time = np.arange(CORE_RATE_HZ // 20) / CORE_RATE_HZ
    for at_s, accent in zip(times_s, accents, strict=True):
        hz = chain.click_hz * (1.5 if accent else 1.0)
        click = np.sin(2 * math.pi * hz * time) * np.exp(-time / 0.008)
        click[40:] += 0.4 * click[:-40]
        start = round(at_s * CORE_RATE_HZ)
        stop = min(samples, start + click.size)
        sound[start:stop] += click[: stop - start]
    return sound


def hum(samples: int, chain: Chain, random: np.random.RandomState) -> Floats:
    """Mains hum of root mean square 1: eight harmonics, the odd ones louder."""
    time = np.arange(samples) / CORE_RATE_HZ
    sound = np.zeros(samples)
    for number in range(1, 9):
        loud = random.uniform(0.3, 1) / number * (1 if number % 2 else 0.4)
        phase = random.uniform(0, 2 * math.pi)
        sound += loud * np.sin(2 * math.pi * number * chain.mains_hz * time + phase)
    return np.asarray(sound / math.sqrt(float(np.mean(sound**2))))


def recorded(
    sound: Floats, chain: Chain, music_power: float, snr_db: float, random: np.random.RandomState
) -> tuple[Floats, float]:
    """The take at its own rate, shape (samples, channels), and its noise density (full scale squared per Hz)."""
    up, down = {44_100: (147, 80), 48_000: (2, 1), 96_000: (4, 1)}[chain.rate_hz]
    fine = resample_poly(sound, up, down)
    gain = 10 ** (chain.peak_dbfs / 20) / float(np.max(np.abs(fine)))
    density = gain**2 * music_power * 10 ** (-snr_db / 10) / NOISE_BAND_HZ
    spread = math.sqrt(density * chain.rate_hz / 2)
    levels = {"mono": (1.0,), "both": (1.0, 0.7), "left": (1.0, 0.0)}[chain.channels]
    channels = [
        level * gain * fine + (level or 0.5) * spread * random.standard_normal(fine.size) for level in levels
    ]
    return np.stack(channels, axis=1), density


def write_wav(path: Path, take: Floats, rate_hz: int) -> None:
    """16-bit PCM; `take` has shape (samples, channels), full scale 1."""
    whole = np.clip(np.rint(take * 32767), -32768, 32767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(take.shape[1])
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(whole.tobytes())
