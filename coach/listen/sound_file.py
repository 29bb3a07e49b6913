"""A recorded take as one channel of samples.

Reads WAV (RIFF; Microsoft, Multiple Channel Audio Data and WAVE Files): whole numbers of 16, 24 or 32 bits and floating
point of 32 or 64, also in the extensible form that recording programs write.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from coach.ground.frozen import frozen
from coach.ground.problem import CoachError
from coach.ground.source import FileKind, read_bytes
from coach.listen.arrays import Values

TAKE_FILE = FileKind("a take", "a WAV file", max_bytes=1_000_000_000, endings=(".wav",))
RATES_HZ = (22050, 192000)
_WHOLE, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
SILENT = 10.0 ** (-70.0 / 20.0)
"""A peak below -70 dB of full scale is no music."""
LOUDEST = 2.0**31
"""A peak so far above full scale, more than whole numbers of 32 bits taken for fractions give, is no sound."""
ONE_SIDED = 0.05
"""A channel that has less than so much of the other's level holds only what leaks into it."""
CLIPPED_SHARE = 1e-4
EXPORT = "export it as WAV with 16 or 24 bits"
_OTHERS = {b"ID3": "MP3", b"fLaC": "FLAC", b"OggS": "Ogg", b"FORM": "AIFF", b"RF64": "RF64", b"MThd": "MIDI"}


@frozen
class Sound:
    """One channel of sound; full scale is 1."""

    samples: NDArray[np.float32]
    rate_hz: int
    clipped_share: float
    """How many of its samples lie at full scale."""

    @property
    def length_s(self) -> float:
        return len(self.samples) / self.rate_hz


def read_sound(path: str) -> Sound:
    """The sound of a WAV file, its channels mixed; of two of which one is silent, the other.

    CoachError for what is no WAV file, holds nothing or only silence, or has a form, rate or scale that is not read.
    """
    data = read_bytes(path, TAKE_FILE)
    if not data:
        raise CoachError("the file is empty", path, guess="record the take again")
    form, sound = _chunks(data, path)
    tag, channels, rate_hz, bits = _format(form, path)
    if not RATES_HZ[0] <= rate_hz <= RATES_HZ[1]:
        found = f"{rate_hz} samples a second is outside {RATES_HZ[0]} to {RATES_HZ[1]}"
        raise CoachError(found, path, guess="export it with 48000")
    values = _values(sound, tag, bits, path)
    both = values[: len(values) // channels * channels].reshape(-1, channels)
    if not len(both):
        raise CoachError("there is no sound in the file", path, guess="record the take again")
    if not np.isfinite(both).all():
        raise CoachError("some samples are not numbers", path, guess=EXPORT)
    peak = float(np.abs(both).max())
    if peak < SILENT:
        raise CoachError("the take is silent", path, guess="is the right input chosen, and its level up?")
    if peak > LOUDEST:
        raise CoachError("its samples are far above full scale", path, guess=EXPORT)
    clipped = float(np.mean(np.abs(both) >= 0.9999 * max(peak, 0.99)))
    return Sound(_mixed(both).astype(np.float32), rate_hz, clipped)


def _mixed(both: Values) -> Values:
    """The mean of the channels that carry something."""
    level = np.sqrt(np.mean(both**2, axis=0))
    carrying = both[:, level >= ONE_SIDED * level.max()]
    mixed = carrying.mean(axis=1)
    # Two channels of opposite sign would silence each other.
    if np.sqrt(np.mean(mixed**2)) < 0.2 * level.max():
        return np.asarray(both[:, int(np.argmax(level))])
    return np.asarray(mixed)


def _chunks(data: bytes, path: str) -> tuple[bytes, bytes]:
    """The format and the samples of a WAV file; a file that was cut off holds what there is."""
    if data[:4] != b"RIFF" or data[8:12] != b"WAVE":
        other = next((name for start, name in _OTHERS.items() if data.startswith(start)), "")
        raise CoachError(f"this is {'a file of ' + other if other else 'not a WAV file'}", path, guess=EXPORT)
    found: dict[bytes, bytes] = {}
    at = 12
    while at + 8 <= len(data) and len(found) < 2:
        name, size = data[at : at + 4], struct.unpack_from("<I", data, at + 4)[0]
        if name in (b"fmt ", b"data"):
            found[name] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    if len(found) < 2:
        raise CoachError("there is no sound in the WAV file", path, guess="record the take again")
    return found[b"fmt "], found[b"data"]


def _format(form: bytes, path: str) -> tuple[int, int, int, int]:
    """Tag, channels, rate and bits of a sample."""
    if len(form) < 16:
        raise CoachError("the WAV file's header is cut off", path, guess=EXPORT)
    tag, channels, rate_hz, _, _, bits = struct.unpack_from("<HHIIHH", form)
    if tag == _EXTENSIBLE and len(form) >= 26:
        tag = struct.unpack_from("<H", form, 24)[0]
    if not channels:
        raise CoachError("the WAV file has no channel", path, guess=EXPORT)
    return tag, channels, rate_hz, bits


def _values(sound: bytes, tag: int, bits: int, path: str) -> Values:
    """Samples of all channels in turn, full scale 1."""
    width = bits // 8
    kept = sound[: len(sound) // width * width] if width else b""
    if tag == _WHOLE and bits in (16, 32):
        return np.frombuffer(kept, f"<i{width}") / 2.0 ** (bits - 1)
    if tag == _WHOLE and bits == 24:
        low = np.frombuffer(kept, np.uint8).reshape(-1, 3)
        padded = np.concatenate([np.zeros((len(low), 1), np.uint8), low], axis=1)
        return padded.copy().view("<i4").reshape(-1) / 2.0**31
    if tag == _FLOAT and bits in (32, 64):
        return np.frombuffer(kept, f"<f{width}").astype(float)
    if tag in (_WHOLE, _FLOAT):
        kind = "samples" if tag == _WHOLE else "floating-point samples"
        found = f"it has {bits}-bit {kind}; those of 16 to 32 bits are read"
        raise CoachError(found, path, guess=EXPORT)
    raise CoachError(f"its samples are compressed (WAV format {tag})", path, guess=EXPORT)
