"""A drill as notated music: its bars with staves, voices, note values, ties, beams, tuplets and octave lines.

What every output in notes shares, so that a page and a MusicXML file show the same. Conventions: each phrase once, in
the file's order; whole notes as exact fractions, a phrase's from its start, a bar's as in `note_values`. A layer is a
voice on each staff where it has notes. A note that outlasts the next event of its voice is cut there and rings on.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Literal

from coach.ground.frozen import frozen
from coach.music.drill import Bar, Drill, Event, Note, Phrase
from coach.music.key import Key, Spelling
from coach.score.note_values import NoteValue, beam_edges, pieces
from coach.score.staves import Staves, octave_lines, place, spelled, staves_of
from coach.strings.instrument import Instrument

LASTING_DYNAMICS = ("pppp", "ppp", "pp", "p", "mp", "mf", "f", "ff", "fff", "ffff")
"""Signs that hold until the next, the softest first."""
DYNAMICS = frozenset((*LASTING_DYNAMICS, "sf", "sfz", "fp"))
"""Signs that have a glyph; any other text of loudness stands in words."""
Beam = Literal["begin", "continue", "end", "forward hook", "backward hook"]


@frozen
class Head:
    """One note of a chord with its spelling."""

    note: Note
    spelling: Spelling
    shows_sign: bool = False
    """Whether its sharp, flat or natural is printed: where key and bar don't say it already."""


@frozen
class Symbol:
    """A chord or, without an event, a rest, as printed. `onset` counts from the bar's own beginning."""

    onset: Fraction
    value: NoteValue
    event: Event | None = None
    heads: tuple[Head, ...] = ()
    tied_from: bool = False
    tied_on: bool = False
    rings_on: bool = False
    """It lasts beyond the next event of its voice, or ends here while it is written longer."""
    tuplet_starts: bool = False
    tuplet_stops: bool = False
    beams: tuple[Beam, ...] = ()
    """From the eighth's beam on."""
    octaves_up: int = 0
    """How many octaves lower than it sounds it is written: under an 8va 1, under a 15ma 2."""


@frozen
class Voice:
    """One layer's notes and rests of a bar on one staff; they fill the bar."""

    layer: str
    staff: int
    """From 0 at the top."""
    symbols: tuple[Symbol, ...]


@frozen
class NotatedBar:
    """One bar: `start` from the phrase's start and `length`, in whole notes."""

    bar: Bar
    number: int
    """As printed, through the piece."""
    start: Fraction
    length: Fraction
    voices: tuple[Voice, ...]
    """On every staff at least one; a voice that is silent where another one plays is left out."""


@frozen
class Notation:
    """A whole drill; `phrases` in its order, each with its bars."""

    staves: Staves
    voices: tuple[tuple[str, int], ...]
    """Every layer on every staff where it has notes, from above: on each staff the higher layer first."""
    phrases: tuple[tuple[NotatedBar, ...], ...]


@frozen
class _Sound:
    """An event's notes on one staff, from the phrase's start."""

    event: Event
    heads: tuple[Head, ...]
    start: Fraction
    stop: Fraction
    rings_on: bool = False


_Strands = dict[tuple[str, int], list[_Sound]]
"""What each layer plays on each staff of a phrase."""


def notation_of(drill: Drill) -> Notation:
    """The drill as notated."""
    staves = staves_of(drill)
    strands = [_strands(phrase, drill.instrument, staves) for phrase in drill.phrases]
    order = _from_above(strands)
    phrases = []
    for phrase, own in zip(drill.phrases, strands, strict=True):
        bars = list(_bars(phrase, {key: own.get(key, []) for key in order}))
        phrases.append(tuple(_with_signs(bar) for bar in _with_octave_lines(bars, staves)))
    return Notation(staves, tuple(order), tuple(phrases))


def _from_above(strands: Sequence[_Strands]) -> list[tuple[str, int]]:
    """Layers and staves, on each staff the one that is higher on the whole first."""
    midis: dict[tuple[str, int], list[int]] = {}
    for own in strands:
        for key, sounds in own.items():
            midis.setdefault(key, []).extend(head.spelling.midi for sound in sounds for head in sound.heads)
    return sorted(midis, key=lambda key: (key[1], -sum(midis[key]) / len(midis[key])))


