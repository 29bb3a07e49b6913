"""`coach practice`: today's session on the screen, or practice done elsewhere entered from an answers file."""

from __future__ import annotations

import gc
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime, time
from typing import TYPE_CHECKING

from coach.commands.common import clock, folder_lines, fresh_id, places_of, say, stamp, warn
from coach.commands.options import Arguments, Options
from coach.folder.settings import adopt_settings, usual_settings
from coach.ground.places import user_path
from coach.ground.plain import counted, plain_text
from coach.ground.problem import CoachError, UsageError
from coach.log.entries import Entry, Rep, iso_time
from coach.music.drill import Drill
from coach.words.amounts import full_day
from coach.words.stretch import PIECE, excerpt_at

if TYPE_CHECKING:
    from coach.session.answers import Answer
    from coach.session.desk import Desk
    from coach.session.entered import HandClock
    from coach.session.host import Practice

Clock = Callable[[], tuple[int, int]]
EVENING_HOUR = 18
"""Local hour at which an entered practice day starts."""


def configure(options: Options) -> None:
    options.session()
    options.text(
        "--through RUN",
        "play a drill from start to end, or from phrase A to phrase B",
        nargs="?",
        const=PIECE,
        default="",
    )
    options.text(
        "--answers FILE", "enter practice that you did away from the screen (see docs/answers-file.md)"
    )


def run(arguments: Arguments) -> int:
    if arguments.answers:
        if arguments.through:
            raise UsageError("plays on the screen; an answers file says itself what was played", "--through")
        return _enter_answers(arguments)
    in_browser = bool(os.environ.get("TEXTUAL_DRIVER"))
    if not in_browser and not (sys.stdin.isatty() and sys.stdout.isatty()):
        if arguments.drills:
            from coach.folder.library import named_drills

            named_drills(arguments.drills, places_of(arguments))
        raise CoachError(
            "a session needs a terminal",
            "practice",
            guess="run it in a terminal window, or enter what you played with --answers FILE",
        )
    # Nothing that is made until the first frame is garbage; looking for some takes a tenth of the start. The app
    # turns the collector on again once that frame stands.
    gc.disable()
    try:
        return _on_screen(arguments)
    finally:
        gc.enable()


def _desk(
    arguments: Arguments, clock: Clock, silent: bool, is_student: Callable[[str], bool] | None = None
) -> Desk:
    from coach.session.desk import Desk

    return Desk.open(
        places_of(arguments),
        clock=clock,
        player=arguments.player,
        names=arguments.drills,
        minutes=arguments.minutes,
        silent=silent,
        anyway=arguments.anyway,
        is_student=is_student,
    )


def _on_screen(arguments: Arguments) -> int:
    adopt_settings(places_of(arguments).settings, usual_settings())
    if arguments.through and len(arguments.drills) != 1:
        raise UsageError(
            "plays one drill; name one", "--through", guess="coach practice small-bells --through"
        )
    is_student = _is_student if sys.stdin.isatty() else None
    with _desk(arguments, _clock_on(arguments.date), arguments.silent, is_student) as desk:
        if arguments.through:
            desk.run = _run_in(desk.library.drills[0], arguments.through)
        desk.first_words = tuple(_copied_lines(arguments))
        from coach.tui.app import CoachApp

        app = CoachApp(desk)
        app.run()
        say(*app.last_words, *desk.log.last_words(), f"practice log: {desk.log.folder}", *desk.first_words)
    return 0


def _is_student(name: str) -> bool:
    """Ask a player without a name of their own; the end of the input is a no."""
    name = plain_text(name)
    say(f"This file is for {name}. Is that you? Your practice gets that name then. [y/n] ", end="")
    sys.stdout.flush()
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _run_in(drill: Drill, text: str) -> str:
    """The text where it names a run of the drill's phrases; CoachError with those that there are."""
    try:
        excerpt_at(drill, text)
    except KeyError as missing:
        known = ", ".join(drill.played)
        message = f"{plain_text(drill.title)} has no {missing.args[0]!r}; it plays {known}"
        raise CoachError(message, "--through", guess="A..B with two of them, or nothing") from None
    return text


def _copied_lines(arguments: Arguments) -> list[str]:
    """Where a drill file that was named is kept, when that is elsewhere."""
    is_file = any(os.path.isfile(user_path(name)) for name in arguments.drills)
    return folder_lines(arguments) if is_file else []


