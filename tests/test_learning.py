"""The estimate, the rung, the choice, relief, plan and forecast: outside checks, and what a player meets."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise
from random import Random

import numpy as np
import pytest

from benchmarks import players_a
from benchmarks.pieces import piece
from benchmarks.players import FIRST_DAY, Coach, Played, Player, Policy, Rung, run
from coach.cli import main
from coach.commands.forecast import lines
from coach.learning.choice import PIECE_APART, REPS_A_DAY, Choice, Why, bars_of, choose, heard
from coach.learning.forecast import Span, forecast
from coach.learning.learning import CLEAN_TO_LAND, HARMONICS_A_SLIP, KEPT_DAYS, LearningFold, Learnt
from coach.learning.material import Part, material_of
from coach.learning.plan import Purpose, told_once
from coach.learning.planner import History, make_plan, played_ahead
from coach.learning.readings import places, rung_of, seen, standing
from coach.learning.reasons import reason
from coach.learning.relief import Release, reliefs
from coach.learning.rung import EVENTS, TARGET, next_rung, reading
from coach.learning.skill import SLOPE, Skill, Slips, Term, View, late_results, with_result
from coach.music.drill import Assignment, Drill
from coach.music.excerpt import Excerpt, Kind
from coach.rating.table import CHOKED, LATE, NOT_REACHED, Result
from tests.samples import sample_drill, sitting_on

TODAY = date(2026, 3, 2)
DAY = TODAY.toordinal()
ONE_EVENT = (("n:a", "m:b", "p:a", "w:a"),)


def logistic(x: float) -> float:
    return 1 / (1 + math.exp(-x))


def alone(mean: float, deviation: float) -> Skill:
    """A skill of which only the level is not known."""
    skill = Skill(Term(mean, deviation**2))
    skill.terms = {key: Term(0.0, 0.0) for key in ONE_EVENT[0]}
    return skill


@pytest.mark.parametrize("clean", [True, False])
@pytest.mark.parametrize(
    ("above", "deviation"), [(-0.3, 0.1), (0.0, 0.1), (0.2, 0.15), (0.0, 0.2), (0.3, 0.05)]
)
def test_a_step_of_the_estimate_is_near_the_posterior_by_direct_integration(
    above: float, deviation: float, clean: bool
) -> None:
    """Prior times likelihood on a grid of 20,001 tempos (Bayes' rule, nothing of the estimate's own)."""
    ln_bpm, lapse = math.log(60), Slips().lapse
    theta = np.linspace(ln_bpm + above - 8 * deviation, ln_bpm + above + 8 * deviation, 20_001)
    prior = np.exp(-(((theta - ln_bpm - above) / deviation) ** 2) / 2)
    chance = (1 - lapse) / (1 + np.exp(-SLOPE * (theta - ln_bpm)))
    weights = prior * (chance if clean else 1 - chance)
    mean = float(np.average(theta, weights=weights))
    spread = math.sqrt(float(np.average((theta - mean) ** 2, weights=weights)))
    skill = alone(ln_bpm + above, deviation)
    skill.observe(ONE_EVENT, ln_bpm, {} if clean else {1: CHOKED}, DAY, Slips())
    assert skill.level.mean == pytest.approx(mean, abs=0.15 * deviation)
    assert math.sqrt(skill.level.variance) == pytest.approx(spread, rel=0.12)


def test_quest_plus_and_the_estimate_find_the_same_threshold() -> None:
    """PyPI `questplus` (Watson 2017, J. Vision 17(3):10) chooses the levels; both read the same 80 answers."""
    from questplus import QuestPlus  # half as long to import as all of the rest, for this test alone

    truth, rng = math.log(66), Random(3)
    quest = QuestPlus(
        stim_domain={"intensity": [-math.log(bpm) for bpm in range(40, 101, 3)]},
        param_domain={
            "mean": [-math.log(bpm) for bpm in range(36, 110, 2)],
            # The logistic curve's deviation as the normal curve that is nearest to it has it (Bowling 2009: 1.702).
            "sd": [1.702 / SLOPE],
            "lower_asymptote": [0.0],
            "lapse_rate": [0.01],
        },
        outcome_domain={"response": ["clean", "failed"]},
        func="norm_cdf",
        stim_scale="linear",
    )
    skill = alone(math.log(60), 0.3)
    for _ in range(80):
        ln_bpm = -float(quest.next_stim["intensity"])
        clean = rng.random() < 0.99 * logistic(SLOPE * (truth - ln_bpm))
        quest.update(stim={"intensity": -ln_bpm}, outcome={"response": "clean" if clean else "failed"})
        skill.observe(ONE_EVENT, ln_bpm, {} if clean else {1: CHOKED}, DAY, Slips())
    threshold = -float(quest.param_estimate["mean"])
    assert threshold == pytest.approx(truth, abs=0.1)
    theta = skill.level.mean + sum(term.mean for term in skill.terms.values())
    assert theta == pytest.approx(threshold, abs=0.08)


def test_the_rung_settles_where_a_repetition_is_clean_as_often_as_it_is_meant_to_be() -> None:
    """As staircases do at their own value; theirs are below."""
    rng, learnt, part = Random(4), Learnt(), part_of(sample_drill())
    truth, reps, clean = math.log(55), 0, 0
    bpm = 50
    for number in range(400):
        faults: dict[int, Result] = {
            label: CHOKED
            for label in range(1, len(part.keys) + 1)
            if rng.random() > logistic(8 * (truth + 0.35 - math.log(bpm)))
        }
        learnt.take(part.excerpt, part.keys, bpm, part.goal_bpm, faults, DAY)
        if number >= 100:
            reps, clean = reps + 1, clean + (not faults)
        bpm = next_rung(bpm, not faults, rung_of(learnt, part, DAY))
    assert clean / reps == pytest.approx(TARGET, abs=0.12)


def test_the_rung_settles_at_the_tempo_of_a_weighted_staircase() -> None:
    """Kaernbach 1991, Percept. Psychophys. 49(3):227-229 (from memory): it settles where up and down weigh the same.

    With steps down half as long again as those up that is at .6, `TARGET`.
    """
    rng, part = Random(6), part_of(sample_drill())

    def faults_at(bpm: float) -> dict[int, Result]:
        chance = logistic(8 * (math.log(78) - math.log(bpm)))
        return {label: CHOKED for label in range(1, len(part.keys) + 1) if rng.random() > chance}

    assert pytest.approx(0.6) == TARGET
    x, staircase = math.log(50), []
    for number in range(4000):
        x += 0.01 if not faults_at(math.exp(x)) else -0.015
        staircase += [x] if number >= 1000 else []
    learnt, bpm, rungs = Learnt(), 50, []
    for number in range(400):
        faults = faults_at(bpm)
        learnt.take(part.excerpt, part.keys, bpm, part.goal_bpm, faults, DAY)
        bpm = next_rung(bpm, not faults, rung_of(learnt, part, DAY))
        rungs += [math.log(bpm)] if number >= 100 else []
    assert sum(rungs) / len(rungs) == pytest.approx(sum(staircase) / len(staircase), abs=0.07)


def test_the_rivals_ladder_converges_where_levitt_says() -> None:
    """Three clean to climb, one failure to drop: .794 (Levitt 1971, J. Acoust. Soc. Am. 49(2B):467-477)."""
    rng, part = Random(5), replace(part_of(sample_drill()), goal_bpm=300)
    clean = reps = 0
    for _ in range(30):
        ladder = Rung(part, 60)
        ladder.open(DAY, tries=False)
        for number in range(300):
            bpm = ladder.bpm
            good = rng.random() < logistic(12 * (math.log(70) - math.log(bpm)))
            ladder.after(bpm, good)
            if number >= 60:
                reps, clean = reps + 1, clean + good
    assert clean / reps == pytest.approx(0.5 ** (1 / 3), abs=0.02)


@pytest.mark.parametrize("harmonics", [4, 12, 40, 120])
def test_the_reading_is_the_fastest_tempo_with_the_chance_that_is_meant(harmonics: int) -> None:
    """Equation (4) solved by bisection."""
    rng = Random(harmonics)
    view = View(tuple(rng.gauss(4.2, 0.2) for _ in range(harmonics)), (0.0,) * harmonics, 0.0, 0.01)
    share = min(1.0, EVENTS / harmonics)

    def chance(bpm: float) -> float:
        return math.exp(
            share * sum(math.log(logistic(SLOPE * (mean - math.log(bpm)))) for mean in view.means)
        )

    fastest = max(bpm for bpm in range(20, 301) if chance(bpm) >= TARGET or bpm == 20)
    assert reading(view, harmonics, 300) == pytest.approx(fastest, abs=1)
    assert reading(view, harmonics, fastest - 1) == fastest - 1


def test_a_slip_does_not_sink_a_long_piece() -> None:
    """A hundred events of which each is clean 99 times in 100 at the goal: clean as a whole only once in three."""
    view = View((math.log(60) + math.log(99) / SLOPE,) * 100, (0.0,) * 100, 0.0, 0.0)
    assert reading(view, 100, 60) == 60
    assert reading(view, 12, 60) < 60
    assert view.whole(math.log(60)) == pytest.approx(0.99**100, rel=0.01)


def part_of(drill: Drill, number: int = 0) -> Part:
    material = material_of([drill])
    part = material.part(material.phrases(drill)[number])
    assert part is not None
    return part


def practised(*results: tuple[Part, int, dict[int, Result], int]) -> Learnt:
    learnt = Learnt()
    for part, bpm, faults, day in results:
        learnt.take(part.excerpt, part.keys, bpm, part.goal_bpm, faults, day)
    return learnt


def test_what_one_phrase_shows_moves_the_others() -> None:
    lamp, wick = part_of(sample_drill()), part_of(sample_drill(), 1)
    before = rung_of(Learnt(), wick, DAY)
    clean = practised(*[(lamp, 60, {}, DAY)] * 4)
    assert seen(clean, wick, DAY).whole(math.log(60)) > seen(Learnt(), wick, DAY).whole(math.log(60))
    assert rung_of(clean, wick, DAY) >= before


def test_what_failed_is_not_taken_up_faster_and_a_rung_rises_one_step_between_days_whatever_else_is_learnt() -> (
    None
):
    lamp, wick = part_of(sample_drill()), part_of(sample_drill(), 1)
    elsewhere = [(lamp, 78, {}, DAY)] * 8
    failed = practised((wick, 46, {1: CHOKED}, DAY), *elsewhere)
    assert reading(seen(failed, wick, DAY).middle, wick.harmonics, wick.goal_bpm) > 53
    assert rung_of(failed, wick, DAY) == rung_of(failed, wick, DAY + 1) == 46
    clean = practised((wick, 46, {}, DAY), *elsewhere)
    assert rung_of(clean, wick, DAY) == next_rung(46, True, wick.goal_bpm) == 53
    assert rung_of(clean, wick, DAY + 1) == rung_of(clean, wick, DAY + 30) == 53
    low = practised(*[(lamp, 30, {1: CHOKED}, DAY)] * 8, (wick, 46, {1: CHOKED}, DAY))
    assert rung_of(low, wick, DAY) == next_rung(46, False, 20) > rung_of(low, wick, DAY + 1)


def test_a_plan_takes_up_a_new_phrase_again_at_the_tempo_of_its_first_item() -> None:
    lamp, wick = part_of(sample_drill()), part_of(sample_drill(), 1)
    learnt = practised(*[(lamp, 78, {}, DAY)] * 8)
    first = rung_of(learnt, wick, DAY)
    learnt.expect(wick, 4, DAY, first)
    assert rung_of(learnt, wick, DAY) >= first > wick.start_bpm


def test_a_choke_on_a_slow_repetition_leaves_the_rung_within_a_step_of_where_it_was() -> None:
    wick, learnt = part_of(sample_drill(), 1), Learnt()
    learnt.take(wick.excerpt, wick.keys, 40, wick.goal_bpm, {1: CHOKED}, DAY, 78)
    assert rung_of(learnt, wick, DAY) == next_rung(78, False, 20)


def test_a_late_event_says_nothing_against_its_node() -> None:
    lamp = part_of(sample_drill())
    at = next(at for at, keys in enumerate(lamp.keys) if keys[0] and keys[1])
    late, choked = practised((lamp, 60, {at + 1: LATE}, DAY)), practised((lamp, 60, {at + 1: CHOKED}, DAY))
    node = lamp.keys[at][0]
    assert late.skills["lamps"].terms[node].mean > choked.skills["lamps"].terms[node].mean


def test_what_was_not_reached_says_nothing() -> None:
    lamp = part_of(sample_drill())
    broken = dict.fromkeys(range(1, len(lamp.keys) + 1), NOT_REACHED)
    learnt = practised((lamp, 60, broken, DAY))
    assert not learnt.skills
    assert not learnt.records


def test_a_night_takes_something_and_a_cold_repetition_shows_whether_more() -> None:
    lamp = part_of(sample_drill())
    evening = [(lamp, 70, {}, DAY)] * 6
    all_of_it: dict[int, Result] = dict.fromkeys(range(1, len(lamp.keys) + 1), CHOKED)
    forgot, kept = (
        practised(*evening, (lamp, 70, all_of_it, DAY + 5)),
        practised(*evening, (lamp, 70, {}, DAY + 5)),
    )
    assert seen(practised(*evening), lamp, DAY + 5).whole(math.log(70)) < seen(
        practised(*evening), lamp, DAY
    ).whole(math.log(70))
    assert forgot.skills["lamps"].level.mean < kept.skills["lamps"].level.mean


def test_the_last_results_are_remembered_as_bits() -> None:
    bits = 1
    for failed in (1, 0, 1, 0, 0, 0, 0, 0, 0, 1):
        bits = with_result(bits, failed)
    assert late_results(bits) == (2, 8)


def test_a_state_turns_into_plain_data_and_back_to_the_digit() -> None:
    learnt = sample_learnt()
    text = json.dumps(LearningFold().plain(learnt))
    again = LearningFold().state(json.loads(text))
    assert LearningFold().plain(again) == LearningFold().plain(learnt)
    lamp = part_of(sample_drill())
    for state in (learnt, again):
        state.take(lamp.excerpt, lamp.keys, 63, lamp.goal_bpm, {2: CHOKED}, DAY + 9)
    assert json.dumps(LearningFold().plain(again)) == json.dumps(LearningFold().plain(learnt))


def test_to_look_changes_nothing() -> None:
    learnt, drill = sample_learnt(), sample_drill()
    before = json.dumps(LearningFold().plain(learnt))
    make_plan(TODAY, 20, [drill], learnt)
    material = material_of([drill])
    forecast(learnt, material, drill, TODAY, 20, draws=2)
    standing(learnt, material, material.phrases(drill)[1], TODAY)
    places(learnt, material, drill, TODAY)
    assert json.dumps(LearningFold().plain(learnt)) == before


def sample_learnt() -> Learnt:
    lamp, wick = part_of(sample_drill()), part_of(sample_drill(), 1)
    rng = Random(1)
    results: list[tuple[Part, int, dict[int, Result], int]] = []
    for number in range(60):
        part = rng.choice((lamp, wick))
        faults: dict[int, Result] = {
            label: rng.choice((CHOKED, LATE)) for label in range(1, len(part.keys) + 1) if rng.random() < 0.05
        }
        results.append((part, rng.randint(45, 80), faults, DAY - 10 + number // 8))
    return practised(*results)


class Watching:
    """Remembers what was played, and looks at the coach each evening."""

    def __init__(self) -> None:
        self.played: list[tuple[Played, Why]] = []
        self.turns: list[tuple[int, Choice]] = []
        self.idle: list[int] = []
        self.minutes: dict[int, float] = {}

    def __call__(self, policy: Policy, played: Played, player: Player) -> None:
        assert isinstance(policy, Coach)
        assert policy.chosen is not None
        self.played.append((played, policy.chosen.why))
        if not self.turns or self.turns[-1][1] is not policy.chosen:
            self.turns.append((played.day, policy.chosen))

    def evening(self, policy: Policy, player: Player, day: int) -> None:
        assert isinstance(policy, Coach)
        self.minutes[day] = sum(one.part.rep_s(one.bpm) for one, _ in self.played if one.day == day) / 60
        for drill in policy.material.drills:
            for excerpt in policy.material.phrases(drill):
                part = policy.material.part(excerpt)
                if part and part.key in policy.learnt.records:
                    self.idle.append(day - heard(policy.learnt, part))


def watched(kind: str, shape: str, days: int, seed: int = 1) -> Watching:
    drills, watch = (piece(shape, seed),), Watching()
    player = players_a.make(kind, drills, seed)
    run(player, drills, 20, days, Coach, seed, missed=0.0, watch=watch, mastered=2.0)
    return watch


def pieces_by_day(watch: Watching) -> dict[int, list[Played]]:
    found: dict[int, list[Played]] = {}
    for played, _ in watch.played:
        if played.part.excerpt.kind is Kind.PIECE:
            found.setdefault(played.day - FIRST_DAY + 1, []).append(played)
    return found


def test_who_never_fails_plays_the_piece_at_its_goal_by_the_second_day_and_is_then_left_alone() -> None:
    watch = watched("never-fails", "usual", 8)
    pieces = pieces_by_day(watch)
    assert min(pieces) <= 2
    assert pieces[min(pieces)][0].bpm == pieces[min(pieces)][0].part.goal_bpm
    minutes = [watch.minutes[FIRST_DAY + day] for day in range(8)]
    assert max(minutes[2:]) < 8
    assert minutes[7] < 3


def test_one_slip_in_a_hundred_keeps_the_piece_at_four_fifths_of_its_slowest_phrase_at_least() -> None:
    pieces = pieces_by_day(watched("slips-1-in-100", "usual", 8))
    assert min(pieces) <= 3
    assert all(played.bpm >= 0.8 * played.part.goal_bpm for day in pieces.values() for played in day[1:])


def test_one_slip_in_thirty_settles_near_the_goal_and_the_plan_says_what_breaks() -> None:
    pieces = pieces_by_day(watched("slips-1-in-30", "usual", 8))
    last = [played.bpm / played.part.goal_bpm for played in pieces[max(pieces)]]
    assert 0.6 <= sum(last) / len(last) <= 1.0


def test_nothing_begun_lies_unheard_for_more_than_a_week_and_few_tests_come_a_day() -> None:
    watch = watched("even", "usual", 20)
    assert len(watch.turns) > 60
    assert max(watch.idle) <= KEPT_DAYS + 1
    tests = [one for one in watch.played if one[1] is Why.TEST]
    for day in {one[0].day for one in tests}:
        assert sum(one[0].day == day for one in tests) <= 3
    assert all(one[0].bpm == one[0].part.goal_bpm for one in tests)


@pytest.mark.parametrize("seed", range(6))
def test_what_was_just_played_comes_again_only_where_nothing_else_is_due(seed: int) -> None:
    """Whatever became of the turns: clean, failed, broken off. What else is due shows once the phrase is left alone."""
    rng = Random(seed)
    material = material_of([piece("short", seed), piece("usual", seed)])
    learnt, repeats = Learnt(), 0
    for drill in material.drills[: rng.choice((1, 2))]:
        for part in material.parts(drill):
            if rng.random() < 0.8:
                bpm = rng.randint(part.start_bpm, part.goal_bpm)
                learnt.expect(part, rng.randint(1, 8), DAY - rng.randint(1, 10), bpm)
    sitting = sitting_on(DAY, 3600, warm=True, pace=rng.choice((1, 5)))
    while (turn := choose(learnt, material, sitting)) is not None:
        bars, last = bars_of(turn.option.part.excerpt), [bars_of(each) for each in sitting.recent]
        apart = PIECE_APART if turn.option.part.excerpt.kind is Kind.PIECE else 1
        if bars in last[-apart:]:
            other = choose(learnt, material, replace(sitting, left_alone=frozenset({bars})))
            in_pace = sitting.begun < sitting.pace
            apart_too = other and bars_of(other.option.part.excerpt) in last[-1:]
            assert other is None or apart_too or (other.why is Why.BEGIN and not in_pace)
            repeats += 1
        became = rng.choice(("clean", "failed", "broken off"))
        part, faults = turn.option.part, {1: CHOKED} if became == "failed" else {}
        for _ in range(0 if became == "broken off" else turn.reps):
            learnt.take(part.excerpt, part.keys, turn.bpm, part.goal_bpm, faults, DAY)
        sitting = replace(sitting.after(turn), begun=0)


def test_new_phrases_come_at_the_players_pace() -> None:
    drill = piece("long", 2)
    for pace in (1, 3):
        plan = make_plan(TODAY, 30, [drill], Learnt(), pace=pace)
        assert sum(item.purpose is Purpose.BEGIN for item in plan.items) == pace


def test_what_was_only_heard_within_the_piece_for_a_week_is_heard_by_itself() -> None:
    drill = sample_drill()
    material = material_of([drill])
    lamp, wick, piece_of = part_of(drill), part_of(drill, 1), material.piece(drill)
    whole = material.part(piece_of) if piece_of else None
    assert whole is not None
    parts = [(part, part.goal_bpm, {}, DAY - 8) for part in (lamp, wick) for _ in range(80)]
    learnt = practised(*parts, *[(whole, whole.goal_bpm, {}, DAY - 1)] * 20)
    plan = make_plan(TODAY, 20, [drill], learnt)
    unheard = [item for item in plan.items if "by itself" in item.reason]
    assert {item.excerpt for item in unheard} == {lamp.excerpt, wick.excerpt}


def test_a_second_drill_waits_until_the_first_is_begun_throughout() -> None:
    first, second = piece("short", 1), piece("short", 2)
    plan = make_plan(TODAY, 20, [first, second], Learnt())
    assert {item.excerpt.drill for item in plan.items if item.excerpt} == {first.id}


def test_a_drill_with_a_grade_waits_until_the_one_before_is_nearly_at_its_goal() -> None:
    first, second = (replace(piece("short", seed), grade=seed) for seed in (1, 2))
    begun, done = Learnt(), Learnt()
    for part in map(material_of([first]).part, material_of([first]).phrases(first)):
        assert part is not None
        for bpm, learnt in ((part.start_bpm, begun), (part.goal_bpm, done)):
            for _ in range(8):
                learnt.take(
                    part.excerpt,
                    part.keys,
                    bpm,
                    part.goal_bpm,
                    {1: CHOKED} if learnt is begun else {},
                    DAY - 1,
                )
    drills = [
        {item.excerpt.drill for item in make_plan(TODAY, 40, [first, second], learnt).items if item.excerpt}
        for learnt in (begun, done)
    ]
    assert drills == [{first.id}, {first.id, second.id}]


def test_minutes_that_stay_free_are_explained() -> None:
    drill = sample_drill()
    sure = practised(*[(part_of(drill, number), 80, {}, DAY - 2) for number in (0, 1) for _ in range(80)])
    nearly = practised(*[(part_of(drill, number), 80, {}, DAY - 2) for number in (0, 1) for _ in range(60)])
    assert re.match(
        r"Nothing more needs practice today; \d+ min to spare",
        make_plan(TODAY, 20, [drill], nearly).notes[-1],
    )
    alone = replace(drill, phrases=drill.phrases[:1], order=())
    assert make_plan(TODAY, 20, [alone], sure).notes == (
        "Nothing needs practice today: all of it is expected to be clean, cold, in a week.",
    )
    assert "too short for an item" in make_plan(TODAY, 0.3, [drill], Learnt()).notes[-1]
    assert "list of drills" in make_plan(TODAY, 20, [], Learnt()).notes[-1]


def begun_piece(at_bpm: float) -> tuple[Drill, Learnt]:
    """Six phrases, each played four times two days ago at a part of the goal, one in four failed."""
    drill = piece("usual", 1)
    material = material_of([drill])
    parts = [part for excerpt in material.phrases(drill) if (part := material.part(excerpt))]
    bpm = round(at_bpm * parts[0].goal_bpm)
    faults: list[dict[int, Result]] = [{}, {2: CHOKED}, {}, {}]
    return drill, practised(*[(part, bpm, failed, DAY - 2) for part in parts for failed in faults])


def test_a_piece_that_its_phrases_have_left_behind_climbs_to_them() -> None:
    """It was played once, at two fifths of the goal, before its phrases were learnt."""
    drill, learnt = begun_piece(1.0)
    material = material_of([drill])
    whole = material.part(material.piece(drill) or part_of(drill).excerpt)
    assert whole is not None
    low_bpm = round(0.4 * whole.goal_bpm)
    learnt.take(whole.excerpt, whole.keys, low_bpm, whole.goal_bpm, {}, DAY - 2)
    planned = make_plan(TODAY, 30, [drill], learnt, material=material)
    tempos = [item.tempo_bpm for item in planned.items if item.excerpt == whole.excerpt]
    assert tempos[0] == next_rung(low_bpm, True, whole.goal_bpm)
    assert tempos[-1] > 1.5 * tempos[0]


def test_what_was_held_at_its_goal_today_has_the_minutes_that_are_left_until_it_is_safe_or_was_played_often() -> (
    None
):
    drill, learnt = begun_piece(1.2)
    short, long = (make_plan(TODAY, minutes, [drill], learnt) for minutes in (10, 120))
    at_goal = [item.excerpt for item in long.items if item.purpose is Purpose.AT_GOAL]
    times = Counter(at_goal)
    once = len(times)
    assert once == len(set(at_goal[:once])) > 1
    assert all(one.excerpt != other.excerpt for one, other in pairwise(long.items) if one.excerpt)
    assert max(times.values()) <= REPS_A_DAY
    assert re.match(r"Nothing more needs practice today; 1 h \d+ min to spare", long.notes[-1])
    assert sum(item.minutes for item in short.items) > 9


def test_a_long_piece_lands_with_a_slip_here_and_there_but_not_twice_at_one_place() -> None:
    """Fact of the trade, no source: nobody plays a hundred notes without a slip, and a place that fails is no slip."""
    drill = piece("usual", 2)
    material = material_of([drill])
    excerpt = material.piece(drill)
    whole = material.part(excerpt) if excerpt else None
    assert whole is not None
    assert 2 * HARMONICS_A_SLIP <= whole.harmonics < 3 * HARMONICS_A_SLIP

    def landed(part: Part, *passes: dict[int, Result]) -> bool:
        learnt = practised(*[(part, part.goal_bpm, faults, DAY) for faults in passes])
        return learnt.records[part.key].landed == DAY

    assert landed(whole, {3: CHOKED, 40: LATE}, {4: CHOKED})
    assert landed(whole, {3: CHOKED}, {}, {3: CHOKED})
    assert not landed(whole, {3: CHOKED}, {3: CHOKED}, {3: CHOKED, 9: CHOKED}, {3: CHOKED})
    assert not landed(whole, {}, {3: CHOKED, 4: CHOKED, 5: CHOKED}, {})
    assert not landed(whole, {}, {133: CHOKED, 134: NOT_REACHED}, {})
    assert not landed(part_of(drill), {}, {3: CHOKED}, {})


def test_three_other_turns_stand_between_two_times_through_the_piece() -> None:
    drill, learnt = begun_piece(1.2)
    material = material_of([drill])
    whole, phrases = material.piece(drill), material.phrases(drill)
    assert whole is not None
    played = material.part(whole)
    assert played is not None
    # Broken at places all over, the piece is worth most now.
    for label in (3, 9, 15, 21, 27):
        learnt.take(whole, played.keys, played.goal_bpm, played.goal_bpm, {label: CHOKED}, DAY - 1)

    def chosen(*recent: Excerpt) -> Excerpt:
        turn = choose(learnt, material, sitting_on(DAY, warm=True, recent=recent))
        assert turn is not None
        return turn.option.part.excerpt

    assert chosen() == chosen(*phrases[:3]) == whole
    for others in range(PIECE_APART):
        assert chosen(whole, *phrases[:others]) != whole


def test_what_failed_in_another_phrase_is_no_reason_for_a_new_one() -> None:
    drill = piece("usual", 1)
    material = material_of([drill])
    first = material.part(material.phrases(drill)[0])
    assert first is not None
    failing: list[dict[int, Result]] = [{event: CHOKED} for event in range(1, len(first.keys) + 1)]
    learnt = practised(*[(first, 60, failed, DAY - 1) for failed in failing * 3])
    plan = make_plan(TODAY, 20, [drill], learnt)
    assert {item.reason for item in plan.items if item.purpose is Purpose.BEGIN} == {"Not played yet."}


def test_the_plan_is_the_same_to_the_digit_and_fits_its_minutes() -> None:
    drill, learnt = sample_drill(), sample_learnt()
    plan = make_plan(TODAY, 20, [drill], learnt)
    assert plan == make_plan(TODAY, 20, [drill], LearningFold().state(LearningFold().plain(learnt)))
    assert sum(item.minutes for item in plan.items) <= 20
    assert all(item.reason for item in plan.items)


def test_turns_chosen_from_options_at_hand_are_those_chosen_anew() -> None:
    drills, learnt = [piece("usual", 3), sample_drill()], sample_learnt()
    material, sitting = material_of(drills), sitting_on(DAY, 2400.0)
    ahead, anew = played_ahead(learnt, material, sitting), []
    while (turn := choose(learnt, material, sitting)) is not None:
        anew.append((turn.option.part.excerpt, turn.reps, turn.bpm))
        if turn.why is not Why.WARM_UP:
            learnt.expect(turn.option.part, turn.reps, DAY, turn.bpm)
        sitting = sitting.after(turn)
    assert len(anew) > 12
    assert [(item.excerpt, item.reps, item.tempo_bpm) for item in ahead.items] == anew


def test_new_phrases_come_first_on_their_day() -> None:
    drill = piece("long", 2)
    plan = make_plan(TODAY, 30, [drill], Learnt(), pace=3)
    purposes = [item.purpose for item in plan.items if item.excerpt]
    assert purposes[:3] == [Purpose.BEGIN] * 3


def test_a_list_of_reasons_says_each_sentence_once() -> None:
    plan = make_plan(TODAY, 30, [piece("long", 2)], Learnt(), pace=3)
    told = [each for each in told_once(plan.items) if each]
    assert len(told) == len(set(told)) == len({item.reason for item in plan.items})


def test_a_due_date_that_is_past_is_told_for_two_weeks() -> None:
    def notes(days: int) -> tuple[str, ...]:
        assignment = Assignment(due=TODAY - timedelta(days=days))
        drill = replace(sample_drill(), title="\x1b[31mLamps", assignment=assignment)
        return make_plan(TODAY, 20, [drill], Learnt()).notes

    told = "The due date of Lamps was 1 Mar: it is practised like any other drill now."
    assert told in notes(1)
    assert not any("due date" in note for note in notes(15))


def test_a_day_that_hurt_halves_the_plan_and_comes_first() -> None:
    plan = make_plan(TODAY, 40, [sample_drill()], sample_learnt(), History(hurt_days=frozenset({TODAY})))
    assert plan.minutes == 20
    assert "clinician" in plan.notes[0]


def test_what_landed_and_was_left_for_a_week_is_tested_cold_at_its_goal() -> None:
    lamp = part_of(sample_drill())
    learnt = practised(*[(lamp, lamp.goal_bpm, {}, DAY - 8)] * 12)
    assert learnt.records[lamp.key].landed == DAY - 8
    turn = choose(learnt, material_of([sample_drill()]), sitting_on(DAY, warm=True))
    assert turn is not None
    assert (turn.why, turn.reps, turn.bpm) == (Why.TEST, 1, lamp.goal_bpm)
    assert reason(learnt, turn, TODAY).startswith("At its goal on")
    learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, {}, DAY)
    material = material_of([sample_drill()])
    found = standing(learnt, material, lamp.excerpt, TODAY)
    assert found is not None
    assert found.tested == TODAY
    assert found.kept


def test_landed_is_the_goal_held_so_often_in_a_row_on_a_day() -> None:
    lamp = part_of(sample_drill())
    goal = lamp.goal_bpm
    short = practised(*[(lamp, goal, {}, DAY)] * (CLEAN_TO_LAND - 1), (lamp, goal, {}, DAY + 1))
    assert short.records[lamp.key].landed == 0
    assert practised(*[(lamp, goal, {}, DAY)] * CLEAN_TO_LAND).records[lamp.key].landed == DAY


def test_what_landed_at_a_slower_goal_is_not_landed_at_a_faster_one() -> None:
    drill = sample_drill()
    lamp = part_of(drill)
    learnt = practised(*[(lamp, lamp.goal_bpm, {}, DAY)] * 6)
    faster = replace(drill, assignment=Assignment(goal_bpm=lamp.goal_bpm + 20))
    found = standing(learnt, material_of([faster]), lamp.excerpt, TODAY)
    assert found is not None
    assert (found.landed, found.kept) == (None, False)
    same = standing(learnt, material_of([drill]), lamp.excerpt, TODAY)
    assert same is not None
    assert same.landed == TODAY


def test_a_reason_names_the_place_that_failed_most() -> None:
    drill = sample_drill()
    lamp = part_of(drill)
    at = next(at for at, keys in enumerate(lamp.keys) if keys[0])
    learnt = practised(*[(lamp, 60, {at + 1: CHOKED}, DAY - 1)] * 3, *[(lamp, 60, {}, DAY - 1)] * 5)
    turn = choose(
        learnt,
        material_of([drill]),
        sitting_on(DAY, warm=True, left_alone=frozenset({bars_of(part_of(drill, 1).excerpt)})),
    )
    assert turn is not None
    assert "failed in 3 of its last 8" in reason(learnt, turn, TODAY)


@pytest.mark.parametrize(
    ("excerpt", "expected"),
    [
        (
            Excerpt("lamps", ("lamp",)),
            [Release.HALF, Release.LAYER, Release.PLACE, Release.SLOWER, Release.LEAVE],
        ),
        (Excerpt("lamps", ("lamp",), "bass"), [Release.SLOWER, Release.LEAVE]),
        (
            Excerpt("lamps", ("lamp", "wick"), kind=Kind.PIECE),
            [Release.PHRASE, Release.LAYER, Release.SLOWER, Release.LEAVE],
        ),
    ],
)
def test_relief_comes_the_mildest_first_and_leaving_last(excerpt: Excerpt, expected: list[Release]) -> None:
    material = material_of([sample_drill()])
    part = material.part(excerpt)
    assert part is not None
    harmonic = next((event.label for event in part.passage.events if event.place), 1)
    known = [relief.release for relief in reliefs(material, excerpt, {harmonic})]
    assert [release for release in expected if release in known] == [
        each for each in known if each in expected
    ]
    assert known[-2:] == [Release.SLOWER, Release.LEAVE]
    assert {Release.SLOWER, Release.LEAVE} <= set(known)
    assert len(known) == len(set(known))


def test_more_minutes_and_a_stronger_start_bring_the_goal_nearer() -> None:
    drill = piece("short", 3)
    material = material_of([drill])
    learnt = Learnt()
    for excerpt in material.phrases(drill):
        part = material.part(excerpt)
        assert part is not None
        for day in (DAY - 3, DAY - 2):
            for _ in range(3):
                learnt.take(part.excerpt, part.keys, round(0.75 * part.goal_bpm), part.goal_bpm, {}, day)
    few, many = (forecast(learnt, material, drill, TODAY, minutes) for minutes in (8, 60))
    assert many.at_goal.likely is not None
    assert few.at_goal.likely is None or many.at_goal.likely <= few.at_goal.likely
    assert few == forecast(learnt, material, drill, TODAY, 8)
    assert many.at_goal.early <= many.at_goal.likely


def test_a_player_who_fails_everything_hears_not_at_this_rate() -> None:
    drill = piece("usual", 4)
    material = material_of([drill])
    learnt = Learnt()
    for number, excerpt in enumerate(material.phrases(drill) * 4):
        part = material.part(excerpt)
        assert part is not None
        failed: dict[int, Result] = dict.fromkeys(range(1, len(part.keys) + 1), CHOKED)
        bpm = max(20, round(part.start_bpm * 0.9 ** (number / 3)))
        learnt.take(part.excerpt, part.keys, bpm, part.goal_bpm, failed, DAY - 8 + number // 4)
        learnt.count(DAY - 8 + number // 4, 20_000)
    found = forecast(learnt, material, drill, TODAY, 10)
    assert not found.at_this_rate


def test_a_second_session_of_a_day_brings_no_more_new_phrases_than_the_day_has_left(tmp_path, capsys):
    folder = ("--folder", str(tmp_path), "--date", "2026-12-01")
    (tmp_path / "drills").mkdir()
    (tmp_path / "settings.yaml").write_text("practice: {begun_a_day: 2}\n")
    (tmp_path / "answers").write_text("choked 1 2\n" * 12 + "stop\n")

    def begun() -> set[str]:
        capsys.readouterr()
        assert main(["plan", "swallows-under-the-roof", "--json", *folder]) == 0
        items = json.loads(capsys.readouterr().out)["items"]
        return {str(item["excerpt"]) for item in items if item["purpose"] == "begin"}

    assert len(begun()) == 2
    assert main(["practice", "swallows-under-the-roof", "--answers", str(tmp_path / "answers"), *folder]) == 0
    assert begun() == set()


def test_two_days_of_failures_after_a_good_one_are_no_way_to_the_goal(tmp_path, capsys):
    folder = ("--folder", str(tmp_path))
    (tmp_path / "drills").mkdir()
    for day, answers in ((1, "clean\n" * 8), (2, "choked 2 3\nchoked 1 4\n" * 4), (3, "choked 1 2\n" * 8)):
        (tmp_path / "answers").write_text(answers + "stop\n")
        words = ("--answers", str(tmp_path / "answers"), "--date", f"2026-12-0{day}", *folder)
        assert main(["practice", "first-pour", *words]) == 0
    capsys.readouterr()
    assert main(["forecast", "first-pour", "--date", "2026-12-03", *folder]) == 0
    said = capsys.readouterr().out
    assert "Not at this rate: your tempos have fallen since the first days." in said


def test_a_forecast_with_nothing_logged_says_so_instead_of_dates(tmp_path, capsys):
    folder = ["--folder", str(tmp_path)]
    assert main(["forecast", "first-pour", "--draws", "2", *folder]) == 0
    said = capsys.readouterr().out
    assert "Nothing of it is logged yet, so there is no forecast" in said
    assert not re.search(r"\d{4}|%", said)
    assert main(["forecast", "first-pour", "--draws", "2", "--json", *folder]) == 0
    facts = json.loads(capsys.readouterr().out)
    assert set(facts["at_goal"].values()) | set(facts["kept"].values()) == {None}


def after_days(tmp_path, first_day, days, answers="clean\n" * 8):
    """The folder's words, after so many days of `first-pour`."""
    folder = ("--folder", str(tmp_path))
    (tmp_path / "answers").write_text(answers + "stop\n")
    for day in range(first_day, first_day + days):
        words = ("--answers", str(tmp_path / "answers"), "--date", f"2026-12-{day:02}", *folder)
        assert main(["practice", "first-pour", *words]) == 0
    return folder


