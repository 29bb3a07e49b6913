"""The tempo ladder: a staircase in log-tempo on whole bpm that asks for control before speed.

Conventions: a rung is a whole number of bpm, never under the floor of 20 nor over the goal; steps are parts of the
tempo (0.05 is 5 %), never smaller than 1 bpm. One ladder belongs to one excerpt key (phrase x layer, half, node ...).

| rep | at the rung's tempo | other tempo |
| --- | --- | --- |
| clean | counts towards the climb; at the goal, towards landing | faster: lifts the rung there; slower: says nothing |
| failed | drops one rung; a row of them asks for a release | slower: drops one rung; faster: says nothing |
| unrated | nothing: the caller leaves it out | nothing |

Rules: k clean in a row to climb, one failed rep to drop, converges where a rep is clean with probability
0.5^(1/k) (Levitt 1971, JASA 49(2B):467-477); the weighted rule climbs after every clean rep and drops after every
failed one with rise x p = drop x (1 - p), and converges at p (Kaernbach 1991, Percept. Psychophys. 49(3):227-229).
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date
from enum import StrEnum
from typing import Any

from coach.log.entries import Rep
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import verdict

WIDE_STEP = 0.05
WIDEST_STEP = 0.1
"""Reached only by a run of climbs: the player is far under what the hands can do."""
FINE_STEP = WIDE_STEP / 8
"""Below 1 bpm at any usual tempo; keeps the halving from running to nothing."""
LUCKY_RUN = 1 / 8
"""Steps widen after a run of clean reps that at the rule's own convergence would be rarer than this."""
FAILS_IN_ROW_TO_RELEASE = 3
FAILS_WITHOUT_CLIMB_TO_RELEASE = 5
DAYS_TO_LAND = 2
PROBES = 3
"""Probes in a turn at most: the planned one, then faster or slower ones as it went (`probe_after`)."""


class Release(StrEnum):
    """What to change when an excerpt stays choked, the mildest first."""

    FEWER_LAYERS = "fewer layers"
    EASIER = "easier version"
    HALF = "half the phrase"
    LEAVE = "leave it for today"


class Moved(StrEnum):
    """What a rep did to the ladder."""

    HOLD = "hold"
    CLIMB = "climb"
    DROP = "drop"
    LANDED = "landed"


@dataclass(frozen=True, slots=True)
class Rule:
    """When the ladder moves: k clean in a row to climb, or weighted steps that converge at `target`."""

    clean_to_climb: int = 3
    """Also how many clean in a row the goal tempo must hold on a day, under either rule."""
    target: float | None = None
    """Probability of a clean rep at which the weighted rule converges; None for the k-in-a-row rule."""

    def __post_init__(self) -> None:
        if not 1 <= self.clean_to_climb <= 20:
            raise ValueError(f"{self.clean_to_climb} clean reps to climb is outside 1 to 20")
        if self.target is not None and not 0.5 <= self.target < 1.0:
            raise ValueError(f"target {self.target:g} is outside 0.5 to below 1")

    @property
    def converges_at(self) -> float:
        """Probability of a clean rep around which the ladder settles."""
        return self.target if self.target is not None else 0.5 ** (1 / self.clean_to_climb)

    @property
    def drop_to_rise(self) -> float:
        """Size of a drop against a rise in log-tempo: p / (1 - p) for the weighted rule, else 1."""
        return 1.0 if self.target is None else self.target / (1 - self.target)


DEFAULT = Rule()


@dataclass(frozen=True, slots=True)
class Ladder:
    """Where one excerpt stands on its way to the goal tempo."""

    rung_bpm: int
    start_bpm: int
    goal_bpm: int
    step: float = WIDE_STEP
    clean_in_row: int = 0
    fails_in_row: int = 0
    fails_since_climb: int = 0
    climbs_in_row: int = 0
    direction: int = 0
    """Of the last move by the rule: 1 up, -1 down, 0 none yet."""
    reversals: int = 0
    counted_bpm: int = 0
    """The rung at which `clean_in_row` was counted: a player's move there and back costs nothing."""
    regain_bpm: int = 0
    """Under this rung, where the last day ended, one clean rep climbs; 0 once regained, or lost by a failed rep."""
    carry: float = 0.0
    """Log-tempo that the weighted rule has gained beyond the whole bpm of the rung."""
    releases_today: int = 0
    reps: int = 0
    """Rated reps ever."""
    last_day: date | None = None
    landed_days: tuple[date, ...] = ()
    """The first days, at most two, on which the goal tempo held its criterion."""

    @property
    def landed(self) -> bool:
        """Whether the goal tempo held its criterion on two different days."""
        return len(self.landed_days) >= DAYS_TO_LAND

    def to_json(self) -> str:
        """Canonical JSON; floats are exact."""
        body = asdict(self)
        body["last_day"] = self.last_day.isoformat() if self.last_day else None
        body["landed_days"] = [day.isoformat() for day in self.landed_days]
        return json.dumps(body, sort_keys=True, separators=(",", ":"))

    @classmethod
    def from_json(cls, text: str) -> Ladder:
        """The inverse of `to_json`; ValueError, KeyError or TypeError on other text."""
        body: dict[str, Any] = json.loads(text)
        body["last_day"] = date.fromisoformat(body["last_day"]) if body["last_day"] else None
        body["landed_days"] = tuple(date.fromisoformat(day) for day in body["landed_days"])
        return cls(**body)


