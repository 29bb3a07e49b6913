"""The settings file's section `sound`, a row a key, and the note on hearing."""

from __future__ import annotations

from coach.ground.fields import row
from coach.ground.frozen import frozen
from coach.ground.kinds import Number, Text, Truth, Word

HEARING_NOTE = (
    "Keep the click softer than you play. "
    "Hearing is at risk beyond 85 dBA over 8 hours a day, half as long for every 3 dB more (NIOSH); "
    "on headphones beyond 80 dBA over 40 hours a week, for children 75 dBA (WHO-ITU H.870)."
)
"""To be shown once, and in the README."""

DEFAULT_VOLUME_DB = -12.0
"""A beat's peak against the loudest: soft, since a click is heard for hours."""
CLICK_SOUNDS = ("wood", "tick", "tone", "block")
"""The sounds that a click can have."""


@frozen
class SoundSettings:
    """How the click and the model sound, and where."""

    device: str = row(
        Text(200, may_be_empty=True), "", "part of the name of an output; `coach sound` lists them"
    )
    """Empty is the system's choice."""
    input: str = row(
        Text(200, may_be_empty=True),
        "",
        "part of the name of a microphone or other input; `coach sound` lists them",
    )
    """Empty is the system's choice."""
    offset_ms: float = row(
        Number(-500, 1000, "ms"),
        0.0,
        "how much later you hear the click than calculated (negative: earlier); `coach sound tap --save` sets it",
    )
    click: str = row(Word(CLICK_SOUNDS), "wood", "the click's sound")
    click_db: float = row(Number(-60, 0, "dB"), DEFAULT_VOLUME_DB, "level of a click, 0 the loudest possible")
    hearing_note_seen: bool = row(Truth(), False, "the note on hearing was shown")
    silent_note_seen: bool = row(Truth(), False, "the note on silent mode was shown")

    @property
    def offset_s(self) -> float:
        return self.offset_ms / 1000
