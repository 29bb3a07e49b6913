"""`coach report`: the progress in the terminal, as JSON, CSV or a page, and a student's report for the teacher."""

from __future__ import annotations

import os
import shutil
import sys

from coach.commands.common import (
    clock,
    places_of,
    say,
    warn,
    write_told,
)
from coach.commands.instrument_options import own_of
from coach.commands.options import Arguments, Options
from coach.folder.library import find_drill, load_library
from coach.ground.plain import json_text
from coach.ground.problem import CoachError, UsageError
from coach.log.entries import practice_day
from coach.log.log import Log
from coach.music.drill import Drill
from coach.report.figures import make_report
from coach.report.lines import report_lines
from coach.report.page import report_page
from coach.report.reply import reply_text
from coach.report.student import contents, student_reply
from coach.report.tables import report_csv, report_facts
from coach.score.load import load_drill


def configure(options: Options) -> None:
    options.log()
    options.text("drills DRILL", "only this drill, by file, name, id or title", nargs="*")
    options.since("from this practice day on (default: 90 days)")
    forms = options.forms("a CSV table, one row per phrase, node and move, for a spreadsheet")
    options.flag("--for-teacher", "your reply to your teacher: these drills, or all assigned ones", forms)
    options.flag("--without-notes", "leave your notes out of the reply")
    options.flag("--yes", "write the reply without asking")
    options.output("file to write (default: -)")


def run(arguments: Arguments) -> int:
    if len(arguments.drills) > 1 and not arguments.for_teacher:
        raise UsageError("a report is about one drill or about all", "DRILL", guess="name one")
    if arguments.without_notes and not arguments.for_teacher:
        raise UsageError("only goes with --for-teacher", "--without-notes")
    at_ms, offset_min = clock(arguments.date)
    day = practice_day(at_ms, offset_min)
    since = arguments.since
    if since and since > day:
        raise UsageError(f"{since} is after {day}", "--since")
    with Log.open(places_of(arguments).log, arguments.player, now_ms=at_ms, read_only=True) as log:
        warn(*log.notices)
        if arguments.for_teacher:
            return _for_teacher(arguments, log, at_ms, offset_min)
        drills = _drills(arguments)
        chosen = _drill_id(arguments.drills[0], arguments, log, drills) if arguments.drills else ""
        report = make_report(log, day, since, chosen, drills)
    if arguments.json:
        text = json_text(report_facts(report), indent=1) + "\n"
    elif arguments.csv:
        text = report_csv(report)
    elif arguments.html:
        text = report_page(report, drills)
    else:
        width = min(shutil.get_terminal_size((80, 24)).columns, 120)
        text = "\n".join(report_lines(report, drills, width, _in_colour(arguments))) + "\n"
    write_told(arguments.output, text, "")
    return 0


def _in_colour(arguments: Arguments) -> bool:
    """Whether colours go out: to a terminal that has them, unless NO_COLOR says no (no-color.org)."""
    to_terminal = arguments.output in (None, "-") and sys.stdout.isatty()
    return to_terminal and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def _drills(arguments: Arguments) -> tuple[Drill, ...]:
    """Every drill at hand, for titles, goals and necks; a report never fails for a faulty drill file."""
    return load_library(places_of(arguments)).on_own(own_of(arguments)).drills


def _drill_id(name: str, arguments: Arguments, log: Log, drills: tuple[Drill, ...]) -> str:
    """The id of the drill that is asked for by name, id, title or file."""
    for drill in drills:
        if name in (drill.id, drill.title):
            return drill.id
    if any(excerpt.startswith(f"{name}:") for excerpt in log.titles()):
        return name
    return load_drill(find_drill(name, places_of(arguments))).id


def _for_teacher(arguments: Arguments, log: Log, at_ms: int, offset_min: int) -> int:
    drills = _drills(arguments)
    if arguments.drills:
        ids = {_drill_id(name, arguments, log, drills) for name in arguments.drills}
        chosen = [drill for drill in drills if drill.id in ids]
        missing = ids - {drill.id for drill in chosen}
        if missing:
            raise CoachError(f"the drill file of {', '.join(sorted(missing))} is not here", "DRILL")
    else:
        chosen = [drill for drill in drills if drill.assignment]
        if not chosen:
            raise UsageError(
                "no drill here has an assignment", "--for-teacher", guess="name the drills to report on"
            )
    reply = student_reply(log, chosen, at_ms, offset_min, not arguments.without_notes)
    say(*contents(reply), to=sys.stderr)
    if not arguments.yes and arguments.output not in (None, "-"):
        say("Write it? [y/N] ", end="", to=sys.stderr)
        answer = sys.stdin.readline()
        if answer.strip().lower() not in ("y", "yes"):
            say("nothing was written" + ("" if answer else "; --yes writes it without asking"), to=sys.stderr)
            return 1
    write_told(arguments.output, reply_text(reply), "; send it to your teacher")
    return 0
