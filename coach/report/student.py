"""A student's report for the teacher: one JSON file about the assigned drills and nothing else.

Format (version 1): head (`wellrung: report`, `version`, `program`, `written`), `student` (id and name), and for each
drill its identity, assignment, phrases in each layer, nodes, moves and days, all summed from this drill's repetitions
alone; `notes` where they were not left out; `sha256` over everything else as canonical JSON, so that a file that was
edited by hand or damaged can be told. Tempos in bpm, times in minutes, days ISO 8601, moments ISO 8601 with zone.
"""

from __future__ import annotations

import hashlib
import itertools
import json
from collections import defaultdict
from collections.abc import Sequence
from datetime import date
from typing import Any

from coach import __version__
from coach.ground.plain import counted, json_text, plain_text
from coach.learning.evidence import EXCERPT, MOVE, NODE, DayEvidence, day_evidence
from coach.learning.kept import DEFAULT_FOLDS, Folds, ladders_of, memories_of
from coach.log.entries import Rep, iso_time, practice_day
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, LoggedPassage, layer_choices, whole_phrase
from coach.rating.counts import sum_counts
from coach.report.figures import note_text
from coach.report.task import today
from coach.words.amounts import day_span, duration, full_day
from coach.words.names import place_name

KIND = "report"
VERSION = 1


def student_report(
    log: Log,
    drills: Sequence[Drill],
    at_ms: int,
    offset_min: int,
    notes: bool = True,
    folds: Folds = DEFAULT_FOLDS,
) -> dict[str, Any]:
    """The report of the log's player on some drills, as JSON values without the checksum."""
    player = log.player
    day = practice_day(at_ms, offset_min)
    report: dict[str, Any] = {
        "wellrung": KIND,
        "version": VERSION,
        "program": __version__,
        "written": iso_time(at_ms, offset_min),
        "day": day.isoformat(),
        "student": {"id": player.id, "name": player.name},
        "drills": [_drill(log, drill, day, folds) for drill in drills],
    }
    if notes:
        report["notes"] = [
            {"at": iso_time(entry.at_ms, entry.utc_offset_min), "text": note_text(entry)}
            for entry in log.entries("note")
        ]
    return report


def student_text(report: dict[str, Any]) -> str:
    """The report as a file, with its checksum."""
    return json_text({**report, "sha256": digest(report)}, indent=1) + "\n"


def digest(report: dict[str, Any]) -> str:
    """SHA-256 of everything but `sha256`, as JSON with sorted keys and without spaces."""
    rest = {key: value for key, value in report.items() if key != "sha256"}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def contents(report: dict[str, Any]) -> list[str]:
    """What a teacher sees in the file, in sentences for the student to read first."""
    lines = [f"This is what your teacher will see of {plain_text(report['student']['name'])}:"]
    for drill in report["drills"]:
        days = drill["days"]
        spent = duration(sum(row[1] for row in days))
        when = _when([date.fromisoformat(row[0]) for row in days])
        lines.append(f"  {plain_text(drill['title'])}: {when}, {spent}, with the minutes of each day;")
        parts = counted(len(drill["excerpts"]), "phrase and layer", "phrases and layers")
        lines.append(
            f"    rungs and fastest clean tempo of {parts}; "
            f"how often {counted(len(drill['nodes']), 'node')} and {counted(len(drill['moves']), 'move')} "
            "were clean or failed, and what you marked on them"
        )
    if "notes" not in report:
        lines.append("  Your notes are left out.")
    elif report["notes"]:
        lines.append("  Your notes (--without-notes leaves them out):")
        notes = ((date.fromisoformat(note["at"][:10]), note["text"]) for note in report["notes"])
        lines += [f"    {full_day(day)}: {plain_text(text, 70)}" for day, text in notes]
    else:
        lines.append("  There are no notes; `coach log note` keeps some.")
    lines.append("Nothing about other drills, and no single repetition.")
    return lines


def _when(days: Sequence[date]) -> str:
    if not days:
        return "not practised yet"
    if len(days) == 1:
        return f"practised on {full_day(days[0])}"
    return f"practised on {counted(len(days), 'day')}, {day_span(days[0], days[-1])}"


