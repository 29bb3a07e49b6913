"""What to practise instead where an excerpt stays choked: the releases that a ladder asks for, in a drill."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from coach.learning.ladder import Release
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, Passage, passage_of


def releases_for(drill: Drill, excerpt: Excerpt, failed: Collection[int] = ()) -> tuple[Release, ...]:
    """The releases that this excerpt has, the mildest first; leaving it for today is always one.

    `failed` are the labels of the events that failed lately, where they are known: see `released`.
    """
    return tuple(
        release
        for release in Release
        if release is Release.LEAVE or released(drill, excerpt, release, failed)
    )


def released(
    drill: Drill, excerpt: Excerpt, release: Release, failed: Collection[int] = ()
) -> Excerpt | None:
    """What to practise instead under a release; None where the excerpt has no such release.

    Fewer layers: the layer with the most nodes (they are what chokes), else the first. Easier: where it leaves out
    something of an event that failed. Half: the half with more of what failed, then with more nodes.
    """
    if release is Release.FEWER_LAYERS and excerpt.layer == TOGETHER:
        alone = [replace(excerpt, layer=layer) for layer in drill.layers]
        nodes = {each: len(passage.node_keys) for each in alone if (passage := _passage(drill, each))}
        return max(nodes, key=lambda each: nodes[each], default=None)
    if release is Release.EASIER and not excerpt.easier:
        full, easier = _passage(drill, excerpt), _passage(drill, replace(excerpt, easier=True))
        helps = not failed or (full and any(_droppable(full, label) for label in failed))
        if helps and full and easier and easier.logged.events != full.logged.events:
            return replace(excerpt, easier=True)
    if release is Release.HALF and excerpt.kind is Kind.PHRASE:
        whole = _passage(drill, excerpt)
        if whole is None or len(whole.events) < 4:
            return None
        halves = [replace(excerpt, kind=Kind.HALF, subject=half) for half in ("1", "2")]
        played = [passage for each in halves if (passage := _passage(drill, each))]
        if len(played) < 2:
            return None
        first = len(played[0].events)
        early = sum(label <= first for label in failed)
        counts = (early, len(failed) - early)
        best = max((0, 1), key=lambda at: (counts[at], len(played[at].node_keys)))
        return halves[best]
    return None


def _droppable(passage: Passage, label: int) -> bool:
    return label <= len(passage.events) and any(
        placed.note.droppable for placed in passage.event(label).notes
    )


def _passage(drill: Drill, excerpt: Excerpt) -> Passage | None:
    """What the excerpt plays; None where the drill has no such excerpt or it is empty."""
    try:
        passage = passage_of(drill, excerpt)
    except KeyError:
        return None
    return passage if passage.events else None
