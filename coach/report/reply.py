"""A student's reply to the teacher: the format of the file, and nothing of how it is made or judged.

One JSON file about the assigned drills: `Reply` (through `coach.ground.codec`) between a head (`wellrung: report`,
`version`, `program`) and `sha256`, that of everything else as canonical JSON, so that a file that was edited by hand or
damaged can be told. Tempos in bpm, times in minutes, days ISO 8601, moments ISO 8601 with zone, chances and shares
parts of 1. Lists have bounds, and numbers that can't be true together are refused: a file is trusted with nothing.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Annotated, Any

from coach import __version__
from coach.ground.codec import As, Range, plain_of
from coach.ground.days import day_from
from coach.ground.frozen import frozen
from coach.ground.plain import json_text, plain_text
from coach.rating.counts import counts_from

KIND = "report"
VERSION = 3
RECENT_DAYS = 28
"""How far back marks, results and cold repetitions count for what a teacher does next."""
DAYS_KEPT = 84
"""How far back a reply tells of single days and carries notes."""
LONGEST, LONGEST_NOTE = 200, 2000
MOST_DRILLS, MOST_PHRASES, MOST_PLACES, MOST_NOTES, MOST_IDS, MOST_STRINGS = 100, 2000, 1000, 500, 20, 24

Text = Annotated[str, As(str, lambda text: plain_text(text, LONGEST))]
Note = Annotated[str, As(str, lambda text: plain_text(text, LONGEST_NOTE))]
Day = Annotated[date, As(date.isoformat, day_from)]
Bpm = Annotated[int, Range(1, 1000)]
CleanBpm = Annotated[float, Range(0, 10_000)]
Count = Annotated[int, Range(0, 10**7)]
Share = Annotated[float, Range(0, 1)]
Minutes = Annotated[float, Range(0, 1440)]


def _part_of(part: int, whole: int, what: str) -> None:
    if part > whole:
        raise ValueError(f"{part} of {whole} {what} can't be")


def _at_most(items: Sequence[Any], most: int, what: str) -> None:
    if len(items) > most:
        raise ValueError(f"{len(items):,} {what} are more than {most:,}")


@frozen
class PhraseReply:
    """A phrase in one layer, practised or not. What is clean together counts for its layers."""

    phrase: Text
    name: Text
    layer: Text
    top: bool
    """Its fullest layer."""
    goal_bpm: Bpm
    rung_bpm: Bpm | None
    """Where the plan of the day starts from; None where it was never begun, in this layer or a fuller one."""
    low_bpm: CleanBpm
    """Ends of the middle 80 % of the tempo at which it is expected clean, cold,"""
    high_bpm: CleanBpm
    chance: Share
    """and the chance that it is so at the goal."""
    fastest_clean_bpm: Bpm | None
    landed: Day | None
    """The last day on which the goal was held."""
    kept: bool
    tested: Day | None
    """The day of the cold test after a week that showed it."""
    reps: Count
    last: Day | None
    revision: Text
    """Of the phrase in the student's file,"""
    practised: Text
    """and as it was last practised; empty where it never was."""


@frozen
class PlaceReply:
    """A node or a move; its name follows from its key."""

    key: Text
    chance: Share
    """That it is clean at the goal, cold."""
    low_bpm: CleanBpm
    """Ends of the middle 80 % of the tempo at which it is expected clean."""
    high_bpm: CleanBpm
    failed: Count
    """Of its last `of` results."""
    of: Count
    recent_failed: Count
    """Of `recent` results in the last four weeks, at whatever tempo."""
    recent: Count
    marked: Mapping[str, Count]
    """Against it, in the last four weeks."""

    def __post_init__(self) -> None:
        counts_from(self.marked)
        _part_of(self.failed, self.of, "results")
        _part_of(self.recent_failed, self.recent, "results")


@frozen
class DayReply:
    """One practice day on the drill."""

    day: Day
    minutes: Minutes
    reps: Count
    rated: Count
    clean: Count
    cold: Count
    """First repetitions of a day that said how it went,"""
    cold_clean: Count
    """and how many of them were clean."""
    fastest_bpm: Annotated[int, Range(0, 1000)]
    """The fastest clean repetition of a whole phrase against its goal, in bpm of the drill's goal; 0 where none was."""

    def __post_init__(self) -> None:
        _part_of(self.rated, self.reps, "repetitions")
        _part_of(self.clean, self.rated, "rated repetitions")
        _part_of(self.cold_clean, self.cold, "cold repetitions")


