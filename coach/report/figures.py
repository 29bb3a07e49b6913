"""The figures behind a report: pure sums over what the log keeps, ready to print, draw or export.

Conventions: days are practice days, minutes count count-ins and repetitions only. A tempo over days is the clean tempo
(`coach.learning.tempo_estimate`) from the evidence up to each shown day, discounted as memories are. A fail rate is
near the goal tempo (`coach.learning.memory.weakness`) or, before enough is played there, at the tempos practised, with
its middle 80 %; below `KNOWN_WEIGHT` discounted results it says little.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

from coach.ground.plain import json_text, plain_text
from coach.learning.calibration import Calibration, calibration
from coach.learning.evidence import EXCERPT, MOVE, NODE, DayEvidence
from coach.learning.kept import DEFAULT_FOLDS, Folds, keys_of, ladders_of, memories_of
from coach.learning.ladder import Ladder, open_day
from coach.learning.memory import (
    HALF_LIFE_DAYS,
    Memory,
    Weakness,
    effective,
    is_due,
    kin_prior,
    retention,
)
from coach.learning.proportion import beta_quantile
from coach.learning.tempo_estimate import CleanTempo, Tempos, clean_tempos, discounted
from coach.log.entries import Entry
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind
from coach.rating.counts import Counts, sum_counts
from coach.report.sums import DayTotal, Sums, evidence_in, sums_of
from coach.report.task import Task, open_tasks
from coach.words.names import instrument_of_place, logged_name, place_name

SHOWN_DAYS = 90
"""How far back a report looks where nothing else is asked for."""
KNOWN_WEIGHT = 1.5
ENOUGH_RESULTS = 5.0
"""Discounted results from which a clean tempo is told, as six of this week are."""
WIDE = 2.0
"""Fewer are told, too, where the interval's ends differ by less than this factor."""
BEYOND = 1.1
"""A clean tempo more than this far above everything played is a guess."""
CURVE_POINTS = 20
CURVE_REACH_DAYS = 140
"""Evidence older than ten half-lives adds less than a thousandth of itself."""
WEAKEST = 12
WHOLE = (Kind.PHRASE, Kind.JOIN, Kind.PIECE)


@dataclass(frozen=True, slots=True)
class TempoPoint:
    """The clean tempo as it stood after one day."""

    day: date
    tempo: CleanTempo


@dataclass(frozen=True, slots=True)
class ExcerptFigures:
    """A phrase, join or piece in one layer."""

    key: str
    excerpt: Excerpt
    title: str
    drill_title: str
    goal_bpm: int
    rung_bpm: int
    landed_days: tuple[date, ...]
    tempo: CleanTempo | None
    curve: tuple[TempoPoint, ...]
    memory: Memory
    retention: float | None
    minutes: float
    """Since the report's first day."""

    @property
    def fastest_bpm(self) -> int:
        """The fastest tempo with a rated result that still counts; 0 where there is none."""
        return max((bpm for bpm, clean, failed in self.memory.tempos if clean + failed), default=0)

    @property
    def known(self) -> bool:
        """Whether enough was played for the clean tempo to be told."""
        tempo = self.tempo
        return tempo is not None and (tempo.weight >= ENOUGH_RESULTS or tempo.high_bpm < WIDE * tempo.low_bpm)

    @property
    def beyond(self) -> bool:
        """Whether the clean tempo lies well above anything played, so that only a lower bound can be told."""
        return self.tempo is not None and self.tempo.bpm > BEYOND * self.fastest_bpm


@dataclass(frozen=True, slots=True)
class PlaceFigures:
    """A node or a move."""

    key: str
    name: str
    memory: Memory
    fail: Weakness
    """Of its results near the goal tempo, or at the tempos practised where those are too few."""
    near_goal: bool
    retention: float | None

    @property
    def known(self) -> bool:
        return self.fail.weight >= KNOWN_WEIGHT


@dataclass(frozen=True, slots=True)
class Report:
    """One player's progress up to a practice day."""

    player: str
    day: date
    since: date
    drill: str
    """Title of the one drill that it is about; empty for all."""
    days: tuple[DayTotal, ...]
    excerpts: tuple[ExcerptFigures, ...]
    """Practised since the first day, the latest practised first."""
    nodes: tuple[PlaceFigures, ...]
    """All that were ever practised, the likeliest to fail first."""
    moves: tuple[PlaceFigures, ...]
    due: tuple[tuple[str, date], ...]
    """What is due within a week, by name, the longest due first."""
    calibration: Calibration | None
    tasks: tuple[Task, ...] = ()
    """Open assignments, the first due first."""
    hurts: tuple[date, ...] = ()
    """The days on which a session was stopped because something hurt."""
    notes: tuple[tuple[date, str], ...] = ()
    """The player's own words, by day, the oldest first."""

    @property
    def minutes(self) -> float:
        return sum(day.duration_ms for day in self.days) / 60_000

    @property
    def marked(self) -> Counts:
        """How often each result and cause was marked since the first day."""
        return sum_counts(day.marked for day in self.days)


