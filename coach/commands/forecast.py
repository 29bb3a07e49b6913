"""`coach forecast DRILL`: when its goal tempo is likely, with a spread, and which nodes will hold it back."""

from __future__ import annotations

import argparse
import math
from collections.abc import Mapping
from datetime import date, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any

from coach.commands.common import add_json, add_log_options, checked_minutes, say, say_json
from coach.commands.plan import reading_desk
from coach.ground.plain import counted, listed, plain_text
from coach.ground.problem import Problem, UsageError
from coach.learning.evidence import EXCERPT, day_evidence
from coach.learning.forecast import forecast
from coach.learning.trend import RECENT_DAYS
from coach.music.excerpt import layer_choices, whole_phrase
from coach.words.amounts import duration, full_day, percent, tempo
from coach.words.names import place_name

if TYPE_CHECKING:
    from coach.learning.forecast import Forecast
    from coach.learning.ladder import Ladder
    from coach.learning.memory import Memory
    from coach.music.drill import Drill

SHARE_FROM = 0.05
RESULTS_FROM = 6
"""Repetitions of a node from which it is named as weak."""
SPREAD_80 = 1.282
"""Standard deviations on each side of the middle 80 % of a normal distribution."""


def configure(parser: argparse.ArgumentParser) -> None:
    add_log_options(parser)
    parser.add_argument("drill", metavar="DRILL", help="drill file or name")
    parser.add_argument(
        "--minutes-a-day", type=int, metavar="N", help="daily practice: 1 to 240 (default: the setting, 20)"
    )
    parser.add_argument("--draws", type=int, default=20, metavar="N", help="simulated players (default: 20)")
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed, other players")
    add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    minutes = checked_minutes(arguments.minutes_a_day, "--minutes-a-day")
    if not 1 <= arguments.draws <= 1000:
        raise UsageError(Problem(f"{arguments.draws} is outside 1 to 1000 players", "--draws"))
    with reading_desk(arguments, (arguments.drill,)) as desk:
        known = desk.log.player_or_none is not None
        memories = desk.memories() if known else {}
        ladders = desk.ladders() if known else {}
        drill, today, chosen = desk.library.drills[0], desk.today, minutes or desk.minutes
        since = today - timedelta(days=RECENT_DAYS)
        pairs = desk.log.counted(since, today, drill.id) if known else []
    days = (list(group) for _, group in groupby(pairs, key=lambda pair: pair[0].day))
    recent = [one for day in days for key, one in day_evidence(day).items() if key.startswith(EXCERPT)]
    prediction = forecast(
        drill,
        memories,
        ladders,
        today,
        chosen,
        seed=arguments.seed,
        draws=arguments.draws,
        recent=recent,
    )
    if arguments.json:
        say_json(facts(prediction), indent=2)
        return 0
    for line in lines(prediction, drill, today, memories, ladders):
        say(line)
    return 0


