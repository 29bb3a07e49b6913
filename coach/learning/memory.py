"""What stays: retention, due date and weakness of a node, a move or an excerpt, folded day by day.

Conventions: one `Memory` per key (`evidence.py`); `fold` takes the practice days in order and nothing else, so that
an incremental state equals a full replay to the digit. Days are practice days; the scheduler gets them as noon UTC,
so that two practice days are always a whole number of days apart.

Retention: only the day's cold result counts, and only where it is comparable: clean at the reference rung or faster,
or failed at it or slower. It gives one grade a day to the `fsrs` scheduler (no learning steps, no fuzzing): failed
"again"; clean "hard" where the rest of the day was mostly failed, else "good". Retention after t days at stability S
is (1 + F t / S)^D with D = -0.1542 and F = 0.9^(1/D) - 1 (FSRS-6, py-fsrs 6 source). The interval is the stability,
capped at 14 days, twice that after every two further clean cold days from the fourth in a row on.

Weakness: a Beta posterior of the clean rate near the goal tempo. Evidence loses half its weight in 14 days; n results
of one day weigh as n / (1 + (n - 1) rho) (the design effect of Kish 1965), because results of one day resemble each
other: 30 of 40 is not 40 observations. The prior is what the kin show (`kin_prior`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from coach.learning.calibration import CalibrationRow, scored
from coach.learning.evidence import MOVE, NODE, DayEvidence
from coach.learning.ladder import DEFAULT, Ladder, Rule, after_rep
from coach.learning.proportion import beta_quantile
from coach.log.entries import Rep
from coach.music.rhythm import MIN_BPM
from coach.rating.counts import Counts, counts_from, sum_counts
from coach.strings.instrument import Node
from coach.strings.units import midi_from_note

if TYPE_CHECKING:
    from fsrs import Scheduler

DECAY = -0.1542
FACTOR = 0.9 ** (1 / DECAY) - 1
CAP_DAYS = 14
SECURE_RUN = 4
"""Clean cold days in a row from which the cap doubles, and again after every two more."""
LONGEST_DAYS = 365
HALF_LIFE_DAYS = 14.0
SAME_DAY_CORRELATION = 0.25
NEAR_GOAL = 0.9
"""Part of the goal tempo from which a result is near it."""
COMPARABLE = 0.07
"""How far, as a part, a cold tempo may lie off the reference rung on the wrong side and still be compared."""
REFERENCE_DAYS = 3
"""Cold days for which a reference rung is kept at least."""
PRIOR_WEIGHT = 2.0
PRIOR_CLEAN = 0.6
"""Clean rate expected of a node of which nothing is known, not even of its kin."""
COLD_PRIOR_CLEAN, COLD_PRIOR_DAYS = 0.9, 6.0
MOSTLY_FAILED = 0.5
TRACE = 1e-3
"""Weights below this are forgotten."""


@dataclass(frozen=True, slots=True)
class Memory:
    """All that is remembered of one key."""

    key: str
    first_day: date
    last_day: date
    stability: float = 0.0
    """Days after which retention is 0.9; 0 where no cold result was graded yet."""
    difficulty: float = 0.0
    """FSRS's difficulty, 1 to 10; 0 where no cold result was graded yet."""
    cold_day: date | None = None
    """The last practice day whose cold result was graded."""
    due: date | None = None
    cold_days: int = 0
    cold_clean: int = 0
    cold_run: int = 0
    """Cold days in a row that were clean, as a positive number, or failed, as a negative one."""
    reference_bpm: int = 0
    reference_days: int = 0
    """Cold days at this reference rung."""
    goal_bpm: int = 0
    near_clean: float = 0.0
    near_failed: float = 0.0
    """Discounted weights near the goal tempo, as of `last_day`."""
    tempos: tuple[tuple[int, float, float], ...] = ()
    """Discounted clean and failed results by tempo in bpm, as of `last_day`."""
    days: int = 0
    reps: int = 0
    marked: Counts = field(default_factory=dict)
    """How often each result and cause was marked."""
    calibration: tuple[CalibrationRow, ...] = ()
    """How predicted retention met the cold results, in order of bin."""

    def to_json(self) -> str:
        """Canonical JSON; floats are exact."""
        body: list[Any] = []
        for each in fields(self):
            value = getattr(self, each.name)
            body.append(value.isoformat() if isinstance(value, date) else value)
        return json.dumps(body, separators=(",", ":"), ensure_ascii=False)

    @classmethod
    def from_json(cls, text: str) -> Memory:
        """The inverse of `to_json`; ValueError, KeyError or TypeError on other text."""
        values = dict(zip((each.name for each in fields(cls)), json.loads(text), strict=True))
        for name in ("first_day", "last_day", "cold_day", "due"):
            values[name] = date.fromisoformat(values[name]) if values[name] else None
        for name in ("tempos", "calibration"):
            values[name] = tuple(tuple(row) for row in values[name])
        values["marked"] = counts_from(values["marked"])
        return cls(**values)


