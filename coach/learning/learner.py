"""A simulated player: practises what a plan says and learns, forgets, tires and mis-rates by rules that are all here.

It is a yardstick for planners and the engine of the forecast, no claim about real hands. Each node, each move and the
playing together of each phrase is a skill with a *level*: the log-tempo at which it succeeds half the time when fresh.

- Success at v bpm: P = (1 - lapse) sigmoid(steepness (now - ln v)), with now = start + (level - start) x kept - tired.
  A harmonic rings where its node succeeds; it is late or choked where its move or the playing together fails.
- Forgetting: over days of rest kept falls by (1 + days / stability)^-forget_power (a power law: Wixted and Ebbesen
  1991, Psychol. Sci. 2:409). Each repetition of a day brings back `recover` of what is missing.
- Learning: a repetition raises the level by rate x (ceiling - level) x fit x fresh. `rate` is `learn_clean`, or
  `learn_choked` (may be below 0) where it failed. fit = exp(-((ln v - now - `best_at`) / `fit_width`)^2): far too slow
  and far too fast teach little (Guadagnoli and Lee 2004, J. Motor Behav. 36:212). fresh = 1 / (1 + n / `massed_after`)
  after n repetitions of the day (distributed practice: Simmons 2012, JRME 59:357).
- Spacing: the first repetition of a day multiplies stability by 1 + spacing x (1 - kept), a third of that if it failed.
- Fatigue: beyond 25 minutes without a break, ln v counts as higher by `fatigue` per half-hour; a break halves it.
- Self-rating: a failure is called clean with `blind`, a clean event is called choked with `harsh`.

Sizes are assumptions: no study gives them for this skill. The mutable state is for speed: thousands of days are run.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, time
from random import Random

from coach.learning.evidence import MOVE, NODE
from coach.learning.ladder import (
    OFF_LADDER,
    PROBES,
    Ladder,
    Moved,
    Release,
    after_rep,
    is_probe,
    probe_after,
)
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.release import released
from coach.learning.repertoire import BETWEEN_TURNS_S, Repertoire
from coach.log.entries import Rep
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, LoggedPassage, Passage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE
from coach.strings.instrument import Node

TOGETHER_KEY = "t:"
TIRED_AFTER_MIN = 25.0
WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class Traits:
    """What a simulated player is like; the module's text says what each does."""

    steepness: float = 12.0
    lapse: float = 0.004
    learn_clean: float = 0.035
    learn_choked: float = 0.008
    ceiling: float = 0.8
    """Highest level above the goal tempo, in log-tempo."""
    best_at: float = -0.12
    fit_width: float = 0.35
    massed_after: float = 12.0
    stability: float = 2.5
    forget_power: float = 0.35
    spacing: float = 4.0
    recover: float = 0.35
    fatigue: float = 0.08
    blind: float = 0.0
    harsh: float = 0.0
    node_gap: float = 0.35
    """How far below the goal tempo nodes start on average, in log-tempo; harder partials lie lower."""
    move_gap: float = 0.3
    together_gap: float = 0.25
    unevenness: float = 0.15
    """Standard deviation of the starting levels around their means."""


@dataclass(slots=True)
class Skill:
    """One node, move or phrase together. Levels are natural logarithms of bpm."""

    start: float
    level: float
    stability: float
    day: int = -1
    """The last day of practice, as an ordinal; -1 for never."""
    kept: float = 1.0
    """Of level above start, as of its last repetition."""
    reps_today: int = 0


@dataclass(slots=True)
class Learner:
    """A simulated player of one repertoire. `goal_bpm` is of the drill that the skill was first met in."""

    traits: Traits
    rng: Random
    skills: dict[str, Skill] = field(default_factory=dict)
    ceilings: dict[str, float] = field(default_factory=dict)
    minutes_since_break: float = 0.0


