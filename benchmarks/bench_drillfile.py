"""How long checking and importing take, against what they are measured by.

    python benchmarks/bench_drillfile.py

Checking a drill of 1,000 bars is compared with plain `yaml.safe_load` of the same text (goal: within 3 times), and
an import with music21's parse of the same file (goal: 20 times faster). Times are processor seconds, the best of
several runs.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from pathlib import Path

import yaml

from coach.drillfile.arrange import arranged
from coach.drillfile.checked import checked
from coach.drillfile.foreign import read_score
from coach.drillfile.load import read_drill
from coach.drillfile.strands import Choices

HEAD = """drill: 1
title: A Long One
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 44, goal: 76}
phrases:
"""
NODES = ("12", "7", "5", "4", "3.2", "2.7")


def long_drill(bars: int, phrase_bars: int = 8) -> str:
    """A drill of so many bars, no two neighbours alike."""
    lines = []
    for bar in range(bars):
        if bar % phrase_bars == 0:
            lines.append(f"  - name: part {bar // phrase_bars + 1}\n    bars:")
        first, second = NODES[bar % 6], NODES[(bar * 5 + 1) % 6]
        lines.append(f"      - bass: 1 E:{bar % 8} for 2, 3 A:{bar % 5} for 2")
        lines.append(
            f"        harmonics: 1 G:<{first}>?+D:<{first}>, 2& G:<{second}>, 3& D:<{second}>, 4& G:<5>=G4"
        )
        if bar % 4 == 0:
            lines.append("        cue: leave the low note down until beat 3")
    return HEAD + "\n".join(lines) + "\n"


def best(work: Callable[[], object], runs: int) -> float:
    """The shortest of several runs."""
    times = []
    for _ in range(runs):
        start = time.process_time()
        work()
        times.append(time.process_time() - start)
    return min(times)


def checking() -> None:
    text = long_drill(1000)
    drill, problems = read_drill(text, "long.yaml")
    assert drill is not None, problems[:3]
    ours = best(lambda: read_drill(text, "long.yaml"), 5)
    whole = best(lambda: checked(text, "long.yaml"), 3)
    plain = best(lambda: yaml.safe_load(text), 3)
    fast = best(lambda: yaml.load(text, Loader=yaml.CSafeLoader), 5)
    print(f"check, 1,000 bars, {len(text) // 1000} kB: {ours:.3f} s")
    print(f"  yaml.safe_load {plain:.3f} s: {ours / plain:.2f} times as long (goal: at most 3)")
    print(f"  with reach and hand speed {whole:.3f} s: {whole / plain:.2f} times as long")
    print(f"  yaml.CSafeLoader {fast:.3f} s: {ours / fast:.2f} times as long")


def importing() -> None:
    import music21

    root = Path(music21.__file__).parent
    for name, part in (("corpus/corelli/opus3no1/1grave.xml", "3"), ("corpus/bach/bwv66.6.mxl", "4")):
        path = root / name

        def ours(path: Path = path, part: str = part) -> object:
            return arranged(read_score(path, part), Choices(), str(path))

        def theirs(path: Path = path) -> object:
            return music21.converter.parse(str(path), format="musicxml", forceSource=True)

        def reading(path: Path = path, part: str = part) -> object:
            return read_score(path, part)

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            read_s, import_s, parse_s = best(reading, 20), best(ours, 10), best(theirs, 5)
        print(
            f"import {path.name}, part {part}: {import_s:.4f} s, reading {read_s:.4f} s; music21 {parse_s:.4f} s"
        )
        print(
            f"  reading {parse_s / read_s:.1f} times, the whole import {parse_s / import_s:.1f} times faster (goal: 20)"
        )


if __name__ == "__main__":
    checking()
    importing()
