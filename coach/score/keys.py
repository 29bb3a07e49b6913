"""Every key of the drill format, once: what it holds, for the reader, the guesses, the JSON Schema and the page.

A bar has besides these keys one key for each layer, named by the author.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Any

from coach.music.drill import TOGETHER
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.strings.instrument import A4_HZ_RANGE, SCALE_MM_RANGE, STIFFNESS_RANGE, STRINGS_RANGE

FORMAT_VERSION = 1
MAX_BARS = 2000
MAX_PHRASES = 200
MAX_LAYERS = 8
MAX_EVENTS_IN_BAR = 200
MAX_LINE = 20_000
"""Characters of one layer in one bar."""
MAX_NOTES = 10_000
MAX_BEATS = 10_000
"""Notes and counted beats of all phrases with repeated bars written out, and of the piece with its order too: a
small file must not unfold into hours of work."""
MAX_PIECE_BARS = 5_000
MAX_ORDER = 500
MAX_TEXT = 2000
MAX_NAME = 80
MAX_TAGS = 20
MAX_TIMES = 99
COUNT_IN_RANGE = (1, 4)
SUBDIVISION_RANGE = (1, 8)
PERCENT_RANGE = (20, 400)
ID = re.compile(r"[a-z0-9][a-z0-9-]{0,63}")
LAYER = re.compile(r"[^\W\d_][\w -]{0,29}")
LAYER_RULE = f"a letter, then letters, digits, - and spaces, at most 30, and not `{TOGETHER}`"

_TEXT = {"type": "string", "maxLength": MAX_TEXT}
_NAME = {"type": ["string", "number"], "maxLength": MAX_NAME}
_ID = {"type": "string", "pattern": f"^{ID.pattern}$"}
_METER = {"type": "string", "pattern": r"^\d+/\d+( in \d+(\+\d+)*)?$"}
_BPM = {"type": "integer", "minimum": MIN_BPM, "maximum": MAX_BPM}


@dataclass(frozen=True, slots=True)
class Key:
    """One key: what it is for, and its JSON Schema."""

    about: str
    schema: dict[str, Any] = field(default_factory=lambda: dict(_TEXT))
    required: bool = False


def _numbers(low: float, high: float, kind: str = "number") -> dict[str, Any]:
    return {"type": kind, "minimum": low, "maximum": high}


INSTRUMENT: dict[str, Key] = {
    "strings": Key(
        "Open notes with their octaves, the highest string first, as tab is read.",
        {
            "type": "array",
            "items": {"type": "string"},
            "minItems": STRINGS_RANGE[0],
            "maxItems": STRINGS_RANGE[1],
        },
        required=True,
    ),
    "scale_mm": Key("Sounding length of an open string in mm.", _numbers(*SCALE_MM_RANGE), required=True),
    "name": Key("A short name; node memory is kept apart for each instrument of its own name.", _ID),
    "a4_hz": Key("Frequency of A4 in Hz, 440 where it is left out.", _numbers(*A4_HZ_RANGE)),
    "stiffness": Key(
        "Stiffness B of the strings: one number, or one for each string.",
        {
            "anyOf": [
                _numbers(*STIFFNESS_RANGE),
                {"type": "array", "items": _numbers(*STIFFNESS_RANGE), "maxItems": STRINGS_RANGE[1]},
            ]
        },
    ),
}

TEMPO: dict[str, Key] = {
    "start": Key("The first rung in bpm.", _BPM, required=True),
    "goal": Key("The tempo to reach in bpm.", _BPM, required=True),
    "beat": Key(
        "The note value that the numbers count, as a part of a whole note: 1/4, 3/8; else the meter's beat.",
        {"type": "string", "pattern": r"^\d+/\d+$"},
    ),
}

CLICK: dict[str, Key] = {
    "subdivision": Key("Clicks to a counted beat.", _numbers(*SUBDIVISION_RANGE, "integer")),
    "placing": Key(
        "On every beat, on the bar's first beat, or half a beat late.", {"enum": ["beat", "bar", "offbeat"]}
    ),
    "silent": Key(
        "`1 of 4`: the last of each four bars has no click.", {"type": "string", "pattern": r"^\d+ of \d+$"}
    ),
    "accent": Key(
        "Whether the first beat of a group has its own sound.", {"enum": [True, False, "yes", "no"]}
    ),
}

ASSIGNMENT: dict[str, Key] = {
    "student": Key("Who is to play it.", _NAME),
    "teacher": Key("Who asks for it.", _NAME),
    "goal": Key("The tempo to reach in bpm.", _BPM),
    "due": Key("The day by which: YYYY-MM-DD.", {"type": "string", "pattern": r"^\d{4}-\d\d-\d\d$"}),
    "note": Key("What to look for."),
    "id": Key(
        "Its id, kept when it is merged; made when it is first handed out.",
        {"type": "string", "maxLength": MAX_NAME},
    ),
}

BAR: dict[str, Key] = {
    "cue": Key("What to think of in this bar."),
    "dynamics": Key("How loud: p, mf, a swell.", {"type": ["string", "number"], "maxLength": MAX_NAME}),
    "meter": Key("A new meter from this bar to the end of the phrase, or to the next one.", _METER),
    "tempo": Key(
        "A new tempo from this bar on, against the drill's: `80%`, or `100% to 80%` gradually over this bar.",
        {"type": "string", "pattern": r"^\d+(\.\d+)?%( to \d+(\.\d+)?%)?$"},
    ),
    "pickup": Key(
        "Only in a phrase's first bar: how many beats it has; they are counted up to the bar line.",
        {"anyOf": [_numbers(0, 64), {"type": "string", "pattern": r"^(\d+\+)?\d+/\d+$"}]},
    ),
    "times": Key("Play this bar so many times.", _numbers(1, MAX_TIMES, "integer")),
}

PHRASE: dict[str, Key] = {
    "id": Key("Its id, kept for good: the log knows the phrase by it.", _ID),
    "name": Key("What it is called.", _NAME),
    "cue": Key("What to think of in this phrase."),
    "meter": Key("Its meter, where it is not the drill's.", _METER),
    "bars": Key("Its bars: each starts with a dash and has a line for every layer.", {}, required=True),
}

DRILL: dict[str, Key] = {
    "drill": Key("Version of this format: 1.", {"const": FORMAT_VERSION}, required=True),
    "id": Key("Its id, kept for good: the log knows the drill by it.", _ID),
    "title": Key("What it is called.", _NAME, required=True),
    "composer": Key("Who wrote the music.", _NAME),
    "about": Key("What it is for."),
    "tags": Key(
        "Words to find it by.",
        {"type": "array", "items": {"type": ["string", "number"]}, "maxItems": MAX_TAGS},
    ),
    "instrument": Key(
        "The instrument: its strings and their length, or a ready one's name.", {}, required=True
    ),
    "meter": Key("`4/4`; `6/8 in 2` counts two beats; `7/8 in 2+2+3` gives accents.", _METER, required=True),
    "tempo": Key("Start and goal in bpm.", {}, required=True),
    "click": Key("When the click sounds.", {}),
    "count_in": Key("Bars of count-in.", _numbers(*COUNT_IN_RANGE, "integer")),
    "phrases": Key("The phrases.", {}, required=True),
    "order": Key("The whole piece: phrases by id or name, `x2` for repeats: `(intro, theme x2) x2, coda`."),
    "assignment": Key("What a teacher asks for.", {}),
}

BLOCKS: dict[str, dict[str, Key]] = {
    "": DRILL,
    "instrument": INSTRUMENT,
    "tempo": TEMPO,
    "click": CLICK,
    "assignment": ASSIGNMENT,
    "phrases": PHRASE,
    "bars": BAR,
}
"""Every block by the key that it stands under."""
