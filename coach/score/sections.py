"""Where the phrases of a score begin and end: at its own marks, and never so that a phrase is a single note.

A phrase begins at a rehearsal mark, after a double bar, a repeat sign or a fermata, and where playing jumps. A bar is
parted where a fermata ends in the middle of it and no note is held over: the phrase after it begins with the rest of
the bar as its upbeat. A stretch of more than eight bars without any of these is cut about every four, at a bar line
that no slur and no held note crosses; in a score of more phrases than a drill may have, about every eight, twelve ...
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import count

from coach.score.limits import MAX_PHRASES
from coach.score.score import Score, ScoreBar

LONG_SECTION, PIECE_BARS = 8, 4
_PIECES = (4, 5, 3, 6)
"""How many bars a piece of a long stretch may have, the preferred number first."""


def sections_of(score: Score, order: Sequence[int], every: int | None) -> list[list[int]]:
    """Runs of bar indices in the order played, each a phrase; bars of `score` are parted at fermatas."""
    order = _parted_at_fermatas(score, order)
    over = _held_over(score)
    runs = list(_runs(score, order))
    for times in count(1):
        sections = _none_too_short(
            score, [piece for run in runs for piece in _pieces(run, every, over, times)]
        )
        longest = LONG_SECTION * times >= max(map(len, runs))
        if every or longest or len(set(map(tuple, sections))) <= MAX_PHRASES:
            break
    if times > 1:
        cut = f"long sections are cut about every {PIECE_BARS * times} bars"
        score.remark("", f"{cut}, to {MAX_PHRASES} phrases at most")
    return sections


def _parted_at_fermatas(score: Score, order: Sequence[int]) -> list[int]:
    """Part the bars in which a fermata ends; the order with their pieces."""
    pieces: list[list[ScoreBar]] = [_parted(bar) for bar in score.bars]
    first = [0]
    for parts in pieces:
        first.append(first[-1] + len(parts))
    score.bars = [bar for parts in pieces for bar in parts]
    score.order = [at for index in score.order for at in range(first[index], first[index + 1])]
    return [at for index in order for at in range(first[index], first[index + 1])]


def _parted(bar: ScoreBar) -> list[ScoreBar]:
    """A bar as it is, or its two pieces where a fermata ends inside it."""
    ends = [note.onset + note.length for note in bar.notes if note.fermata]
    if not ends or bar.pickup or bar.continues:
        return [bar]
    cut = max(ends)
    after = [note for note in bar.notes if note.onset >= cut]
    if cut >= bar.length or not after:
        return [replace(bar, ends_section=True)]
    if any(note.onset < cut < note.onset + note.length for note in bar.notes):
        return [bar]
    before = [note for note in bar.notes if note.onset < cut]
    moved = [replace(note, onset=note.onset - cut) for note in after]
    rest = ScoreBar(
        bar.number, bar.upper, bar.lower, bar.length - cut, bar.groups, moved, ends_section=bar.ends_section,
        continues=True, key=bar.key, counted=bar.counted,
    )  # fmt: skip
    return [replace(bar, length=cut, notes=before, ends_section=True), rest]


def _runs(score: Score, order: Sequence[int]) -> Iterator[list[int]]:
    """The order cut where the score says so."""
    run: list[int] = []
    for index in order:
        bar, last = score.bars[index], score.bars[run[-1]] if run else None
        if last and (index != run[-1] + 1 or bar.starts_section or last.ends_section or bar.pickup):
            yield run
            run = []
        run.append(index)
    yield run


def _held_over(score: Score) -> set[int]:
    """The bars at whose end a slur is open or a note is held on."""
    held, open_slurs = set(), 0
    for index, bar in enumerate(score.bars):
        open_slurs = max(0, open_slurs + sum(note.slurs for note in bar.notes))
        if open_slurs or any(note.tie_start and note.onset + note.length >= bar.length for note in bar.notes):
            held.add(index)
    return held


def _pieces(run: list[int], every: int | None, over: set[int], times: int) -> Iterator[list[int]]:
    """A run as it is, or cut into pieces of so many bars, or about `times` the usual where it is long."""
    if every is None and len(run) <= LONG_SECTION * times:
        yield run
        return
    while run:
        sizes = (size * times for size in _PIECES)
        size = every or next(
            (size for size in sizes if size < len(run) and run[size - 1] not in over), PIECE_BARS * times
        )
        if every is None and len(run) - size < 2:
            size = len(run)
        yield run[:size]
        run = run[size:]


def _none_too_short(score: Score, pieces: list[list[int]]) -> list[list[int]]:
    """The pieces, one of a single note joined with the next, or with the one before where the next has a name."""
    joined: list[list[int]] = []
    waiting: list[int] = []
    for piece in [*pieces, []]:
        named = not piece or bool(score.bars[piece[0]].mark)
        if waiting and named:
            joined.append([*(joined.pop() if joined else []), *waiting])
            waiting = []
        piece, waiting = waiting + piece, []
        if not named and _onsets(score, piece) == 1:
            waiting = piece
        elif piece:
            joined.append(piece)
    return joined


def _onsets(score: Score, piece: Sequence[int]) -> int:
    """How many moments of a piece something is struck at."""
    return sum(len({note.onset for note in score.bars[index].notes if not note.tie_stop}) for index in piece)
