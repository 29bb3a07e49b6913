"""What a turn could be about: excerpts with what each is worth, at which tempo, and for which reason.

Each candidate excerpt has a worth per second: the sum, over its nodes and moves and itself, of the log-tempo that each
still lacks to the goal and a margin, raised to 1.5, times how well the excerpt's tempo suits it. Far below what a node
can do it is idled, far above it is choked (the challenge point of Guadagnoli and Lee 2004, J. Motor Behav. 36:212): the
suit is exp(-(ln(tempo / clean tempo) / 0.4)^2). So a phrase wins where most of it is about equally weak, or where it
lacks more than its weakest part does (playing it together is the trouble); a single node or move wins where that is
what holds the phrase's tempo down.

A turn starts at its ladder's rung of today. Where all its nodes and moves and its own results say that it goes faster,
its first repetition is a probe (`probe_bpm`): clean, it lifts the rung there; failed, it moves nothing, and the next
lies between (`ladder.probe_after`). The ladder alone, three clean repetitions a step, stands for days at half of what
the hands can do; probes find the place in a few repetitions, and no turn stays where nothing was clean.

An excerpt without a ladder borrows its tempo: the drill's start for a layer alone; four fifths of the slowest layer's
rung for all together; for a node, a move or a half its phrase's rung, or what its nodes and moves are known to do,
whichever is slower; the slowest phrase's rung for a join and the piece.

The sizes below were tuned on simulated learners (`benchmarks/bench_planner.py`); most may change by half without a
difference that the benchmark could tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from coach.learning.evidence import EXCERPT, MOVE, NODE
from coach.learning.ladder import is_probe
from coach.learning.plan import Purpose
from coach.learning.repertoire import Part, title_of
from coach.learning.standing import Standing, open_assignment
from coach.learning.tempo_estimate import chance_clean
from coach.music.drill import TOGETHER, Drill, Phrase
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import MAX_BPM, MIN_BPM

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
JOINT = 4.0
"""What a phrase lacks beyond its weakest part, and its ladder to the goal, count so much for each of its nodes."""
GRIND = 0.25
"""What is left of a turn's worth where hardly a repetition will be clean: the share of clean repetitions is what lasts
(Duke, Simmons and Cash 2009, JRME 56:310). ..."""
GRIND_BELOW = 0.2
"""... Nothing is taken off from this chance of a clean repetition on."""
WHOLE_CLEAN = 0.6
"""Chance of a whole clean repetition at a borrowed tempo."""
PROBE_CLEAN = 0.5
"""Chance of a clean repetition at a probe's tempo."""
NEAR_RUNG = 0.9
FARTHEST = 1.25
"""A probe's tempo over the rung at most: what is farther asks too much at once."""
WEAK_FROM = 3.0
"""Results, discounted over days, from which a failing node or move is called weak, ..."""
WEAK_SHARE = 0.2
"""... the part of them that failed, ..."""
WEAK_TEMPO = 1.3
"""... and how far over the last rung they may lie: failures press the rung under the tempo at which they came."""
CHOKES_FROM, MOST_SINGLED = 0.4, 2
"""So many nodes and moves a day, of those that fail at least this often, have a turn alone before their phrases."""
WAITED_DAYS = 4
"""What was begun, is not settled and was not played for so many days has its turn before all others, the longest wait
first: every layer comes up within a week while a day's minutes hold six turns or more."""
MOST_PHRASES = 24
MOST_SHORT = 24
"""Phrases, and single nodes and moves, that are looked at closely; the neediest are."""


@dataclass(slots=True)
class Candidate:
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
    share: float = 0.0
    """How often its weakest key failed lately; 0 where nothing is weak."""
    upto_bpm: int = 0
    """The fastest tempo that this share counts."""
    assigned: bool = False
    plain: bool = False
    """A layer alone that has no node."""
    turns: int = 0
    probe_bpm: int = 0
    """A faster tempo that each of its turns may try; 0 for none."""

    def worth_now(self, done: Mapping[str, float], last: Excerpt | None) -> tuple[int, float, bool, str]:
        """For ordering: what goes before, then worth, then an assignment, then the key.

        `done` are today's suiting repetitions by key.
        """
        worth = sum(
            need * suit * 0.5 ** (done.get(key, 0) / HALVED_AFTER_REPS) for key, need, suit in self.needs
        )
        if last and (self.excerpt.drill, self.excerpt.phrases) == (last.drill, last.phrases):
            worth *= SAME_EXCERPT if self.excerpt == last else SAME_PHRASE
        return 0 if self.turns else self.first, worth, self.assigned, self.excerpt.key


