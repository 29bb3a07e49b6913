"""The JSON Schema of the drill format, made from the table of keys, so that editors complete and check it.

Draft 2020-12. It covers keys, types and ranges; what it can't say (beats, strings, nodes) `coach check` says.
"""

from __future__ import annotations

from typing import Any

from coach.music.drill import TOGETHER
from coach.score.keys import ASSIGNMENT, BAR, CLICK, DRILL, INSTRUMENT, LAYER_RULE, PHRASE, TEMPO, Key
from coach.strings.ready_made import READY_MADE

DRAFT = "https://json-schema.org/draft/2020-12/schema"
_EVENT = r"^\s*\d+(&|e|a|\.\d+|\+\d+/\d+)?\s+[^\s:]+:\S"


def schema() -> dict[str, Any]:
    """The schema as a JSON object."""
    events = {
        "type": "string",
        "pattern": _EVENT,
        "description": "Events: beat, space, string:fret or string:<node>; commas between them.",
    }
    layer = {
        "anyOf": [events, {"type": "array", "items": events, "minItems": 1}],
        "description": f"A layer: {LAYER_RULE}.",
    }
    bar = _block(BAR)
    bar["additionalProperties"] = layer
    bar["propertyNames"] = {"not": {"const": TOGETHER}}
    phrase = _block(PHRASE)
    phrase["properties"]["bars"] |= {"type": "array", "items": bar, "minItems": 1}
    drill = _block(DRILL)
    keys = drill["properties"]
    keys["instrument"] |= {"anyOf": [_block(INSTRUMENT), {"enum": list(READY_MADE)}]}
    keys["tempo"] |= _block(TEMPO)
    keys["click"] |= _block(CLICK)
    keys["assignment"] |= _block(ASSIGNMENT)
    keys["phrases"] |= {"type": "array", "items": phrase, "minItems": 1}
    keys["order"] = {
        "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}],
        "description": DRILL["order"].about,
    }
    return {"$schema": DRAFT, "title": "Wellrung drill, format 1", **drill}


def _block(keys: dict[str, Key]) -> dict[str, Any]:
    block: dict[str, Any] = {
        "type": "object",
        "properties": {name: {**key.schema, "description": key.about} for name, key in keys.items()},
        "additionalProperties": False,
    }
    if required := [name for name, key in keys.items() if key.required]:
        block["required"] = required
    return block