def test_no_date_is_forecast_before_four_days_of_practice(tmp_path, capsys):
    folder = after_days(tmp_path, 1, 3)
    capsys.readouterr()
    assert main(["forecast", "first-pour", "--date", "2026-12-03", *folder]) == 0
    said = capsys.readouterr().out
    assert (
        "Too early to say when it is at its goal: 3 days of practice so far, and a forecast needs 4." in said
    )
    assert not re.search(r"\d{4}|today", said)
    after_days(tmp_path, 4, 1)
    capsys.readouterr()
    assert main(["forecast", "first-pour", "--date", "2026-12-04", *folder]) == 0
    assert "likely at its goal" in capsys.readouterr().out


def test_a_forecast_tells_the_dates_between_which_eight_of_ten_players_get_there() -> None:
    drill, learnt = begun_piece(0.8)
    material = material_of([drill])
    early, likely, late = (TODAY + timedelta(days=days) for days in (4, 9, 30))

    def said(*ends: date | None) -> str:
        at_goal, kept = Span(*ends), Span(late, late, None)
        found = replace(forecast(learnt, material, drill, TODAY, 20), at_goal=at_goal, kept=kept)
        found = replace(found, rise=0.1, practised_days=5)
        return "\n".join(lines(found, material, drill, learnt, TODAY))

    spread = said(early, likely, late)
    assert "The piece is likely at its goal around 11 Mar 2026, in 9 days.\n" in spread
    assert "Of 10 players with a log like yours, 8 get there between 6 Mar 2026 and 1 Apr 2026.\n" in spread
    assert (
        "All of it is likely kept, clean cold after a week without it, around 1 Apr 2026, in 30 days"
        in spread
    )
    open_end = said(early, likely, None)
    assert "1 gets there before 6 Mar 2026, and some not by 30 Jun 2026." in open_end
    soon = said(TODAY, TODAY, TODAY)
    assert "The piece is likely at its goal today, once you play it there.\nAll of it" in soon


