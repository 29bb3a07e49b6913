"""Every key of the drill format, once: how it is read, written and mistaken, and what it is for.

The reader, the writer, the JSON Schema, `coach new`'s comments and the page about the format follow these rows. A bar
has besides them one key for each layer, named by the author.
"""

from __future__ import annotations

from typing import Any

from coach.ground.fields import Block, Row
from coach.ground.kinds import Items, Text, Truth, Whole, Word
from coach.ground.source import FileKind
from coach.music.drill import TOGETHER, ClickPattern
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.score.instrument_key import INSTRUMENT, InstrumentKey
from coach.score.limits import (
    LAYER_RULE,
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


TEMPO: dict[str, Row] = {
    "start": Row(BPM, "The first rung in bpm.", required=True),
    "goal": Row(BPM, "The tempo to reach in bpm.", required=True),
    "beat": Row(NoteValue(), "The note value of one beat of the tempo: 1/4, 3/8; default: the meter's beat."),
}

CLICK: dict[str, Row] = {
    "subdivision": Row(
        Subdivision(), "Clicks in a beat, or their note value in every meter: 1/8.", default=1
    ),
    "placing": Row(
        Word(("beat", "bar", "offbeat")),
        "On every beat, on the bar's first beat, or half a beat late.",
        default="beat",
    ),
    "silent": Row(SilentBars(), "`1 of 4`: the last of every four bars has no click.", default=(0, 0)),
    "accent": Row(Truth(), "Whether the first beat of a group has its own sound.", default=True),
}

ASSIGNMENT: dict[str, Row] = {
    "student": Row(_NAME, "Who is to play it.", default=""),
    "teacher": Row(_NAME, "Who asks for it.", default=""),
    "goal": Row(BPM, "The tempo to reach in bpm."),
    "due": Row(Day(), "The day by which: YYYY-MM-DD."),
    "note": Row(Text(), "A note to the student.", default=""),
    "parts": Row(
        Items(Part(), MAX_PARTS, "[window at 60, 3.2 on D2 at 50]", name="parts", one_alone=True),
        "Only these phrases (by id) and nodes; `at` gives one its own goal.",
        default=(),
    ),
    "id": Row(_NAME, "Its id, made by `coach assign`.", default=""),
}

BAR: dict[str, Row] = {
    "cue": Row(Text(), "What to think of in this bar.", default=""),
    "dynamics": Row(_NAME, "How loud: p, mf, any text.", default=""),
    "meter": Row(MeterSign(), "A new meter from this bar on, until the next one or the end of the phrase."),
    "key": Row(
        KeySign(),
        "A new key from this bar on, until the next one or the end of the phrase; only for spelling.",
    ),
    "tempo": Row(
        TempoChange(),
        "A new tempo from this bar on, as part of the drill's: `80%`, or `100% to 80%` evenly over this bar.",
    ),
    "pickup": Row(
        Beats(),
        "Only in the first bar of a phrase: how many beats it has; they lead up to the bar line.",
        also_called=("anacrusis",),
    ),
    "ends_after": Row(
        Beats(),
        "Only in a phrase's last bar: after how many beats it ends, where the next phrase begins with the rest.",
    ),
    "times": Row(
        Whole(1, MAX_TIMES, "times"), "How many times to play this bar.", default=1, also_called=("repeat",)
    ),
}


PHRASE: dict[str, Row] = {
    "id": Row(Id(), "Its id, which never changes: the log knows the phrase by it."),
    "name": Row(_NAME, "What it is called."),
    "cue": Row(Text(), "What to think of in this phrase.", default=""),
    "first_bar": Row(
        Whole(0, MAX_BAR_NUMBER),
        "The number of its first bar in the piece; if left out, bars count on from the phrase before.",
    ),
    "meter": Row(MeterSign(), "Its meter, if not the drill's."),
    "bars": Row(Parts(), "Its bars: each starts with a dash and has a line for each layer.", required=True),
}

DRILL: dict[str, Row] = {
    "drill": Row(Version(), "Version of this format: 1.", required=True),
    "id": Row(Id(), "Its id, which never changes: the log knows the drill by it."),
    "title": Row(_NAME, "What it is called.", required=True, also_called=("name",)),
    "composer": Row(_NAME, "Who wrote the music.", default=""),
    "about": Row(Text(), "What it is for.", default="", also_called=("description",)),
    "tags": Row(
        Items(_NAME, MAX_TAGS, "[first look, two strings]", name="tags"), "Words to find it by.", default=()
    ),
    "grade": Row(Whole(1, MAX_GRADE, "grades"), "How hard it is within its series, 1 the easiest."),
    "instrument": Row(
        InstrumentKey(INSTRUMENT),
        "The instrument: its strings, or the name of a ready-made one.",
        required=True,
    ),
    "meter": Row(
        MeterSign(),
        "`4/4`; `6/8 in 2` counts two beats; `7/8 in 2+2+3` gives accents.",
        required=True,
        also_called=("time",),
    ),
    "key": Row(
        KeySign(),
        "The key: `Eb major`, `F# minor`. Only for the spelling of pitches.",
        also_called=("signature", "key_signature"),
    ),
    "tempo": Row(
        Block(TEMPO, "{start: 50, goal: 80}"),
        "In bpm: the first tempo, and the tempo to reach.",
        required=True,
        also_called=("bpm",),
    ),
    "click": Row(Block(CLICK, "{subdivision: 2}"), "When the click sounds.", default=ClickPattern()),
    "count_in": Row(Whole(1, 4, "bars"), "Bars of count-in.", default=1),
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


DRAFT = "https://json-schema.org/draft/2020-12/schema"
_EVENT = r"^\s*\d+(&|e|a|\.\d+|\+\d+/\d+)?\s+[^\s:]+:\S"


def schema() -> dict[str, Any]:
    """The schema as a JSON object."""
    events = {
        "type": "string",
        "pattern": _EVENT,
        "description": "Events: beat, space, string:fret or string:<node>; commas between them.",
    }
    bar = Block(BAR).schema()
    bar["additionalProperties"] = {
        "anyOf": [events, {"type": "array", "items": events, "minItems": 1}],
        "description": f"A layer: {LAYER_RULE}.",
    }
    bar["propertyNames"] = {"not": {"const": TOGETHER}}
    phrase = Block(PHRASE).schema()
    phrase["properties"]["bars"] |= {"type": "array", "items": bar, "minItems": 1}
    drill = Block(DRILL).schema()
    drill["properties"]["phrases"] |= {"type": "array", "items": phrase, "minItems": 1}
    return {"$schema": DRAFT, "title": "Wellrung drill, format 1", **drill}
