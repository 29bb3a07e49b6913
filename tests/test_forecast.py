"""The simulated learner and the forecast it runs: effects in the documented direction, and the command's words."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from random import Random

import pytest

from coach.cli import main
from coach.commands.forecast import facts, lines
from coach.learning.evidence import EXCERPT, NODE, DayEvidence
from coach.learning.forecast import Forecast, drawn, forecast, starting
from coach.learning.ladder import new_ladder
from coach.learning.learner import (
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
from coach.learning.memory import Memory, fold
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.repertoire import repertoire_of
from coach.learning.trend import DAY_DEVIATION, NOTHING, trend_of
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Passage, passage_of, whole_phrase
from coach.rating.table import CHOKED, LATE
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
    outcomes = {fault.result for _ in range(40) for fault in play(bad_node, whole(), 80, TODAY)}
    assert outcomes == {CHOKED}
    bad_move = learner_of(node_gap=-3.0, move_gap=3.0, together_gap=-3.0, learn_clean=0.0, learn_choked=0.0)
    outcomes = {fault.result for _ in range(40) for fault in play(bad_move, whole(), 80, TODAY)}
    assert outcomes == {CHOKED, LATE}


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


def excerpt_day(
    number: int, tallies: tuple[tuple[int, int, int, int], ...], layer: str = "together"
) -> DayEvidence:
    day = DAY - timedelta(days=10 - number)
    key = EXCERPT + whole_phrase(SMALL, SMALL.phrases[0], layer).key
    return DayEvidence(key, day, True, tallies[0][0], 80, tallies, sum(row[2] + row[3] for row in tallies), 0)


def practised_days(change: float, days: int, reps: int = 30) -> list[DayEvidence]:
    """Days of a player whose clean tempo is 40 at first and moves so; half the results are a little faster than it."""
    found = []
    for number in range(days):
        clean_bpm = 40 * math.exp(change * number)
        rows = [
            (round(clean_bpm * part), 80, round(reps * share), reps - round(reps * share))
            for part, share in ((0.8, 0.92), (1.0, 0.75), (1.25, 0.37))
        ]
        found.append(excerpt_day(number, tuple(rows)))
    return found


@pytest.mark.parametrize("change", [-0.08, 0.0, 0.08])
def test_the_change_of_the_clean_tempo_is_found_again(change: float) -> None:
    trend = trend_of(practised_days(change, 6), DAY)
    assert trend.days == 6
    assert trend.change == pytest.approx(change, abs=0.02)
    # The slope's error by least squares over six days with the stated deviation of a day, and no less.
    assert trend.deviation > DAY_DEVIATION / math.sqrt(17.5)
    assert trend.fell == (change < 0)
    assert trend.rungs_fell == (change < 0)


def test_one_day_has_no_trend_and_old_days_have_none() -> None:
    assert trend_of(practised_days(0.1, 1), DAY).change is None
    assert trend_of(practised_days(0.1, 6), DAY + timedelta(days=60)) == NOTHING
    assert not NOTHING.fell


def test_tries_at_other_tempos_do_not_move_the_rung() -> None:
    rows = [excerpt_day(number, ((40, 80, 5, 2), (50, 80, 0, 3 - number))) for number in range(3)]
    assert trend_of(rows, DAY).rungs == 0


def measured(keys: Sequence[str], bpm: int) -> dict[str, Memory]:
    """Four days in which three of four results were clean at a tempo, and hardly any a quarter above it."""
    found = {}
    rows = ((bpm, 80, 15, 5), (round(1.25 * bpm), 80, 2, 10))
    for key in keys:
        memory = None
        for back in range(4, 0, -1):
            memory = fold(memory, DayEvidence(key, DAY - timedelta(days=back), True, bpm, 80, rows, 32, 0))
        assert memory is not None
        found[key] = memory
    return found


def test_who_got_worse_is_expected_later_than_who_got_better() -> None:
    part = repertoire_of([SMALL]).parts(SMALL, SMALL.phrases[0])[-1]
    worse, better = (
        forecast(
            SMALL,
            measured(part.keys, 30),
            {},
            DAY,
            8,
            draws=6,
            horizon_days=40,
            recent=practised_days(change, 6),
        )
        for change in (-0.08, 0.08)
    )
    assert better.likely is not None
    assert worse.likely is None or worse.likely > better.likely
    assert worse.learning < better.learning / 1.5


def test_what_is_measured_far_below_the_usual_start_counts_as_measured() -> None:
    repertoire = repertoire_of([SMALL])
    keys = repertoire.parts(SMALL, SMALL.phrases[0])[-1].keys
    start = starting(SMALL, repertoire, measured(keys[:1], 25), DAY)
    players = [drawn(start, 1.0, Random(seed)) for seed in range(30)]
    levels = sorted(player.skills[keys[0]].level for player in players)
    # 25 bpm is a third of the goal; the usual start, two thirds of it, is not where this player stands.
    assert 20 < math.exp(levels[15]) < 35
    assert 1.15 < math.exp(levels[27] - levels[2]) < 2.5, "four in five players lie this far apart"
    others = [player.skills[keys[1]].level for player in players]
    fresh = [drawn(starting(SMALL, repertoire, {}, DAY), 1.0, Random(seed)) for seed in range(30)]
    assert sum(others) < sum(player.skills[keys[1]].level for player in fresh) - 30 * 0.2


def test_playing_together_is_not_blamed_for_a_node_that_explains_its_failures() -> None:
    part = repertoire_of([SMALL]).parts(SMALL, SMALL.phrases[0])[-1]
    known = remembered(part.keys, 80)
    hard = next(key for key in part.keys if key.startswith(NODE))
    yesterday = DAY - timedelta(days=1)
    failed = ((40, 80, 4, 26),)
    excerpt_key = EXCERPT + part.excerpt.key
    known[excerpt_key] = fold(None, DayEvidence(excerpt_key, yesterday, False, 40, 80, failed, 30, 0))

    def together(memories: dict[str, Memory]) -> float:
        start = starting(SMALL, repertoire_of([SMALL]), memories, DAY)
        skill = together_key(SMALL.id, SMALL.phrases[0].id)
        return sum(drawn(start, 1.0, Random(seed)).skills[skill].level for seed in range(20)) / 20

    blamed = together(known)
    known[hard] = fold(None, DayEvidence(hard, yesterday, False, 40, 80, failed, 30, 0))
    assert together(known) > blamed + 0.3


def test_too_few_days_and_falls_are_said_beside_the_numbers() -> None:
    def told(recent: list[DayEvidence]) -> tuple[str, dict[str, object]]:
        found = forecast(SMALL, {}, {}, DAY, 8, draws=1, horizon_days=2, recent=recent)
        return " ".join(lines(found, SMALL, DAY, {}, {})), facts(found)

    text, body = told([])
    assert "Nothing of this drill is logged of late: how fast you learn is assumed." in text
    assert body["few_days"]
    text, body = told(practised_days(-0.1, 3))
    assert (
        "Your rungs fell over the last 3 days of practice: this forecast assumes that practice helps again."
        in text
    )
    assert "Only 3 days of practice on this drill of late: how fast you learn is mostly assumed." in text
    assert (body["practised_days"], body["few_days"], body["rungs_fell"]) == (3, True, True)
    assert body["cautions"]
    text, body = told(practised_days(0.05, 8))
    assert "Measured over 8 days of practice: your clean tempo changed by +5 % a day" in text
    assert (body["few_days"], body["rungs_fell"], body["clean_tempo_fell"]) == (False, False, False)


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
    assert "goal 84 bpm, 30 min" in text
    assert re.search(r"one player in ten by \d+ Mar 2026, nine in ten by", text)
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
