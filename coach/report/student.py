"""A student's reply to the teacher: one JSON file about the assigned drills and nothing else.

The format is `Reply` (through `coach.ground.codec`) between a head (`wellrung: report`, `version`, `program`) and
`sha256`, that of everything else as canonical JSON, so that a file that was edited by hand or damaged can be told.
Tempos in bpm, times in minutes, days ISO 8601, moments ISO 8601 with zone, chances and shares parts of 1. All of it is
summed from the repetitions of the drill alone.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated, Any

from coach import __version__
from coach.ground.codec import As, Range, plain_of
from coach.ground.days import day_from
from coach.ground.plain import counted, json_text, plain_text
from coach.learning.learning import Learnt, learnt_of
from coach.learning.material import Material, material_of
from coach.learning.readings import places, standing
from coach.log.entries import Entry, iso_time, practice_day
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import layer_choices, whole_phrase
from coach.rating.counts import Counts, counts_from
from coach.report.figures import note_text
from coach.report.sums import Row, Sum, Sums, added, by_day, marked_at_places, sums_of
from coach.words.amounts import day_span, duration, full_day, percent
from coach.words.names import place_name

KIND = "report"
VERSION = 2
RECENT_DAYS = 28
"""How far back marks and cold repetitions count for what a teacher does next."""
LONGEST, LONGEST_NOTE = 200, 2000


Text = Annotated[str, As(str, lambda text: plain_text(text, LONGEST))]
Note = Annotated[str, As(str, lambda text: plain_text(text, LONGEST_NOTE))]
Day = Annotated[date, As(date.isoformat, day_from)]
Bpm = Annotated[int, Range(1, 1000)]
Count = Annotated[int, Range(0, 10**9)]
Share = Annotated[float, Range(0, 1)]
Minutes = Annotated[float, Range(0, 1440)]


@dataclass(frozen=True, slots=True)
class PhraseReply:
    """A phrase in one layer, practised or not: what is missing says something too."""

    phrase: Text
    name: Text
    layer: Text
    top: bool
    """Its fullest layer."""
    rung_bpm: Bpm | None
    """Where the plan of the day starts from; None where it was never begun."""
    fastest_clean_bpm: Bpm | None
    landed: Day | None
    """The last day on which the goal was held."""
    kept: bool
    tested: Day | None
    """The day of the cold test after a week that showed it."""
    reps: Count
    last: Day | None


@dataclass(frozen=True, slots=True)
class PlaceReply:
    """A node or a move."""

    key: Text
    name: Text
    chance: Share
    """That it is clean at the goal, cold."""
    failed: Count
    """Of its last `of` results."""
    of: Count
    marked: Mapping[str, Count]
    """Against it, in the last four weeks."""

    def __post_init__(self) -> None:
        counts_from(self.marked)


@dataclass(frozen=True, slots=True)
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


@dataclass(frozen=True, slots=True)
class TaskReply:
    """What the file asks for that the student practises from."""

    id: Text
    student: Text
    teacher: Text
    goal_bpm: Bpm | None
    due: Day | None
    note: Note


@dataclass(frozen=True, slots=True)
class DrillReply:
    """A student's progress on one drill."""

    id: Text
    revision: Text
    title: Text
    goal_bpm: Bpm
    assignment: TaskReply | None
    phrases: tuple[PhraseReply, ...]
    nodes: tuple[PlaceReply, ...]
    moves: tuple[PlaceReply, ...]
    days: tuple[DayReply, ...]
    marked: Mapping[str, Count]
    """In the last four weeks: every result and cause, those of held notes too."""
    entered: Share
    """Of its repetitions, those that were entered afterwards from a file."""

    def __post_init__(self) -> None:
        counts_from(self.marked)


@dataclass(frozen=True, slots=True)
class StudentReply:
    """Who practised."""

    id: Text
    name: Text


@dataclass(frozen=True, slots=True)
class NoteReply:
    """The student's own words."""

    day: Day
    text: Note


@dataclass(frozen=True, slots=True)
class Reply:
    """One student's file."""

    written: Text
    day: Day
    student: StudentReply
    drills: tuple[DrillReply, ...]
    notes: tuple[NoteReply, ...] | None = None
    """None where they were left out."""


def student_reply(
    log: Log, drills: Sequence[Drill], at_ms: int, offset_min: int, notes: bool = True
) -> Reply:
    """The reply of the log's player about some drills."""
    day = practice_day(at_ms, offset_min)
    learnt, sums, material = learnt_of(log, day), sums_of(log, day), material_of(drills)
    entered = entered_reps(log.entries("answers"))
    own_words = (NoteReply(entry.day, note_text(entry)) for entry in log.entries("note"))
    return Reply(
        iso_time(at_ms, offset_min),
        day,
        StudentReply(log.player.id, log.player.name),
        tuple(_drill(log, learnt, sums, material, one, day, entered.get(one.id, 0)) for one in drills),
        tuple(own_words) if notes else None,
    )