def fold(memory: Memory | None, evidence: DayEvidence, cap_days: int = CAP_DAYS) -> Memory:
    """The memory after one more practice day. ValueError for a day that is not after the last one folded."""
    day = evidence.day
    if memory is None:
        memory = Memory(evidence.key, day, day)
    elif day <= memory.last_day:
        raise ValueError(f"{evidence.key}: {day} is not after {memory.last_day}; fold the days in order")
    if memory.key != evidence.key:
        raise ValueError(f"evidence of {evidence.key} does not belong to the memory of {memory.key}")
    keep = 0.5 ** ((day - memory.last_day).days / HALF_LIFE_DAYS)
    near_clean, near_failed = evidence.near_goal(NEAR_GOAL)
    weight = effective(near_clean + near_failed)
    share = near_clean / (near_clean + near_failed) if weight else 0.0
    memory = replace(
        memory,
        last_day=day,
        goal_bpm=evidence.tallies[-1][1] if evidence.tallies else memory.goal_bpm,
        near_clean=memory.near_clean * keep + weight * share,
        near_failed=memory.near_failed * keep + weight * (1 - share),
        tempos=_merged(memory.tempos, evidence, keep),
        days=memory.days + 1,
        reps=memory.reps + evidence.reps,
        marked=sum_counts((memory.marked, evidence.marked)),
    )
    return memory if evidence.cold_clean is None else _graded(memory, evidence, cap_days)


def effective(results: int) -> float:
    """How many independent observations the results of one day are worth."""
    return results / (1 + (results - 1) * SAME_DAY_CORRELATION) if results else 0.0


def _merged(
    tempos: tuple[tuple[int, float, float], ...], evidence: DayEvidence, keep: float
) -> tuple[tuple[int, float, float], ...]:
    merged = {bpm: [clean * keep, failed * keep] for bpm, clean, failed in tempos}
    for bpm, _, clean, failed in evidence.tallies:
        entry = merged.setdefault(bpm, [0.0, 0.0])
        entry[0] += clean
        entry[1] += failed
    return tuple(
        (bpm, clean, failed) for bpm, (clean, failed) in sorted(merged.items()) if clean + failed >= TRACE
    )


def _graded(memory: Memory, evidence: DayEvidence, cap_days: int) -> Memory:
    clean, tempo = bool(evidence.cold_clean), evidence.cold_bpm
    first = not memory.reference_bpm
    reference = memory.reference_bpm or tempo
    comparable = tempo >= reference * (1 - COMPARABLE) if clean else tempo <= reference * (1 + COMPARABLE)
    if not comparable:
        return memory
    calibration = memory.calibration
    if memory.cold_day:
        calibration = scored(calibration, expected_cold(memory, evidence.day), clean)
    stability, difficulty = _reviewed(memory, evidence)
    run = max(memory.cold_run, 0) + 1 if clean else min(memory.cold_run, 0) - 1
    if first and not clean:
        reference, days = _first_reference(evidence), 0
    else:
        reference, days = _next_reference(memory, evidence, run, reference)
    return replace(
        memory,
        stability=stability,
        difficulty=difficulty,
        cold_day=evidence.day,
        due=evidence.day + timedelta(days=interval_days(stability, run, cap_days)),
        cold_days=memory.cold_days + 1,
        cold_clean=memory.cold_clean + clean,
        cold_run=run,
        reference_bpm=reference,
        reference_days=days,
        calibration=calibration,
    )