def make_report(
    log: Log,
    day: date,
    since: date | None = None,
    drill: str = "",
    drills: Sequence[Drill] = (),
    curves: int | None = None,
    folds: Folds = DEFAULT_FOLDS,
) -> Report:
    """The report of the log's player on a practice day.

    `drill` is the id of the one drill that it is about; `drills` give titles and today's goals. `curves` limits for how
    many excerpts, the latest practised first, the tempo over days is computed; None is all. `folds` are the player's
    settings.
    """
    since = since or day - timedelta(days=SHOWN_DAYS - 1)
    memories, ladders = memories_of(log, day, folds), ladders_of(log, day, folds)
    sums = sums_of(log, day)
    titles = log.titles()
    by_id = {one.id: one for one in drills}
    chosen = dict(memories)
    if drill:
        keys = {
            key
            for passage in log.passages()
            if passage.excerpt.startswith(f"{drill}:")
            for key in keys_of(passage)
        }
        chosen = {key: memory for key, memory in memories.items() if key in keys}
    excerpts = _excerpts(sums, chosen, ladders, titles, by_id, day, since, curves)
    places = {
        kind: tuple(_places(chosen, memories, kind, day, WEAKEST if kind == MOVE else None))
        for kind in (NODE, MOVE)
    }
    title = by_id[drill].title if drill in by_id else drill
    return Report(
        log.player.name,
        day,
        since,
        plain_text(title),
        tuple(_days(sums, day, since, drill)),
        tuple(excerpts),
        places[NODE],
        places[MOVE],
        tuple(_due(chosen, titles, day)),
        calibration(memory.calibration for memory in chosen.values()),
        open_tasks([one for one in drills if drill in ("", one.id)], ladders, day),
        _hurts(log, since, day),
        _notes(log, since, day),
    )


def _hurts(log: Log, since: date, day: date) -> tuple[date, ...]:
    days = {entry.day for entry in log.entries("hurt")}
    return tuple(sorted(one for one in days if since <= one <= day))


def _notes(log: Log, since: date, day: date) -> tuple[tuple[date, str], ...]:
    rows = [(entry.day, entry.at_ms, plain_text(note_text(entry))) for entry in log.entries("note")]
    return tuple((one, text) for one, _, text in sorted(rows) if since <= one <= day)


def note_text(entry: Entry) -> str:
    """The words of an entry of kind `note`; its body as it is where a program wrote another kind of body."""
    return str(entry.body.get("text", json_text(entry.body)))


def name_of(key: str, titles: Mapping[str, str]) -> str:
    """An evidence key as players call it; `titles` are by excerpt key."""
    if key.startswith(EXCERPT):
        excerpt = key.removeprefix(EXCERPT)
        return logged_name(excerpt, titles.get(excerpt, ""))
    return place_name(key[2:])


def _excerpts(
    sums: Sums,
    memories: Mapping[str, Memory],
    ladders: Mapping[str, Ladder],
    titles: Mapping[str, str],
    drills: Mapping[str, Drill],
    day: date,
    since: date,
    most_curves: int | None,
) -> list[ExcerptFigures]:
    shown = []
    for key, memory in memories.items():
        if not key.startswith(EXCERPT) or memory.last_day < since:
            continue
        try:
            excerpt = Excerpt.parse(key.removeprefix(EXCERPT))
        except ValueError:
            continue
        if excerpt.kind in WHOLE and excerpt.key in ladders:
            shown.append((key, excerpt, memory))
    shown.sort(key=lambda item: (-item[2].last_day.toordinal(), item[0]))
    drawn = {key for key, _, _ in shown[:most_curves]}
    reach = since - timedelta(days=CURVE_REACH_DAYS)
    evidence = {
        key: [
            one for one in sums.evidence.get(key, ()) if (reach if key in drawn else since) <= one.day <= day
        ]
        for key, _, _ in shown
    }
    curves, now = _curves(
        {key: evidence[key] for key in evidence if key in drawn},
        {key: memory for key, _, memory in shown},
        since,
        day,
    )
    figures = []
    for key, excerpt, memory in shown:
        ladder = ladders[excerpt.key]
        drill = drills.get(excerpt.drill)
        goal = drill.goal_bpm if drill else ladder.goal_bpm
        ladder = open_day(ladder, day, goal)
        spent_ms = sum(one.duration_ms for one in evidence[key] if one.day >= since)
        figures.append(
            ExcerptFigures(
                key,
                excerpt,
                name_of(key, titles),
                plain_text(drill.title if drill else excerpt.drill),
                goal,
                ladder.rung_bpm,
                ladder.landed_days,
                now[key] if memory.tempos else None,
                curves.get(key, ()),
                memory,
                retention(memory, day) if memory.cold_day else None,
                spent_ms / 60_000,
            )
        )
    return figures


