"""Drills for tests of reading, writing, export: Hypothesis strategies of every shape, and the built-in ones."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import strategies as st

from coach.music.drill import Assignment, Bar, ClickPattern, Drill, Ending, Event, Note, Phrase, Tempo
from coach.music.key import Key
from coach.music.rhythm import Meter
from coach.score.load import read_drill
from coach.score.music import sounding_note
from coach.score.write import write_drill
from coach.strings.instrument import Instrument
from coach.strings.node import nodes_upto
from coach.strings.ready_made import READY_MADE, ready_made

METERS = (
    Meter.of(4, 4), Meter.of(3, 4), Meter.of(6, 8, 2), Meter.of(6, 8), Meter.of(2, 2), Meter.of(12, 8, 4),
    Meter.grouped(7, 8, (2, 2, 3)), Meter.of(7, 8, 3), Meter.in_large(5, 8, (3, 2)),
)  # fmt: skip
PARTS = tuple(Fraction(part) for part in ("0", "1/4", "1/3", "1/2", "2/3", "3/4"))
CHARACTERS = st.characters(
    exclude_categories=("C", "Zl", "Zp", "Zs"), include_characters=" :#,'\"-?&*!%@`{}[]|>"
)
PLAIN, SLOWER, FASTER = Fraction(1), Fraction(4, 5), Fraction(3, 2)
RATIOS = [(PLAIN, PLAIN), (PLAIN, PLAIN), (PLAIN, SLOWER), (FASTER, FASTER)]
TEXTS = st.text(CHARACTERS, min_size=1, max_size=30).map(lambda text: " ".join(text.split())).filter(bool)  # fmt: skip
INSTRUMENTS = st.one_of(
    st.sampled_from(sorted(READY_MADE)).map(ready_made),
    st.builds(
        Instrument.of,
        st.sampled_from([("D4",), ("G2", "D2", "A1", "D1"), ("E4", "C#4", "A3", "E3", "A2", "E2")]),
        st.sampled_from([648.0, 863.6]),
        st.sampled_from([440.0, 442.0]),
        st.sampled_from(["", "old-five"]),
        st.sampled_from([0.0, 0.0003]),
    ),
)


def spellings(midi: int) -> list[str]:
    """A pitch unstated, and stated as two keys spell it."""
    return ["", *(str(Key(fifths).spelling(midi)) for fifths in (5, -6))]


@st.composite
def notes(draw: st.DrawFn, instrument: Instrument, string: int, upto: int = 9) -> Note:
    """A note on this string."""
    droppable = draw(st.booleans())
    fretting = draw(st.sampled_from(["", "1", "4", "T"]))
    plucking = draw(st.sampled_from(["", "p", "i", "a"]))
    ending: Ending = ""
    kind = draw(st.sampled_from(["stopped", "natural", "natural", "artificial"]))
    if kind == "stopped":
        fret = draw(st.integers(0, 12))
        asserted = draw(st.sampled_from(spellings(instrument.strings[string].midi + fret)))
        return Note(string, fret, None, str(fret), droppable, asserted, fretting, plucking, False, ending)
    node = draw(st.sampled_from(nodes_upto(upto)))
    if kind == "artificial":
        touching = "" if fretting != "1" else draw(st.sampled_from(["", "4"]))
        fret = draw(st.integers(1, 9))
        return Note(string, fret, node, "", droppable, "", fretting, plucking, not touching, ending, touching)
    asserted = draw(st.sampled_from(spellings(sounding_note(instrument.strings[string].midi, node))))
    touched = draw(st.booleans())
    return Note(string, None, node, "", droppable, asserted, fretting, plucking, touched, ending)


@st.composite
def bars(draw: st.DrawFn, instrument: Instrument, meter: Meter, first: bool, last: bool, layers: tuple[str, ...],
         keys: tuple[Key | None, ...]) -> Bar:  # fmt: skip
    """A bar whose layers never meet on a string."""
    length, shape = Fraction(meter.beats), draw(st.sampled_from(["whole", "whole", "pickup", "early"]))
    if meter.beats > 1 and ((first and shape == "pickup") or (last and shape == "early")):
        length = Fraction(1)
    early = length < meter.beats and shape == "early"
    start = 0 if early else meter.beats - length
    beats = sorted(
        draw(st.sets(st.builds(lambda whole, part: whole + part, st.integers(0, meter.beats - 1).map(Fraction),
                               st.sampled_from(PARTS)), max_size=4))
    )  # fmt: skip
    events = []
    for beat in beats:
        if not start <= beat < start + length:
            continue
        free = list(range(len(instrument.strings)))
        for layer in layers:
            count = draw(st.integers(0, min(2, len(free))))
            chosen = sorted(draw(st.permutations(free))[:count])
            free = [string for string in free if string not in chosen]
            if chosen:
                event_notes = tuple(draw(notes(instrument, string)) for string in chosen)
                written = draw(st.booleans())
                hold = (
                    draw(st.sampled_from([Fraction(1, 4), Fraction(1), Fraction(4, 3)]))
                    if written
                    else Fraction(1)
                )
                ending: Ending = draw(st.sampled_from(["", "", "damp", "ring"]))
                event_notes = tuple(replace(note, ending=ending) for note in event_notes)
                events.append(Event(layer, beat, hold, event_notes, written))
    ratios = draw(st.sampled_from(RATIOS))
    return Bar(
        meter, length, tuple(events), draw(st.one_of(st.just(""), TEXTS)), draw(st.sampled_from(["", "p", "mf"])),
        *ratios, draw(st.sampled_from(keys)), early,
    )  # fmt: skip


@st.composite
def drafts(draw: st.DrawFn) -> Drill:
    """A drill before its holds are settled: write and read it, and it is one."""
    instrument = draw(INSTRUMENTS)
    layers = draw(st.sampled_from([("bass", "harmonics"), ("tune",), ("low", "high", "inner voice")]))
    meter = draw(st.sampled_from(METERS))
    keys = draw(st.sampled_from([(None,), (Key(-3), Key(2, "minor"))]))
    phrases = []
    for number in range(draw(st.integers(1, 3))):
        more = draw(st.integers(0, 2))
        drawn_bars = [draw(bars(instrument, meter, True, not more, layers, keys))]
        for left in reversed(range(more)):
            drawn_bars.append(
                draw(bars(instrument, draw(st.sampled_from(METERS)), False, not left, layers, keys))
            )
        # The format has no phrase without an event.
        if not any(bar.events for bar in drawn_bars):
            event = Event(layers[0], Fraction(0), Fraction(1), (draw(notes(instrument, 0)),), True)
            drawn_bars[0] = Bar(
                drawn_bars[0].meter, Fraction(drawn_bars[0].meter.beats), (event,), key=drawn_bars[0].key
            )
        phrases.append(
            Phrase(
                f"phrase-{number}",
                draw(TEXTS),
                tuple(drawn_bars),
                layers,
                draw(st.one_of(st.just(""), TEXTS)),
                draw(st.integers(0, 9999)),
            )
        )
    ids = [phrase.id for phrase in phrases]
    start = draw(st.integers(20, 300))
    return Drill(
        "made", draw(TEXTS), instrument, Tempo(start, draw(st.integers(start, 300)), meter.beat_whole), tuple(phrases),
        order=draw(st.one_of(st.just(()), st.permutations(ids + ids).map(tuple))),
        about=draw(st.one_of(st.just(""), TEXTS)),
        click=draw(st.sampled_from([ClickPattern(), ClickPattern(2, "offbeat", 1, 4, False)])),
        count_in_bars=draw(st.integers(1, 4)),
        assignment=draw(st.sampled_from([None, Assignment("Mia", "", start, date(2026, 12, 24), "so: it #1", "")])),
        tags=draw(st.sampled_from([(), ("3.2", "no", "a, b")])),
        grade=draw(st.sampled_from([None, 1, 99])),
    )  # fmt: skip


DRILLS = sorted((Path(__file__).parent.parent / "drills").glob("*.yaml"))
EACH = pytest.mark.parametrize("path", DRILLS, ids=[path.stem for path in DRILLS])


def drill_from(text: str, where: str = "test.yaml") -> Drill:
    """The drill of a text that has no error."""
    drill, problems = read_drill(text, where)
    assert drill is not None, "\n".join(str(problem) for problem in problems)
    return drill


def as_read(draft: Drill) -> Drill:
    """A draft as its own file is read: with ids and holds."""
    return drill_from(write_drill(draft))
