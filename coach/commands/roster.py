"""`coach roster FOLDER`: a teacher's overview of any number of students' files."""

from __future__ import annotations

import argparse
import sys

from coach.commands.common import add_output, clock, say, write_output
from coach.ground.places import user_path
from coach.ground.plain import json_text
from coach.log.entries import practice_day
from coach.report.inbox import read_folder
from coach.report.roster import overview, roster_csv, roster_facts, roster_lines, roster_page
from coach.words.amounts import short_day

SORT_NAMES = ("drill", "student", "due", "minutes", "rung", "cold", "last")


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("directory", metavar="FOLDER", help="folder with your students' files")
    parser.add_argument(
        "--sort",
        choices=SORT_NAMES,
        default="drill",
        help="rung, cold and last put first who needs a look first",
    )
    parser.add_argument("--date", metavar="YYYY-MM-DD", default="", help="as of this day (default: today)")
    forms = parser.add_mutually_exclusive_group()
    forms.add_argument("--json", action="store_true", help="print JSON")
    forms.add_argument("--csv", action="store_true", help="for a spreadsheet")
    forms.add_argument("--html", action="store_true", help="a page that stands alone and prints well")
    parser.add_argument("--folder", metavar="DIR", help=argparse.SUPPRESS)
    add_output(parser, "file to write (default: -)")


def run(arguments: argparse.Namespace) -> int:
    today = practice_day(*clock(arguments.date))
    files, problems = read_folder(user_path(arguments.directory))
    for problem in problems:
        say(f"coach: {problem}", to=sys.stderr)
    rows = overview(files, today, arguments.sort)
    # A student's next report repeats the notes of the one before.
    notes = list(
        dict.fromkeys(
            (file.reply.student.name, note.day, note.text)
            for file in files
            for note in file.reply.notes or ()
        )
    )
    if arguments.json:
        facts = {"rows": roster_facts(rows), "problems": [str(problem) for problem in problems]}
        text = json_text(facts, indent=1) + "\n"
    elif arguments.csv:
        text = roster_csv(rows)
    elif arguments.html:
        text = roster_page(rows, notes, today)
    else:
        written = (f"{student}, {short_day(day, today)}: {note}" for student, day, note in notes)
        text = "\n".join([*roster_lines(rows), *written]) + "\n"
    write_output(arguments.output or "-", text, [file.path for file in files])
    return 1 if any(problem.severity == "error" for problem in problems) else 0
