"""Reads the `<note>` elements of MusicXML, and the pitches and numbers in them.

Conventions: as in `coach.score.musicxml_in`. The same few texts return thousands of times in a file, so that what
they mean is remembered.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection
from fractions import Fraction
from functools import lru_cache
from xml.etree.ElementTree import Element

from coach.ground.digits import exact_number
from coach.music.key import Spelling
from coach.score.notation import FRETTING, PLUCKING
from coach.score.score import ScoreNote
from coach.strings.units import STEPS

Ticks = int | Fraction
"""A length in divisions; whole numbers but for odd files."""


@lru_cache(256)
def words(text: str) -> str:
    """A text without line ends and runs of blanks, at most 80 characters."""
    return " ".join(text.split())[:80]


@lru_cache(256)
def integer(text: str | None, default: int = 0) -> int:
    """The whole number in a text, `default` where there is none."""
    try:
        return int(float(text or ""))
    except (ValueError, OverflowError):
        return default


@lru_cache(1024)
def fraction(text: str | None) -> Fraction:
    """The number in a text, exactly; 0 where there is none or one out of all measure."""
    try:
        value = exact_number(text or "")
    except ValueError:
        return Fraction(0)
    return value if abs(value.numerator) < 10**9 and value.denominator < 10**6 else Fraction(0)


@lru_cache(1024)
def ticks(text: str | None) -> Ticks:
    """The length in a `<duration>`, at least 0."""
    length = max(Fraction(0), fraction(text))
    return length.numerator if length.denominator == 1 else length


def tuning_of(item: Element) -> int | None:
    """The MIDI number of a string's tuning; None where it can't be read."""
    return _midi(*(item.findtext(f"tuning-{name}") for name in ("step", "octave", "alter")))


@lru_cache(1024)
def _midi(step: str | None, octave: str | None, alter: str | None) -> int | None:
    step = (step or "").strip()
    if step not in STEPS or octave is None:
        return None
    midi = 12 * (integer(octave) + 1) + STEPS[step] + math.floor(fraction(alter) + Fraction(1, 2))
    return midi if 0 <= midi <= 127 else None


@lru_cache(1024)
def _spelled(step: str | None, alter: str | None, midi: int) -> str:
    """The name of a sounding pitch as it is written, `Gb4`; empty beyond double signs."""
    signs = int(fraction(alter))
    return str(Spelling.of((step or "").strip(), signs, midi)) if abs(signs) <= 2 else ""


def read_note(
    item: Element,
    inside: dict[str, Element],
    onset: Fraction,
    length: Fraction,
    transpose: int,
    remark: Callable[[str], None],
) -> ScoreNote | None:
    """The struck note in a `<note>` whose children are `inside`, by their tags; None, with a remark, if it has none."""
    if "rest" in inside:
        return None
    pitch = inside.get("pitch")
    if pitch is None:
        remark("notes without a pitch left out")
        return None
    alter = pitch.findtext("alter")
    midi = _midi(pitch.findtext("step"), pitch.findtext("octave"), alter)
    if midi is None or not length:
        remark("a note whose pitch or length can't be read left out")
        return None
    midi += transpose
    if not 0 <= midi <= 127:
        remark("a note beyond the range of pitches left out")
        return None
    voice = inside.get("voice")
    note = ScoreNote(onset, length, midi, words((voice.text if voice is not None else "") or "1"))
    note.microtone = bool(alter) and fraction(alter).denominator != 1
    if transpose % 12 == 0 and not note.microtone:
        note.spelled = _spelled(pitch.findtext("step"), alter, midi)
    ties = {tie.get("type") for tie in item.findall("tie")} if "tie" in inside else set()
    if "notations" in inside:
        tied = {tie.get("type") for tie in item.findall("notations/tied")}
        note.rings = "let-ring" in tied
        note.fermata = item.find("notations/fermata") is not None
        for slur in item.findall("notations/slur"):
            note.slurs += {"start": 1, "stop": -1}.get(slur.get("type", ""), 0)
        ties = ties or tied
        _technical(item, note, remark)
    if ties:
        note.tie_start = "start" in ties or "continue" in ties
        note.tie_stop = "stop" in ties or "continue" in ties
    head = inside.get("notehead")
    if head is not None:
        note.droppable = head.get("parentheses") == "yes"
        if (head.text or "").strip() == "diamond" and not note.harmonic:
            note.harmonic = True
    return note


def _technical(item: Element, note: ScoreNote, remark: Callable[[str], None]) -> None:
    for technical in item.findall("notations/technical"):
        if (string := integer(technical.findtext("string"))) > 0:
            note.string = string
        if (fret := technical.findtext("fret")) is not None and integer(fret, -1) >= 0:
            note.fret = integer(fret)
            if "." in fret:
                note.written = fret.strip()
        harmonic = technical.find("harmonic")
        if harmonic is not None:
            note.harmonic = True
            if harmonic.find("artificial") is not None:
                _artificial(technical, harmonic, note, remark)
            for kind in ("sounding", "base", "touching"):
                if harmonic.find(f"{kind}-pitch") is not None:
                    note.pitch_kind = kind
        if (
            note.harmonic
            and note.stopped is None
            and (other := (technical.findtext("other-technical") or "").strip())
        ):
            note.written = other if other.replace(".", "").replace("/", "").isdecimal() else ""
        finger = (technical.findtext("fingering") or "").strip()
        note.fretting_finger = finger if finger in FRETTING else note.fretting_finger
        pluck = (technical.findtext("pluck") or "").strip()
        note.plucking_finger = pluck if pluck in PLUCKING else note.plucking_finger


def _artificial(
    technical: Element, harmonic: Element, note: ScoreNote, remark: Callable[[str], None]
) -> None:
    """Where an artificial harmonic is stopped, by fret and sounding pitch; without both it is a stopped note."""
    if harmonic.find("sounding-pitch") is None or not note.fret or not note.string:
        note.harmonic = False
        remark("artificial harmonics without string, fret and sounding pitch written as stopped notes")
        return
    note.stopped = note.fret
    stop, _, touch = (technical.findtext("other-technical") or "").strip().partition("<")
    note.written = touch.removesuffix(">") if stop == str(note.stopped) else ""


def without_doubles(read: list[ScoreNote], tab_staves: Collection[int]) -> list[ScoreNote]:
    """The notes without those of tab staves that double others, which give their strings and frets."""
    notes = [note for note in read if note.staff not in tab_staves]
    if not notes or len(notes) == len(read):
        return read
    plain: dict[tuple[Fraction, int, bool], list[ScoreNote]] = {}
    for note in notes:
        plain.setdefault((note.onset, note.midi, note.tie_stop), []).append(note)
    for note in read:
        if note.staff not in tab_staves:
            continue
        onset, midi, tied = note.onset, note.midi, note.tie_stop
        doubles = plain.get((onset, midi, tied)) or plain.get((onset, midi, not tied))
        if not doubles:
            notes.append(note)
            continue
        fitting = [one for one in doubles if one.string in (note.string, None)]
        if not fitting:
            continue
        # One on its string comes before those that have none yet.
        other = min(fitting, key=lambda one: one.string is None)
        if other.string is None:
            other.string, other.fret = note.string, note.fret
        other.harmonic = other.harmonic or note.harmonic
        other.written = other.written or note.written
    return notes
