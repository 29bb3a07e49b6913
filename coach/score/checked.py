"""A drill's text with everything that `coach check` says about it: the reader's problems and how it plays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import islice

from coach.ground.problem import Problem
from coach.ground.source import MAX_PROBLEMS, Report, split_lines
from coach.music.playability import check_playability
from coach.score.keys import DRILL_FILE
from coach.score.load import read_reading
from coach.score.reading import Reading, with_places
from coach.strings.instrument import Instrument
from coach.strings.own import on_own


def checked(text: str, where: str, own: Sequence[Instrument] = ()) -> Reading:
    """The reading with the problems of playing added, each at its event, all in the order of the text.

    Reach and moves are judged on the player's `own` instrument where one fits.
    What can't be played at all is an error, but the drill stays in the reading: loading it for practice asks less.
    """
    reading = read_reading(text, where)
    if reading.drill is None:
        return reading
    report = Report(where, split_lines(text), DRILL_FILE)
    lying = replace(reading.drill, instrument=on_own(reading.drill.instrument, own))
    for finding in islice(check_playability(lying), MAX_PROBLEMS):
        event = reading.drill.phrases[finding.phrase].bars[finding.bar].events[finding.event]
        spot = reading.events.get((finding.phrase, finding.bar, finding.layer, event.beat))
        field = f"phrases[{finding.phrase}]"
        say = report.error if finding.severity == "error" else report.warn
        say(spot, finding.message, finding.guess, field)
    # A bar that is played several times is said once.
    problems = list(dict.fromkeys([*reading.problems, *with_places(report.problems, reading.root)]))
    problems.sort(key=lambda problem: (problem.line, problem.column))
    if len(problems) > MAX_PROBLEMS:
        more = Problem("and more problems; fix these first", where, severity="warning")
        problems = [*problems[:MAX_PROBLEMS], more]
    reading.problems = problems
    return reading
