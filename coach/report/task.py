"""How far a player is on an assignment, said alike in the report and in the student's file."""

from __future__ import annotations

from datetime import date

from coach.ground.frozen import frozen
from coach.ground.plain import plain_text
from coach.learning.learning import Learnt
from coach.learning.material import Material
from coach.learning.readings import Standing, standing
from coach.music.drill import Drill
from coach.words.names import goal_text, place_name


@frozen
class Task:
    """An open assignment and how far it is."""

    drill: str
    """The drill's id."""
    title: str
    teacher: str
    note: str
    goal_bpm: int
    asks: str
    """What is asked for and by when: `goal 64 bpm by 20 Dec`, `only window at 60 bpm by 20 Dec`."""
    due: date | None
    landed: int
    kept: int
    phrases: int
    """How many phrases, and nodes where single ones are asked for."""
    only: bool
    """Whether only parts of the drill are asked for."""
    behind: str
    """The phrase or the node that is furthest behind, all layers together."""
    is_node: bool
    """Whether that is a node."""
    rung_bpm: int
    """Its rung; 0 where it was never begun."""


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
        node = place_name(behind.excerpt.subject) if behind.excerpt.subject else ""
        tasks.append(
            Task(
                drill.id,
                plain_text(drill.title),
                plain_text(drill.assignment.teacher),
                plain_text(drill.assignment.note),
                drill.goal_bpm,
                goal_text(drill, day),
                drill.assignment.due,
                landed,
                sum(one.kept for one in phrases),
                len(phrases),
                bool(drill.assignment.parts),
                node or plain_text(drill.phrase(behind.excerpt.phrases[0]).name),
                bool(node),
                behind.reps and behind.rung_bpm,
            )
        )
    return tuple(sorted(tasks, key=lambda task: (task.due or date.max, task.title)))
