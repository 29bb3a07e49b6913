"""Invented pieces for simulated players: drills of five shapes, made by a seeded generator as the text of drill files.

Each piece is read by the same reader and checked for playability by the same check as a file that someone wrote, and
is refused where either has anything to say. Nothing here is music that anyone plays. One shape and seed give one piece.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

from coach.music.drill import Drill
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.score.beats import write_beat, write_beats
from coach.score.checked import checked

EASY = ("12", "7", "5")
MIDDLING = ("4", "9")
HARD = ("3.2", "2.7")
STRINGS = ("G", "D", "A")
EVENTS = range(6, 21)
"""Events that a phrase may have, all layers together."""
_TRIES = 5000

Touch = tuple[str, str]
"""String and node as a drill file writes them: `("G", "3.2")`."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What is drawn for a piece: ranges are lowest and highest, both possible."""

    phrases: tuple[int, int]
    bars: tuple[int, int]
    nodes: tuple[str, ...]
    palette: tuple[int, int] = (3, 5)
    """Different touches in a phrase."""
    shared: int = 0
    """Touches of the whole piece, where its phrases share them; 0 draws each phrase's own."""
    hard_phrases: int = 0
    """Phrases that get one touch of `HARD`."""


SHAPES = {
    "short": Shape((4, 4), (2, 3), (*EASY, *MIDDLING, "3.2")),
    "usual": Shape((6, 9), (2, 4), (*EASY, *EASY, *MIDDLING, *HARD)),
    "few-hard-nodes": Shape((6, 8), (2, 3), EASY, hard_phrases=3),
    "shared-nodes": Shape((6, 8), (2, 4), (*EASY, *MIDDLING, "3.2"), palette=(3, 4), shared=6),
    "long": Shape((24, 24), (2, 4), (*EASY, *EASY, *MIDDLING, *HARD)),
}
"""Name to what is drawn."""


@lru_cache(maxsize=256)
def piece(shape: str, seed: int) -> Drill:
    """The piece of this shape (a key of `SHAPES`) and seed; KeyError for another shape."""
    text = piece_text(shape, seed)
    reading = checked(text, f"{shape}-{seed}")
    if reading.drill is None or reading.problems:
        raise ValueError(f"{shape} {seed}: " + "; ".join(map(str, reading.problems)))
    return reading.drill


def pieces(count: int, seed: int) -> tuple[Drill, ...]:
    """Pieces held at once, `count` of them and no two of the same id; none of them long."""
    rng = random.Random(f"pieces {count} {seed}")
    shapes = [shape for shape in SHAPES if shape != "long"]
    return tuple(piece(rng.choice(shapes), 1000 * (seed + 1) + at) for at in range(count))


def piece_text(shape: str, seed: int) -> str:
    """The piece as a drill file."""
    rng = random.Random(f"piece {shape} {seed}")
    drawn = SHAPES[shape]
    beats = rng.choice((4, 4, 3))
    goal_bpm = rng.randint(58, 92)
    head = _head(f"{shape}-{seed}", beats, goal_bpm)
    count = rng.randint(*drawn.phrases)
    hard = set(rng.sample(range(count), drawn.hard_phrases))
    pool = _palette(rng, drawn.nodes, drawn.shared) if drawn.shared else ()
    cells = [_cell(rng, pool) for _ in range(3)] if pool else []
    phrases = [
        _phrase(rng, head, drawn, beats, number, cells, number - 1 in hard) for number in range(1, count + 1)
    ]
    return head + "\n".join(phrases) + f"\norder: {', '.join(_order(rng, count))}\n"


def _head(name: str, beats: int, goal_bpm: int) -> str:
    return (
        f"drill: 1\nid: {name}\ntitle: Invented {name}\n"
        "instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}\n"
        f"meter: {beats}/4\ntempo: {{start: {round(goal_bpm / 2)}, goal: {goal_bpm}}}\nphrases:\n"
    )


def _palette(rng: random.Random, nodes: Sequence[str], size: int) -> tuple[Touch, ...]:
    touches: dict[Touch, None] = {}
    while len(touches) < size:
        touches[rng.choice((*STRINGS[:2], *STRINGS)), rng.choice(nodes)] = None
    return tuple(touches)


def _cell(rng: random.Random, pool: Sequence[Touch]) -> tuple[Touch, ...]:
    """Two or three touches that come back in other phrases, so that moves are shared as well."""
    return tuple(rng.sample(pool, rng.choice((2, 3))))


