"""`coach forecast DRILL`: when its piece is likely at its goal tempo and when kept, with a spread."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from datetime import date
from typing import Any

from coach.commands.common import tell
from coach.commands.options import MINUTES, Arguments, Options, Within
from coach.commands.plan import desk_at
from coach.ground.plain import counted, listed, plain_text
from coach.learning.forecast import DRAWS, FEW_DAYS, Forecast, Span, forecast
from coach.learning.learning import Learnt
from coach.learning.material import Material, material_of
from coach.music.drill import Drill
from coach.words.amounts import duration, full_day, percent, tempo
from coach.words.names import place_name

WEAK_FROM = 0.2
"""Chance of not being clean from which a phrase is named."""


def configure(options: Options) -> None:
    options.log()
    options.text("drill DRILL", "drill file or name")
    options.whole(
        "--minutes-a-day N", MINUTES, "minutes per practice day: 1 to 240 (default: the setting, 20)"
    )
    options.whole(
        "--draws N",
        Within(1, 1000, "players"),
        f"simulated players: 1 to 1000 (default: {DRAWS})",
        default=DRAWS,
    )
    options.text("--seed N", "seed of the simulated players", type=int, default=1)
    options.json()


def run(arguments: Arguments) -> int:
    with desk_at(arguments, (arguments.drill,)) as desk:
        learnt = desk.learnt()
        drill, today, chosen = desk.library.drills[0], desk.today, arguments.minutes_a_day or desk.minutes
    material = material_of([drill])
    prediction = forecast(learnt, material, drill, today, chosen, arguments.draws, arguments.seed)
    tell(arguments.json, facts(prediction), lines(prediction, material, drill, learnt, today))
    return 0


def lines(forecast: Forecast, material: Material, drill: Drill, learnt: Learnt, today: date) -> Iterator[str]:
    """The forecast in sentences; what the log holds tells how much of it is a guess."""
    title = plain_text(drill.title or drill.id)
    a_week = f"{counted(round(forecast.days_a_week), 'day')} a week"
    days = "every day" if forecast.days_a_week > 6.5 else a_week
    yield f"{title}: goal {tempo(forecast.goal_bpm)}, {duration(forecast.minutes_a_day)} of this drill, {days}"
    if not forecast.practised_days:
        yield f"Nothing of it is logged yet, so there is no forecast: ask again after {FEW_DAYS} days of practice."
        return
    if forecast.too_early:
        days = counted(forecast.practised_days, "day")
        yield f"Too early to say when it is at its goal: {days} of practice so far, and a forecast needs {FEW_DAYS}."
    elif forecast.at_this_rate:
        asked = "What is asked for" if drill.assignment and drill.assignment.parts else "The piece"
        if forecast.there:
            yield f"{asked} is at its goal."
        elif forecast.at_goal.likely:
            once = "" if forecast.at_goal.likely > today else ", once you play it there"
            yield f"{asked} is likely at its goal {_around(forecast.at_goal.likely, today)}{once}."
            if forecast.at_goal.early != forecast.at_goal.late:
                yield _spread(forecast.at_goal, forecast.horizon)
        if forecast.kept.likely:
            when = _around(forecast.kept.likely, today)
            yield f"All of it is likely kept, clean cold after a week without it, {when}: a rough date."
        else:
            horizon = full_day(forecast.horizon)
            yield f"All of it kept, clean cold after a week without it: not by {horizon} at this rate."
    elif forecast.at_goal.likely:
        yield (
            "Not at this rate: your tempos have fallen since the first days."
            " More days a week, fewer phrases at a time or a lower goal would change that."
        )
    else:
        yield (
            f"Not at this rate: the piece is not likely at its goal by {full_day(forecast.horizon)}."
            " More minutes or days would change that, or a lower goal."
        )
    names = {
        each.key: place_name(each.subject) or plain_text(drill.phrase(each.phrases[0]).name)
        for each in material.phrases(drill)
    }
    weak = [
        names[key] if forecast.few_days else f"{names[key]} ({percent(chance)})"
        for key, chance in forecast.holding_back
        if chance >= WEAK_FROM
    ]
    fresh = [name for key, name in names.items() if key not in learnt.records]
    if fresh:
        yield f"Not played yet, so this part is a guess: {listed(fresh)}."
    elif weak:
        yield f"Most likely to fail, cold, at the goal in a week: {listed(weak)}."


def _around(day: date, today: date) -> str:
    """`around 3 Dec 2026, in 8 days`; `today`."""
    days = (day - today).days
    return f"around {full_day(day)}, in {counted(days, 'day')}" if days else "today"


def _spread(span: Span, horizon: date) -> str:
    """Between which days the middle eight of ten players get there; where the late one is not known, the early one."""
    early = full_day(span.early or horizon)
    if span.late:
        return f"Of 10 players with a log like yours, 8 get there between {early} and {full_day(span.late)}."
    return f"Of 10 players with a log like yours, 1 gets there before {early}, and some not by {full_day(horizon)}."


def facts(forecast: Forecast) -> dict[str, Any]:
    """The forecast as plain values for JSON; no dates after few days of practice."""
    nothing = Span(None, None, None)
    at_goal, kept = (nothing, nothing) if forecast.few_days else (forecast.at_goal, forecast.kept)
    return {
        "drill": forecast.drill,
        "goal_bpm": forecast.goal_bpm,
        "minutes_a_day": forecast.minutes_a_day,
        "days_a_week": round(forecast.days_a_week, 2),
        "draws": forecast.draws,
        "there": forecast.there,
        "at_goal": _days(at_goal),
        "kept": _days(kept),
        "horizon": forecast.horizon.isoformat(),
        "at_this_rate": forecast.at_this_rate,
        "practised_days": forecast.practised_days,
        "few_days": forecast.few_days,
        "rise_percent": round(100 * math.expm1(forecast.rise), 1),
        "holding_back": [{"key": key, "chance": round(chance, 4)} for key, chance in forecast.holding_back],
    }


def _days(span: Span) -> dict[str, str | None]:
    return {name: day.isoformat() if day else None for name, day in asdict(span).items()}
