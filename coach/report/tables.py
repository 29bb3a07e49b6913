"""The tables of a report, each column declared once: for a person, as JSON for programs, as CSV for spreadsheets."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from datetime import date
from typing import Any

from coach.ground.days import iso_day
from coach.ground.table_csv import csv_text
from coach.learning.readings import CLEAN_PLACE
from coach.pages.parts import ABSENT, Column, facts_of
from coach.rating.counts import cells, columns, results_text
from coach.rating.table import CAUSES
from coach.report.ear import ear_facts
from coach.report.figures import ExcerptFigures, PlaceFigures, Report
from coach.report.sums import Sum
from coach.words.amounts import day_or_dash, kept_day, percent, short_day, tempo_range

SUMS = ("reps", "minutes", "rated", "clean", "cold", "cold_clean")


def excerpt_columns(today: date) -> tuple[Column[ExcerptFigures], ...]:
    """Of phrases, joins and pieces in each layer."""
    return (
        Column("kind", lambda one: str(one.standing.excerpt.kind)),
        Column("name", lambda one: one.name, "phrase"),
        Column("key", lambda one: one.standing.excerpt.key),
        Column("drill", lambda one: one.standing.excerpt.drill),
        Column("drill_title", lambda one: one.drill_title, "drill", on_page=True),
        Column("layer", lambda one: one.standing.excerpt.layer),
        Column(
            "rung_bpm",
            lambda one: one.standing.rung_bpm,
            "rung today",
            lambda one: f"{one.standing.rung_bpm} of {one.standing.goal_bpm}",
            number=True,
        ),
        Column("goal_bpm", lambda one: one.standing.goal_bpm),
        *_tempo_columns("clean tempo", tempo_text),
        Column("chance_cold", lambda one: round(one.standing.now, 4)),
        Column("chance_cold_after_a_week", lambda one: round(one.standing.later, 4)),
        Column("failed_of_late", lambda one: one.standing.failed),
        Column("results_of_late", lambda one: one.standing.of),
        Column(
            "landed",
            lambda one: iso_day(one.standing.landed),
            "landed",
            lambda one: day_or_dash(one.standing.landed, today),
        ),
        Column(
            "kept",
            lambda one: one.standing.kept,
            "kept",
            lambda one: kept_day(one.standing.kept, one.standing.tested, today),
        ),
        Column("kept_test", lambda one: iso_day(one.standing.tested)),
        Column(
            "last_practised",
            lambda one: iso_day(max(one.days)),
            "last",
            lambda one: short_day(max(one.days), today),
            on_page=True,
        ),
        Column("days", lambda one: len(one.days)),
        *_sum_columns(),
    )


def place_columns(kind: str) -> tuple[Column[PlaceFigures], ...]:
    """Of nodes or of moves."""
    return (
        Column("kind", lambda _: kind),
        Column("name", lambda one: one.name, kind),
        Column("key", lambda one: one.place.key[2:]),
        Column("drill", lambda one: one.drill),
        Column(
            "chance_cold",
            lambda one: round(one.place.chance, 4),
            "clean",
            lambda one: percent(one.place.chance),
            True,
        ),
        Column("failed_of_late", lambda one: one.place.failed, "of the last 8", late_text),
        Column("results_of_late", lambda one: one.place.of),
        *_tempo_columns(f"clean {10 * CLEAN_PLACE:.0f} times out of 10 at", _ends, on_page=True),
        Column("", lambda one: results_text(one.marked), "marked"),
        Column("", _causes_text, "why", on_page=True),
    )


def report_facts(report: Report) -> dict[str, Any]:
    """The report as values that JSON can hold. Days are ISO 8601, chances parts of 1."""
    return {
        "player": report.player,
        "day": report.day.isoformat(),
        "since": report.since.isoformat(),
        "drill": report.drill,
        "minutes": round(report.total.minutes, 4),
        "days": [{"day": day.isoformat(), **sum_facts(total)} for day, total in report.days.items()],
        "excerpts": [
            {
                **facts_of(excerpt_columns(report.day), one),
                "marked": one.total.marked,
                "curve": [{"day": day.isoformat(), "clean_bpm": bpm} for day, bpm in one.curve],
            }
            for one in report.excerpts
        ],
        "missing": report.missing,
        "nodes": [{**facts_of(place_columns("node"), one), "marked": one.marked} for one in report.nodes],
        "moves": [{**facts_of(place_columns("move"), one), "marked": one.marked} for one in report.moves],
        "tests": [{"name": name, "day": on.isoformat()} for name, on in report.tests],
        "marked": report.marked,
        "hurt_days": [day.isoformat() for day in report.hurts],
        "notes": [{"day": day.isoformat(), "text": text} for day, text in report.notes],
        "assignments": [{**asdict(task), "due": iso_day(task.due)} for task in report.tasks],
        "ear": ear_facts(report.ear),
        "cold": [{**asdict(row), "expected": round(row.expected, 4)} for row in report.cold],
    }


def report_csv(report: Report) -> str:
    """One row for each phrase, join and piece in each layer, node and move; `marked` counts since the first day.

    The columns are keys of the JSON; how often each result and cause was marked follows them.
    """
    facts = report_facts(report)
    header = [one.key for one in excerpt_columns(report.day) if one.key]
    rows = [*facts["excerpts"], *facts["nodes"], *facts["moves"]]
    return csv_text((*header, *columns()), ([*map(row.get, header), *cells(row["marked"])] for row in rows))


def sum_facts(total: Sum) -> dict[str, float]:
    """What was practised, as values for programs."""
    return {name: round(getattr(total, name), 2) for name in SUMS}


def tempo_text(one: ExcerptFigures) -> str:
    """The clean tempo with its interval: `62 (58 to 66)`; what can be said where it is not known so well."""
    tempo = one.standing.tempo
    if not one.known:
        return "too little to say"
    if one.beyond:
        return f"at least {min(int(tempo.low_bpm), one.total.fastest_bpm)}"
    return f"{tempo.bpm:.0f} ({tempo.low_bpm:.0f} to {tempo.high_bpm:.0f})"


def late_text(one: PlaceFigures) -> str:
    """`3 of 8 failed`: of its last results."""
    return f"{one.place.failed} of {one.place.of} failed"


def _ends(one: PlaceFigures) -> str:
    return tempo_range(one.place.tempo.low_bpm, one.place.tempo.high_bpm)


def _causes_text(one: PlaceFigures) -> str:
    return ", ".join(f"{cause.word} {one.marked[cause.word]}" for cause in CAUSES if cause.word in one.marked)


def _tempo_columns(title: str, text: Callable[[Any], str], on_page: bool = False) -> tuple[Column[Any], ...]:
    """The clean tempo (`readings.py`) and the ends of its 80 % interval."""

    def bpm(end: str) -> Callable[[ExcerptFigures | PlaceFigures], object]:
        return lambda one: round(getattr(one.tempo, end), 2) if one.tempo else ABSENT

    return (
        Column("clean_tempo_bpm", bpm("bpm"), title, text, True, on_page),
        Column("clean_tempo_low_bpm", bpm("low_bpm")),
        Column("clean_tempo_high_bpm", bpm("high_bpm")),
    )


def _sum_columns() -> tuple[Column[ExcerptFigures], ...]:
    def total(key: str) -> Callable[[ExcerptFigures], float]:
        return lambda one: sum_facts(one.total)[key]

    return tuple(Column(key, total(key)) for key in SUMS)
