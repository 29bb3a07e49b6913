"""Music read from a foreign file, before it becomes a drill: bars, notes, marks, and what was left out.

Conventions: lengths and onsets in whole notes as exact fractions, onsets from their bar's start; pitches are sounding
MIDI numbers; string numbers are the file's, 1 the highest.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import NamedTuple

from coach.ground.digits import whole_number
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError
from coach.music.key import Key

MAX_BYTES = 20_000_000
MAX_REMARKS = 200


@dataclass(slots=True)
class ScoreNote:
    """One struck note; `length` grows where ties join it with others."""

    onset: Fraction
    length: Fraction
    midi: int
    voice: str = "1"
    string: int | None = None
    fret: int | None = None
    harmonic: bool = False
    stopped: int | None = None
    """The fret at which the string of an artificial harmonic is stopped."""
    written: str = ""
    """The touched position where the file has it in words: `3.2`."""
    pitch_kind: str = ""
    """What `midi` is for a harmonic: `sounding`, `base`, `touching`, or empty where the file doesn't say."""
    beside_cents: float | None = None
    """How far a harmonic sounds beside `midi`, where the file says so."""
    by_option: bool = False
    """A harmonic by the user's word and not by the file's: it needs a node in tune, and else stays a stopped note."""
    droppable: bool = False
    fretting_finger: str = ""
    plucking_finger: str = ""
    tie_start: bool = False
    tie_stop: bool = False
    rings: bool = False
    touched_by_plucking_hand: bool = False
    spelled: str = ""
    """The pitch as it is written, `Gb4`, where the file spells it."""
    key: Key | None = None
    """The key that holds for it."""
    staff: int = 1
    microtone: bool = False
    fermata: bool = False
    slurs: int = 0
    """Slurs that begin here less those that end here."""


@dataclass(slots=True)
class ScoreBar:
    """One bar as printed."""

    number: str
    """A whole number in digits, the one that is printed; pieces of one bar share it."""
    upper: int
    lower: int
    length: Fraction
    groups: tuple[int, ...] = ()
    notes: list[ScoreNote] = field(default_factory=list)
    mark: str = ""
    """A rehearsal mark at its start."""
    starts_section: bool = False
    ends_section: bool = False
    cue: str = ""
    dynamics: str = ""
    tempos: list[Fraction] = field(default_factory=list)
    """Quarters a minute: the bar's first tempo to its last, where it has any."""
    pickup: bool = False
    """Shorter than its meter and counted up to the bar line."""
    continues: bool = False
    """A later piece of the bar before it: its beats count on from there."""
    key: Key | None = None
    refusal: str = ""
    """Why this bar can't be imported at all."""
    counted: int | None = None
    """The beats that it is counted in, where the file says `in 2`."""

    @property
    def full(self) -> Fraction:
        """The length that its meter asks for."""
        return Fraction(self.upper, self.lower)

    def with_rest(self, rest: ScoreBar) -> ScoreBar:
        """This piece of a bar and the next one of it as one bar."""
        later = [replace(note, onset=note.onset + self.length) for note in rest.notes]
        return replace(
            self,
            length=self.length + rest.length,
            notes=[*self.notes, *later],
            ends_section=rest.ends_section,
            cue="; ".join(cue for cue in (self.cue, rest.cue) if cue),
            dynamics=self.dynamics or rest.dynamics,
            tempos=[*self.tempos, *rest.tempos],
        )


