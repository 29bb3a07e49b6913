"""How a student's reply is made: summed from the repetitions of the assigned drills, and told to the student first."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from coach.ground.frozen import frozen
from coach.ground.plain import counted, plain_text
from coach.learning.forecast import FEW_DAYS, days_a_week, forecast
from coach.learning.learning import Learnt, learnt_of
from coach.learning.material import RATING_S, Material, material_of
from coach.learning.readings import CleanTempo, Place, Standing, places, standing
from coach.log.entries import Entry, iso_time, practice_day
from coach.log.log import Log
from coach.music.drill import Assignment, Drill, Phrase
from coach.music.excerpt import Excerpt, Kind, layer_choices, whole_phrase
from coach.rating.counts import Counts
from coach.report.figures import note_text
from coach.report.machines import PROGRESS, joined
from coach.report.reply import (
    DAYS_KEPT,
    RECENT_DAYS,
    DayReply,
    DrillReply,
    ForecastReply,
    InstrumentReply,
    NoteReply,
    PhraseReply,
    PlaceReply,
    Reply,
    StudentReply,
    TaskReply,
    TotalReply,
)
from coach.report.sums import (
    Row,
    Sum,
    Sums,
    added,
    by_day,
    marked_at_places,
    passage_in,
    results_at_places,
    sums_of,
)
from coach.strings.instrument import Instrument
from coach.words.amounts import day_span, duration, full_day, percent
from coach.words.names import place_name

HELD = "held"
"""The key of held notes among results at places."""


def student_reply(
    log: Log, drills: Sequence[Drill], at_ms: int, offset_min: int, notes: bool = True
) -> Reply:
    """The reply of the log's player about some drills."""
    day = practice_day(at_ms, offset_min)
    known = _Known(log, day, learnt_of(log, day), sums_of(log, day), material_of(drills))
    entered = entered_reps(log.entries("answers"))
    notes_of = (entry for entry in log.entries("note") if entry.day > known.recent(DAYS_KEPT))
    words = (NoteReply(entry.day, note_text(entry)) for entry in notes_of)
    return Reply(
        iso_time(at_ms, offset_min),
        day,
        StudentReply(log.player.id, log.player.name, log.player.ids),
        tuple(known.drill(one, entered.get(one.id, 0)) for one in drills),
        tuple(words) if notes else None,
    )


def contents(reply: Reply) -> list[str]:
    """What a teacher sees in the file, in sentences for the student to read first."""
    lines = [f"This is what your teacher will see about {plain_text(reply.student.name)}:"]
    for drill in reply.drills:
        entered = f", {percent(drill.entered)} entered afterwards" if drill.entered else ""
        lines.append(f"  {plain_text(drill.title)}: {_when(drill.total)}{entered};")
        parts = counted(len(drill.phrases), "phrase and layer", "phrases and layers")
        lines.append(
            f"    for {parts}: rung, fastest clean tempo, landed and kept; how "
            f"{counted(len(drill.nodes), 'node')}, {counted(len(drill.moves), 'move')} and the held notes went, "
            "what you marked, and when the goal is likely"
        )
    if reply.notes is None:
        lines.append("  Your notes are left out.")
    elif reply.notes:
        lines.append("  Your notes (--without-notes leaves them out):")
        lines += [f"    {full_day(note.day)}: {plain_text(note.text, 70)}" for note in reply.notes]
    else:
        lines.append("  No notes; `coach log note` adds some.")
    lines.append("Nothing about other drills, and no single repetitions.")
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


def _when(total: TotalReply) -> str:
    if total.first is None or total.last is None:
        return "not practised yet"
    spent = f"{duration(total.minutes)}, with the minutes of each day"
    if total.days == 1:
        return f"practised on {full_day(total.last)}, {spent}"
    return f"practised on {counted(total.days, 'day')}, {day_span(total.first, total.last)}, {spent}"


