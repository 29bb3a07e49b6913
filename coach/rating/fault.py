"""One mark on an event, and marks as the log writes them.

The text holds the marks only, all else was clean. `2c 5c:lift 3l 7n 4c.1` = event 2 choked, 5 choked because of the
lift, 3 late, 7 not reached, 4 choked on its first (highest) note only.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace

from coach.ground.frozen import frozen
from coach.rating.table import CAUSES, RESULTS, Cause, Result, Says

_FAULT = re.compile(r"(\d{1,5})([a-z])(?:\.(\d{1,2}))?(?::([a-z]+))?")


@frozen
class Fault:
    """An event that was not clean. `note` counts the event's notes from 1; 0 is the whole event.

    Faults are in order of label, then of the words of result and cause.
    """

    label: int
    result: Result
    cause: Cause | None = None
    note: int = 0

    @property
    def move(self) -> Says:
        """What it says of the move to the event: one that got there is not to blame for the pluck."""
        return self.cause.move if self.cause and self.result.move is Says.FAILED else self.result.move

    def __lt__(self, other: Fault) -> bool:
        return self._place < other._place

    @property
    def _place(self) -> tuple[int, str, str, int]:
        return self.label, self.result.word, self.cause.word if self.cause else "", self.note


def causes_of(result: Result) -> tuple[Cause, ...]:
    """The causes that a result takes; none for most."""
    return tuple(cause for cause in CAUSES if result in cause.of)


def was_clean(faults: Iterable[Fault] | None) -> bool | None:
    """Whether a repetition was clean; None where it says nothing: not rated, or only broken off."""
    if faults is None:
        return None
    failing = [fault.result.fails for fault in faults]
    return None if failing and not any(failing) else not failing


def results_of(faults: Iterable[Fault]) -> dict[int, Result]:
    """What each marked event counts as, by label: a cause may take the blame off the move."""
    return {fault.label: replace(fault.result, move=fault.move) for fault in faults}


def faults_text(faults: Iterable[Fault]) -> str:
    """Faults as the log writes them; empty where all was clean."""
    words = []
    for fault in sorted(faults):
        word = f"{fault.label}{fault.result.letter}"
        word += f".{fault.note}" if fault.note else ""
        words.append(word + (f":{fault.cause.word}" if fault.cause else ""))
    return " ".join(words)


def in_words(faults: Iterable[Fault]) -> str:
    """Faults as an answers file has them, `choked 2 5 lift; late 3`; empty where all was clean."""
    labels: dict[tuple[Result, Cause | None], list[str]] = {}
    for fault in faults:
        label = f"{fault.label}.{fault.note}" if fault.note else str(fault.label)
        labels.setdefault((fault.result, fault.cause), []).append(label)
    return "; ".join(
        " ".join([result.word, *group, *([cause.word] if cause else [])])
        for (result, cause), group in labels.items()
    )


def examples() -> str:
    """One of each result, as one types them."""
    return ", ".join(f"{row.word} {label}" for label, row in enumerate(RESULTS, 2))


def parse_faults(text: str) -> tuple[Fault, ...]:
    """The inverse of `faults_text`; ValueError on other text."""
    return tuple(sorted(_fault(word) for word in text.split()))


def _fault(word: str) -> Fault:
    match = _FAULT.fullmatch(word)
    if match is not None and int(match[1]) > 0:
        for result in RESULTS:
            for cause in (None, *causes_of(result)):
                if (match[2], match[4]) == (result.letter, cause.word if cause else None):
                    return Fault(int(match[1]), result, cause, int(match[3] or 0))
    letters = ", ".join(row.letter for row in RESULTS)
    raise ValueError(
        f"{word!r} is not a result; expected a label and one of {letters}, such as 2c or 5c:lift"
    )
