"""What a passage asks of a player of form A: his skills by name, how hard each is for him, and what practice teaches.

Hardness is drawn from the seed and the skill's own name, so that the order of asking changes nothing. Its unit is the
natural logarithm of a tempo ratio, as in `benchmarks.players_a`.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Kind, Passage, PlacedEvent, whole_phrase
from coach.music.passages import passage_of

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

FIRST_ABILITY = 0.40
"""Natural logarithm of the events a second that a beginner plays on the easiest thing, clean half the time."""
REST_S = 2.0
"""A pause longer than this makes nothing easier; also what a passage's first event counts as."""
PARTIAL_HARD = {2: 0.0, 3: 0.08, 4: 0.16, 5: 0.32, 6: 0.5, 7: 0.66}
"""How much below the easiest node a partial's nodes start; higher ones as 7."""
BASS_EASE = 0.45
KIN_SHARE = 0.12
PART_SHARE = {Kind.NODE: 0.35, Kind.MOVE: 0.45, Kind.HALF: 0.8}
"""Of a part's practice, what the event in the whole phrase gains; all of it elsewhere."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A passage as arrays over its n events; k are the skills that it teaches, kin among them."""

    skills: Ints
    """(n, 4): node, move, event in its place, joining; 0 is no skill."""
    ability: Floats
    """(n,): of somebody who never practised."""
    density: Floats
    """(n,): logarithm of events a second at 60 bpm, -inf for the first event."""
    taught: Ints
    """(k,)"""
    teaching: Floats
    """(k, n): strength that an event's gain gives to a skill."""
    harmonic: tuple[bool, ...]
    notes: tuple[int, ...]
    seconds: float
    """At 60 bpm."""
    thing: tuple[str, tuple[str, ...]]
    goal_bpm: int


class Skills:
    """Numbers of the skills and how hard each is by nature, drawn by its own name so that no order matters."""

    def __init__(self, drills: Sequence[Drill], seed: int, hard_nodes: float, hard_phrases: float) -> None:
        """The last two are shares from 0 to 1 of the nodes and phrases that are much harder."""
        self._seed = seed
        self.number: dict[tuple[str, ...], int] = {("none",): 0}
        self.hard = [0.0]
        nodes = {key for drill in drills for phrase in drill.phrases for key in _nodes(drill, phrase.id)}
        self._hard_nodes = self._chosen(sorted(nodes), hard_nodes, weigh=True)
        phrases = [f"{drill.id}:{phrase.id}" for drill in drills for phrase in drill.phrases]
        self._hard_phrases = self._chosen(phrases, hard_phrases)
        self._nodes = sorted(nodes)
        self.kin = {key: kin_of(key, self._nodes) for key in nodes}

    def of(self, *name: str) -> int:
        """The number of a skill; the name starts with its sort."""
        if name not in self.number:
            self.number[name] = len(self.hard)
            self.hard.append(self._draw(name))
        return self.number[name]

    def _chosen(self, names: Sequence[str], share: float, weigh: bool = False) -> frozenset[str]:
        rng = random.Random(f"{self._seed} hard ones")
        count = math.ceil(share * len(names))
        pull = {name: rng.random() ** (0.5 if weigh and _partial(name) > 5 else 1.0) for name in names}
        return frozenset(sorted(names, key=lambda name: -pull[name])[:count])

    def _draw(self, name: tuple[str, ...]) -> float:
        rng = random.Random(f"{self._seed} {name}")
        sort, subject = name[0], name[-1]
        if sort == "node":
            return _node_hard(subject) + 0.35 * (subject in self._hard_nodes) + rng.gauss(0, 0.1)
        if sort == "move":
            return 0.02 + 0.35 * _distance(subject) + rng.gauss(0, 0.08)
        if sort == "event":
            phrase = f"{name[1]}:{name[2]}"
            tendency = random.Random(f"{self._seed} {phrase}").gauss(0, 0.06)
            return tendency + 0.35 * (phrase in self._hard_phrases) + rng.gauss(0, 0.08)
        return {"joint": 0.08, "join": 0.12, "bass": -BASS_EASE}[sort] + rng.gauss(0, 0.05)


def prepare(passage: Passage, skills: Skills, goal_bpm: int) -> Prepared:
    rows = [_skills_of(passage, event, skills) for event in passage.events]
    numbers = np.array(rows, dtype=np.intp)
    hard = np.array(skills.hard)
    taught, teaching = _teaching(passage, rows, skills)
    excerpt = passage.excerpt
    return Prepared(
        skills=numbers,
        ability=FIRST_ABILITY - hard[numbers].sum(axis=1),
        density=-np.log(np.array(gaps_s(passage))),
        taught=taught,
        teaching=teaching,
        harmonic=tuple(event.is_harmonic for event in passage.events),
        notes=tuple(len(event.notes) for event in passage.events),
        seconds=float(passage.seconds(60)),
        thing=(excerpt.drill, excerpt.phrases),
        goal_bpm=goal_bpm,
    )


