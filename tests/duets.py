"""Arranges the chorales of music21's corpus and reports what comes out: `python -m tests.duets`.

Of each chorale with a soprano and a bass part: the share of melody and of bass notes kept, what `coach check` says of
the drill, and the processor time; then the distribution over all. `--every N` takes each Nth file.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from coach.music.drill import Drill
from coach.score.arrange_duet import EVERY_KEY, arranged_duet
from coach.score.checked import checked
from coach.score.duet import LineNames
from coach.score.foreign import read_two_lines
from coach.score.strands import Choices
from coach.strings.ready_made import ready_made

CHORALE = LineNames("Soprano", "Bass")


@dataclass(frozen=True)
class Outcome:
    """What became of one chorale."""

    name: str
    melody_share: float
    bass_share: float
    errors: int
    warnings: int
    phrases: int
    shortest: int
    cpu_s: float
    drill: Drill


def outcome(path: Path, instrument: str = "bass") -> Outcome:
    """One chorale arranged in its best key."""
    start_s = time.process_time()
    score = read_two_lines(path, CHORALE)
    lines = [[note for bar in score.bars for note in bar.notes if note.voice == voice and not note.tie_stop]
             for voice in ("harmonics", "bass")]  # fmt: skip
    drill, text, _ = arranged_duet(score, Choices(), ready_made(instrument), EVERY_KEY, path.name)
    cpu_s = time.process_time() - start_s
    kept = [sum(len(bar.notes) and [note.voice for note in bar.notes].count(voice) for bar in score.bars)
            for voice in ("harmonics", "bass")]  # fmt: skip
    reading = checked(text, path.name)
    severities = [problem.severity for problem in reading.problems]
    return Outcome(
        path.stem,
        kept[0] / len(lines[0]),
        kept[1] / len(lines[1]),
        severities.count("error"),
        severities.count("warning"),
        len(drill.phrases),
        min(sum(len(bar.events) for bar in phrase.bars) for phrase in drill.phrases),
        cpu_s,
        drill,
    )


def quantiles(values: Sequence[float]) -> str:
    ordered = sorted(values)
    return " ".join(
        f"{ordered[round(share * (len(ordered) - 1))]:.2f}" for share in (0, 0.05, 0.25, 0.5, 0.75, 1)
    )


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.duets", description=__doc__)
    parser.add_argument("--every", type=int, default=1)
    parser.add_argument("--instrument", default="bass")
    chosen = parser.parse_args(words)
    import music21  # takes seconds

    files = sorted((Path(music21.__file__).parent / "corpus/bach").glob("*.mxl"))[:: chosen.every]
    outcomes = []
    for path in files:
        try:
            one = outcome(path, chosen.instrument)
        except Exception as error:
            sys.stdout.write(f"{path.stem}: {error}\n")
            continue
        outcomes.append(one)
        sys.stdout.write(
            f"{one.name}: melody {one.melody_share:.2f}, bass {one.bass_share:.2f}, {one.errors} errors, "
            f"{one.warnings} warnings, {one.phrases} phrases, shortest {one.shortest} events, {one.cpu_s:.2f} s\n"
        )
        sys.stdout.flush()
    playable = [one for one in outcomes if not one.errors]
    full = [one for one in playable if one.melody_share >= 0.9]
    sys.stdout.write(
        f"{len(outcomes)} of {len(files)} arranged; {len(playable)} without an error, {len(full)} of them with at "
        f"least 9 of 10 melody notes\nlowest, 5 %, quarter, half, three quarters, highest:\n"
        f"melody kept {quantiles([one.melody_share for one in outcomes])}\n"
        f"bass kept {quantiles([one.bass_share for one in outcomes])}\n"
        f"warnings {quantiles([one.warnings for one in outcomes])}\n"
        f"processor time {quantiles([one.cpu_s for one in outcomes])} s\n"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
