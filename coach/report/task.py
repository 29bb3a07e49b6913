"""Where a player stands on a phrase and on an assignment, said alike in the report, the teacher's file and the roster.

Conventions: a rung is that of the ladder as `coach.learning.ladder.open_day` opens it on the given practice day for the
drill's goal, an assignment's where there is one: the rung that the plan starts from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from coach.ground.plain import plain_text
from coach.learning.ladder import Ladder, open_day
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, layer_choices, whole_phrase


@dataclass(frozen=True, slots=True)
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
    phrases: int
    behind: str
    """The phrase that is furthest behind, in its fullest layer."""
    rung_bpm: int
    """That phrase's rung; 0 where its fullest layer was never begun."""


def today(ladders: Mapping[str, Ladder], drill: Drill, excerpt: Excerpt, day: date) -> Ladder | None:
    """The excerpt's ladder as it opens on a practice day; None where there is none."""
    ladder = ladders.get(excerpt.key)
    return open_day(ladder, day, drill.goal_bpm) if ladder else None


def open_tasks(drills: Sequence[Drill], ladders: Mapping[str, Ladder], day: date) -> tuple[Task, ...]:
    """The assignments among the drills of which not every phrase has landed, the first due first."""
    tasks = []
    for drill in drills:
        if drill.assignment is None:
            continue
        rows = []
        for phrase in drill.phrases:
            ladder = today(ladders, drill, whole_phrase(drill, phrase, layer_choices(phrase)[-1]), day)
            rows.append((bool(ladder and ladder.landed), ladder.rung_bpm if ladder else 0, phrase.name))
        landed = sum(row[0] for row in rows)
        if landed == len(rows):
            continue
        _, rung, behind = min(rows, key=lambda row: row[:2])
        tasks.append(
            Task(
                drill.id,
                plain_text(drill.title),
                plain_text(drill.assignment.teacher),
                plain_text(drill.assignment.note),
                drill.goal_bpm,
                drill.assignment.due,
                landed,
                len(rows),
                plain_text(behind),
                rung,
            )
        )
    return tuple(sorted(tasks, key=lambda task: (task.due or date.max, task.title)))
