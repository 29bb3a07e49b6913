"""Parses the parts of a MusicXML score that are wanted: a tree of all parts takes most of an import's time.

In well-formed XML without entities and CDATA a `<` outside of comments and instructions opens a tag, so that the
parts can be found in the bytes. The whole text is still proved well-formed; wherever the bytes are not plainly of
this kind, all of it is parsed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from fractions import Fraction
from xml.etree.ElementTree import Element
from xml.parsers import expat

from coach.ground.problem import CoachError
from coach.score.musicxml_notes import fraction, reach
from coach.score.unpack import may_declare_entities, parse_xml, refuse_overfull

MAX_PARTS = 500
_NO_TAGS = re.compile(rb"<!--.*?-->|<\?.*?\?>|<![A-Z[]{1,7}", re.DOTALL)
_OPENS = re.compile(rb"""<part(?:\s+[\w:.-]+\s*=\s*(?:"[^"<]*"|'[^'<]*'))*\s*>""")
_MEASURE = re.compile(rb"<measure[\s>]")
_CLOSES = re.compile(rb"</part\s*>")


def parse_score(
    data: bytes, where: str, choose: Callable[[Element], Sequence[str]]
) -> tuple[Element, Sequence[str]]:
    """The root of a score and the ids that `choose` picks from it; parts other than those and the first may be empty.

    CoachError as from `parse_xml`, for whatever part of the text is broken.
    """
    spans = None
    refuse_overfull(data, where)
    if data.count(b"<part ") > 1 and not may_declare_entities(data) and _well_formed(data):
        # Only of well-formed text are the patterns sure to take linear time.
        spans = _spans(data)
    if spans is not None:
        pieces, at = [], 0
        for start, stop in spans:
            pieces.append(data[at:start])
            at = stop
        root = parse_xml(b"".join([*pieces, data[at:]]), where)
        parts = root.findall("part")
        if len(parts) == len(spans):
            chosen = choose(root)
            try:
                for number, (element, (start, stop)) in enumerate(zip(parts, spans, strict=True)):
                    if number == 0 or element.get("id", "") in chosen:
                        element.extend(parse_xml(b"<part>" + data[start:stop] + b"</part>", where))
                return root, chosen
            except CoachError:  # a prefix that the root declares, for one
                pass
    root = parse_xml(data, where)
    return root, choose(root)


def longest_in(data: bytes, where: str, bars: Collection[int]) -> dict[int, Fraction] | None:
    """How far the longest of all parts reaches in each of these bars, by the bytes of a well-formed score.

    In whole notes; None where the bytes alone can't tell.
    """
    longest = dict.fromkeys(bars, Fraction(0))
    for start, stop in _spans(data) or ():
        opens = [*(tag.start() for tag in _MEASURE.finditer(data, start, stop)), stop]
        for index in bars:
            if index + 1 < len(opens):
                first, after = opens[index], opens[index + 1]
                before = data.rfind(b"<divisions>", start, after) + len(b"<divisions>")
                divisions = fraction(data[before : data.find(b"<", before)].decode("ascii", "replace"))
                try:
                    measure = parse_xml(data[first:after], where)
                except CoachError:  # a prefix that the root declares, for one
                    return None
                longest[index] = max(longest[index], reach(measure, divisions or Fraction(1)))
    return longest if any(longest.values()) else None


def _spans(data: bytes) -> list[tuple[int, int]] | None:
    """From where to where the bars of each of several parts stand; None where the bytes alone can't tell."""
    if b"iso-8859-1" in data[:200].lower():
        return None
    for tag in _NO_TAGS.findall(data):
        if b"part" in tag or (tag[:2] == b"<!" and tag[:4] != b"<!--" and tag != b"<!DOCTYPE"):
            return None
    opens = [tag.end() for tag in _OPENS.finditer(data)]
    closes = [tag.start() for tag in _CLOSES.finditer(data)]
    if len(opens) != len(closes) or not 2 <= len(opens) <= MAX_PARTS:
        return None
    spans = list(zip(opens, closes, strict=True))
    edges = [edge for span in spans for edge in span]
    return spans if edges == sorted(edges) else None


def _well_formed(data: bytes) -> bool:
    try:
        expat.ParserCreate(None, "}").Parse(data, True)
    except (expat.ExpatError, ValueError, LookupError):
        return False
    return True
