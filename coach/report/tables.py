"""A report as plain values: JSON for programs, one table for spreadsheets."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from coach.learning.ladder import DAYS_TO_LAND
from coach.learning.memory import Memory
from coach.learning.tempo_estimate import CleanTempo
from coach.rating.counts import cells, columns
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.table_csv import Cell, csv_text

COLUMNS = (
    "kind",
    "name",
    "key",
    "drill",
    "layer",
    "rung_bpm",
    "goal_bpm",
    "clean_tempo_bpm",
    "clean_tempo_low_bpm",
    "clean_tempo_high_bpm",
    "fail_rate",
    "fail_rate_low",
    "fail_rate_high",
    "fail_rate_weight",
    "near_goal",
    "retention",
    "due",
    "cold_days",
    "cold_clean",
    "days",
    "reps",
    "minutes",
    "last_practised",
    "landed",
    *columns(),
)


def report_facts(report: Report) -> dict[str, Any]:
    """The report as values that JSON can hold. Days are ISO 8601, rates parts of 1."""
    table = report.calibration
    return {
        "player": report.player,
        "day": report.day.isoformat(),
        "since": report.since.isoformat(),
        "drill": report.drill,
        "minutes": round(report.minutes, 2),
        "days": [
            {
                "day": day.day.isoformat(),
                "minutes": round(day.duration_ms / 60_000, 2),
                "reps": day.reps,
                "rated": day.rated,
                "clean": day.clean,
            }
            for day in report.days
        ],
        "excerpts": [_excerpt(one) for one in report.excerpts],
        "nodes": [_place(one) for one in report.nodes],
        "moves": [_place(one) for one in report.moves],
        "due": [{"name": name, "due": due.isoformat()} for name, due in report.due],
        "marked": report.marked,
        "hurt_days": [day.isoformat() for day in report.hurts],
        "notes": [{"day": day.isoformat(), "text": text} for day, text in report.notes],
        "assignments": [
            {**asdict(task), "due": task.due.isoformat() if task.due else None} for task in report.tasks
        ],
        "calibration": table
        and {
            "results": table.results,
            "brier": round(table.brier, 4),
            "log_loss": round(table.log_loss, 4),
            "base_brier": round(table.base_brier, 4),
            "base_log_loss": round(table.base_log_loss, 4),
            "rows": [
                {"predicted": round(predicted, 4), "clean": round(clean, 4), "results": count}
                for predicted, clean, count in table.rows
            ],
        },
    }


def report_csv(report: Report) -> str:
    """One row for each phrase in each layer, node and move; a column that says nothing of it is empty."""
    rows = [
        *(_excerpt_row(one) for one in report.excerpts),
        *(_place_row("node", one) for one in report.nodes),
        *(_place_row("move", one) for one in report.moves),
    ]
    return csv_text(COLUMNS, ([row.get(column) for column in COLUMNS] for row in rows))


def _excerpt(one: ExcerptFigures) -> dict[str, Any]:
    return {
        "key": one.excerpt.key,
        "name": one.title,
        "drill": one.excerpt.drill,
        "layer": one.excerpt.layer,
        "kind": str(one.excerpt.kind),
        "rung_bpm": one.rung_bpm,
        "goal_bpm": one.goal_bpm,
        "clean_tempo": _tempo(one.tempo),
        "clean_tempo_known": one.known,
        "fastest_played_bpm": one.fastest_bpm,
        "landed_days": [day.isoformat() for day in one.landed_days],
        "retention": None if one.retention is None else round(one.retention, 4),
        "due": one.memory.due.isoformat() if one.memory.due else None,
        "last_practised": one.memory.last_day.isoformat(),
        "minutes": round(one.minutes, 2),
        "curve": [{"day": point.day.isoformat(), **(_tempo(point.tempo) or {})} for point in one.curve],
    }


def _tempo(tempo: CleanTempo | None) -> dict[str, float] | None:
    if tempo is None:
        return None
    return {
        "bpm": round(tempo.bpm, 2),
        "low_bpm": round(tempo.low_bpm, 2),
        "high_bpm": round(tempo.high_bpm, 2),
        "weight": round(tempo.weight, 2),
    }


def _place(one: PlaceFigures) -> dict[str, Any]:
    memory = one.memory
    return {
        "key": one.key[2:],
        "name": one.name,
        "fail_rate": {
            "mean": round(one.fail.mean, 4),
            "low": round(one.fail.low, 4),
            "high": round(one.fail.high, 4),
            "weight": round(one.fail.weight, 2),
            "near_goal": one.near_goal,
        },
        "retention": None if one.retention is None else round(one.retention, 4),
        "due": memory.due.isoformat() if memory.due else None,
        "cold_days": memory.cold_days,
        "cold_clean": memory.cold_clean,
        "reps": memory.reps,
        "last_practised": memory.last_day.isoformat(),
        "marked": memory.marked,
    }


def _excerpt_row(one: ExcerptFigures) -> dict[str, Cell]:
    row: dict[str, Cell] = {
        "kind": str(one.excerpt.kind),
        "name": one.title,
        "key": one.excerpt.key,
        "drill": one.drill_title,
        "layer": one.excerpt.layer,
        "rung_bpm": one.rung_bpm,
        "goal_bpm": one.goal_bpm,
        "minutes": round(one.minutes, 1),
        "landed": one.landed_days[-1].isoformat() if len(one.landed_days) >= DAYS_TO_LAND else None,
        **_memory_cells(one.memory, one.retention),
    }
    if one.tempo and one.known:
        row["clean_tempo_bpm"] = round(one.tempo.bpm, 1)
        row["clean_tempo_low_bpm"] = round(one.tempo.low_bpm, 1)
        row["clean_tempo_high_bpm"] = round(one.tempo.high_bpm, 1)
    return row


def _place_row(kind: str, place: PlaceFigures) -> dict[str, Cell]:
    fail = place.fail
    return {
        "kind": kind,
        "name": place.name,
        "key": place.key[2:],
        "goal_bpm": place.memory.goal_bpm,
        "fail_rate": round(fail.mean, 4),
        "fail_rate_low": round(fail.low, 4),
        "fail_rate_high": round(fail.high, 4),
        "fail_rate_weight": round(fail.weight, 2),
        "near_goal": place.near_goal,
        **_memory_cells(place.memory, place.retention),
    }


def _memory_cells(memory: Memory, retention: float | None) -> dict[str, Cell]:
    return {
        "retention": None if retention is None else round(retention, 3),
        "due": memory.due.isoformat() if memory.due else None,
        "cold_days": memory.cold_days,
        "cold_clean": memory.cold_clean,
        "days": memory.days,
        "reps": memory.reps,
        "last_practised": memory.last_day.isoformat(),
        **dict(zip(columns(), cells(memory.marked), strict=True)),
    }