def urgency(drill: Drill, day: date) -> float:
    """How much more a drill's turns count while it is assigned: 1 to 3, the more the sooner it falls due."""
    given = open_assignment(drill, day)
    if given is None:
        return 1.0
    days = (given.due - day).days if given.due else 15
    return 1.5 if days > 14 else 2.0 if days > SOON_DAYS else 3.0


SOON_DAYS = 7


def candidates(
    standing: Standing, new: Sequence[tuple[Drill, Phrase]], new_first: bool
) -> Iterator[Candidate]:
    short: list[tuple[float, str, Drill, Part, Excerpt]] = []
    halves: list[Candidate | None] = []
    singled: list[Candidate] = []
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
            if not standing.started(part.excerpt):
                continue
            for excerpt in part.shorter:
                if excerpt.kind is Kind.HALF:
                    if not settled and standing.repertoire.passage(excerpt):
                        halves.append(_weak(standing, drill, part, excerpt))
                    continue
                need = _need(standing, drill, _subject_keys(excerpt)) * urgency(drill, standing.day)
                short.append((need, excerpt.key, drill, part, excerpt))
    # A passage costs time to work out: only the neediest single nodes and moves get one.
    for *_, drill, part, excerpt in sorted(short, key=lambda entry: entry[:2], reverse=True)[:MOST_SHORT]:
        if weak := _weak(standing, drill, part, excerpt):
            singled.append(weak)
    singled.sort(key=lambda weak: (-weak.share, weak.excerpt.key))
    for weak in singled[:MOST_SINGLED]:
        weak.first = WAITED_DAYS if weak.share >= CHOKES_FROM else 0
    yield from (*(half for half in halves if half), *singled)
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
    """What all nodes of an excerpt share: what it lacks beyond its weakest part, and the ladder still to climb.

    The first is the trouble of playing it together. The second keeps the slowest phrase from being left behind: only
    clean repetitions at its own rung bring it up, however fast its nodes may be elsewhere.
    """
    beyond = max(0.0, standing.gap(own, drill.goal_bpm) - lacking) if own in standing.memories else 0.0
    rung = standing.last_rung(Excerpt.parse(own.removeprefix(EXCERPT)))
    climb = max(0.0, math.log(drill.goal_bpm / rung)) if rung else 0.0
    return JOINT * (beyond + climb) * sum(key.startswith(NODE) for key in keys)


def _made(
    standing: Standing,
    drill: Drill,
    purpose: Purpose,
    excerpt: Excerpt,
    tempo_bpm: int,
    keys: Sequence[str],
    reason: str = "",
) -> Candidate:
    own = EXCERPT + excerpt.key
    apart = [key for key in keys if key != own]
    faster_bpm = probe_bpm(standing, drill, excerpt, tempo_bpm, apart) if standing.started(excerpt) else 0
    rep_s = standing.repertoire.rep_s(excerpt, tempo_bpm)
    known = [standing.clean_bpm(key, drill.goal_bpm) for key in keys if key in standing.memories]
    clean = _all_clean(tempo_bpm, known)
    part = urgency(drill, standing.day) * (GRIND + (1 - GRIND) * min(1.0, clean / GRIND_BELOW)) / rep_s
    lacking = max((standing.gap(key, drill.goal_bpm) for key in apart), default=0.0)
    needs = tuple(
        (
            key,
            part
            * (
                _need(standing, drill, [key])
                + (_joint(standing, drill, own, keys, lacking) if key == own else 0)
            ),
            _suit(standing, drill, key, faster_bpm or tempo_bpm),
        )
        for key in keys
    )
    title = title_of(standing.repertoire, excerpt)
    assigned = open_assignment(drill, standing.day) is not None
    return Candidate(
        purpose, excerpt, tempo_bpm, rep_s, title, needs, reason, assigned=assigned, probe_bpm=faster_bpm
    )


