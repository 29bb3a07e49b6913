"""The choice of the next turn: the greatest gain, for each second it takes, towards the piece clean, cold, in a week.

    worth = sum V / (1 + (n + 1.5) / MASSED) / (seconds of a repetition and its share of a turn)      (5)

The sum is over the excerpt's events. V = SLOPE (1 - p_goal) is how steeply an event's ln chance at the goal, cold,
`AHEAD` days on, rises with what is learnt, so that the sum is the gradient of ln P(piece); n is how often the
excerpt was played today. Gain per unit of time: Pavlik and Anderson 2008, J. Exp. Psychol. Appl.
14(2):101-117; Eglington and Pavlik 2020, npj Sci. Learn. 5:15 (both of verbal memory).

Whole phrases and pieces are the candidates: shorter parts are relief (`relief.py`), since what is heard only in
parts is not known as a whole. Around the choice stand limits of our own that serve the player, whatever they cost
(`benchmarks/bench_parts.py` measures it): a slow warm-up, a pace for what is begun, no phrase twice running, other
turns between two times through the piece where there are any, what was held at its goal today only in minutes that are
left, three cold tests a day, no phrase without being heard by itself for a week.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum

from coach.ground.frozen import frozen
from coach.learning.learning import KEPT_DAYS, Learnt, Record
from coach.learning.material import TURN_S, Material, Part
from coach.learning.readings import no_faster, rung_of, seen
from coach.learning.rung import EVENTS
from coach.learning.skill import MASSED, SLOPE
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import MIN_BPM

AHEAD = 7
"""Days ahead at which the piece is meant to be clean, cold."""
REPS, PIECE_REPS, WARM_REPS = 4, 1, 2
"""Repetitions of a turn at most."""
ENOUGH = 0.98
"""A phrase with this chance, cold, in a week needs nobody today; nor does a piece whose phrases are all so."""
TESTS_A_DAY = 3
OPEN = (0.5, 0.9)
"""A cold test is worth it where its answer is open."""
WARM_PART = 0.8
BEGUN_A_DAY = 5
"""New phrases of a day, which come first; more only where nothing else needs the time."""
PIECE_APART = 3
"""So many other turns stand between two times through a piece, where there are any."""
PIECES_A_DAY, REPS_A_DAY = 6, 24
"""A piece at its goal tempo is played so often a day at most; a phrase that was held there, in so many repetitions."""
DONE_PART = 0.9
"""The next drill of a series opens where the phrases of the ones before are at so much of their goal, or were there."""
URGENT = 2.0
"""What an open assignment is worth against other drills."""


Bars = tuple[str, tuple[str, ...]]
"""A drill and some of its phrases, in whatever layer and part."""


def bars_of(excerpt: Excerpt) -> Bars:
    return excerpt.drill, excerpt.phrases


class Why(StrEnum):
    """What a turn is for: its sentence is in `reasons.py`, the purpose that is logged in `planner.py`."""

    WARM_UP = "warm-up"
    TEST = "test"
    UNHEARD = "unheard"
    BEGIN = "begin"
    SLOW = "slow"
    PIECE = "piece"
    STEADY = "steady"


@frozen
class Option:
    """One turn that could be next."""

    part: Part
    bpm: int
    worth: float
    """Gain a second."""
    later: float
    """Chance of the whole at the goal, cold, in a week, but for slips; of a long one, of `EVENTS` of its events."""


@frozen
class Choice:
    """What is next: an excerpt, so many repetitions at most, where it starts, and why."""

    option: Option
    reps: int
    bpm: int
    why: Why

    @property
    def seconds(self) -> float:
        return TURN_S + self.reps * self.option.part.rep_s(self.bpm)


@frozen
class Sitting:
    """What enters a choice beside the log: `planner.sitting_of` fills it, `after` is what a turn changes."""

    day: int
    """An ordinal."""
    seconds_left: float
    recent: tuple[Excerpt, ...]
    """Of the day's turns, in order."""
    warm: bool
    """Whether a turn was played today."""
    tests: int
    """Cold tests of the day so far."""
    begun: int
    """Phrases begun today."""
    pace: int
    """Phrases begun a day before all else."""
    left_alone: frozenset[Bars]
    """Left alone for today."""
    urgent: frozenset[str]
    """Drills with an open assignment."""

    def after(self, turn: Choice) -> Sitting:
        """The sitting when the turn is over, as long as it may take."""
        return replace(
            self,
            seconds_left=self.seconds_left - turn.seconds,
            recent=(*self.recent, turn.option.part.excerpt),
            warm=True,
            tests=self.tests + (turn.why is Why.TEST),
            begun=self.begun + (turn.why is Why.BEGIN),
        )