@dataclass
class Score:
    """One part of a file, its bars in the order printed and, in `order`, as they are played."""

    title: str = ""
    composer: str = ""
    part: str = ""
    bars: list[ScoreBar] = field(default_factory=list)
    order: list[int] = field(default_factory=list)
    tunings: list[int] = field(default_factory=list)
    """Open strings as MIDI numbers, the lowest first; empty where the file has none."""
    beat_whole: Fraction | None = None
    """The note value that the first metronome mark counts."""
    layer_names: dict[str, str] = field(default_factory=dict)
    """Names of voices, where the file has them."""
    parts: list[str] = field(default_factory=list)
    """Names of all the file's parts or tracks that sound, for those who have to choose another."""
    remarked: dict[str, dict[str, None]] = field(default_factory=dict)
    """What was left out or changed, and in which bars; no bar's number where it is about the whole."""

    @property
    def notes(self) -> Iterator[ScoreNote]:
        """Every note, bar by bar as printed."""
        for bar in self.bars:
            yield from bar.notes

    def remark(self, bar: str, what: str) -> None:
        """Note something that was left out or changed."""
        self.remarked.setdefault(what, {})[bar] = None

    def joined_remarks(self) -> list[str]:
        """Remarks with the bars of equal ones joined: `bars 3, 7: grace notes left out`."""
        joined = []
        for what, bars in self.remarked.items():
            places = [bar for bar in bars if bar]
            if not places:
                joined.append(what)
                continue
            shown = ", ".join(places[:12]) + (f" and {len(places) - 12} more" if len(places) > 12 else "")
            joined.append(f"{'bars' if len(places) > 1 else 'bar'} {shown}: {what}")
        return joined[:MAX_REMARKS]


class StruckNote(NamedTuple):
    """A struck note of bars that follow each other, its onset from the first bar's start."""

    onset: Fraction
    bar: ScoreBar
    note: ScoreNote
    complete: bool
    """Not a continuation whose beginning lies outside, which is struck anew, and not tied to beyond the last bar."""


def join_ties(bars: list[tuple[Fraction, ScoreBar]]) -> list[StruckNote]:
    """The struck notes of bars: one tied on is lengthened and its continuation dropped."""
    joined_notes: list[StruckNote] = []
    waiting: dict[tuple[int, Fraction], list[int]] = {}
    for start, bar in bars:
        for note in sorted(bar.notes, key=lambda note: (note.onset, not note.tie_stop)):
            onset = start + note.onset
            open_ties = waiting.get((note.midi, onset)) if note.tie_stop else None
            if open_ties:
                own = (at for at in open_ties if joined_notes[at].note.voice == note.voice)
                at = next(own, open_ties[0])
                open_ties.remove(at)
                before = joined_notes[at]
                first = before.note
                rings = first.rings or note.rings
                joined = replace(first, length=first.length + note.length, rings=rings)
                complete = not (note.tie_start or first.tie_stop)
                joined_notes[at] = before._replace(note=joined, complete=complete)
            else:
                at = len(joined_notes)
                joined_notes.append(StruckNote(onset, bar, note, not (note.tie_start or note.tie_stop)))
            if note.tie_start:
                waiting.setdefault((note.midi, onset + note.length), []).append(at)
    return joined_notes


def index_named(wanted: str, names: Sequence[Collection[str]]) -> int | None:
    """The index of what a user means by its number from 1 or by one of its names; None where that is not one."""
    if 1 <= (whole_number(wanted) or 0) <= len(names):
        return int(wanted) - 1
    fitting = [index for index, own in enumerate(names) if wanted.lower() in map(str.lower, own)]
    return fitting[0] if len(fitting) == 1 else None


def index_chosen(
    wanted: str | None,
    names: Sequence[Collection[str]],
    shown: Sequence[str],
    kind: str,
    where: str,
    option: str,
) -> int:
    """The index of the part or track (its `kind`) that an option names, or of the only one.

    CoachError where it names none, or nothing of several; `shown` is what they are called there.
    """
    if wanted is None and len(names) > 1:
        message = f"the file has {len(names)} {kind}s: {numbered(shown)}"
        raise CoachError(message, where, guess=f"choose one with {option}")
    index = 0 if wanted is None else index_named(wanted, names)
    if index is None:
        message = f"there is no {kind} '{plain_text(wanted or '', 80)}'; there are {numbered(shown)}"
        raise CoachError(message, where, guess=option)
    return index


def numbered(names: Sequence[str]) -> str:
    """Names as a user may choose from them: `1 Soprano, 2 Bass`, the first forty."""
    return ", ".join(f"{number} {plain_text(name)}" for number, name in enumerate(names[:40], 1))
