"""The clean tempo: its posterior against a direct numerical integral, its coverage against simulation."""

from __future__ import annotations

import itertools
import math
import random
from collections import Counter
from collections.abc import Sequence
from datetime import date, timedelta

import pytest
from scipy import integrate, special

from coach.learning.evidence import DayEvidence
from coach.learning.memory import HALF_LIFE_DAYS, fold
from coach.learning.tempo_estimate import (
    CLEAN_AT,
    LAPSE,
    LOG_RANGE,
    LOGIT,
    PRIOR_DEVIATION,
    PRIOR_PART_OF_GOAL,
    SLOPE,
    SLOPE_DEVIATION,
    chance_clean,
    clean_tempo,
    clean_tempos,
    coarse,
    expected_bpm,
    expected_clean,
    expected_gap,
    of_memories,
    sure_bpm,
)

DAY = date(2026, 3, 2)
Rows = list[tuple[int, float, float]]


def mass_by_scipy(rows: Rows, goal_bpm: int, upto_bpm: Sequence[float]) -> list[float]:
    """Posterior probability that the clean tempo lies under each tempo, by adaptive quadrature of the same model."""

    def density(log_slope: float, log_tempo: float) -> float:
        value = -0.5 * ((log_tempo - math.log(PRIOR_PART_OF_GOAL * goal_bpm)) / PRIOR_DEVIATION) ** 2
        value -= 0.5 * ((log_slope - math.log(SLOPE)) / SLOPE_DEVIATION) ** 2
        for bpm, clean, failed in rows:
            logit = LOGIT - math.exp(log_slope) * (math.log(bpm) - log_tempo)
            chance = (1 - LAPSE) * special.expit(logit)
            value += clean * math.log(chance) + failed * math.log1p(-chance)
        return math.exp(value)

    low, high = math.log(SLOPE) - 3.5 * SLOPE_DEVIATION, math.log(SLOPE) + 3.5 * SLOPE_DEVIATION

    def marginal(log_tempo: float) -> float:
        return float(integrate.quad(density, low, high, args=(log_tempo,), epsabs=0, epsrel=1e-6)[0])

    edges = [LOG_RANGE[0], *(math.log(bpm) for bpm in upto_bpm), LOG_RANGE[1]]
    pieces = [
        float(integrate.quad(marginal, left, right, epsabs=0, epsrel=1e-6)[0])
        for left, right in itertools.pairwise(edges)
    ]
    return [sum(pieces[: index + 1]) / sum(pieces) for index in range(len(upto_bpm))]


@pytest.mark.parametrize(
    "rows", [[(50, 6, 0), (56, 5, 1), (62, 3, 3), (70, 1.5, 4)], [(44, 2.25, 0.5)]], ids=["much", "little"]
)
def test_the_posterior_is_that_of_a_direct_numerical_integral(rows: Rows) -> None:
    found = clean_tempo(rows, 80)
    masses = mass_by_scipy(rows, 80, (found.low_bpm, found.bpm, found.high_bpm))
    assert masses == pytest.approx([0.1, 0.5, 0.9], abs=1e-3)


def test_an_interval_of_eighty_percent_covers_eighty_percent() -> None:
    # Players drawn from the prior, each practising around the tempo that a ladder would find: a calibrated posterior
    # covers its nominal share exactly on average (Cook, Gelman and Rubin 2006, JCGS 15:675).
    rng = random.Random(20)
    truths, tempos = [], []
    for _ in range(600):
        log_tempo = rng.gauss(math.log(PRIOR_PART_OF_GOAL * 80), PRIOR_DEVIATION)
        slope = math.exp(rng.gauss(math.log(SLOPE), SLOPE_DEVIATION))
        counts: dict[int, Counter[bool]] = {}
        for _ in range(rng.choice((4, 15, 60))):
            bpm = round(64 * math.exp(rng.gauss(0, 0.3)))
            chance = (1 - LAPSE) / (1 + math.exp(slope * (math.log(bpm) - log_tempo) - LOGIT))
            counts.setdefault(bpm, Counter())[rng.random() < chance] += 1
        truths.append(math.exp(log_tempo))
        tempos.append([(bpm, count[True], count[False]) for bpm, count in counts.items()])
    found = clean_tempos(tempos, [80] * len(tempos))
    inside = sum(each.low_bpm <= truth <= each.high_bpm for each, truth in zip(found, truths, strict=True))
    # 600 draws: 0.80 +- 3.3 binomial standard errors of 0.0163.
    assert inside / len(truths) == pytest.approx(0.80, abs=0.054)


