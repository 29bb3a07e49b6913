"""What a plan asks of the log beside what was learnt: practised time by day, when it hurt, drills in and out of it."""

from __future__ import annotations

from datetime import date, timedelta

from coach.learning.learning import Learnt
from coach.learning.material import RATING_S
from coach.learning.planner import History
from coach.log.entries import Entry
from coach.log.log import Log

WEEKS_BACK_DAYS = 28


def history_of(log: Log, learnt: Learnt, day: date) -> History:
    """What the planner needs of the four weeks up to a day."""
    hurt = frozenset(entry.day for entry in log.entries("hurt"))
    since = (day - timedelta(days=WEEKS_BACK_DAYS)).toordinal()
    minutes = {
        date.fromordinal(number): (duration_ms / 1000 + reps * RATING_S) / 60
        for number, (reps, duration_ms) in learnt.days.items()
        if since <= number
    }
    return History(minutes, hurt)


def drills_taken_up(log: Log) -> dict[str, bool]:
    """Ids of the drills that the player has taken up (true) or set aside (false), the latest word of each."""
    return {
        _drill_in(entry): entry.kind == "take-up"
        for entry in log.entries()
        if entry.kind in ("set-aside", "take-up")
    }


def _drill_in(entry: Entry) -> str:
    """The drill that a set-aside or take-up entry names; empty where its body names none."""
    drill = entry.body.get("drill")
    return drill if isinstance(drill, str) else ""
