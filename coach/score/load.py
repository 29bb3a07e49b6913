"""Reads a drill file: YAML text to a `Drill`, with every problem and every place in the text.

Conventions as in `coach.music.drill`; the format is described in docs/drill-format.md. All problems of a file are
collected before anything is raised.
"""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

from coach.ground.compose import compose
from coach.ground.fields import kind_of, read_block
from coach.ground.problem import CoachError, Problem
from coach.ground.source import Mapping, Report, TooManyProblemsError, read_text, split_lines
from coach.music.drill import Drill
from coach.score.header import asked_names, assignment_of, click_of, tempo_of
from coach.score.ids import drill_id
from coach.score.keys import DRILL, DRILL_FILE
from coach.score.music import Resolver
from coach.score.order import piece_order
from coach.score.phrases import PhraseReader
from coach.score.place_words import place_in_words
from coach.score.reading import Reading
from coach.score.values import Version

SEVERAL = "# Several drills, each below a line of three hyphens.\n"
"""How a file of several drills begins: anywhere else a second YAML document is likely a slip."""
_BETWEEN = re.compile(r"^---[ \t]*\r?$\n?", re.MULTILINE)


def load_drill(path: Path | str) -> Drill:
    """The drill in a file; CoachError with every error found where there is none."""
    drill, problems = read_drill(read_text(path, DRILL_FILE), str(path))
    if drill is None:
        raise CoachError([problem for problem in problems if problem.severity == "error"])
    return drill


def load_drills(path: Path | str) -> tuple[Drill, ...]:
    """Every drill in a file, as a teacher hands out several at once; CoachError with every error in any of them."""
    drills: list[Drill] = []
    problems: list[Problem] = []
    for text in drill_texts(read_text(path, DRILL_FILE)):
        drill, of_drill = read_drill(text, str(path))
        drills += [drill] if drill else []
        problems += [problem for problem in of_drill if problem.severity == "error"]
    if problems:
        raise CoachError(problems)
    return tuple(drills)


def drill_texts(text: str) -> list[str]:
    """The drills of a text in which each begins below a line `---`; the text itself where it is one drill.

    What stands above a drill is left as empty lines, so that problems are told at their lines of the file.
    """
    if not text.startswith(SEVERAL.strip()):
        return [text]
    head, *parts = _BETWEEN.split(text)
    texts, above = [], head.count("\n") + 1
    for part in parts:
        texts.append("\n" * above + part)
        above += part.count("\n") + 1
    return texts


def read_drill(text: str, where: str) -> tuple[Drill | None, list[Problem]]:
    """The drill in a text, None where it has errors, and every problem: errors and warnings, in the text's order."""
    reading = read_reading(text, where)
    return reading.drill, reading.problems


def read_reading(text: str, where: str) -> Reading:
    """As `read_drill`, with the places of events and the sure repairs."""
    report = Report(where, split_lines(text), DRILL_FILE)
    reading = Reading(text)
    with suppress(TooManyProblemsError):
        root = compose(text, report)
        if isinstance(root, Mapping):
            reading.root = root
            drill = _drill_of(root, where, reading, report)
            if drill is not None and not report.failed:
                reading.drill = drill
        elif root is not None:
            report.error(
                root,
                "a drill is lines of `key: value`, and this is " + kind_of(root),
                "it starts with `drill: 1`",
            )
    reading.repairs = report.repairs
    reading.problems = [
        replace(problem, place_in_words=place_in_words(problem, reading.root))
        for problem in report.in_order()
    ]
    return reading


def _drill_of(root: Mapping, where: str, reading: Reading, report: Report) -> Drill | None:
    version = root.get("drill")
    if version is not None and Version().is_newer(version):
        # Anything in it may mean something else.
        Version().read(version, "drill", report)
        return None
    head = read_block(root, DRILL, "", report)
    title, instrument, meter = head.get("title", ""), head.get("instrument"), head.get("meter")
    reader = PhraseReader(report, reading, Resolver(instrument) if instrument else None)
    tempo = tempo_of(head.get("tempo"), meter, report)
    phrases = reader.phrases(head.get("phrases"), meter, head.get("key"))
    assignment = assignment_of(head.get("assignment"), tempo, asked_names(phrases, instrument), report)
    reader.events.check_layers()
    order = piece_order(head.get("order"), phrases, reading, report)
    if report.failed or instrument is None or tempo is None:
        return None
    return Drill(
        id=head.get("id") or drill_id(title),
        title=title,
        instrument=instrument,
        tempo=tempo,
        phrases=tuple(phrases),
        order=order,
        about=head.get("about", ""),
        click=click_of(head.get("click")),
        count_in_bars=head.get("count_in", 1),
        assignment=assignment,
        composer=head.get("composer", ""),
        tags=head.get("tags", ()),
        grade=head.get("grade"),
        path=where,
    )
