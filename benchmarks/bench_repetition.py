"""What a key that starts a repetition waits for on the interface's own thread, where the tempo changes in each bar.

Each start is a passage's first: nothing of it was worked out before but where its events are. The sound card is left
out, and so is the screen. Times are processor time.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from statistics import median

from benchmarks.bench_drillfile import HEAD
from benchmarks.measure import Goal, Measure, Options, Row, beside, cpu_ms, in_turns
from coach.folder.settings import PracticeSettings
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.log.log import Log
from coach.music.drill import Drill
from coach.music.excerpt import whole_phrase
from coach.score.load import read_drill
from coach.session.entered import HandClock
from coach.session.events import Go, Listen, SessionEvent
from coach.session.host import Practice
from coach.sound.engine import Engine

DAY = date(2026, 3, 2)
NOON_MS = 1_772_452_800_000


SHORT, HALF, LONG = (f"{bars} bars with a tempo in each" for bars in ("32", "1,000", "2,000"))
HARDEST = "2,000 bars and 10,000 notes with a meter and a gradual tempo in each"


def repeating(options: Options) -> Iterator[Row]:
    drills = {SHORT: one_phrase(32), HALF: one_phrase(1000), LONG: one_phrase(2000)}
    drills[HARDEST] = one_phrase(
        2000, " to 70%, meter: 5/4, harmonics: '1 G:<7>, 2 D:<7>, 3 G:<5>, 4 G:<7>, 5 G:<4>'"
    )
    with (
        tempfile.TemporaryDirectory() as folder,
        Log.open(Path(folder) / "log", "Ada", now_ms=NOON_MS) as log,
    ):
        works = {
            f"{name} {event.__name__}": start_ms(log, drill, event())
            for name, drill in drills.items()
            for event in (Go, Listen)
        }
        taken = in_turns(works, 3 if options.quick else 7)
    for name in (SHORT, LONG, HARDEST):
        go, listen = (median(taken[f"{name} {event}"]) for event in ("Go", "Listen"))
        yield Row(f"start a repetition of {name}", "ms", go, goal=Goal(50, "ms"))
        yield Row("its model", "ms", listen, goal=Goal(50, "ms"))
    halves = [ms / 2 for ms in taken[f"{LONG} Go"]]
    yield beside("half of the start of 2,000 bars", "ms", HALF, halves, taken[f"{HALF} Go"], Goal(1.5))


USUAL = ", bass: 1 E:0 for 4, harmonics: '1 G:<12>, 2 D:<7>, 3 G:<5>'"


def one_phrase(bars: int, rest: str = USUAL) -> Drill:
    """A drill of one phrase whose tempo changes in each bar; `rest` is what a bar has after the number of its tempo."""
    lines = [f"      - {{tempo: {60 + 7 * bar % 80}%{rest}}}" for bar in range(bars)]
    drill, problems = read_drill("\n".join([HEAD + "  - name: all of it\n    bars:", *lines]), "bars.yaml")
    assert drill is not None, problems[:3]
    return drill


def start_ms(log: Log, drill: Drill, event: SessionEvent) -> Measure:
    """The start in a session of its own; in a round, where most is worked out beforehand."""
    item = PlanItem(Purpose.CLIMB, 60, "Climb.", whole_phrase(drill, drill.phrases[0]), reps=6)

    def measure() -> float:
        practice = Practice(
            log,
            Plan(DAY, 60, (item,), drills=frozenset({drill.id})),
            [drill],
            clock=HandClock(NOON_MS, 0),
            player=Engine(),
            settings=PracticeSettings(pause_s=0),
        )
        return cpu_ms(lambda: practice.send(event))()

    return measure
