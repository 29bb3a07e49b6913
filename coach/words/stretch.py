"""What is to be played as players and files name it: `window`, a run `window..gate`, a join `window+gate`, the `piece`.

A node is named with the phrase that it is in: `3.2 on D2 in window`.
"""

from __future__ import annotations

from dataclasses import replace

from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, layer_choices, whole_phrase, whole_piece
from coach.music.passages import passage_of
from coach.words.names import place_name

PIECE = "piece"
FROM_TO, JOINED, INSIDE = "..", "+", " in "


def run_of(drill: Drill, first: int, last: int, layer: str = TOGETHER) -> Excerpt:
    """The phrases of the piece's order from one place to another, both included and counted from 0."""
    phrases = drill.played[first : last + 1]
    if len(phrases) == 1:
        return Excerpt(drill.id, phrases, layer)
    if len(phrases) == len(drill.played):
        return whole_piece(drill, layer)
    return Excerpt(drill.id, phrases, layer, Kind.SECTION)


def excerpt_at(drill: Drill, text: str) -> Excerpt:
    """The excerpt that a text names, in all its layers; KeyError with the part that is not there."""
    if phrase := drill.phrase_named(text):
        return whole_phrase(drill, phrase)
    order = drill.played
    if text == PIECE:
        return _in_all_layers(drill, run_of(drill, 0, len(order) - 1))
    for sign in (FROM_TO, JOINED):
        first, found, last = text.partition(sign)
        if found:
            ends = [_known(drill, name.strip()) for name in (first, last)]
            start, stop = _places(order, ends[0], ends[1], text, next_only=sign == JOINED)
            join = Excerpt(drill.id, (ends[0], ends[1]), TOGETHER, Kind.JOIN)
            return _in_all_layers(drill, join if sign == JOINED else run_of(drill, start, stop))
    return _node_at(drill, text)


def _node_at(drill: Drill, text: str) -> Excerpt:
    """A node of a phrase; without one, of the first that has it."""
    name, _, phrase = text.partition(INSIDE)
    phrases = [drill.phrase(_known(drill, phrase.strip()))] if phrase else drill.phrases
    for whole in (whole_phrase(drill, phrase) for phrase in phrases):
        for key in passage_of(drill, whole).node_keys:
            if place_name(key) == name.strip():
                return replace(whole, kind=Kind.NODE, subject=key)
    raise KeyError(text)


def place_text(drill: Drill, excerpt: Excerpt) -> str:
    """The inverse of `excerpt_at`; empty for a half of a phrase and for a move, which have no such name."""
    match excerpt.kind:
        case Kind.PHRASE:
            return excerpt.phrases[0]
        case Kind.JOIN:
            return JOINED.join(excerpt.phrases)
        case Kind.SECTION:
            return f"{excerpt.phrases[0]}{FROM_TO}{excerpt.phrases[-1]}"
        case Kind.PIECE:
            return PIECE
        case Kind.NODE:
            return f"{place_name(excerpt.subject)}{INSIDE}{excerpt.phrases[0]}"
    return ""


def layers_at(drill: Drill, excerpt: Excerpt) -> tuple[str, ...]:
    """What an excerpt can be played as."""
    if len(excerpt.phrases) == 1:
        return layer_choices(drill.phrase(excerpt.phrases[0]))
    return drill.layers if len(drill.layers) < 2 else (*drill.layers, TOGETHER)


def _known(drill: Drill, name: str) -> str:
    if phrase := drill.phrase_named(name):
        return phrase.id
    raise KeyError(name)


def _places(order: tuple[str, ...], first: str, last: str, text: str, next_only: bool) -> tuple[int, int]:
    """The first places in the piece at which `last` comes after `first`, or right after it."""
    for start, phrase in enumerate(order):
        if phrase == first:
            for stop in range(start + 1, min(len(order), start + 2 if next_only else len(order))):
                if order[stop] == last:
                    return start, stop
    raise KeyError(text)


def _in_all_layers(drill: Drill, excerpt: Excerpt) -> Excerpt:
    return replace(excerpt, layer=layers_at(drill, excerpt)[-1])
