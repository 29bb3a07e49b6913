"""`coach assign`: one file for each student, with drills, goals, a due date and a comment; it remembers to whom."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

from coach.commands.common import (
    clock,
    fresh_id,
    parse_date,
    places_of,
    say,
    warn,
    write_output,
)
from coach.commands.options import BPM, UNSAID, Arguments, Options
from coach.folder.library import find_drill, write_ids
from coach.ground.kinds import MAX_TEXT
from coach.ground.places import DRILL_SUFFIXES, builtin_drills, user_path
from coach.ground.plain import bare_name, counted, listed, plain_text, same_name
from coach.ground.problem import CoachError, UsageError
from coach.ground.source import FileKind, read_text
from coach.log.entries import practice_day
from coach.music.drill import AskedPart, Assignment, Drill
from coach.music.rhythm import MAX_BPM
from coach.report.assigned import assigned_text
from coach.report.handed import FILE, Handed, handed_out, recall, remember
from coach.score.ids import slug
from coach.score.keys import DRILL_FILE
from coach.score.limits import MAX_NAME
from coach.score.load import SEVERAL, asked_names, load_drill, part_fault, part_guess
from coach.score.values import asked_part
from coach.words.amounts import full_day, tempo

MOST_STUDENTS = 500
ASKED = ("teacher", "goal_bpm", "due", "note")
"""Fields of an assignment that options say."""
CLASS_FILE = FileKind(noun="names of students", file="a class list", single="one list")


@dataclass(frozen=True)
class Handout:
    """A drill that is handed out, and what its own file asked for before."""

    path: Path
    drill: Drill
    asked: Mapping[str, Any]
    """What options say of its assignments, by the fields of `Assignment`."""
    last: Mapping[str, Handed]
    """What each student was handed of it last, by the bare name."""

    def before(self, student: str, today: date) -> Assignment:
        """What stays where no option says otherwise: its own assignment, else what the student had last."""
        own, last = self.drill.assignment, self.last.get(bare_name(student))
        if own or not last:
            return own or Assignment()
        goal = last.goal_bpm if last.goal_bpm >= self.drill.tempo.start_bpm else None
        due = last.due if last.due and last.due >= today else None
        return Assignment(
            teacher=last.teacher,
            goal_bpm=goal if goal != self.drill.goal_bpm else None,
            due=due,
            parts=tuple(part for part in map(asked_part, last.parts) if not self.fault(part)),
        )

    def task(self, student: str, today: date, at_ms: int) -> Assignment:
        """The student's new assignment."""
        return replace(self.before(student, today), student=student, id=fresh_id(at_ms), **self.asked)

    def kept(self, student: str, today: date) -> str:
        """What that has from one before, since no option says otherwise, and from which; empty for none."""
        before = self.before(student, today)
        facts = (
            ("teacher", "teacher", before.teacher),
            ("goal_bpm", "goal", f"{before.goal_bpm} bpm" if before.goal_bpm else ""),
            ("due", "due", str(before.due or "")),
            ("note", "note", f'"{before.note}"' if before.note else ""),
            ("parts", "only", listed(tuple(map(str, before.parts)), 6)),
        )
        kept = [f"{name} {value}" for field, name, value in facts if field not in self.asked and value]
        own = f"the assignment in {self.path.name}"
        whose = own if self.drill.assignment else f"what {student} has of {plain_text(self.drill.title)}"
        return f"{whose}: {', '.join(kept)}" if kept else ""

    def lost(self, student: str) -> dict[str, str]:
        """Parts that the student had of it and that it can no longer ask for, each with the reason."""
        last = self.last.get(bare_name(student))
        if "parts" in self.asked or self.drill.assignment or not last:
            return {}
        faults = {str(part): self.fault(part) for part in map(asked_part, last.parts)}
        return {part: fault for part, fault in faults.items() if fault}

    def fault(self, part: AskedPart) -> str:
        """What is wrong with a part; empty where nothing is."""
        return part_fault(part, asked_names(self.drill.phrases, self.drill.instrument), self.drill.tempo)


