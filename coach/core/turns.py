"""Which turns the minutes go to: a greedy choice among excerpts, spaced and interleaved.

Each candidate excerpt has a worth per second: the sum, over its nodes and moves and itself, of the log-tempo that each
still lacks to the goal and a margin, raised to 1.5, times how well the excerpt's tempo suits it. Far below what a node
can do it is idled, far above it is choked (the challenge point of Guadagnoli and Lee 2004, J. Motor Behav. 36:212): the
suit is exp(-(ln(tempo / clean tempo) / 0.4)^2). So a phrase wins where most of it is about equally weak, or where it
lacks more than its weakest part does (playing it together is the trouble); a single node or move wins where that is
what holds the phrase's tempo down. Suiting repetitions lower what the next ones on the same nodes and moves are worth
today, and a turn right after one on the same phrase is worth less, still less on the same excerpt: so turns come back
spaced and interleaved. The first turn on an excerpt is the longest (a short blocked start). New material comes first,
unless a phrase failed its last cold test; each layer of a new phrase has its turn, then all together the same day.

The sizes below were tuned on simulated learners (`benchmarks/bench_planner.py`); most may change by half without a
difference that the benchmark could tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from coach.core.drill import TOGETHER, Drill, Phrase
from coach.core.evidence import EXCERPT, MOVE, NODE
from coach.core.excerpt import Excerpt, Kind
from coach.core.memory import kin_prior, weakness
from coach.core.plan import PlanItem, Purpose
from coach.core.repertoire import BETWEEN_TURNS_S, Part, spoken, title_of
from coach.core.rhythm import MIN_BPM
from coach.core.standing import Standing
from coach.core.tempo_estimate import chance_clean

FIRST_REPS = 6
LATER_REPS = 4
PLAIN_REPS = 4
"""Of a layer without any node, once a day: its notes are the ground for the others, and rarely what is hard."""
MOST_TURNS = 5
"""On one excerpt in one day."""
HALVED_AFTER_REPS = 6.0
"""Repetitions of a node or move today after which the next ones are worth half."""
SAME_PHRASE = 0.75
SAME_EXCERPT = 0.4
"""What a turn is worth right after one on the same phrase, and on the same excerpt."""
POWER = 1.5
"""Above 1: what lacks much counts for more than many that lack a little, since the piece waits for its weakest."""
SPARE = 0.02
"""Worth of practising a key that never fails: more than nothing, so that spare minutes are filled."""
SUIT_WIDTH = 0.4
TOGETHER_SLOWER = 0.8
"""Where layers are first joined, against where they were alone."""
AT_ONCE = 1_000_000
"""A first turn that comes next, whatever waits."""
JOINT = 1.0
"""What a phrase lacks beyond its weakest part counts so much for each of its nodes."""
GRIND = 0.25
"""What is left of a turn's worth where hardly a repetition will be clean: the share of clean repetitions is what lasts
(Duke, Simmons and Cash 2009, JRME 56:310). ..."""
GRIND_BELOW = 0.2
"""... Nothing is taken off from this chance of a clean repetition on."""
LEAP = 2.0
"""A day's first turn starts at most so many times over the ladder's rung, where nodes and moves are known to go."""
WHOLE_CLEAN = 0.6
"""Chance of a whole clean repetition at that start."""
MOST_PHRASES = 24
MOST_SHORT = 24
"""Phrases, and single nodes and moves, that are looked at closely; the neediest are."""


@dataclass(slots=True)
class _Candidate:
    purpose: Purpose
    excerpt: Excerpt
    tempo_bpm: int
    rep_s: float
    title: str
    needs: tuple[tuple[str, float, float], ...]
    """Its keys, what a second on each is worth before any turn today, and how well the tempo suits the key."""
    reason: str = ""
    weakest: str = ""
    first: int = 0
    """Above 0: its first turn comes before all others, the highest first."""
    plain: bool = False
    """A layer alone that has no node."""
    turns: int = 0

    def worth_now(self, done: Mapping[str, float], last: Excerpt | None) -> tuple[int, float, str]:
        """For ordering: new first, then by worth, then by key. `done` are today's suiting repetitions by key."""
        worth = sum(
            need * suit * 0.5 ** (done.get(key, 0) / HALVED_AFTER_REPS) for key, need, suit in self.needs
        )
        if last and (self.excerpt.drill, self.excerpt.phrases) == (last.drill, last.phrases):
            worth *= SAME_EXCERPT if self.excerpt == last else SAME_PHRASE
        return 0 if self.turns else self.first, worth, self.excerpt.key


