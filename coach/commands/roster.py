"""`coach roster FOLDER`: the teacher's overview of a class, from what was assigned and what the students replied."""

from __future__ import annotations

from coach.commands.common import clock, places_of, warn, write_told
from coach.commands.options import Arguments, Options
from coach.ground.fields import did_you_mean
from coach.ground.places import user_path
from coach.ground.plain import counted, json_text, listed
from coach.ground.problem import CoachError
from coach.ground.source import nearest
from coach.log.entries import practice_day
from coach.report.advice import KINDS
from coach.report.classroom import Classroom, read_class
from coach.report.overview import chosen, class_csv, class_facts
from coach.report.overview_lines import class_lines, student_lines

_NEEDS = ", ".join(f"{kind} ({word})" for kind, (word, _first) in KINDS.items())


def configure(options: Options) -> None:
    options.text("directory FOLDER", "folder with your students' replies")
    options.texts("--student NAME", "only these students; for one, their whole page")
    options.text("--drill DRILL", "only this drill, by title or id", default="")
    options.add_argument("--need", choices=KINDS, default="", help=f"only students with this need: {_NEEDS}")
    options.text("--date YYYY-MM-DD", "as of this day (default: today)", default="")
    options.forms("a CSV table, for a spreadsheet")
    options.text("--folder DIR", "your practice folder, in which `coach assign` noted the assignments")
    options.output("file to write (default: -)")


def run(arguments: Arguments) -> int:
    today = practice_day(*clock(arguments.date))
    inbox, folder = user_path(arguments.directory), places_of(arguments).folder
    whole = read_class(inbox, folder, today)
    warn(*whole.problems)
    if not whole.problems and not any(student.replied for student in whole.students):
        warn(f"{arguments.directory}: no replies are in this folder")
    _refuse_unknown(arguments, whole)
    shown = chosen(whole, arguments.student, arguments.drill, arguments.need)
    if whole.students and not shown.students:
        raise CoachError("no student in the class matches all of what is asked for")
    inputs = [path for path in inbox.iterdir() if path.is_file()]
    told = f": {counted(len(shown.students), 'student')}"
    write_told(arguments.output, _text(arguments, shown), told, inputs)
    return 1 if any(problem.severity == "error" for problem in whole.problems) else 0


def _refuse_unknown(arguments: Arguments, whole: Classroom) -> None:
    """CoachError for a student or a drill that is not in the class, with those that are."""
    names = [one.name for one in whole.students]
    drills = dict.fromkeys(work.title for one in whole.students for work in one.work)
    wanted = [("--student", name, names) for name in arguments.student]
    wanted += [("--drill", arguments.drill, list(drills))] if arguments.drill else []
    for option, name, known in wanted:
        asked = ([name], "") if option == "--student" else ([], name)
        if known and not chosen(whole, *asked).students:
            message = f"found {name!r}, expected one of {listed(known, 12)}"
            raise CoachError(message, option, guess=did_you_mean(nearest(name, known)))


def _text(arguments: Arguments, shown: Classroom) -> str:
    if arguments.json:
        return json_text(class_facts(shown), indent=1) + "\n"
    if arguments.csv:
        return class_csv(shown)
    if arguments.html:
        # The class in a terminal needs nothing of the page's drawings, a quarter of the start.
        from coach.report.overview_page import class_page

        return class_page(shown)
    if len(arguments.student) == 1 and shown.students:
        return "\n".join(student_lines(shown.students[0], shown)) + "\n"
    return "\n".join(class_lines(shown)) + "\n"
