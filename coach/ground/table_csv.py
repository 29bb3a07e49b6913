"""Tables as CSV (RFC 4180: CRLF line ends, quotes doubled) that no spreadsheet takes for formulas.

A spreadsheet computes a text cell that starts with = + - @ or a control character; such a text gets an apostrophe in
front, which spreadsheets take as "this is text" (OWASP, CSV Injection). Numbers are written bare. A byte order mark in
front has spreadsheets read UTF-8 as UTF-8 and not as something else (RFC 3629, 6).
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

from coach.ground.plain import plain_text

Cell = str | int | float | bool | None

BYTE_ORDER_MARK = "\ufeff"
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "|", "%", "＝", "＋", "－", "＠")


def safe_text(text: str) -> str:
    """A text cell that stays text, on one line without control characters."""
    text = plain_text(text)
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """The table as CSV; None is an empty cell."""
    out = io.StringIO()
    out.write(BYTE_ORDER_MARK)
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([safe_text(cell) if isinstance(cell, str) else _number(cell) for cell in row])
    return out.getvalue()


def _number(cell: float | bool | None) -> str:
    if cell is None:
        return ""
    return str(cell).lower() if isinstance(cell, bool) else str(cell)
