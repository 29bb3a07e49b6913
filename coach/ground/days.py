"""Days as people write them, within what calendars, clocks and time zones can compute with."""

from __future__ import annotations

import re
from datetime import date

FIRST, LAST = date(1970, 1, 2), date(2999, 12, 31)
"""The log counts from 1970; room at both ends for offsets and sums of days."""
_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def day_from(text: str) -> date:
    """The day that is written year-month-day (ISO 8601); ValueError for anything else and for a day out of range."""
    if not _DAY.fullmatch(text):
        raise ValueError(f"{text[:40]!r} is not a date")
    try:
        day = date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{text!r} is not a date") from None
    if not FIRST <= day <= LAST:
        raise ValueError(f"{text!r} is outside {FIRST} to {LAST}")
    return day


def iso_day(day: date | None) -> str | None:
    """A day as programs read it, `2026-12-03`; None where there is none."""
    return day.isoformat() if day else None
