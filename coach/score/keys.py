"""Every key of the drill format, once: how it is read, written and mistaken, and what it is for.

The reader, the writer, the JSON Schema, `coach new`'s comments and the page about the format follow these rows. A bar
has besides them one key for each layer, named by the author.
"""

from __future__ import annotations

from fractions import Fraction

from coach.ground.fields import Block, Row
from coach.ground.frozen import frozen
from coach.ground.kinds import Items, Text, Truth, Whole, Word
from coach.ground.source import FileKind
from coach.music.drill import Bar, ClickPattern, Drill, Phrase, counted_on
from coach.music.key import Key
from coach.music.rhythm import MAX_BPM, MIN_BPM, Meter
from coach.score.beats import write_beats
from coach.score.instrument_key import INSTRUMENT, InstrumentKey
from coach.score.limits import (
    FORMAT_VERSION,
    MAX_BAR_NUMBER,
    MAX_BYTES,
    MAX_GRADE,
    MAX_NAME,
    MAX_PARTS,
    MAX_TAGS,
    MAX_TIMES,
)
from coach.score.values import (
    Beats,
    Day,
    Id,
    KeySign,
    MeterSign,
    NoteValue,
    Order,
    Part,
    Parts,
    SilentBars,
    Subdivision,
    TempoChange,
    Version,
)

BPM = Whole(MIN_BPM, MAX_BPM, "bpm")
_NAME = Text(MAX_NAME)


@frozen
class Holding:
    """What holds before a bar and need not be said in it."""

    meter: Meter
    key: Key | None
    ratio: Fraction = Fraction(1)
    """Tempo against the drill's."""


@frozen
class BarBetween:
    """A bar to be written, with what holds before it."""

    bar: Bar
    before: Holding


def own_meter(place: BarBetween) -> Meter | None:
    """The meter of a bar where it is a new one."""
    return place.bar.meter if place.bar.meter != place.before.meter else None


def own_key(place: BarBetween) -> Key | None:
    """The key of a bar where it is a new one."""
    return place.bar.key if place.bar.key != place.before.key else None


def own_tempo(place: BarBetween) -> tuple[Fraction, Fraction] | None:
    """The tempo of a bar where it is a new one."""
    ratios = place.bar.start_ratio, place.bar.stop_ratio
    return ratios if ratios != (place.before.ratio, place.before.ratio) else None


def own_length(place: BarBetween) -> str | None:
    """The counted beats of a bar where it is a pick-up."""
    return write_beats(place.bar.length) if place.bar.first_beat else None


def own_end(place: BarBetween) -> str | None:
    """The counted beats of a bar where it ends early."""
    return write_beats(place.bar.length) if place.bar.ends_early else None


def first_meter(drill: Drill) -> Meter:
    """The meter of a drill's first bar."""
    return drill.phrases[0].bars[0].meter


def own_beat(drill: Drill) -> Fraction | None:
    """The note value that a drill's tempo counts where it is not the meter's beat."""
    beat = drill.tempo.beat_whole
    return beat if beat != first_meter(drill).beat_whole else None


TEMPO: dict[str, Row] = {
    "start": Row(BPM, "The first rung in bpm.", required=True, value_of=lambda drill: drill.tempo.start_bpm),
    "goal": Row(
        BPM, "The tempo to reach in bpm.", required=True, value_of=lambda drill: drill.tempo.goal_bpm
    ),
    "beat": Row(
        NoteValue(),
        "The note value of one beat of the tempo: 1/4, 3/8; default: the meter's beat.",
        value_of=own_beat,
    ),
}

