"""How often each result and each cause was marked, by its word.

Counts are in the order of the table, results before causes, and leave out what was never marked; their words are JSON
keys in the log's derived state, in reports and in a student's file. A fault with a cause counts for both.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping

from coach.rating.fault import Fault
from coach.rating.table import CAUSES, RESULTS, Cause

Counts = Mapping[str, int]


def count_faults(faults: Iterable[Fault]) -> Counts:
    """How often each result and cause stands among faults."""
    tally: Counter[str] = Counter()
    for fault in faults:
        tally[fault.result.word] += 1
        if fault.cause:
            tally[fault.cause.word] += 1
    return _in_order(tally)


def sum_counts(parts: Iterable[Counts]) -> Counts:
    """All of some counts together."""
    tally: Counter[str] = Counter()
    for part in parts:
        tally.update(part)
    return _in_order(tally)


def counts_from(value: object) -> Counts:
    """Counts from JSON; ValueError where a word is no result or cause, or a number none."""
    if not isinstance(value, Mapping):
        raise ValueError(f"{value!r} is not a table of counts")
    words = _words()
    for word, count in value.items():
        if word not in words:
            raise ValueError(f"{word!r} is not a result or cause; expected one of {', '.join(words)}")
        if isinstance(count, bool) or not isinstance(count, int) or count < 1:
            raise ValueError(f"{count!r} times {word}")
    return _in_order(value)


def columns() -> tuple[str, ...]:
    """Names of the columns that `cells` fills in a table for a spreadsheet."""
    return (*(row.name for row in RESULTS), *(f"cause_{row.word}" for row in CAUSES))


def cells(counts: Counts) -> tuple[int, ...]:
    """One number for each of `columns`."""
    return tuple(counts.get(word, 0) for word in _words())


def results_text(counts: Counts) -> str:
    """`choked 6, late 2`: how often each result was marked that fails a repetition."""
    return ", ".join(f"{row.word} {counts[row.word]}" for row in RESULTS if row.fails and row.word in counts)


def commonest_cause(counts: Counts) -> Cause | None:
    """The cause that was marked most often; of several the first in the table."""
    most = max((counts.get(cause.word, 0) for cause in CAUSES), default=0)
    return next((cause for cause in CAUSES if most and counts.get(cause.word, 0) == most), None)


def _words() -> list[str]:
    return [*(row.word for row in RESULTS), *(row.word for row in CAUSES)]


def _in_order(tally: Mapping[str, int]) -> Counts:
    return {word: tally[word] for word in _words() if tally.get(word)}
