"""A report as plain values: JSON for programs, one table for spreadsheets."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Any

from coach.ground.table_csv import csv_text
from coach.learning.readings import CleanTempo
from coach.rating.counts import cells, columns
from coach.report.ear import ear_facts
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.sums import Sum

HEADER = (
    "kind",
    "name",
    "key",
    "drill",
    "drill_title",
    "layer",
    "rung_bpm",
    "goal_bpm",
    "clean_tempo_bpm",
    "clean_tempo_low_bpm",
    "clean_tempo_high_bpm",
    "chance_cold",
    "chance_cold_after_a_week",
    "failed_of_late",
    "results_of_late",
    "landed",
    "kept",
    "kept_test",
    "last_practised",
    "days",
    "reps",
    "minutes",
    "cold",
    "cold_clean",
)
"""Columns of the table, which are keys in the JSON too; how often each result and cause was marked follows them."""


def report_facts(report: Report) -> dict[str, Any]:
    """The report as values that JSON can hold. Days are ISO 8601, chances parts of 1."""
    return {
        "player": report.player,
        "day": report.day.isoformat(),
        "since": report.since.isoformat(),
        "drill": report.drill,
        "minutes": round(report.total.minutes, 2),
        "days": [{"day": day.isoformat(), **_sum(total)} for day, total in report.days.items()],
        "excerpts": [_excerpt(one) for one in report.excerpts],
        "missing": report.missing,
        "nodes": [_place("node", one) for one in report.nodes],
        "moves": [_place("move", one) for one in report.moves],
        "tests": [{"name": name, "day": on.isoformat()} for name, on in report.tests],
        "marked": report.marked,
        "hurt_days": [day.isoformat() for day in report.hurts],
        "notes": [{"day": day.isoformat(), "text": text} for day, text in report.notes],
        "assignments": [{**asdict(task), "due": _iso(task.due)} for task in report.tasks],
        "ear": ear_facts(report.ear),
        "cold": [{**asdict(row), "expected": round(row.expected, 4)} for row in report.cold],
    }


def report_csv(report: Report) -> str:
    """One row for each phrase, join and piece in each layer, node and move; `marked` counts since the first day."""
    facts = report_facts(report)
    rows = [*facts["excerpts"], *facts["nodes"], *facts["moves"]]
    return csv_text((*HEADER, *columns()), ([*map(row.get, HEADER), *cells(row["marked"])] for row in rows))


def _excerpt(one: ExcerptFigures) -> dict[str, Any]:
    stands = one.standing
    return {
        "kind": str(stands.excerpt.kind),
        "name": one.name,
        "key": stands.excerpt.key,
        "drill": stands.excerpt.drill,
        "drill_title": one.drill_title,
        "layer": stands.excerpt.layer,
        "rung_bpm": stands.rung_bpm,
        "goal_bpm": stands.goal_bpm,
        **(_tempo(stands.tempo) if one.known else {}),
        "chance_cold": round(stands.now, 4),
        "chance_cold_after_a_week": round(stands.later, 4),
        "failed_of_late": stands.failed,
        "results_of_late": stands.of,
        "landed": _iso(stands.landed),
        "kept": stands.kept,
        "kept_test": _iso(stands.tested),
        "last_practised": max(one.days).isoformat(),
        "days": len(one.days),
        **_sum(one.total),
        "marked": one.total.marked,
        "curve": [{"day": day.isoformat(), "clean_bpm": bpm} for day, bpm in one.curve],
    }


def _place(kind: str, one: PlaceFigures) -> dict[str, Any]:
    return {
        "kind": kind,
        "name": one.name,
        "key": one.place.key[2:],
        "drill": one.drill,
        **(_tempo(one.place.tempo) if one.known else {}),
        "chance_cold": round(one.place.chance, 4),
        "failed_of_late": one.place.failed,
        "results_of_late": one.place.of,
        "marked": one.marked,
    }


def _tempo(tempo: CleanTempo) -> dict[str, float]:
    return {
        "clean_tempo_bpm": round(tempo.bpm, 2),
        "clean_tempo_low_bpm": round(tempo.low_bpm, 2),
        "clean_tempo_high_bpm": round(tempo.high_bpm, 2),
    }


def _sum(total: Sum) -> dict[str, float]:
    return {
        "minutes": round(total.minutes, 2),
        "reps": total.reps,
        "rated": total.rated,
        "clean": total.clean,
        "cold": total.cold,
        "cold_clean": total.cold_clean,
    }


def _iso(day: date | None) -> str | None:
    return day.isoformat() if day else None