def urgency(drill: Drill, day: date) -> float:
    """How much more a drill's turns count because its assignment falls due: 1 to 3."""
    due = drill.assignment.due if drill.assignment else None
    if due is None:
        return 1.0
    days = (due - day).days
    return 1.5 if days > 14 else 2.0 if days > 7 else 3.0


def turns(
    standing: Standing, new: Sequence[tuple[Drill, Phrase]], seconds: float, new_first: bool = True
) -> list[PlanItem]:
    """Turns that fill the seconds: with `new_first` the layers of `new` phrases, then what is worth most."""
    pool = [*_candidates(standing, new, new_first)]
    unmet = {place: {part.excerpt for part in standing.work(*place)} for place in _layered(standing, new)}
    items: list[PlanItem] = []
    last: Excerpt | None = None
    done: dict[str, float] = {}
    while True:
        fitting = [(each, reps) for each in pool if (reps := _reps(each, seconds))]
        if not fitting:
            return items
        candidate, reps = max(fitting, key=lambda pair: pair[0].worth_now(done, last))
        used = reps * candidate.rep_s + BETWEEN_TURNS_S
        seconds -= used
        reason = _reason(standing, candidate)
        purpose = Purpose.BUILD if candidate.turns and candidate.purpose is Purpose.NEW else candidate.purpose
        items.append(
            PlanItem(
                purpose,
                used / 60,
                reason[:1].upper() + reason[1:],
                candidate.excerpt,
                reps,
                candidate.tempo_bpm,
            )
        )
        candidate.turns += 1
        for key, _, suit in candidate.needs:
            done[key] = done.get(key, 0) + reps * suit
        last = candidate.excerpt
        for place, layers in [*unmet.items()]:
            layers.discard(candidate.excerpt)
            if not layers:
                del unmet[place]
                pool.append(_first_together(standing, *place))


def _layered(standing: Standing, new: Sequence[tuple[Drill, Phrase]]) -> Iterator[tuple[Drill, Phrase]]:
    """The new phrases that have more than one layer."""
    return (place for place in new if len(standing.repertoire.parts(*place)) > 1)


def _first_together(standing: Standing, drill: Drill, phrase: Phrase) -> _Candidate:
    """All layers of a new phrase, once each has had its turn today: what the layers are for, slower."""
    part = standing.repertoire.parts(drill, phrase)[-1]
    tempo = max(MIN_BPM, round(TOGETHER_SLOWER * drill.tempo.start_bpm))
    keys = (*part.keys, EXCERPT + part.excerpt.key)
    reason = "each layer has had its turn, now together, slower."
    candidate = _made(standing, drill, Purpose.NEW, part.excerpt, tempo, keys, reason)
    candidate.first = AT_ONCE
    return candidate


