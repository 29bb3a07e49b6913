"""The player without sound: the same positions from a monotonic clock alone."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Self

from coach.sound.player import RATE, PlayToken, SoundState, SoundStatus, now_s

if TYPE_CHECKING:
    from coach.sound.player import Sound


class SilentEngine:
    """Plays nothing, and says where the music would be. `clock` is injected by tests."""

    def __init__(self, rate: int = RATE, clock: Callable[[], float] = now_s) -> None:
        self.rate = rate
        self.volume = 1.0
        self.offset_s = 0.0
        self._clock = clock
        self._number = 0
        self._length = 0
        self._start_s: float | None = None
        self._joined: list[tuple[float, int, int]] = []

    def open(self) -> None:
        """Nothing to open."""

    def close(self) -> None:
        self.stop()

    def play(self, sound: Sound, *, join: bool = False) -> PlayToken:
        """Start a rep of `len(sound)` samples: now, or with `join` when the present one ends."""
        self._advance()
        self._number += 1
        now = self._clock()
        if join and self._start_s is not None:
            end = self._start_s + self._length / self.rate
            if self._joined:
                last_start, last_length, _ = self._joined[-1]
                end = last_start + last_length / self.rate
            if end >= now:
                self._joined.append((end, len(sound), self._number))
                return PlayToken(self._number)
        self._joined.clear()
        self._start_s, self._length, self._heard_number = now, len(sound), self._number
        return PlayToken(self._number)

    def stop(self) -> None:
        self._start_s = None
        self._length = 0
        self._joined.clear()

    def _advance(self) -> None:
        now = self._clock()
        while self._joined and now >= self._joined[0][0]:
            self._start_s, self._length, self._heard_number = self._joined.pop(0)

    @property
    def token(self) -> PlayToken | None:
        self._advance()
        return None if self._start_s is None else PlayToken(self._heard_number)

    @property
    def position_s(self) -> float:
        return self.position_s_at(self._clock())

    def position_s_at(self, when_s: float) -> float:
        self._advance()
        return 0.0 if self._start_s is None else when_s - self._start_s

    @property
    def playing(self) -> bool:
        return self.token is not None and round(self.position_s * self.rate) < self._length

    @property
    def finished(self) -> bool:
        return self.token is not None and not self.playing

    @property
    def latency_s(self) -> float:
        return 0.0

    @property
    def status(self) -> SoundStatus:
        return SoundStatus(SoundState.SILENT)

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()