def choose(
    learnt: Learnt, material: Material, sitting: Sitting, known: dict[str, Option] | None = None
) -> Choice | None:
    """The next turn; None where nothing is worth the player's time, or none fits into what is left of it.

    `known` are options by excerpt key that still hold, where several turns of a day are chosen; it is added to.
    """
    known = {} if known is None else known
    fitting = [each for each in options(learnt, material, sitting, known) if _fits(each, sitting)]
    if not fitting:
        return None
    rested = [each for each in fitting if not _too_soon(each, sitting)]
    test = _test(learnt, rested, sitting) if sitting.tests < TESTS_A_DAY else None
    chosen = test or _best(learnt, fitting, sitting)
    warm_up = None if sitting.warm or chosen is None else _warm_up(learnt, fitting, chosen, sitting)
    return warm_up or chosen


def options(learnt: Learnt, material: Material, sitting: Sitting, known: dict[str, Option]) -> list[Option]:
    """Every phrase of the drills, whole, and each piece whose phrases were all begun; each is put into `known`."""

    def at_hand(part: Part, reps: int = REPS) -> Option:
        if part.key not in known:
            known[part.key] = option(learnt, part, sitting, reps)
        return known[part.key]

    offered = []
    fresh = _fresh(learnt, material, sitting, at_hand)
    at_hand_ids = learnt.skills.keys() | {each.drill for each in fresh}
    for drill in (drill for drill in material.drills if drill.id in at_hand_ids):
        parts = material.parts(drill)
        offered += [at_hand(part) for part in parts if part.key in learnt.records or part.excerpt in fresh]
        piece = material.piece(drill) if all(each.key in learnt.records for each in parts) else None
        part = material.part(piece) if piece else None
        if part:
            whole = at_hand(part, PIECE_REPS)
            bpm = no_faster(material, part, lambda each: at_hand(each).bpm)
            offered.append(replace(whole, bpm=bpm))
    return [each for each in offered if bars_of(each.part.excerpt) not in sitting.left_alone]


def _fresh(
    learnt: Learnt, material: Material, sitting: Sitting, at_hand: Callable[[Part], Option]
) -> set[Excerpt]:
    """The next new phrase of each drill that is begun or assigned; of one drill more where these have none left.

    A drill with a grade stays closed until every phrase of those with a grade that are begun is nearly at its goal.
    """
    opened = [drill for drill in material.drills if drill.id in learnt.skills or drill.id in sitting.urgent]
    if new := {excerpt for drill in opened if (excerpt := _next_new(learnt, material, drill))}:
        return new
    closed = not _series_done(learnt, material, at_hand)
    # Looked for one by one: to digest every drill there is takes most of a plan's time.
    others = (_next_new(learnt, material, drill) for drill in material.drills if not (closed and drill.grade))
    return set(itertools.islice(filter(None, others), 1))


def _next_new(learnt: Learnt, material: Material, drill: Drill) -> Excerpt | None:
    return next((part.excerpt for part in material.parts(drill) if part.key not in learnt.records), None)


def _series_done(learnt: Learnt, material: Material, at_hand: Callable[[Part], Option]) -> bool:
    """Whether each phrase of the drills with a grade that are begun was at its goal, or is nearly there."""
    begun = (drill for drill in material.drills if drill.grade and drill.id in learnt.skills)
    return all(
        learnt.records[part.key].landed_at(part.goal_bpm) or at_hand(part).bpm >= DONE_PART * part.goal_bpm
        for drill in begun
        for part in material.parts(drill)
    )


def option(learnt: Learnt, part: Part, sitting: Sitting, reps: int = REPS) -> Option:
    """What a turn on this excerpt would be now, by (5)."""
    record = learnt.records.get(part.key, _NEVER)
    bpm, goal = rung_of(learnt, part, sitting.day), math.log(part.goal_bpm)
    ahead = seen(learnt, part, sitting.day + AHEAD)
    there = ahead.chances(goal)
    gain = SLOPE * sum(1.0 - later for later in there)
    share = min(1.0, EVENTS / max(part.harmonics, 1))
    later_p = (ahead.whole(goal) / (1.0 - ahead.lapse) ** len(there)) ** share
    today = record.today if record.day == sitting.day else 0
    cost = part.rep_s(bpm) + TURN_S / reps
    worth = gain / (1.0 + (today + 1.5) / MASSED) / cost
    urgent = URGENT if part.excerpt.drill in sitting.urgent else 1.0
    return Option(part, bpm, urgent * worth, later_p)


_NEVER = Record()


def _fits(option: Option, sitting: Sitting) -> bool:
    return option.part.rep_s(option.bpm) + TURN_S <= sitting.seconds_left


