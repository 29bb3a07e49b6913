"""`coach sound input`: what the microphone hears, a line that follows it, and what is wrong with it in a sentence."""

from __future__ import annotations

import sys
import time

from coach.commands.common import say, tell
from coach.ground.problem import CoachError
from coach.sound.capture import Capture, CaptureState
from coach.sound.input_level import InputLevel, advice, advice_after, level_of

_LOOK_S = 0.2
_HELD_S = 3.0
_BAR = 30
_LOWEST_DB = -60.0


def hear_input(name: str, seconds: float, as_json: bool) -> None:
    """Show the level of an input for so many seconds and say what is wrong with it; nothing is kept.

    CoachError where there is no input, or it is lost meanwhile.
    """
    with Capture(name, kept_s=seconds + 5.0) as capture:
        opened_s = _wait_until_open(capture)
        say(f"{capture.status}; play as you practise, then stop for a while", to=sys.stderr)
        while time.monotonic() - opened_s < seconds:
            time.sleep(_LOOK_S)
            _must_listen(capture)
            heard = capture.last(min(time.monotonic() - opened_s, _HELD_S))
            if heard is not None and not as_json and sys.stdout.isatty():
                level = level_of(heard, capture.rate_hz)
                sys.stdout.write(f"\r\x1b[K{bar(level)}  {advice(level, playing=False)}"[:200])
                sys.stdout.flush()
        whole = capture.last(seconds * 0.9)
        quietest = _quietest(capture, seconds)
        name = capture.status.name
    if whole is None or quietest is None:
        raise CoachError(f"{name} heard too little to judge")
    level = level_of(whole, capture.rate_hz)
    words = advice_after(level, quietest)
    if sys.stdout.isatty() and not as_json:
        sys.stdout.write("\r\x1b[K")
    facts = {
        "input": name,
        "peak_db": round(level.peak_db, 1),
        "level_db": round(level.level_db, 1),
        "clipped": level.clipped,
        "mains_hz": quietest.mains_hz,
        "hum_db": round(quietest.hum_db, 1),
        "advice": words,
    }
    told = f"{name}: peak {level.peak_db:.0f} dB, mean {level.level_db:.0f} dB of full scale"
    tell(as_json, facts, [told, words or "Good: nothing clips, nothing hums."], None)


def bar(level: InputLevel) -> str:
    """A level on one line: its peak as a bar from -60 dB to full scale."""
    full = round(_BAR * min(max(1.0 - level.peak_db / _LOWEST_DB, 0.0), 1.0))
    return f"[{'#' * full}{'.' * (_BAR - full)}] {level.peak_db:4.0f} dB"


def _wait_until_open(capture: Capture) -> float:
    while capture.status.state is CaptureState.OPENING:
        time.sleep(0.02)
    _must_listen(capture)
    return time.monotonic()


def _must_listen(capture: Capture) -> None:
    if not capture.listening:
        raise CoachError(str(capture.status), guess="coach sound lists the inputs")


def _quietest(capture: Capture, seconds: float) -> InputLevel | None:
    """The level of the softest second or three: hum is judged where nothing is played over it."""
    piece_s = min(_HELD_S, seconds / 3)
    until_s = capture.heard_until_s
    pieces = [
        capture.samples(until_s - (n + 1) * piece_s, until_s - n * piece_s)
        for n in range(int(seconds / piece_s))
    ]
    levels = [level_of(piece, capture.rate_hz) for piece in pieces if piece is not None]
    return min(levels, key=lambda level: level.level_db, default=None)
