"""The beat that moves and the rung with the way to go: thin views that change while the player plays.

Conventions: the beat's mark walks along its bar and never switches anything on and off in place; its position comes
from what is heard. The way lies: start on the left, goal on the right, columns in log-tempo.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coach.learning.readings import Rung
from coach.music.clicktrack import BeatAt
from coach.tui.canvas import Canvas, Rows, fitted


def beat_places(beats: Sequence[BeatAt], index: int) -> tuple[int, int]:
    """First and last (exclusive) index of the beats that share a bar with `beats[index]`."""
    first = index
    while first > 0 and beats[first].number > 1 and beats[first - 1].bar == beats[index].bar:
        first -= 1
    last = index + 1
    while last < len(beats) and beats[last].number > 1 and beats[last].bar == beats[index].bar:
        last += 1
    return first, last


def walker_column(beats: Sequence[BeatAt], position_s: float, width: int) -> tuple[int, int]:
    """Index of the beat that is heard and the column of the walking mark in a track of `width` columns."""
    index = 0
    while index + 1 < len(beats) and float(beats[index + 1].seconds) <= position_s:
        index += 1
    beat = beats[index]
    start = float(beat.seconds)
    if index + 1 < len(beats):
        length = float(beats[index + 1].seconds) - start
    elif index > 0:
        length = start - float(beats[index - 1].seconds)
    else:
        length = 1.0
    part = min(max((position_s - start) / length, 0.0), 0.999)
    return index, int((beat.number - 1 + part) * width / beat.beats)


def draw_track(beats: Sequence[BeatAt], position_s: float | None, width: int, plain: bool = False) -> Rows:
    """One row: a post for each beat of the bar and the mark that walks from one to the next."""
    canvas = Canvas(width, 1)
    if not beats:
        return canvas.rows()
    index, at = walker_column(beats, position_s, width) if position_s is not None else (0, -1)
    first, last = beat_places(beats, index)
    canvas.put(0, 0, ("." if plain else "·") * width, "rule")
    for beat in beats[first:last]:
        canvas.put(
            0, (beat.number - 1) * width // beat.beats, str(beat.number), "text" if beat.accent else "dim"
        )
    if at >= 0:
        mark = "###" if plain else "███"
        canvas.put(0, min(at, width - 3), mark, "beat")
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