def _drill(log: Log, drill: Drill, day: date, folds: Folds) -> dict[str, Any]:
    evidence: dict[str, list[DayEvidence]] = defaultdict(list)
    days = []
    pairs = log.counted(until=day, drill=drill.id)
    for one_day, group in itertools.groupby(pairs, key=lambda pair: pair[0].day):
        reps = list(group)
        for key, one in day_evidence(reps).items():
            evidence[key].append(one)
        days.append(_day_row(one_day, reps, [evidence[key][-1] for key in _excerpts_of(reps)]))
    task = drill.assignment
    return {
        "id": drill.id,
        "revision": drill.revision,
        "title": drill.title,
        "tempo": {"start": drill.tempo.start_bpm, "goal": drill.tempo.goal_bpm},
        "goal_bpm": drill.goal_bpm,
        "assignment": None
        if task is None
        else {
            "id": task.id,
            "student": task.student,
            "teacher": task.teacher,
            "goal_bpm": task.goal_bpm,
            "due": task.due.isoformat() if task.due else None,
            "note": task.note,
        },
        "excerpts": _phrases(log, drill, evidence, day, folds),
        "nodes": [_place(key, evidence[key]) for key in sorted(evidence) if key.startswith(NODE)],
        "moves": [_place(key, evidence[key]) for key in sorted(evidence) if key.startswith(MOVE)],
        "days": days,
    }


def _excerpts_of(reps: Sequence[tuple[Rep, LoggedPassage]]) -> set[str]:
    return {EXCERPT + rep.excerpt for rep, _ in reps}


def _day_row(
    day: date, reps: Sequence[tuple[Rep, LoggedPassage]], excerpts: Sequence[DayEvidence]
) -> list[str | float | int]:
    """Day, minutes, reps, rated, clean, first results of the day, clean ones of these."""
    cold = [one.cold_clean for one in excerpts if one.cold_clean is not None]
    return [
        day.isoformat(),
        round(sum(rep.duration_ms for rep, _ in reps) / 60_000, 2),
        len(reps),
        sum(rep.rated for rep, _ in reps),
        sum(rep.clean for rep, _ in reps),
        len(cold),
        sum(cold),
    ]


def _phrases(
    log: Log, drill: Drill, evidence: dict[str, list[DayEvidence]], day: date, folds: Folds
) -> list[dict[str, Any]]:
    """Every phrase of the drill in every layer, practised or not: what is missing says something too."""
    ladders, memories = ladders_of(log, day, folds), memories_of(log, day, folds)
    rows = []
    for phrase in drill.phrases:
        for layer in layer_choices(phrase):
            excerpt: Excerpt = whole_phrase(drill, phrase, layer)
            ladder, memory = today(ladders, drill, excerpt, day), memories.get(EXCERPT + excerpt.key)
            days = evidence.get(EXCERPT + excerpt.key, [])
            clean = [bpm for one in days for bpm, _, rang, _ in one.tallies if rang]
            rows.append(
                {
                    "phrase": phrase.id,
                    "name": phrase.name,
                    "layer": layer,
                    "top": layer == layer_choices(phrase)[-1],
                    "rung_bpm": ladder.rung_bpm if ladder else None,
                    "fastest_clean_bpm": max(clean, default=None),
                    "landed": bool(ladder and ladder.landed),
                    "reps": sum(one.reps for one in days),
                    "minutes": round(sum(one.duration_ms for one in days) / 60_000, 2),
                    "last": days[-1].day.isoformat() if days else None,
                    "due": memory.due.isoformat() if memory and memory.due else None,
                }
            )
    return rows


def _place(key: str, days: Sequence[DayEvidence]) -> dict[str, Any]:
    """A node or a move: everything, and the last four weeks of its practice."""
    last = days[-1].day
    recent = [one for one in days if (last - one.day).days < 28]
    return {
        "key": key[2:],
        "name": place_name(key[2:]),
        "clean": sum(one.clean for one in days),
        "failed": sum(one.failed for one in days),
        "recent_clean": sum(one.clean for one in recent),
        "recent_failed": sum(one.failed for one in recent),
        "recent_marked": sum_counts(one.marked for one in recent),
        "last": last.isoformat(),
    }
