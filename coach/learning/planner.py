"""The plan: the choice played ahead over the day's minutes, each turn as if it went as expected, and what to tell.

The same log, drills and day give the same plan to the digit. Its minutes and days below are our own choice.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import field, replace
from datetime import date, timedelta

from coach.ground.frozen import frozen
from coach.ground.plain import counted, listed, plain_text
from coach.learning.choice import BEGUN_A_DAY, Bars, Choice, Option, Sitting, Why, choose, unheard
from coach.learning.learning import Learnt
from coach.learning.material import RATING_S, Material, material_of
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.reasons import reason
from coach.log.log import Log
from coach.music.drill import Assignment, Drill
from coach.words.amounts import duration, short_day, weekday
from coach.words.names import assignment_text

TUNE_MIN = 1.0
BREAK_EVERY_MIN, BREAK_FROM_MIN, BREAK_MIN = 30.0, 25.0, 5.0
FREE_S = 60.0
"""Unused seconds of a plan from which it says why."""
DAY_S = 86_400.0
HURT_DAYS = 3
"""Days after one that hurt on which the plan is half as long."""
ABOVE_HABIT, ABOVE_HABIT_MIN, NO_LOAD_MIN = 1.75, 15.0, 30.0
"""Today's minutes are far above the habit from this factor and this difference on, and above this anyway."""
PAST_DUE_DAYS = 14
"""How long after its due date an assignment is still spoken of."""
WEEKS_BACK_DAYS = 28
_PURPOSE = {
    Why.WARM_UP: Purpose.WARM_UP,
    Why.TEST: Purpose.COLD,
    Why.UNHEARD: Purpose.CLIMB,
    Why.BEGIN: Purpose.BEGIN,
    Why.SLOW: Purpose.CLIMB,
    Why.PIECE: Purpose.PIECE,
    Why.STEADY: Purpose.AT_GOAL,
}


@frozen
class History:
    """What the plan needs of the past beside what was learnt."""

    minutes: Mapping[date, float] = field(default_factory=dict)
    """Minutes practised on recent days, today's earlier sessions included."""
    hurt_days: frozenset[date] = frozenset()
    """Days on which a session was ended because something hurt."""
    begun: int = 0
    """New phrases of today's earlier sessions."""


def history_of(log: Log, learnt: Learnt, day: date) -> History:
    """What the planner needs of the four weeks up to a day."""
    hurt = frozenset(entry.day for entry in log.entries("hurt"))
    since = (day - timedelta(days=WEEKS_BACK_DAYS)).toordinal()
    minutes = {
        date.fromordinal(number): (duration_ms / 1000 + reps * RATING_S) / 60
        for number, (reps, duration_ms) in learnt.days.items()
        if since <= number
    }
    # Looking for a day's repetitions goes through the whole log: not where there are none yet.
    reps = log.reps(day, day) if day.toordinal() in learnt.days else []
    begun = {rep.excerpt for rep in reps if rep.purpose == Purpose.BEGIN}
    return History(minutes, hurt, len(begun & learnt.records.keys()))


def drills_taken_up(log: Log) -> dict[str, bool]:
    """Ids of the drills that the player has taken up (true) or set aside (false), the latest word of each."""
    return {
        str(entry.body.get("drill", "")): entry.kind == "take-up"
        for entry in log.entries()
        if entry.kind in ("set-aside", "take-up")
    }


