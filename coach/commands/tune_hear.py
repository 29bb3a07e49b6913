"""Hear a pair of harmonics beat while keys detune one string: the loop behind `coach tune --hear`.

One table holds the keys. The loop takes its keys, its player and its output as arguments, so that it runs without a
terminal and without a sound card.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from typing import TextIO

from coach.ground.problem import UsageError
from coach.sound.models import heard_pcm
from coach.sound.player import Player, SoundState
from coach.strings.detune import WIDEST_CENTS, Heard, beatless, moved, next_pair
from coach.strings.tuning import moved_beats_hz

_BAR_HALF = 10

ACTIONS: dict[str, tuple[str, Callable[[Heard], Heard]]] = {
    "left": ("1 cent lower", lambda heard: moved(heard, -1.0)),
    "right": ("1 cent higher", lambda heard: moved(heard, 1.0)),
    "down": ("10 lower", lambda heard: moved(heard, -10.0)),
    "up": ("10 higher", lambda heard: moved(heard, 10.0)),
    "0": ("equal-tempered", lambda heard: replace(heard, cents=0.0)),
    "b": ("beatless", beatless),
    "n": ("next pair", next_pair),
    "space": ("play again", lambda heard: heard),
    "q": ("stop", lambda heard: replace(heard, done=True)),
}
"""Key to what it does, in words and as a function."""


def listen(heard: Heard, keys: Iterable[str], player: Player, out: TextIO) -> Heard:
    """Sound the pair, then again after every key that has a meaning, until `q` or the keys end."""
    meant = {key: words for key, (words, _action) in ACTIONS.items() if key != "n" or len(heard.pairs) > 1}
    helps = [f"{key}: {words}" for key, words in meant.items()]
    out.write("  ".join(helps[:5]) + "\n" + "  ".join(helps[5:]) + "\n")
    _sound(heard, player, out)
    for key in keys:
        if key not in ACTIONS:
            continue
        heard = ACTIONS[key][1](heard)
        if heard.done:
            break
        _sound(heard, player, out)
    player.stop()
    out.write("\n")
    return heard


def shown(heard: Heard) -> str:
    """What is heard, on one line of at most 79 columns."""
    instrument = heard.instrument
    if heard.string is not None:
        return f"{instrument.string_label(heard.string)} open, {instrument.open_hz(heard.string):.2f} Hz"
    pair = heard.pair
    beats = moved_beats_hz(instrument, pair, heard.cents)
    middle = round((heard.cents / WIDEST_CENTS) * _BAR_HALF)
    bar = ["·"] * (2 * _BAR_HALF + 1)
    bar[_BAR_HALF] = "│"
    bar[_BAR_HALF + middle] = "●"
    names = f"{instrument.string_label(pair.low_string)}-{instrument.string_label(pair.high_string)}"
    high = instrument.string_label(pair.high_string)
    return f"{names}  {high} {heard.cents:+6.1f} cents  {''.join(bar)}  {beats:5.2f} beats a second"


@contextlib.contextmanager
def terminal_keys() -> Iterator[Iterator[str]]:
    """Keys of the terminal by name as they are pressed; UsageError when standard input is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError("needs a terminal", "--hear", guess="-o FILE writes the sound instead")
    if os.name == "nt":
        yield _windows_keys()
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        yield _unix_keys(descriptor)
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


_SEQUENCES = {
    b"\x1b[D": "left",
    b"\x1b[C": "right",
    b"\x1b[A": "up",
    b"\x1b[B": "down",
    b"\x1bOD": "left",
    b"\x1bOC": "right",
    b"\x1bOA": "up",
    b"\x1bOB": "down",
    b" ": "space",
    b"\x1b": "q",
    b"\x04": "q",
    b"": "q",
}


def _unix_keys(descriptor: int) -> Iterator[str]:
    while True:
        # An arrow key sends its three bytes at once, so that one read holds them all.
        read = os.read(descriptor, 8)
        yield _SEQUENCES.get(read, read.decode(errors="replace").lower())


def _windows_keys() -> Iterator[str]:
    import msvcrt

    arrows = {"K": "left", "M": "right", "H": "up", "P": "down"}
    while True:
        key = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        if key in ("\x00", "\xe0"):
            yield arrows.get(msvcrt.getwch(), "")  # type: ignore[attr-defined,unused-ignore]
        else:
            yield {" ": "space", "\x1b": "q"}.get(key, key.lower())


def _sound(heard: Heard, player: Player, out: TextIO) -> None:
    player.play(heard_pcm(heard, player.rate))
    silent = "  (silent)" if player.status.state in (SoundState.SILENT, SoundState.LOST) else ""
    out.write(f"\r\x1b[K{shown(heard)}{silent}")
    out.flush()
