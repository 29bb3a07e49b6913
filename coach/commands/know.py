"""`coach know DRILL[/PHRASE] BPM`: say at which tempo a drill or a phrase is played already, or take that back."""

from __future__ import annotations

from datetime import date

from coach.commands.common import clock, say
from coach.commands.options import BPM, Arguments, Options
from coach.commands.plan import desk_at
from coach.folder.library import named_phrase
from coach.ground.plain import plain_text
from coach.ground.problem import CoachError, UsageError
from coach.learning.known import known_of
from coach.log.entries import practice_day
from coach.session.desk import Desk
from coach.words.amounts import short_day, tempo


def configure(options: Options) -> None:
    options.log()
    options.text(
        "drill DRILL[/PHRASE]",
        "a drill, or one of its phrases; leave it out to list what you said",
        nargs="?",
    )
    options.whole(
        "bpm BPM",
        BPM,
        "about how fast you play it: counts as clean passes there; what is harder starts slower",
        nargs="?",
    )
    options.flag("--undo", "take back what you said about it")


def run(arguments: Arguments) -> int:
    name, _, phrase = arguments.drill.partition("/") if arguments.drill else ("", "", "")
    _check(arguments)
    with desk_at(arguments, (name,) if name else (), read_only=not name) as desk:
        if not name:
            _list(desk)
            return 0
        drill = desk.library.drills[0]
        phrase = named_phrase(drill, phrase, phrase).id if phrase else ""
        refusal = desk.know(drill, phrase, arguments.bpm or 0)
        if refusal:
            raise CoachError(refusal.problems)
    what = plain_text(drill.phrase(phrase).name if phrase else drill.title)
    if arguments.undo:
        say(f"{what}: taken back; only your repetitions count")
    else:
        alone = phrase or len(drill.phrases) == 1
        slower = (
            "harder places start slower" if alone else "harder phrases, and the whole piece, start slower"
        )
        say(f"{what}: counts as clean passes at about {tempo(arguments.bpm)} until you play it; {slower}")
    return 0


def _check(arguments: Arguments) -> None:
    """UsageError where the words do not make one request."""
    if not arguments.drill and not arguments.undo:
        return
    if not arguments.drill or (arguments.bpm is None) != arguments.undo:
        needed = "either a tempo or --undo" if arguments.drill else "a drill"
        guess = f"coach know {arguments.drill or 'small-bells'} {'60' if arguments.drill else '--undo'}"
        raise UsageError(f"needs {needed}", "know", guess=guess)
    day, today = practice_day(*clock(arguments.date)), practice_day(*clock())
    if day > today:
        raise UsageError(f"{day} is yet to come; today is {today}", "--date", guess="say it on that day")


def _list(desk: Desk) -> None:
    known = known_of(desk.log.entries("known"))
    titles = {drill.id: plain_text(drill.title) for drill in desk.library.drills}
    for one in known:
        drill, names = one.excerpts[0][0].drill, ", ".join(excerpt.phrases[0] for excerpt, _ in one.excerpts)
        day = short_day(date.fromordinal(one.day), desk.today)
        say(f"{day}  {titles.get(drill, drill)}: {names} at about {tempo(one.bpm)}")
    if not known:
        say("Nothing yet. `coach know DRILL BPM` says that you already play a drill.")