def _skills_of(passage: Passage, event: PlacedEvent, skills: Skills) -> tuple[int, int, int, int]:
    """Node, move or join, event in its place, joining of layers."""
    bar = passage.bars[event.bar]
    drill, beat = passage.excerpt.drill, str(event.beat)
    spot = (drill, bar.phrase, str(bar.number), beat)
    if event.place:
        hardest = max(event.place.split("+"), key=_partial)
        node = skills.of("node", hardest)
    else:
        note = event.notes[0].note
        node = skills.of("bass", f"{note.string}:{note.fret}")
    joined = passage.excerpt.layer == TOGETHER and len(passage.layers) > 1
    return (
        node,
        _move_of(passage, event, skills),
        skills.of("event", *spot, event.layer),
        skills.of("joint", *spot) if joined else 0,
    )


def _move_of(passage: Passage, event: PlacedEvent, skills: Skills) -> int:
    earlier = [other for other in passage.events if other.layer == event.layer and other.onset < event.onset]
    bars = passage.bars
    if earlier and earlier[-1].bar != event.bar:
        before = bars[earlier[-1].bar].phrase, bars[earlier[-1].bar].number
        here = bars[event.bar].phrase, bars[event.bar].number
        if before[0] != here[0] or here[1] < before[1]:
            return skills.of("join", passage.excerpt.drill, before[0], here[0], event.layer)
    return skills.of("move", event.move) if event.move else 0


def _teaching(
    passage: Passage, rows: Sequence[tuple[int, int, int, int]], skills: Skills
) -> tuple[Ints, Floats]:
    in_place = PART_SHARE.get(passage.excerpt.kind, 1.0)
    given: dict[tuple[int, int], float] = {}
    for at, (event, row) in enumerate(zip(passage.events, rows, strict=True)):
        node, move, spot, joint = row
        for skill, share in ((node, 1.0), (move, 1.0), (spot, in_place), (joint, in_place)):
            given[skill, at] = given.get((skill, at), 0.0) + share
        for key in event.place.split("+") if event.place else ():
            for other in (key, *skills.kin.get(key, ())):
                number = skills.of("node", other)
                if number != node:
                    share = 1.0 if other == key else KIN_SHARE
                    given[number, at] = max(given.get((number, at), 0.0), share)
    taught = sorted({skill for skill, _ in given if skill})
    teaching = np.zeros((len(taught), len(rows)))
    for (skill, at), share in given.items():
        if skill:
            teaching[taught.index(skill), at] = share
    return np.array(taught, dtype=np.intp), teaching


def gaps_s(passage: Passage) -> list[float]:
    """Seconds before each event at 60 bpm, as in the module's head; infinite where nothing comes before."""
    onsets = [float(passage.tempo.seconds_at(event.onset, 60)) for event in passage.events]
    gaps = []
    for event, onset in zip(passage.events, onsets, strict=True):
        before = [
            (time, other.layer) for other, time in zip(passage.events, onsets, strict=True) if time < onset
        ]
        own = [time for time, layer in before if layer == event.layer]
        if not before:
            gaps.append(math.inf)
            continue
        any_gap = onset - before[-1][0]
        gaps.append(math.sqrt(any_gap * (onset - own[-1] if own else max(any_gap, REST_S))))
    return gaps


def _nodes(drill: Drill, phrase: str) -> tuple[str, ...]:
    return passage_of(drill, whole_phrase(drill, drill.phrase(phrase))).node_keys


def _fraction(node_key: str) -> Fraction:
    return Fraction(node_key.rpartition("|")[2])


def _partial(node_key: str) -> int:
    return _fraction(node_key).denominator if "|" in node_key else 0


def _node_hard(node_key: str) -> float:
    return PARTIAL_HARD.get(_partial(node_key), PARTIAL_HARD[7])


def _distance(move: str) -> float:
    """Parts of the string's length between the first nodes of two places, and a twentieth for another string."""
    first, second = (place.split("+")[0] for place in move.split(">"))
    other_string = first.rpartition("|")[0] != second.rpartition("|")[0]
    return abs(float(_fraction(first) - _fraction(second))) + 0.05 * other_string


def kin_of(node_key: str, nodes: Sequence[str]) -> tuple[str, ...]:
    """The same fraction on other strings, and the nearest nodes on the same string to both sides."""
    string, _, fraction = node_key.rpartition("|")
    same = [other for other in nodes if other != node_key and other.endswith(f"|{fraction}")]
    here = sorted((other for other in nodes if other.rpartition("|")[0] == string), key=_fraction)
    at = here.index(node_key)
    return (*same, *here[max(0, at - 1) : at], *here[at + 1 : at + 2])
