"""What the ear says of one event: a result, how sure it is, when the note began, and why."""

from __future__ import annotations

from typing import Literal

from coach.ground.frozen import frozen

Verdict = Literal["clean", "choked", "late", "missing", "other", "unsure"]
"""`choked`: 12 dB or more below the node's own clean sound; `late`: later than a player means to be; `missing`: nothing
was played; `other`: another note; `unsure`: the ear can't tell."""


@frozen
class Heard:
    """How the event with this label went, as far as can be heard."""

    label: int
    result: Verdict
    certainty: float
    """0 to 1: how likely the result is right; of `unsure` it is 0."""
    onset_ms: float | None = None
    """When it began against its beat, positive where late; None where no beginning was heard."""
    why: str = ""
    """What was heard, in a few words: `14 dB below its clean sound`."""