def _curves(
    evidence: Mapping[str, Sequence[DayEvidence]], memories: Mapping[str, Memory], since: date, today: date
) -> tuple[dict[str, tuple[TempoPoint, ...]], dict[str, CleanTempo]]:
    """Clean tempo after some of each key's practised days since the first one, and today's; one sum for all."""
    wanted: list[tuple[str, date]] = []
    for key, days in evidence.items():
        rated = [one.day for one in days if one.day >= since and one.tallies]
        step = max(1, -(-len(rated) // CURVE_POINTS))
        wanted += [(key, day) for day in rated[::-1][::step][::-1]]
    rows = [_tempos_on(evidence[key], day) for key, day in wanted]
    rows += [discounted(memory, today) for memory in memories.values()]
    goals = [max(memories[key].goal_bpm, 1) for key, _ in wanted]
    goals += [max(memory.goal_bpm, 1) for memory in memories.values()]
    tempos = clean_tempos(rows, goals)
    curves: dict[str, list[TempoPoint]] = {key: [] for key in evidence}
    for (key, day), tempo in zip(wanted, tempos, strict=False):
        curves[key].append(TempoPoint(day, tempo))
    now = dict(zip(memories, tempos[len(wanted) :], strict=True))
    return {key: tuple(points) for key, points in curves.items()}, now


def _tempos_on(days: Sequence[DayEvidence], day: date) -> Tempos:
    """Results by tempo up to a day, discounted to it."""
    sums: dict[int, list[float]] = {}
    for one in days:
        if one.day > day or (day - one.day).days > CURVE_REACH_DAYS:
            continue
        keep = 0.5 ** ((day - one.day).days / HALF_LIFE_DAYS)
        for bpm, _, clean, failed in one.tallies:
            entry = sums.setdefault(bpm, [0.0, 0.0])
            entry[0] += clean * keep
            entry[1] += failed * keep
    return [(bpm, clean, failed) for bpm, (clean, failed) in sorted(sums.items())]


def _places(
    chosen: Mapping[str, Memory],
    memories: Mapping[str, Memory],
    kind: str,
    day: date,
    most: int | None,
) -> list[PlaceFigures]:
    """Nodes or moves, the likeliest to fail first; of those with enough results, then the rest."""
    ranked = []
    for key, memory in chosen.items():
        if key.startswith(kind):
            clean, failed, near_goal = _weights(memory, day)
            prior_clean, prior_failed = kin_prior(key, memories, day)
            a, b = prior_failed + failed, prior_clean + clean
            ranked.append((clean + failed < KNOWN_WEIGHT, -a / (a + b), key, a, b, clean + failed, near_goal))
    ranked.sort()
    several = len({instrument_of_place(rank[2][2:]) for rank in ranked}) > 1
    figures = []
    for _, _, key, a, b, weight, near_goal in ranked[:most]:
        memory = chosen[key]
        figures.append(
            PlaceFigures(
                key,
                place_name(key[2:]) + (f" ({instrument_of_place(key[2:])})" if several else ""),
                memory,
                Weakness(beta_quantile(0.1, a, b), a / (a + b), beta_quantile(0.9, a, b), weight),
                near_goal,
                retention(memory, day) if memory.cold_day else None,
            )
        )
    return figures


def _weights(memory: Memory, day: date) -> tuple[float, float, bool]:
    """Discounted weights of clean and failed results: near the goal tempo where there are enough, else at any tempo.

    Results at any tempo are shrunk as those near the goal are, by the design effect of a usual day's number.
    """
    keep = 0.5 ** (max(0, (day - memory.last_day).days) / HALF_LIFE_DAYS)
    clean, failed = memory.near_clean * keep, memory.near_failed * keep
    if clean + failed >= KNOWN_WEIGHT:
        return clean, failed, True
    rows = discounted(memory, day)
    clean, failed = sum(row[1] for row in rows), sum(row[2] for row in rows)
    a_day = max(1.0, memory.reps / memory.days)
    shrink = effective(round(a_day)) / round(a_day)
    return clean * shrink, failed * shrink, False


def _due(memories: Mapping[str, Memory], titles: Mapping[str, str], day: date) -> list[tuple[str, date]]:
    soon = day + timedelta(days=7)
    dues = []
    for key, memory in memories.items():
        if memory.due is not None and (is_due(memory, day) or memory.due <= soon):
            dues.append((memory.due, name_of(key, titles)))
    return [(name, due) for due, name in sorted(dues)]


def _days(sums: Sums, day: date, since: date, drill: str) -> list[DayTotal]:
    if not drill:
        return [one for one in sums.days if since <= one.day <= day]
    rows = sorted(evidence_in(sums, f"{EXCERPT}{drill}:", since, day), key=lambda one: one.day)
    return [_sum(one_day, list(group)) for one_day, group in itertools.groupby(rows, key=lambda one: one.day)]


def _sum(day: date, evidence: Sequence[DayEvidence]) -> DayTotal:
    """A day of one drill, from its excerpts: every rep is of one excerpt."""
    return DayTotal(
        day,
        sum(one.duration_ms for one in evidence),
        sum(one.reps for one in evidence),
        sum(one.clean + one.failed for one in evidence),
        sum(one.clean for one in evidence),
        sum_counts(one.marked for one in evidence),
    )
