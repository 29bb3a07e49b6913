"""Reads a drill file: YAML text to a `Drill`, with every problem and every place in the text.

Conventions as in `coach.music.drill`; the format is described in docs/drill-format.md. All problems of a file are
collected before anything is raised.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from coach.ground.digits import whole_number
from coach.ground.problem import CoachError, Problem, Severity
from coach.music.drill import Drill
from coach.score import header, keys, values
from coach.score.compose import compose
from coach.score.ids import drill_id
from coach.score.music import Resolver
from coach.score.phrases import PhraseReader
from coach.score.reading import Reading
from coach.score.said import said_place
from coach.score.source import Mapping, Report, Scalar, TooManyProblemsError, read_text, split_lines


def load_drill(path: Path | str) -> Drill:
    """The drill in a file; CoachError with every error found where there is none."""
    drill, problems = read_drill(read_text(path), str(path))
    if drill is None:
        raise CoachError([problem for problem in problems if problem.severity == "error"])
    return drill


def read_drill(text: str, where: str) -> tuple[Drill | None, list[Problem]]:
    """The drill in a text, None where it has errors, and every problem: errors and warnings, in the text's order."""
    reading = read_reading(text, where)
    return reading.drill, reading.problems


def read_reading(text: str, where: str) -> Reading:
    """As `read_drill`, with the places of events and the sure repairs."""
    report = Report(where, split_lines(text))
    reading = Reading(text)
    with suppress(TooManyProblemsError):
        root = compose(text, report)
        if isinstance(root, Mapping):
            reading.root = root
            if _version_fits(root, report):
                drill = _drill_of(root, where, reading, report)
                if drill is not None and not report.failed:
                    reading.drill = drill
        elif root is not None:
            report.error(
                root,
                "a drill is lines of `key: value`, and this is " + values.kind_of(root),
                "it starts with `drill: 1`",
            )
    reading.repairs = report.repairs
    found = [replace(problem, said=said_place(problem, reading.root)) for problem in report.problems]
    reading.problems = sorted(found, key=lambda problem: (problem.line, problem.column))
    if report.full:
        severity: Severity = "error" if report.failed else "warning"
        reading.problems.append(Problem("and more problems; mend these first", where, severity=severity))
    return reading


def _version_fits(root: Mapping, report: Report) -> bool:
    node = root.get("drill")
    if node is None:
        return True
    found = node.text.strip() if isinstance(node, Scalar) else ""
    if found == str(keys.FORMAT_VERSION):
        return True
    if (whole_number(found) or 0) > keys.FORMAT_VERSION:
        report.error(
            node,
            f"this drill is written in version {found} of the format; this program reads version "
            f"{keys.FORMAT_VERSION}",
            "a newer version of the program can read it",
            "drill",
        )
        return False
    report.error(
        node, f"{values.kind_of(node)} is no version of the format; it is 1", "write `drill: 1`", "drill"
    )
    return True


def _drill_of(root: Mapping, where: str, reading: Reading, report: Report) -> Drill | None:
    values.check_keys(root, "", keys.DRILL, report)
    title = values.text_of(root.get("title"), "title", report, keys.MAX_NAME)
    given_id = values.id_of(root.get("id"), "id", report) if root.get("id") else ""
    instrument = header.instrument_of(root.get("instrument"), report)
    reader = PhraseReader(report, reading, Resolver(instrument) if instrument else None)
    meter = values.meter_of(root.get("meter"), "meter", report)
    tempo = header.tempo_of(root.get("tempo"), meter, report)
    click = header.click_of(root.get("click"), report)
    count_in = values.integer(root.get("count_in"), "count_in", keys.COUNT_IN_RANGE, " bars", report)
    assignment = header.assignment_of(root.get("assignment"), tempo, report)
    tags = values.scalars(root.get("tags"), "tags", report, "[first look, two strings]") or []
    if len(tags) > keys.MAX_TAGS:
        report.error(root.get("tags"), f"{len(tags)} tags; at most {keys.MAX_TAGS}", "", "tags")
    phrases = reader.phrases(root.get("phrases"), meter)
    reader.events.check_layers()
    order = header.piece_order(root.get("order"), phrases, reading, report)
    about = values.text_of(root.get("about"), "about", report)
    composer = values.text_of(root.get("composer"), "composer", report, keys.MAX_NAME)
    if report.failed or instrument is None or tempo is None:
        return None
    return Drill(
        id=given_id or drill_id(title),
        title=title,
        instrument=instrument,
        tempo=tempo,
        phrases=tuple(phrases),
        order=order,
        about=about,
        click=click,
        count_in_bars=count_in or 1,
        assignment=assignment,
        composer=composer,
        tags=tuple(tag.text for tag in tags),
        path=where,
    )
