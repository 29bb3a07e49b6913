"""What screens and reports read from the estimate: where an excerpt stands, and how each node and move goes.

A clean tempo is the tempo at which a cold repetition of an excerpt is clean three times in five, slips included, and a
node or a move four times in five, with the middle 80 % of what is not known. Days come in and go out as dates.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

from coach.ground.frozen import frozen
from coach.learning.learning import KEPT_DAYS, Learnt, Record
from coach.learning.material import Material, Part, goal_of
from coach.learning.rung import EVENTS, next_rung, reading
from coach.learning.skill import SLOPE, Term, View, late_results, view
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind

CLEAN, CLEAN_PLACE = 0.6, 0.8
MOSTLY = 0.95
KEPT_CHANCE = 0.92
"""A landed excerpt with so good a chance a week on is kept, before a test has shown it."""
MIDDLE_80 = 1.2816
"""Standard deviations from the middle to the ends of the middle 80 %."""


@frozen
class CleanTempo:
    """Tempos in bpm: the middle of the estimate and the ends of its middle 80 %."""

    low_bpm: float
    bpm: float
    high_bpm: float


@frozen
class Rung:
    """The tempo at which an excerpt is practised, on its way from the drill's start to its goal."""

    bpm: int
    start_bpm: int
    goal_bpm: int
    landed: bool
    kept: bool


@frozen
class Standing:
    """Where an excerpt stands on a day."""

    excerpt: Excerpt
    rung_bpm: int
    goal_bpm: int
    now: float
    """Chance that its next repetition is clean at the goal, cold."""
    later: float
    """The same after a week without it."""
    tempo: CleanTempo
    reps: int
    """Rated repetitions ever; 0 where it was never begun."""
    last: date | None
    landed: date | None
    """The last day on which the goal tempo was held."""
    tested: date | None
    """The day of the last cold repetition at the goal after a week without it, where that was clean."""
    kept: bool
    failed: int
    """Of the last `of` repetitions."""
    of: int


@frozen
class Place:
    """A node or a move of a drill."""

    key: str
    """`n:` or `m:` before the node keys or the move."""
    chance: float
    """That it is clean at the goal, cold: the mean of its events; of a move, without what its node takes."""
    tempo: CleanTempo
    failed: int
    """Of its last `of` results."""
    of: int


def standing(learnt: Learnt, material: Material, excerpt: Excerpt, day: date) -> Standing | None:
    """Where an excerpt stands; None where the drills don't have it."""
    part = material.part(excerpt)
    if part is None:
        return None
    record = learnt.records.get(part.key, Record())
    today = day.toordinal()
    goal = math.log(part.goal_bpm)
    cold = seen(learnt, part, today)
    failed, of = late_results(record.recent)
    return Standing(
        excerpt,
        taken_up(learnt, material, part, today),
        part.goal_bpm,
        cold.whole(goal),
        seen(learnt, part, today + KEPT_DAYS).whole(goal),
        clean_tempo(cold),
        record.reps,
        _date(record.day),
        _date(record.landed_at(part.goal_bpm)),
        _date(record.kept_at(part.goal_bpm)),
        is_kept(learnt, part, today),
        failed,
        of,
    )


def rung_standing(learnt: Learnt, part: Part, bpm: int, day: date) -> Rung:
    """A rung of today beside start, goal, and whether the goal was ever held, and kept."""
    landed = learnt.records.get(part.key, Record()).landed_at(part.goal_bpm) > 0
    return Rung(bpm, part.start_bpm, part.goal_bpm, landed, is_kept(learnt, part, day.toordinal()))


def is_kept(learnt: Learnt, part: Part, day: int) -> bool:
    """Clean cold at the goal after a week without it: shown by a test, or all but certain of what landed."""
    record, goal = learnt.records.get(part.key, Record()), part.goal_bpm
    return record.kept_at(goal) > 0 or (
        record.landed_at(goal) > 0
        and seen(learnt, part, day + KEPT_DAYS).whole(math.log(goal)) >= KEPT_CHANCE
    )


def at_goal(learnt: Learnt, part: Part, day: int) -> bool:
    """Whether an excerpt's rung stands at its goal, and it was last played there, or landed."""
    record = learnt.records.get(part.key)
    if record is None or not record.reps:
        return False
    played = record.bpm >= part.goal_bpm or record.landed_at(part.goal_bpm) > 0
    return played and rung_of(learnt, part, day) >= part.goal_bpm


def seen(learnt: Learnt, part: Part, day: int) -> View:
    """An excerpt as it is expected on a day (ordinal)."""
    skill = learnt.skill(part.excerpt.drill, part.goal_bpm)
    return view(skill.rows(part.keys), skill.level, learnt.slips.lapse, day)