@frozen
class _Known:
    """What a reply is made of: the log, what was learnt and summed from it up to a day, and the drills."""

    log: Log
    day: date
    learnt: Learnt
    sums: Sums
    material: Material

    def recent(self, days: int) -> date:
        """The day before the last so many."""
        return self.day - timedelta(days=days)

    def drill(self, drill: Drill, entered: int) -> DrillReply:
        """The part about one drill, of whose repetitions so many were entered afterwards."""
        rows = list(self.sums.rows(date.min, self.day, drill.id))
        recent = [row for row in rows if row[0] > self.recent(RECENT_DAYS)]
        days, task = by_day(rows), drill.assignment
        marked = marked_at_places(self.log, self.sums, recent)
        results = results_at_places(self.log, self.sums, recent)
        known = places(self.learnt, self.material, drill, self.day)
        total = added(row for _, _, row in rows)
        return DrillReply(
            drill.id,
            drill.revision,
            drill.title,
            _instrument(drill.instrument),
            drill.goal_bpm,
            _task(task) if task else None,
            tuple(self.phrases(drill, rows)),
            tuple(_places(known, results, marked, "n:")),
            tuple(_places(known, results, marked, "m:")),
            results.get(HELD, (0, 0)),
            tuple(one for one in self.days(drill, days, rows) if one.day > self.recent(DAYS_KEPT)),
            TotalReply(
                len(days),
                min(days, default=None),
                max(days, default=None),
                round(total.minutes, 4),
                total.reps,
                total.rated,
                total.clean,
            ),
            added(row for _, _, row in recent).marked,
            round(min(1.0, entered / total.reps), 3) if total.reps else 0.0,
            self.forecast(drill, days) if len(days) >= FEW_DAYS else None,
        )

    def forecast(self, drill: Drill, days: Mapping[date, Sum]) -> ForecastReply:
        """With the minutes that the student gives this drill on a day, those between repetitions among them."""
        late = [row for one, row in days.items() if one > self.recent(RECENT_DAYS)] or list(days.values())
        spent = sum(row.minutes + row.reps * RATING_S / 60 for row in late) / len(late)
        minutes = max(1.0, min(240.0, spent))
        at_goal = forecast(self.learnt, self.material, drill, self.day, minutes).at_goal
        week = round(days_a_week(self.learnt, self.day), 2)
        return ForecastReply(at_goal.early, at_goal.likely, at_goal.late, len(days), round(minutes, 1), week)

    def days(self, drill: Drill, days: Mapping[date, Sum], rows: Iterable[Row]) -> Iterator[DayReply]:
        """What each day came to, with the fastest tempo at which what is asked for was clean."""
        fastest_bpm: dict[date, int] = {}
        asked = {excerpt.key for excerpt in self.material.phrases(drill)}
        for day, passage, row in rows:
            if self.sums.excerpts[passage] in asked:
                fastest_bpm[day] = max(fastest_bpm.get(day, 0), row.fastest_bpm)
        for day, row in days.items():
            counts = row.reps, row.rated, row.clean, row.cold, row.cold_clean
            yield DayReply(day, round(row.minutes, 4), *counts, fastest_bpm.get(day, 0))

    def phrases(self, drill: Drill, rows: Sequence[Row]) -> Iterator[PhraseReply]:
        """What is asked of the drill, each phrase with its layers below it."""
        by_excerpt = self.sums.by_excerpt(rows)
        for whole in self.material.phrases(drill):
            phrase = drill.phrase(whole.phrases[0])
            layers = reversed(layer_choices(phrase)) if whole.kind is Kind.PHRASE else (whole.layer,)
            fuller: PhraseReply | None = None
            for layer in layers:
                excerpt = whole if layer == whole.layer else whole_phrase(drill, phrase, layer)
                if (stands := standing(self.learnt, self.material, excerpt, self.day)) is None:
                    continue
                row = self.phrase(phrase, excerpt, stands, by_excerpt.get(excerpt.key, ()))
                # What is clean in a fuller layer is clean in this one.
                row = joined(replace(row, top=False), fuller, PROGRESS) if fuller else row
                fuller = fuller or row
                yield row

    def phrase(self, phrase: Phrase, excerpt: Excerpt, stands: Standing, rows: Sequence[Row]) -> PhraseReply:
        """A phrase in one layer, as it was played in that."""
        total = added(row for _, _, row in rows)
        return PhraseReply(
            phrase.id,
            place_name(excerpt.subject) if excerpt.subject else phrase.name,
            excerpt.layer,
            True,
            stands.goal_bpm,
            (stands.reps and stands.rung_bpm) or None,
            *_ends(stands.tempo),
            round(stands.now, 4),
            total.fastest_bpm or None,
            stands.landed,
            stands.kept,
            stands.tested,
            total.reps,
            rows[-1][0] if rows else None,
            phrase.revision,
            passage_in(self.log, self.sums, rows[-1][1]).revision if rows else "",
        )


def _task(task: Assignment) -> TaskReply:
    return TaskReply(task.id, task.student, task.teacher, task.goal_bpm, task.due, task.note)


def _instrument(instrument: Instrument) -> InstrumentReply:
    names = tuple(string.name for string in instrument.strings)
    scales_mm = tuple(round(instrument.string_scale_mm(at), 1) for at in range(len(names)))
    return InstrumentReply(instrument.name, names, scales_mm)


def _places(
    known: Mapping[str, Place],
    results: Mapping[str, tuple[int, int]],
    marked: Mapping[str, Counts],
    kind: str,
) -> Iterator[PlaceReply]:
    for key, place in sorted(known.items()):
        if key.startswith(kind):
            chance, (failed, of) = round(place.chance, 4), results.get(key, (0, 0))
            ends, late = _ends(place.tempo), (place.failed, place.of)
            yield PlaceReply(key[2:], chance, *ends, *late, failed, of, marked.get(key, {}))


def _ends(tempo: CleanTempo) -> tuple[float, float]:
    return round(min(tempo.low_bpm, 9999.0), 1), round(min(tempo.high_bpm, 9999.0), 1)
