"""Beats and numbers of beats as players write them.

    beat     = count [ "&" | "e" | "a" | "." digits | "+" n "/" d ]
    beats    = number | n "/" d | number "+" n "/" d

A beat is returned as the beats before it: players' beat 1 is 0.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction
from functools import lru_cache

from coach.music.rhythm import count_text

_COUNTS = {"": Fraction(0), "e": Fraction(1, 4), "&": Fraction(1, 2), "a": Fraction(3, 4)}
BEAT = re.compile(r"(\d{1,3})(?:(&|e|a)|(\.\d{1,6})|\+(\d{1,3})/(\d{1,3}))?")
FINEST = 999
"""Parts of a beat that `n/d` can name."""
_MILLIONTHS = 10**6
_BEATS = re.compile(r"(\d{1,4}(?:\.\d{1,6})?)|(?:(\d{1,4})\+)?(\d{1,3})/(\d{1,3})")


class NotationError(ValueError):
    """A fault in an event's text: where it starts, what is wrong, the likely slip, and a sure repair if any."""

    def __init__(
        self, offset: int, message: str, guess: str = "", repair: tuple[str, str] | None = None
    ) -> None:
        super().__init__(message)
        self.offset = offset
        self.message = message
        self.guess = guess
        self.repair = repair
        """(found, wanted): replace the text `found` at `offset` by `wanted`."""


class NoStringError(NotationError):
    """A note on a string that the instrument may lack: it is to be told once a string."""


def read_beats(text: str) -> Fraction:
    """A number of beats, above 0: `4`, `1.5`, `1/2`, `2+1/3`; ValueError for anything else."""
    match = _BEATS.fullmatch(text)
    if match is None:
        raise ValueError(f"'{text}' is not a number of beats; write 2, 1.5, 1/2 or 2+1/3")
    if match[4] and int(match[4]) == 0:
        raise ValueError(f"'{text}' divides by 0")
    value = Fraction(match[1]) if match[1] else int(match[2] or 0) + Fraction(int(match[3]), int(match[4]))
    if value <= 0:
        raise ValueError(f"'{text}' is not a number of beats above 0")
    return value


@lru_cache(1024)
def write_beats(value: Fraction) -> str:
    """A number of beats as `read_beats` reads it: `4`, `1.5`, `1/3`, `2+1/3`."""
    whole, part = divmod(value, 1)
    if not part:
        return str(whole)
    if part.denominator in (2, 4):
        return f"{float(value):g}" if value < 100000 else str(value)
    if part.denominator > FINEST:
        return _decimals(value)
    return f"{whole}+{part}" if whole else str(part)


def read_beat(text: str, offset: int = 0) -> Fraction:
    """A beat as players count it, as the beats before it: `1` is 0, `2&` is 3/2; NotationError otherwise."""
    match = BEAT.fullmatch(text)
    if match is None:
        message = f"'{text}' is not a beat; write 1, 2&, 2e, 2a, 2.5 or 2+1/3"
        raise NotationError(offset, message, *_beat_slip(text))
    if int(match[1]) == 0:
        raise NotationError(offset, "there is no beat 0; players count from 1")
    beat = Fraction(int(match[1]) - 1) + _COUNTS[match[2] or ""]
    if match[3]:
        beat += Fraction("0" + match[3])
    if match[4]:
        if int(match[5]) == 0 or int(match[4]) >= int(match[5]):
            raise NotationError(offset, f"'{text}': the part after + is a fraction below 1, such as 1/3")
        beat += Fraction(int(match[4]), int(match[5]))
    return beat


@lru_cache(1024)
def write_beat(beat: Fraction) -> str:
    """A beat as `read_beat` reads it."""
    return _decimals(beat + 1) if beat.denominator > FINEST else count_text(beat)


def can_be_written(value: Fraction) -> bool:
    """Whether a beat or a number of beats has a notation that reads as exactly it."""
    return value.denominator <= FINEST or _MILLIONTHS % value.denominator == 0


def _decimals(value: Fraction) -> str:
    # What has no exact notation is only ever a hold that the phrase's end cuts: longer, it is cut there again.
    whole, rest = divmod(math.ceil(value * _MILLIONTHS), _MILLIONTHS)
    return f"{whole}.{rest:06}".rstrip("0").rstrip(".")


def _beat_slip(text: str) -> tuple[str, tuple[str, str] | None]:
    if match := re.fullmatch(r"(\d+)(\+|and|und|&&)", text):
        return f"did you mean {match[1]}&?", (text, f"{match[1]}&")
    if match := re.fullmatch(r"(\d+),(\d+)", text):
        return f"did you mean {match[1]}.{match[2]}?", None
    if ":" in text:
        return "the beat comes first, then string:fret", None
    if re.match(r"&|e|a", text):
        return "a beat starts with its number: 1&", None
    return "", None
