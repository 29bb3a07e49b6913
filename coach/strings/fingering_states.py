"""What a state of the fingering search is, and what a note at a place costs in it: on the strings, and of the hands.

A choice costs: `finger`, 10 / the mm by which a firm finger may miss its node (`touch.clear_mm`), for a stop 2 for
each fret beyond 12, and for the hand 2 for a touch by the plucking hand or up to 4 for the fretting hand beyond
mid-string; `tune`, the cube of the cents beside the wanted note / 12 (`reach.TUNE_CENTS`); `move`, 1 for 100 mm from
the fretting hand's last place; `speed`, the square of the speed needed against the settable hand speed; `reach`, the
square of the span to stopped notes still held and to what the hand does at the same onset, over the settable reach,
and 30 more beyond it (a warning, never a refusal: hands differ); `cut`, 20 to 60 where a string is taken away from a
note that should still ring, by the share of its ring that is lost: a string can't ring two nodes, nor a node and a
stopped note at once. Two notes of one onset never share a string; a plucking hand that touches a node strikes nothing
else then (`hand.plucks`), and the fretting hand has a finger for each place (`hand.finger_fault`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from coach.ground.frozen import frozen
from coach.strings.hand import FINGERS, Finger, finger_fault, plucks
from coach.strings.instrument import Instrument
from coach.strings.reach import (
    FingeringSettings,
    Place,
    WantedNote,
    bass_places,
    places_for,
    sounding_beside,
    why_nowhere,
)

MOVE_COST_PER_MM = 0.01
UNHURRIED_S = 1.0
"""More time than this does not make a move cheaper."""
CUT_COST, CUT_SHARE_COST = 20.0, 40.0

Held = tuple[int, int, float | None]
"""An occupied string: string, index of the note, mm of its stop (None when nothing is stopped)."""
HeldStrings = tuple[Held, ...]
Hand = tuple[float, float, int, int]
"""Where the fretting hand last was in mm (-1 before any place), since when, how many strings are struck at this very
onset, and how many of them the plucking hand touches."""
State = tuple[Hand, HeldStrings]
START: State = ((-1.0, -math.inf, 0, 0), ())
OnStrings = tuple[float, int, float, HeldStrings]
"""Cost of a cut ring, index of the note cut (-1 for none), span to held stops in mm, strings occupied after."""
OnHand = tuple[float, float, float, float, Hand]
"""Costs of move and speed, mm moved, span in mm to what the hand does at the same onset, the hand after."""


@frozen
class Task:
    """The notes to be placed, in order of onset, bass before melody, and every place that each may have."""

    settings: FingeringSettings
    notes: tuple[WantedNote, ...]
    bass: tuple[bool, ...]
    places: tuple[tuple[Place | None, ...], ...]
    """None is the note left out."""
    contested: tuple[frozenset[int], ...]
    """Strings that notes starting within each note's ring could take."""


def task_of(
    instrument: Instrument,
    melody: Sequence[WantedNote],
    bass: Sequence[WantedNote],
    settings: FingeringSettings,
) -> Task:
    """The search's task; ValueError, naming the note, where one sounds nowhere."""
    merged = sorted(
        [(note.onset_s, 0, note.midi, note) for note in bass]
        + [(note.onset_s, 1, note.midi, note) for note in melody],
        key=lambda item: item[:3],
    )
    notes = tuple(item[3] for item in merged)
    is_bass = tuple(item[1] == 0 for item in merged)
    places: list[tuple[Place | None, ...]] = []
    for number, (note, low) in enumerate(zip(notes, is_bass, strict=True), start=1):
        options: tuple[Place | None, ...]
        if low:
            options = bass_places(instrument, note.midi, note.string)
        else:
            ringing = places_for(instrument, note.midi, settings, note.string)
            if note.beside_cents is not None:
                ringing = sounding_beside(ringing, note.beside_cents, lambda place: place.offset_cents)
            options = ringing
        if note.leave_cost is not None:
            options = (*options, None)
        if not options:
            raise ValueError(why_nowhere(instrument, number, note, low, settings))
        places.append(options)
    contested = tuple(
        frozenset(
            place.string
            for later in range(i + 1, len(notes))
            if notes[later].onset_s < notes[i].end_s
            for place in places[later]
            if place
        )
        for i in range(len(notes))
    )
    return Task(settings, notes, is_bass, tuple(places), contested)


def met_on_strings(task: Task, i: int, place: Place | None, held: HeldStrings) -> OnStrings | None:
    """What note `i` at `place` meets on the strings; None when its string is taken at the same onset or no
    finger is left."""
    onset_s = task.notes[i].onset_s
    until_s = task.notes[i + 1].onset_s if i + 1 < len(task.notes) else math.inf
    cut, cut_note, span_mm = 0.0, -1, 0.0
    if place is None:
        return cut, cut_note, span_mm, tuple(item for item in held if task.notes[item[1]].end_s > until_s)
    kept = []
    stops = [Finger(mm) for string, _other, mm in held if mm is not None and string != place.string]
    # As many places as there are fingers never lack one, and most moments have fewer.
    crowded = place.uses_fretting_hand and len(stops) >= len(FINGERS)
    if crowded and finger_fault([*stops, Finger(place.along_mm)]):
        return None
    for item in held:
        string, other, stop_mm = item
        ringing = task.notes[other]
        if string == place.string:
            if ringing.onset_s == onset_s:
                return None
            cut = CUT_COST + CUT_SHARE_COST * (ringing.end_s - onset_s) / ringing.duration_s
            cut_note = other
            continue
        if stop_mm is not None and place.uses_fretting_hand:
            span_mm = max(span_mm, abs(stop_mm - place.along_mm))
        if ringing.end_s > until_s:
            kept.append(item)
    stop = place.along_mm if place.fret else None
    # What no later note can run into need not be remembered: fewer states, same costs.
    if task.notes[i].end_s > until_s and (stop is not None or place.string in task.contested[i]):
        kept.append((place.string, i, stop))
    return cut, cut_note, span_mm, tuple(sorted(kept))


def asked_of_hand(task: Task, i: int, place: Place | None, hand: Hand) -> OnHand | None:
    """What note `i` at `place` asks of the hands; None when the plucking hand can't strike it with the rest."""
    hand_mm, since_s, struck, touching = hand
    onset_s = task.notes[i].onset_s
    until_s = task.notes[i + 1].onset_s if i + 1 < len(task.notes) else math.inf
    struck, touching = struck + bool(place), touching + bool(place and place.plucking_hand)
    if not plucks(struck, touching):
        return None
    move_mm = move = speed = span_mm = 0.0
    if place and place.uses_fretting_hand:
        if hand_mm >= 0.0:
            time_s = min(onset_s - since_s, UNHURRIED_S)
            distance_mm = abs(place.along_mm - hand_mm)
            if time_s <= 0.0:
                span_mm = distance_mm
            else:
                move_mm = distance_mm
                move = MOVE_COST_PER_MM * distance_mm
                speed = (distance_mm / time_s / task.settings.hand_speed_mm_s) ** 2
        hand_mm, since_s = place.along_mm, onset_s
    if until_s - since_s >= UNHURRIED_S:
        since_s = -math.inf
    if until_s > onset_s:
        struck = touching = 0
    # More than one struck string, none of them touched by the plucking hand, makes no difference to one.
    return move, speed, move_mm, span_mm, (hand_mm, since_s, min(struck, 1 + touching), touching)
