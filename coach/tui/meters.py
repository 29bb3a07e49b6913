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
from coach.tui.canvas import Canvas, Role, fitted
from coach.tui.glyphs import NONE, SMALL, THIN, big_width, largest_size, rows_high


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
    canvas: Canvas, beats: Sequence[BeatAt], walker: tuple[int, int] | None, coming: PlacedEvent | None
) -> None:
    """One row: a post for each beat of the bar, the mark that walks from one to the next, and where it meets the
    event that is `coming`, if in this bar. `walker` is which beat is heard, and the mark's column."""
    if not beats:
        return
    width = canvas.width
    first, last = beat_places(beats, walker[0] if walker else 0)
    canvas.put(0, 0, "·" * width, "rule")
    for beat in beats[first:last]:
        post = (beat.number - 1) * width // beat.beats
        canvas.put(0, post, str(beat.number), "text" if beat.accent else "dim")
    if walker:
        heard = beats[walker[0]]
        if coming and coming.bar == heard.bar:
            canvas.put(0, min(int(coming.beat * width / heard.beats), width - 3), "▒▒▒", "next")
        canvas.put(0, min(walker[1], width - 3), "███", "beat")


def counts(beats: Sequence[BeatAt]) -> list[list[int]]:
    """The numbers of the count-in, a list for each of its bars."""
    bars: list[list[int]] = []
    for beat in takewhile(lambda beat: beat.bar < 0, beats):
        if beat.number == 1 or not bars:
            bars.append([])
        bars[-1].append(beat.number)
    return bars


def draw_count(canvas: Canvas, beats: Sequence[BeatAt], index: int) -> None:
    """The count-in up to `beats[index]`, each number in its place and a dot for each that is to come.

    A number that was counted stays, so that nothing flashes. Bars stand below each other where all have room, else
    the one that is counted stands alone.
    """
    width, height, bars = canvas.width, canvas.height, counts(beats)
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
            canvas.put_tall(row * rows_high(size), column, text, size, "beat")
            column += big_width(f"{at} ", size) + max(size, 1)


def draw_rung(canvas: Canvas, rung: Rung, tempo_bpm: int) -> None:
    """One row: start, the rung on its way, goal, and whether the goal was held, or kept."""
    name = f"rung {rung.bpm} "
    left = name if tempo_bpm == rung.bpm else f"at {tempo_bpm}, {name}"
    right = f" goal {rung.goal_bpm}" + ("  kept" if rung.kept else "  landed" if rung.landed else "")
    track = canvas.width - len(left) - len(right)
    if track < 6:
        canvas.put(0, 0, fitted(left.strip() + right, canvas.width), "text")
        return
    canvas.put(0, 0, left, "text")
    canvas.put(0, len(left), "┄" * track, "rule")
    at = len(left) + round(way_done(rung, tempo_bpm) * (track - 1))
    canvas.put(0, len(left), "━" * (at - len(left)), "good")
    canvas.put(0, at, "◆", "now")
    canvas.put(0, len(left) + track, right, "text")


def way_done(rung: Rung, tempo_bpm: int) -> float:
    """The part of the way from the start tempo to the goal, in log-tempo: 0 to 1."""
    if rung.goal_bpm <= rung.start_bpm:
        return 1.0
    whole = math.log(rung.goal_bpm / rung.start_bpm)
    return min(max(math.log(max(tempo_bpm, 1) / rung.start_bpm) / whole, 0.0), 1.0)


Words = tuple[str, Role]
"""Words of the band and their role."""


def draw_band(canvas: Canvas, words: Sequence[Words]) -> None:
    """A state at the left, a number with its unit, the time left at the right, all as tall as their pane.

    Where they have no room, first the blanks before the units get thin, then what stands last.
    """
    size = largest_size("0", canvas.width, canvas.height)
    first, *others = words
    # No word of a beat may be wider than another, or the others would jump.
    beginning = max(big_width(first[0], size), big_width("BEAT 4", size))
    closer = [(text.replace(" ", THIN), role) for text, role in others]
    fits = (
        parts
        for count in range(len(others), -1, -1)
        for parts, gap in ((others[:count], 6), (closer[:count], max(4 * size, 2)))
        if beginning + sum(big_width(text, size) + gap for text, _ in parts) <= canvas.width
    )
    canvas.put_tall(0, 0, first[0], size, first[1])
    right = canvas.width
    for place, (text, role) in enumerate(reversed(next(fits, ()))):
        right -= big_width(text, size)
        if place:
            right = beginning + (right - beginning) // 2  # In the middle of what is left.
        canvas.put_tall(0, right, text, size, role)
