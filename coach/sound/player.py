"""What a session's screen asks of whatever plays: a sound card, or nothing but a clock.

Conventions: positions count from the current rep's first sample and say what is *heard* now (handed-out
samples less latency), so they are negative until the rep is heard. They go on counting after the rep's end
until `stop` or the next `play`. `when_s` is on the clock of `coach.sound.player.now_s`.
"""

from __future__ import annotations

import sys
import time
from enum import Enum, auto
from typing import TYPE_CHECKING, Protocol, Self

from coach.ground.frozen import frozen

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Pcm = NDArray[np.float32]

RATE = 48_000
"""Samples per second wherever nothing else is asked for."""
now_s = time.perf_counter if sys.platform == "win32" else time.monotonic
"""The clock that key presses are stamped with too, in seconds."""


class SoundState(Enum):
    """What can be heard of what is played."""

    OPENING = auto()
    """Not known yet."""
    CARD = auto()
    SILENT = auto()
    """Nothing, and nothing is expected: a clock alone."""
    LOST = auto()
    """Nothing until the card is back."""


@frozen
class SoundStatus:
    """What is heard, on which card, and where nothing is heard without being asked for, why."""

    state: SoundState
    card: str = ""
    why: str = ""

    @property
    def unheard(self) -> str:
        """Why nothing can be heard, in two words; empty where it can be, and where that isn't known yet."""
        return {SoundState.SILENT: "silent mode", SoundState.LOST: "sound lost"}.get(self.state, "")

    def __str__(self) -> str:
        silent = "silent mode, the screen shows the beat"
        return {
            SoundState.OPENING: "sound: opening the sound card",
            SoundState.CARD: f"sound: {self.card}",
            SoundState.SILENT: f"{self.why}: {silent}" if self.why else silent,
            SoundState.LOST: "sound lost: going on in silence until it is back",
        }[self.state]


@frozen
class PlayToken:
    """Names one playing of one rep; numbers rise."""

    number: int


class Sound(Protocol):
    """Mono float32 PCM, ready or laid out where it is asked for: an array, a `RepSound`."""

    def __len__(self) -> int: ...

    def __getitem__(self, samples: slice, /) -> Pcm: ...


class Player(Protocol):
    """The interface that screens use; `Engine` has it."""

    rate: int
    volume: float
    """0 to 1, heard at once; the rendered limit holds at any volume."""
    offset_s: float
    """How much later than computed the player hears (set by tapping); taken off every position."""

    def open(self) -> None:
        """Start the device or the clock; returns at once and never raises for want of a device."""
        ...

    def play(self, sound: Sound, *, join: bool = False) -> PlayToken:
        """Play a sound as one rep: now, fading out what plays; with `join`, from its last sample on."""
        ...

    def stop(self) -> None:
        """Fade out and play nothing."""
        ...

    def close(self) -> None:
        """Stop and end every thread; safe to call twice."""
        ...

    @property
    def token(self) -> PlayToken | None:
        """The rep that is heard; None before the first and after `stop`."""
        ...

    @property
    def position_s(self) -> float: ...

    def position_s_at(self, when_s: float) -> float:
        """The position heard at another moment, such as that of a key press shortly ago."""
        ...

    @property
    def playing(self) -> bool:
        """True from `play` until the rep's last sample is heard."""
        ...

    @property
    def finished(self) -> bool:
        """True once the last rep is heard to its end."""
        ...

    @property
    def latency_s(self) -> float:
        """From handing out a sample to hearing it, offset included."""
        ...

    @property
    def status(self) -> SoundStatus:
        """What is heard, and where; as text, one clear line."""
        ...

    def __enter__(self) -> Self: ...

    def __exit__(self, *raised: object) -> None: ...
