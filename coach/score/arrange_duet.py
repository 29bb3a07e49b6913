"""Makes a drill of a melody over a bass: the best key, or the one that is asked for, with a table of the keys."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from coach.music.drill import Drill
from coach.music.key import Key
from coach.score.arrange import arranged, chosen_bars
from coach.score.duet import BASS, MELODY, Duet, duet_of, place_duet
from coach.score.duet_search import KEYS, Arrangement, arrangements
from coach.score.phrase_maker import DEFAULT_QUARTERS
from coach.score.score import Score
from coach.score.strands import Choices
from coach.strings.fingering_text import place_text
from coach.strings.instrument import Instrument
from coach.strings.reach import USUAL

EVERY_KEY = tuple(KEYS)
_HEADS = (
    "key", "effort", "melody transposed", "bass transposed", "melody rings", "hardest node", "longest reach",
    "hardest move", "melody lost", "bass lost",
)  # fmt: skip
_WHY = "effort: a key's nodes, stretches, moves, cut rings and lost notes together; the key with the least is written"


def arranged_duet(
    score: Score, choices: Choices, instrument: Instrument, keys: Sequence[int], where: str
) -> tuple[Drill, str, list[str]]:
    """The drill, its text, and the table of the keys that were weighed.

    `keys`: by how many semitones the piece may be moved, its octaves apart. CoachError where no melody note rings.
    """
    chosen_bars(score, choices, where)
    _keep_bars(score, choices.bars)
    quarters = next((bar.tempos[0] for bar in score.bars if bar.tempos), DEFAULT_QUARTERS)
    duet = duet_of(score, instrument, float(240 / quarters), where)
    rows = arrangements(duet, keys, where)
    table = table_lines(duet, rows, next((bar.key for bar in score.bars if bar.key), None))
    best = rows[0].fingering
    place_duet(score, duet, rows[0].shift, best.choices if best else ())
    drill, text = arranged(score, replace(choices, bars=None, instrument=instrument), where)
    return drill, text, table


def _keep_bars(score: Score, bars: tuple[int, int] | None) -> None:
    """Leave only the bars of these numbers in the score, where some are chosen."""
    if bars is None:
        return
    kept = [index for index, bar in enumerate(score.bars) if bars[0] <= int(bar.number) <= bars[1]]
    score.bars = [score.bars[index] for index in kept]
    score.order = [index - kept[0] for index in score.order if index in kept]


def table_lines(duet: Duet, rows: Sequence[Arrangement], key: Key | None) -> list[str]:
    """The rows as a table: the key, what rings in it, the hardest of it, and what is lost."""
    cells = [_HEADS, *(_cells(duet, row, key) for row in rows if row.fingering)]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in cells
    ]
    harder = [_key_name(row, key) for row in rows if not row.fingering]
    if harder:
        lines.append(f"much harder, so not worked out: {', '.join(harder)}")
    if len(rows) > 1:
        lines.append(_WHY)
    return lines


def _key_name(row: Arrangement, key: Key | None) -> str:
    return str(key.moved(row.shift.key)) if key else f"{row.shift.key:+d}"


def _cells(duet: Duet, row: Arrangement, key: Key | None) -> tuple[str, ...]:
    melody, bass = row.choices(MELODY), row.choices(BASS)
    hardest = max(melody, key=lambda choice: choice.place.finger_cost, default=None)
    move = max([*melody, *bass], key=lambda choice: choice.cost.speed)
    return (
        _key_name(row, key),
        f"{row.cost:.0f}",
        f"{row.shift.melody:+d} semitones",
        f"{row.shift.bass:+d} semitones",
        f"{row.rings} of {len(duet.melody)}",
        place_text(duet.instrument, hardest.place) if hardest else "",
        f"{max(choice.span_mm for choice in [*melody, *bass]):.0f} mm",
        f"{move.move_mm:.0f} mm, {USUAL.hand_speed_mm_s * math.sqrt(move.cost.speed):.0f} mm/s",
        f"{len(duet.melody) - len(melody)} of {len(duet.melody)}",
        f"{len(duet.bass) - len(bass)} of {len(duet.bass)}",
    )
