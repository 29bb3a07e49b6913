"""A drill: an instrument, tempos, and phrases made of bars, layers, events and notes.

Conventions: frozen values only. Strings count from 0, the highest (number 1 on paper). Beats inside a bar are the
bar's counted beats from 0; holds are in the same beats and may pass the bar line. Pitches are MIDI numbers.
An id survives edits: a drill's and a phrase's `id` stay when title, name, bars or file name change, and a changed
body is a new `revision` of the same phrase.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import field, replace
from datetime import date
from fractions import Fraction
from functools import cached_property
from typing import Literal

from coach.ground.frozen import frozen
from coach.ground.plain import name_key
from coach.music.key import Key
from coach.music.rhythm import Meter, TempoSpan
from coach.strings.instrument import Instrument
from coach.strings.node import Node, touch_label

TOGETHER = "together"
"""The name of all layers at once; no layer may be called so."""

Ending = Literal["", "damp", "ring"]


@frozen
class Note:
    """One string sounded at one moment: a stopped or open string (`fret`), a natural harmonic (`node`), or both.

    With both it is an artificial harmonic: the string is stopped at `fret`, the node is one of what sounds beyond.
    """

    string: int
    fret: int | None = None
    """Fret stopped, 0 for open; None for a natural harmonic."""
    node: Node | None = None
    written: str = ""
    """The position as the author wrote it: `3.2`, `7`; of an artificial harmonic the touch alone."""
    droppable: bool = False
    """Left out in the easier version."""
    asserted: str = ""
    """The sounding pitch that the author states, `Gb4`, to be checked against physics; it also says how to spell it."""
    fretting_finger: str = ""
    plucking_finger: str = ""
    plucking_hand_touch: bool = False
    """The node is touched by the plucking hand: no limit of reach."""
    ending: Ending = ""
    """`damp`: stop it when its hold ends; `ring`: let it ring over."""
    touching_finger: str = ""
    """The fretting hand's finger that touches the node while another one stops the string."""

    def __post_init__(self) -> None:
        if self.fret is None and self.node is None:
            raise ValueError("a note is a harmonic (node), a fretted or open string (fret), or both")
        if self.fret == 0 and self.node is not None:
            raise ValueError("a harmonic of an open string is natural: it has no fret")

    @property
    def is_harmonic(self) -> bool:
        return self.node is not None

    @property
    def is_artificial(self) -> bool:
        """Whether it is a harmonic of a string that is stopped."""
        return self.node is not None and self.fret is not None

    @property
    def is_natural(self) -> bool:
        """Whether it is a harmonic of an open string, which no finger has to hold."""
        return self.node is not None and self.fret is None

    @property
    def stop(self) -> int:
        """The fret at which the string is stopped; 0 where it sounds from the nut."""
        return self.fret or 0

    @property
    def position_text(self) -> str:
        """The position as text tab writes it: `<3.2>` for a harmonic, `5` for a fret, `5<17>` for both."""
        if self.node is None:
            return str(self.fret)
        return f"{self.fret or ''}<{self.written or touch_label(self.node, self.stop)}>"

    @property
    def finger_text(self) -> str:
        """The fingers of both hands on paper: `2`, `2i`, `1-4` (stops, touches), `3t` (the plucking hand touches)."""
        touching = f"-{self.touching_finger}" if self.touching_finger else ""
        touch = "t" if self.plucking_hand_touch else ""
        return f"{self.fretting_finger}{touching}{touch}{self.plucking_finger}"


@frozen
class Event:
    """What one layer plays at one moment."""

    layer: str
    beat: Fraction
    """As counted, from 0; a pick-up bar counts up to the bar line (one beat of 4/4 is beat 3, players' 4)."""
    hold: Fraction
    notes: tuple[Note, ...]
    hold_written: bool = False
    """Whether the author wrote the hold; else it follows from the next event or the string's next use."""

    @property
    def droppable(self) -> bool:
        """Whether the easier version leaves the whole event out."""
        return all(note.droppable for note in self.notes)

    def kept(self, easier: bool) -> tuple[Note, ...]:
        """The notes of the full version, or those that the easier one keeps."""
        return tuple(note for note in self.notes if not note.droppable) if easier else self.notes