def _bars(phrase: Phrase, strands: _Strands) -> Iterator[NotatedBar]:
    start = Fraction(0)
    for number, bar in enumerate(phrase.bars, phrase.first_bar):
        length = bar.whole
        plays = {key for key, sounds in strands.items() if _any_between(sounds, start, start + length)}
        silent = {staff for _, staff in strands} - {staff for _, staff in plays}
        voices = []
        for (layer, staff), sounds in strands.items():
            if (layer, staff) in plays or staff in silent:
                voices.append(Voice(layer, staff, tuple(_symbols(sounds, start, bar))))
                silent.discard(staff)
        yield NotatedBar(bar, number, start, length, tuple(voices))
        start += length


def _strands(phrase: Phrase, instrument: Instrument, staves: Staves) -> _Strands:
    """What sounds, in order, each sound cut where the next of its strand begins."""
    strands: _Strands = {}
    start = Fraction(0)
    for bar in phrase.bars:
        for event in bar.events:
            onset = start + bar.into(event.beat)
            for staff, heads in _by_staff(event, bar, instrument, staves):
                stop = onset + event.hold * bar.meter.beat_whole
                strands.setdefault((event.layer, staff), []).append(_Sound(event, heads, onset, stop))
        start += bar.whole
    return {
        key: [_cut(sound, after) for sound, after in itertools.pairwise([*sounds, sounds[-1]])]
        for key, sounds in strands.items()
    }


def _by_staff(
    event: Event, bar: Bar, instrument: Instrument, staves: Staves
) -> Iterator[tuple[int, tuple[Head, ...]]]:
    heads: dict[int, list[Head]] = {}
    for note in event.notes:
        spelling = spelled(instrument, note, bar.key)
        heads.setdefault(staves.staff(event.layer, note, place(spelling)), []).append(Head(note, spelling))
    for staff, members in sorted(heads.items()):
        yield staff, tuple(members)


def _cut(sound: _Sound, after: _Sound) -> _Sound:
    if sound is after or sound.stop <= after.start:
        return sound
    return replace(sound, stop=after.start, rings_on=True)


def _first_after(sounds: Sequence[_Sound], start: Fraction) -> int:
    """The index of the first sound that reaches beyond `start`; none reaches beyond the next one's start."""
    index = max(0, bisect_right(sounds, start, key=lambda sound: sound.start) - 1)
    return index + (index < len(sounds) and sounds[index].stop <= start)


def _any_between(sounds: Sequence[_Sound], start: Fraction, stop: Fraction) -> bool:
    index = _first_after(sounds, start)
    return index < len(sounds) and sounds[index].start < stop


def _symbols(sounds: Sequence[_Sound], start: Fraction, bar: Bar) -> list[Symbol]:
    """The notes and rests of one voice in a bar that begins at `start` of the phrase."""
    lead = bar.first_beat * bar.meter.beat_whole
    inside: list[tuple[Fraction, Fraction, _Sound | None]] = []
    at, end = start, start + bar.whole
    for one in itertools.islice(sounds, _first_after(sounds, start), None):
        if one.start >= end:
            break
        begin, stop = max(one.start, start), min(one.stop, end)
        inside += [(at, begin, None)] if at < begin else []
        inside.append((begin, stop, one))
        at = stop
    inside += [(at, end, None)] if at < end else []
    shift = lead - start
    cut = pieces([(begin + shift, stop + shift) for begin, stop, _ in inside], bar.meter)
    symbols: list[Symbol] = []
    for (begin, stop, sound), parts in zip(inside, cut, strict=True):
        for part in parts:
            onset = part.start - lead
            symbol = Symbol(
                onset, part.value, tuplet_starts=part.tuplet_starts, tuplet_stops=part.tuplet_stops
            )
            if sound is not None:
                tied_from = part is not parts[0] or sound.start < begin
                tied_on = part is not parts[-1] or sound.stop > stop
                symbol = replace(
                    symbol, event=sound.event, heads=sound.heads, tied_from=tied_from, tied_on=tied_on,
                    rings_on=sound.rings_on and not tied_on,
                )  # fmt: skip
            symbols.append(symbol)
    return _beamed(symbols, bar, lead)


