"""What to practise instead where an excerpt stays choked: the mildest change that it has, then the next.

Three failures in a row end nothing. First comes half of it, then its easier version, one layer alone, the one move or
node that failed, and a much slower rung; leaving it for today is the last. After `CLEAN_TO_RETURN` clean repetitions
the whole comes back: what is only practised in parts is not known as a whole.
Duke, Simmons and Cash 2009, J. Res. Music Educ.
56(4):310-321: the share of trials that were correct told retention (r = -.71 with rank, 1 the best), wrong trials hurt.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.material import Material
from coach.music.drill import TOGETHER
from coach.music.excerpt import Excerpt, Kind, Passage

FAILS_IN_ROW = 3
CLEAN_TO_RETURN = 2
SLOWER = 0.6


class Release(StrEnum):
    """What changes, the mildest first."""

    PHRASE = "the phrase where it broke"
    HALF = "half of it"
    EASIER = "fewer notes"
    LAYER = "one layer"
    PLACE = "the place that failed"
    SLOWER = "much slower"
    LEAVE = "leave it for today"
    BACK = "the whole again"


@frozen
class Relief:
    """A change and the excerpt that it leads to; None where the excerpt stays and its tempo falls, or the turn ends."""

    release: Release
    excerpt: Excerpt | None = None


def reliefs(material: Material, excerpt: Excerpt, failed: Collection[int]) -> tuple[Relief, ...]:
    """All changes that an excerpt has, in order; `failed` are the labels of its events that failed lately."""
    part = material.part(excerpt)
    if part is None:
        return (Relief(Release.LEAVE),)
    shorter = _shorter(material, excerpt, part.passage, sorted(failed))
    easier = [each for each in shorter if _differs(material, part.passage, each)]
    return (*easier, Relief(Release.SLOWER), Relief(Release.LEAVE))


def _differs(material: Material, whole: Passage, relief: Relief) -> bool:
    part = material.part(relief.excerpt) if relief.excerpt else None
    return part is not None and part.passage.logged.events != whole.logged.events


def _shorter(material: Material, excerpt: Excerpt, whole: Passage, failed: list[int]) -> Iterator[Relief]:
    if len(excerpt.phrases) > 1 and failed:
        phrase = whole.bars[whole.event(failed[0]).bar].phrase
        yield Relief(Release.PHRASE, replace(excerpt, phrases=(phrase,), kind=Kind.PHRASE))
    if excerpt.kind is Kind.PHRASE:
        halves = [replace(excerpt, kind=Kind.HALF, subject=half) for half in ("1", "2")]
        parts = [part for each in halves if (part := material.part(each))]
        if len(parts) == 2:
            first = len(parts[0].passage.events)
            late = sum(label > first for label in failed) * 2 > len(failed)
            yield Relief(Release.HALF, halves[late])
    if not excerpt.easier and any(
        placed.note.droppable for label in failed for placed in whole.event(label).notes
    ):
        yield Relief(Release.EASIER, replace(excerpt, easier=True))
    if (
        excerpt.layer == TOGETHER
        and failed
        and excerpt.kind in (Kind.PHRASE, Kind.JOIN, Kind.SECTION, Kind.PIECE)
    ):
        layer = whole.event(failed[0]).layer
        if not _open_only(whole, layer):
            yield Relief(Release.LAYER, replace(excerpt, layer=layer))
    if len(excerpt.phrases) == 1 and excerpt.kind in (Kind.PHRASE, Kind.HALF):
        for label in failed:
            event = whole.event(label)
            kind, subject = (Kind.MOVE, event.move) if event.move else (Kind.NODE, event.place.split("+")[0])
            if subject:
                yield Relief(Release.PLACE, replace(excerpt, layer=event.layer, kind=kind, subject=subject))
                return


def _open_only(whole: Passage, layer: str) -> bool:
    """Whether a layer has open strings alone: there is nothing to practise in it by itself."""
    notes = [placed.note for event in whole.events if event.layer == layer for placed in event.notes]
    return all(note.node is None and not note.fret for note in notes)