@frozen
class ClickPattern:
    """When the click sounds.

    `subdivision`: clicks to a beat, or the note value that they fall on in every meter. `placing`: on every beat, on
    the bar's first beat only, or off the beat (half a beat late). `silent_bars`: of each `silent_every` bars the last
    so many have no click, so that the player keeps time alone.
    """

    subdivision: int | Fraction = 1
    placing: Literal["beat", "bar", "offbeat"] = "beat"
    silent_bars: int = 0
    silent_every: int = 0
    accent: bool = True

    @property
    def silent(self) -> tuple[int, int]:
        """How many bars are silent, and of how many."""
        return self.silent_bars, self.silent_every

    def parts(self, meter: Meter, counted_beats: int) -> int:
        """Clicks to a beat of this meter that lasts so many counted beats; a large beat falls into counted beats.

        A note value that does not go into the beat leaves it whole.
        """
        if isinstance(self.subdivision, int):
            return counted_beats if meter.large and self.subdivision > 1 else self.subdivision
        parts = counted_beats * meter.beat_whole / self.subdivision
        return int(parts) if parts.denominator == 1 else 1


_ZERO = Fraction(0)


@frozen
class Bar:
    """One bar: its meter, its length and its events in order of beat, then of layer.

    A pick-up is shorter than its meter and counted up to the bar line; a bar that `ends_early` is counted from beat 0.
    """

    meter: Meter
    length: Fraction
    """In counted beats of this bar's meter."""
    events: tuple[Event, ...] = ()
    cue: str = ""
    dynamics: str = ""
    start_ratio: Fraction = Fraction(1)
    """Tempo at the bar's start against the drill's tempo; a tempo change lasts until the next one."""
    stop_ratio: Fraction = Fraction(1)
    """Tempo at the bar's end: other than `start_ratio` where the tempo changes gradually."""
    key: Key | None = None
    """The key that holds in this bar, for spelling; None where the drill says none."""
    ends_early: bool = False
    """It breaks off before its meter is full: what follows begins with the rest of it as a pick-up."""

    @property
    def first_beat(self) -> Fraction:
        """The counted beats of its meter that lie before it: 0 but for a pick-up."""
        # A full bar compares as whole numbers: exact subtraction takes ten times as long.
        full = self.ends_early or self.length == self.meter.beats
        return _ZERO if full else self.meter.beats - self.length

    @property
    def whole(self) -> Fraction:
        """Its length in whole notes."""
        return self.length * self.meter.beat_whole

    @property
    def counted(self) -> list[Fraction]:
        """The beats that are counted in it."""
        first = self.first_beat
        return [Fraction(beat) for beat in range(self.meter.beats) if first <= beat < first + self.length]

    def into(self, beat: Fraction) -> Fraction:
        """How far a beat lies after the bar's beginning, in whole notes."""
        return (beat - self.first_beat) * self.meter.beat_whole


@frozen
class Phrase:
    """A few bars practised as one unit."""

    id: str
    name: str
    bars: tuple[Bar, ...]
    layers: tuple[str, ...]
    """Layer names in the order of their first use."""
    cue: str = ""
    first_bar: int = 1
    """The number of its first bar in the piece."""

    @property
    def events(self) -> Iterator[Event]:
        """Every event, bar by bar."""
        for bar in self.bars:
            yield from bar.events

    @cached_property
    def lasting(self) -> Fraction:
        """How long it lasts, in whole notes at the drill's tempo: the faster its bars, the fewer."""
        spans = (TempoSpan(Fraction(0), bar.whole, bar.start_ratio, bar.stop_ratio) for bar in self.bars)
        return sum((span.seconds(span.stop_beat, Fraction(60)) for span in spans), Fraction(0))

    @cached_property
    def revision(self) -> str:
        """Twelve hex digits that change when what is played changes, and not with names, cues or bar numbers."""
        return _digest(_body(self.bars))


@frozen
class Tempo:
    """Start and goal in bpm of the tempo beat, whose note value is a part of a whole note."""

    start_bpm: int
    goal_bpm: int
    beat_whole: Fraction = Fraction(1, 4)


@frozen
class AskedPart:
    """A phrase (its id) or a node (its name, `3.2 on D2`) of a drill, with a goal of its own where it has one."""

    name: str
    goal_bpm: int | None = None

    def __str__(self) -> str:
        """As a drill file has it: `window at 60`."""
        return f"{self.name} at {self.goal_bpm}" if self.goal_bpm else self.name


@frozen
class Assignment:
    """What a teacher asks for: a drill handed to a student with a goal tempo, a due date and a note."""

    student: str = ""
    teacher: str = ""
    goal_bpm: int | None = None
    due: date | None = None
    note: str = ""
    id: str = ""
    parts: tuple[AskedPart, ...] = ()
    """What is asked for of the drill; all of it where this is empty."""


