"""The JSON Schema of the drill format, made from the table of keys, so that editors complete and check it.

Draft 2020-12. It covers keys, types and ranges; what it can't say (beats, strings, nodes) `coach check` says.
"""

from __future__ import annotations

from typing import Any

from coach.ground.fields import Block
from coach.music.drill import TOGETHER
from coach.score.keys import BAR, DRILL, PHRASE
from coach.score.limits import LAYER_RULE

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
