"""The queue of cold repetitions: what is due, oldest first, covered by as few repetitions as can tell.

A queue by due date cannot starve anything: what falls due later never goes before what was due earlier. With room for
S seconds a day, the item whose repetitions, with all before it, need n x S seconds comes within n days.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta

from coach.learning.evidence import EXCERPT, MOVE, NODE
from coach.learning.memory import Memory, retention
from coach.learning.plan import PlanItem, Purpose
from coach.learning.repertoire import BETWEEN_TURNS_S, Part, title_of
from coach.learning.standing import Standing, open_assignment, said_of_assignment
from coach.music.excerpt import Excerpt, Kind
from coach.words.names import capital, place_name

LONGEST_COLD = (Kind.PHRASE, Kind.JOIN)


@dataclass(frozen=True)
class ColdRep:
    """One cold repetition and what it tests."""

    excerpt: Excerpt
    tempo_bpm: int
    keys: tuple[str, ...]
    due: date
    seconds: float


def cold_queue(standing: Standing) -> list[ColdRep]:
    """All cold repetitions that are due, the longest due first."""
    parts = [
        standing.top(drill, phrase)
        for drill, phrase in standing.phrases()
        if standing.begun(drill, phrase) and standing.repertoire.parts(drill, phrase)
    ]
    homes: dict[str, Part] = {}
    for drill, phrase in standing.phrases():
        if not standing.begun(drill, phrase):
            continue
        # Tested where it goes fastest: the tempo of its test may be too fast for all layers together.
        for part in sorted(standing.repertoire.parts(drill, phrase), key=_speed(standing), reverse=True):
            for key in part.keys:
                homes.setdefault(key, part)
    wholes = {EXCERPT + part.excerpt.key: part.excerpt for part in parts}
    for drill in standing.repertoire.drills:
        wholes |= {
            EXCERPT + join.key: join
            for join in standing.joins(drill)
            if EXCERPT + join.key in standing.memories
        }
    open_keys = {key for key in (*homes, *wholes) if standing.is_due(key)}
    queue: list[ColdRep] = []
    for key in sorted(open_keys, key=lambda key: (_due(standing, key), key)):
        if key not in open_keys:
            continue
        options = [wholes[key]] if key in wholes else list(_tests_of(key, homes[key]))
        made = [rep for option in options if (rep := _cold_rep(standing, option, key, open_keys))]
        if not made:
            open_keys.discard(key)
            continue
        best = max(made, key=lambda rep: (len(rep.keys) / rep.seconds, rep.excerpt.key))
        queue.append(best)
        open_keys -= set(best.keys)
    return queue


def _speed(standing: Standing) -> Callable[[Part], int]:
    return lambda part: standing.last_rung(part.excerpt)


def _tests_of(key: str, home: Part) -> Iterator[Excerpt]:
    """The excerpts that can test a node or a move: itself alone, moves of it, the whole phrase."""
    subject = key.removeprefix(NODE).removeprefix(MOVE)
    for excerpt in home.shorter:
        itself = excerpt.kind is Kind.NODE and excerpt.subject == subject
        moves = excerpt.kind is Kind.MOVE and subject in (excerpt.subject, *_places(excerpt.subject))
        if itself or moves:
            yield excerpt
    yield home.excerpt


def _places(move: str) -> list[str]:
    return move.replace(">", "+").split("+")


def _cold_rep(standing: Standing, excerpt: Excerpt, key: str, open_keys: set[str]) -> ColdRep | None:
    """The cold repetition that tests `key` by this excerpt, with every other open key that it tests too."""
    own = EXCERPT + excerpt.key
    is_whole = excerpt.kind in LONGEST_COLD
    tempo = standing.reference(excerpt, "" if is_whole else key)
    keys = [*standing.repertoire.keys(excerpt), own]
    tested = tuple(each for each in keys if each in open_keys and standing.tests(each, tempo))
    if key not in tested:
        return None
    seconds = standing.repertoire.rep_s(excerpt, tempo) + BETWEEN_TURNS_S
    return ColdRep(excerpt, tempo, tested, min(_due(standing, each) for each in tested), seconds)


def _due(standing: Standing, key: str) -> date:
    due = standing.memories[key].due
    assert due is not None
    return due


def serve(
    standing: Standing, queue: list[ColdRep], seconds: float
) -> tuple[list[PlanItem], list[PlanItem], float]:
    """Today's cold items within `seconds`, what is left over with its latest day, and the seconds used.

    At least one repetition is served on any day that has room for it. Short excerpts come first, so that a node is met
    at its own reference rung before a phrase brings it along.
    """
    today: list[ColdRep] = []
    left: list[PlanItem] = []
    day, room = 0, seconds
    for rep in queue:
        if rep.seconds > room:
            day, room = day + 1, max(seconds, rep.seconds)
        room -= rep.seconds
        if day == 0:
            today.append(rep)
        else:
            left.append(replace(_item(standing, rep), due=standing.day + timedelta(days=day)))
    today.sort(key=lambda rep: (rep.excerpt.kind in LONGEST_COLD, -rep.tempo_bpm, rep.due, rep.excerpt.key))
    return [_item(standing, rep) for rep in today], left, sum(rep.seconds for rep in today)


def _item(standing: Standing, rep: ColdRep) -> PlanItem:
    whole = EXCERPT + rep.excerpt.key
    lowest = min((standing.memories[key] for key in rep.keys), key=lambda memory: _kept(standing, memory))
    if lowest.cold_run > 0:
        kept = f"about {100 * _kept(standing, lowest):.0f} % of what was clean should still be"
    else:
        kept = "it failed when it was tested last"
    if rep.keys == (whole,):
        tested = title_of(standing.repertoire, rep.excerpt)
    else:
        names = [place_name(key[2:]) for key in rep.keys if key != whole]
        tested = ", ".join(names[:2]) + (f" and {len(names) - 2} more" if len(names) > 2 else "")
    late = (standing.day - rep.due).days
    when = "due today" if late == 0 else "due since yesterday" if late == 1 else f"due for {late} days"
    test = "one repetition at its test tempo, before it is practised today, shows what stayed."
    reason = f"{tested}: {when}; {kept}; {test}"
    drill = standing.repertoire.drill(rep.excerpt.drill)
    assert drill is not None
    reason = said_of_assignment(reason, open_assignment(drill, standing.day), standing.day)
    return PlanItem(Purpose.COLD, rep.seconds / 60, capital(reason), rep.excerpt, 1, rep.tempo_bpm, rep.due)


def _kept(standing: Standing, memory: Memory) -> float:
    return retention(memory, standing.day)
