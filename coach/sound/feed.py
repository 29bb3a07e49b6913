"""What is handed to the sound card, block by block: the inner loop of the engine, without a device.

Conventions: frames are mono samples counted from the engine's start. `fill` runs in the device's thread: it
copies slices of ready PCM and counts, nothing else. `play`, `join` and `stop` run in the session's thread;
they set one reference or append to one list, which `fill` takes up at its next block. A replaced rep fades
out within one block before the new one starts. Reps joined to one another follow to the sample.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Pcm = NDArray[np.float32]

_FADE = 240
_SILENCE = memoryview(b"")
_EMPTY = np.zeros(0, dtype=np.float32)
_BYTES = 4


@dataclass(slots=True)
class _Rep:
    number: int
    pcm: Pcm
    length: int
    view: memoryview
    first_frame: int | None = None


@dataclass(slots=True)
class _Chain:
    """Reps that follow one another; `index` is moved by `fill` alone."""

    reps: list[_Rep] = field(default_factory=list)
    index: int = 0


class Feed:
    """Reps in, blocks of float32 bytes out."""

    def __init__(self, block: int = 8192) -> None:
        self.frames = 0
        """Frames handed out so far."""
        self.gain = 1.0
        """0 to 1; taken up within one block."""
        self._wanted = _Chain()
        self._current = self._wanted
        self._number = 0
        self._gain_now = 1.0
        self._rising = False
        self._scratch = np.zeros(block, dtype=np.float32)
        self._ramp = np.linspace(0.0, 1.0, _FADE, dtype=np.float32)

    def play(self, pcm: Pcm, join: bool) -> int:
        """Take up mono float32 PCM as the next rep; returns its number."""
        samples = np.ascontiguousarray(pcm, dtype=np.float32)
        if samples.ndim != 1:
            raise ValueError(f"PCM must be mono, one dimension; got {samples.ndim} dimensions")
        self._number += 1
        rep = _Rep(self._number, samples, len(samples), samples.data.cast("B"))
        chain = self._wanted
        if join and chain.reps:
            chain.reps.append(rep)
            for done in chain.reps[: chain.index]:
                done.pcm, done.view = _EMPTY, _SILENCE
        else:
            self._wanted = _Chain([rep])
        return rep.number

    def stop(self) -> None:
        self._wanted = _Chain()

    def resume_at(self, frame: int) -> None:
        """Go on from a later frame, fading in: used when a device comes back in the middle of a rep."""
        self.skip(frame - self.frames)
        self._rising = True

    def skip(self, count: int) -> None:
        """Let `count` frames go by unheard."""
        if count <= 0:
            return
        start, stop = self.frames, self.frames + count
        self._current = self._wanted
        chain = self._current
        while chain.index < len(chain.reps):
            rep = chain.reps[chain.index]
            if rep.first_frame is None:
                rep.first_frame = start
            start = rep.first_frame + rep.length
            if start > stop:
                break
            chain.index += 1
        self.frames = stop

    def fill(self, count: int) -> memoryview:
        """The next block: up to `count` frames as bytes; the device leaves the rest silent."""
        start = self.frames
        self.frames = start + count
        if count > len(self._scratch):
            self._scratch = np.zeros(count, dtype=np.float32)
        wanted = self._wanted
        if wanted is not self._current:
            old, self._current = self._current, wanted
            if self._is_sounding(old):
                return self._fade_out(old, start, count)
        chain = self._current
        reps = chain.reps
        if chain.index >= len(reps):
            self._gain_now = self.gain
            return _SILENCE
        rep = reps[chain.index]
        if rep.first_frame is None:
            rep.first_frame = start
        cursor = start - rep.first_frame
        plain = self.gain == 1.0 == self._gain_now and not self._rising
        if plain and cursor + count <= rep.length:
            if cursor + count == rep.length:
                self._end(chain, rep)
            return rep.view[cursor * _BYTES : (cursor + count) * _BYTES]
        return self._mix(chain, start, count)

    def _mix(self, chain: _Chain, start: int, count: int) -> memoryview:
        """A block with a rep's end in it, or at another volume: put together in the scratch buffer."""
        out = self._scratch[:count]
        done = 0
        while done < count and chain.index < len(chain.reps):
            rep = chain.reps[chain.index]
            if rep.first_frame is None:
                rep.first_frame = start + done
            cursor = start + done - rep.first_frame
            part = min(count - done, rep.length - cursor)
            out[done : done + part] = rep.pcm[cursor : cursor + part]
            done += part
            if cursor + part >= rep.length:
                self._end(chain, rep)
        out[done:] = 0.0
        gain, self._gain_now = self._gain_now, self.gain
        if gain != self._gain_now:
            out *= np.linspace(gain, self._gain_now, count, dtype=np.float32)
        elif gain != 1.0:
            out *= np.float32(gain)
        if self._rising:
            self._rising = False
            rise = min(_FADE, count)
            out[:rise] *= self._ramp[:rise]
        return out.data.cast("B")

    def _end(self, chain: _Chain, rep: _Rep) -> None:
        chain.index += 1
        if chain.index < len(chain.reps) and rep.first_frame is not None:
            chain.reps[chain.index].first_frame = rep.first_frame + rep.length

    def _is_sounding(self, chain: _Chain) -> bool:
        return chain.index < len(chain.reps) and chain.reps[chain.index].first_frame is not None

    def _fade_out(self, chain: _Chain, start: int, count: int) -> memoryview:
        rep = chain.reps[chain.index]
        cursor = start - (rep.first_frame or 0)
        part = max(0, min(count, rep.length - cursor, _FADE))
        out = self._scratch[:part]
        if part:
            fall = np.linspace(self._gain_now, 0.0, part, dtype=np.float32)
            np.multiply(rep.pcm[cursor : cursor + part], fall, out=out)
        self._gain_now = self.gain
        return out.data.cast("B")

    def heard(self, frame: float) -> tuple[int, float, int]:
        """(number, position, length) of the rep that is heard when `frame` is: number 0 is none.

        Position is in samples from the rep's start, negative while it waits to be heard.
        """
        chain = self._wanted
        reps = chain.reps
        if not reps:
            return 0, 0.0, 0
        for rep in reversed(reps[: chain.index + 1]):
            if rep.first_frame is not None and rep.first_frame <= frame:
                return rep.number, frame - rep.first_frame, rep.length
        first = reps[0]
        begins = first.first_frame if first.first_frame is not None else self.frames
        return first.number, min(frame - begins, 0.0), first.length
