"""From what the ear heard of an event to what is suggested to the player."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from coach.listen.heard import Heard, Verdict
from coach.listen.record import record_key
from coach.music.excerpt import Passage, PlacedEvent
from coach.rating.table import CHOKED, DROPPED, LATE, Result
from coach.session.events import Source, Suggest

WORDS: dict[Verdict, str] = {
    "clean": "",
    "choked": "quiet",
    "other": "other note",
    "missing": "nothing",
    "unsure": "can't tell",
}
"""What was heard, as the player reads it; of a late event it is how late."""


def suggestions_of(
    heard: Iterable[Heard], passage: Passage, quiet: Collection[str] = ()
) -> tuple[Suggest, ...]:
    """An event of the session for each event of the passage that was judged.

    At the nodes in `quiet` what was heard is for the log alone.
    """
    nodes = {event.label: event.nodes for event in passage.logged.events}
    return tuple(
        suggestion(one, passage.event(one.label), shown=record_key(nodes[one.label]) not in quiet)
        for one in heard
    )


def suggestion(heard: Heard, event: PlacedEvent, shown: bool = True) -> Suggest:
    """What is suggested of one event."""
    words = f"{heard.onset_ms or 0.0:.0f} ms late" if heard.result == "late" else WORDS[heard.result]
    return Suggest(
        heard.label,
        mark_of(heard.result, event) if shown else None,
        heard.certainty,
        Source.MICROPHONE,
        verdict=heard.result,
        heard=words if shown else "",
    )


def mark_of(verdict: Verdict, event: PlacedEvent) -> Result | None:
    """The mark for it. A harmonic that was not heard, or as another partial, did not ring: that is choked."""
    match verdict:
        case "late":
            return LATE
        case "choked" | "other":
            return CHOKED
        case "missing":
            return CHOKED if event.is_harmonic else DROPPED
    return None
