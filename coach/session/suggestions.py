"""From what the ear heard of an event to what is suggested to the player."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from coach.listen.heard import Heard
from coach.listen.record import record_key
from coach.music.excerpt import Passage, PlacedEvent
from coach.session.events import Source, Suggest


def suggestions_of(
    heard: Iterable[Heard], passage: Passage, withheld: Collection[str] = ()
) -> tuple[Suggest, ...]:
    """An event of the session for each event of the passage that was judged.

    At the nodes in `withheld` what was heard is for the log alone.
    """
    nodes = {event.label: event.nodes for event in passage.logged.events}
    return tuple(
        suggestion(one, passage.event(one.label), shown=record_key(nodes[one.label]) not in withheld)
        for one in heard
    )


def suggestion(heard: Heard, event: PlacedEvent, shown: bool = True) -> Suggest:
    """What is suggested of one event."""
    verdict = heard.verdict
    return Suggest(
        heard.label,
        (verdict.mark if event.is_harmonic else verdict.low_mark) if shown else None,
        verdict.word,
        heard.certainty,
        Source.MICROPHONE,
        heard=verdict.shown.format(heard.onset_ms or 0.0) if shown else "",
    )
