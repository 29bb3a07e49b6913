"""A part of a drill: one layer of it, or its easier version."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from coach.music.drill import Bar, Drill, Event, Phrase


def drill_part(drill: Drill, layer: str | None = None, easier: bool = False) -> Drill:
    """The drill with one layer alone, and without what the easier version leaves out; phrases and bars stay.

    Its title says so. KeyError where the drill has no such layer.
    """
    if layer is not None and layer not in drill.layers:
        raise KeyError(layer)
    words = ", ".join(word for word in (layer, "easier" if easier else "") if word)
    phrases = tuple(_phrase(phrase, layer, easier) for phrase in drill.phrases)
    return replace(drill, title=f"{drill.title} ({words})", phrases=phrases) if words else drill


def _phrase(phrase: Phrase, layer: str | None, easier: bool) -> Phrase:
    bars = tuple(replace(bar, events=tuple(_events(bar, layer, easier))) for bar in phrase.bars)
    return replace(phrase, bars=bars, layers=tuple(one for one in phrase.layers if layer in (None, one)))


def _events(bar: Bar, layer: str | None, easier: bool) -> Iterator[Event]:
    for event in bar.events:
        notes = event.kept(easier)
        if notes and layer in (None, event.layer):
            yield replace(event, notes=notes)