def configure(options: Options) -> None:
    options.folder()
    options.text("drills DRILL", "drill files or names", nargs="+")
    options.texts("--to NAME", "the students")
    options.text("--class FILE", "a list of students, one name per line", dest="class_list")
    kept = "default: as in the file's own assignment"
    last = f"{kept}, else as this student has it"
    # What is not given is no argument, so that it stays as it was.
    given: dict[str, Any] = {"default": UNSAID}
    options.text("--from NAME", f"you ({last})", dest="teacher", type=_teacher, **given)
    options.whole("--goal BPM", BPM, f"goal tempo ({last}, else the drill's)", dest="goal_bpm", **given)
    options.text("--due YYYY-MM-DD", f"by when; '' for no date ({last})", type=_due, **given)
    options.text("--note TEXT", f"a note to the student; '' for none ({kept})", type=_note, **given)
    options.texts(
        "--only PART",
        f"only these phrases or nodes, with goals: 'window at 60' '3.2 on D2 at 50'; '' for all ({last})",
    )
    options.text("--date YYYY-MM-DD", UNSAID, default="")
    options.output("the student's file; for several students, a folder", required=True)


def run(arguments: Arguments) -> int:
    at_ms, offset_min = clock(arguments.date)
    today = practice_day(at_ms, offset_min)
    students = _students(arguments)
    handouts = _handouts(arguments)
    targets = _targets(arguments.output, students)
    handed: list[Handed] = []
    kept: dict[str, None] = {}
    for student, target in zip(students, targets, strict=True):
        tasks = [handout.task(student, today, at_ms) for handout in handouts]
        texts = [_text(handout, task) for handout, task in zip(handouts, tasks, strict=True)]
        whole = texts[0] if len(texts) == 1 else SEVERAL + "".join(f"---\n{text}" for text in texts)
        write_output(target, whole, [handout.path for handout in handouts], is_drill=True)
        handed += [
            handed_out(replace(handout.drill, assignment=task), student, today)
            for handout, task in zip(handouts, tasks, strict=True)
        ]
        kept |= dict.fromkeys(filter(None, (handout.kept(student, today) for handout in handouts)))
    remember(places_of(arguments).folder, handed)
    for handout in handouts:
        _settle(handout.path, handout.drill.id)
    say(*(f"unchanged from {text}" for text in kept), to=sys.stderr)
    for handout in handouts:
        for student in students:
            warn(*(f"{student}: {part} is left out: {why}" for part, why in handout.lost(student).items()))
    past = sorted({one.due for one in handed if one.due and one.due < today})
    warn(*(f"written with the due date {day}, which is past; --due sets another" for day in past))
    if arguments.output != "-":
        say(*_summary(handed, students, targets, places_of(arguments).folder))
    return 0


def _of_length(text: str, option: str, longest: int) -> str:
    if len(plain := plain_text(text)) > longest:
        raise UsageError(f"{len(text)} letters; at most {longest}", option)
    return plain


_teacher = partial(_of_length, option="--from", longest=MAX_NAME)
_note = partial(_of_length, option="--note", longest=MAX_TEXT)


def _due(text: str) -> date | None:
    return parse_date(text, "--due") if text else None


def _students(arguments: Arguments) -> list[str]:
    """The names given and those of the class list, once each; UsageError where one can't be a name."""
    named = [("--to", name) for name in arguments.to]
    for name in arguments.to:
        if re.search(r",(?! )", plain_text(name)):
            apart = " ".join(one.strip() for one in plain_text(name).split(",") if one.strip())
            raise UsageError(
                f"{plain_text(name)!r} has a comma; names stand apart by blanks",
                "--to",
                guess=f"--to {apart}",
            )
    if arguments.class_list:
        text = read_text(user_path(arguments.class_list), CLASS_FILE)
        lines = [line.partition("#")[0] for line in text.splitlines()]
        named += [(arguments.class_list, line) for line in lines if line.strip()]
    students: list[str] = []
    for where, name in named:
        plain = plain_text(name)
        if not plain:
            raise UsageError("a name is needed", where)
        if len(plain) > MAX_NAME:
            raise UsageError(f"{len(plain)} letters; at most {MAX_NAME}", where)
        if not any(same_name(plain, other) for other in students):
            students.append(plain)
    if not students:
        raise UsageError("no student is named", "--to", guess="--to NAME, or --class FILE")
    if len(students) > MOST_STUDENTS:
        raise UsageError(f"{len(students)} students; at most {MOST_STUDENTS}", "--class")
    return students


