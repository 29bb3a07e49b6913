"""The teacher's class: who was handed what, whose replies came, and what each student needs; nothing printed here.

Who a reply is from follows from ids. A reply that carries an assignment's id is from the student who was handed it,
unless it bears another name; other replies of the same player id are theirs too, so that one student on two machines
is one. A reply that only bears a student's name, where that student has others, is kept apart and told. Of several
replies of one machine the newest counts.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date, timedelta
from functools import cached_property
from pathlib import Path

from coach.ground.frozen import frozen
from coach.ground.plain import bare_name, same_name
from coach.ground.problem import Problem
from coach.log.entries import DAY_MS, parse_time
from coach.log.people import DEFAULT_NAME
from coach.report.advice import ENTERED_FROM, ORDER, Need, needs
from coach.report.handed import Handed, class_of, recall
from coach.report.inbox import StudentFile, read_folder
from coach.report.machines import together
from coach.report.reply import DrillReply, NoteReply
from coach.report.work import Work
from coach.words.amounts import full_day, percent
from coach.words.names import place_name

AHEAD_DAYS = 2
"""So far may a student's clock be ahead of the teacher's."""
ALL_FROM, ALL_PART = 3, 0.15
"""Students, and part of those who play it, from which a node or a move is worth teaching to all."""
SHOWN_NEEDS = 3
"""Needs of a student on the first page, beside silence and the date, which have lists of their own."""
APART = ("silent", "date")


@frozen
class Student:
    """One student, and the work on each drill."""

    name: str
    work: tuple[Work, ...]
    handed: tuple[Handed, ...]
    """Everything ever handed to them, the newest first."""
    notes: tuple[NoteReply, ...]
    """Their own words, the oldest first."""
    remarks: tuple[str, ...] = ()

    @cached_property
    def needs(self) -> list[tuple[Work, Need]]:
        """All needs with the drill that they are about, the most urgent first."""
        rows = [(work, need) for work in self.work for need in needs(work)]
        return sorted(rows, key=lambda row: ORDER[row[1].kind])

    @property
    def first_page(self) -> list[Need]:
        """What of it stands on the first page."""
        urgent = [need for _, need in self.needs if need.urgent]
        first = [need for need in urgent if need.kind not in APART][:SHOWN_NEEDS]
        return [*first, *(need for need in urgent if need.kind in APART)]

    @property
    def replied(self) -> date | None:
        return max((work.reply_day for work in self.work if work.reply_day), default=None)


@frozen
class Shared:
    """A node or a move that fails with several students."""

    name: str
    kind: str
    students: tuple[str, ...]
    of: int
    """How many of the class play it, as far as their replies tell."""


@frozen
class Classroom:
    """The whole class on a day."""

    today: date
    students: tuple[Student, ...]
    """Who needs help first, first."""
    shared: tuple[Shared, ...]
    """What to teach to all."""
    folded: int
    """Replies for which a newer one of the same machine stands."""
    problems: tuple[Problem, ...]

    @property
    def with_need(self) -> list[Student]:
        """Who stands on the first page, but for silence and date."""
        return [one for one in self.students if any(need.kind not in APART for need in one.first_page)]

    @property
    def urgent(self) -> bool:
        """Whether anybody needs help, is silent or will miss a date."""
        return bool(self.with_need or self.silent or self.late)

    @property
    def silent(self) -> list[Student]:
        return [one for one in self.students if any(need.kind == "silent" for _, need in one.needs)]

    @property
    def late(self) -> list[Student]:
        """Who will miss their date, or has."""
        return [one for one in self.students if any(need.kind == "date" for _, need in one.needs)]


@frozen
class Claim:
    """A file and whose it is taken to be."""

    file: StudentFile
    name: str
    remark: str = ""


def read_class(inbox: Path, folder: Path, today: date) -> Classroom:
    """The class of a practice folder from the replies in another."""
    handed, problems = recall(folder)
    files, of_files = read_folder(inbox)
    kept, future = _not_ahead(files, today)
    return make_class(kept, handed, today, (*problems, *of_files, *future))


def make_class(
    files: Sequence[StudentFile],
    handed: Sequence[Handed],
    today: date,
    problems: Sequence[Problem] = (),
) -> Classroom:
    """The class from what was handed out and what came back."""
    newest, folded = _newest(files)
    claims = _claims(newest, handed)
    names = dict.fromkeys([*class_of(handed, today), *(claim.name for claim in claims)])
    bare = {name: bare_name(name) for name in dict.fromkeys(one.student for one in handed)}
    by_name: dict[str, list[Handed]] = {}
    for one in reversed(handed):
        by_name.setdefault(bare[one.student], []).append(one)
    students = [
        _student(
            name, [claim for claim in claims if claim.name == name], by_name.get(bare_name(name), []), today
        )
        for name in names
    ]
    students.sort(key=_urgency)
    return Classroom(today, tuple(students), tuple(_shared(students, handed)), folded, tuple(problems))


def _urgency(student: Student) -> tuple[int, int, float, str]:
    _, need = student.needs[0] if student.needs else (None, None)
    behind = min((work.rung_bpm / work.goal_bpm for work in student.work if work.goal_bpm), default=0.0)
    urgent = sum(need.urgent for _, need in student.needs)
    return ORDER[need.kind] if need else len(ORDER), -urgent, behind, student.name.casefold()


def _not_ahead(files: Sequence[StudentFile], today: date) -> tuple[list[StudentFile], list[Problem]]:
    """Without the replies of days that have not come."""
    latest = today + timedelta(days=AHEAD_DAYS)
    ahead = [file for file in files if file.reply.day > latest]
    told = {file.path: f"is dated {full_day(file.reply.day)}, in the future: left out" for file in ahead}
    problems = [Problem(one, path, guess="is the student's clock right?") for path, one in told.items()]
    return [file for file in files if file.reply.day <= latest], problems


def _newest(files: Sequence[StudentFile]) -> tuple[list[StudentFile], int]:
    """Of each player id and drill the newest reply; of two of one moment the one that is as it was written."""
    ranked = sorted(files, key=lambda file: (_moment_ms(file), not file.edited, file.path))
    latest: dict[tuple[str, str], StudentFile] = {}
    for file in ranked:
        for drill_id in [drill.id for drill in file.reply.drills] or [""]:
            latest[_player(file), drill_id] = file
    newest = []
    for file in ranked:
        if told := [drill_id for (_, drill_id), one in latest.items() if one is file]:
            drills = tuple(drill for drill in file.reply.drills if drill.id in told)
            newest.append(replace(file, reply=replace(file.reply, drills=drills)))
    return newest, len(files) - len(newest)


def _player(file: StudentFile) -> str:
    return file.reply.student.id or f"name {file.reply.student.name}"


def _moment_ms(file: StudentFile) -> int:
    """When a reply was written; the noon of its day where its moment can't be read or is another day's."""
    noon = parse_time(f"{file.reply.day}T12:00:00+00:00")[0]
    with suppress(ValueError, OverflowError):
        written = parse_time(file.reply.written)[0]
        if abs(written - noon) < 2 * DAY_MS:
            return written
    return noon


def _claims(files: Sequence[StudentFile], handed: Sequence[Handed]) -> list[Claim]:
    """Whose each file is."""
    by_id = {one.id: one.student for one in handed if one.id}
    claims: list[Claim] = []
    waiting: list[StudentFile] = []
    # By one id alone: a reply may claim others as its own, and so would take their rows.
    owners: dict[str, str] = {}
    for file in files:
        tasks = (drill.assignment.id for drill in file.reply.drills if drill.assignment)
        owner = next((by_id[task] for task in tasks if task in by_id), "")
        if not owner:
            waiting.append(file)
        elif _bears(file, owner):
            claims.append(Claim(file, owner))
            owners |= {file.reply.student.id: owner} if file.reply.student.id else {}
        else:
            claims.append(_stranger(file, f"uses {owner}'s file", handed))
    for file in waiting:
        known = owners.get(file.reply.student.id, "")
        if known and _bears(file, known):
            claims.append(Claim(file, known))
        else:
            claims.append(_by_name(file, handed, set(owners.values())))
    return claims


def _by_name(file: StudentFile, handed: Sequence[Handed], answered: set[str]) -> Claim:
    """A reply without an assignment that was handed out here: whom its name means, if nobody else answers to it."""
    name = file.reply.student.name
    known = next((one.student for one in handed if same_name(one.student, name)), "")
    if known and known not in answered:
        return Claim(
            file, known, "has none of the assignments you gave them; counted as theirs because of its name"
        )
    if known:
        return _stranger(file, f"has {known}'s name, but none of their assignments or ids", handed)
    asked = next((drill.assignment.student for drill in file.reply.drills if drill.assignment), "")
    return Claim(file, _own_name(file, asked))


def _stranger(file: StudentFile, remark: str, handed: Sequence[Handed]) -> Claim:
    name = _own_name(file, "")
    if any(same_name(name, one.student) for one in handed):
        name = f"{name} ({file.reply.student.id[-4:] or 'no id'})"
    return Claim(file, name, remark)


def _own_name(file: StudentFile, asked: str) -> str:
    name = file.reply.student.name
    return asked or name if name in ("", DEFAULT_NAME) else name


def _bears(file: StudentFile, name: str) -> bool:
    own = file.reply.student.name
    return own in ("", DEFAULT_NAME) or same_name(own, name)


def _student(name: str, claims: Sequence[Claim], own: Sequence[Handed], today: date) -> Student:
    """One student, from the files that are theirs and what was handed to them, the newest first."""
    newest: dict[str, Handed] = {}
    for one in own:
        newest.setdefault(one.drill, one)
    by_drill: dict[str, list[tuple[Claim, DrillReply]]] = {}
    for claim in claims:
        for drill in claim.file.reply.drills:
            by_drill.setdefault(drill.id, []).append((claim, drill))
    work = [
        _work(name, newest.get(drill), own, by_drill.get(drill, []), today)
        for drill in dict.fromkeys([*newest, *by_drill])
    ]
    notes = {(note.day, note.text): note for claim in claims for note in claim.file.reply.notes or ()}
    remarks = dict.fromkeys(claim.remark for claim in claims if claim.remark)
    return Student(name, tuple(work), tuple(own), tuple(notes[key] for key in sorted(notes)), tuple(remarks))


def _work(
    name: str,
    newest: Handed | None,
    own: Sequence[Handed],
    replies: Sequence[tuple[Claim, DrillReply]],
    today: date,
) -> Work:
    if not replies:
        return Work(name, newest, None, None, None, today)
    drill = together([reply for _, reply in replies])
    tasks = {reply.assignment.id for _, reply in replies if reply.assignment}
    practised = next((one for one in own if one.id in tasks), None)
    remarks = [claim.remark for claim, _ in replies]
    if any(claim.file.edited for claim, _ in replies):
        remarks.append("the reply was changed after it was written")
    if len({_player(claim.file) for claim, _ in replies}) > 1:
        remarks.append(f"put together from {len(replies)} machines")
    if drill.entered >= ENTERED_FROM:
        remarks.append(f"{percent(drill.entered)} entered afterwards")
    reply_day = max(claim.file.reply.day for claim, _ in replies)
    # A reply of the day of the new file may have been written before it.
    if newest and practised and newest is not practised and reply_day > newest.day:
        remarks.append(f"still practises what you assigned on {full_day(practised.day)}")
    asked = next((reply.assignment.student for _, reply in replies if reply.assignment), "")
    if asked and not same_name(asked, name.partition(" (")[0]):
        remarks.append(f"practises a file assigned to {asked}")
    told = tuple(dict.fromkeys(one for one in remarks if one))
    return Work(name, newest, practised, drill, reply_day, today, told)


def _shared(students: Sequence[Student], handed: Sequence[Handed]) -> list[Shared]:
    """Nodes and moves that fail with several of the class. Who was handed nothing here counts for nobody else."""
    known = [one for one in students if one.handed] if handed else list(students)
    plays: Counter[tuple[str, str]] = Counter()
    fails: dict[tuple[str, str], list[str]] = {}
    for student in known:
        drills = [work.drill for work in student.work if work.drill]
        places = {("node", place_name(one.key)) for drill in drills for one in drill.nodes}
        plays.update(places | {("move", place_name(one.key)) for drill in drills for one in drill.moves})
        for kind, name in {
            (need.kind, place_name(need.subject)) for _, need in student.needs if need.subject
        }:
            fails.setdefault((kind, name), []).append(student.name)
    shared = [
        Shared(name, kind, tuple(sorted(names)), plays[kind, name])
        for (kind, name), names in fails.items()
        if len(names) >= ALL_FROM and len(names) >= ALL_PART * plays[kind, name]
    ]
    return sorted(shared, key=lambda one: (-len(one.students), one.name))
