"""Which turns the minutes go to: a greedy choice among candidates, spaced and interleaved.

Suiting repetitions lower what the next ones on the same nodes and moves are worth today, and a turn right after one
on the same phrase is worth less, still less on the same excerpt: so turns come back spaced and interleaved. The first
turn on an excerpt is the longest (a short blocked start). New material comes first, unless more than half of the
phrases begun failed their last cold test; each layer of a new phrase has its turn, then all together the same day. What
has waited longest goes before (`WAITED_DAYS`), so that nothing begun is lost. An open assignment has its share of the
minutes (`assigned_share`) at every point of the plan, so that a session cut short has kept it too.

What each candidate is worth, and where its tempo comes from, stands in `candidates.py`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coach.learning.candidates import SOON_DAYS, Candidate, candidates, first_together, unmet_layers
from coach.learning.evidence import MOVE, NODE
from coach.learning.ladder import PROBES
from coach.learning.plan import PlanItem, Purpose
from coach.learning.repertoire import BETWEEN_TURNS_S
from coach.learning.standing import Standing, open_assignment, said_of_assignment
from coach.music.drill import Drill, Phrase
from coach.music.excerpt import Excerpt, Kind
from coach.words.names import place_name

FIRST_REPS = 8
LATER_REPS = 6
WEAK_REPS = 4
"""Of a weak spot: a few of it alone, then its phrase again."""
PLAIN_REPS = 3
"""Of a layer without any node, once a day: its notes are the ground for the others, and rarely what is hard."""
MOST_TURNS = 8
"""On one excerpt in one day; on a join one, since the piece waits for its slowest phrase first."""


def assigned_share(standing: Standing) -> float:
    """Part of the working minutes that belongs to open assignments: half, two thirds when one falls due in a week."""
    given = [found for drill in standing.repertoire.drills if (found := open_assignment(drill, standing.day))]
    soon = any(each.due and (each.due - standing.day).days <= SOON_DAYS for each in given)
    return 2 / 3 if soon else 1 / 2 if given else 0.0


@dataclass(slots=True)
class Spent:
    """Seconds of work planned so far today: all, and on open assignments."""

    all_s: float = 0.0
    assigned_s: float = 0.0

    def keeps(self, share: float, seconds: float) -> bool:
        """Whether so many seconds on something else leave the assignments their share."""
        return self.assigned_s >= share * (self.all_s + seconds) - 1e-9

    def add(self, seconds: float, assigned: bool) -> None:
        self.all_s += seconds
        self.assigned_s += seconds if assigned else 0.0


def turns(
    standing: Standing,
    new: Sequence[tuple[Drill, Phrase]],
    seconds: float,
    new_first: bool = True,
    spent: Spent | None = None,
    *,
    tries: bool = True,
) -> list[PlanItem]:
    """Turns that fill the seconds: with `new_first` the layers of `new` phrases, then what is worth most.

    `spent` is what else is planned; it counts towards the share of an assignment. Without `tries` no turn begins above
    its rung.
    """
    pool = [*candidates(standing, new, new_first)]
    for each in pool if not tries else ():
        each.probe_bpm = 0
    unmet = {place: {part.excerpt for part in parts} for place, parts in unmet_layers(standing, new)}
    share, spent = assigned_share(standing), spent or Spent()
    items: list[PlanItem] = []
    last: Excerpt | None = None
    done: dict[str, float] = {}
    while True:
        fitting = [(each, reps) for each in pool if (reps := _reps(each, seconds))]
        if not fitting:
            return items
        kept = [
            (each, reps) for each, reps in fitting if each.assigned or spent.keeps(share, _used_s(each, reps))
        ]
        if not kept and any(each.assigned and _reps(each, math.inf) for each in pool):
            return items  # what little is left fits no turn on the assignment, and belongs to it
        candidate, reps = max(kept or fitting, key=lambda pair: pair[0].worth_now(done, last))
        used = _used_s(candidate, reps)
        seconds -= used
        spent.add(used, candidate.assigned)
        if reps <= PROBES:
            candidate.probe_bpm = 0  # else a turn could be nothing but failed tries
        reason = _reason(standing, candidate)
        purpose = Purpose.BUILD if candidate.turns and candidate.purpose is Purpose.NEW else candidate.purpose
        items.append(
            PlanItem(
                purpose,
                used / 60,
                reason[:1].upper() + reason[1:],
                candidate.excerpt,
                reps,
                candidate.tempo_bpm,
                probe_bpm=candidate.probe_bpm,
            )
        )
        candidate.turns += 1
        for key, _, suit in candidate.needs:
            done[key] = done.get(key, 0) + reps * suit
        last = candidate.excerpt
        for place, layers in [*unmet.items()]:
            layers.discard(candidate.excerpt)
            if not layers:
                del unmet[place]
                pool.append(first_together(standing, *place))


def _used_s(candidate: Candidate, reps: int) -> float:
    return reps * candidate.rep_s + BETWEEN_TURNS_S


def _reps(candidate: Candidate, seconds: float) -> int:
    """Repetitions of the candidate's next turn that fit; 0 where fewer than two do."""
    once = candidate.plain or candidate.excerpt.kind is Kind.JOIN
    if candidate.turns >= (1 if once else MOST_TURNS):
        return 0
    if candidate.plain or candidate.share:
        wanted = PLAIN_REPS if candidate.plain else WEAK_REPS
    else:
        wanted = FIRST_REPS if candidate.turns == 0 else LATER_REPS
    reps = int(min(wanted, (seconds - BETWEEN_TURNS_S) // candidate.rep_s))
    return reps if reps >= 2 else 0


ORDINALS = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")


def _reason(standing: Standing, candidate: Candidate) -> str:
    drill = standing.repertoire.drill(candidate.excerpt.drill)
    assert drill is not None
    given = open_assignment(drill, standing.day)
    if not candidate.turns:
        reason = f"{candidate.title}: {_purpose(candidate)}"
    else:
        reason = f"{candidate.title}, {ORDINALS[candidate.turns]} turn: {_purpose_again(candidate, drill)}"
    if candidate.probe_bpm:
        when = " if the rung is still under it" if candidate.turns else ", where its notes should go by now"
        reason = f"{reason.removesuffix('.')}; first try {candidate.probe_bpm}{when}."
    return said_of_assignment(reason, given, standing.day)


def _purpose(candidate: Candidate) -> str:
    """Why the excerpt is practised, with the weak spot in it where there is one."""
    return f"{_failed(candidate)}." if candidate.share else candidate.reason


def _purpose_again(candidate: Candidate, drill: Drill) -> str:
    """Why it comes back the same day."""
    if candidate.share:
        return f"{_failed(candidate)}."
    if candidate.purpose is Purpose.NEW:
        return "what was new today is met again before it fades."
    if candidate.tempo_bpm >= drill.goal_bpm:
        return "the goal tempo must hold after a pause too."
    if candidate.turns == 1:
        return f"from where the last one ended, towards {drill.goal_bpm} bpm."
    return "a little several times stays longer than all at once."


def _failed(candidate: Candidate) -> str:
    key, excerpt = candidate.weakest, candidate.excerpt
    itself = key in (NODE + excerpt.subject, MOVE + excerpt.subject)
    what = "" if itself else f"{place_name(key[2:])} "
    word = "choked" if key.startswith(NODE) else "failed"
    times = min(10, max(1, round(10 * candidate.share)))
    return f"{what}{word} about {times} times in 10 lately, at {candidate.upto_bpm} bpm or slower"