@frozen
class Drill:
    """One drill file's content, complete."""

    id: str
    title: str
    instrument: Instrument
    tempo: Tempo
    phrases: tuple[Phrase, ...]
    order: tuple[str, ...] = ()
    """Phrase ids as the whole piece plays them, repeats written out."""
    about: str = ""
    click: ClickPattern = ClickPattern()
    count_in_bars: int = 1
    assignment: Assignment | None = None
    composer: str = ""
    tags: tuple[str, ...] = ()
    grade: int | None = None
    """How hard it is among the drills of its series, from 1; None where its author says nothing."""
    path: str = field(default="", compare=False)
    """Where it was read from, for messages; no part of its identity."""

    @property
    def layers(self) -> tuple[str, ...]:
        """All layer names, in the order of their first use."""
        return tuple(dict.fromkeys(layer for phrase in self.phrases for layer in phrase.layers))

    @property
    def notes(self) -> Iterator[Note]:
        """Every note, phrase by phrase in the file's order."""
        for phrase in self.phrases:
            for event in phrase.events:
                yield from event.notes

    @property
    def played(self) -> tuple[str, ...]:
        """Ids of the phrases as the piece plays them."""
        return self.order or tuple(phrase.id for phrase in self.phrases)

    @property
    def key(self) -> Key | None:
        """The key of its first bar."""
        return self.phrases[0].bars[0].key

    @property
    def goal_bpm(self) -> int:
        """The tempo to reach: the assignment's, where it sets one."""
        if self.assignment and self.assignment.goal_bpm:
            return self.assignment.goal_bpm
        return self.tempo.goal_bpm

    def phrase(self, phrase_id: str) -> Phrase:
        """The phrase with this id; KeyError where there is none."""
        return {phrase.id: phrase for phrase in self.phrases}[phrase_id]

    def phrase_named(self, text: str) -> Phrase | None:
        """The phrase of this id or name, else one that differs in case or spaces only; None where there is none."""
        for same in (str, name_key):
            for phrase in self.phrases:
                if same(text) in (same(phrase.id), same(phrase.name)):
                    return phrase
        return None

    @cached_property
    def revision(self) -> str:
        """Twelve hex digits that change when any phrase's body, the order or the tuning changes."""
        names = [string.name for string in self.instrument.strings]
        parts = [phrase.id + phrase.revision for phrase in self.phrases]
        return _digest("|".join([*names, *parts, *self.order]))


def drill_part(drill: Drill, layer: str | None = None, easier: bool = False) -> Drill:
    """The drill with one layer alone, and without what the easier version leaves out; phrases and bars stay.

    Its title says so. KeyError where the drill has no such layer.
    """
    if layer is not None and layer not in drill.layers:
        raise KeyError(layer)
    words = ", ".join(word for word in (layer, "easier" if easier else "") if word)
    phrases = tuple(_part_of(phrase, layer, easier) for phrase in drill.phrases)
    return replace(drill, title=f"{drill.title} ({words})", phrases=phrases) if words else drill


def _part_of(phrase: Phrase, layer: str | None, easier: bool) -> Phrase:
    bars = tuple(replace(bar, events=tuple(_events(bar, layer, easier))) for bar in phrase.bars)
    return replace(phrase, bars=bars, layers=tuple(one for one in phrase.layers if layer in (None, one)))


def _events(bar: Bar, layer: str | None, easier: bool) -> Iterator[Event]:
    for event in bar.events:
        notes = event.kept(easier)
        if notes and layer in (None, event.layer):
            yield replace(event, notes=notes)


def counted_on(before: Phrase | None, bar: Bar) -> int:
    """The number of a phrase's first bar where nothing says another: it counts on from the phrase before it.

    A pick-up that begins the piece is bar 0; one that completes a bar which ended early belongs to that bar.
    """
    pickup = bar.first_beat > 0
    if before is None:
        return 0 if pickup else 1
    last = before.bars[-1]
    completes = pickup and last.ends_early and last.length == bar.first_beat
    return before.first_bar + len(before.bars) - completes


def _body(bars: tuple[Bar, ...]) -> str:
    lines = []
    for bar in bars:
        early = " early" if bar.ends_early else ""
        lines.append(f"{bar.meter} {bar.length} {bar.start_ratio} {bar.stop_ratio}{early}")
        for event in bar.events:
            notes = "+".join(
                f"{note.string}:{'' if note.fret is None else note.fret}{f'<{note.node.key}>' if note.node else ''}"
                f"{'?' if note.droppable else ''}"
                for note in event.notes
            )
            lines.append(f"{event.layer} {event.beat} {event.hold} {notes}")
    return "\n".join(lines)


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:12]