def new_learner(traits: Traits, drills: Sequence[Drill], repertoire: Repertoire, rng: Random) -> Learner:
    """A player who has never practised these drills."""
    learner = Learner(traits, rng)
    for drill in drills:
        goal = math.log(drill.goal_bpm)
        for phrase in drill.phrases:
            whole = repertoire.parts(drill, phrase)[-1]
            for key in whole.keys:
                mean = node_gap(key, traits) if key.startswith(NODE) else move_gap(key, traits)
                add_skill(learner, key, goal, mean)
            if whole.excerpt.layer == TOGETHER:
                add_skill(learner, together_key(drill.id, phrase.id), goal, traits.together_gap)
    return learner


def add_skill(learner: Learner, key: str, log_goal: float, gap: float, known: float | None = None) -> None:
    """A skill that starts `gap` under the goal, give or take; `known` is its level where practice has raised it."""
    if key in learner.skills:
        return
    start = log_goal - gap + learner.rng.gauss(0, learner.traits.unevenness)
    level = max(start, known) if known is not None else start
    learner.skills[key] = Skill(start, level, learner.traits.stability)
    learner.ceilings[key] = log_goal + learner.traits.ceiling


def together_key(drill: str, phrase: str) -> str:
    return f"{TOGETHER_KEY}{drill}:{phrase}"


def node_gap(key: str, traits: Traits) -> float:
    """Partial 4 starts at the mean gap; each partial more lies 0.12 lower, each less 0.12 higher."""
    partial = Node.parse(key.rsplit("|", 1)[1]).partial
    return traits.node_gap + 0.12 * (partial - 4)


def move_gap(key: str, traits: Traits) -> float:
    """A third of a string length starts at the mean gap; longer ways lie lower."""
    start, _, stop = key.removeprefix(MOVE).partition(">")
    first, last = (Node.parse(place.split("+")[0].rsplit("|", 1)[1]).fraction for place in (start, stop))
    return traits.move_gap + 0.6 * (abs(float(first - last)) - 1 / 6)


def chance(learner: Learner, key: str, tempo_bpm: int, day: int, *, rested_days: int = 0) -> float:
    """P(this skill succeeds) at a tempo on a day; with `rested_days`, cold after so many more days without practice."""
    skill, traits = learner.skills[key], learner.traits
    now = _now(learner, skill, day + rested_days)
    if not rested_days:
        now -= _tiredness(learner)
    return (1 - traits.lapse) * _sigmoid(traits.steepness * (now - math.log(tempo_bpm)))


def _now(learner: Learner, skill: Skill, day: int) -> float:
    kept = skill.kept
    if skill.day >= 0 and day > skill.day:
        kept *= _after(day - skill.day, skill.stability, learner.traits)
    return skill.start + (skill.level - skill.start) * kept


def _after(days: int, stability: float, traits: Traits) -> float:
    """Part that stays over days of rest."""
    return float((1 + days / stability) ** -traits.forget_power)


def _tiredness(learner: Learner) -> float:
    return learner.traits.fatigue * max(0.0, learner.minutes_since_break - TIRED_AFTER_MIN) / 30


def _sigmoid(logit: float) -> float:
    return 1 / (1 + math.exp(-max(-40.0, min(logit, 40.0))))