@dataclass(frozen=True, slots=True)
class Step:
    """What one rep did: to be told to the player."""

    kind: Moved
    from_bpm: int
    to_bpm: int
    release: Release | None = None
    clean_in_row: int = 0
    """At the rung the rep was played at, this rep included."""
    goal_days: int = 0
    """Days, of the two needed, on which the goal tempo has held its criterion."""


def new_ladder(start_bpm: int, goal_bpm: int) -> Ladder:
    """A ladder on its first rung; ValueError unless 20 <= start <= goal <= 300."""
    if not MIN_BPM <= start_bpm <= goal_bpm <= MAX_BPM:
        raise ValueError(
            f"start {start_bpm} and goal {goal_bpm} bpm: expected {MIN_BPM} <= start <= goal <= {MAX_BPM}"
        )
    return Ladder(start_bpm, start_bpm, goal_bpm, counted_bpm=start_bpm)


def open_day(ladder: Ladder, day: date, goal_bpm: int) -> Ladder:
    """The ladder at the start of a practice day: a little under the last rung, with wide steps again.

    Up to the last rung, one clean rep climbs a step: else a day's few reps would only win back the night's loss.
    One step under after up to a week, two after up to a month, three after more. On the ladder's first day, and on
    the day it stands at already, the rung stays. A goal that rose must be landed anew.
    """
    if not MIN_BPM <= goal_bpm <= MAX_BPM:
        raise ValueError(f"goal {goal_bpm} bpm is outside {MIN_BPM} to {MAX_BPM}")
    if goal_bpm != ladder.goal_bpm:
        kept = ladder.landed_days if goal_bpm < ladder.goal_bpm else ()
        rung = min(ladder.rung_bpm, goal_bpm)
        ladder = replace(
            ladder,
            goal_bpm=goal_bpm,
            start_bpm=min(ladder.start_bpm, goal_bpm),
            rung_bpm=rung,
            carry=ladder.carry if rung == ladder.rung_bpm else 0.0,
            landed_days=kept,
            regain_bpm=min(ladder.regain_bpm, goal_bpm),
        )
    if ladder.last_day is None or day <= ladder.last_day:
        return ladder if ladder.last_day else replace(ladder, last_day=day)
    away = (day - ladder.last_day).days
    # A day of nothing but warm-up or cold repetitions, which say little of the rung, must not lower it.
    last = max(ladder.rung_bpm, ladder.regain_bpm)
    rung = last
    for _ in range(1 if away <= 7 else 2 if away <= 31 else 3):
        rung = _lower(rung, WIDE_STEP)
    return replace(
        ladder,
        rung_bpm=rung,
        step=WIDE_STEP,
        clean_in_row=0,
        fails_in_row=0,
        fails_since_climb=0,
        climbs_in_row=0,
        direction=0,
        counted_bpm=rung,
        regain_bpm=last,
        carry=0.0,
        releases_today=0,
        last_day=day,
    )


def moved(ladder: Ladder, bpm: int) -> Ladder:
    """The rung that the player chose, kept within floor and goal; a lower one holds over the night."""
    rung = _within(bpm, ladder.goal_bpm)
    if rung == ladder.rung_bpm:
        return ladder
    return replace(
        ladder, rung_bpm=rung, carry=0.0, regain_bpm=ladder.regain_bpm if rung > ladder.rung_bpm else 0
    )


