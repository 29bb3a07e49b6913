"""Makes a drill of a melody over a bass: the best key, or the one that is asked for, with a table of the keys."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from coach.music.drill import Drill
from coach.score.arrange import DEFAULT_QUARTERS, arranged, chosen_bars
from coach.score.duet import KEYS, arrangements, duet_of, place_duet, table_lines
from coach.score.score import Score
from coach.score.strands import Choices
from coach.strings.instrument import Instrument


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
    place_duet(score, duet, rows[0])
    drill, text = arranged(score, replace(choices, bars=None, instrument=instrument), where)
    return drill, text, table


def _keep_bars(score: Score, bars: tuple[int, int] | None) -> None:
    """Leave only the bars of these numbers in the score, where some are chosen."""
    if bars is None:
        return
    kept = [index for index, bar in enumerate(score.bars) if bars[0] <= int(bar.number) <= bars[1]]
    score.bars = [score.bars[index] for index in kept]
    score.order = [index - kept[0] for index in score.order if index in kept]


EVERY_KEY = tuple(KEYS)
