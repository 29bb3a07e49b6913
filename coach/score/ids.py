"""Ids of drills and phrases: made from titles and names at first use, then written into the file to stay."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Container

_SPELLED = str.maketrans({"ß": "ss", "æ": "ae", "ø": "o", "œ": "oe", "ł": "l", "đ": "d", "ð": "d", "þ": "th"})


def slug(text: str) -> str:
    """An id made from a text: `Glass over the Weir` is `glass-over-the-weir`; empty where nothing is left."""
    spelled = unicodedata.normalize("NFKD", text.lower().translate(_SPELLED))
    ascii_only = spelled.encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:48].strip("-")


def drill_id(title: str) -> str:
    """The id of a drill that has none: from its title."""
    if slugged := slug(title):
        return slugged
    return f"drill-{hashlib.sha256(title.encode()).hexdigest()[:8]}"


def phrase_id(name: str, number: int, taken: Container[str]) -> str:
    """The id of a phrase that has none: from its name, else its number (from 1); never one of `taken`."""
    wanted = slug(name) or f"phrase-{number}"
    free, copy = wanted, 2
    while free in taken:
        free, copy = f"{wanted}-{copy}", copy + 1
    return free
