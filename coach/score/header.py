"""Builds what stands beside the phrases of a drill from the keys read: tempo, click, assignment."""

from __future__ import annotations

from fractions import Fraction

from coach.ground.fields import Values
from coach.ground.source import Report
from coach.music.drill import Assignment, ClickPattern, Tempo
from coach.music.rhythm import Meter


def tempo_of(tempo: Values | None, meter: Meter | None, report: Report) -> Tempo | None:
    """Start and goal; the tempo beat is the meter's counted beat unless it is given."""
    if tempo is None:
        return None
    start, goal = tempo.get("start"), tempo.get("goal")
    if start is None or goal is None:
        return None
    if goal < start:
        message = f"the goal, {goal} bpm, is below the start, {start} bpm"
        report.error(tempo.spot("goal"), message, "swapped?", "tempo.goal")
    return Tempo(start, goal, tempo.get("beat") or (meter.beat_whole if meter else Fraction(1, 4)))


def click_of(click: Values | None) -> ClickPattern:
    """The click pattern, the plain one where it is left out."""
    if click is None:
        return ClickPattern()
    silent, every = click.get("silent", (0, 0))
    return ClickPattern(
        click.get("subdivision", 1), click.get("placing", "beat"), silent, every, click.get("accent", True)
    )


def assignment_of(assignment: Values | None, tempo: Tempo | None, report: Report) -> Assignment | None:
    """The assignment block, None where there is none."""
    if assignment is None:
        return None
    goal = assignment.get("goal")
    if goal and tempo and goal < tempo.start_bpm:
        message = f"the goal, {goal} bpm, is below the drill's start, {tempo.start_bpm} bpm"
        report.error(assignment.spot("goal"), message, "", "assignment.goal")
    texts = {name: assignment.get(name, "") for name in ("student", "teacher", "note", "id")}
    return Assignment(goal_bpm=goal, due=assignment.get("due"), **texts)
