"""Whether the teacher's first page names who needs help, with what, and nobody else: thirty simulated students.

Each class (`benchmarks/students.py`) is handed its drill, practises and replies by the commands themselves; what the
overview then says of each student is held against what is true of him. Even seeds are those on which the advice was
tuned, odd ones those of the result.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from scipy.stats import binomtest

from benchmarks.players import FIRST_DAY, Played
from benchmarks.students import NOW_AFTER, WORST_FIRST, Simulated, Trouble, classroom
from coach.cli import main as coach
from coach.log.entries import Entry, Rep, new_id
from coach.log.lines import line_of
from coach.log.log import Log
from coach.report.classroom import read_class
from coach.score.load import load_drill
from coach.score.write import write_drill

TODAY = date.fromordinal(FIRST_DAY + NOW_AFTER)


def quietly(*words: str) -> None:
    """A command whose words nobody needs; RuntimeError with them where it fails."""
    told = io.StringIO()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
        status = coach([*words])
    if status:
        raise RuntimeError(f"coach {' '.join(words)}: {told.getvalue()}")


def hand_out_and_reply(folder: Path, students: Sequence[Simulated]) -> None:
    """The teacher's folder of a class: drills handed out on the first day, and the replies in `replies/`."""
    (folder / "replies").mkdir(parents=True)
    first = date.fromordinal(FIRST_DAY).isoformat()
    for number, student in enumerate(students):
        task, drill_file = student.assigned.assignment, folder / f"{number}.yaml"
        drill_file.write_text(write_drill(student.assigned), encoding="utf-8")
        handed = folder / "handed" / f"{number}.yaml"
        handed.parent.mkdir(exist_ok=True)
        due = date.fromordinal(student.due).isoformat()
        words = ["assign", str(drill_file), "--to", student.name, "--due", due, "-o", str(handed)]
        quietly(*words, "--goal", str(task.goal_bpm if task else 0), "--folder", str(folder), "--date", first)
        if student.replied is not None:
            _practise_and_reply(folder, number, student, handed)


def _practise_and_reply(folder: Path, number: int, student: Simulated, handed: Path) -> None:
    machines = 2 if student.role == "two machines" else 1
    for machine in range(machines):
        home = folder / "homes" / f"{number}-{machine}"
        reps = [rep for rep in student.reps if rep.day % machines == machine]
        answers = home.with_suffix(".txt")
        answers.parent.mkdir(parents=True, exist_ok=True)
        answers.write_text("stop\n")
        first, last = (
            date.fromordinal(FIRST_DAY).isoformat(),
            date.fromordinal(student.replied or 0).isoformat(),
        )
        practice = ["practice", str(handed), "--answers", str(answers), "--date", first]
        quietly(*practice, "--folder", str(home), "--player", student.name)
        _change_copy(home, student)
        _write_log(home / "progress" / "log", student, reps, number)
        reply = str(folder / "replies" / f"{number}-{machine}.json")
        quietly("report", "--for-teacher", "--yes", "--folder", str(home), "--date", last, "-o", reply)


def _change_copy(home: Path, student: Simulated) -> None:
    """What a student did to his own file: another title, or a node cut out."""
    if student.copy is student.assigned:
        return
    (path,) = (home / "drills").glob("*.yaml")
    handed = load_drill(path)
    path.write_text(write_drill(replace(student.copy, assignment=handed.assignment)), encoding="utf-8")


