"""No finger, bar number, sign of loudness or octave on a page's music stands on a note, a stem or another of them.

Outside: the boxes that the library `verovio` draws around all that it engraves. `tests/real/test_paper_real.py` does
the same for words by poppler.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Iterator
from pathlib import Path

import pytest

from coach.music.drill import drill_part
from coach.paper import engrave
from coach.score.load import load_drill

DRILLS = Path(__file__).parents[1] / "drills"
SVG = "{http://www.w3.org/2000/svg}"
LABELS = ("fing", "mNum", "dynam", "octave", "tupletNum")
OTHERS = ("note", "stem", "rest", "accid", "dots", "clef", "meterSig", "keySig", "tie", "lv")
HAIR = 12.0
"""Hundredths of a mm that two boxes may share."""

Box = tuple[str, str, float, float, float, float]
"""What it is around, that thing's id, left, top, right, bottom."""


def boxes_of(drawing: ET.Element, size: float) -> Iterator[Box]:
    parents = {child: parent for parent in drawing.iter() for child in parent}
    tab = {
        one
        for measure in drawing.iterfind(f".//{SVG}g[@class='measure']")
        for one in measure.findall(f"{SVG}g[@class='staff']")[-1].iter()
    }
    for group in drawing.iter(f"{SVG}g"):
        if "bounding-box" not in group.get("class", "") or group in tab:
            continue
        # The box of a text lies inside it, that of anything else beside its shape.
        owner = parents[group]
        while owner in parents and kind_of(owner) == "text":
            owner = parents[owner]
        while kind_of(group) == "text" and owner in parents and kind_of(owner) not in LABELS:
            owner = parents[owner]
        for box in group.findall(f"{SVG}rect"):
            left, top, wide, high = (float(box.get(name, 0)) for name in ("x", "y", "width", "height"))
            left += engrave.FINGER_SHIFT * size if kind_of(owner) == "fing" else 0
            yield kind_of(owner), owner.get("id", ""), left, top, left + wide, top + high


def kind_of(element: ET.Element) -> str:
    return element.get("class", "").partition(" ")[0]


def collisions(boxes: list[Box]) -> list[tuple[str, str]]:
    return [
        (label[0], other[0])
        for label in boxes
        if label[0] in LABELS
        for other in boxes
        if other[0] in (*LABELS, *OTHERS) and label[1] != other[1]
        if min(label[4], other[4]) - max(label[2], other[2]) > HAIR
        if min(label[5], other[5]) - max(label[3], other[3]) > HAIR
    ]


@pytest.mark.parametrize("size", [engrave.SIZES[0], engrave.SIZES[-1]])
@pytest.mark.parametrize(
    ("name", "layer"),
    [
        ("lantern-on-the-weir", None),
        ("the-great-bell", None),
        ("the-mill-at-turning-tide", None),
        ("under-the-millstone", "bass"),
    ],
)
def test_no_label_stands_on_a_note_or_on_another(
    name: str, layer: str | None, size: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[list[Box]] = []
    finished = engrave._finished

    def noted(drawing: ET.Element, texts: dict[str, str], of_size: float) -> ET.Element:
        found.append(list(boxes_of(drawing, of_size)))
        return finished(drawing, texts, of_size)

    monkeypatch.setattr(engrave, "_finished", noted)
    lines = engrave.engraved_lines(drill_part(load_drill(DRILLS / f"{name}.yaml"), layer), size)
    assert len(found) == len(lines)
    kinds = {box[0] for boxes in found for box in boxes}
    assert {"note", "stem", "mNum"} <= kinds
    assert [pair for boxes in found for pair in collisions(boxes)] == []


def test_a_label_on_a_note_is_seen() -> None:
    note, finger = ("note", "a", 0.0, 0.0, 100.0, 100.0), ("fing", "b", 50.0, 50.0, 150.0, 150.0)
    assert collisions([note, finger]) == [("fing", "note")]
    assert collisions([note, ("fing", "b", 95.0, 50.0, 150.0, 150.0)]) == []