@frozen
class TotalReply:
    """All practice of the drill ever."""

    days: Count
    first: Day | None
    last: Day | None
    minutes: Annotated[float, Range(0, 10**6)]
    reps: Count
    rated: Count
    clean: Count

    def __post_init__(self) -> None:
        _part_of(self.rated, self.reps, "repetitions")
        _part_of(self.clean, self.rated, "rated repetitions")


@frozen
class ForecastReply:
    """When the piece, or what is asked of it, is likely at its goal (`coach.learning.forecast`)."""

    early: Day | None
    """By this day one draw in ten got there, five, nine in ten; None where fewer did within the horizon."""
    likely: Day | None
    late: Day | None
    practised_days: Count
    minutes_a_day: Minutes
    days_a_week: Annotated[float, Range(0, 7)]


@frozen
class TaskReply:
    """What the file asks for that the student practises from."""

    id: Text
    student: Text
    teacher: Text
    goal_bpm: Bpm | None
    due: Day | None
    note: Note


@frozen
class InstrumentReply:
    """What the student plays a drill on."""

    name: Text
    strings: tuple[Text, ...]
    """Open strings, the highest first: `G2`."""
    scales_mm: tuple[Annotated[float, Range(100, 2000)], ...]
    """The scale of each."""

    def __post_init__(self) -> None:
        _at_most(self.strings, MOST_STRINGS, "strings")
        _part_of(len(self.scales_mm), len(self.strings), "strings")


@frozen
class DrillReply:
    """A student's progress on one drill."""

    id: Text
    revision: Text
    title: Text
    instrument: InstrumentReply
    goal_bpm: Bpm
    assignment: TaskReply | None
    phrases: tuple[PhraseReply, ...]
    nodes: tuple[PlaceReply, ...]
    moves: tuple[PlaceReply, ...]
    held: tuple[Count, Count]
    """Low notes that failed in the last four weeks, of so many played."""
    days: tuple[DayReply, ...]
    total: TotalReply
    marked: Mapping[str, Count]
    """In the last four weeks: every result and cause, those of held notes too."""
    entered: Share
    """Of its repetitions, those that were entered afterwards from a file."""
    forecast: ForecastReply | None

    def __post_init__(self) -> None:
        counts_from(self.marked)
        _part_of(*self.held, "held notes")
        _at_most(self.phrases, MOST_PHRASES, "phrases and layers")
        _at_most(self.nodes, MOST_PLACES, "nodes")
        _at_most(self.moves, MOST_PLACES, "moves")
        _at_most(self.days, DAYS_KEPT + 2, "days")
        if len({day.day for day in self.days}) < len(self.days):
            raise ValueError("a day is in it twice")


@frozen
class StudentReply:
    """Who practised."""

    id: Text
    name: Text
    ids: tuple[Text, ...] = ()
    """All ids that are this person's, where machines began apart."""

    def __post_init__(self) -> None:
        _at_most(self.ids, MOST_IDS, "ids")


@frozen
class NoteReply:
    """The student's own words."""

    day: Day
    text: Note


@frozen
class Reply:
    """One student's file."""

    written: Text
    day: Day
    student: StudentReply
    drills: tuple[DrillReply, ...]
    notes: tuple[NoteReply, ...] | None = None
    """None where they were left out."""

    def __post_init__(self) -> None:
        _at_most(self.drills, MOST_DRILLS, "drills")
        _at_most(self.notes or (), MOST_NOTES, "notes")
        latest = self.day + timedelta(days=1)
        practised = (day.day for drill in self.drills for day in drill.days)
        last = (drill.total.last for drill in self.drills if drill.total.last)
        if any(day > latest for day in (*practised, *last, *(note.day for note in self.notes or ()))):
            raise ValueError(f"it reports a day later than its own, {self.day}")


def reply_text(reply: Reply) -> str:
    """The reply as a file, with its head and its checksum."""
    body = {"wellrung": KIND, "version": VERSION, "program": __version__, **plain_of(reply)}
    return json_text({**body, "sha256": digest(body)}, indent=1) + "\n"


def digest(body: Mapping[str, Any]) -> str:
    """SHA-256 of everything but `sha256`, as JSON with sorted keys and without spaces."""
    rest = {key: value for key, value in body.items() if key != "sha256"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
