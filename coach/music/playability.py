"""Whether a drill can be played: no string is needed while it is held, the hand reaches and arrives in time.

Conventions: everything is judged with all layers together, phrase by phrase, at the goal tempo. A string that a written
hold needs and what two hands can't do (`coach.strings.hand`, which the node search asks too) are errors; reach and hand
speed are warnings, because hands differ. Nodes, stated pitches and strings struck twice at once are not asked again:
what reads a drill proves them.
The fretting hand's place at an onset is the mean of what it newly touches or stops there; what the plucking hand
touches has no limit of reach and moves no fretting hand.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from fractions import Fraction

from coach.ground.frozen import frozen
from coach.ground.problem import Severity
from coach.music.drill import Drill, Note
from coach.music.excerpt import Excerpt, Passage, PlacedEvent, PlacedNote
from coach.music.passages import passage_of
from coach.music.rubs import rubs
from coach.strings.hand import Finger, finger_fault, plucks
from coach.strings.instrument import Instrument
from coach.strings.reach import USUAL
from coach.strings.units import nearest_note, note_name


@frozen
class Finding:
    """One thing that can't be played, or only with an unusual hand. Indices count from 0."""

    severity: Severity
    phrase: int
    bar: int
    layer: str
    event: int
    """Index in the bar's events."""
    message: str
    guess: str = ""


Moment = tuple[Fraction, list[PlacedEvent], list[Note]]
"""Onset, events and notes of everything that starts together."""


class Board:
    """How notes are called and where they lie on an instrument."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument

    def string(self, note: Note) -> str:
        return self.instrument.string_label(note.string)

    def name(self, note: Note) -> str:
        """A note as the drill file writes it: `D:<3.2>`, `A:3`."""
        return f"{self.string(note)}:{note.position_text}"

    def hand_mm(self, note: Note) -> float:
        """Where the hand is for a note, along the neck: where it stops the string or, stopping none, touches it."""
        if note.node and not note.stop:
            return self.touch_mm(note)
        return self.instrument.along_mm(note.string, self.instrument.fret_mm(note.string, note.stop))

    def touch_mm(self, note: Note) -> float:
        """Where a node is touched, along the neck."""
        at_mm = self.instrument.position_mm(note.string, note.node, note.stop) if note.node else 0.0
        return self.instrument.along_mm(note.string, at_mm)


def check_playability(drill: Drill) -> list[Finding]:
    """Everything that stands in the way of playing the drill, in the order of its phrases and beats."""
    findings = []
    board = Board(drill.instrument)
    for index, phrase in enumerate(drill.phrases):
        passage = passage_of(drill, Excerpt(drill.id, (phrase.id,)))
        moments = moments_of(passage)
        of_phrase = [
            *_clashes(board, passage),
            *_plucking(board, moments),
            *_fretting(board, moments),
            *_rubbing(board, passage),
            *_moves(board, passage, moments, drill.goal_bpm),
        ]
        of_phrase.sort(key=lambda item: item[0].onset)
        findings += [
            Finding(
                severity, index, event.bar, event.layer, _event_index(drill, index, event), message, guess
            )
            for event, severity, message, guess in of_phrase
        ]
    return findings


_Remark = tuple[PlacedEvent, Severity, str, str]


def _event_index(drill: Drill, phrase: int, event: PlacedEvent) -> int:
    bar = drill.phrases[phrase].bars[event.bar]
    return next(
        i for i, other in enumerate(bar.events) if (other.layer, other.beat) == (event.layer, event.beat)
    )


def _clashes(board: Board, passage: Passage) -> Iterator[_Remark]:
    """Strings that a note needs while another one is held there."""
    sounding: dict[int, tuple[PlacedEvent, Note]] = {}
    for event in passage.events:
        for note in (placed.note for placed in event.notes):
            before, held = sounding.get(note.string, (None, note))
            if before and _must_sound(before, held) and before.onset + before.hold > event.onset:
                beats = (event.onset - before.onset) / passage.bars[before.bar].beat_length
                yield (
                    event,
                    "error" if before.hold_written else "warning",
                    f"{board.name(note)} needs the {board.string(note)} string while "
                    f"{board.name(held)} is still held there",
                    f"hold it for {_beats_text(beats)}, or play one of them on another string",
                )
            sounding[note.string] = event, note


def _must_sound(event: PlacedEvent, note: Note) -> bool:
    """Whether a note's hold is meant: a harmonic rings until its string is played again unless the author says."""
    return note.ending != "ring" and (event.hold_written or not note.is_harmonic)


