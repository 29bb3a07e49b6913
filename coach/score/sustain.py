"""The sustain pedal of a MIDI file: what it holds sounds until it comes up, or until its key is struck again.

Conventions: ticks; controller 64 is down from 64 on (MIDI 1.0, damper pedal). Half pedalling and controllers 66 and 67
are not followed.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

SUSTAIN = 64
DOWN = 64
PedalSpans = Mapping[int, Sequence[tuple[int, int]]]
"""For each channel from when to when its pedal is down."""


class RawNote(NamedTuple):
    """A note as its track has it: ticks, and the key with its bend."""

    start: int
    stop: int
    pitch: float
    voice: str
    harmonic: bool
    channel: int
    key: int


def with_pedal(notes: Sequence[RawNote], tracks: Sequence[Iterable[Any]]) -> tuple[list[RawNote], int]:
    """The notes in order of onset as the pedal lets them sound, and how many of them it lengthens."""
    spans = pedal_spans(tracks)
    onsets: dict[tuple[int, int], list[int]] = defaultdict(list)
    for note in sorted(notes):
        onsets[note.channel, note.key].append(note.start)
    longer = [
        note._replace(stop=sustained(note.stop, spans.get(note.channel, ()), onsets[note.channel, note.key]))
        for note in notes
    ]
    lengthened = sum(after.stop > before.stop for after, before in zip(longer, notes, strict=True))
    return sorted(longer, key=lambda note: note[:2]), lengthened


def pedal_spans(tracks: Iterable[Iterable[Any]]) -> PedalSpans:
    """When each channel's pedal is down, whichever track says so; one that never comes up is held to the end."""
    changes: dict[int, list[tuple[int, bool]]] = defaultdict(list)
    end = 0
    for track in tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "control_change" and message.control == SUSTAIN:
                changes[message.channel].append((tick, message.value >= DOWN))
        end = max(end, tick)
    spans: dict[int, list[tuple[int, int]]] = {}
    for channel, moves in changes.items():
        moves.sort()
        spans[channel] = [
            (start, stop)
            for (start, down), (stop, _) in pairwise([*_turns(moves), (end, False)])
            if down and stop > start
        ]
    return spans


def _turns(moves: Sequence[tuple[int, bool]]) -> Iterable[tuple[int, bool]]:
    """The moves that change something: down after up, up after down."""
    before = False
    for tick, down in moves:
        if down != before:
            yield tick, down
        before = down


def sustained(stop: int, spans: Sequence[tuple[int, int]], struck_again: Sequence[int]) -> int:
    """When a note that is let go at `stop` has died away; `struck_again`: the sorted onsets of its key."""
    at = bisect_right(spans, stop, key=lambda span: span[0]) - 1
    if at < 0 or stop >= spans[at][1]:
        return stop
    following = bisect_right(struck_again, stop - 1)
    again = struck_again[following] if following < len(struck_again) else spans[at][1]
    return min(spans[at][1], again)
