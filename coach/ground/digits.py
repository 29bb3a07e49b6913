"""Numbers out of texts that anybody may have written: exact, and bounded before they are computed; and into texts.

Python reads `1e999999999` into a fraction of a billion digits, and refuses a whole number of more than 4,300 digits
with an error of its own; no number here is as long.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

MOST_DIGITS = 40
_EXACT = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?|[+-]?\d+/\d+")


def whole_number(text: str) -> int | None:
    """The number that is written in digits alone, None where anything else stands there or it is out of all measure."""
    text = text.strip()
    return int(text) if text.isdecimal() and len(text) <= MOST_DIGITS else None


def exact_number(text: str) -> Fraction:
    """The number in a text such as `3`, `-1.5`, `2/3` or `1e3`; ValueError where there is none or it is too long."""
    text = text.strip()
    if len(text) > MOST_DIGITS or not _EXACT.fullmatch(text):
        raise ValueError(f"'{text[:MOST_DIGITS]}' is not a number")
    try:
        return Fraction(text)
    except ZeroDivisionError:
        raise ValueError(f"'{text}' divides by 0") from None


def rounded(value: Any) -> Any:
    """The value with every float in it at six significant digits: finer than any string, ear or ruler.

    Lists, tuples and dictionaries are gone through; tuples become lists.
    """
    if isinstance(value, float):
        return float(f"{value:.6g}")
    if isinstance(value, dict):
        return {key: rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [rounded(part) for part in value]
    return value