def make_plan(
    day: date,
    minutes: float,
    drills: Sequence[Drill],
    learnt: Learnt,
    history: History | None = None,
    material: Material | None = None,
    pace: int = BEGUN_A_DAY,
) -> Plan:
    """The plan for a practice day, over drills in the order in which new ones are to be met.

    `material` may be given where many plans are made for the same drills; `pace` is how many phrases a day
    may begin.
    """
    history = history or History()
    pace = max(pace - history.begun, 0)
    digest = material or material_of(drills)
    hurt = _hurt(day, minutes, history)
    planned = minutes / 2 if hurt else minutes
    notes = [*hurt, *assignment_notes(drills, day), *_habit(day, planned, history)]
    practised = history.minutes.get(day, 0.0)
    if practised > 0:
        notes.append("You have practised today already: this plan goes on from there.")
    breaks = max(0, math.ceil((planned - 35) / 35))
    tune = "Tune first: on a flat string every node rings flat."
    items = [] if practised > 0 else [PlanItem(Purpose.TUNE, min(TUNE_MIN, planned / 10), tune)]
    seconds = 60 * (planned - breaks * BREAK_MIN - sum(item.minutes for item in items))
    ahead = played_ahead(learnt, digest, sitting_of(learnt, digest, day, seconds, pace))
    items += ahead.items
    notes += _unheard(learnt, digest, day, ahead.items)
    notes += _unused(ahead, planned, bool(drills))
    return Plan(
        day,
        planned,
        tuple(with_breaks(items, breaks)),
        tuple(notes),
        frozenset(drill.id for drill in drills),
        pace,
    )


def sitting_of(
    learnt: Learnt,
    material: Material,
    day: date,
    seconds: float,
    pace: int,
    done: Sequence[PlanItem] = (),
    left_alone: frozenset[Bars] = frozenset(),
) -> Sitting:
    """What a choice must know after these items of a session, none at its start; `left_alone` is what is for today.

    A phrase counts as begun once it was rated; one that was broken off does not.
    """
    today = day.toordinal()
    played = [(item.purpose, item.excerpt) for item in done if item.excerpt]
    return Sitting(
        day=today,
        seconds_left=seconds,
        recent=tuple(excerpt for _, excerpt in played),
        warm=bool(played) or today in learnt.days,
        tests=sum(purpose is Purpose.COLD for purpose, _ in played),
        begun=len(
            {each for purpose, each in played if purpose is Purpose.BEGIN and each.key in learnt.records}
        ),
        pace=pace,
        left_alone=left_alone,
        urgent=frozenset(drill.id for drill in material.drills if open_assignment(drill, day)),
    )


@frozen
class Ahead:
    """Items of turns that are to come, the seconds that they leave, and whether another turn is needed in them."""

    items: list[PlanItem]
    seconds_left: float
    wanting: bool


def played_ahead(learnt: Learnt, material: Material, sitting: Sitting) -> Ahead:
    """The turns that are chosen one after another, each as if it went as expected."""
    expected, items = learnt.copy(), []
    known: dict[str, Option] = {}
    while (turn := choose(expected, material, sitting, known)) is not None:
        items.append(item_of(expected, turn, date.fromordinal(sitting.day)))
        if turn.why is not Why.WARM_UP:
            expected.expect(turn.option.part, turn.reps, sitting.day, turn.bpm)
            # What it taught is of its phrases alone.
            known = {key: each for key, each in known.items() if not _overlap(each, turn.option)}
        sitting = sitting.after(turn)
    wanting = choose(expected, material, replace(sitting, seconds_left=DAY_S), known) is not None
    return Ahead(items, sitting.seconds_left, wanting)


def _overlap(option: Option, other: Option) -> bool:
    """Whether they share a phrase."""
    one, two = option.part.excerpt, other.part.excerpt
    return one.drill == two.drill and not set(one.phrases).isdisjoint(two.phrases)


def _unheard(learnt: Learnt, material: Material, day: date, items: Sequence[PlanItem]) -> Iterator[str]:
    """What was begun, was not played by itself for a week, and finds no room in the plan."""
    played = {item.excerpt for item in items if item.purpose is not Purpose.WARM_UP}
    begun = (part for drill in material.drills if drill.id in learnt.skills for part in material.parts(drill))
    late = sum(unheard(learnt, part, day.toordinal()) > 0 for part in begun if part.excerpt not in played)
    if late:
        yield f"No room today for {counted(late, 'phrase')} not played for a week: plan more, or set a drill aside."


def _unused(ahead: Ahead, minutes: float, any_drill: bool) -> Iterator[str]:
    """Why minutes of the plan stay free, where more than one does."""
    if not any_drill:
        yield "No drill is in the plan: choose one in the list of drills."
    elif not ahead.items and ahead.wanting:
        yield f"{minutes:g} minutes is too short for an item: plan more, or split long phrases in the drill."
    elif not ahead.items:
        yield "Nothing needs practice today: all of it is expected to be clean, cold, in a week."
    elif free := free_time(ahead):
        yield free