def _handouts(arguments: Arguments) -> list[Handout]:
    """The drills, each with the parts that are asked of it; UsageError where a goal or a part fits none."""
    places, handouts = places_of(arguments), list[Handout]()
    earlier, _ = recall(places.folder)
    asked = {name: value for name, value in vars(arguments).items() if name in ASKED}
    texts = [text for part in arguments.only if (text := plain_text(part))]
    wanted = [asked_part(text.replace("=", " at ")) for text in texts]
    unused = dict.fromkeys(wanted)
    known: list[str] = []
    for name in arguments.drills:
        path = find_drill(name, places)
        drill = load_drill(path)
        if asked.get("goal_bpm", MAX_BPM) < drill.tempo.start_bpm:
            message = f"{asked['goal_bpm']} bpm is below the drill's start, {drill.tempo.start_bpm} bpm"
            raise UsageError(message, "--goal", guess="a copy of the drill with a slower start?")
        names = asked_names(drill.phrases, drill.instrument)
        parts = []
        for part in wanted:
            phrase = None if part.name in names else drill.phrase_named(part.name)
            own = replace(part, name=phrase.id) if phrase else part
            if own.name in names:
                if fault := part_fault(own, names, drill.tempo):
                    raise UsageError(fault, "--only")
                parts.append(own)
                unused.pop(part, None)
        known += names
        if any(drill.id == other.drill.id for other in handouts):
            raise UsageError(f"{drill.id} is named twice", "DRILL")
        last = {bare_name(one.student): one for one in earlier if one.drill == drill.id}
        if arguments.only:
            asked = {**asked, "parts": tuple(parts)}
        handouts.append(Handout(path, drill, asked, last))
    for part in unused:
        message = f"'{part.name}' is neither a phrase nor a node of {listed(arguments.drills, 3)}"
        raise UsageError(message, "--only", guess=part_guess(part, known))
    return handouts


def _targets(output: str, students: Sequence[str]) -> list[str]:
    """A file for each student: what `-o` names, or a file of the student's name in the folder that it names."""
    folder = user_path(output)
    # What is named like a drill is a file's place, even where a link to a folder has come to stand in it.
    names_drill, is_folder = folder.suffix.lower() in DRILL_SUFFIXES, os.path.isdir(folder)
    if len(students) == 1 and (names_drill or not is_folder) and not output.endswith(("/", os.sep)):
        if output != "-" and not names_drill:
            ending = DRILL_SUFFIXES[0]
            raise UsageError(f"a drill's file ends in {ending}", output, guess=f"-o {output}{ending}")
        return [output]
    if output == "-" or os.path.isfile(folder) or (names_drill and not is_folder):
        raise UsageError("several students need a folder", "-o", guess="-o with a folder's name")
    folder.mkdir(parents=True, exist_ok=True)
    names: list[str] = []
    for student in students:
        stem = slug(student) or "student"
        numbered = (stem, *(f"{stem}-{number}" for number in range(2, MOST_STUDENTS + 2)))
        names.append(next(name for name in numbered if name not in names))
    return [str(folder / f"{name}{DRILL_SUFFIXES[0]}") for name in names]


def _text(handout: Handout, task: Assignment) -> str:
    text = assigned_text(read_text(handout.path, DRILL_FILE), handout.drill, task)
    if text is None:
        raise CoachError("the assignment can't be written into this drill", str(handout.path))
    return text


def _settle(path: Path, drill_id: str) -> None:
    """Handing a drill out is its first use: its id goes into the teacher's own file, and that is told."""
    if path.resolve() in {one.resolve() for one in builtin_drills()}:
        return
    try:
        if write_ids(path):
            told = f"id {drill_id} added: a new title or file name keeps the history"
            say(f"{path}: {told}", to=sys.stderr)
    except (OSError, UnicodeDecodeError, CoachError):
        way_out = f"write `id: {drill_id}` there before you change its title"
        warn(f"{path}: the id {drill_id} can't be written into it; {way_out}")


def _summary(
    handed: Sequence[Handed], students: Sequence[str], targets: Sequence[str], folder: Path
) -> list[str]:
    lines = []
    for one in handed[: len(handed) // len(students)]:
        by = f" by {full_day(one.due)}" if one.due else ""
        what = f"only {listed(one.parts, 6)}" if one.parts else tempo(one.goal_bpm)
        lines.append(f"{one.title}: {what}{by}")
    if len(students) == 1:
        file = f"{students[0]}: {targets[0]}, open with `coach practice {Path(targets[0]).name}`"
    else:
        files = f"{counted(len(students), 'file')} in {Path(targets[0]).parent}"
        file = f"{files}; open with `coach practice FILE`"
    return [*lines, file, f"noted in {folder / FILE}"]
