"""Works out what an excerpt plays in a drill as it is now: its bars, events, moves and tempo, cut where it is a part.

Conventions as in `excerpt.py`: tempo beats from the passage's start. A part about a node or a move covers whole
counted beats; low notes that are down where it starts are struck anew.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator
from dataclasses import replace
from fractions import Fraction
from functools import cache

from coach.music.drill import TOGETHER, Bar, Drill, Event, Note, Phrase
from coach.music.excerpt import (
    Excerpt,
    Kind,
    Passage,
    PassageBar,
    PlacedEvent,
    PlacedNote,
    Stroke,
    move_of,
    notes_text,
)
from coach.music.rhythm import TempoMap, TempoSpan
from coach.strings.instrument import Instrument
from coach.strings.node import Node


def passage_of(drill: Drill, excerpt: Excerpt) -> Passage:
    """What the excerpt plays in this drill as it is now.

    Raises KeyError where the drill no longer has the phrase, layer, node or move that the excerpt names.
    """
    title, layers = heading_of(drill, excerpt)
    phrases = [drill.phrase(phrase_id) for phrase_id in excerpt.phrases]
    bars = [
        (phrase, number, bar)
        for phrase in phrases
        for number, bar in enumerate(phrase.bars, phrase.first_bar)
    ]
    if excerpt.kind is Kind.JOIN:
        last, first = len(phrases[0].bars) - 1, len(phrases[0].bars)
        bars = bars[last : first + 1]
    if excerpt.kind is Kind.PIECE:
        revision = drill.revision
    else:
        revision = "+".join(dict.fromkeys(phrase.revision for phrase, _, _ in bars))
    events, placed_bars, spans = _assembled(drill, excerpt, bars, layers)
    length = placed_bars[-1].start + placed_bars[-1].length
    tempo = TempoMap(tuple(_merged(spans)))
    whole = Passage(excerpt, title, revision, tuple(events), tuple(placed_bars), length, tempo, layers)
    window = _window(whole)
    return _clip(whole, *window) if window else whole


def heading_of(drill: Drill, excerpt: Excerpt) -> tuple[str, tuple[str, ...]]:
    """Title and layers of the passage that an excerpt plays, without working it out; KeyError as `passage_of`."""
    phrases = [drill.phrase(phrase_id) for phrase_id in excerpt.phrases]
    known = tuple(dict.fromkeys(layer for phrase in phrases for layer in phrase.layers))
    if excerpt.layer != TOGETHER and excerpt.layer not in known:
        raise KeyError(excerpt.layer)
    if excerpt.kind is Kind.PIECE:
        title = drill.title
    else:
        title = " + ".join(dict.fromkeys(phrase.name for phrase in phrases))
    return title, known if excerpt.layer == TOGETHER else (excerpt.layer,)


def outline_of(drill: Drill, excerpt: Excerpt) -> tuple[list[Stroke], Fraction]:
    """The strokes of an excerpt, and how many beats at its rung it lasts after whole bars of count-in.

    As `passage_of` has them, but of whole phrases in a fraction of its time. KeyError as there.
    """
    first: Bar | PassageBar
    if excerpt.kind in (Kind.PHRASE, Kind.SECTION, Kind.PIECE):
        phrases = [drill.phrase(phrase) for phrase in excerpt.phrases]
        strokes, first = list(_strokes(drill, excerpt, phrases)), phrases[0].bars[0]
        ratio, music = first.start_ratio, sum(phrase.lasting for phrase in phrases) / drill.tempo.beat_whole
    else:
        passage = passage_of(drill, excerpt)
        strokes, first = [event.stroke for event in passage.logged_events], passage.bars[0]
        ratio, music = passage.tempo.spans[0].start_ratio, passage.seconds(60)
    count_in = drill.count_in_bars * first.meter.beats * first.meter.beat_whole / drill.tempo.beat_whole
    return strokes, count_in / ratio + music


def _strokes(drill: Drill, excerpt: Excerpt, phrases: list[Phrase]) -> Iterator[Stroke]:
    layers = heading_of(drill, excerpt)[1]
    last_place: dict[str, str] = {}
    node_key = cache(drill.instrument.node_key)
    for phrase in phrases:
        for event, notes in (each for bar in phrase.bars for each in _played(bar, excerpt, layers)):
            place = "+".join([node_key(note.string, note.node, note.stop) for note in notes if note.node])
            move = move_of(last_place.get(event.layer, ""), place)
            yield phrase.id, event.layer, place, move, "" if place else notes_text(notes)
            last_place[event.layer] = place or last_place.get(event.layer, "")


def excerpts_of(drill: Drill, phrase: Phrase, layer: str) -> tuple[Excerpt, ...]:
    """Every shorter excerpt of a phrase in one layer: its nodes, its moves, its halves, in playing order."""
    base = Excerpt(drill.id, (phrase.id,), layer)
    passage = passage_of(drill, base)
    nodes = [replace(base, kind=Kind.NODE, subject=key) for key in passage.node_keys]
    moves = [replace(base, kind=Kind.MOVE, subject=move) for move in passage.moves]
    halves = []
    if len(passage.events) >= 4 and _half_point(passage) is not None:
        halves = [replace(base, kind=Kind.HALF, subject=half) for half in ("1", "2")]
    return (*nodes, *moves, *halves)


def _assembled(
    drill: Drill, excerpt: Excerpt, bars: list[tuple[Phrase, int, Bar]], layers: tuple[str, ...]
) -> tuple[list[PlacedEvent], list[PassageBar], list[TempoSpan]]:
    placed_bars: list[PassageBar] = []
    events: list[PlacedEvent] = []
    spans: list[TempoSpan] = []
    last_place: dict[str, str] = {}
    sounding = _sounding_on(drill.instrument)
    start = Fraction(0)
    for index, (phrase, number, bar) in enumerate(bars):
        beat_length = bar.meter.beat_whole / drill.tempo.beat_whole
        # Most beats are the tempo's own; exact arithmetic is slow, and a plan works out many passages.
        whole_beats = beat_length == 1
        length = bar.length if whole_beats else bar.length * beat_length
        offset = bar.first_beat
        placed_bars.append(
            PassageBar(
                number, phrase.id, start, length, bar.meter, beat_length, offset, bar.cue, bar.dynamics
            )
        )
        spans.append(TempoSpan(start, start + length, bar.start_ratio, bar.stop_ratio))
        for event, notes in _played(bar, excerpt, layers):
            after, hold = event.beat - offset, event.hold
            if not whole_beats:
                after, hold = after * beat_length, hold * beat_length
            placed = tuple(PlacedNote(note, *sounding(note.string, note.node, note.stop)) for note in notes)
            place = "+".join([each.node_key for each in placed if each.node_key])
            before = last_place.get(event.layer, "")
            events.append(
                PlacedEvent(
                    len(events) + 1,
                    event.layer,
                    start + after,
                    hold,
                    index,
                    event.beat,
                    placed,
                    place=place,
                    move_from=before,
                    hold_written=event.hold_written,
                )
            )
            last_place[event.layer] = place or before
        start += length
    return events, placed_bars, spans


def _played(bar: Bar, excerpt: Excerpt, layers: tuple[str, ...]) -> list[tuple[Event, tuple[Note, ...]]]:
    """What an excerpt plays of a bar, in order: its events, each with its notes."""
    kept = [
        (event, notes)
        for event in bar.events
        if event.layer in layers and (notes := event.kept(excerpt.easier))
    ]
    # Exact fractions compare slowly, and two beats of a bar differ by far more than rounding.
    return sorted(kept, key=lambda pair: (float(pair[0].beat), layers.index(pair[0].layer)))


def _sounding_on(instrument: Instrument) -> Callable[[int, Node | None, int], tuple[str, float]]:
    """What gives the node key of a place, empty where there is no node, and its pitch in Hz."""

    @cache
    def sounding(string: int, node: Node | None, stop: int) -> tuple[str, float]:
        if node is None:
            return "", instrument.fretted_hz(string, stop)
        return instrument.node_key(string, node, stop), instrument.sounding_hz(string, node, stop)

    return sounding


def _merged(spans: list[TempoSpan]) -> Iterator[TempoSpan]:
    """Spans of one steady tempo joined, so that a constant tempo stays one span."""
    first = last = spans[0]
    for span in spans[1:]:
        if not first.start_ratio == first.stop_ratio == span.start_ratio == span.stop_ratio:
            yield TempoSpan(first.start_beat, last.stop_beat, first.start_ratio, first.stop_ratio)
            first = span
        last = span
    yield TempoSpan(first.start_beat, last.stop_beat, first.start_ratio, first.stop_ratio)


def _half_point(passage: Passage) -> Fraction | None:
    """Where the second half starts: the bar line nearest to the middle, or a beat in a one-bar phrase."""
    middle = passage.length / 2
    lines = [bar.start for bar in passage.bars[1:]]
    if not lines:
        bar = passage.bars[0]
        lines = [bar.beat_length * beat for beat in range(1, int(bar.length / bar.beat_length))]
    fitting = [
        line
        for line in lines
        if any(event.onset < line for event in passage.events)
        and any(event.onset >= line for event in passage.events)
    ]
    return min(fitting, key=lambda line: (abs(line - middle), line), default=None)


def _window(whole: Passage) -> tuple[Fraction, Fraction] | None:
    """First and last tempo beat of an excerpt that is shorter than its bars; None for all of them.

    KeyError where they have no such node, move or half.
    """
    excerpt = whole.excerpt
    if excerpt.kind is Kind.HALF:
        point = _half_point(whole)
        if point is None or excerpt.subject not in ("1", "2"):
            raise KeyError(excerpt.subject)
        return (Fraction(0), point) if excerpt.subject == "1" else (point, whole.length)
    if excerpt.kind is Kind.NODE:
        for event in whole.events:
            if any(note.node_key == excerpt.subject for note in event.notes):
                return _on_beats(whole, event, event)
        raise KeyError(excerpt.subject)
    if excerpt.kind is Kind.MOVE:
        for first, second in _harmonic_pairs(whole):
            if f"{first.place}>{second.place}" == excerpt.subject:
                return _on_beats(whole, first, second)
        raise KeyError(excerpt.subject)
    return None


def _harmonic_pairs(passage: Passage) -> Iterator[tuple[PlacedEvent, PlacedEvent]]:
    for layer in passage.layers:
        harmonics = [event for event in passage.events if event.layer == layer and event.place]
        yield from itertools.pairwise(harmonics)


def _on_beats(passage: Passage, first: PlacedEvent, last: PlacedEvent) -> tuple[Fraction, Fraction]:
    """The whole counted beats from `first` to two beats after `last` starts, within the passage."""
    bar = passage.bars[first.bar]
    start = bar.start + (first.onset - bar.start) // bar.beat_length * bar.beat_length
    bar = passage.bars[last.bar]
    stop = bar.start + ((last.onset - bar.start) // bar.beat_length + 2) * bar.beat_length
    return start, min(stop, passage.length)


def _clip(passage: Passage, start: Fraction, stop: Fraction) -> Passage:
    """The passage from `start` to `stop`, with low notes that are down at the start struck anew."""
    bars: list[PassageBar] = []
    index_of: dict[int, int] = {}
    for index, bar in enumerate(passage.bars):
        left, right = max(bar.start, start), min(bar.start + bar.length, stop)
        if left >= right:
            continue
        index_of[index] = len(bars)
        skipped = bar.first_beat + (left - bar.start) / bar.beat_length
        bars.append(replace(bar, start=left - start, length=right - left, first_beat=skipped))
    events: list[PlacedEvent] = []
    last_place: dict[str, str] = {}
    subject = passage.excerpt.subject if passage.excerpt.kind in (Kind.NODE, Kind.MOVE) else ""
    wanted = set(subject.replace(">", "+").split("+")) if subject else set()
    for event in passage.events:
        onset, hold, beat = event.onset, event.hold, event.beat
        if onset >= stop:
            break
        if onset < start:
            if event.place or onset + hold <= start:
                continue
            onset, hold, beat = start, onset + hold - start, bars[0].first_beat
        # In an excerpt about a node or a move, other harmonics would blur what is rated.
        elif wanted and event.place and not wanted & set(event.place.split("+")):
            continue
        before = last_place.get(event.layer, "")
        events.append(
            # Spelt out: `replace` takes several times as long, and a plan works out many passages.
            PlacedEvent(
                len(events) + 1,
                event.layer,
                onset - start,
                hold,
                index_of.get(event.bar, 0),  # What is held over begins in the first.
                beat,
                event.notes,
                event.place,
                before,
                event.hold_written,
            )
        )
        last_place[event.layer] = event.place or before
    spans = tuple(_clipped_spans(passage.tempo, start, stop))
    return replace(
        passage, events=tuple(events), bars=tuple(bars), length=stop - start, tempo=TempoMap(spans)
    )


def _clipped_spans(tempo: TempoMap, start: Fraction, stop: Fraction) -> Iterator[TempoSpan]:
    for span in tempo.spans:
        left, right = max(span.start_beat, start), min(span.stop_beat, stop)
        if left >= right:
            continue
        change = span.stop_ratio - span.start_ratio
        if not change:
            yield TempoSpan(left - start, right - start, span.start_ratio, span.start_ratio)
            continue
        length = span.stop_beat - span.start_beat
        yield TempoSpan(
            left - start,
            right - start,
            span.start_ratio + change * (left - span.start_beat) / length,
            span.start_ratio + change * (right - span.start_beat) / length,
        )