def _beats_text(beats: Fraction) -> str:
    """A number of beats in words: `1 beat`, `2.5 beats`, `1/3 of a beat`, `2+1/3 beats`."""
    if beats < 1:
        return f"{beats} of a beat"
    whole, part = divmod(beats, 1)
    shown = f"{float(beats):g}" if beats.denominator in (1, 2, 4) else f"{whole}+{part}"
    return f"{shown} beat{'' if beats == 1 else 's'}"


def _rubbing(board: Board, passage: Passage) -> Iterator[_Remark]:
    """Harmonics that ring into a neighbour a semitone away, each at its own place: there it can be stopped."""
    for rub in rubs(passage):
        beats = (rub.event.onset - rub.earlier.onset) / passage.bars[rub.earlier.bar].beat_length
        yield (
            rub.earlier,
            "warning",
            f"{_sounding_name(board, rub.ringing)} still rings {_beats_text(beats)} later, a semitone from "
            f"{_sounding_name(board, rub.struck)}",
            f"stop it: `for {beats} damp`; or mark it `ring` if you mean it",
        )


def _sounding_name(board: Board, placed: PlacedNote) -> str:
    """A note with the pitch that it sounds: `D:<4> (F#4)`."""
    midi, _cents = nearest_note(placed.sounding_hz, board.instrument.a4_hz)
    return f"{board.name(placed.note)} ({note_name(midi)})"


def _plucking(board: Board, moments: Sequence[Moment]) -> Iterator[_Remark]:
    """Moments at which the plucking hand touches a node and would have to strike more than that string."""
    for _onset, events, notes in moments:
        touched = [note for note in notes if note.plucking_hand_touch]
        if plucks(len(notes), len(touched)):
            continue
        others = " and ".join(board.name(note) for note in notes if note is not touched[0])
        yield (
            next(event for event in events if any(placed.note is touched[0] for placed in event.notes)),
            "error",
            f"the plucking hand touches {board.name(touched[0])} and can't play {others} at the same time",
            "touch it with the fretting hand, or play one of them later",
        )


def _fretting(board: Board, moments: Sequence[Moment]) -> Iterator[_Remark]:
    """Moments at which the fretting hand's fingers can't be where they must, or span more than its reach."""
    for _onset, events, new, down in fretted_moments(moments):
        if not new:
            continue
        places = [Finger(board.hand_mm(note), note.fretting_finger, board.name(note)) for note in down]
        places += [_touch(board, note) for note in new if _stops_and_touches(note)]
        if fault := finger_fault(places):
            yield (_first_fretting(events), "error", fault, "other fingers, or a shorter hold")
        yield from _spans(board, events, down)
        yield from _stretches(board, events, new)


def _touch(board: Board, note: Note) -> Finger:
    """The finger that touches a node of a string that another finger of the fretting hand stops."""
    return Finger(board.touch_mm(note), note.touching_finger, f"the touch of {board.name(note)}")


def _stops_and_touches(note: Note) -> bool:
    return note.is_artificial and not note.plucking_hand_touch


def _stretches(board: Board, events: Sequence[PlacedEvent], new: Sequence[Note]) -> Iterator[_Remark]:
    """Artificial harmonics whose stop and touch lie further apart than the fretting hand reaches."""
    for note in filter(_stops_and_touches, new):
        span_mm = board.touch_mm(note) - board.hand_mm(note)
        if span_mm > USUAL.reach_mm:
            yield (
                events[-1],
                "warning",
                f"{board.name(note)} is touched {span_mm:.0f} mm past its stop; a hand is assumed to reach "
                f"{USUAL.reach_mm:g} mm",
                f"the plucking hand can touch it: {board.name(note)}(touch)",
            )


