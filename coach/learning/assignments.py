"""What a teacher asks for, as the plan tells it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date

from coach.ground.plain import listed, plain_text
from coach.music.drill import Assignment, Drill
from coach.words.names import assignment_text

PAST_DUE_DAYS = 14
"""How long after its due date an assignment is still spoken of."""


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
        yield f'{who} writes: "{plain_text(comment)}" Your answer goes along with `coach log note "..."`.'
    by_text: dict[str, list[str]] = {}
    for drill, _ in spoken_of:
        if open_assignment(drill, day):
            by_text.setdefault(assignment_text(drill, day), []).append(plain_text(drill.title))
    for text, titles in by_text.items():
        yield f"{listed(titles, 4)}, {text}" if len(spoken_of) > 1 else text
    for drill, given in spoken_of:
        if given.due and given.due < day:
            yield (
                f"The due date of {drill.title} was {given.due.day} {given.due:%B}: it is practised like any other"
                " drill now."
            )
