"""The simulated learner and the forecast it runs: effects in the documented direction, and the command's words."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from random import Random

import pytest

from coach.cli import main
from coach.commands.forecast import lines
from coach.core.drill import Drill
from coach.core.evidence import EXCERPT, NODE, DayEvidence
from coach.core.excerpt import Excerpt, Passage, passage_of, whole_phrase
from coach.core.forecast import Forecast, forecast
from coach.core.ladder import new_ladder
from coach.core.learner import (
    TIRED_AFTER_MIN,
    Learner,
    Traits,
    chance,
    new_learner,
    node_chances,
    play,
    practise_day,
    together_key,
    varied,
)
from coach.core.log import Outcome
from coach.core.memory import Memory, fold
from coach.core.plan import Plan, PlanItem, Purpose
from coach.core.repertoire import repertoire_of
from tests.samples import one_bar_phrase, sample_drill

DAY = date(2026, 3, 2)
TODAY = DAY.toordinal()
SMALL = replace(sample_drill(), phrases=(one_bar_phrase(),))
NODE_KEY = "n:4x864|G2|1/2"


def learner_of(drill: Drill = SMALL, seed: int = 1, **traits: float) -> Learner:
    return new_learner(Traits(**traits), [drill], repertoire_of([drill]), Random(seed))


def whole(drill: Drill = SMALL) -> Passage:
    return passage_of(drill, whole_phrase(drill, drill.phrases[0]))


def practised(learner: Learner, reps: int, day: int = TODAY, tempo_bpm: int = 60) -> list[bool]:
    return [not play(learner, whole(), tempo_bpm, day) for _ in range(reps)]


def test_practice_raises_the_chance_and_rest_lowers_it_again() -> None:
    learner = learner_of()
    before = chance(learner, NODE_KEY, 80, TODAY)
    for day in range(4):
        practised(learner, 20, TODAY + day)
    after = chance(learner, NODE_KEY, 80, TODAY + 3)
    rested = [chance(learner, NODE_KEY, 80, TODAY + 3, rested_days=days) for days in (1, 7, 60)]
    assert after > before
    assert after > rested[0] > rested[1] > rested[2] > before


def test_spaced_practice_outlasts_the_same_practice_in_one_day() -> None:
    massed, spaced = learner_of(), learner_of()
    practised(massed, 40, TODAY + 3)
    for day in range(4):
        practised(spaced, 10, TODAY + day)
    week = [chance(each, NODE_KEY, 80, TODAY + 3, rested_days=7) for each in (massed, spaced)]
    assert week[1] > week[0]


def test_far_too_slow_or_far_too_fast_teaches_little() -> None:
    gains = {}
    for tempo_bpm in (25, 60, 160):
        learner = learner_of()
        before = learner.skills[NODE_KEY].level
        practised(learner, 10, tempo_bpm=tempo_bpm)
        gains[tempo_bpm] = learner.skills[NODE_KEY].level - before
    assert gains[60] > 3 * gains[25]
    assert gains[60] > 3 * gains[160]


def test_half_an_hour_without_a_break_tires() -> None:
    learner = learner_of(fatigue=0.3)
    fresh = chance(learner, NODE_KEY, 60, TODAY)
    learner.minutes_since_break = TIRED_AFTER_MIN + 30
    assert chance(learner, NODE_KEY, 60, TODAY) < fresh


def test_a_player_who_rates_wrongly_is_simulated_at_the_stated_rates() -> None:
    easy = learner_of(harsh=0.1, lapse=0.0, node_gap=-3.0, move_gap=-3.0, together_gap=-3.0)
    results = [play(easy, whole(), 20, TODAY) for _ in range(800)]
    marked = sum(len(faults) for faults in results) / (800 * 2)  # two harmonics in the phrase
    assert marked == pytest.approx(0.1, abs=0.025)
    hard = learner_of(blind=1.0, node_gap=3.0, learn_clean=0.0, learn_choked=0.0)
    assert all(play(hard, whole(), 80, TODAY) == () for _ in range(50))


def test_failures_are_chokes_at_the_node_and_late_or_choked_at_the_move() -> None:
    bad_node = learner_of(node_gap=3.0, move_gap=-3.0, together_gap=-3.0, learn_clean=0.0, learn_choked=0.0)
    outcomes = {fault.outcome for _ in range(40) for fault in play(bad_node, whole(), 80, TODAY)}
    assert outcomes == {Outcome.CHOKED}
    bad_move = learner_of(node_gap=-3.0, move_gap=3.0, together_gap=-3.0, learn_clean=0.0, learn_choked=0.0)
    outcomes = {fault.outcome for _ in range(40) for fault in play(bad_move, whole(), 80, TODAY)}
    assert outcomes == {Outcome.CHOKED, Outcome.LATE}


def test_the_same_seed_is_the_same_player() -> None:
    assert practised(learner_of(seed=3), 30) == practised(learner_of(seed=3), 30)
    assert practised(learner_of(seed=3), 30) != practised(learner_of(seed=4), 30)
    assert varied(Traits(), Random(1)) == varied(Traits(), Random(1)) != varied(Traits(), Random(2))


def test_a_node_is_judged_in_its_phrase_with_all_layers() -> None:
    learner = learner_of(node_gap=-3.0, move_gap=-3.0, together_gap=-3.0)
    repertoire = repertoire_of([SMALL])
    assert min(node_chances(learner, SMALL, repertoire, TODAY).values()) > 0.95
    skill = learner.skills[together_key(SMALL.id, SMALL.phrases[0].id)]
    skill.start = skill.level = math.log(20)
    assert max(node_chances(learner, SMALL, repertoire, TODAY).values()) < 0.6


def test_a_simulated_day_follows_the_sessions_rules() -> None:
    learner = learner_of(node_gap=3.0, learn_clean=0.0, learn_choked=0.0)
    excerpt = whole_phrase(SMALL, SMALL.phrases[0])
    items = [
        PlanItem(Purpose.TUNE, 1.0, "tune"),
        PlanItem(Purpose.BUILD, 9.0, "build", excerpt, 30, 70),
        PlanItem(Purpose.BUILD, 2.0, "again", excerpt, 6, 70),
    ]
    done = practise_day(learner, Plan(DAY, 20, tuple(items)), repertoire_of([SMALL]), {})
    # It stays choked: fewer layers after three, then left alone, and the second turn is not played.
    layers = [Excerpt.parse(rep.excerpt).layer for rep, _ in done.reps]
    assert layers == ["together"] * 3 + ["harmonics"] * 3
    assert done.ladders[excerpt.key].rung_bpm < 70
    assert done.seconds > 60


@pytest.mark.parametrize(("gap", "tempos"), [(-3.0, [60, 66, 73, 73]), (3.0, [60, 55, 52, 50])])
def test_a_simulated_turn_tries_a_faster_tempo_as_the_session_does(gap: float, tempos: list[int]) -> None:
    learner = learner_of(node_gap=gap, move_gap=gap, together_gap=gap, lapse=0.0, learn_clean=0.0)
    item = PlanItem(
        Purpose.BUILD, 9.0, "", whole_phrase(SMALL, SMALL.phrases[0]), len(tempos), 50, probe_bpm=60
    )
    done = practise_day(learner, Plan(DAY, 20, (item,)), repertoire_of([SMALL]), {})
    assert [rep.tempo_bpm for rep, _ in done.reps] == tempos
    assert {rep.rung_bpm for rep, _ in done.reps} <= {0, 50, 60, 66}


def remembered(keys: Sequence[str], bpm: int) -> dict[str, Memory]:
    yesterday = DAY - timedelta(days=1)
    return {
        key: fold(None, DayEvidence(key, yesterday, True, bpm, 80, ((bpm, 80, 30, 1),), 31, 0))
        for key in keys
    }


def small(memories: dict[str, Memory] | None = None, minutes: float = 8, seed: int = 1) -> Forecast:
    return forecast(SMALL, memories or {}, {}, DAY, minutes, seed=seed, draws=6, horizon_days=40)


def test_a_forecast_has_a_spread_in_order_and_the_same_seed_gives_the_same_one() -> None:
    found = small()
    assert found.reached == 6
    assert found.early is not None
    assert found.likely is not None
    assert found.late is not None
    assert DAY < found.early <= found.likely <= found.late
    assert found == small()
    assert sum(share for _, share in found.holding_back) == pytest.approx(1)
    assert all(key.startswith(NODE) for key, _ in found.holding_back)


def test_who_is_further_gets_there_sooner_and_a_short_horizon_is_said() -> None:
    part = repertoire_of([SMALL]).parts(SMALL, SMALL.phrases[0])[-1]
    known = remembered([*part.keys, EXCERPT + part.excerpt.key], 80)
    ahead, behind = small(known), small()
    assert ahead.likely is not None
    assert behind.likely is not None
    assert ahead.likely < behind.likely
    cut = forecast(SMALL, {}, {}, DAY, 8, draws=3, horizon_days=2)
    assert (cut.reached, cut.early, cut.likely, cut.late) == (0, None, None, None)


def test_a_drill_landed_already_needs_no_more_days() -> None:
    part = repertoire_of([SMALL]).parts(SMALL, SMALL.phrases[0])[-1]
    landed = replace(new_ladder(80, 80), landed_days=(DAY - timedelta(days=2), DAY - timedelta(days=1)))
    found = forecast(SMALL, {}, {part.excerpt.key: landed}, DAY, 8, draws=2, horizon_days=5)
    assert found.late == DAY


def test_a_phrase_never_played_is_waited_for() -> None:
    drill = sample_drill()
    landed = replace(new_ladder(80, 80), landed_days=(DAY - timedelta(days=2), DAY - timedelta(days=1)))
    ladders = {whole_phrase(drill, drill.phrases[0]).key: landed}
    found = forecast(drill, {}, ladders, DAY, 10, draws=2, horizon_days=3)
    assert (found.reached, found.early) == (0, None)


def test_the_node_far_below_the_goal_holds_back_most() -> None:
    part = repertoire_of([SMALL]).parts(SMALL, SMALL.phrases[0])[-1]
    hard = next(key for key in part.keys if key.startswith(NODE) and key != NODE_KEY)
    found = small(remembered([key for key in part.keys if key != hard], 80) | remembered([hard], 30))
    assert found.holding_back[0][0] == hard


def test_the_command_says_when_with_a_spread_and_what_holds_back(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["forecast", "first-pour", "--folder", str(tmp_path), "--date", "2026-03-02", "--draws", "1"]
    assert main([*arguments, "--minutes-a-day", "30"]) == 0
    text = capsys.readouterr().out
    assert "goal 84 bpm, 30 minutes" in text
    assert "one player in ten by 2026-" in text
    # Nothing is logged: no node can be called weak.
    assert "Weakest node" not in text
    assert "Too little is logged yet to say which node will hold it back." in text
    assert "Never played yet, so their part is a guess: Ladle, Mould and 1 more." in text
    assert main([*arguments, "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert body["draws"] == 1
    assert date.fromisoformat(body["early"]) <= date.fromisoformat(body["late"])
    assert not list(tmp_path.iterdir())


def test_only_a_node_that_was_played_is_called_weak() -> None:
    key = "n:4x864|D2|1/6"
    found = replace(forecast(SMALL, {}, {}, DAY, 8, draws=1, horizon_days=3), holding_back=((key, 0.8),))
    known = Memory(key, DAY, DAY, reps=6)
    few = replace(known, reps=5)
    assert any(
        "Weakest node on the way" in line and "3.2 on D2 (80 %)" in line
        for line in lines(found, SMALL, DAY, {key: known}, {})
    )
    assert not any("Weakest" in line for line in lines(found, SMALL, DAY, {key: few}, {}))


def test_a_wrong_call_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["forecast", "first-pour", "--folder", str(tmp_path), "--draws", "0"]) == 2
    assert "outside 1 to 1000" in capsys.readouterr().err
    assert main(["forecast", "no-such-drill", "--folder", str(tmp_path)]) == 1
    assert "no such drill" in capsys.readouterr().err
