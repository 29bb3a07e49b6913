"""Reads MusicXML (4.0 and older, partwise or timewise, compressed or not) into a `Score`.

Conventions: sounding = written + transpose. A note on a tab staff that doubles one of the notation staff (same onset,
same pitch) only adds its string and fret. Ties are read from `<tie>`, or from `<tied>` where there is none. Entities,
external references, files and archives that grow beyond 20 MB are refused (`unpack.py`).
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from xml.etree.ElementTree import Element

from coach.ground.digits import whole_number
from coach.ground.problem import CoachError
from coach.music.key import MOST_FIFTHS, Key, Mode
from coach.music.rhythm import LOWER_NUMBERS
from coach.score.bar_lengths import settle_lengths
from coach.score.limits import MAX_BAR_NUMBER, MAX_BARS
from coach.score.musicxml_notes import (
    Ticks,
    fraction,
    integer,
    read_note,
    ticks,
    tuning_of,
    without_doubles,
    words,
)
from coach.score.note_values import VALUE_NAMES
from coach.score.repeats import Turn, played_order
from coach.score.score import Score, ScoreBar, ScoreNote

_VALUES = {name: value for value, name in VALUE_NAMES.items()}
_NOT_FOLLOWED = ("segno", "coda")
_PLACES = re.compile(r"(?:(?:\S+:)?(?:\d+(?:\.\d+)?|\d+/\d+|\d+<[\d./]+>)\s?)+")
"""Words that say where a note is touched, `3.2`, `4<16>`, as they stand by a tab staff: no cue."""


ROOTS = ("score-partwise", "score-timewise")


def part_names(root: Element) -> dict[str, str]:
    """The names of a score's parts by their ids, in the file's order."""
    names = {
        item.get("id", ""): " ".join((item.findtext("part-name") or "").split())
        for item in root.findall("part-list/score-part")
    }
    path = "measure/part" if root.tag == "score-timewise" else "part"
    present = (part.get("id", "") for part in root.findall(path))
    return {part: names.get(part, "") for part in present}


def read_musicxml(root: Element, part: str, where: str) -> Score:
    """One part of a score, by its id. CoachError where the part is empty or too long.

    What stands above the top staff only (tempo, rehearsal marks) is read from the first part.
    """
    measures = list(_measures(root, part))
    if not measures:
        raise CoachError(f"the part '{part}' has no bars", where, guess="choose another part")
    if len(measures) > MAX_BARS:
        raise CoachError(f"{len(measures)} bars; at most {MAX_BARS} can be imported", where)
    score = Score(part=part)
    score.title = _title(root)
    creators = root.findall("identification/creator")
    score.composer = words(next((c.text or "" for c in creators if c.get("type") == "composer"), ""))
    reader = _PartReader(score)
    numbers = bar_numbers([measure.get("number", "") for measure in measures], score)
    turns = [reader.measure(*each) for each in zip(measures, numbers, strict=True)]
    first = next(iter(part_names(root)), part)
    if first != part:
        _take_marks(score, _without_notes(root, first).score)
    implicit = [measure.get("implicit") == "yes" for measure in measures]
    settle_lengths(score, reader.filled, implicit, partial(_longest_of_all, root))
    _name_voices(root, score)
    score.order = played_order(turns, score)
    score.tunings = reader.tunings()
    return score


_FILE_NAME = re.compile(r"\S+\.(?:mxl|xml|musicxml|mid|midi)", re.IGNORECASE)


def _title(root: Element) -> str:
    """The work's title and its movement's; programs put a file's name where the author said none."""
    texts = (words(root.findtext(path) or "") for path in ("work/work-title", "movement-title"))
    titles = [text for text in dict.fromkeys(texts) if text and not _FILE_NAME.fullmatch(text)]
    return ", ".join(titles)


