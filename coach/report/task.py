"""How far a player is on an assignment, said alike in the report and in the student's file."""

from __future__ import annotations

from datetime import date

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.learning.learning import Learnt
from coach.learning.material import Material
from coach.learning.readings import Standing, standing
from coach.music.drill import Drill


@frozen
class Task:
    """An open assignment and how far it is."""

    drill: str
    """The drill's id."""
    title: str
    teacher: str
    note: str
    goal_bpm: int
    due: date | None
    landed: int
    kept: int
    phrases: int
    behind: str
    """The phrase that is furthest behind, all layers together."""
    rung_bpm: int
    """That phrase's rung; 0 where it was never begun."""


def phrases_of(learnt: Learnt, material: Material, drill: Drill, day: date) -> list[Standing]:
    """Where each phrase of a drill stands, all layers together."""
    stands = (standing(learnt, material, excerpt, day) for excerpt in material.phrases(drill))
    return [one for one in stands if one is not None]


def open_tasks(learnt: Learnt, material: Material, day: date) -> tuple[Task, ...]:
    """The assignments among the drills of which not every phrase has landed, the first due first."""
    tasks = []
    for drill in material.drills:
        phrases = phrases_of(learnt, material, drill, day) if drill.assignment else []
        landed = sum(one.landed is not None for one in phrases)
        if drill.assignment is None or landed == len(phrases):
            continue
        behind = min(phrases, key=lambda one: (one.landed is not None, one.reps and one.rung_bpm))
        tasks.append(
            Task(
                drill.id,
                plain_text(drill.title),
                plain_text(drill.assignment.teacher),
                plain_text(drill.assignment.note),
                drill.goal_bpm,
                drill.assignment.due,
                landed,
                sum(one.kept for one in phrases),
                len(phrases),
                plain_text(drill.phrase(behind.excerpt.phrases[0]).name),
                behind.reps and behind.rung_bpm,
            )
        )
    return tuple(sorted(tasks, key=lambda task: (task.due or date.max, task.title)))