def _spans(board: Board, events: Sequence[PlacedEvent], down: Sequence[Note]) -> Iterator[_Remark]:
    places_mm = [board.hand_mm(note) for note in down]
    span_mm = max(places_mm) - min(places_mm)
    low, high = (down[places_mm.index(end_mm)] for end_mm in (min(places_mm), max(places_mm)))
    if span_mm > USUAL.reach_mm:
        yield (
            events[-1],
            "warning",
            f"{_fingered(board, low)} and {_fingered(board, high)} are {span_mm:.0f} mm apart; "
            f"a hand is assumed to reach {USUAL.reach_mm:g} mm",
            _less_span(low, high),
        )


def moments_of(passage: Passage) -> list[Moment]:
    """Everything of a passage that starts together, in order."""
    moments = []
    # Exact fractions compare slowly, and two onsets differ by far more than rounding.
    for _, group in itertools.groupby(passage.events, key=lambda event: float(event.onset)):
        events = list(group)
        notes = [placed.note for event in events for placed in event.notes]
        moments.append((events[0].onset, events, notes))
    return moments


def fretted_moments(
    moments: Sequence[Moment],
) -> Iterator[tuple[Fraction, list[PlacedEvent], list[Note], list[Note]]]:
    """Onset and events of everything that starts together, for which notes the fretting hand comes, and all that it
    has down then, what it holds from before first."""
    held: list[tuple[Fraction, Note]] = []
    for onset, events, notes in moments:
        # A stop on a string that is played anew has been let go.
        struck = {note.string for note in notes}
        held = [(until, note) for until, note in held if until > onset and note.string not in struck]
        new = [note for note in notes if uses_fretting_hand(note)]
        yield onset, events, new, [note for _until, note in held] + new
        held += [
            (onset + event.hold, placed.note)
            for event in events
            for placed in event.notes
            if placed.note.stop
        ]


def _less_span(low: Note, high: Note) -> str:
    for note in (low, high):
        if note.node is not None and note.node.fret >= 11.99:
            return "the plucking hand can touch that node"
    return "a shorter hold, or the same note elsewhere; ignore this if your hand spans it"


def _moves(board: Board, passage: Passage, moments: Sequence[Moment], goal_bpm: int) -> Iterator[_Remark]:
    """Moves of the fretting hand that are faster than its set speed at the goal tempo."""
    before: tuple[float, float, Note] | None = None
    for onset, events, struck in moments:
        notes = [note for note in struck if uses_fretting_hand(note)]
        if not notes:
            continue
        place_mm = sum(board.hand_mm(note) for note in notes) / len(notes)
        at_s = float(passage.tempo.seconds_at(onset, goal_bpm))
        if before is not None:
            time_s = at_s - before[0]
            distance_mm = abs(place_mm - before[1])
            if distance_mm > USUAL.hand_speed_mm_s * time_s:
                yield (
                    _first_fretting(events),
                    "warning",
                    f"the move from {board.name(before[2])} to {board.name(notes[0])} is "
                    f"{distance_mm:.0f} mm in {time_s * 1000:.0f} ms at {goal_bpm} bpm; a hand is assumed to move at "
                    f"{USUAL.hand_speed_mm_s:g} mm/s",
                    "the same note nearer, or a slower goal; ignore this if your hand can do it",
                )
        before = (at_s, place_mm, notes[0])


def _first_fretting(events: Sequence[PlacedEvent]) -> PlacedEvent:
    return next(event for event in events if any(uses_fretting_hand(placed.note) for placed in event.notes))


def uses_fretting_hand(note: Note) -> bool:
    return note.stop > 0 or (note.is_harmonic and not note.plucking_hand_touch)


def _fingered(board: Board, note: Note) -> str:
    """A note with its finger, where it has one."""
    name = board.name(note)
    return f"{name} (finger {note.fretting_finger})" if note.fretting_finger else name
