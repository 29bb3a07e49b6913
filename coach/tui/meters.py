"""The beat that moves and the rung with the way to go: thin views that change while the player plays.

Conventions: the beat's mark walks along its bar and never switches anything on and off in place; its position comes
from what is heard. The way lies: start on the left, goal on the right, columns in log-tempo.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import takewhile

from coach.learning.readings import Rung
from coach.music.clicktrack import BeatAt
from coach.music.excerpt import PlacedEvent
from coach.tui.canvas import Canvas, Role, Rows, fitted
from coach.tui.glyphs import NONE, SMALL, THIN, big_text, big_width, largest_size, rows_high


def beat_places(beats: Sequence[BeatAt], index: int) -> tuple[int, int]:
    """First and last (exclusive) index of the beats that share a bar with `beats[index]`."""
    first = index
    while first > 0 and beats[first].number > 1 and beats[first - 1].bar == beats[index].bar:
        first -= 1
    last = index + 1
    while last < len(beats) and beats[last].number > 1 and beats[last].bar == beats[index].bar:
        last += 1
    return first, last


def walk_at(beats: Sequence[BeatAt], position_s: float) -> tuple[int, float]:
    """Index of the beat that is heard, and how many counted beats of its bar have gone by."""
    index = max(bisect_right(beats, position_s, key=lambda beat: float(beat.seconds)) - 1, 0)
    beat = beats[index]
    start = float(beat.seconds)
    if index + 1 < len(beats):
        length = float(beats[index + 1].seconds) - start
    elif index > 0:
        length = start - float(beats[index - 1].seconds)
    else:
        length = 1.0
    part = min(max((position_s - start) / length, 0.0), 0.999)
    return index, beat.number - 1 + part


def walker_column(beats: Sequence[BeatAt], walk: tuple[int, float], width: int) -> int:
    """The column of the walking mark in a track of `width` columns."""
    index, into = walk
    return int(into * width / beats[index].beats)


def draw_track(
    beats: Sequence[BeatAt],
    walk: tuple[int, float] | None,
    width: int,
    plain: bool = False,
    coming: PlacedEvent | None = None,
) -> Rows:
    """One row: a post for each beat of the bar, the mark that walks from one to the next, and where it meets the
    event that is `coming`, if in this bar."""
    canvas = Canvas(width, 1)
    if not beats:
        return canvas.rows()
    first, last = beat_places(beats, walk[0] if walk else 0)
    canvas.put(0, 0, ("." if plain else "·") * width, "rule")
    for beat in beats[first:last]:
        canvas.put(
            0, (beat.number - 1) * width // beat.beats, str(beat.number), "text" if beat.accent else "dim"
        )
    if walk and coming and coming.bar == beats[walk[0]].bar:
        post = int(coming.beat * width / beats[walk[0]].beats)
        canvas.put(0, min(post, width - 3), "ooo" if plain else "▒▒▒", "next")
    if walk:
        mark = "###" if plain else "███"
        canvas.put(0, min(walker_column(beats, walk, width), width - 3), mark, "beat")
    return canvas.rows()


def counts(beats: Sequence[BeatAt]) -> list[list[int]]:
    """The numbers of the count-in, a list for each of its bars."""
    bars: list[list[int]] = []
    for beat in takewhile(lambda beat: beat.bar < 0, beats):
        if beat.number == 1 or not bars:
            bars.append([])
        bars[-1].append(beat.number)
    return bars


def draw_count(beats: Sequence[BeatAt], index: int, width: int, height: int, plain: bool = False) -> Rows:
    """The count-in up to `beats[index]`, each number in its place and a dot for each that is to come.

    A number that was counted stays, so that nothing flashes. Bars stand below each other where all have room, else
    the one that is counted stands alone.
    """
    canvas = Canvas(width, height)
    bars = counts(beats)
    starts = [sum(map(len, bars[:place])) for place in range(len(bars))]
    current = max(place for place, start in enumerate(starts) if start <= index)
    lines = [" ".join(map(str, bar)) for bar in bars]
    size = min(largest_size(line, width, height // len(lines)) for line in lines)
    shown = range(len(bars))
    if size == NONE:
        shown, size = range(current, current + 1), max(largest_size(lines[current], width, height), SMALL)
    for row, place in enumerate(shown):
        column = 0
        for number, at in enumerate(bars[place], starts[place]):
            text = str(at) if number <= index else "."
            canvas.put_rows(row * rows_high(size), column, big_text(text, size, plain), "beat")
            column += big_width(f"{at} ", size) + max(size, 1)
    return canvas.rows()


def draw_rung(rung: Rung, tempo_bpm: int, width: int, plain: bool = False) -> Rows:
    """One row: start, the rung on its way, goal, and whether the goal was held, or kept."""
    canvas = Canvas(width, 1)
    name = f"rung {rung.bpm} "
    left = name if tempo_bpm == rung.bpm else f"at {tempo_bpm}, {name}"
    right = f" goal {rung.goal_bpm}" + ("  kept" if rung.kept else "  landed" if rung.landed else "")
    track = width - len(left) - len(right)
    if track < 6:
        canvas.put(0, 0, fitted(left.strip() + right, width, plain), "text")
        return canvas.rows()
    canvas.put(0, 0, left, "text")
    canvas.put(0, len(left), ("." if plain else "┄") * track, "rule")
    at = len(left) + round(way_done(rung, tempo_bpm) * (track - 1))
    canvas.put(0, len(left), ("=" if plain else "━") * (at - len(left)), "good")
    canvas.put(0, at, "O" if plain else "◆", "now")
    canvas.put(0, len(left) + track, right, "text")
    return canvas.rows()


def way_done(rung: Rung, tempo_bpm: int) -> float:
    """The part of the way from the start tempo to the goal, in log-tempo: 0 to 1."""
    if rung.goal_bpm <= rung.start_bpm:
        return 1.0
    whole = math.log(rung.goal_bpm / rung.start_bpm)
    return min(max(math.log(max(tempo_bpm, 1) / rung.start_bpm) / whole, 0.0), 1.0)


Words = tuple[str, Role]
"""Words of the band and their role."""


def draw_band(words: Sequence[Words], width: int, size: int, plain: bool = False) -> Rows:
    """A state at the left, a number with its unit, the time left at the right, at one size.

    Where they have no room, first the blanks before the units get thin, then what stands last.
    """
    canvas = Canvas(width, rows_high(size))
    first, *others = words
    # No word of a beat may be wider than another, or the others would jump.
    beginning = max(big_width(first[0], size), big_width("BEAT 4", size))
    closer = [(text.replace(" ", THIN), role) for text, role in others]
    fits = (
        parts
        for count in range(len(others), -1, -1)
        for parts, gap in ((others[:count], 6), (closer[:count], max(4 * size, 2)))
        if beginning + sum(big_width(text, size) + gap for text, _ in parts) <= width
    )
    shown = [(big_text(text, size, plain), role) for text, role in next(fits, ())]
    canvas.put_rows(0, 0, big_text(first[0], size, plain), first[1])
    right = width
    for lines, role in reversed(shown):
        right -= len(lines[0])
        if lines is not shown[-1][0]:
            right = beginning + (right - beginning) // 2  # In the middle of what is left.
        canvas.put_rows(0, right, lines, role)
    return canvas.rows()
