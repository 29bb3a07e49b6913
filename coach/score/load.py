"""Reads a drill file: YAML text to a `Drill`, with every problem and every place in the text.

Conventions as in `coach.music.drill`; the format is described in docs/drill-format.md. All problems of a file are
collected before anything is raised.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from fractions import Fraction
from pathlib import Path

from coach.ground.compose import compose
from coach.ground.fields import Values, did_you_mean, kind_of, read_block, shorten
from coach.ground.plain import listed
from coach.ground.problem import CoachError, Problem
from coach.ground.source import Mapping, Report, TooManyProblemsError, read_text, split_lines
from coach.music.drill import AskedPart, Assignment, ClickPattern, Drill, Phrase, Tempo
from coach.music.rhythm import MAX_BPM, Meter
from coach.score.ids import drill_id
from coach.score.keys import DRILL, DRILL_FILE
from coach.score.music import Resolver
from coach.score.order import piece_order
from coach.score.phrases import PhraseReader
from coach.score.reading import Reading, with_places
from coach.score.values import Version
from coach.strings.instrument import Instrument
from coach.words.names import place_name

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
            message = f"a drill is lines of `key: value`, and this is {kind_of(root)}"
            report.error(root, message, "it starts with `drill: 1`")
    reading.repairs = report.repairs
    reading.problems = with_places(report.in_order(), reading.root)
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
        click=click_of(head.get("click")),
        count_in_bars=head.get("count_in", 1),
        assignment=assignment,
        path=where,
        **{name: head.values[name] for name in ("about", "composer", "tags", "grade") if name in head.values},
    )


def tempo_of(tempo: Values | None, meter: Meter | None, report: Report) -> Tempo | None:
    """Start and goal; the tempo beat is the meter's counted beat unless it is given."""
    if tempo is None:
        return None
    start, goal = tempo.get("start"), tempo.get("goal")
    if start is None or goal is None:
        return None
    if goal < start:
        message = f"the goal, {goal} bpm, is below the start, {start} bpm"
        report.error(tempo.spot("goal"), message, "swapped?", "tempo.goal")
    return Tempo(start, goal, tempo.get("beat") or (meter.beat_whole if meter else Fraction(1, 4)))


def click_of(click: Values | None) -> ClickPattern:
    """The click pattern, the plain one where it is left out."""
    values = dict(click.values) if click else {}
    silent, every = values.pop("silent", (0, 0))
    return ClickPattern(silent_bars=silent, silent_every=every, **values)


def asked_names(phrases: Iterable[Phrase], instrument: Instrument | None) -> list[str]:
    """What a part of an assignment can name: the phrases by id, then the nodes as people call them."""
    phrases = tuple(phrases)
    notes = (note for phrase in phrases for event in phrase.events for note in event.notes)
    touched = dict.fromkeys((note.string, note.node) for note in notes)
    names = (place_name(instrument.node_key(string, node)) for string, node in touched if instrument and node)
    return [*(phrase.id for phrase in phrases), *dict.fromkeys(names)]


def assignment_of(
    assignment: Values | None, tempo: Tempo | None, names: Sequence[str], report: Report
) -> Assignment | None:
    """The assignment block, None where there is none; `names` are what its parts may name."""
    if assignment is None:
        return None
    goal = assignment.get("goal")
    if goal and tempo and goal < tempo.start_bpm:
        message = f"the goal, {goal} bpm, is below the drill's start, {tempo.start_bpm} bpm"
        report.error(assignment.spot("goal"), message, "", "assignment.goal")
    for part in assignment.get("parts", ()):
        if message := part_fault(part, names, tempo):
            report.error(assignment.spot("parts"), message, part_guess(part, names), "assignment.parts")
    values = dict(assignment.values)
    return Assignment(goal_bpm=values.pop("goal", None), **values)


def part_fault(part: AskedPart, names: Sequence[str], tempo: Tempo | None) -> str:
    """What is wrong with a part of an assignment; empty where nothing is."""
    if part.name not in names:
        return f"'{shorten(part.name)}' is neither a phrase's id nor a node of this drill"
    if part.goal_bpm is None or tempo is None:
        return ""
    if not tempo.start_bpm <= part.goal_bpm <= MAX_BPM:
        return f"{part.goal_bpm} is outside {tempo.start_bpm} (the drill's start) to {MAX_BPM} bpm"
    return ""


def part_guess(part: AskedPart, names: Sequence[str]) -> str:
    """The likely slip of a part that is wrong."""
    if part.name in names:
        return ""
    near = difflib.get_close_matches(part.name, names, n=1)
    return did_you_mean(near[0]) if near else f"known: {listed(names, 8)}"