def _new(standing: Standing, part: Part, first: int) -> Candidate:
    reason = "new, slowly and with few things at once."
    tempo = standing.rung(part.excerpt)
    keys = (*part.keys, EXCERPT + part.excerpt.key)
    candidate = _made(standing, part.drill, Purpose.NEW, part.excerpt, tempo, keys, reason)
    candidate.first = first
    candidate.plain = not part.keys
    return candidate


def _build(standing: Standing, drill: Drill, phrase: Phrase, part: Part) -> Candidate:
    excerpt = part.excerpt
    parts = standing.repertoire.parts(drill, phrase)
    together = excerpt.layer == TOGETHER and len(parts) > 1
    if standing.started(excerpt):
        tempo = standing.rung(excerpt)
        if tempo >= drill.goal_bpm:
            landed = "landed; " if standing.landed(excerpt) else ""
            reason = f"{landed}at the goal tempo, {drill.goal_bpm} bpm: make it hold."
        else:
            reason = f"rung {tempo} of {drill.goal_bpm} bpm, the next step of its ladder."
    elif together:
        tempo = together_bpm(standing, drill, phrase)
        reason = "each layer was played alone, now together, slower."
    else:
        tempo, reason = standing.rung(excerpt), "the next layer, alone."
    keys = (*part.keys, EXCERPT + excerpt.key)
    candidate = _made(standing, drill, Purpose.BUILD, excerpt, tempo, keys, reason)
    candidate.plain = not part.keys and len(parts) > 1
    waited = standing.waited(excerpt)
    if not standing.started(excerpt):
        candidate.first = WAITED_DAYS
    elif waited >= WAITED_DAYS and not standing.solid(drill, phrase):
        candidate.first = waited
    return candidate


def _weak(standing: Standing, drill: Drill, part: Part, excerpt: Excerpt) -> Candidate | None:
    """A node, a move or a half in which something failed lately; None where nothing did: its phrase is enough."""
    upto = round(WEAK_TEMPO * max(standing.last_rung(part.excerpt), standing.last_rung(excerpt)))
    upto = min(upto, drill.goal_bpm)
    if played := standing.fastest(EXCERPT + part.excerpt.key, EXCERPT + excerpt.key):
        upto = min(upto, played)
    # Most fail nowhere: no passage is worked out for them.
    if excerpt.kind is not Kind.HALF and not _failing(standing, _subject_keys(excerpt)[-1], upto):
        return None
    keys = standing.repertoire.keys(excerpt)
    failing = [(share, key) for key in keys if (share := _failing(standing, key, upto))]
    # A choke fails the move to it too: a move is singled out only where it fails more than its nodes do.
    share, weakest = max(failing, key=lambda entry: entry[0], default=(0.0, ""))
    if not failing or (excerpt.kind is Kind.MOVE and not weakest.startswith(MOVE)):
        return None
    if standing.started(excerpt):
        tempo = standing.rung(excerpt)
    else:
        tempo = _borrowed_bpm(standing, drill, standing.rung(part.excerpt), keys)
    candidate = _made(standing, drill, Purpose.WEAK, excerpt, tempo, keys)
    candidate.share, candidate.weakest, candidate.upto_bpm = share, weakest, upto
    return candidate


def _failing(standing: Standing, key: str, tempo_bpm: int) -> float:
    """The share of a key's results up to a tempo that failed lately; 0 where it is too little to call it weak."""
    clean, failed = standing.between(key, 0, tempo_bpm)
    share = failed / (clean + failed) if clean + failed >= WEAK_FROM else 0.0
    return share if share >= WEAK_SHARE else 0.0


def probe_bpm(standing: Standing, drill: Drill, excerpt: Excerpt, rung_bpm: int, keys: Sequence[str]) -> int:
    """A faster tempo worth one repetition: where the excerpt is as likely clean as not; 0 where none is.

    Both its nodes and moves (`keys`) and its own results must say so: of its results from a little under the rung up to
    there, and faster clean ones, a third must be clean. At most `FARTHEST` over the rung.
    """
    own = EXCERPT + excerpt.key
    if own not in standing.memories or not all(key in standing.memories for key in keys):
        return 0
    apart = [standing.clean_bpm(key, drill.goal_bpm) for key in keys]
    whole = standing.clean_bpm(own, drill.goal_bpm)
    most = min(drill.goal_bpm, round(rung_bpm * FARTHEST))
    found = _fastest(most, lambda bpm: min(_all_clean(bpm, apart), chance_clean(bpm, whole)), PROBE_CLEAN)
    if not is_probe(rung_bpm, found, drill.goal_bpm):
        return 0
    low = round(rung_bpm * NEAR_RUNG)
    clean, _ = standing.between(own, low, MAX_BPM)
    _, failed = standing.between(own, low, found)
    return found if clean > failed / 2 else 0