def lines(
    forecast: Forecast,
    drill: Drill,
    today: date,
    memories: Mapping[str, Memory],
    ladders: Mapping[str, Ladder],
) -> list[str]:
    """The forecast in sentences; what the log holds tells how much of it is a guess."""
    title = plain_text(drill.title or drill.id)
    sentences = [
        f"{title}: goal {tempo(forecast.goal_bpm)}, {duration(forecast.minutes_a_day)} of this drill every day"
    ]
    if forecast.likely:
        late = (
            f"by {full_day(forecast.late)}" if forecast.late else f"not before {full_day(forecast.horizon)}"
        )
        early = f"by {full_day(forecast.early)}, " if forecast.early else ""
        sentences.append(
            f"The goal tempo is likely around {full_day(forecast.likely)}, in"
            f" {counted((forecast.likely - today).days, 'day')} (one player in ten {early}nine in ten {late})."
        )
    else:
        some = (
            f"; {forecast.reached} of {forecast.draws} simulated players got there"
            if forecast.reached
            else ""
        )
        sentences.append(
            f"The goal tempo is not likely before {full_day(forecast.horizon)}{some}. More minutes, or a lower goal?"
        )
    sentences += cautions(forecast)
    nodes = [
        f"{place_name(key[2:])} ({percent(share)})"
        for key, share in forecast.holding_back
        if share >= SHARE_FROM and key in memories and memories[key].reps >= RESULTS_FROM
    ]
    if nodes:
        sentences.append(f"Weakest node on the way, by share of the failures to come: {listed(nodes)}.")
    elif forecast.holding_back:
        sentences.append("Too little is logged yet to say which node will hold it back.")
    fresh = [
        plain_text(phrase.name)
        for phrase in drill.phrases
        if not any(whole_phrase(drill, phrase, layer).key in ladders for layer in layer_choices(phrase))
    ]
    if fresh:
        sentences.append(f"Never played yet, so their part is a guess: {listed(fresh)}.")
    sentences.append(
        f"From {forecast.draws} simulated players who start from what your log shows. Trust the order of"
        " the nodes more than the date."
    )
    return sentences


def cautions(forecast: Forecast) -> list[str]:
    """What the log says of how practice went of late, and what the forecast assumes all the same."""
    trend = forecast.trend
    sentences = []
    helps = "this forecast assumes that practice helps again"
    if trend.rungs_fell:
        sentences.append(f"Your rungs fell over the last {trend.fall_days} days of practice: {helps}.")
    if trend.fell and trend.change is not None:
        fall = 100 * (1 - math.exp(trend.change))
        tail = "" if trend.rungs_fell else f": {helps}"
        sentences.append(
            f"Your clean tempo fell by about {fall:.0f} % a day over the last {trend.days} days of practice{tail}."
        )
    if not trend.days:
        sentences.append("Nothing of this drill is logged of late: how fast you learn is assumed.")
    elif forecast.few_days:
        shown = counted(trend.days, "day")
        sentences.append(
            f"Only {shown} of practice on this drill of late: how fast you learn is mostly assumed."
        )
    elif trend.change is not None:
        sentences.append(
            f"Measured over {trend.days} days of practice: your clean tempo changed by {_percent(trend.change)} a day"
            f" ({_percent(trend.change - SPREAD_80 * trend.deviation)} to"
            f" {_percent(trend.change + SPREAD_80 * trend.deviation)}); the simulated players learn"
            f" {forecast.learning:.1f} times as fast as the model's usual one."
        )
    return sentences


def _percent(change: float) -> str:
    return f"{100 * math.expm1(change):+.0f} %"


def facts(forecast: Forecast) -> dict[str, Any]:
    """The forecast as plain values for JSON."""
    return {
        "drill": forecast.drill,
        "goal_bpm": forecast.goal_bpm,
        "minutes_a_day": forecast.minutes_a_day,
        "draws": forecast.draws,
        "reached": forecast.reached,
        "early": forecast.early.isoformat() if forecast.early else None,
        "likely": forecast.likely.isoformat() if forecast.likely else None,
        "late": forecast.late.isoformat() if forecast.late else None,
        "horizon": forecast.horizon.isoformat(),
        "practised_days": forecast.trend.days,
        "few_days": forecast.few_days,
        "rungs_fell": forecast.trend.rungs_fell,
        "clean_tempo_fell": forecast.trend.fell,
        "clean_tempo_change_a_day": _rounded(forecast.trend.change),
        "clean_tempo_change_deviation": _rounded(forecast.trend.change and forecast.trend.deviation),
        "rungs_change": _rounded(forecast.trend.rungs),
        "learning_factor": round(forecast.learning, 3),
        "cautions": cautions(forecast),
        "holding_back": [{"key": key, "share": round(share, 4)} for key, share in forecast.holding_back],
    }


def _rounded(change: float | None) -> float | None:
    """A log-change for JSON; None where nothing was measured."""
    return None if change is None else round(change, 4)
