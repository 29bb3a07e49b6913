"""How long checking a drill and importing a score take, against what they are measured by.

A drill of 1,000 bars is compared with `yaml.safe_load` of the same text, which only makes lists and mappings of it. An
import is compared with music21's parse of the same file: both make the events of the file in memory and are warm.
music21 reads all parts; an import reads the one that is wanted. Times are processor time.
"""

from __future__ import annotations

import gc
import warnings
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from xml.etree import ElementTree

import yaml

from benchmarks.measure import Goal, Options, Row, beside, cpu_ms, in_turns
from coach.score.arrange import arranged
from coach.score.arrange_duet import EVERY_KEY, arranged_duet
from coach.score.checked import checked
from coach.score.duet import LineNames
from coach.score.foreign import read_score, read_two_lines
from coach.score.load import read_drill
from coach.score.musicxml_in import part_names, read_musicxml
from coach.score.strands import Choices
from coach.score.unpack import parse_xml, unpacked
from coach.strings.ready_made import ready_made

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


def checking(options: Options) -> Iterator[Row]:
    text = long_drill(1000)
    drill, problems = read_drill(text, "long.yaml")
    assert drill is not None, problems[:3]
    taken = in_turns(
        {
            "ours": cpu_ms(lambda: read_drill(text, "long.yaml")),
            "whole": cpu_ms(lambda: checked(text, "long.yaml")),
            "plain": cpu_ms(lambda: yaml.safe_load(text)),
            "fast": cpu_ms(lambda: yaml.load(text, Loader=yaml.CSafeLoader)),
        },
        3 if options.quick else 7,
    )
    what = f"drill of 1,000 bars ({len(text) // 1000} kB)"
    yield beside(f"check a {what}", "ms", "yaml.safe_load", taken["ours"], taken["plain"], Goal(3))
    yield beside("the same with playability", "ms", "yaml.safe_load", taken["whole"], taken["plain"], Goal(2))
    yield beside("the same without it", "ms", "yaml.CSafeLoader", taken["ours"], taken["fast"])


def importing(options: Options) -> Iterator[Row]:
    import music21

    corpus = Path(music21.__file__).parent / "corpus"
    # Neither side pays for what the other keeps in memory.
    gc.collect()
    gc.freeze()
    for name, part in SCORES[:2] if options.quick else SCORES:
        path = corpus / name
        data = unpacked(path.read_bytes(), name)
        parts = list(part_names(parse_xml(data, name)))

        def one(path: Path = path, part: str = part) -> object:
            return read_score(path, part)

        def every(path: Path = path, parts: list[str] = parts) -> object:
            root = parse_xml(unpacked(path.read_bytes(), str(path)), str(path))
            return [read_musicxml(root, part, str(path)) for part in parts]

        def tree(path: Path = path) -> object:
            return ElementTree.fromstring(unpacked(path.read_bytes(), str(path)))

        def theirs(path: Path = path) -> object:
            return music21.converter.parse(str(path), format="musicxml", forceSource=True)

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            works = {"one": one, "every": every, "tree": tree, "theirs": theirs}
            taken = in_turns({key: cpu_ms(work) for key, work in works.items()}, 3 if options.quick else 9)
        what = f"{path.name}, {len(read_score(path, part).bars)} bars"
        for key, text, goal in (
            ("one", f"import one part of {len(parts)}: {what}", Goal(500, "ms")),
            ("every", f"read all {len(parts)} parts, as music21 does", None),
            ("tree", "ElementTree alone, nothing read from its tree", None),
        ):
            yield beside(text, "ms", "music21's parse", taken[key], taken["theirs"], goal, faster=True)
    yield from largest(corpus, options)
    gc.unfreeze()


def largest(corpus: Path, options: Options) -> Iterator[Row]:
    """The largest score of the corpus, whose import should take less than half a second; and tempo in each bar."""
    import music21

    chorale = corpus / "bach/bwv269.mxl"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        works = {
            "ours": partial(whole_duet, chorale),
            "theirs": lambda: music21.converter.parse(str(chorale), format="musicxml", forceSource=True),
        }
        taken = in_turns({key: cpu_ms(work) for key, work in works.items()}, 3)
    what = "arrange a chorale's soprano over its bass in the best of all keys and octaves, bwv269"
    yield beside(what, "ms", "music21's parse", taken["ours"], taken["theirs"])
    path = corpus / "beethoven/opus132.mxl"
    if not options.quick:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            works = {
                "ours": lambda: read_score(path, "4"),
                "theirs": lambda: music21.converter.parse(str(path), format="musicxml", forceSource=True),
            }
            taken = in_turns({key: cpu_ms(work) for key, work in works.items()}, 3)
        what = "import one part of the largest score in the corpus, opus132.mxl"
        yield beside(
            what,
            "ms",
            "music21's parse",
            taken["ours"],
            taken["theirs"],
            Goal(500, "ms"),
            faster=True,
        )
    texts = {bars: tempo_in_each_bar(bars) for bars in (29, 290)}
    taken = in_turns({f"{bars}": cpu_ms(partial(whole_import, text)) for bars, text in texts.items()}, 3)
    what = "import 290 bars with a tempo in each, a tenth of it"
    tenth = [ms / 10 for ms in taken["290"]]
    yield beside(what, "ms", "29 such bars", tenth, taken["29"], Goal(1.5))


def tempo_in_each_bar(bars: int) -> bytes:
    """A score of eighths whose tempo changes in each bar."""
    eighth = "<note><pitch><step>E</step><octave>1</octave></pitch><duration>1</duration></note>"
    inside = "".join(
        f'<measure number="{bar}">{"<attributes><divisions>2</divisions></attributes>" if bar == 1 else ""}'
        f'<sound tempo="{60 + 7 * bar % 60}"/>{eighth * 8}</measure>'
        for bar in range(1, bars + 1)
    )
    return f'<score-partwise><part id="P1">{inside}</part></score-partwise>'.encode()


def whole_duet(path: Path) -> None:
    """A chorale read and arranged for a bass."""
    score = read_two_lines(path, LineNames("Soprano", "Bass"))
    arranged_duet(score, Choices(), ready_made("bass"), EVERY_KEY, path.name)


def whole_import(data: bytes) -> None:
    """A score read, arranged, written and checked."""
    score = read_musicxml(parse_xml(data, "x"), "P1", "x")
    _, text = arranged(score, Choices(every=64), "x")
    checked(text, "x")