def _beamed(symbols: list[Symbol], bar: Bar, lead: Fraction) -> list[Symbol]:
    """The symbols with their beams: neighbours shorter than a quarter within one stretch of the meter."""
    edges = beam_edges(bar.meter)
    beamed: list[Symbol] = []
    keyed = itertools.groupby(
        symbols, lambda one: (bool(one.event and one.value.flags), bisect_right(edges, one.onset + lead))
    )
    for (flagged, _), run in keyed:
        members = list(run)
        beamed += _beams(members) if flagged and len(members) > 1 else members
    return beamed


def _beams(run: list[Symbol]) -> list[Symbol]:
    flags = [0, *(symbol.value.flags for symbol in run), 0]
    beamed = []
    for symbol, before, after in zip(run, flags, flags[2:], strict=False):
        levels = range(1, symbol.value.flags + 1)
        beamed.append(replace(symbol, beams=tuple(_beam(level, before, after) for level in levels)))
    return beamed


def _beam(level: int, before: int, after: int) -> Beam:
    if before >= level:
        return "continue" if after >= level else "end"
    if after >= level:
        return "begin"
    return "backward hook" if before else "forward hook"


def _with_octave_lines(bars: list[NotatedBar], staves: Staves) -> list[NotatedBar]:
    """The bars with the octave lines of each staff."""
    for staff, clef in enumerate(staves.clefs):
        moments: dict[Fraction, list[int]] = {}
        for bar in bars:
            for symbol in (s for voice in bar.voices if voice.staff == staff for s in voice.symbols):
                for head in symbol.heads:
                    moments.setdefault(bar.start + symbol.onset, []).append(place(head.spelling))
        times = sorted(moments)
        lines = [0, *octave_lines(clef, [moments[time] for time in times])]
        if any(lines):
            bars = [_under_lines(bar, staff, times, lines) for bar in bars]
    return bars


def _under_lines(bar: NotatedBar, staff: int, times: Sequence[Fraction], lines: Sequence[int]) -> NotatedBar:
    """A bar with the octave line of each symbol on a staff: the first before all times, each other from one on."""
    voices = []
    for voice in bar.voices:
        if voice.staff == staff:
            ups = (lines[bisect_right(times, bar.start + symbol.onset)] for symbol in voice.symbols)
            symbols = (replace(one, octaves_up=up) for one, up in zip(voice.symbols, ups, strict=True))
            voice = replace(voice, symbols=tuple(symbols))
        voices.append(voice)
    return replace(bar, voices=tuple(voices))


def _with_signs(bar: NotatedBar) -> NotatedBar:
    """The bar with the signs that its notes need: the voices of a staff share them, a tie over the bar has none."""
    signature = bar.bar.key or Key(0)
    held: dict[tuple[int, str, int], int] = {}
    signed = [list(voice.symbols) for voice in bar.voices]
    places = [
        (symbol.onset, voice.staff, row, column)
        for row, voice in enumerate(bar.voices)
        for column, symbol in enumerate(voice.symbols)
    ]
    for _, staff, row, column in sorted(places):
        symbol = signed[row][column]
        heads = []
        for head in symbol.heads:
            spelling = head.spelling
            key = staff, spelling.letter, spelling.octave
            before = held.get(key, signature.alter(spelling.letter))
            shown = before != spelling.alter and not (symbol.tied_from and symbol.onset == 0)
            if shown:
                held[key] = spelling.alter
            heads.append(replace(head, shows_sign=shown))
        signed[row][column] = replace(symbol, heads=tuple(heads))
    voices = (replace(voice, symbols=tuple(own)) for voice, own in zip(bar.voices, signed, strict=True))
    return replace(bar, voices=tuple(voices))
