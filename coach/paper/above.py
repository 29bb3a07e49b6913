"""The words above a line of music: the names and cues of phrases, and over each bar its tempo, count and cue.

Conventions: bars are counted from 0 through the drill; widths are mm, one for each bar of the line.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill
from coach.paper.sheet import Above
from coach.score.notated import DYNAMICS
from coach.score.played import Stretch, stretches, tempo_text


def bar_words(drill: Drill) -> list[tuple[str, str, str]]:
    """For each bar what stands bold, plain and italic above it."""
    bars = [bar for phrase in drill.phrases for bar in phrase.bars]
    return [_words(bar, before) for before, bar in zip([None, *bars], bars, strict=False)]


def _words(bar: Bar, before: Bar | None) -> tuple[str, str, str]:
    counting = bar.meter.counting if before is None or bar.meter != before.meter else ""
    count = f"in {counting}" if counting else ""
    bold = ", ".join(word for word in (count, tempo_text(bar, before)) if word)
    dynamics = plain_text(bar.dynamics) if bar.dynamics not in DYNAMICS else ""
    return bold, dynamics, plain_text(bar.cue)


def phrase_names(drill: Drill, first: int, widths: Sequence[float]) -> Iterator[Above]:
    """The names of the phrases that begin on a line, each over its bars there; `first` is the line's first bar."""
    owners = [index for index, phrase in enumerate(drill.phrases) for _ in phrase.bars]
    signs = stretches(drill)
    at = 0
    for index, group in groupby(owners[first : first + len(widths)]):
        count = len(list(group))
        phrase = drill.phrases[index]
        begins = first + at == owners.index(index)
        wide = sum(widths[at : at + count])
        at += count
        if begins:
            yield Above(wide, plain_text(phrase.name), _times(drill, signs, index), plain_text(phrase.cue))
        else:
            yield Above(wide)


def _times(drill: Drill, signs: Sequence[Stretch], index: int) -> str:
    """How often a phrase is played with repeat signs around it, said where they close."""
    for sign in signs:
        if sign.times > 1 and sign.last == index:
            since = f"from {plain_text(drill.phrases[sign.first].name)} " if sign.first < index else ""
            return f"({since}x{sign.times})"
    return ""
