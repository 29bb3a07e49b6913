"""Where everything stands on the session screen: fixed places for a terminal's size and what a passage needs.

Conventions: columns and rows count from 0 at the top left. A layout depends on nothing that changes while a passage is
played but the terminal's size, so that nothing jumps. Both views share header, track, band, rung, message and keys; the
sheet for marking takes the place of all between header and track.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Literal

from textual.geometry import Region

from coach.ground.frozen import frozen
from coach.tui.glyphs import BIGGEST, SMALL, big_width, rows_high

View = Literal["glance", "study"]
LEAST_WIDTH, LEAST_HEIGHT = 80, 24

HEADER_ROWS = 2
"""Of the lane: bar numbers and the labels above the strings."""
FOOTER_ROWS = 2
"""Of the lane: the count and the labels below."""
NODE = "D3.2"
"""A node as wide as usual ones are."""
BAND = "BEAT 4120BPM60MIN"
"""As wide as what usually stands in the band."""
ARROW = "→"
MARGIN = 1
"""Columns before a low note; a glyph has a blank of its own beside it."""
NECK_COLUMNS = 28
"""The least that a fretboard needs beside the hands."""


@frozen
class Needs:
    """What a passage needs of the screen."""

    strings: int = 4
    lows: tuple[str, ...] = ()
    """The low notes that are held under harmonics, as they are written; which is the widest depends on the size."""
    node: str = f"<{NODE}>{ARROW}"
    """The widest event that leads, as it is written; no narrower than a usual node in its brackets and an arrow."""

    def low_columns(self, size: int) -> int:
        """Of a low note and the margin before it."""
        return max(big_width(low, size) for low in self.lows) + MARGIN if self.lows else 0


def too_small(width: int, height: int) -> str:
    """What to tell where a terminal is smaller than every picture needs; empty where it is not."""
    if not width or (width >= LEAST_WIDTH and height >= LEAST_HEIGHT):
        return ""
    return f"window too small: {LEAST_WIDTH} x {LEAST_HEIGHT} at least"


Layout = Mapping[str, Region]
"""By name the place of each pane, in cells."""


@lru_cache(maxsize=64)
def layout_for(view: View, width: int, height: int, needs: Needs) -> Layout:
    """The panes of a view. Below 80x24 panes keep their places and are cut at the edges."""
    width, height = max(width, LEAST_WIDTH), max(height, LEAST_HEIGHT)
    band = band_size(width)
    bottom = height - 3 - rows_high(band)
    work = Region(0, 1, width - 1, bottom - 2)
    return {
        "header": Region(0, 0, width - 1, 1),
        "sheet": work,
        "track": Region(0, bottom - 1, width - 1, 1),
        "band": Region(0, bottom, width - 1, rows_high(band)),
        "rung": Region(0, height - 3, width - 1, 1),
        "message": Region(0, height - 2, width, 1),
        "keys": Region(0, height - 1, width - 1, 1),
        **(_study(work, needs) if view == "study" else _glance(work, needs)),
    }


def band_size(width: int) -> int:
    """The size of the band's words, so that all have room side by side."""
    return next((size for size in range(3, SMALL, -1) if big_width(BAND, size) + 4 < width), SMALL)


def _hands(
    left: int, top: int, columns: int, now: int, next_: int, gap: int, needs: Needs
) -> dict[str, Region]:
    """Now above next, each with its low note at the right; a line of words above each."""
    low = needs.low_columns(next_)
    node = columns - low
    below = top + 1 + rows_high(now) + gap
    panes = {
        "now_words": Region(left, top, node, 1),
        "now": Region(left, top + 1, node, rows_high(now)),
        "count": Region(left, top + 1, columns, rows_high(now)),
        "next_words": Region(left, below, node, 1),
        "next": Region(left, below + 1, node, rows_high(next_)),
    }
    x, wide = left + node + MARGIN, low - MARGIN
    lows = {
        "low_words": Region(x, top, wide, 1),
        "low": Region(x, top + 1, wide, rows_high(now)),
        "next_low_words": Region(x, below, wide, 1),
        "next_low": Region(x, below + 1, wide, rows_high(next_)),
    }
    return {**panes, **lows} if low else panes


def _glance(work: Region, needs: Needs) -> dict[str, Region]:
    pairs = ((now, after) for after in range(BIGGEST, 0, -1) for now in (after + 1, after))
    now, after = next(
        (
            (now, after)
            for now, after in pairs
            if big_width(NODE, now) + needs.low_columns(after) <= work.width
            and big_width(NODE, after) + big_width(ARROW) + needs.low_columns(after) <= work.width
            and 2 + rows_high(now) + rows_high(after) <= work.height
        ),
        (1, 1),
    )
    gap = (work.height - 2 - rows_high(now) - rows_high(after)) // 2
    return _hands(work.x, work.y, work.width, now, after, gap, needs)


def _study(work: Region, needs: Needs) -> dict[str, Region]:
    edges = HEADER_ROWS + FOOTER_ROWS
    least = edges + min(needs.strings, work.height - 2 * (1 + rows_high(SMALL)) - edges)
    size = next(
        (
            size
            for size in range(BIGGEST, SMALL, -1)
            if big_width(f"<{NODE}>", size) + 2 + needs.low_columns(size) + NECK_COLUMNS <= work.width
            and 2 * (1 + rows_high(size)) <= work.height - least
        ),
        SMALL,
    )
    big = 2 * (1 + rows_high(size))
    low = needs.low_columns(size)
    left = min(big_width(needs.node, size) + 2 + low, work.width - NECK_COLUMNS)
    if big_width(needs.node, SMALL) + low > left:
        # Two nodes at two frets over a low note: what tells a node from a stopped note comes before the fretboard.
        left = work.width
    room, neck, spread = work.height - big, needs.strings + 1, edges + 2 * needs.strings - 1
    # Where there are rows for it, the fretboard goes from edge to edge below the hands.
    across = least + neck < room
    lane = spread if spread + across * neck < room else least
    free = room - lane
    gap = (free - neck) // 3 if across else free // 2
    right = Region(left + 1, work.y, work.width - left - 1, big + gap)
    panes = _hands(work.x, work.y, left, size, size, 0, needs)
    top = big + (neck + (2 * (free - neck) + 1) // 3 if across else gap)
    panes["lane"] = Region(work.x, work.y + top, work.width, lane)
    beside = 0 if across else min(neck, right.height)
    if across:
        panes["neck"] = Region(work.x, work.y + big + gap, work.width, neck)
    elif right.width > 0:
        panes["neck"] = right._replace(height=beside)
    if right.width > 0 and right.height > beside:
        panes["cue"] = right._replace(y=right.y + beside, height=right.height - beside)
    return panes
