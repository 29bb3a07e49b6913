"""What is read from the estimate: clean tempos, nodes and moves, what is kept, and which test comes next."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, timedelta
from statistics import NormalDist

import pytest

from coach.learning.choice import OPEN, Choice, Why, _best, choose, option
from coach.learning.learning import CLEAN_TO_LAND, KEPT_DAYS, Learnt
from coach.learning.material import Part, material_of
from coach.learning.plan import Purpose
from coach.learning.planner import item_of, make_plan
from coach.learning.readings import (
    CLEAN,
    CLEAN_PLACE,
    KEPT_CHANCE,
    MOSTLY,
    Standing,
    clean_tempo,
    places,
    rung_of,
    seen,
    standing,
    to_be_tested,
)
from coach.learning.reasons import reason
from coach.learning.rung import next_rung, reading
from coach.learning.skill import SLOPE, View, wholes_of
from coach.music.excerpt import Kind
from coach.rating.table import CHOKED, LATE, Result
from tests.samples import sample_drill, sitting_on

TODAY = date(2026, 3, 2)
DAY = TODAY.toordinal()
MATERIAL = material_of([sample_drill()])
NINE_TENTHS = NormalDist().inv_cdf(0.9)


def phrase(number: int) -> Part:
    part = MATERIAL.part(MATERIAL.phrases(sample_drill())[number])
    assert part is not None
    return part


def ln_tempo(view: View, chance: float) -> float:
    """Where a view has this chance, by halving: between 20 and 400 bpm."""
    low, high = math.log(20), math.log(400)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if view.whole(middle) > chance else (low, middle)
    return low


def test_a_clean_tempo_has_its_chance_and_its_ends_follow_from_what_is_not_known() -> None:
    view = View((4.1, 4.25, 4.3), (0.02, 0.02, 0.02), 0.015, 0.01)
    sure = view.middle
    tempo = clean_tempo(view)
    middle = ln_tempo(sure, CLEAN)
    assert math.log(tempo.bpm) == pytest.approx(middle, abs=1e-4)
    moved = [
        replace(sure, means=tuple(m + 1e-4 * (i == at) for i, m in enumerate(sure.means))) for at in range(3)
    ]
    by_event = [(ln_tempo(each, CLEAN) - middle) / 1e-4 for each in moved]
    deviation = math.sqrt(0.015 + sum(0.02 * by**2 for by in by_event))
    assert math.log(tempo.high_bpm) - middle == pytest.approx(NINE_TENTHS * deviation, rel=1e-3)
    assert middle - math.log(tempo.low_bpm) == pytest.approx(NINE_TENTHS * deviation, rel=1e-3)


def test_the_clean_tempo_of_a_long_piece_leaves_its_slips_out() -> None:
    view = View((4.2,) * 120, (0.01,) * 120, 0.0, 0.02)
    assert (1 - view.lapse) ** 120 < CLEAN
    middle = math.log(clean_tempo(view).bpm)
    assert math.prod(view.chances(middle)) == pytest.approx(MOSTLY, abs=1e-3)


def test_a_node_is_clean_four_times_in_five_at_its_tempo() -> None:
    lamp, learnt = phrase(0), Learnt()
    assert places(learnt, MATERIAL, sample_drill(), TODAY) == {}
    for label in (2, 2, 0, 0, 0):
        learnt.take(lamp.excerpt, lamp.keys, 60, lamp.goal_bpm, {label: CHOKED} if label else {}, DAY)
    known = places(learnt, MATERIAL, sample_drill(), TODAY)
    cold = seen(learnt, lamp, DAY)
    nodes = [keys[0] for keys in lamp.keys]
    assert set(known) == {key for keys in lamp.keys for key in keys[:2] if key}
    node = next(key for key in nodes if key and nodes.count(key) == 1)
    at = nodes.index(node)
    wanted = cold.means[at] - math.log(CLEAN_PLACE / (1 - CLEAN_PLACE)) / SLOPE
    assert math.log(known[node].tempo.bpm) == pytest.approx(wanted)
    assert 1 / (1 + math.exp(SLOPE * (wanted - cold.means[at]))) == pytest.approx(CLEAN_PLACE)
    reach = NINE_TENTHS * math.sqrt(cold.shared + cold.own[at])
    assert math.log(known[node].tempo.high_bpm) == pytest.approx(wanted + reach, abs=1e-4)
    assert math.log(known[node].tempo.low_bpm) == pytest.approx(wanted - reach, abs=1e-4)
    assert known[node].chance == pytest.approx(cold.chances(math.log(lamp.goal_bpm))[at])
    failed = lamp.keys[1][0]
    assert (known[failed].failed, known[failed].of) == (2, 5 * nodes.count(failed))
    # A move's chance is without what its node takes: level, place and whole alone, by (2) of skill.py.
    moved = next(at for at, keys in enumerate(lamp.keys) if keys[1])
    level, rows = learnt.skills["lamps"].level, learnt.skills["lamps"].rows(lamp.keys)
    node_term, _, place, whole = rows[moved]
    variance = level.variance + place.variance + whole.variance
    kappa = SLOPE / math.sqrt(1 + math.pi * SLOPE**2 * variance / 8)
    theta = level.mean + place.mean + whole.mean
    alone = 1 / (1 + math.exp(kappa * (math.log(lamp.goal_bpm) - theta)))
    assert node_term.mean != 0
    assert known[lamp.keys[moved][1]].chance == pytest.approx(alone)


def landed(day: int, *parts: Part, extra: int = 0) -> Learnt:
    learnt = Learnt()
    for part in parts:
        for _ in range(CLEAN_TO_LAND + extra):
            learnt.take(part.excerpt, part.keys, part.goal_bpm, part.goal_bpm, {}, day)
    return learnt


def test_what_landed_is_due_a_week_after_it_was_last_played_until_a_test_is_passed() -> None:
    lamp, wick = phrase(0), phrase(1)
    learnt = landed(DAY, wick)
    learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, {}, DAY)
    on = TODAY + timedelta(days=KEPT_DAYS)
    assert to_be_tested(learnt, MATERIAL, TODAY) == [(wick.excerpt, on)]
    assert to_be_tested(learnt, MATERIAL, TODAY - timedelta(days=1)) == []
    for _ in range(CLEAN_TO_LAND):
        learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, {}, DAY)
    assert to_be_tested(learnt, MATERIAL, TODAY) == [
        (part.excerpt, on) for part in sorted((lamp, wick), key=lambda p: p.key)
    ]
    learnt.take(wick.excerpt, wick.keys, wick.goal_bpm, wick.goal_bpm, {}, DAY + KEPT_DAYS)
    assert to_be_tested(learnt, MATERIAL, on) == [(lamp.excerpt, on)]


def test_kept_is_what_a_test_showed_or_what_landed_and_is_all_but_certain() -> None:
    lamp = phrase(0)
    sure, begun = landed(DAY, lamp, extra=60), Learnt()
    record, (whole,) = sure.records[lamp.key], wholes_of(sure.skills["lamps"].rows(lamp.keys))

    def stands() -> Standing:
        found = standing(sure, MATERIAL, lamp.excerpt, TODAY)
        assert found is not None
        return found

    assert (stands().tested, stands().landed) == (None, TODAY)
    assert stands().later >= KEPT_CHANCE
    assert stands().kept
    record.landed = 0
    assert not stands().kept
    record.landed = DAY
    whole.mean -= 0.3
    assert stands().later < KEPT_CHANCE
    assert not stands().kept
    record.kept = DAY
    assert stands().kept
    fresh = standing(begun, MATERIAL, lamp.excerpt, TODAY)
    assert fresh is not None
    assert (fresh.reps, fresh.last, fresh.landed, fresh.failed, fresh.of) == (0, None, None, 0, 0)
    assert fresh.rung_bpm >= lamp.start_bpm


def test_of_what_waits_for_a_test_the_one_whose_answer_is_most_open_comes_first() -> None:
    lamp, wick = phrase(0), phrase(1)
    learnt = landed(DAY - KEPT_DAYS, lamp, wick, extra=2)
    for part, chance in ((lamp, 0.72), (wick, 0.85)):
        # As if this player's skill were just so: the level of each phrase is moved until its cold chance is.
        whole = wholes_of(learnt.skills["lamps"].rows(part.keys))[0]
        for _ in range(200):
            now = seen(learnt, part, DAY).whole(math.log(part.goal_bpm))
            whole.mean += 0.2 * (chance - now)
        assert OPEN[0] <= now <= OPEN[1]
    turn = choose(learnt, MATERIAL, sitting_on(DAY, warm=True))
    assert turn is not None
    assert (turn.why, turn.option.part.excerpt, turn.reps, turn.bpm) == (
        Why.TEST,
        lamp.excerpt,
        1,
        lamp.goal_bpm,
    )
    a_day_early = choose(learnt, MATERIAL, sitting_on(DAY - 1, warm=True))
    assert a_day_early is not None
    assert a_day_early.why is not Why.TEST
    no_more_tests = choose(learnt, MATERIAL, sitting_on(DAY, warm=True, tests=3))
    assert no_more_tests is not None
    assert no_more_tests.why is not Why.TEST


@pytest.mark.parametrize(
    ("rung", "clean", "read", "following"),
    [
        (60, True, 100, 69),
        (60, True, 62, 62),
        (60, True, 50, 60),
        (20, True, 300, 23),
        (60, False, 30, 52),
        (60, False, 57, 57),
        (60, False, 70, 60),
        (21, False, 20, 20),
    ],
)
def test_in_a_turn_the_rung_rises_and_falls_by_a_seventh_at_most_and_never_against_the_result(
    rung: int, clean: bool, read: int, following: int
) -> None:
    assert next_rung(rung, clean, read) == following


def test_a_piece_that_slips_at_another_place_each_time_is_told_how_often_it_was_not_clean() -> None:
    whole = MATERIAL.part(MATERIAL.piece(sample_drill()) or phrase(0).excerpt)
    assert whole is not None
    learnt = Learnt()
    for part in (phrase(0), phrase(1)):
        for _ in range(20):
            learnt.take(part.excerpt, part.keys, part.goal_bpm, part.goal_bpm, {}, DAY - 1)
    nodes = {keys[0]: label for label, keys in enumerate(whole.keys, 1) if keys[0]}
    for label in list(nodes.values())[:2]:
        learnt.take(whole.excerpt, whole.keys, whole.goal_bpm, whole.goal_bpm, {label: CHOKED}, DAY - 1)
    turn = Choice(option(learnt, whole, sitting_on(DAY)), 1, whole.goal_bpm, Why.PIECE)
    assert reason(learnt, turn, TODAY) == "Not clean in 2 of 2; no place failed twice."
    everywhere: dict[int, Result] = {
        at: CHOKED for at, keys in enumerate(whole.keys, 1) if keys[0] == whole.keys[label - 1][0]
    }
    for _ in range(2):
        learnt.take(whole.excerpt, whole.keys, whole.goal_bpm, whole.goal_bpm, everywhere, DAY - 1)
    assert re.fullmatch(r".+ failed in \d of its last 8\.", reason(learnt, turn, TODAY))


def test_what_failed_cold_when_it_was_last_played_says_so_and_else_how_sure_it_is() -> None:
    lamp = phrase(0)
    for faults, told in (
        ({1: LATE}, "Failed cold on 1 Mar."),
        ({}, "At its goal. Cold in a week: clean 9 times in 10."),
    ):
        learnt = Learnt()
        for _ in range(30):
            learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, {}, DAY - 2)
        learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, faults, DAY - 1)
        turn = Choice(option(learnt, lamp, sitting_on(DAY)), 4, lamp.goal_bpm, Why.STEADY)
        assert reason(learnt, turn, TODAY).startswith(told)


def test_a_phrase_that_never_landed_is_to_be_tried_at_its_goal_and_not_at_it_however_good_the_estimate() -> (
    None
):
    lamp, learnt = phrase(0), Learnt()
    for _ in range(30):
        learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm - 1, lamp.goal_bpm, {}, DAY - 1)
    offered = option(learnt, lamp, sitting_on(DAY))
    assert offered.bpm == lamp.goal_bpm
    turn = _best(learnt, [offered], sitting_on(DAY))
    assert turn is not None
    item = item_of(learnt, turn, TODAY)
    assert (item.purpose, item.tempo_bpm) == (Purpose.CLIMB, lamp.goal_bpm)
    assert item.reason == f"Never landed at its goal of {lamp.goal_bpm}."
    for _ in range(CLEAN_TO_LAND):
        learnt.take(lamp.excerpt, lamp.keys, lamp.goal_bpm, lamp.goal_bpm, {}, DAY - 1)
    landed_turn = _best(learnt, [offered], sitting_on(DAY))
    assert landed_turn is not None
    assert item_of(learnt, landed_turn, TODAY).purpose is Purpose.AT_GOAL


def test_a_node_never_played_alone_starts_at_the_tempo_of_its_phrase_and_not_at_the_goal_of_a_few_events() -> (
    None
):
    lamp, learnt = phrase(0), Learnt()
    slow = round(0.7 * lamp.goal_bpm)
    for _ in range(12):
        learnt.take(lamp.excerpt, lamp.keys, slow, lamp.goal_bpm, {}, DAY - 1)
    node = MATERIAL.part(replace(lamp.excerpt, kind=Kind.NODE, subject=lamp.keys[0][0].removeprefix("n:")))
    assert node is not None
    assert reading(seen(learnt, node, DAY).middle, node.harmonics, node.goal_bpm) > slow
    assert rung_of(learnt, node, DAY) == max(slow, node.start_bpm) < node.goal_bpm
    assert rung_of(Learnt(), node, DAY) == node.start_bpm


def test_a_plan_too_short_for_what_was_not_played_for_a_week_says_so() -> None:
    learnt = landed(DAY - KEPT_DAYS - 2, phrase(0), phrase(1))
    short, long = (make_plan(TODAY, minutes, [sample_drill()], learnt).notes for minutes in (0.5, 20))
    assert any(note.startswith("No room today for 2 phrases not played for a week") for note in short)
    assert not any("No room" in note for note in long)
