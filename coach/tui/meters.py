"""The beat that moves and the rung with the way to go: thin views that change while the player plays.

Conventions: the beat's mark walks along its bar and never switches anything on and off in place; its position comes
from what is heard. The ladder lies: start on the left, goal on the right, columns in log-tempo as its steps are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coach.learning.ladder import Ladder
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


def draw_rung(ladder: Ladder, tempo_bpm: int, clean_to_climb: int, width: int, plain: bool = False) -> Rows:
    """One row: start, the rung on its way, goal, and how many clean in a row of those that climb."""
    canvas = Canvas(width, 1)
    done, todo = ("*", ".") if plain else ("●", "○")
    in_row = min(ladder.clean_in_row, clean_to_climb) if ladder.counted_bpm == tempo_bpm else 0
    rung = f"rung {ladder.rung_bpm} "
    left = rung if tempo_bpm == ladder.rung_bpm else f"at {tempo_bpm}, {rung}"
    right = f" goal {ladder.goal_bpm}  clean in a row {done * in_row}{todo * (clean_to_climb - in_row)}"
    if ladder.landed:
        right = f" goal {ladder.goal_bpm}  landed"
    track = width - len(left) - len(right)
    if track < 6:
        canvas.put(0, 0, fitted(left.strip() + right, width, plain), "text")
        return canvas.rows()
    canvas.put(0, 0, left, "text")
    canvas.put(0, len(left), ("." if plain else "┄") * track, "rule")
    at = len(left) + round(way_done(ladder, tempo_bpm) * (track - 1))
    canvas.put(0, len(left), ("=" if plain else "━") * (at - len(left)), "good")
    canvas.put(0, at, "O" if plain else "◆", "now")
    canvas.put(0, len(left) + track, right, "text")
    return canvas.rows()


def way_done(ladder: Ladder, tempo_bpm: int) -> float:
    """The part of the way from the start tempo to the goal, in log-tempo: 0 to 1."""
    if ladder.goal_bpm <= ladder.start_bpm:
        return 1.0
    whole = math.log(ladder.goal_bpm / ladder.start_bpm)
    return min(max(math.log(max(tempo_bpm, 1) / ladder.start_bpm) / whole, 0.0), 1.0)