CLICK: dict[str, Row] = {
    "subdivision": Row(
        Subdivision(),
        "Clicks in a beat, or their note value in every meter: 1/8.",
        default=1,
        value_of=lambda click: click.subdivision,
    ),
    "placing": Row(
        Word(("beat", "bar", "offbeat")),
        "On every beat, on the bar's first beat, or half a beat late.",
        default="beat",
        value_of=lambda click: click.placing,
    ),
    "silent": Row(
        SilentBars(),
        "`1 of 4`: the last of every four bars has no click.",
        default=(0, 0),
        value_of=lambda click: (click.silent_bars, click.silent_every),
    ),
    "accent": Row(
        Truth(),
        "Whether the first beat of a group has its own sound.",
        default=True,
        value_of=lambda click: click.accent,
    ),
}

ASSIGNMENT: dict[str, Row] = {
    "student": Row(_NAME, "Who is to play it.", default="", value_of=lambda one: one.student),
    "teacher": Row(_NAME, "Who asks for it.", default="", value_of=lambda one: one.teacher),
    "goal": Row(BPM, "The tempo to reach in bpm.", value_of=lambda one: one.goal_bpm),
    "due": Row(Day(), "The day by which: YYYY-MM-DD.", value_of=lambda one: one.due),
    "note": Row(Text(), "A note to the student.", default="", value_of=lambda one: one.note),
    "parts": Row(
        Items(Part(), MAX_PARTS, "[window at 60, 3.2 on D2 at 50]", name="parts", one_alone=True),
        "Only these phrases (by id) and nodes; `at` gives one its own goal.",
        default=(),
        value_of=lambda one: one.parts,
    ),
    "id": Row(
        _NAME,
        "Its id, made by `coach assign`.",
        default="",
        value_of=lambda one: one.id,
    ),
}

BAR: dict[str, Row] = {
    "cue": Row(Text(), "What to think of in this bar.", default="", value_of=lambda place: place.bar.cue),
    "dynamics": Row(
        _NAME, "How loud: p, mf, any text.", default="", value_of=lambda place: place.bar.dynamics
    ),
    "meter": Row(
        MeterSign(),
        "A new meter from this bar on, until the next one or the end of the phrase.",
        value_of=own_meter,
    ),
    "key": Row(
        KeySign(),
        "A new key from this bar on, until the next one or the end of the phrase; only for spelling.",
        value_of=own_key,
    ),
    "tempo": Row(
        TempoChange(),
        "A new tempo from this bar on, as part of the drill's: `80%`, or `100% to 80%` evenly over this bar.",
        value_of=own_tempo,
    ),
    "pickup": Row(
        Beats(),
        "Only in the first bar of a phrase: how many beats it has; they lead up to the bar line.",
        also_called=("anacrusis",),
        value_of=own_length,
    ),
    "ends_after": Row(
        Beats(),
        "Only in a phrase's last bar: after how many beats it ends, where the next phrase begins with the rest.",
        value_of=own_end,
    ),
    "times": Row(
        Whole(1, MAX_TIMES, "times"), "How many times to play this bar.", default=1, also_called=("repeat",)
    ),
}


@frozen
class PhraseAfter:
    """A phrase to be written, with the one before it."""

    phrase: Phrase
    before: Phrase | None


def own_name(place: PhraseAfter) -> str | None:
    """The name of a phrase where it is not its id."""
    return place.phrase.name if place.phrase.name != place.phrase.id else None


def own_first_bar(place: PhraseAfter) -> int | None:
    """The number of a phrase's first bar where it doesn't count on."""
    number = place.phrase.first_bar
    return number if number != counted_on(place.before, place.phrase.bars[0]) else None


PHRASE: dict[str, Row] = {
    "id": Row(
        Id(),
        "Its id, which never changes: the log knows the phrase by it.",
        value_of=lambda place: place.phrase.id,
    ),
    "name": Row(_NAME, "What it is called.", value_of=own_name),
    "cue": Row(
        Text(), "What to think of in this phrase.", default="", value_of=lambda place: place.phrase.cue
    ),
    "first_bar": Row(
        Whole(0, MAX_BAR_NUMBER),
        "The number of its first bar in the piece; if left out, bars count on from the phrase before.",
        value_of=own_first_bar,
    ),
    "meter": Row(MeterSign(), "Its meter, if not the drill's."),
    "bars": Row(Parts(), "Its bars: each starts with a dash and has a line for each layer.", required=True),
}