def student_text(reply: Reply) -> str:
    """The reply as a file, with its head and its checksum."""
    body = {"wellrung": KIND, "version": VERSION, "program": __version__, **plain_of(reply)}
    return json_text({**body, "sha256": digest(body)}, indent=1) + "\n"


def digest(body: Mapping[str, Any]) -> str:
    """SHA-256 of everything but `sha256`, as JSON with sorted keys and without spaces."""
    rest = {key: value for key, value in body.items() if key != "sha256"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def contents(reply: Reply) -> list[str]:
    """What a teacher sees in the file, in sentences for the student to read first."""
    lines = [f"This is what your teacher will see of {plain_text(reply.student.name)}:"]
    for drill in reply.drills:
        spent = duration(sum(day.minutes for day in drill.days))
        when = _when([day.day for day in drill.days])
        entered = f", {percent(drill.entered)} of it entered afterwards" if drill.entered else ""
        lines.append(f"  {plain_text(drill.title)}: {when}, {spent}{entered}, with the minutes of each day;")
        parts = counted(len(drill.phrases), "phrase and layer", "phrases and layers")
        lines.append(
            f"    of {parts} the rung, the fastest clean tempo, what is landed and kept; how "
            f"{counted(len(drill.nodes), 'node')} and {counted(len(drill.moves), 'move')} went, and what you marked"
        )
    if reply.notes is None:
        lines.append("  Your notes are left out.")
    elif reply.notes:
        lines.append("  Your notes (--without-notes leaves them out):")
        lines += [f"    {full_day(note.day)}: {plain_text(note.text, 70)}" for note in reply.notes]
    else:
        lines.append("  There are no notes; `coach log note` keeps some.")
    lines.append("Nothing about other drills, and no single repetition.")
    return lines


def entered_reps(entries: Iterable[Entry]) -> dict[str, int]:
    """How many repetitions of each drill (its id) were entered afterwards, from entries of kind `answers`."""
    by_drill: dict[str, int] = {}
    for entry in entries:
        reps = entry.body.get("reps")
        for drill, count in reps.items() if isinstance(reps, dict) else ():
            if isinstance(count, int):
                by_drill[drill] = by_drill.get(drill, 0) + count
    return by_drill


def _when(days: Sequence[date]) -> str:
    if not days:
        return "not practised yet"
    if len(days) == 1:
        return f"practised on {full_day(days[0])}"
    return f"practised on {counted(len(days), 'day')}, {day_span(days[0], days[-1])}"


def _drill(
    log: Log, learnt: Learnt, sums: Sums, material: Material, drill: Drill, day: date, entered: int
) -> DrillReply:
    rows = list(sums.rows(date.min, day, drill.id))
    recent = [row for row in rows if row[0] > day - timedelta(days=RECENT_DAYS)]
    total, task = added(row for _, _, row in rows), drill.assignment
    marked = marked_at_places(log, sums, recent)
    return DrillReply(
        drill.id,
        drill.revision,
        drill.title,
        drill.goal_bpm,
        TaskReply(task.id, task.student, task.teacher, task.goal_bpm, task.due, task.note) if task else None,
        tuple(_phrases(learnt, material, drill, day, sums.by_excerpt(rows))),
        tuple(_places(learnt, material, drill, day, marked, "n:")),
        tuple(_places(learnt, material, drill, day, marked, "m:")),
        tuple(_day(one_day, sum_) for one_day, sum_ in by_day(rows).items()),
        added(row for _, _, row in recent).marked,
        round(min(1.0, entered / total.reps), 3) if total.reps else 0.0,
    )


def _day(day: date, row: Sum) -> DayReply:
    return DayReply(day, round(row.minutes, 2), row.reps, row.rated, row.clean, row.cold, row.cold_clean)


def _phrases(
    learnt: Learnt, material: Material, drill: Drill, day: date, rows: Mapping[str, Sequence[Row]]
) -> Iterable[PhraseReply]:
    for phrase in drill.phrases:
        for layer in layer_choices(phrase):
            excerpt = whole_phrase(drill, phrase, layer)
            stands = standing(learnt, material, excerpt, day)
            if stands is None:
                continue
            of_key = rows.get(excerpt.key, ())
            total = added(row for _, _, row in of_key)
            yield PhraseReply(
                phrase.id,
                phrase.name,
                layer,
                layer == layer_choices(phrase)[-1],
                stands.rung_bpm if stands.reps else None,
                total.fastest_bpm or None,
                stands.landed,
                stands.kept,
                stands.tested,
                total.reps,
                of_key[-1][0] if of_key else None,
            )


def _places(
    learnt: Learnt, material: Material, drill: Drill, day: date, marked: Mapping[str, Counts], kind: str
) -> Iterable[PlaceReply]:
    for key, place in sorted(places(learnt, material, drill, day).items()):
        if key.startswith(kind):
            chance, of_late = round(place.chance, 4), (place.failed, place.of)
            yield PlaceReply(key[2:], place_name(key[2:]), chance, *of_late, marked.get(key, {}))
