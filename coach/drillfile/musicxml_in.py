"""Reads MusicXML (4.0 and older, partwise or timewise, compressed or not) into a `Score`.

Conventions: sounding = written + transpose. A note on a tab staff that doubles one of the notation staff (same onset,
same pitch) only adds its string and fret. Ties are read from `<tie>`, or from `<tied>` where there is none. Entities,
external references, files and archives that grow beyond 20 MB are refused (defusedxml).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from coach.core.problem import CoachError, Problem
from coach.drillfile.repeats import Turn, played_order
from coach.drillfile.score import MAX_BARS, Score, ScoreBar, ScoreNote

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_UNITS = {"whole": 1, "half": 2, "quarter": 4, "eighth": 8, "16th": 16, "32nd": 32}
_NOT_FOLLOWED = ("segno", "coda")


@dataclass(frozen=True, slots=True)
class PartName:
    """A part as the file names it."""

    id: str
    name: str


def part_names(root: Element) -> list[PartName]:
    """The parts of a score in the file's order."""
    names = {
        item.get("id", ""): " ".join((item.findtext("part-name") or "").split())
        for item in root.iter("score-part")
    }
    present = dict.fromkeys(part.get("id", "") for part in root.iter("part"))
    return [PartName(part, names.get(part, "")) for part in present]


def read_musicxml(root: Element, part: str, where: str) -> Score:
    """One part of a score, by its id. CoachError where the root is no score or the part is empty."""
    if root.tag not in ("score-partwise", "score-timewise"):
        raise CoachError(
            Problem(f"<{root.tag}> is no MusicXML score; that is <score-partwise> or <score-timewise>", where)
        )
    measures = list(_measures(root, part))
    if not measures:
        raise CoachError(Problem(f"the part '{part}' has no bars", where))
    if len(measures) > MAX_BARS:
        raise CoachError(Problem(f"{len(measures)} bars; at most {MAX_BARS} can be imported", where))
    score = Score(part=part)
    score.title = _words(root.findtext("work/work-title") or root.findtext("movement-title") or "")
    creators = root.findall("identification/creator")
    score.composer = _words(next((c.text or "" for c in creators if c.get("type") == "composer"), ""))
    fields = {
        item.get("name"): " ".join((item.text or "").split()) for item in root.iter("miscellaneous-field")
    }
    # What our own exports say beside the music; anything else there is nobody's business here.
    if root.findtext("identification/encoding/software") == "Wellrung":
        layers = fields.get("layers", "").split(", ")
        score.layer_names = {str(voice): name for voice, name in enumerate(layers, 1)}
        score.phrase_order = [name for name in fields.get("order", "").split(", ") if name]
        score.scale_mm = float(_fraction(fields.get("scale_mm")))
    reader = _PartReader(score)
    turns = [reader.measure(measure) for measure in measures]
    score.order = played_order(turns, score)
    score.tunings = reader.tunings()
    return score


def _measures(root: Element, part: str) -> Iterator[Element]:
    if root.tag == "score-partwise":
        for item in root.findall("part"):
            if item.get("id", "") == part:
                yield from item.findall("measure")
        return
    for measure in root.findall("measure"):
        for item in measure.findall("part"):
            if item.get("id", "") == part:
                item.attrib.update(
                    {key: measure.get(key, "") for key in ("number", "implicit") if measure.get(key)}
                )
                yield item


def _words(text: str) -> str:
    return " ".join(text.split())[:80]


def _int(text: str | None, default: int = 0) -> int:
    try:
        return int(float(text or ""))
    except (ValueError, OverflowError):
        return default


def _fraction(text: str | None) -> Fraction:
    try:
        value = Fraction((text or "").strip())
    except (ValueError, ZeroDivisionError):
        return Fraction(0)
    return value if abs(value.numerator) < 10**9 and value.denominator < 10**6 else Fraction(0)


