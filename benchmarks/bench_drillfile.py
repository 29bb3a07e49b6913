"""How long checking and importing take, against what they are measured by.

    python benchmarks/bench_drillfile.py

Checking a drill of 1,000 bars is compared with plain `yaml.safe_load` of the same text (goal: within 3 times), and
an import with music21's parse of the same file (goal: 20 times faster): both make the events of the file in memory
and are warm. Times are processor seconds, the best of several runs.
"""

from __future__ import annotations

import gc
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import yaml

from coach.drillfile.arrange import arranged
from coach.drillfile.checked import checked
from coach.drillfile.foreign import read_score
from coach.drillfile.load import read_drill
from coach.drillfile.musicxml_in import part_names, read_musicxml
from coach.drillfile.strands import Choices
from coach.drillfile.unpack import parse_xml, unpacked

HEAD = """drill: 1
title: A Long One
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 44, goal: 76}
phrases:
"""
SCORES = (
    ("corelli/opus3no1/1grave.xml", "3"),
    ("bach/bwv66.6.mxl", "4"),
    ("luca/gloria.xml", "3"),
    ("beethoven/opus59no2/movement1.mxl", "4"),
)
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

    corpus = Path(music21.__file__).parent / "corpus"
    # Neither side pays for what the other keeps in memory.
    gc.collect()
    gc.freeze()
    print("file (bars): ours / music21's parse, and how many times faster (goal: 20)")
    for name, part in SCORES:
        path = corpus / name
        data = unpacked(path.read_bytes(), name)
        parts = [one.id for one in part_names(parse_xml(data, name))]

        def one(path: Path = path, part: str = part) -> object:
            return read_score(path, part)

        def every(path: Path = path, parts: list[str] = parts) -> object:
            root = parse_xml(unpacked(path.read_bytes(), str(path)), str(path))
            return [read_musicxml(root, part, str(path)) for part in parts]

        def whole(path: Path = path, part: str = part) -> object:
            return arranged(read_score(path, part), Choices(), str(path))

        def tree(data: bytes = data) -> object:
            return ElementTree.fromstring(data)

        def theirs(path: Path = path) -> object:
            return music21.converter.parse(str(path), format="musicxml", forceSource=True)

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            times = _turn_about({"one": one, "every": every, "whole": whole, "tree": tree, "theirs": theirs})
        print(f"{path.name} ({len(read_score(path, part).bars)}): music21 {times['theirs'] * 1000:.1f} ms")
        for key, text in (
            ("one", f"reading part {part} of {len(parts)}, as an import does"),
            ("every", f"reading all {len(parts)} parts, as music21 does"),
            ("whole", f"the whole import of part {part}: reading, placing, writing, checking"),
            ("tree", "for comparison: ElementTree alone, nothing read from the tree"),
        ):
            print(f"  {times[key] * 1000:6.1f} ms, {times['theirs'] / times[key]:5.1f} times: {text}")


def _turn_about(works: dict[str, Callable[[], object]], rounds: int = 5) -> dict[str, float]:
    """The shortest time of each, run in turns so that a busy machine slows all alike."""
    times: dict[str, list[float]] = {key: [] for key in works}
    for _ in range(rounds):
        for key, work in works.items():
            gc.collect()
            times[key].append(best(work, 4))
    return {key: min(found) for key, found in times.items()}


if __name__ == "__main__":
    checking()
    importing()