def interval_days(stability: float, cold_run: int, cap_days: int = CAP_DAYS) -> int:
    """Days to the next review: the stability, within the cap, which is longer for what is long secure."""
    doublings = max(0, cold_run - SECURE_RUN + 2) // 2
    return max(1, min(round(stability), cap_days * 2**doublings, max(cap_days, LONGEST_DAYS)))


def _reviewed(memory: Memory, evidence: DayEvidence) -> tuple[float, float]:
    """Stability and difficulty after today's grade."""
    from fsrs import Card, Rating, State

    failed = not evidence.cold_clean
    rest_clean, rest_failed = evidence.clean - (not failed), evidence.failed - failed
    rest = rest_clean + rest_failed
    if failed:
        rating = Rating.Again
    elif rest and rest_clean / rest < MOSTLY_FAILED:
        rating = Rating.Hard
    else:
        rating = Rating.Good
    at = _noon(evidence.day)
    # Without an id a card would wait a millisecond, and without a due date it would read the clock.
    if memory.cold_day:
        last = _noon(memory.cold_day)
        card = Card(0, State.Review, None, memory.stability, memory.difficulty, at, last)
    else:
        card = Card(0, due=at)
    card, _ = _scheduler().review_card(card, rating, at)
    assert card.stability is not None
    assert card.difficulty is not None
    return card.stability, card.difficulty


@lru_cache(maxsize=1)
def _scheduler() -> Scheduler:
    from fsrs import Scheduler

    return Scheduler(learning_steps=(), relearning_steps=(), enable_fuzzing=False)


def _noon(day: date) -> datetime:
    return datetime.combine(day, time(12), UTC)


def _next_reference(memory: Memory, evidence: DayEvidence, run: int, reference: int) -> tuple[int, int]:
    """The reference rung and its cold days: kept for three, then moved where the day's practice has gone.

    Up, after two clean in a row, to the fastest tempo that was mostly clean today; down, after two failed in a row, to
    the fastest slower one that was, or by a tenth.
    """
    days = memory.reference_days + 1
    held = _held(evidence)
    if run <= -2:
        slower = [bpm for bpm in held if bpm < reference]
        return max(slower, default=max(MIN_BPM, round(reference * 0.9))), 0
    if days >= REFERENCE_DAYS and run >= 2 and held and max(held) > reference:
        return max(held), 0
    return reference, days


def _first_reference(evidence: DayEvidence) -> int:
    """Where the first test failed: the fastest slower tempo that was mostly clean today, else the slowest played."""
    slower = [bpm for bpm in _held(evidence) if bpm < evidence.cold_bpm]
    return max(slower, default=min(bpm for bpm, *_ in evidence.tallies))


def _held(evidence: DayEvidence) -> list[int]:
    return [
        bpm for bpm, _, clean, failed in evidence.tallies if clean >= 2 and clean / (clean + failed) >= 0.75
    ]


def retention(memory: Memory, day: date) -> float:
    """Probability that a cold result is clean on a day; 0 where no cold result was graded yet."""
    if memory.cold_day is None or memory.stability <= 0:
        return 0.0
    elapsed = max(0, (day - memory.cold_day).days)
    return float((1 + FACTOR * elapsed / memory.stability) ** DECAY)


def expected_cold(memory: Memory, day: date) -> float:
    """Probability that a cold result is clean, for the calibration table; 0 where none was graded yet.

    The mean of the retention and of the key's own share of clean cold days (drawn towards 0.9 with the weight of six
    days). Retention alone knows forgetting but no slips and no wrong ratings: on simulated logs it is far too sure of
    excerpts and of players who mis-rate, where this mean is much better; for nodes and moves of players who rate well
    it is a little worse (`benchmarks/bench_calibration.py`). No predictor beats the base rate by much there.
    """
    if memory.cold_day is None:
        return 0.0
    share = (memory.cold_clean + COLD_PRIOR_DAYS * COLD_PRIOR_CLEAN) / (memory.cold_days + COLD_PRIOR_DAYS)
    return (retention(memory, day) + share) / 2


def is_due(memory: Memory, day: date) -> bool:
    """Whether a review is due on a day."""
    return memory.due is not None and memory.due <= day