def bar_numbers(printed: Sequence[str], score: Score) -> list[str]:
    """The numbers of a part's bars, from what the file says of each: `4`, `4a` and `X1` for a later piece of bar 4.

    Counted from 1 where those go back, as they do where several movements stand in one file, or are too high; that is
    told.
    """
    numbers: list[int] = []
    for text in printed:
        digits = re.match(r"[0-9]{1,5}", text)
        before = numbers[-1] if numbers else 0
        numbers.append(int(digits[0]) if digits else before + (not text.startswith("X")))
    back = numbers != sorted(numbers)
    if not back and numbers[-1] <= MAX_BAR_NUMBER:
        return list(map(str, numbers))
    reason = "back" if back else f"beyond {MAX_BAR_NUMBER}"
    counted = f"the bars are counted from 1 to {len(numbers)}"
    score.remark("", f"{counted}, since the file's own numbers go {reason}")
    return [str(number) for number in range(1, len(numbers) + 1)]


def _without_notes(root: Element, part: str) -> _PartReader:
    """What a part has beside its notes, and how far its bars reach."""
    reader = _PartReader(Score(), reads_notes=False)
    for measure in _measures(root, part):
        reader.measure(measure, measure.get("number", ""))
    return reader


def _take_marks(score: Score, first: Score) -> None:
    """Take tempos and rehearsal marks of the first part where this one has none: they hold for all."""
    if not any(bar.tempos for bar in score.bars):
        score.beat_whole = first.beat_whole
        for bar, above in zip(score.bars, first.bars, strict=False):
            bar.tempos = above.tempos
    if not any(bar.mark for bar in score.bars):
        for bar, above in zip(score.bars, first.bars, strict=False):
            bar.mark, bar.starts_section = above.mark, bar.starts_section or bool(above.mark)


def _longest_of_all(root: Element, bars: Collection[int]) -> dict[int, Fraction]:
    """How far the longest of all parts reaches in each of these bars."""
    parts = [_without_notes(root, part).filled for part in part_names(root)]
    return {
        index: max((filled[index] for filled in parts if index < len(filled)), default=Fraction(0))
        for index in bars
    }


def _name_voices(root: Element, score: Score) -> None:
    """Name the voices as an export of this program does, since MusicXML has only numbers; those of one name are one."""
    field = root.find("identification/miscellaneous/miscellaneous-field[@name='voices']")
    names = words((field.text if field is not None else "") or "").split(", ")
    first = {name: str(number) for number, name in reversed(list(enumerate(names, 1))) if name}
    score.layer_names = {voice: name for name, voice in first.items()}
    for note in score.notes:
        number = whole_number(note.voice) or 0
        if 1 <= number <= len(names):
            note.voice = first.get(names[number - 1], note.voice)


def _measures(root: Element, part: str) -> Iterator[Element]:
    if root.tag == "score-partwise":
        for item in root.findall("part"):
            if item.get("id", "") == part:
                yield from item.findall("measure")
        return
    for measure in root.findall("measure"):
        for item in measure.findall("part"):
            if item.get("id", "") == part:
                item.attrib |= {
                    key: measure.get(key, "") for key in ("number", "implicit") if measure.get(key)
                }
                yield item


