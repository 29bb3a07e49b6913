"""What is handed to the sound card, block by block: the inner loop of the engine, without a device.

Conventions: frames are mono samples counted from the engine's start. `fill` runs in the device's thread: it
copies from ready pieces and counts, nothing else, as long as `prepare` is called often enough, by the keeper's. `play`
and `stop` run in the session's thread; they set one reference or append to one list, which `fill` takes up at its
next block. A replaced rep fades out within one block before the new one starts. Reps joined to one another follow to
the sample.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from coach.sound.player import Pcm, Sound

PIECE_SAMPLES = 16_384
PIECES_AHEAD = 2
"""With the one that plays: a third of a second is ready at least, and a look after the device takes a tenth."""
_FADE = 240
_SILENCE = memoryview(b"")


class Pieces:
    """A sound cut into pieces, of which those about to be played lie ready.

    The device's thread takes them, another makes them. A piece that it finds missing it makes itself: nobody waits.
    """

    def __init__(self, sound: Sound) -> None:
        self.length = len(sound)
        self._sound = sound
        self._ready: dict[int, Pcm] = {}

    def prepare(self, cursor: int) -> None:
        """Make ready what follows a sample, and let go what lies before it."""
        first = cursor // PIECE_SAMPLES
        for number in range(first, first + PIECES_AHEAD):
            self._piece(number)
        for number in tuple(self._ready):
            if number < first:
                self._ready.pop(number, None)

    def take(self, cursor: int, count: int) -> Pcm:
        """Up to `count` samples: those of one piece."""
        number, begin = divmod(cursor, PIECE_SAMPLES)
        return self._piece(number)[begin : begin + count]

    def _piece(self, number: int) -> Pcm:
        piece = self._ready.get(number)
        if piece is None:
            piece = self._ready[number] = self._sound[number * PIECE_SAMPLES : (number + 1) * PIECE_SAMPLES]
        return piece


@dataclass(slots=True)
class _Rep:
    number: int
    pieces: Pieces | None
    """None once it is over."""
    length: int
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

    def play(self, pieces: Pieces, join: bool) -> int:
        """Take up the next rep; returns its number."""
        self._number += 1
        rep = _Rep(self._number, pieces, pieces.length)
        chain = self._wanted
        if join and chain.reps:
            chain.reps.append(rep)
            for done in chain.reps[: chain.index]:
                done.pieces = None
        else:
            self._wanted = _Chain([rep])
        return rep.number

    def prepare(self) -> None:
        """Make ready what `fill` will soon take; called several times in the time that it lasts."""
        chain = self._wanted
        # `fill` may end a rep at any moment, and `play` let its pieces go: each is looked up once.
        for rep in chain.reps[chain.index :][:1]:
            pieces, first_frame = rep.pieces, rep.first_frame
            if pieces and first_frame is not None:
                pieces.prepare(self.frames - first_frame)

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
        if chain.index >= len(chain.reps):
            self._gain_now = self.gain
            return _SILENCE
        out = self._scratch[:count]
        self._copy(chain, start, out)
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

    def _copy(self, chain: _Chain, start: int, out: Pcm) -> None:
        """Fill `out` with what sounds from a frame on."""
        done = 0
        while done < len(out) and chain.index < len(chain.reps):
            rep = chain.reps[chain.index]
            if rep.first_frame is None:
                rep.first_frame = start + done
            cursor = start + done - rep.first_frame
            if rep.pieces is None or cursor >= rep.length:
                self._end(chain, rep)
                continue
            part = rep.pieces.take(cursor, len(out) - done)
            out[done : done + len(part)] = part
            done += len(part)
            if cursor + len(part) >= rep.length:
                self._end(chain, rep)
        out[done:] = 0.0

    def _end(self, chain: _Chain, rep: _Rep) -> None:
        chain.index += 1
        if chain.index < len(chain.reps) and rep.first_frame is not None:
            chain.reps[chain.index].first_frame = rep.first_frame + rep.length

    def _is_sounding(self, chain: _Chain) -> bool:
        return chain.index < len(chain.reps) and chain.reps[chain.index].first_frame is not None

    def _fade_out(self, chain: _Chain, start: int, count: int) -> memoryview:
        rep = chain.reps[chain.index]
        rest = rep.length - (start - (rep.first_frame or 0))
        out = self._scratch[: max(0, min(count, rest, _FADE))]
        if len(out):
            self._copy(chain, start, out)
            out *= np.linspace(self._gain_now, 0.0, len(out), dtype=np.float32)
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
