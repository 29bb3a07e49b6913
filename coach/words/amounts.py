"""How days, durations, tempos and rates are written for people.

Conventions: names of days and months are English whatever the system's language is. Numbers keep a plain space before
their unit, also before the percent sign (ISO 80000-1, 7.1).
"""

from __future__ import annotations

import re
from datetime import date

_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_DATE = re.compile(
    rf"\b\d{{1,2}} (?:{'|'.join(_MONTHS)}|{'|'.join(one[:3] for one in _MONTHS)})\b(?: \d{{4}}\b)?"
)


def unbroken(text: str) -> str:
    """The text with its dates held together: no-break spaces (U+00A0) in them, at which no line ends."""
    return _DATE.sub(lambda match: match[0].replace(" ", "\u00a0"), text)


def short_day(day: date, today: date) -> str:
    """`3 Dec`, with the year where it is another than today's."""
    return f"{day.day} {_MONTHS[day.month - 1][:3]}{_other_year(day, today)}"


def day_or_dash(day: date | None, today: date) -> str:
    """`3 Dec`; a dash where there is none."""
    return short_day(day, today) if day else "-"


def kept_day(kept: bool, tested: date | None, today: date) -> str:
    """The day of the cold test that showed it; `likely` before there was one; a dash where it is not kept."""
    return "likely" if kept and not tested else day_or_dash(tested, today)


def long_day(day: date, today: date) -> str:
    """`Thursday 3 December`, with the year where it is another than today's."""
    return f"{weekday(day)} {day.day} {_MONTHS[day.month - 1]}{_other_year(day, today)}"


def full_day(day: date) -> str:
    """`3 Dec 2026`: on what is read in another year, too."""
    return f"{day.day} {_MONTHS[day.month - 1][:3]} {day.year}"


def day_span(first: date, last: date) -> str:
    """`14 Sep to 12 Dec 2026`."""
    return f"{short_day(first, last)} to {full_day(last)}"


def weekday(day: date) -> str:
    """`Thursday`."""
    return _WEEKDAYS[day.weekday()]


def _other_year(day: date, today: date) -> str:
    return "" if day.year == today.year else f" {day.year}"


def clock_time(minutes: float) -> str:
    """`1:24 min`: to the second, so that a list of them adds up."""
    seconds = round(60 * minutes)
    return f"{seconds // 60}:{seconds % 60:02} min"


def duration(minutes: float) -> str:
    """`40 s`, `45 min`, `3 h 20 min`."""
    if 0 < minutes < 1 and round(60 * minutes) < 60:
        return f"{max(round(60 * minutes), 1)} s"
    whole = round(minutes)
    return f"{whole // 60} h {whole % 60} min" if whole >= 60 else f"{whole} min"


def tempo(bpm: float) -> str:
    """`60 bpm`."""
    return f"{bpm:.0f} bpm"


def tempo_range(slowest_bpm: float, fastest_bpm: float) -> str:
    """`60 bpm` where both are one, else `60 to 72 bpm`."""
    if round(slowest_bpm) == round(fastest_bpm):
        return tempo(slowest_bpm)
    return f"{slowest_bpm:.0f} to {tempo(fastest_bpm)}"


def rung_change(from_bpm: int, to_bpm: int, next_bpm: int) -> str:
    """Where a ladder was and is, and where the next plan takes it up: `rung 46 to 40, next time 44`, `rung 52`."""
    moved = f"rung {to_bpm}" if from_bpm == to_bpm else f"rung {from_bpm} to {to_bpm}"
    return moved if next_bpm == to_bpm else f"{moved}, next time {next_bpm}"


def clean_rate(clean: int, rated: int, unrated: int = 0) -> str:
    """`8 of 10 clean`, `8 of 10 clean, 2 not rated`."""
    rate = f"{clean:,} of {rated:,} clean" if rated else "none rated"
    return f"{rate}, {unrated:,} not rated" if unrated and rated else rate


def percent(part: float) -> str:
    """A part of 1 as a percentage: `80 %`."""
    return f"{100 * part:.0f} %"