def play(learner: Learner, passage: Passage, tempo_bpm: int, day: int) -> tuple[Fault, ...]:
    """One repetition: what the player reports; skills are practised by what happened."""
    rng, traits = learner.rng, learner.traits
    excerpt = passage.excerpt
    chances: dict[str, float] = {}
    outcomes: dict[str, bool] = {}
    faults: list[Fault] = []
    both = len(passage.layers) > 1 and excerpt.layer == TOGETHER
    together = (
        [together_key(excerpt.drill, phrase) for phrase in dict.fromkeys(excerpt.phrases)] if both else []
    )

    def succeeds(key: str) -> bool:
        if key not in learner.skills:
            return True
        if key not in chances:
            chances[key] = chance(learner, key, tempo_bpm, day)
        good = rng.random() < chances[key]
        outcomes[key] = outcomes.get(key, True) and good
        return good

    # Playing together fails on one event of the repetition, not on each.
    harmonics = [event for event in passage.events if event.is_harmonic]
    slipping = {rng.choice(harmonics).label for key in together if harmonics and not succeeds(key)}
    for event in passage.events:
        # Every node of the event is tried, also after one failed.
        tries = [succeeds(NODE + note.node_key) for note in event.notes if note.node_key]
        rang = all(tries)
        arrived = succeeds(MOVE + event.move) if event.move else True
        result = None
        if not rang:
            result = CHOKED
        elif not arrived or event.label in slipping:
            result = CHOKED if rng.random() < 0.5 else LATE
        if result is not None and rng.random() >= traits.blind:
            faults.append(Fault(event.label, result))
        elif result is None and event.is_harmonic and rng.random() < traits.harsh:
            faults.append(Fault(event.label, CHOKED))
    for key, good in outcomes.items():
        _practised(learner, key, good, tempo_bpm, day)
    return tuple(sorted(faults))


def _practised(learner: Learner, key: str, good: bool, tempo_bpm: int, day: int) -> None:
    skill, traits = learner.skills[key], learner.traits
    if skill.day != day:
        if skill.day >= 0:
            skill.kept *= _after(day - skill.day, skill.stability, traits)
            skill.stability *= 1 + traits.spacing * (1 - skill.kept) * (1.0 if good else 1 / 3)
        skill.day, skill.reps_today = day, 0
    now = skill.start + (skill.level - skill.start) * skill.kept - _tiredness(learner)
    fit = math.exp(-(((math.log(tempo_bpm) - now - traits.best_at) / traits.fit_width) ** 2))
    fresh = 1 / (1 + skill.reps_today / traits.massed_after)
    rate = traits.learn_clean if good else traits.learn_choked
    skill.level += rate * max(0.0, learner.ceilings[key] - skill.level) * fit * fresh
    skill.kept += traits.recover * (1 - skill.kept)
    skill.reps_today += 1


def node_chances(
    learner: Learner, drill: Drill, repertoire: Repertoire, day: int, rested_days: int = WEEK_DAYS
) -> dict[str, float]:
    """P(clean) of each node at the goal tempo in its phrase, all together, cold after a rest: the worst of its places.

    A place counts its node, the move that leads to it and the phrase's playing together (shared by its harmonics).
    """
    worst: dict[str, float] = {}
    for phrase in drill.phrases:
        whole = repertoire.parts(drill, phrase)[-1].passage
        harmonics = sum(event.is_harmonic for event in whole.events)
        shared = together_key(drill.id, phrase.id)
        joint = 1.0
        if shared in learner.skills:
            joint = (
                1 - (1 - chance(learner, shared, drill.goal_bpm, day, rested_days=rested_days)) / harmonics
            )
        for event in whole.events:
            move = 1.0
            if event.move:
                move = chance(learner, MOVE + event.move, drill.goal_bpm, day, rested_days=rested_days)
            for note in event.notes:
                if note.node_key:
                    key = NODE + note.node_key
                    node = chance(learner, key, drill.goal_bpm, day, rested_days=rested_days)
                    worst[key] = min(worst.get(key, 1.0), node * move * joint)
    return worst


@dataclass(slots=True)
class Practised:
    """What a simulated day left: reps in order, ladders by excerpt key, and the seconds it took."""

    reps: list[tuple[Rep, LoggedPassage]]
    ladders: dict[str, Ladder]
    seconds: float


def practise_day(
    learner: Learner, plan: Plan, repertoire: Repertoire, ladders: Mapping[str, Ladder], player: str = "sim"
) -> Practised:
    """A day's practice by a plan, with the session's rules for turns and releases."""
    day = plan.day.toordinal()
    learner.minutes_since_break = 0.0
    done = Practised([], dict(ladders), 0.0)
    left: set[tuple[str, str]] = set()
    for item in plan.items:
        if item.excerpt is None:
            done.seconds += item.minutes * 60
            if item.purpose is Purpose.BREAK:
                learner.minutes_since_break /= 2
            continue
        if {(item.excerpt.drill, phrase) for phrase in item.excerpt.phrases} & left:
            continue
        before = done.seconds
        gone = _turn(learner, item, item.excerpt, repertoire, done, plan.day, day, player)
        if gone:
            left |= {(gone.drill, phrase) for phrase in gone.phrases}
        learner.minutes_since_break += (done.seconds - before) / 60
    return done