def _order(rng: random.Random, count: int) -> list[str]:
    """Every phrase at least once; some come twice, and the first may come back at the end."""
    order = []
    for number in range(1, count + 1):
        order += [f"p{number}"] * rng.choice((1, 1, 1, 2))
    return [*order, "p1"] if rng.random() < 0.4 else order


def _phrase(
    rng: random.Random,
    head: str,
    drawn: Shape,
    beats: int,
    number: int,
    cells: Sequence[tuple[Touch, ...]],
    hard: bool,
) -> str:
    """A phrase as text, drawn again until it has a fit number of events and the check says nothing."""
    for _ in range(_TRIES):
        walk = _Walk(rng, _material(rng, drawn, cells, hard))
        bars = [_bar(rng, walk, beats) for _ in range(rng.randint(*drawn.bars))]
        if rng.random() < 0.25:
            bars.insert(0, f"      - pickup: 1\n        harmonics: {beats} {_text(walk.step())}")
        text = f"  - id: p{number}\n    name: Phrase {number}\n    bars:\n" + "\n".join(bars)
        if _fits(head + text + "\n", f"p{number}"):
            return text
    raise ValueError(f"no playable phrase {number} in {_TRIES} tries")


def _material(
    rng: random.Random, drawn: Shape, cells: Sequence[tuple[Touch, ...]], hard: bool
) -> list[tuple[Touch, ...]]:
    """The cells that a phrase strings together."""
    if cells:
        return list(rng.sample(cells, 2))
    palette = list(_palette(rng, drawn.nodes, rng.randint(*drawn.palette)))
    if hard:
        palette[-1] = (rng.choice(STRINGS), rng.choice(HARD))
    rng.shuffle(palette)
    return [tuple(palette[at : at + 2]) for at in range(0, len(palette), 2)]


class _Walk:
    """The touches of a phrase one after another: first each cell once, then cells at random."""

    def __init__(self, rng: random.Random, cells: Sequence[tuple[Touch, ...]]) -> None:
        self._rng = rng
        self._cells = cells
        self._coming = [touch for cell in cells for touch in cell]

    def step(self) -> Touch:
        if not self._coming:
            self._coming = list(self._rng.choice(self._cells))
        return self._coming.pop(0)


_RHYTHMS = {
    4: (
        (0, 2),
        (0, 1, 2),
        (0, 1, 2, 3),
        (0, 1.5, 2),
        (1, 2, 3),
        (0, 0.5, 1, 2),
        (0, 2, 2.5, 3),
        (0, 1, 1.5, 3),
    ),
    3: ((0, 1), (0, 1, 2), (0, 2), (0, 1.5), (0, 0.5, 1, 2), (1, 2), (0, 1, 1.5, 2)),
}
"""Onsets of the harmonics in a bar, in beats from 0."""


def _bar(rng: random.Random, walk: _Walk, beats: int) -> str:
    """One bar: a low note or two under harmonics that leave its string alone."""
    touches = [(Fraction(onset), walk.step()) for onset in rng.choice(_RHYTHMS[beats])]
    low = "E" if any(touch[0] == "A" for _, touch in touches) else rng.choice("EA")
    written = [f"{write_beat(onset)} {_text(touch)}{_extra(rng, touch)}" for onset, touch in touches]
    holds = (
        [(Fraction(0), beats)] if beats == 3 or rng.random() < 0.6 else [(Fraction(0), 2), (Fraction(2), 2)]
    )
    low_notes = [
        f"{write_beat(onset)} {low}:{rng.choice((0, 0, 0, 2, 3, 5))} for {write_beats(Fraction(hold))}"
        for onset, hold in holds
    ]
    return f"      - bass: {', '.join(low_notes)}\n        harmonics: {', '.join(written)}"


def _text(touch: Touch) -> str:
    return f"{touch[0]}:<{touch[1]}>"


def _extra(rng: random.Random, touch: Touch) -> str:
    """Now and then a second string at the same node, or a note that the easier version leaves out."""
    chance = rng.random()
    if chance < 0.06 and touch[0] == "G":
        return f"+D:<{touch[1]}>"
    return "?" if chance > 0.93 else ""


def _fits(text: str, phrase: str) -> bool:
    reading = checked(text, phrase)
    if reading.drill is None or reading.problems:
        return False
    return len(passage_of(reading.drill, Excerpt(reading.drill.id, (phrase,))).events) in EVENTS