def rung_of(learnt: Learnt, part: Part, day: int) -> int:
    """The tempo at which an excerpt is practised now.

    What was never played by itself begins no slower than the drill does, and else no faster than its phrase was last
    played: a few events are soon expected clean at the goal. What was only said to be played begins no faster than was
    said. What failed last, and is short enough to be clean as a whole, is taken up no faster than it was practised,
    whatever other excerpts have taught since; all else by at most `STEP` faster than it was left, and on the same day
    by at most `STEP` slower.
    """
    bpm = reading(seen(learnt, part, day).middle, part.harmonics, part.goal_bpm)
    record = learnt.records.get(part.key)
    if record is None or not record.theta:
        phrase = learnt.records.get(replace(part.excerpt, kind=Kind.PHRASE, subject="").key)
        return max(min(bpm, phrase.bpm) if phrase and phrase.bpm else bpm, part.start_bpm)
    if record.rung and (not record.reps or (record.failed and part.harmonics <= EVENTS)):
        bpm = min(bpm, record.rung)
    if record.rung and (bpm > record.rung or record.day == day):
        bpm = min(part.goal_bpm, next_rung(record.rung, bpm > record.rung, bpm))
    return bpm


def taken_up(learnt: Learnt, material: Material, part: Part, day: int) -> int:
    """The rung at which the next plan takes an excerpt up."""
    return no_faster(material, part, lambda each: rung_of(learnt, each, day))


def no_faster(material: Material, part: Part, rung: Callable[[Part], int]) -> int:
    """An excerpt's rung, by how one is read: that of a whole piece no faster than its slowest phrase."""
    whole = part.excerpt == material.piece(part.drill)
    return min(map(rung, [part, *material.parts(part.drill)] if whole else [part]))


def clean_tempo(view: View) -> CleanTempo:
    """The tempo at which all events of a view are clean with the chance `CLEAN`."""
    # Where slips alone take more than that, the tempo is one at which hardly anything else does.
    wanted = min(math.log(CLEAN) - len(view.means) * math.log1p(-view.lapse), math.log(MOSTLY))
    x = max(view.means)
    sure = view.middle
    slopes = sure.slopes()
    total, slope = sure.ease(x, slopes)
    for _ in range(12):
        step = (wanted - total) / min(slope, -1e-3)
        x += max(-0.5, min(0.5, step))
        if abs(step) < 1e-4:
            break
        total, slope = sure.ease(x, slopes)
    weights = [1.0 - p for p in sure.chances(x)]
    whole = sum(weights)
    own = sum((weight / whole) ** 2 * variance for weight, variance in zip(weights, view.own, strict=True))
    reach = MIDDLE_80 * math.sqrt(view.shared + own)
    return CleanTempo(math.exp(x - reach), math.exp(x), math.exp(x + reach))


def places(learnt: Learnt, material: Material, drill: Drill, day: date) -> dict[str, Place]:
    """Each node and move that was ever played in a phrase of the drill, in whatever layer, by key."""
    skill = learnt.skills.get(drill.id)
    if skill is None:
        return {}
    events: dict[str, list[tuple[float, float, float, float]]] = {}
    for part in material.parts(drill):
        cold = seen(learnt, part, day.toordinal())
        rows = [(_NO_NODE, *row[1:]) for row in skill.rows(part.keys)]
        moves = view(rows, skill.level, cold.lapse, day.toordinal())
        for which, of in enumerate((cold, moves)):
            chances = of.chances(math.log(part.goal_bpm))
            for keys, chance, mean, own in zip(part.keys, chances, of.means, of.own, strict=True):
                if keys[which] and keys[2] in skill.terms:
                    events.setdefault(keys[which], []).append((chance, mean, own, of.shared))
    return {key: _place(key, skill.terms.get(key, Term(0.0, 0.0)), rows) for key, rows in events.items()}


_NO_NODE = Term(0.0, 0.0)
"""In the place of a move's node: what fails there is not the move's."""


def _place(key: str, term: Term, rows: list[tuple[float, float, float, float]]) -> Place:
    chance, mean, own, shared = (sum(column) / len(rows) for column in zip(*rows, strict=True))
    at = mean - math.log(CLEAN_PLACE / (1 - CLEAN_PLACE)) / SLOPE
    reach = MIDDLE_80 * math.sqrt(shared + own / len(rows))
    tempo = CleanTempo(math.exp(at - reach), math.exp(at), math.exp(at + reach))
    failed, of = late_results(term.recent)
    return Place(key, chance, tempo, failed, of)


def to_be_tested(learnt: Learnt, material: Material, day: date) -> list[tuple[Excerpt, date]]:
    """Phrases that landed and wait for the test that shows whether they are kept, and its day within the next week;
    the first first."""
    waiting = []
    for drill in material.drills:
        for excerpt in material.phrases(drill):
            record, goal_bpm = learnt.records.get(excerpt.key), goal_of(drill, excerpt)
            if record and record.landed_at(goal_bpm) and not record.kept_at(goal_bpm):
                on = date.fromordinal(record.day) + timedelta(days=KEPT_DAYS)
                if on <= day + timedelta(days=7):
                    waiting.append((excerpt, on))
    return sorted(waiting, key=lambda pair: (pair[1], pair[0].key))


def _date(ordinal: int) -> date | None:
    return date.fromordinal(ordinal) if ordinal else None