def free_time(ahead: Ahead) -> str:
    """Why the last minutes of a plan are not filled, and what to do with them; empty where none are left."""
    if ahead.seconds_left <= FREE_S:
        return ""
    minutes = duration(ahead.seconds_left / 60)
    if ahead.wanting:
        return f"The last {minutes} is too short for the next item."
    return (
        f"Nothing more needs practice today; {minutes} to spare. To play any part: d, then g on the screen."
    )


def item_of(learnt: Learnt, turn: Choice, day: date) -> PlanItem:
    """A turn as the plan tells it."""
    excerpt = turn.option.part.excerpt
    return PlanItem(
        _PURPOSE[turn.why], turn.seconds / 60, reason(learnt, turn, day), excerpt, turn.reps, turn.bpm
    )


def open_assignment(drill: Drill, day: date) -> Assignment | None:
    """The drill's assignment while it counts: until its due date, that day included; without one, always."""
    given = drill.assignment
    return given if given and (given.due is None or day <= given.due) else None


def assignment_notes(drills: Sequence[Drill], day: date) -> Iterator[str]:
    """What each teacher writes, once and first; then a line for each assignment that is open or was due of late."""
    spoken_of = [
        (drill, given)
        for drill in drills
        if (given := drill.assignment) and (given.due is None or (day - given.due).days <= PAST_DUE_DAYS)
    ]
    for teacher, comment in dict.fromkeys(
        (given.teacher, given.note) for _, given in spoken_of if given.note
    ):
        who = plain_text(teacher) or "Your teacher"
        yield f'{who} writes: "{plain_text(comment)}" Answer with `coach log note "..."`.'
    by_text: dict[str, list[str]] = {}
    for drill, _ in spoken_of:
        if open_assignment(drill, day):
            by_text.setdefault(assignment_text(drill, day), []).append(plain_text(drill.title))
    for text, titles in by_text.items():
        yield f"{listed(titles, 4)}, {text}" if len(spoken_of) > 1 else text
    for drill, given in spoken_of:
        if given.due and given.due < day:
            due = f"The due date of {plain_text(drill.title)} was {short_day(given.due, day)}"
            yield f"{due}: it is practised like any other drill now."


def _hurt(day: date, minutes: float, history: History) -> list[str]:
    """A note that comes first within some days of a session that ended because it hurt; none else."""
    since = [back for back in range(HURT_DAYS + 1) if day - timedelta(days=back) in history.hurt_days]
    if not since:
        return []
    when = "Earlier today" if since[0] == 0 else f"On {weekday(day - timedelta(days=since[0]))}"
    return [
        f"{when} you stopped because it hurt. If it still does, rest, and see a clinician before you play on."
        f" Today's plan is half as long: {duration(minutes / 2)} instead of {duration(minutes)}."
    ]


def _habit(day: date, minutes: float, history: History) -> list[str]:
    week = [history.minutes.get(day - timedelta(days=back), 0.0) for back in range(1, 8)]
    practised = [each for each in week if each > 0]
    today = history.minutes.get(day, 0.0) + minutes
    habit = sum(practised) / len(practised) if practised else today
    if today <= max(ABOVE_HABIT * habit, habit + ABOVE_HABIT_MIN, NO_LOAD_MIN):
        return []
    return [
        f"{duration(today)} today is far above this week's habit of about {duration(habit)} a day: hands get hurt by"
        " sudden load. Take the breaks, and stop when anything hurts."
    ]


def with_breaks(items: list[PlanItem], count: int) -> list[PlanItem]:
    """Breaks where the running time passes 25 minutes, before it passes 30."""
    broken_up: list[PlanItem] = []
    running = 0.0
    for item in items:
        crossing = running + item.minutes > BREAK_EVERY_MIN or running >= BREAK_FROM_MIN
        if count and running and crossing:
            why = "Half an hour is enough for hands and ears: stand up, let the arms hang."
            broken_up.append(PlanItem(Purpose.BREAK, BREAK_MIN, why))
            running, count = 0.0, count - 1
        broken_up.append(item)
        running += item.minutes
    return broken_up
