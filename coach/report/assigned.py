"""A drill's text with an assignment block in it: comments and layout stay where that can be done surely."""

from __future__ import annotations

import itertools
from dataclasses import replace

from coach.music.drill import Assignment, Drill
from coach.score.edit import with_ids
from coach.score.load import read_drill, read_reading
from coach.score.write import assignment_lines, write_drill


def assigned_text(text: str, drill: Drill, task: Assignment) -> str | None:
    """The drill file's text with this assignment instead of any other; None where it can't be written.

    The block goes to the end of the text. Where that does not give the same drill (a text in flow style), the whole
    is written anew, without its comments.
    """
    wanted = replace(drill, assignment=task)
    plain = without_assignment(with_ids(text))
    block = "\n".join(assignment_lines(task))
    for candidate in (plain.rstrip() + "\n" + block + "\n", write_drill(wanted)):
        written, _ = read_drill(candidate, drill.path)
        if written == wanted and written.revision == drill.revision:
            return candidate
    return None


def without_assignment(text: str) -> str:
    """The text without its assignment block; as it is where it has none."""
    root = read_reading(text, "").root
    if root is None or root.flow:
        return text
    keys = [key for key, _ in root.pairs]
    for key, following in itertools.zip_longest(keys, keys[1:]):
        if key.text == "assignment":
            return text[: key.start] + (text[following.start :] if following else "")
    return text