@dataclass(frozen=True, slots=True)
class Weakness:
    """How often it fails near the goal tempo: the posterior's mean and its middle 80 %."""

    low: float
    mean: float
    high: float
    weight: float
    """Observations behind it, discounted; 0 is the prior alone."""


def weakness(memory: Memory | None, day: date, prior: tuple[float, float] | None = None) -> Weakness:
    """Fail rate near the goal tempo on a day; `prior` is Beta weights (clean, failed), as `kin_prior` gives."""
    prior = prior or (PRIOR_WEIGHT * PRIOR_CLEAN, PRIOR_WEIGHT * (1 - PRIOR_CLEAN))
    clean, failed = _near(memory, day)
    a, b = prior[1] + failed, prior[0] + clean
    return Weakness(beta_quantile(0.1, a, b), a / (a + b), beta_quantile(0.9, a, b), clean + failed)


def _near(memory: Memory | None, day: date) -> tuple[float, float]:
    if memory is None:
        return 0.0, 0.0
    keep = 0.5 ** (max(0, (day - memory.last_day).days) / HALF_LIFE_DAYS)
    return memory.near_clean * keep, memory.near_failed * keep


Kin = Mapping[tuple[str, int], Sequence[tuple[Memory, int, Node]]]
"""Memories of nodes by (instrument, partial), with open pitch and node."""


def kin_of(memories: Mapping[str, Memory]) -> Kin:
    """The nodes' memories sorted into families, for many calls of `kin_prior`."""
    families: dict[tuple[str, int], list[tuple[Memory, int, Node]]] = {}
    for key in sorted(memories):
        parts = _node_parts(key)
        if parts:
            instrument, midi, node = parts
            families.setdefault((instrument, node.partial), []).append((memories[key], midi, node))
    return families


def kin_prior(
    key: str, memories: Mapping[str, Memory], day: date, kin: Kin | None = None
) -> tuple[float, float]:
    """Beta weights (clean, failed) for a key from what its kin show, worth two observations.

    Kin of a node: nodes of the same instrument and partial, with weight 1 at the same place on a neighbouring string
    (at most 7 semitones away), else 1/2. Kin of a move: the nodes it arrives at. An excerpt has none.
    """
    clean, failed = PRIOR_WEIGHT * PRIOR_CLEAN, PRIOR_WEIGHT * (1 - PRIOR_CLEAN)
    for memory, weight in _kin(key, memories, kin_of(memories) if kin is None else kin):
        near_clean, near_failed = _near(memory, day)
        clean, failed = clean + weight * near_clean, failed + weight * near_failed
    share = clean / (clean + failed)
    return PRIOR_WEIGHT * share, PRIOR_WEIGHT * (1 - share)


def _kin(key: str, memories: Mapping[str, Memory], kin: Kin) -> Iterable[tuple[Memory, float]]:
    if key.startswith(MOVE):
        for node in key.partition(">")[2].split("+"):
            if NODE + node in memories:
                yield memories[NODE + node], 1.0
        return
    parts = _node_parts(key)
    if parts is None:
        return
    instrument, midi, place = parts
    for memory, other_midi, other in kin.get((instrument, place.partial), ()):
        if memory.key != key:
            neighbour = other == place and abs(other_midi - midi) <= 7
            yield memory, 1.0 if neighbour else 0.5


@lru_cache(maxsize=4096)
def _node_parts(key: str) -> tuple[str, int, Node] | None:
    """Instrument, open pitch and node of a node's key; None where it is none."""
    parts = key.removeprefix(NODE).rsplit("|", 2)
    if not key.startswith(NODE) or len(parts) != 3:
        return None
    try:
        return parts[0], midi_from_note(parts[1]), Node.parse(parts[2])
    except ValueError:
        return None


def fold_ladder(ladder: Ladder | None, reps: Sequence[Rep], rule: Rule = DEFAULT) -> Ladder | None:
    """The ladder of an excerpt after the counted reps of a day (or of several days, in order).

    None where there was no ladder and no rep said anything.
    """
    for rep in sorted(reps, key=lambda rep: (rep.day, rep.at_ms, rep.id)):
        ladder, _ = after_rep(ladder, rep, rule)
    return ladder