def test_a_piece_is_at_its_goal_only_once_it_was_played_there(tmp_path, capsys):
    """Whatever is expected: seven clean days at 70 of 80, the piece never, then the piece at 80."""
    folder, drill = ("--folder", str(tmp_path)), "latch-of-the-gate"

    def forecast_on(day: int) -> tuple[str, dict[str, dict[str, str]]]:
        words = ["forecast", drill, "--date", f"2026-12-{day:02}", *folder]
        capsys.readouterr()
        assert main(words) == 0
        said = capsys.readouterr().out
        assert main([*words, "--json"]) == 0
        return said, json.loads(capsys.readouterr().out)

    def played(days: range, *lines: str) -> None:
        text = "".join(f"day 2026-12-{day:02}\n" + "".join(f"{line}\n" for line in lines) for day in days)
        (tmp_path / "answers").write_text(text)
        words = ("--answers", str(tmp_path / "answers"), "--date", f"2026-12-{days[-1]:02}")
        assert main(["practice", drill, *words, *folder]) == 0

    phrases = ("at try-it/together 70 clean", "at lift-it/together 70 clean") * 5
    played(range(1, 8), *phrases)
    said, facts = forecast_on(7)
    assert not facts["there"]
    assert min(facts["at_goal"].values()) == "2026-12-08"  # Today's practice is over.
    assert "likely at its goal around 8 Dec 2026, in 1 day." in said
    said, facts = forecast_on(8)
    assert not facts["there"]
    assert "likely at its goal today, once you play it there." in said
    played(range(8, 9), *phrases, *["at piece/together 80 clean"] * 2)
    said, facts = forecast_on(8)
    assert facts["there"]
    assert set(facts["at_goal"].values()) == {"2026-12-08"}
    assert "The piece is at its goal.\nAll of it" in said