def _all_clean(bpm: float, clean_bpm: Sequence[float]) -> float:
    """The chance that all are clean at a tempo, from the tempo at which each is clean four times in five."""
    return math.prod(chance_clean(bpm, each) for each in clean_bpm)


def _fastest(most_bpm: int, chance: Callable[[float], float], wanted: float) -> int:
    """The fastest tempo up to `most_bpm` at which a chance that falls with tempo is as wanted; not under the floor."""
    low, high = float(MIN_BPM), float(most_bpm)
    if chance(high) >= wanted:
        return most_bpm
    for _ in range(8):
        middle = (low + high) / 2
        low, high = (middle, high) if chance(middle) >= wanted else (low, middle)
    return max(MIN_BPM, round(low))


def _borrowed_bpm(standing: Standing, drill: Drill, rung: int, keys: Sequence[str]) -> int:
    """Where an excerpt without a ladder starts: another's rung, or slower where its nodes and moves need it."""
    if not all(key in standing.memories for key in keys):
        return min(rung, drill.tempo.start_bpm)
    clean = [standing.sure_bpm(key, drill.goal_bpm) for key in keys]
    return _fastest(rung, lambda bpm: _all_clean(bpm, clean), WHOLE_CLEAN)


def _join(standing: Standing, drill: Drill, join: Excerpt) -> Candidate:
    wholes = [standing.repertoire.parts(drill, drill.phrase(each))[-1] for each in join.phrases]
    keys = standing.repertoire.keys(join)
    slowest = min(standing.rung(part.excerpt) for part in wholes)
    started = standing.started(join)
    tempo = standing.rung(join) if started else _borrowed_bpm(standing, drill, slowest, keys)
    parts = "both phrases are" if len(dict.fromkeys(join.phrases)) > 1 else "the phrase is"
    reason = f"{parts} near the goal tempo; the step in between is what is left."
    return _made(standing, drill, Purpose.BUILD, join, tempo, (*keys, EXCERPT + join.key), reason)


def unmet_layers(
    standing: Standing, new: Sequence[tuple[Drill, Phrase]]
) -> Iterator[tuple[tuple[Drill, Phrase], tuple[Part, ...]]]:
    """Phrases of several layers that were never played together, with the layers that were never played."""
    for place in [*new, *_neediest(standing)]:
        *alone, whole = standing.repertoire.parts(*place)
        missing = tuple(part for part in alone if not standing.started(part.excerpt))
        if missing and not standing.started(whole.excerpt):
            yield place, missing


def first_together(standing: Standing, drill: Drill, phrase: Phrase) -> Candidate:
    """All layers of a phrase, once each has had its turn: what the layers are for, slower."""
    part = standing.repertoire.parts(drill, phrase)[-1]
    tempo = together_bpm(standing, drill, phrase)
    keys = (*part.keys, EXCERPT + part.excerpt.key)
    reason = "each layer has had its turn, now together, slower."
    candidate = _made(standing, drill, Purpose.NEW, part.excerpt, tempo, keys, reason)
    candidate.first = AT_ONCE
    return candidate


def together_bpm(standing: Standing, drill: Drill, phrase: Phrase) -> int:
    """Where all layers are first joined: under the slowest layer's rung, and no faster than each was clean alone."""
    alone = [part.excerpt for part in standing.repertoire.parts(drill, phrase)[:-1]]
    slowest = min((standing.rung(layer) for layer in alone), default=drill.tempo.start_bpm)
    clean = [bpm for layer in alone if (bpm := standing.played_clean_bpm(layer))]
    return max(MIN_BPM, min(round(TOGETHER_SLOWER * slowest), *clean, drill.tempo.start_bpm))