def _turn(
    learner: Learner,
    item: PlanItem,
    excerpt: Excerpt,
    repertoire: Repertoire,
    done: Practised,
    day: date,
    ordinal: int,
    player: str,
) -> Excerpt | None:
    """One turn; returns the excerpt that is left for today, where the ladder asks for that."""
    drill = repertoire.drill(excerpt.drill)
    passage = repertoire.passage(excerpt)
    if drill is None or passage is None:
        return None
    tempo = item.tempo_bpm
    known = done.ladders.get(excerpt.key)
    if item.purpose.value not in OFF_LADDER and known and known.last_day == day:
        tempo = known.rung_bpm
    rung, probes, failed_bpm = tempo, 0, 0
    if is_probe(rung, item.probe_bpm, drill.goal_bpm):
        tempo, probes = item.probe_bpm, PROBES
    done.seconds += BETWEEN_TURNS_S
    for _ in range(item.reps):
        rep_s = repertoire.rep_s(excerpt, tempo)
        faults = play(learner, passage, tempo, ordinal)
        rep = _rep(passage, tempo, drill.goal_bpm, faults, item.purpose, day, done, player, rep_s)
        if probes:
            rep = replace(rep, rung_bpm=rung)
        done.reps.append((rep, passage.logged))
        done.seconds += rep_s
        ladder, step = after_rep(done.ladders.get(excerpt.key), rep, available=repertoire.releases(excerpt))
        assert ladder is not None
        assert step is not None
        done.ladders[excerpt.key] = ladder
        failed_bpm = tempo if probes and faults else failed_bpm
        probe_bpm = probe_after(ladder, step, failed_bpm) if probes > 1 else 0
        probes = probes - 1 if probe_bpm else 0
        rung, tempo = ladder.rung_bpm, probe_bpm or ladder.rung_bpm
        if step.kind is Moved.LANDED:
            return None
        if step.release and item.purpose is not Purpose.COLD:
            instead = None if step.release is Release.LEAVE else released(drill, excerpt, step.release)
            changed = repertoire.passage(instead) if instead else None
            if instead is None or changed is None:
                return excerpt
            excerpt, passage, probes = instead, changed, 0
            known = done.ladders.get(excerpt.key)
            tempo = known.rung_bpm if known else min(tempo, drill.goal_bpm)
    return None


def _rep(
    passage: Passage,
    tempo_bpm: int,
    goal_bpm: int,
    faults: tuple[Fault, ...],
    purpose: Purpose,
    day: date,
    done: Practised,
    player: str,
    rep_s: float,
) -> Rep:
    evening = datetime.combine(day, time(18), UTC).timestamp()
    at_ms = round(1000 * (evening + done.seconds))
    return Rep(
        f"{day.toordinal():010}{len(done.reps):016}",
        player,
        at_ms,
        0,
        passage.logged.id,
        passage.excerpt.key,
        tempo_bpm,
        goal_bpm,
        faults,
        purpose=purpose.value,
        duration_ms=round(1000 * rep_s),
    )


VARIED = (
    "learn_clean",
    "learn_choked",
    "stability",
    "forget_power",
    "spacing",
    "massed_after",
    "node_gap",
    "move_gap",
)


def varied(traits: Traits, rng: Random, spread: float = 0.25) -> Traits:
    """Traits scattered around these: positive sizes by a log-normal factor with this deviation."""
    changes = {name: getattr(traits, name) * math.exp(rng.gauss(0, spread)) for name in VARIED}
    return replace(traits, **changes)