def _turn(option: Option, reps: int, bpm: int, why: Why, sitting: Sitting) -> Choice:
    fitting = int((sitting.seconds_left - TURN_S) // option.part.rep_s(bpm))
    return Choice(option, max(1, min(reps, fitting)), bpm, why)


def _warm_up(learnt: Learnt, offered: list[Option], first: Choice, sitting: Sitting) -> Choice | None:
    """The surest phrase that is begun and does not come first, well under its rung."""
    begun = [
        each for each in offered if each.part.excerpt.kind is Kind.PHRASE and each.part.key in learnt.records
    ]
    begun = [each for each in begun if each.part.excerpt != first.option.part.excerpt]
    if not begun:
        return None
    surest = max(begun, key=lambda each: (each.later, each.part.key))
    slow = max(MIN_BPM, round(WARM_PART * surest.bpm))
    return _turn(surest, WARM_REPS, slow, Why.WARM_UP, sitting)


def _test(learnt: Learnt, offered: list[Option], sitting: Sitting) -> Choice | None:
    """Once at the goal, cold, what landed and was left alone for a week: the answer that is most open."""
    waiting = []
    for each in offered:
        record = learnt.records.get(each.part.key)
        if (
            record
            and record.landed_at(each.part.goal_bpm)
            and not record.kept_at(each.part.goal_bpm)
            and heard(learnt, each.part) <= sitting.day - KEPT_DAYS
        ):
            chance = seen(learnt, each.part, sitting.day).whole(math.log(each.part.goal_bpm))
            if OPEN[0] <= chance <= OPEN[1]:
                waiting.append((abs(chance - sum(OPEN) / 2), each.part.key, each))
    if not waiting:
        return None
    chosen = min(waiting, key=lambda item: item[:2])[2]
    return _turn(chosen, 1, chosen.part.goal_bpm, Why.TEST, sitting)


def heard(learnt: Learnt, part: Part) -> int:
    """The day on which all of an excerpt was last played, by itself or within a longer one."""
    skill = learnt.skills.get(part.excerpt.drill)
    return min((row[3].day for row in skill.rows(part.keys)), default=0) if skill else 0


def _best(learnt: Learnt, offered: list[Option], sitting: Sitting) -> Choice | None:
    """The best of what is due and was not just played; of what was, only where nothing else is due.

    What was held at its goal today comes again last, in minutes that are left.
    """
    begun = [each for each in offered if each.part.key in learnt.records]
    fresh = [each for each in offered if each.part.key not in learnt.records]
    needed = [each for each in begun if _needed(learnt, each, sitting)]
    due = [
        [each for each in begun if unheard(learnt, each.part, sitting.day)],
        fresh if sitting.begun < sitting.pace else [],
        [each for each in needed if not _held(learnt, each, sitting)],
    ]
    again = [each for each in needed if learnt.records[each.part.key].today < REPS_A_DAY]
    in_order = [*_rested(due, sitting), *due, *_rested([fresh, again], sitting), fresh]
    group = next(filter(None, in_order), None)
    if group is None:
        return None
    best = max(group, key=lambda each: (unheard(learnt, each.part, sitting.day), each.worth, each.part.key))
    why = _why(learnt, best, sitting)
    once = best.part.excerpt.kind is Kind.PIECE or (why is Why.UNHEARD and best.later >= ENOUGH)
    return _turn(best, 1 if once else REPS, best.bpm, why, sitting)


def _rested(groups: list[list[Option]], sitting: Sitting) -> list[list[Option]]:
    return [[each for each in group if not _too_soon(each, sitting)] for group in groups]


def _too_soon(option: Option, sitting: Sitting) -> bool:
    """Whether it was just played, in whatever layer or part; a piece also a few turns ago."""
    excerpt = option.part.excerpt
    recent = sitting.recent[-(PIECE_APART if excerpt.kind is Kind.PIECE else 1) :]
    return bars_of(excerpt) in map(bars_of, recent)


def unheard(learnt: Learnt, part: Part, day: int) -> int:
    """The days since a phrase was played by itself, from a week on; in a slower piece it shows little of its goal."""
    record = learnt.records.get(part.key)
    if record is None or part.excerpt.kind is not Kind.PHRASE:
        return 0
    days = day - (record.day or heard(learnt, part))
    return days if days >= KEPT_DAYS else 0


def _needed(learnt: Learnt, option: Option, sitting: Sitting) -> bool:
    """Whether a turn on what was begun could be worth it today: on what never landed, or is not safe.

    A piece that is at its goal and was played often is over for today.
    """
    record, goal_bpm = learnt.records[option.part.key], option.part.goal_bpm
    played_often = record.day == sitting.day and record.today >= PIECES_A_DAY and option.bpm >= goal_bpm
    if played_often and option.part.excerpt.kind is Kind.PIECE:
        return False
    return not record.landed_at(goal_bpm) or option.later < ENOUGH


def _held(learnt: Learnt, option: Option, sitting: Sitting) -> bool:
    """Whether it was held at its goal today, and is still there."""
    goal_bpm = option.part.goal_bpm
    return option.bpm >= goal_bpm and learnt.records[option.part.key].landed_at(goal_bpm) == sitting.day


def _why(learnt: Learnt, option: Option, sitting: Sitting) -> Why:
    if option.part.key not in learnt.records:
        return Why.BEGIN
    if unheard(learnt, option.part, sitting.day):
        return Why.UNHEARD
    if option.part.excerpt.kind is Kind.PIECE:
        return Why.PIECE
    held = learnt.records[option.part.key].landed_at(option.part.goal_bpm) > 0
    return Why.STEADY if held and option.bpm >= option.part.goal_bpm else Why.SLOW
