"""The settings file's section `listening`, a row a key, and what the ear was measured on."""

from __future__ import annotations

from coach.ground.fields import row
from coach.ground.frozen import frozen
from coach.ground.kinds import Truth

MEASURED = (
    "It suggests what failed; your own rating is what counts. The ear was measured on simulated and sampled "
    "strings only; your own marks measure it on yours. It learns how your nodes sound from repetitions that you rate "
    "clean. No sound is saved, and none leaves this machine."
)
"""Told once, before a session first listens."""


@frozen
class ListenSettings:
    """Whether the program listens while you play."""

    on: bool = row(
        Truth(),
        False,
        "listen while you play, and suggest what failed; no sound is saved",
        choices=(False, True),
    )
    note_seen: bool = row(Truth(), False, "the note on how the ear was measured was shown")