def _clock_on(date_text: str) -> Clock:
    """The running clock, moved to the practice day of `--date` where it says one."""
    if not date_text:
        return clock
    start_ms, offset_min = clock(date_text)
    moved_ms = start_ms - clock()[0]
    return lambda: (clock()[0] + moved_ms, offset_min)


def _enter_answers(arguments: Arguments) -> int:
    from coach.session.answers import check_days, load_answers
    from coach.session.entered import digest_of, hours_before

    answers = load_answers(arguments.answers)
    hand_clock = hours_before(*clock(arguments.date))
    with _desk(arguments, hand_clock, silent=True) as desk:
        warn(*desk.notices)
        check_days(answers, arguments.answers, desk.today)
        named = [drill.id for drill in desk.library.drills] if arguments.drills else []
        digest = digest_of(answers, desk.today, named)
        _refuse_second(desk, arguments.answers, digest)
        # All or nothing: the whole file is entered in memory first, and what came of it written at once.
        trial = desk.log.trial()
        lines: list[str] = []
        _enter(answers, arguments.answers, replace(desk, log=trial), hand_clock, lines)
        reps = [word[0] for word in trial.sent if isinstance(word, tuple)]
        # First, so that a power cut in the middle leaves nothing that the same file would double.
        desk.log.send_all([*_remembered(desk, reps, digest), *trial.sent])
        say(*lines, f"logged in {desk.log.folder}", *_copied_lines(arguments))
    return 0


def _refuse_second(desk: Desk, where: str, digest: str) -> None:
    """CoachError where this file was entered already."""
    from coach.session.entered import entered_before

    before = entered_before(desk.log, digest)
    if before is None:
        return
    when = iso_time(before.entry.at_ms, before.entry.utc_offset_min)[:16].replace("T", " ")
    message = f"was entered already on {when}: {counted(before.reps, 'repetition')}; nothing is logged"
    guess = "add what is new in a file of its own"
    if not before.whole:
        message += ". The machine stopped while they were written, so the last are missing"
        guess = "`coach log show` lists what was saved; enter the rest in a file of its own"
    raise CoachError(message, where, guess=guess)


def _remembered(desk: Desk, reps: Sequence[Rep], digest: str) -> list[Entry]:
    """The entry that says what is entered; none where nothing is."""
    if not reps:
        return []
    now_ms, offset_min = clock()
    counts = Counter(rep.excerpt.partition(":")[0] for rep in reps)
    body = {"digest": digest, "reps": dict(counts), "last": reps[-1].id}
    return [Entry(fresh_id(now_ms), desk.log.player.id, now_ms, offset_min, "answers", body)]


def _enter(
    answers: Sequence[Answer], where: str, desk: Desk, hand_clock: HandClock, lines: list[str]
) -> None:
    from coach.session.entered import enter

    def begin() -> Practice:
        reps = desk.log.reps(since=desk.today, until=desk.today)
        if reps:
            hand_clock.now_ms = max(hand_clock.now_ms, reps[-1].at_ms + 1)
        return desk.practice(desk.plan(), adapts=False)

    today, first_ms, offset_min = desk.today, hand_clock.now_ms, hand_clock.utc_offset_min

    def set_day(day: date) -> None:
        start = (first_ms, offset_min) if day == today else evening(day)
        hand_clock.now_ms, hand_clock.utc_offset_min = start

    enter(answers, where, hand_clock, begin, set_day, lambda practice: lines.extend(_result_lines(practice)))


def evening(day: date) -> tuple[int, int]:
    """The moment at which an entered practice day starts: UTC in ms, local offset in minutes."""
    return stamp(datetime.combine(day, time(EVENING_HOUR)).astimezone())


def _result_lines(practice: Practice) -> Iterator[str]:
    from coach.session.summary import summarise

    for notice in practice.take_notices():
        yield f"  {plain_text(str(notice))}"
    summary = summarise(practice.session, 0, 0)
    if not summary.excerpts:
        return
    logged = f"{counted(summary.reps, 'repetition')} logged, {summary.rate}"
    yield f"{full_day(practice.session.day)}: {logged}"
    for excerpt in summary.excerpts:
        yield f"  {excerpt.name}: {', '.join(excerpt.facts)}"
