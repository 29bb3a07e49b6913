"""How excerpts are called on the screens."""

from __future__ import annotations

from coach.ground.plain import plain_text
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind


def logged_title(key: str, title: str) -> str:
    """`Ladle, first half · harmonics`: the same from what the log keeps, an excerpt's key and its passage's title."""
    excerpt = Excerpt.parse(key)
    return excerpt_title(excerpt, title, (excerpt.layer,))


def excerpt_title(excerpt: Excerpt, title: str, layers: tuple[str, ...]) -> str:
    """`Ladle, first half · harmonics`: what a repetition covers and which layer sounds.

    `title` and `layers` are those of its passage.
    """
    part = {
        Kind.NODE: ", one node",
        Kind.MOVE: ", one move",
        Kind.HALF: ", first half" if excerpt.subject == "1" else ", second half",
        Kind.JOIN: ", the join",
        Kind.PIECE: ", the whole piece",
        Kind.PHRASE: "",
    }[excerpt.kind]
    easier = ", easier version" if excerpt.easier else ""
    layer = excerpt.layer if len(layers) < 2 else " + ".join(layers)
    return f"{plain_text(title)}{part} · {plain_text(layer)}{easier}"


def assigned_goal(drill: Drill) -> str:
    """`goal 64 by 20 Dec`: what a drill's assignment asks for; empty without one."""
    if drill.assignment is None:
        return ""
    due = drill.assignment.due
    return f"goal {drill.goal_bpm}" + (f" by {due.day} {due:%b}" if due else "")


def assigned_text(drill: Drill) -> str:
    """`assigned by Ana: goal 64 by 20 Dec`; empty where nothing is assigned."""
    if drill.assignment is None:
        return ""
    teacher = plain_text(drill.assignment.teacher)
    return f"assigned{f' by {teacher}' if teacher else ''}: {assigned_goal(drill)}"


def assigned_note(drill: Drill) -> str:
    """What the teacher wrote with the assignment; empty where nothing."""
    return plain_text(drill.assignment.note) if drill.assignment else ""