def test_nothing_is_kept_sooner_than_a_week_after_it_is_at_its_goal(tmp_path, capsys):
    folder = after_days(tmp_path, 1, 4)
    capsys.readouterr()
    assert main(["forecast", "first-pour", "--date", "2026-12-04", "--json", *folder]) == 0
    facts = json.loads(capsys.readouterr().out)
    for share in ("early", "likely"):
        at_goal, kept = (date.fromisoformat(facts[name][share]) for name in ("at_goal", "kept"))
        assert (kept - at_goal).days >= KEPT_DAYS


def test_the_end_of_a_session_and_the_report_give_one_rung(tmp_path, capsys):
    answers = "choked 2\nchoked 2; choked 5 lift; late 7\n"
    folder = after_days(tmp_path, 1, 1, answers)
    told = re.findall(r"rung (?:\d+ to )?(\d+)", capsys.readouterr().out)
    assert main(["report", "--date", "2026-12-01", *folder]) == 0
    assert told
    assert re.findall(r"(\d+) of +\d+ ", capsys.readouterr().out.split("clean tempo")[1])[: len(told)] == told


def test_after_one_result_the_plan_has_no_percentage(tmp_path, capsys):
    folder = ["--folder", str(tmp_path)]
    (tmp_path / "answers.txt").write_text("choked 1\n")
    assert main(["practice", "first-pour", "--answers", str(tmp_path / "answers.txt"), *folder]) == 0
    capsys.readouterr()
    assert main(["plan", "first-pour", *folder]) == 0
    assert "%" not in capsys.readouterr().out


def test_the_plan_names_a_drill_once_an_item(tmp_path, capsys):
    assert main(["plan", "first-pour", "--minutes", "20", "--folder", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert "First Pour from start to end, together, once at 50 bpm" in said
    assert "Ladle, together (First Pour), " in said