DRILL: dict[str, Row] = {
    "drill": Row(
        Version(), "Version of this format: 1.", required=True, value_of=lambda drill: FORMAT_VERSION
    ),
    "id": Row(
        Id(),
        "Its id, which never changes: the log knows the drill by it.",
        value_of=lambda drill: drill.id,
    ),
    "title": Row(
        _NAME, "What it is called.", required=True, also_called=("name",), value_of=lambda drill: drill.title
    ),
    "composer": Row(_NAME, "Who wrote the music.", default="", value_of=lambda drill: drill.composer),
    "about": Row(
        Text(),
        "What it is for.",
        default="",
        also_called=("description",),
        value_of=lambda drill: drill.about,
    ),
    "tags": Row(
        Items(_NAME, MAX_TAGS, "[first look, two strings]", name="tags"),
        "Words to find it by.",
        default=(),
        value_of=lambda drill: drill.tags,
    ),
    "grade": Row(
        Whole(1, MAX_GRADE, "grades"),
        "How hard it is within its series, 1 the easiest.",
        value_of=lambda drill: drill.grade,
    ),
    "instrument": Row(
        InstrumentKey(INSTRUMENT),
        "The instrument: its strings, or the name of a ready-made one.",
        required=True,
        value_of=lambda drill: drill.instrument,
    ),
    "meter": Row(
        MeterSign(),
        "`4/4`; `6/8 in 2` counts two beats; `7/8 in 2+2+3` gives accents.",
        required=True,
        also_called=("time",),
        value_of=first_meter,
    ),
    "key": Row(
        KeySign(),
        "The key: `Eb major`, `F# minor`. Only for the spelling of pitches.",
        also_called=("signature", "key_signature"),
        value_of=lambda drill: drill.key,
    ),
    "tempo": Row(
        Block(TEMPO, "{start: 50, goal: 80}"),
        "In bpm: the first tempo, and the tempo to reach.",
        required=True,
        also_called=("bpm",),
        value_of=lambda drill: drill,
    ),
    "click": Row(
        Block(CLICK, "{subdivision: 2}"),
        "When the click sounds.",
        default=ClickPattern(),
        value_of=lambda drill: drill.click,
    ),
    "count_in": Row(
        Whole(1, 4, "bars"), "Bars of count-in.", default=1, value_of=lambda drill: drill.count_in_bars
    ),
    "assignment": Row(Block(ASSIGNMENT, "{goal: 72, due: 2026-12-24}"), "What a teacher asks for."),
    "phrases": Row(Parts(), "The phrases.", required=True, also_called=("parts",)),
    "order": Row(
        Order(),
        "The whole piece: phrases by id or name, `x2` for repeats: `(intro, theme x2) x2, coda`.",
        also_called=("repeat", "repeats"),
    ),
}

BLOCKS: dict[str, dict[str, Row]] = {
    "": DRILL,
    "instrument": INSTRUMENT,
    "tempo": TEMPO,
    "click": CLICK,
    "assignment": ASSIGNMENT,
    "phrases": PHRASE,
    "bars": BAR,
}
"""Every block by the key that it stands under."""

_IMPORT = "`coach import` makes a drill of a score"
DRILL_FILE = FileKind(
    noun="a drill",
    file="a drill file",
    single="one drill",
    max_bytes=MAX_BYTES,
    others={
        b"MThd": ("a MIDI file", _IMPORT),
        b"PK\x03\x04": ("an archive", _IMPORT),
        b"<?xml": ("an XML file", _IMPORT),
        b"<score-": ("a MusicXML file", _IMPORT),
    },
    depth=6,
    start="`coach new` writes a drill to start from",
    sign="a beat starts with its number: `1&`, `2&`",
    brackets="[G2, D2, A1, E1]",
    blocks=BLOCKS,
)