def after(
    ladder: Ladder,
    clean: bool,
    day: date,
    tempo_bpm: int | None = None,
    rule: Rule = DEFAULT,
    available: Sequence[Release] = tuple(Release),
) -> tuple[Ladder, Step]:
    """The ladder after one rated rep, and what happened.

    `tempo_bpm` is where the rep was played, the rung if None; see the table above for other tempos.
    `available` are the releases that this excerpt has (`release.releases_for`); the last one repeats.
    """
    ladder = open_day(ladder, day, ladder.goal_bpm)
    if ladder.counted_bpm != ladder.rung_bpm:
        ladder = replace(ladder, counted_bpm=ladder.rung_bpm, clean_in_row=0)
    ladder = replace(ladder, reps=ladder.reps + 1)
    tempo = ladder.rung_bpm if tempo_bpm is None else tempo_bpm
    if clean and tempo >= ladder.rung_bpm:
        return _after_clean(ladder, day, tempo, rule)
    if not clean and tempo <= ladder.rung_bpm:
        return _after_fail(ladder, rule, available)
    return ladder, _step(Moved.HOLD, ladder, ladder)


def is_probe(rung_bpm: int, tempo_bpm: int, goal_bpm: int) -> bool:
    """Whether a tempo is so far above the rung that a probe there is worth a repetition: a wide step, or the goal."""
    return rung_bpm < tempo_bpm >= min(_higher(rung_bpm, WIDE_STEP), goal_bpm)


def probe_after(ladder: Ladder, step: Step | None, failed_bpm: int = 0) -> int:
    """The tempo of the next probe after one that did `step` (None where it said nothing); 0 for none.

    After a clean one, which lifted the rung, a widest step further. `failed_bpm` is the slowest that failed in this
    turn, 0 for none: the next lies halfway between the rung and it, in log-tempo. So a few repetitions find where the
    excerpt goes, and the ladder climbs on from there.
    """
    if step is None:
        return 0
    found = min(ladder.goal_bpm, _higher(ladder.rung_bpm, WIDEST_STEP))
    if (failed_bpm and found >= failed_bpm) or step.kind is not Moved.CLIMB:
        found = round(math.sqrt(ladder.rung_bpm * failed_bpm))
    return found if is_probe(ladder.rung_bpm, found, ladder.goal_bpm) else 0


OFF_LADDER = ("cold", "warm-up")
"""Purposes of turns that are played at a tempo of their own, so that it does not move the rung there."""


def after_rep(
    ladder: Ladder | None, rep: Rep, rule: Rule = DEFAULT, available: Sequence[Release] = tuple(Release)
) -> tuple[Ladder | None, Step | None]:
    """The ladder after a rep of the log; the session and every replay go through here.

    A rep that says nothing (`verdict`) changes nothing. The rung is where the rep says that it was. One that does not
    say so and is off the rung was the player's choice and moves it there, unless its purpose has a tempo of its own.
    """
    clean = verdict(rep.faults)
    if clean is None:
        return ladder, None
    if ladder is None:
        goal = max(MIN_BPM, min(rep.goal_bpm, MAX_BPM))
        ladder = new_ladder(_within(rep.rung_bpm or rep.tempo_bpm, goal), goal)
    ladder = open_day(ladder, rep.day, rep.goal_bpm)
    if rep.rung_bpm:
        ladder = moved(ladder, rep.rung_bpm)
    elif rep.purpose not in OFF_LADDER:
        ladder = moved(ladder, rep.tempo_bpm)
    return after(ladder, clean, rep.day, rep.tempo_bpm, rule, available)


def _after_clean(ladder: Ladder, day: date, tempo_bpm: int, rule: Rule) -> tuple[Ladder, Step]:
    origin = ladder
    if tempo_bpm > ladder.rung_bpm:
        lifted = _within(tempo_bpm, ladder.goal_bpm)
        ladder = replace(ladder, rung_bpm=lifted, counted_bpm=lifted, clean_in_row=0, carry=0.0)
    ladder = replace(ladder, clean_in_row=ladder.clean_in_row + 1, fails_in_row=0)
    held = ladder.clean_in_row
    if ladder.rung_bpm == ladder.goal_bpm:
        kind = Moved.CLIMB if ladder.rung_bpm > origin.rung_bpm else Moved.HOLD
        if held >= rule.clean_to_climb and day not in ladder.landed_days and not ladder.landed:
            ladder = replace(ladder, landed_days=(*ladder.landed_days, day), fails_since_climb=0)
            kind = Moved.LANDED if ladder.landed else kind
        return ladder, _step(kind, origin, ladder, held)
    if ladder.rung_bpm < ladder.regain_bpm:
        rung = min(ladder.regain_bpm, _higher(ladder.rung_bpm, WIDE_STEP))
        ladder = replace(ladder, rung_bpm=rung, counted_bpm=rung, clean_in_row=0)
        return ladder, _step(Moved.CLIMB, origin, ladder, held)
    if rule.target is None and held < rule.clean_to_climb:
        kind = Moved.CLIMB if ladder.rung_bpm > origin.rung_bpm else Moved.HOLD
        return ladder, _step(kind, origin, ladder, held)
    turned = _turned(ladder, 1, rule)
    if rule.target is None:
        rung, carry = _higher(turned.rung_bpm, turned.step), 0.0
    else:
        rung, carry = _weighted(turned, (1 - rule.target) / rule.target)
    rung = min(rung, ladder.goal_bpm)
    climbed = rung > ladder.rung_bpm
    ladder = replace(
        turned,
        rung_bpm=rung,
        carry=carry if rung < ladder.goal_bpm else 0.0,
        counted_bpm=rung,
        clean_in_row=0 if climbed else held,
        fails_since_climb=0 if climbed else ladder.fails_since_climb,
    )
    return ladder, _step(Moved.CLIMB if rung > origin.rung_bpm else Moved.HOLD, origin, ladder, held)