def test_the_clean_tempo_is_where_four_in_five_are_clean() -> None:
    assert (1 - LAPSE) * chance_clean(61.0, 61.0) == pytest.approx(CLEAN_AT)
    many: Rows = [
        (bpm, 400 * (1 - LAPSE) * chance_clean(bpm, 60), 400 * (1 - (1 - LAPSE) * chance_clean(bpm, 60)))
        for bpm in range(40, 90, 5)
    ]
    found = clean_tempo(many, 80)
    assert found.bpm == pytest.approx(60, rel=0.01)
    assert found.high_bpm / found.low_bpm < 1.05


def test_many_keys_at_once_are_the_same_as_each_alone() -> None:
    tempos: list[Rows] = [[(50, 3, 1)], [(60, 0, 4), (40, 5, 0)], []]
    goals = [80, 60, 100]
    together = clean_tempos(tempos, goals)
    for rows, goal, found in zip(tempos, goals, together, strict=True):
        alone = clean_tempo(rows, goal)
        assert (found.low_bpm, found.bpm, found.high_bpm) == pytest.approx(
            (alone.low_bpm, alone.bpm, alone.high_bpm), rel=1e-9
        )
    assert together[2].weight == 0


def test_more_results_narrow_the_interval_and_old_ones_widen_it_again() -> None:
    few, many = clean_tempo([(60, 3, 1)], 80), clean_tempo([(60, 30, 10)], 80)
    assert many.high_bpm / many.low_bpm < few.high_bpm / few.low_bpm
    memory = fold(None, DayEvidence("n:x", DAY, True, 60, 80, ((60, 80, 30, 10),), 40, 0))
    fresh = of_memories({"n:x": memory}, DAY)["n:x"]
    old = of_memories({"n:x": memory}, DAY + timedelta(days=round(3 * HALF_LIFE_DAYS)))["n:x"]
    assert fresh == many
    assert old.weight == pytest.approx(5)
    assert old.high_bpm / old.low_bpm > fresh.high_bpm / fresh.low_bpm


def test_one_slip_at_a_slow_tempo_does_not_weigh_against_everything_faster() -> None:
    # Wichmann and Hill 2001, Percept. Psychophys. 63:1293: without a lapse rate one slip shifts the whole curve.
    clean: Rows = [(40, 10, 0), (70, 20, 1)]
    slipped: Rows = [(40, 9, 1), (70, 20, 1)]
    assert clean_tempo(slipped, 80).bpm > 0.93 * clean_tempo(clean, 80).bpm


def test_the_quick_estimate_agrees_with_the_full_one_about_usual_rows() -> None:
    rows: Rows = [(50, 6, 0), (56, 5, 1), (62, 3, 3), (70, 1.5, 4)]
    assert expected_bpm(coarse(rows, 80)) == pytest.approx(clean_tempo(rows, 80).bpm, rel=0.05)
    chances = [expected_clean(rows, bpm, 80) for bpm in (40, 50, 60, 70, 80)]
    assert chances == sorted(chances, reverse=True)
    assert (
        expected_clean([], 80, 80, (20, 0)) > expected_clean([], 80, 80) > expected_clean([], 80, 80, (0, 20))
    )
    assert expected_gap(coarse([(100, 50, 0)], 80), 80) < 0.01 < expected_gap(coarse([(40, 0, 50)], 80), 80)


def test_a_start_tempo_does_not_run_ahead_of_what_was_played() -> None:
    slow, quick = coarse([(50, 12, 0)], 84), coarse([(50, 12, 0), (70, 12, 0)], 84)
    assert sure_bpm(slow, 0.25) < expected_bpm(slow)
    assert 50 < sure_bpm(slow, 0.25) < 75 < sure_bpm(quick, 0.25)
    assert sure_bpm(slow, 0.1) < sure_bpm(slow, 0.5) < sure_bpm(slow, 0.9)


def test_a_phrase_of_many_events_is_allowed_a_slip_more_than_a_node() -> None:
    rows: Rows = [(50, 14, 4), (60, 13, 5)]
    assert expected_bpm(coarse(rows, 80, events=8)) > 1.15 * expected_bpm(coarse(rows, 80))


def test_impossible_rows_are_refused() -> None:
    for rows, goal in (([(0, 1, 1)], 80), ([(60, -1, 1)], 80), ([(60, 1, 1)], 0)):
        with pytest.raises(ValueError, match="must be above 0"):
            clean_tempo(rows, goal)
    assert clean_tempos([], []) == []
