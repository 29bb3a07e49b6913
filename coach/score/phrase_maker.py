"""Makes a phrase of the bars of a score: their meters and lengths, their notes at places, events with their holds.

Conventions as in `score.py`; the goal tempo and each bar's ratio to it are settled for the whole score first.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from functools import partial

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.drill import Bar, Event, Note, Phrase, Tempo
from coach.music.key import Key
from coach.music.rhythm import MAX_BPM, MIN_BPM, Meter
from coach.score.bar_lengths import whole_bars
from coach.score.beats import FINEST
from coach.score.hand import Wanted, placed
from coach.score.holds import Struck, default_holds
from coach.score.ids import phrase_id
from coach.score.limits import MAX_NAME
from coach.score.music import sounding_midi
from coach.score.score import Score, ScoreBar, ScoreNote, join_ties
from coach.score.values import PERCENT_RANGE
from coach.strings.instrument import Instrument

ROUNDED = 960
"""Parts of a beat to which an onset or a length comes down that has more than can be written."""
DEFAULT_QUARTERS = 80
START_SHARE = Fraction(3, 5)
"""The drill's first tempo as a part of the piece's."""
_GRADUAL = re.compile(r"(?:ritardando|accelerando) to (\d{1,3}(?:\.\d{1,3})?)%(?:; )?")


@frozen
class Chord(Struck):
    """Notes that one layer strikes at once, by string; none has a written hold yet."""

    length: Fraction
    """That of the longest, in whole notes."""
    rings: bool
    """Whether all of them ring on."""


@frozen
class Span:
    """A bar of a phrase without its events: what the score has there, and where it starts, in whole notes."""

    source: ScoreBar
    start: Fraction
    bar: Bar


class PhraseMaker:
    """Makes phrases of one score; the tempo and each bar's ratio to it are settled first."""

    def __init__(self, score: Score, instrument: Instrument, layer_of: Callable[[ScoreNote], str]) -> None:
        self.score, self.instrument, self.layer_of = score, instrument, layer_of
        first = score.bars[score.order[0]]
        quarters = next((bar.tempos[0] for bar in score.bars if bar.tempos), None)
        if quarters is None:
            score.remark("", f"the file has no tempo; {DEFAULT_QUARTERS} quarters a minute used")
            quarters = Fraction(DEFAULT_QUARTERS)
        beat = self.meter(first).beat_whole
        exact = quarters / 4 / beat
        goal = max(MIN_BPM, min(MAX_BPM, round(exact)))
        if abs(goal - exact) > Fraction(1, 2):
            score.remark(
                "", f"the tempo {float(exact):.6g} bpm is outside {MIN_BPM} to {MAX_BPM} bpm; {goal} used"
            )
        self.tempo = Tempo(max(MIN_BPM, round(goal * START_SHARE)), goal, beat)
        self.seconds_per_whole = float(60 / (goal * beat))
        self.ratios = list(self._ratios(quarters))
        plain = Key(0) if any(bar.key for bar in score.bars) else None
        self.keys = [bar.key or plain for bar in score.bars]

    def meter(self, bar: ScoreBar) -> Meter:
        """How the bar is counted: compound meters in dotted beats unless the tempo mark counts the lower number."""
        if bar.groups and sum(bar.groups) == bar.upper:
            large = bar.counted == len(bar.groups)
            return (Meter.in_large if large else Meter.grouped)(bar.upper, bar.lower, bar.groups)
        with suppress(ValueError):
            if bar.counted:
                return Meter.of(bar.upper, bar.lower, bar.counted)
        compound = bar.lower >= 8 and bar.upper > 3 and bar.upper % 3 == 0
        if compound and self.score.beat_whole != Fraction(1, bar.lower):
            return Meter.of(bar.upper, bar.lower, bar.upper // 3)
        return Meter.of(bar.upper, bar.lower)

    def _ratios(self, quarters: Fraction) -> Iterator[tuple[Fraction, Fraction]]:
        low, high = (Fraction(percent, 100) for percent in PERCENT_RANGE)

        def ratio_of(tempo: Fraction) -> Fraction:
            ratio = Fraction(round(tempo / quarters * 100_000), 100_000)
            return max(low, min(high, ratio))

        current = Fraction(1)
        for bar in self.score.bars:
            start = stop = current
            if bar.tempos:
                start, stop = ratio_of(bar.tempos[0]), ratio_of(bar.tempos[-1])
            if gradual := _GRADUAL.search(bar.cue):
                bar.cue = _GRADUAL.sub("", bar.cue).removesuffix("; ").strip()
                stop = ratio_of(quarters * Fraction(gradual[1]) / 100)
            elif start != stop:
                self.score.remark(
                    bar.number, "the tempo changes inside the bar; written as one gradual change"
                )
            yield start, stop
            current = stop

    def phrase(self, section: list[int], taken: set[str]) -> Phrase | None:
        """The phrase of these bars, None where nothing in them can be played."""
        spans: list[Span] = []
        end = Fraction(0)
        whole = list(whole_bars([(index, self.score.bars[index]) for index in section]))
        for place, (indices, source) in enumerate(whole):
            bar = self._bar(indices, source, place == 0, place == len(whole) - 1)
            spans.append(Span(source, end, bar))
            end += bar.whole
        chords = self._chords([(span.start, span.source) for span in spans], end)
        if not chords:
            return None
        starts = [span.start for span in spans]
        events: list[list[Event]] = [[] for _ in spans]
        for chord, (default, reused) in zip(chords, default_holds(chords, end), strict=True):
            index = bisect_right(starts, chord.onset) - 1
            events[index].append(self._event(chord, default, reused, spans[index]))
        whole_phrase = zip(spans, events, strict=True)
        bars = tuple(replace(span.bar, events=tuple(inside)) for span, inside in whole_phrase)
        layers = tuple(dict.fromkeys(event.layer for bar in bars for event in bar.events))
        first, last = spans[0].source, spans[-1].source
        one = first.number == last.number
        numbered = f"bar {first.number}" if one else f"bars {first.number} to {last.number}"
        name = plain_text(first.mark) or numbered
        own_id = phrase_id(name, section[0] + 1, taken)
        return Phrase(own_id, name[:MAX_NAME], bars, layers, first_bar=int(first.number))

    def _bar(self, indices: list[int], source: ScoreBar, is_first: bool, is_last: bool) -> Bar:
        """A bar of a phrase without its events; `indices` are the bars of the file that it is made of."""
        pickup = is_first and (source.pickup or source.continues)
        meter, length = self._shape(source, pickup or is_last)
        beats = length / meter.beat_whole
        words = plain_text(source.cue), plain_text(source.dynamics)
        ratios = self.ratios[indices[0]][0], self.ratios[indices[-1]][1]
        return Bar(
            meter, beats, (), *words, *ratios, self.keys[indices[0]], not pickup and beats < meter.beats
        )

    def _event(self, chord: Chord, default: Fraction, reused: Fraction, span: Span) -> Event:
        """The event of a chord; what it holds without `for` and where its strings are struck again."""
        beat_whole, first = span.bar.meter.beat_whole, span.bar.first_beat
        beat = (chord.onset - span.start) / beat_whole + first
        hold = chord.length
        if chord.onset + hold > reused:
            # A string can't hold a note that is struck over: a stopped note ends there, a harmonic by itself.
            harmonic = all(note.is_natural for note in chord.notes)
            hold = default if harmonic else reused - chord.onset
            if not harmonic:
                what = "a held note is cut short where its string is needed again"
                self.score.remark(span.source.number, what)
        # What rings on, and what lasts as long as it would anyway, needs no `for`.
        written = hold != default and not chord.rings
        lasts = (hold if written else default) / beat_whole
        if max(beat.denominator, lasts.denominator if written else 1) > FINEST:
            self.score.remark(span.source.number, "onsets or lengths too fine to write, rounded down")
            beat, lasts = max(_coarser(beat), first), max(_coarser(lasts), Fraction(1, ROUNDED))
        return Event(chord.layer, beat, lasts, chord.notes, written)

    def _shape(self, bar: ScoreBar, may_be_short: bool) -> tuple[Meter, Fraction]:
        """A bar's meter and its length in whole notes: short and long bars inside a phrase get a meter of their own."""
        meter, length = self.meter(bar), bar.length
        writable = (length / meter.beat_whole).denominator <= FINEST
        if length == bar.full or (may_be_short and length < bar.full and writable):
            return meter, length
        if (length / meter.beat_whole).denominator == 1 and meter.beat_whole.numerator > 1:
            return Meter.of(int(length * bar.lower), bar.lower, int(length / meter.beat_whole)), length
        lower = next((lower for lower in (bar.lower, 8, 16, 32) if (length * lower).denominator == 1), None)
        if lower is None or length * lower > 64:
            self.score.remark(
                bar.number, f"its length {length} can't be written; {bar.upper}/{bar.lower} used"
            )
            return meter, bar.full
        return Meter.of(int(length * lower), lower), length

    def _chords(self, bars: list[tuple[Fraction, ScoreBar]], end: Fraction) -> list[Chord]:
        """What can be played of the bars' notes, in order of onset, then of layer."""
        wanted: list[Wanted] = []
        for exact, bar, note, complete in join_ties(bars):
            onset = self._writable(exact, bar, note)
            if onset >= end:
                self.score.remark(bar.number, "notes past the end of the bar left out")
                continue
            length = min(exact + note.length, end) - onset
            if not complete and note.tie_stop:
                self.score.remark(bar.number, "a note tied over from before the phrase is played again")
            elif exact + note.length > end:
                self.score.remark(bar.number, "a note held past the end of the phrase is cut short there")
            elif not complete:
                self.score.remark(bar.number, "a tie out of the phrase, or to no note, is cut")
            wanted.append(Wanted(onset, length, note, partial(self.score.remark, bar.number)))
        placed_notes = placed(self.instrument, wanted, self.seconds_per_whole)
        struck: dict[tuple[Fraction, str], list[tuple[Note, ScoreNote, Fraction]]] = {}
        seen: set[tuple[Fraction, int]] = set()
        for item, playable in zip(wanted, placed_notes, strict=True):
            if playable is None or (item.onset, playable.string) in seen:
                continue
            seen.add((item.onset, playable.string))
            playable = replace(playable, asserted=self._stated(item.note, playable))
            stopped = item.note.by_option and playable.node is None
            note = replace(item.note, harmonic=False) if stopped else item.note
            together = struck.setdefault((item.onset, self.layer_of(note)), [])
            together.append((playable, note, item.length))
        return [
            Chord(
                layer,
                onset,
                tuple(sorted((note for note, _, _ in together), key=lambda note: note.string)),
                None,
                max(length for _, _, length in together),
                all(source.rings for _, source, _ in together),
            )
            for (onset, layer), together in sorted(struck.items())
        ]

    def _stated(self, note: ScoreNote, playable: Note) -> str:
        """The written name of a note's pitch where the key would spell it otherwise, and it sounds so."""
        if not note.spelled or sounding_midi(self.instrument, playable) != note.midi:
            return ""
        return "" if str((note.key or Key(0)).spelling(note.midi)) == note.spelled else note.spelled

    def _writable(self, onset: Fraction, bar: ScoreBar, note: ScoreNote) -> Fraction:
        """The onset, or the one before it that the notation of beats can say."""
        if note.onset.denominator * 3 <= FINEST:
            return onset
        beat_whole = self.meter(bar).beat_whole
        beats = note.onset / beat_whole
        if beats.denominator <= FINEST:
            return onset
        self.score.remark(bar.number, "onsets or lengths too fine to write, rounded down")
        return onset - note.onset + _coarser(beats) * beat_whole


def _coarser(beats: Fraction) -> Fraction:
    return Fraction(math.floor(beats * ROUNDED), ROUNDED) if beats.denominator > FINEST else beats