def _write_log(folder: Path, student: Simulated, reps: Sequence[Played], number: int) -> None:
    """The repetitions as a file of the log, one a line."""
    noon = datetime.combine(date.fromordinal(FIRST_DAY), time(18), UTC)
    at_ms = round(noon.timestamp() * 1000)
    with Log.open(folder, student.name, now_ms=at_ms) as log:
        player, lines, seen, day = log.player.id, list[bytes](), set[str](), 0
        for serial, rep in enumerate(reps):
            logged = rep.part.passage.logged
            if logged.id not in seen:
                seen.add(logged.id)
                lines.append(line_of(logged))
            if rep.day != day:
                day = rep.day
                at_ms = round((noon + timedelta(days=day - FIRST_DAY)).timestamp() * 1000)
            seconds = rep.part.rep_s(rep.bpm)
            at_ms += round(1000 * seconds)
            rep_id = new_id(at_ms, hashlib.blake2b(f"{number} {serial}".encode(), digest_size=10).digest())
            goal_bpm, lasted_ms = rep.part.goal_bpm, round(1000 * (seconds - 4))
            line = Rep(
                rep_id, player, at_ms, 0, logged.id, rep.part.key, rep.bpm, goal_bpm, rep.faults, rep.bpm,
                "climb", duration_ms=lasted_ms,
            )  # fmt: skip
            lines.append(line_of(line))
        if student.role == "typed":
            entry_id = new_id(at_ms, hashlib.blake2b(b"typed", digest_size=10).digest())
            body = {"reps": {student.copy.id: len(reps)}}
            lines.append(line_of(Entry(entry_id, player, at_ms, 0, "answers", body)))
        (folder / f"simulated-{number}.jsonl").write_bytes(b"".join(lines))


@dataclass(frozen=True, slots=True)
class Outcome:
    """One student: what is true, and what the first page says."""

    student: Simulated
    named: tuple[Trouble, ...]

    @property
    def in_trouble(self) -> bool:
        return bool(self.student.troubles)

    @property
    def without(self) -> bool:
        return not self.student.troubles and not self.student.unsure

    @property
    def right(self) -> bool:
        return bool(set(self.named) & set(self.student.right))


def outcomes(seed: int, folder: Path) -> list[Outcome]:
    """The class of a seed as its teacher's first page shows it."""
    students = classroom(seed)
    hand_out_and_reply(folder, students)
    pages = {one.name: one.first_page for one in read_class(folder / "replies", folder, TODAY).students}
    return [
        Outcome(student, tuple((need.kind, need.subject) for need in pages[student.name]))
        for student in students
    ]


def share(name: str, hits: Sequence[bool]) -> str:
    """A line of the result."""
    # Wilson 1927.
    low, high = binomtest(sum(hits), len(hits)).proportion_ci(0.9, method="wilson") if hits else (0.0, 1.0)
    return (
        f"{name}: {sum(hits)} of {len(hits)}, {sum(hits) / max(len(hits), 1):.2f} ({low:.2f} to {high:.2f})"
    )


def lines(seen: Sequence[Outcome]) -> Iterable[str]:
    """What came of it, in all and by the worst trouble of each."""
    yield share("in trouble, named with the right trouble", [one.right for one in seen if one.in_trouble])
    yield share("without trouble, named all the same", [bool(one.named) for one in seen if one.without])
    between = sum(not one.in_trouble and not one.without for one in seen)
    yield f"neither clearly in trouble nor clearly without: {between}"
    for kind in WORST_FIRST:
        of_kind = [one.right for one in seen if one.in_trouble and one.student.troubles[0][0] == kind]
        if of_kind:
            yield "  " + share(kind, of_kind)


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.classroom", description=__doc__)
    parser.add_argument("--classes", type=int, default=10, metavar="N", help="how many (default: 10)")
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="the first, then every other (default: 1)"
    )
    parser.add_argument("--show", action="store_true", help="name each student who was not seen rightly")
    options = parser.parse_args(argv)
    seen: list[Outcome] = []
    for seed in range(options.seed, options.seed + 2 * options.classes, 2):
        with tempfile.TemporaryDirectory() as folder:
            of_class = outcomes(seed, Path(folder))
        seen += of_class
        for one in of_class:
            wrong = one.named if one.without else one.in_trouble and not one.right
            if options.show and wrong:
                print(
                    f"{seed} {one.student.name} ({one.student.role}): {one.student.troubles}, named {one.named}"
                )
    print(f"seeds {options.seed} to {options.seed + 2 * options.classes - 2}, 90 % intervals")
    print("\n".join(lines(seen)), flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
