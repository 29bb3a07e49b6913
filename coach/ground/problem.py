"""What is wrong with something the user gave, said so that they can mend it.

A problem names the place, what was found, what is allowed and, where it can be told, the likely slip.
Lines and columns count from 1, as editors show them; 0 means that the place is the whole file.
All problems of one input are collected before any is raised. Names and texts of others are inside, so that the whole is
made harmless where it is put into words.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from coach.ground.frozen import frozen
from coach.ground.plain import visible

Severity = Literal["error", "warning"]
NEWER_WROTE_IT = "a newer version of the program may have written it: update this program"
"""The way out where a file fits its checksum and holds a value that this program does not know."""

SOURCE_COLUMNS = 72
"""The most that is shown of the offending line, around the column."""


@frozen
class Problem:
    """One fault in one input, ready to print."""

    message: str
    """What was found and what is allowed, one sentence without a full stop."""
    where: str = ""
    """The file's path as the user gave it, or the option's name."""
    line: int = 0
    column: int = 0
    guess: str = ""
    """The likely slip or the way out, without brackets: `one zero too many?`"""
    field: str = ""
    """The key's path inside the file: `phrases[0].bars[1].bass`."""
    severity: Severity = "error"
    source_line: str = ""
    """The offending line as it stands in the file, for the caret."""
    place_in_words: str = ""
    """The field as a player says it, where it is known: `phrase opening, bar 2, bass`."""

    def __str__(self) -> str:
        place = self.where
        if self.line:
            place += f":{self.line}" + (f":{self.column}" if self.column else "")
        parts = [part for part in (place, self.place_in_words or self.field) if part]
        head = ": ".join(parts)
        if self.severity == "warning":
            head = f"{head}: warning" if head else "warning"
        text = f"{head}: {self.message}" if head else self.message
        return visible(f"{text} ({self.guess})" if self.guess else text)

    def with_caret(self) -> str:
        """The problem and, under it, the offending line with a caret below the column."""
        if not self.source_line or not self.line:
            return str(self)
        shown = visible(self.source_line.rstrip("\n").replace("\t", " "))
        column = max(self.column - 1, 0)
        # A narrow terminal would break a long line, and the caret would point at nothing.
        first = min(max(column - SOURCE_COLUMNS // 2, 0), max(len(shown) - SOURCE_COLUMNS, 0))
        after = "…" if len(shown) > first + SOURCE_COLUMNS else ""
        shown = ("…" if first else "") + shown[first + bool(first) : first + SOURCE_COLUMNS] + after
        return f"{self}\n    {shown}\n    {' ' * (column - first)}^"


class CoachError(Exception):
    """Input that can't be used; carries every problem found, or the one that these words make. Exit status 1."""

    def __init__(self, problems: Problem | str | Iterable[Problem], where: str = "", guess: str = "") -> None:
        if isinstance(problems, str):
            problems = Problem(problems, where, guess=guess)
        if isinstance(problems, Problem):
            problems = (problems,)
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))


class UsageError(CoachError):
    """A command called the wrong way. Exit status 2."""


class SlipError(ValueError):
    """A ValueError that knows the likely slip, or the way out, and what was surely meant; empty where it knows none."""

    def __init__(self, message: str, guess: str = "", repair: str = "") -> None:
        super().__init__(f"{message} ({guess})" if guess else message)
        self.message, self.guess, self.repair = message, guess, repair


def parted(error: ValueError) -> tuple[str, str]:
    """What is wrong, and the likely slip where the error knows it."""
    return (error.message, error.guess) if isinstance(error, SlipError) else (str(error), "")


def reason_of(error: OSError) -> str:
    """The system's words for an error, as the end of a sentence."""
    return (error.strerror or str(error)).lower()