@dataclass
class _PartReader:
    """Reads one measure after another; keeps what lasts from bar to bar."""

    score: Score
    divisions: Fraction = Fraction(1)
    upper: int = 4
    lower: int = 4
    groups: tuple[int, ...] = ()
    transpose: dict[int, int] = field(default_factory=dict)
    tab_staves: set[int] = field(default_factory=set)
    staff_tunings: dict[int, dict[int, int]] = field(default_factory=dict)
    quarters: Fraction = Fraction(0)

    def measure(self, element: Element) -> Turn:
        """Add the bar; what its barlines say about repeats."""
        number = element.get("number", "") or str(len(self.score.bars) + 1)
        bar = ScoreBar(number, self.upper, self.lower, Fraction(0))
        turn = Turn()
        at, furthest, struck = Fraction(0), Fraction(0), Fraction(0)
        read: list[tuple[int, ScoreNote]] = []
        for item in element:
            if item.tag == "note":
                length = self._length(item)
                if item.find("grace") is not None or item.find("cue") is not None:
                    self.score.remark(
                        number, f"{'grace' if item.find('grace') is not None else 'cue'} notes left out"
                    )
                    continue
                onset = struck if item.find("chord") is not None else at
                if (note := self._note(item, onset, length, number)) is not None:
                    read.append((_int(item.findtext("staff"), 1), note))
                if item.find("chord") is None:
                    struck, at = at, at + length
            elif item.tag in ("backup", "forward"):
                length = self._length(item)
                at = max(Fraction(0), at - length) if item.tag == "backup" else at + length
            elif item.tag == "attributes":
                self._attributes(item, number)
                bar.upper, bar.lower, bar.groups = self.upper, self.lower, self.groups
            elif item.tag in ("direction", "sound"):
                self._direction(item, bar, at)
            elif item.tag == "barline":
                self._barline(item, bar, turn)
            furthest = max(furthest, at)
        bar.groups = self.groups
        bar.notes = self._merged(read)
        bar.length = self._bar_length(bar, furthest, element.get("implicit") == "yes")
        self.score.bars.append(bar)
        return turn

    def _length(self, item: Element) -> Fraction:
        return max(Fraction(0), _fraction(item.findtext("duration"))) / self.divisions / 4

    def _bar_length(self, bar: ScoreBar, filled: Fraction, implicit: bool) -> Fraction:
        first = not self.score.bars
        if 0 < filled < bar.full and (first or implicit):
            bar.pickup = first
            return filled
        if filled > bar.full:
            self.score.remark(
                bar.number, f"holds more than {bar.upper}/{bar.lower}; taken as {filled} of a whole note"
            )
            return filled
        return bar.full

    def _attributes(self, item: Element, number: str) -> None:
        if (divisions := _fraction(item.findtext("divisions"))) > 0:
            self.divisions = divisions
        for time in item.findall("time"):
            self._time(time, number)
        for clef in item.findall("clef"):
            staff = _int(clef.get("number"), 1)
            (self.tab_staves.add if clef.findtext("sign") == "TAB" else self.tab_staves.discard)(staff)
        for transpose in item.findall("transpose"):
            steps = _int(transpose.findtext("chromatic")) + 12 * _int(transpose.findtext("octave-change"))
            double = transpose.find("double")
            steps -= 12 if double is not None else 0
            staves = [_int(transpose.get("number"))] if transpose.get("number") else range(1, 17)
            for staff in staves:
                self.transpose[staff] = max(-60, min(60, steps))
        for details in item.findall("staff-details"):
            lines = self.staff_tunings.setdefault(_int(details.get("number"), 1), {})
            for tuning in details.findall("staff-tuning"):
                midi = self._pitch(tuning, "tuning-")
                if midi is not None:
                    lines[_int(tuning.get("line"))] = midi

    def _time(self, time: Element, number: str) -> None:
        beats = [part.strip() for part in (time.findtext("beats") or "").split("+")]
        lower = _int(time.findtext("beat-type"))
        groups = tuple(_int(part) for part in beats)
        if not groups or min(groups) < 1 or sum(groups) > 64 or lower not in (1, 2, 4, 8, 16, 32):
            self.score.remark(number, f"the meter stays {self.upper}/{self.lower}: this one can't be read")
            return
        self.upper, self.lower, self.groups = sum(groups), lower, groups if len(groups) > 1 else ()

    def tunings(self) -> list[int]:
        """Open strings from the bottom line up, of the staff that has most of them."""
        best = max(self.staff_tunings.values(), key=len, default={})
        return [best[line] for line in sorted(best)]

    def _pitch(self, item: Element, prefix: str = "") -> int | None:
        step = (item.findtext(f"{prefix}step") or "").strip()
        octave = item.findtext(f"{prefix}octave")
        if step not in _STEPS or octave is None:
            return None
        alter = _fraction(item.findtext(f"{prefix}alter"))
        midi = 12 * (_int(octave) + 1) + _STEPS[step] + math.floor(alter + Fraction(1, 2))
        return midi if 0 <= midi <= 127 else None

    def _note(self, item: Element, onset: Fraction, length: Fraction, number: str) -> ScoreNote | None:
        if item.find("rest") is not None:
            return None
        pitch = item.find("pitch")
        if pitch is None:
            self.score.remark(number, "notes without a pitch left out")
            return None
        midi = self._pitch(pitch)
        if midi is None or length <= 0:
            self.score.remark(number, "a note whose pitch or length can't be read left out")
            return None
        if _fraction(pitch.findtext("alter")).denominator != 1:
            self.score.remark(number, "quarter tones rounded to the nearest semitone")
        staff = _int(item.findtext("staff"), 1)
        midi += self.transpose.get(staff, 0)
        if not 0 <= midi <= 127:
            self.score.remark(number, "a note beyond the range of pitches left out")
            return None
        note = ScoreNote(onset, length, midi, _words(item.findtext("voice") or "1"))
        ties = {tie.get("type") for tie in item.findall("tie")}
        tied = {tie.get("type") for tie in item.findall("notations/tied")}
        note.rings = "let-ring" in tied
        ties = ties or tied
        note.tie_start, note.tie_stop = (
            "start" in ties or "continue" in ties,
            "stop" in ties or "continue" in ties,
        )
        self._technical(item, note, number)
        head = item.find("notehead")
        if head is not None:
            note.droppable = head.get("parentheses") == "yes"
            if (head.text or "").strip() == "diamond" and not note.harmonic:
                note.harmonic = True
        return note

    def _technical(self, item: Element, note: ScoreNote, number: str) -> None:
        for technical in item.findall("notations/technical"):
            if (string := _int(technical.findtext("string"))) > 0:
                note.string = string
            if (fret := technical.findtext("fret")) is not None and _int(fret, -1) >= 0:
                note.fret = _int(fret)
                if "." in fret:
                    note.written = fret.strip()
            harmonic = technical.find("harmonic")
            if harmonic is not None:
                if harmonic.find("artificial") is not None:
                    self.score.remark(
                        number, "artificial harmonics taken as stopped notes: a drill has natural ones"
                    )
                else:
                    note.harmonic = True
                for kind in ("sounding", "base", "touching"):
                    if harmonic.find(f"{kind}-pitch") is not None:
                        note.pitch_kind = kind
            if note.harmonic and (other := (technical.findtext("other-technical") or "").strip()):
                note.written = other if other.replace(".", "").replace("/", "").isdecimal() else ""
            finger = (technical.findtext("fingering") or "").strip()
            note.fretting_finger = finger if finger in ("1", "2", "3", "4", "T") else note.fretting_finger
            pluck = (technical.findtext("pluck") or "").strip()
            note.plucking_finger = pluck if pluck in ("p", "i", "m", "a", "c") else note.plucking_finger

    def _merged(self, read: list[tuple[int, ScoreNote]]) -> list[ScoreNote]:
        """The notes without those of tab staves that double others, which give their strings and frets."""
        notes = [note for staff, note in read if staff not in self.tab_staves]
        if len(notes) == len(read):
            return notes
        if not notes:
            return [note for _, note in read]
        plain: dict[tuple[Fraction, int, bool], list[ScoreNote]] = {}
        for note in notes:
            plain.setdefault((note.onset, note.midi, note.tie_stop), []).append(note)
        for staff, note in read:
            if staff not in self.tab_staves:
                continue
            doubles = plain.get((note.onset, note.midi, note.tie_stop)) or plain.get(
                (note.onset, note.midi, not note.tie_stop)
            )
            if not doubles:
                notes.append(note)
                continue
            other = next((one for one in doubles if one.string == note.string), None) or next(
                (one for one in doubles if one.string is None), None
            )
            if other is None:
                continue
            if other.string is None:
                other.string, other.fret = note.string, note.fret
            other.harmonic = other.harmonic or note.harmonic
            other.written = other.written or note.written
        return notes

    def _direction(self, item: Element, bar: ScoreBar, at: Fraction) -> None:
        for kind in item.findall("direction-type"):
            for child in kind:
                text = _words(child.text or "")
                if child.tag == "rehearsal" and text:
                    bar.mark, bar.starts_section = text, True
                elif child.tag == "words" and text:
                    bar.cue = f"{bar.cue}; {text}" if bar.cue else text
                elif child.tag == "dynamics" and len(child) and not bar.dynamics:
                    bar.dynamics = child[0].tag
                elif child.tag == "metronome":
                    self._metronome(child, bar)
                elif child.tag in _NOT_FOLLOWED:
                    self.score.remark(bar.number, f"the {child.tag} is not followed")
        sound = item if item.tag == "sound" else item.find("sound")
        if sound is not None:
            if (tempo := _fraction(sound.get("tempo"))) > 0:
                if bar.tempos and item.find("direction-type/metronome") is not None:
                    bar.tempos.pop()
                bar.tempos.append(tempo)
                self.quarters = tempo
            for jump in ("dacapo", "dalsegno", "tocoda", "fine"):
                if sound.get(jump):
                    self.score.remark(bar.number, f"the jump ({jump}) is not followed")

    def _metronome(self, item: Element, bar: ScoreBar) -> None:
        unit = _UNITS.get(item.findtext("beat-unit") or "")
        per_minute = _fraction(item.findtext("per-minute"))
        if unit is None or per_minute <= 0:
            return
        beat = Fraction(1, unit)
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
                turn.backward = max(2, min(99, _int(repeat.get("times"), 2)))
                bar.ends_section = True
        if ending is not None:
            numbers = {
                int(part)
                for part in (ending.get("number") or "").replace(",", " ").split()
                if part.isdecimal()
            }
            if ending.get("type") == "start":
                turn.ending_starts = frozenset(numbers) or frozenset({1})
                bar.starts_section = True
            else:
                turn.ending_stops = bar.ends_section = True
        if item.findtext("bar-style") in ("light-light", "light-heavy", "heavy-heavy", "heavy-light"):
            bar.ends_section = bar.ends_section or item.get("location", "right") == "right"
            bar.starts_section = bar.starts_section or item.get("location") == "left"