def _after_fail(ladder: Ladder, rule: Rule, available: Sequence[Release]) -> tuple[Ladder, Step]:
    turned = _turned(ladder, -1, rule)
    if rule.target is None:
        rung, carry = _lower(turned.rung_bpm, turned.step), 0.0
    else:
        rung, carry = _weighted(turned, -1.0)
    dropped = replace(
        turned,
        rung_bpm=rung,
        carry=carry if rung > MIN_BPM else 0.0,
        counted_bpm=rung,
        clean_in_row=0,
        fails_in_row=turned.fails_in_row + 1,
        fails_since_climb=turned.fails_since_climb + 1,
        regain_bpm=0,
    )
    release = None
    stays_choked = (
        dropped.fails_in_row >= FAILS_IN_ROW_TO_RELEASE
        or dropped.fails_since_climb >= FAILS_WITHOUT_CLIMB_TO_RELEASE
    )
    if stays_choked and available:
        release = available[min(dropped.releases_today, len(available) - 1)]
        dropped = replace(
            dropped, fails_in_row=0, fails_since_climb=0, releases_today=dropped.releases_today + 1
        )
    kind = Moved.DROP if rung < ladder.rung_bpm else Moved.HOLD
    return dropped, replace(_step(kind, ladder, dropped), release=release)


def _turned(ladder: Ladder, direction: int, rule: Rule) -> Ladder:
    """Step size and reversals before a move: halved where the direction turns, wider after a run of climbs."""
    step, reversals = ladder.step, ladder.reversals
    climbs = ladder.climbs_in_row + 1 if direction > 0 else 0
    if ladder.direction == -direction:
        step, reversals = max(step / 2, FINE_STEP), reversals + 1
    elif climbs > _climbs_to_widen(rule):
        # The weighted rule climbs at every clean rep: runs are usual there, and wider rises would shift its balance.
        step = min(step * 2, WIDEST_STEP if rule.target is None else WIDE_STEP)
    return replace(ladder, step=step, reversals=reversals, climbs_in_row=climbs, direction=direction)


def _climbs_to_widen(rule: Rule) -> int:
    reps = math.log(LUCKY_RUN) / math.log(rule.converges_at)
    return round(reps / rule.clean_to_climb) if rule.target is None else round(reps)


def _weighted(ladder: Ladder, drops: float) -> tuple[int, float]:
    """Rung and carry after a rise of so many drops (-1 is a drop, which is at least 1 bpm)."""
    drop = max(ladder.step, 1 / ladder.rung_bpm)
    exact = ladder.rung_bpm * math.exp(ladder.carry + drops * drop)
    rung = max(MIN_BPM, round(exact))
    return rung, math.log(exact / rung)


def _higher(rung_bpm: int, step: float) -> int:
    return max(rung_bpm + 1, round(rung_bpm * (1 + step)))


def _lower(rung_bpm: int, step: float) -> int:
    return max(MIN_BPM, min(rung_bpm - 1, round(rung_bpm / (1 + step))))


def _within(bpm: int, goal_bpm: int) -> int:
    return max(MIN_BPM, min(bpm, goal_bpm))


def _step(kind: Moved, before: Ladder, now: Ladder, held: int = 0) -> Step:
    return Step(
        kind,
        before.rung_bpm,
        now.rung_bpm,
        clean_in_row=held,
        goal_days=min(len(now.landed_days), DAYS_TO_LAND),
    )
