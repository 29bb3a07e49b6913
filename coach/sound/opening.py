"""Which player a session has: the sound card's, or a clock alone."""

from __future__ import annotations

from coach.sound.engine import Engine
from coach.sound.player import Player
from coach.sound.silent import SilentEngine


def open_engine(silent: bool, *, rate: int = 48_000, device: str = "", offset_s: float = 0.0) -> Player:
    """An opened player: the sound card's, or, where `silent`, a clock alone. Close it when done.

    `device` is the name of a playback device, or part of it; empty is the system's choice. Without a sound
    card the player opens all the same, and its `status` says so.
    """
    player: Player = SilentEngine(rate=rate) if silent else Engine(rate=rate, device=device)
    player.offset_s = offset_s
    player.open()
    return player
