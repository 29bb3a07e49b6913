"""What text tab and page say beside the notes: repeat signs or the order in words, tempo, what the signs of tab mean.

Conventions: a stretch is the indices of its first and last phrase as printed, and how often it is played.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import groupby

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.music.drill import Bar, Drill, Note


@frozen
class Stretch:
    """Phrases that follow each other on the page and are played so many times."""

    first: int
    last: int
    times: int


def stretches(drill: Drill) -> tuple[Stretch, ...]:
    """The printed phrases from first to last as repeat signs can play them; empty where they can't say the order."""
    ids = [phrase.id for phrase in drill.phrases]
    order = list(drill.played)
    done: list[Stretch] = []
    first = at = 0
    while first < len(ids):
        step = _stretch(ids, order, first, at)
        if step is None:
            return ()
        done.append(step)
        at += (step.last - step.first + 1) * step.times
        first = step.last + 1
    return tuple(done) if at == len(order) else ()


def _stretch(ids: Sequence[str], order: Sequence[str], first: int, at: int) -> Stretch | None:
    """The shortest stretch from a phrase on that is repeated where the order stands, else that phrase alone."""
    for length in range(1, len(ids) - first + 1):
        group = ids[first : first + length]
        if order[at : at + length] != group:
            break
        times = 1
        while order[at + times * length : at + (times + 1) * length] == group:
            times += 1
        if times > 1:
            return Stretch(first, first + length - 1, times)
    return Stretch(first, first, 1) if order[at : at + 1] == [ids[first]] else None


def order_text(drill: Drill) -> str:
    """The order of a piece in words: `Ladle x2, Mould, Cooling`; empty where each phrase is played once as printed."""
    if list(drill.order) in ([], [phrase.id for phrase in drill.phrases]):
        return ""
    names = {phrase.id: plain_text(phrase.name) for phrase in drill.phrases}
    if signs := stretches(drill):
        groups = [
            ([names[one.id] for one in drill.phrases[sign.first : sign.last + 1]], sign.times)
            for sign in signs
        ]
    else:
        groups = [([names[name]], len(list(same))) for name, same in groupby(drill.order)]
    return ", ".join(_times(group, times) for group, times in groups)


def tempo_text(bar: Bar, before: Bar | None) -> str:
    """A bar's tempo against the drill's where it is another than before: `85 %`, `100 to 85 %`."""
    start, stop = (f"{float(one * 100):g}" for one in (bar.start_ratio, bar.stop_ratio))
    if start != stop:
        return f"{start} to {stop} %"
    return f"{start} %" if bar.start_ratio != (before.stop_ratio if before else 1) else ""


def heading(number: int, bar: Bar, before: Bar | None) -> list[str]:
    """What stands over a bar: its number, its meter and its tempo where they are others than in the bar before it.

    A colon keeps the number from being read with the meter.
    """
    meter = str(bar.meter) if before is None or bar.meter != before.meter else ""
    others = [text for text in (meter, tempo_text(bar, before)) if text]
    return [f"{number}:" if others else str(number), *others]


def _times(group: Sequence[str], times: int) -> str:
    shown = ", ".join(group) if times == 1 or len(group) == 1 else f"({', '.join(group)})"
    return f"{shown} x{times}" if times > 1 else shown


@frozen
class Sign:
    """A sign as text tab writes it, what it means, and which notes have it."""

    text: str
    meaning: str
    has: Callable[[Note], object]
    is_finger: bool = False
    """Whether it stands at the note and not on the string's line."""


LEFT_OUT = Sign("?", "may be left out", lambda note: note.droppable)
SIGNS = (
    Sign("<7>", "natural harmonic, touched at 7", lambda note: note.is_natural),
    Sign("5<17>", "artificial harmonic, stopped at 5, touched at 17", lambda note: note.is_artificial),
    Sign("0", "open string", lambda note: note.fret == 0),
    LEFT_OUT,
    Sign("1 2 3 4 T", "fingers of the fretting hand", lambda note: note.fretting_finger, is_finger=True),
    Sign("1-4", "stops with 1, touches with 4", lambda note: note.touching_finger, is_finger=True),
    Sign("p i m a c", "fingers of the plucking hand", lambda note: note.plucking_finger, is_finger=True),
    Sign("t", "the plucking hand touches the node", lambda note: note.plucking_hand_touch, is_finger=True),
)


def signs_of(drill: Drill) -> Iterator[Sign]:
    """Those that some note of the drill has."""
    notes = list(drill.notes)
    return (sign for sign in SIGNS if any(sign.has(note) for note in notes))