def _reps(candidate: _Candidate, seconds: float) -> int:
    """Repetitions of the candidate's next turn that fit; 0 where fewer than two do."""
    if candidate.turns >= (1 if candidate.plain else MOST_TURNS):
        return 0
    wanted = PLAIN_REPS if candidate.plain else FIRST_REPS if candidate.turns == 0 else LATER_REPS
    reps = min(wanted, int((seconds - BETWEEN_TURNS_S) // candidate.rep_s))
    return reps if reps >= 2 else 0


def _reason(standing: Standing, candidate: _Candidate) -> str:
    if candidate.turns:
        return f"Back to {candidate.title}, after something else."
    weakest = candidate.weakest
    if not weakest:
        return candidate.reason
    fails = weakness(
        standing.memories.get(weakest),
        standing.day,
        kin_prior(weakest, standing.memories, standing.day, standing.kin),
    )
    itself = weakest in (NODE + candidate.excerpt.subject, MOVE + candidate.excerpt.subject)
    what = candidate.title if itself else f"{candidate.title}: {spoken(weakest)}"
    if fails.weight < 0.5:
        return f"{what} {_far_from_goal(standing, candidate, weakest)}"
    percent = (
        f"{100 * fails.mean:.0f} % near the goal tempo ({100 * fails.low:.0f} to {100 * fails.high:.0f} %)"
    )
    return f"{what} fails in about {percent}."


def _far_from_goal(standing: Standing, candidate: _Candidate, key: str) -> str:
    """What is known of a key that was never tried near the goal tempo."""
    memory = standing.memories.get(key)
    if memory is None:
        return "has hardly been tried yet."
    drill = standing.repertoire.drill(candidate.excerpt.drill)
    assert drill is not None
    good = round(standing.clean_bpm(key, drill.goal_bpm))
    if good < drill.goal_bpm:
        return f"rings reliably up to about {good} bpm so far; the goal is {drill.goal_bpm}."
    return f"has not been tried near the goal, {drill.goal_bpm} bpm, yet."


def _candidates(
    standing: Standing, new: Sequence[tuple[Drill, Phrase]], new_first: bool
) -> Iterator[_Candidate]:
    short: list[tuple[float, str, Drill, Part, Excerpt]] = []
    begun = _neediest(standing)
    unmet = sum(len(standing.work(*place)) for place in new)
    for drill, phrase in [*new, *begun]:
        settled = standing.solid(drill, phrase)
        for part in standing.work(drill, phrase):
            if standing.begun(drill, phrase):
                yield _build(standing, drill, phrase, part)
            else:
                yield _new(standing, part, unmet if new_first else 0)
                unmet -= 1
            for excerpt in part.shorter:
                if excerpt.kind is Kind.HALF:
                    if not settled and standing.repertoire.passage(excerpt):
                        yield _weak(standing, drill, part, excerpt)
                    continue
                need = _need(standing, drill, _subject_keys(excerpt)) * urgency(drill, standing.day)
                short.append((need, excerpt.key, drill, part, excerpt))
    # A passage costs time to work out: only the neediest single nodes and moves get one.
    for *_, drill, part, excerpt in sorted(short, key=lambda entry: entry[:2], reverse=True)[:MOST_SHORT]:
        yield _weak(standing, drill, part, excerpt)
    looked_at = {(drill.id, phrase.id) for drill, phrase in begun}
    for drill in standing.repertoire.drills:
        for join in standing.joins(drill):
            if any((drill.id, phrase) in looked_at for phrase in join.phrases):
                yield _join(standing, drill, join)


def _neediest(standing: Standing) -> list[tuple[Drill, Phrase]]:
    """The begun phrases that today's turns may go to: no more than a day can hold, however many were ever begun.

    First those whose assignment falls due, then those that failed cold last time, then the slowest against their goal,
    then those that waited longest.
    """

    def place(entry: tuple[Drill, Phrase]) -> tuple[float, bool, float, date, str]:
        drill, phrase = entry
        whole = standing.repertoire.parts(drill, phrase)[-1].excerpt
        memory = standing.memories.get(EXCERPT + whole.key)
        failed = memory is not None and memory.cold_run < 0
        last = memory.last_day if memory else date.min
        return -urgency(drill, standing.day), not failed, standing.reached(whole), last, whole.key

    begun = [
        each for each in standing.phrases() if standing.begun(*each) and standing.repertoire.parts(*each)
    ]
    return sorted(begun, key=place)[:MOST_PHRASES]


def _subject_keys(excerpt: Excerpt) -> list[str]:
    """Evidence keys of a node's or a move's excerpt, from its subject alone."""
    if excerpt.kind is Kind.NODE:
        return [NODE + excerpt.subject]
    places = excerpt.subject.replace(">", "+").split("+")
    return [*(NODE + place for place in dict.fromkeys(places)), MOVE + excerpt.subject]


def _need(standing: Standing, drill: Drill, keys: Sequence[str]) -> float:
    return sum(standing.gap(key, drill.goal_bpm) ** POWER + SPARE for key in keys)


def _suit(standing: Standing, drill: Drill, key: str, tempo_bpm: int) -> float:
    if key.startswith(EXCERPT):
        return 1.0
    off = math.log(tempo_bpm / standing.clean_bpm(key, drill.goal_bpm)) / SUIT_WIDTH
    return math.exp(-off * off)


def _joint(standing: Standing, drill: Drill, own: str, keys: Sequence[str], lacking: float) -> float:
    """What an excerpt lacks beyond its weakest part: playing it together is the trouble, and all its nodes share it."""
    if own not in standing.memories:
        return 0.0
    beyond = max(0.0, standing.gap(own, drill.goal_bpm) - lacking)
    return JOINT * beyond * sum(key.startswith(NODE) for key in keys)


def _made(
    standing: Standing,
    drill: Drill,
    purpose: Purpose,
    excerpt: Excerpt,
    tempo_bpm: int,
    keys: Sequence[str],
    reason: str = "",
) -> _Candidate:
    rep_s = standing.repertoire.rep_s(excerpt, tempo_bpm)
    known = [standing.clean_bpm(key, drill.goal_bpm) for key in keys if key in standing.memories]
    clean = math.prod(chance_clean(tempo_bpm, each) for each in known)
    part = urgency(drill, standing.day) * (GRIND + (1 - GRIND) * min(1.0, clean / GRIND_BELOW)) / rep_s
    own = EXCERPT + excerpt.key
    lacking = max((standing.gap(key, drill.goal_bpm) for key in keys if key != own), default=0.0)
    needs = tuple(
        (
            key,
            part
            * (
                _need(standing, drill, [key])
                + (_joint(standing, drill, own, keys, lacking) if key == own else 0)
            ),
            _suit(standing, drill, key, tempo_bpm),
        )
        for key in keys
    )
    title = title_of(standing.repertoire, excerpt)
    return _Candidate(purpose, excerpt, tempo_bpm, rep_s, title, needs, f"{title}: {reason}")


def _new(standing: Standing, part: Part, first: int) -> _Candidate:
    reason = "new, slowly and with few things at once."
    tempo = standing.rung(part.excerpt)
    keys = (*part.keys, EXCERPT + part.excerpt.key)
    candidate = _made(standing, part.drill, Purpose.NEW, part.excerpt, tempo, keys, reason)
    candidate.first = first
    candidate.plain = not part.keys
    return candidate


def _build(standing: Standing, drill: Drill, phrase: Phrase, part: Part) -> _Candidate:
    excerpt = part.excerpt
    parts = standing.repertoire.parts(drill, phrase)
    alone = [standing.rung(other.excerpt) for other in parts[:-1] if standing.started(other.excerpt)]
    first = max(drill.tempo.start_bpm, round(TOGETHER_SLOWER * min(alone))) if alone else None
    tempo = start_bpm(standing, drill, standing.rung(excerpt, first), part.keys)
    if not standing.started(excerpt):
        together = excerpt.layer == TOGETHER
        reason = "each layer is ready alone, now together, slower." if together else "the next layer, alone."
    elif tempo >= drill.goal_bpm:
        landed = standing.landed(excerpt)
        reason = f"{'landed' if landed else 'at the goal tempo'}, {drill.goal_bpm} bpm: make it hold."
    else:
        reason = f"rung {tempo} of {drill.goal_bpm} bpm, the next step of its ladder."
    keys = (*part.keys, EXCERPT + excerpt.key)
    candidate = _made(standing, drill, Purpose.BUILD, excerpt, tempo, keys, reason)
    candidate.plain = not part.keys and len(parts) > 1
    return candidate


def _weak(standing: Standing, drill: Drill, part: Part, excerpt: Excerpt) -> _Candidate:
    keys = standing.repertoire.keys(excerpt)
    rung = standing.rung(excerpt, standing.rung(part.excerpt))
    tempo = start_bpm(standing, drill, rung, keys, 0 if standing.started(excerpt) else MIN_BPM)
    candidate = _made(standing, drill, Purpose.WEAK, excerpt, tempo, keys, "half at a time.")
    # A move's own failures are in its node too; what singles out the excerpt is named where it is the weaker.
    candidate.weakest = min(keys, key=lambda key: (standing.clean(key, drill.goal_bpm), key), default="")
    return candidate


def start_bpm(standing: Standing, drill: Drill, rung: int, keys: Sequence[str], lowest: int = 0) -> int:
    """Where today's first turn starts: the rung, or higher where all its nodes and moves are known to go faster.

    A ladder that a few wrong ratings or one bad day pressed down is not climbed again step by step. `lowest` is given
    where the rung is only borrowed: then it may be slower too.
    """
    if not keys or not all(key in standing.memories for key in keys):
        return rung
    clean = [standing.sure_bpm(key, drill.goal_bpm) for key in keys]
    lowest = min(lowest or rung, rung)
    low, high = float(lowest), max(float(rung), min(float(drill.goal_bpm), LEAP * rung))
    for _ in range(8):
        middle = (low + high) / 2
        chance = math.prod(chance_clean(middle, each) for each in clean)
        low, high = (middle, high) if chance >= WHOLE_CLEAN else (low, middle)
    return max(lowest, round(low))


def _join(standing: Standing, drill: Drill, join: Excerpt) -> _Candidate:
    wholes = [standing.repertoire.parts(drill, drill.phrase(each))[-1] for each in join.phrases]
    keys = standing.repertoire.keys(join)
    rung = standing.rung(join, min(standing.rung(part.excerpt) for part in wholes))
    tempo = start_bpm(standing, drill, rung, keys)
    reason = "both phrases are ready; the step between them is what is left."
    return _made(standing, drill, Purpose.BUILD, join, tempo, (*keys, EXCERPT + join.key), reason)