@dataclass
class _PartReader:
    """Reads one measure after another; keeps what lasts from bar to bar."""

    score: Score
    reads_notes: bool = True
    divisions: Fraction = Fraction(1)
    upper: int = 4
    lower: int = 4
    groups: tuple[int, ...] = ()
    counted: int | None = None
    transpose: dict[int, int] = field(default_factory=dict)
    tab_staves: set[int] = field(default_factory=set)
    staff_tunings: dict[int, dict[int, int]] = field(default_factory=dict)
    wholes: dict[Ticks, Fraction] = field(default_factory=dict)
    filled: list[Fraction] = field(default_factory=list)
    """How far the notes and rests of each bar reach."""
    key: Key | None = None

    def measure(self, items: Iterable[Element], number: str) -> Turn:
        """Add the bar with these elements; what its barlines say about repeats."""
        bar = ScoreBar(number, self.upper, self.lower, Fraction(0))
        turn = Turn()
        at: Ticks = 0
        furthest: Ticks = 0
        struck: Ticks = 0
        read: list[ScoreNote] = []
        for item in items:
            if item.tag == "note":
                # The first of equal children counts.
                inside = {child.tag: child for child in item[::-1]}
                if "grace" in inside:
                    self.score.remark(number, "grace notes left out")
                    continue
                length = ticks(inside["duration"].text) if "duration" in inside else 0
                if "chord" not in inside:
                    struck, at = at, at + length
                if "cue" in inside:
                    self.score.remark(number, "cue notes left out")
                elif self.reads_notes and (note := self._note(item, inside, number, struck, length)):
                    bar.key = bar.key or self.key
                    if note.microtone:
                        bar.refusal = "quarter tones, which a drill can't contain"
                    read.append(note)
            elif item.tag in ("backup", "forward"):
                length = ticks(item.findtext("duration"))
                at = max(0, at - length) if item.tag == "backup" else at + length
            elif item.tag == "attributes":
                before = self.divisions
                self._attributes(item, number)
                bar.upper, bar.lower, bar.groups = self.upper, self.lower, self.groups
                if self.divisions != before:
                    scale = self.divisions / before
                    at, furthest, struck = at * scale, furthest * scale, struck * scale
            elif item.tag in ("direction", "sound"):
                self._direction(item, bar)
            elif item.tag == "barline":
                self._barline(item, bar, turn)
            if at > furthest:
                furthest = at
        bar.groups, bar.counted = self.groups, self.counted
        bar.notes = without_doubles(read, self.tab_staves)
        bar.key = bar.key or self.key
        self.filled.append(self._whole(furthest))
        self.score.bars.append(bar)
        return turn

    def _note(
        self, item: Element, inside: dict[str, Element], number: str, onset: Ticks, length: Ticks
    ) -> ScoreNote | None:
        staff = integer(inside["staff"].text, 1) if "staff" in inside else 1
        note = read_note(
            item,
            inside,
            self._whole(onset),
            self._whole(length),
            self.transpose.get(staff, 0),
            lambda what: self.score.remark(number, what),
        )
        if note is not None:
            note.staff, note.key = staff, self.key
        return note

    def _whole(self, length: Ticks) -> Fraction:
        """A length in whole notes; most bars have few different ones."""
        whole = self.wholes.get(length)
        if whole is None:
            whole = self.wholes[length] = length / (4 * self.divisions)
        return whole

    def _attributes(self, item: Element, number: str) -> None:
        if (divisions := fraction(item.findtext("divisions"))) > 0:
            self.divisions = divisions
            self.wholes.clear()
        for time in item.findall("time"):
            self._time(time, number)
        for clef in item.findall("clef"):
            staff = integer(clef.get("number"), 1)
            (self.tab_staves.add if clef.findtext("sign") == "TAB" else self.tab_staves.discard)(staff)
        for transpose in item.findall("transpose"):
            octaves = integer(transpose.findtext("octave-change")) - (transpose.find("double") is not None)
            steps = integer(transpose.findtext("chromatic")) + 12 * octaves
            staves = [integer(transpose.get("number"))] if transpose.get("number") else range(1, 17)
            for staff in staves:
                self.transpose[staff] = max(-60, min(60, steps))
        for key in item.findall("key")[:1]:
            self._key(key, number)
        for details in item.findall("staff-details"):
            lines = self.staff_tunings.setdefault(integer(details.get("number"), 1), {})
            for tuning in details.findall("staff-tuning"):
                midi = tuning_of(tuning)
                if midi is not None:
                    lines[integer(tuning.get("line"))] = midi

    def _key(self, item: Element, number: str) -> None:
        """The sounding key: the written one moved as far as the part's notes are."""
        if item.find("fifths") is None:
            self.score.remark(number, "a key of single signs is ignored")
            return
        steps = self.transpose.get(integer(item.get("number"), 1), 0)
        mode: Mode = "minor" if item.findtext("mode") == "minor" else "major"
        fifths = integer(item.findtext("fifths"))
        if abs(fifths) > MOST_FIFTHS:
            self.score.remark(number, "a key of more than seven signs is ignored")
            return
        self.key = Key(fifths, mode).moved(steps)

    def _time(self, time: Element, number: str) -> None:
        signs = [
            ([integer(part) for part in (beats.text or "").split("+")], integer(unit.text))
            for beats, unit in zip(time.findall("beats"), time.findall("beat-type"), strict=False)
        ]
        lower = max((unit for _, unit in signs), default=0)
        # Of a sign such as 3/4 + 3/8 each beat of the coarser part is a group of the finer unit.
        parts = [(part, lower // unit) for own, unit in signs if unit in LOWER_NUMBERS for part in own]
        upper = sum(part * finer for part, finer in parts)
        if lower not in LOWER_NUMBERS or min(parts)[0] < 1 or upper > 64:
            self.score.remark(number, f"the meter stays {self.upper}/{self.lower}: this one can't be read")
            return
        groups = tuple(group for part, finer in parts for group in ([part] if finer == 1 else [finer] * part))
        self.upper, self.lower, self.groups = upper, lower, groups if len(groups) > 1 else ()
        self.counted = None

    def tunings(self) -> list[int]:
        """Open strings from the bottom line up, of the staff that has most of them."""
        best = max(self.staff_tunings.values(), key=len, default={})
        return [best[line] for line in sorted(best)]

    def _direction(self, item: Element, bar: ScoreBar) -> None:
        for kind in item.findall("direction-type"):
            for child in kind:
                text = words(child.text or "")
                if child.tag == "rehearsal" and text:
                    bar.mark, bar.starts_section = text, True
                elif child.tag == "words" and (counted := re.fullmatch(r"in ([1-9]\d?)", text)):
                    self.counted = int(counted[1])
                elif child.tag == "words" and text and not _PLACES.fullmatch(text):
                    bar.cue = f"{bar.cue}; {text}" if bar.cue else text
                elif child.tag == "dynamics" and len(child) and not bar.dynamics:
                    other = child[0].tag == "other-dynamics"
                    bar.dynamics = words(child[0].text or "") if other else child[0].tag
                elif child.tag == "metronome":
                    self._metronome(child, bar)
                elif child.tag in _NOT_FOLLOWED:
                    self.score.remark(bar.number, f"the {child.tag} is not followed")
        sound = item if item.tag == "sound" else item.find("sound")
        if sound is not None:
            if (tempo := fraction(sound.get("tempo"))) > 0:
                if bar.tempos and item.find("direction-type/metronome") is not None:
                    bar.tempos.pop()
                bar.tempos.append(tempo)
            for jump in ("dacapo", "dalsegno", "tocoda", "fine"):
                if sound.get(jump):
                    self.score.remark(bar.number, f"the jump ({jump}) is not followed")

    def _metronome(self, item: Element, bar: ScoreBar) -> None:
        beat = _VALUES.get(item.findtext("beat-unit") or "")
        per_minute = fraction(item.findtext("per-minute"))
        if beat is None or per_minute <= 0:
            return
        if item.find("beat-unit-dot") is not None:
            beat *= Fraction(3, 2)
        if self.score.beat_whole is None:
            self.score.beat_whole = beat
        bar.tempos.append(per_minute * beat * 4)

    def _barline(self, item: Element, bar: ScoreBar, turn: Turn) -> None:
        repeat, ending = item.find("repeat"), item.find("ending")
        if repeat is not None:
            if repeat.get("direction") == "forward":
                turn.forward = bar.starts_section = True
            else:
                turn.backward = max(2, min(99, integer(repeat.get("times"), 2)))
                bar.ends_section = True
        if ending is not None:
            parts = (ending.get("number") or "").replace(",", " ").split()
            numbers = {number for part in parts if (number := whole_number(part)) is not None}
            if ending.get("type") == "start":
                turn.ending_starts = frozenset(numbers) or frozenset({1})
                bar.starts_section = True
            else:
                turn.ending_stops = bar.ends_section = True
        if item.findtext("bar-style") in ("light-light", "light-heavy", "heavy-heavy", "heavy-light"):
            bar.ends_section = bar.ends_section or item.get("location", "right") == "right"
            bar.starts_section = bar.starts_section or item.get("location") == "left"
