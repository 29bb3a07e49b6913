"""Where everything stands on the session screen: fixed places for a terminal's size and an instrument's strings.

Conventions: columns and rows count from 0 at the top left. A layout depends on nothing that changes while a session
runs but the terminal's size, so that nothing jumps. Both views share header, rung, message and keys.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from typing import Literal

from coach.tui.canvas import Rows
from coach.tui.glyphs import ROWS_HIGH

View = Literal["glance", "study"]
LEAST_WIDTH, LEAST_HEIGHT = 80, 24

HEADER_ROWS = 2
"""Of the lane: bar numbers and the labels above the strings."""
FOOTER_ROWS = 2
"""Of the lane: the count and the labels below."""
NODE_COLUMNS = 36
"""A node in big writing at scale 1, `D<3.2>`, and a margin."""
TEMPO_COLUMNS = 20
"""Three big digits."""
BEAT_COLUMNS = 21
"""A counted beat and a margin."""
NECK_COLUMNS = 42


@dataclass(frozen=True, slots=True)
class Box:
    """A pane's place in cells."""

    x: int
    y: int
    width: int
    height: int


def too_small(width: int, height: int) -> str:
    """What to tell where a terminal is smaller than every picture needs; empty where it is not."""
    if not width or (width >= LEAST_WIDTH and height >= LEAST_HEIGHT):
        return ""
    return f"window too small: {LEAST_WIDTH} x {LEAST_HEIGHT} at least"


Layout = Mapping[str, Box]
Pane = tuple[Hashable, Callable[[], Rows]]
"""A key that is equal as long as the pane looks the same, and how to draw it."""


def layout_for(view: View, width: int, height: int, strings: int) -> Layout:
    """The panes of a view. Below 80x24 panes keep their places and are cut at the edges."""
    width, height = max(width, LEAST_WIDTH), max(height, LEAST_HEIGHT)
    panes = {
        "header": Box(0, 0, width - 1, 1),
        "rung": Box(0, height - 3, width - 1, 1),
        "message": Box(0, height - 2, width, 1),
        "keys": Box(0, height - 1, width - 1, 1),
    }
    rows = height - 4
    return {**panes, **(_study(width, rows, strings) if view == "study" else _glance(width, rows))}


def _study(width: int, rows: int, strings: int) -> dict[str, Box]:
    edges = HEADER_ROWS + FOOTER_ROWS
    least = edges + min(strings, rows - 2 * (1 + ROWS_HIGH) - edges)
    scale = 1
    while (
        NODE_COLUMNS * (scale + 1) <= min(width - NECK_COLUMNS - 2, width * 3 // 5)
        and 2 * (1 + ROWS_HIGH * (scale + 1)) <= rows - least
    ):
        scale += 1
    big = 2 * (1 + ROWS_HIGH * scale)
    spread = edges + 2 * strings - 1
    lane = spread if spread <= rows - big - 1 else least
    cue = 1 if rows - big - lane >= 1 else 0
    gap = (rows - big - lane - cue) // 3
    left = NODE_COLUMNS * scale + 1
    right = left + 1
    columns = width - right
    half = big // 2
    digits = max(1, min(columns // (TEMPO_COLUMNS + 2 * 8), (big - 1 - (strings + 1)) // ROWS_HIGH))
    neck_top = 1 + 1 + digits * ROWS_HIGH
    lane_top = 1 + big + gap
    neck_rows = min(strings + 1, lane_top - neck_top)
    # The fretboard sits on the lane where there is room to spare.
    neck_top = max(neck_top, min(lane_top - gap, 1 + big) - neck_rows) if gap else neck_top
    tempo_left = width - TEMPO_COLUMNS * digits - 1
    return {
        "caption": Box(0, 1, left - 1, 1),
        "now": Box(0, 2, left - 1, half - 1),
        "next": Box(0, 1 + half, left - 1, half),
        "track": Box(right, 1, columns, 1),
        "beat": Box(right, 2, tempo_left - right - 1, ROWS_HIGH * digits),
        "tempo": Box(tempo_left, 2, TEMPO_COLUMNS * digits, ROWS_HIGH * digits),
        "neck": Box(right, neck_top, columns, neck_rows),
        "lane": Box(0, lane_top, width, lane),
        **({"cue": Box(0, 1 + rows - 1, width, 1)} if cue else {}),
    }


def _glance(width: int, rows: int) -> dict[str, Box]:
    now, other = 2, 1
    while NODE_COLUMNS * (now + 1) <= width and 3 + ROWS_HIGH * (now + 1 + 2 * max(now, 1)) <= rows:
        now, other = now + 1, now
    spare = rows - 3 - ROWS_HIGH * (now + 2 * other)
    gap = spare // 3
    below_now = 1 + 1 + ROWS_HIGH * now + gap
    below_next = below_now + 1 + ROWS_HIGH * other + gap
    beat = max(14 * other, BEAT_COLUMNS)
    tempo = TEMPO_COLUMNS * other + 1
    return {
        "caption": Box(0, 1, width, 1),
        "now": Box(0, 2, width, ROWS_HIGH * now),
        "next": Box(0, below_now, width, 1 + ROWS_HIGH * other),
        "track": Box(0, below_next, width, 1),
        "beat": Box(0, below_next + 1, beat, ROWS_HIGH * other),
        "held": Box(beat + 1, below_next + 1, width - beat - tempo - 2, ROWS_HIGH * other),
        "tempo": Box(width - tempo, below_next + 1, tempo - 1, ROWS_HIGH * other),
        "word": Box(0, below_next + 1, width - tempo - 1, ROWS_HIGH * other),
        "lane": Box(0, 1, width, below_next - 1),
    }
