"""Simulated players of form B: what research says of practice has the same sign in them, and the truth is true."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.pieces import piece
from benchmarks.players import Truth
from benchmarks.players_b import KINDS, Player, make
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind, Passage, whole_phrase
from coach.music.passages import passage_of
from coach.rating.table import RESULTS
from tests.samples import joins_of

SEEDS = range(6)
DRILL = piece("shared-nodes", 1)
WHOLE = tuple(passage_of(DRILL, whole_phrase(DRILL, phrase)) for phrase in DRILL.phrases)
START, GOAL = DRILL.tempo.start_bpm, DRILL.goal_bpm


def everybody() -> Iterator[Player]:
    for kind in KINDS:
        for seed in SEEDS:
            yield make(kind, [DRILL], seed)


def practised(player: Player, passages: Sequence[Passage], days: int, reps: int, tempo_bpm: int) -> Player:
    for _ in range(days):
        for rep in range(reps):
            for passage in passages:
                player.play(passage, tempo_bpm, rep == 0)
        player.rest(1)
    return player


def mean(truth: Truth) -> float:
    return float(np.mean(truth.events))


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_seed_is_the_same_player_and_asking_for_the_truth_changes_nothing(kind: str) -> None:
    asked, left_alone = make(kind, [DRILL], 3), make(kind, [DRILL], 3)
    for rep in range(12):
        passage = WHOLE[rep % 3]
        asked.chance(passage, GOAL, rep)
        asked.chance(WHOLE[4], START, 0)
        assert asked.play(passage, START, rep < 3) == left_alone.play(passage, START, rep < 3)
        if rep == 6:
            asked.rest(1)
            left_alone.rest(1)
    assert make(kind, [DRILL], 4).chance(WHOLE[0], START, 0) != make(kind, [DRILL], 3).chance(
        WHOLE[0], START, 0
    )


def test_no_other_kind_is_made() -> None:
    with pytest.raises(KeyError, match="perfect"):
        make("perfect", [DRILL], 0)


@pytest.mark.parametrize("kind", KINDS)
def test_slower_is_never_less_clean(kind: str) -> None:
    player = practised(make(kind, [DRILL], 0), WHOLE[:3], 4, 5, START)
    for passage in WHOLE[:3]:
        truths = [player.chance(passage, tempo_bpm, 1) for tempo_bpm in range(START - 10, GOAL + 30, 7)]
        events = np.array([truth.events for truth in truths])
        assert (np.diff(events, axis=0) <= 1e-12).all()
        assert (np.diff([truth.whole for truth in truths]) <= 1e-12).all()
        assert events[0].mean() > events[-1].mean()
        assert ((events >= 0) & (events <= 1)).all()


@pytest.mark.parametrize("kind", KINDS)
def test_rest_never_helps_after_the_first_night(kind: str) -> None:
    player = practised(make(kind, [DRILL], 1), WHOLE[:2], 3, 6, START)
    practised(player, WHOLE[:1], 1, 4, START)
    player.play(WHOLE[0], START, True)
    for passage in WHOLE[:2]:
        wholes = [player.chance(passage, START, days) for days in (1, 2, 3, 7, 14, 60)]
        assert (np.diff([truth.events for truth in wholes], axis=0) <= 1e-12).all()
        assert wholes[0].whole > wholes[3].whole > wholes[5].whole
    foretold = player.chance(WHOLE[0], START, 7)
    player.rest(3)
    assert player.chance(WHOLE[0], START, 4).events == pytest.approx(foretold.events, abs=1e-12)


def test_what_a_break_took_comes_back_quickly() -> None:
    """Savings in relearning (Ebbinghaus 1885, from memory): days to stand where one stood, the second time."""
    for seed in SEEDS:
        player = practised(make("forgetful", [DRILL], seed), WHOLE[:1], 12, 6, START)
        stood = mean(player.chance(WHOLE[0], GOAL, 0))
        player.rest(21)
        assert mean(player.chance(WHOLE[0], GOAL, 0)) < stood
        again = 0
        while mean(player.chance(WHOLE[0], GOAL, 0)) < stood and again < 12:
            practised(player, WHOLE[:1], 1, 6, START)
            again += 1
        assert again <= 8


def test_a_second_session_is_better_only_with_a_night_between() -> None:
    """Simmons 2012, JRME 59(4):357-368 (abstract): accuracy improved only where 24 hours lay between sessions."""
    gains: dict[float, list[float]] = {0.0: [], 1.0: []}
    for days, gained in gains.items():
        for player in everybody():
            for rep in range(12):
                player.play(WHOLE[0], START, rep == 0)
            before = mean(player.chance(WHOLE[0], START, 0))
            player.rest(days)
            gained.append(mean(player.chance(WHOLE[0], START, 0)) - before)
    assert max(gains[0.0]) <= 1e-12
    assert np.mean(np.array(gains[1.0]) > 0) > 0.9


def test_mixed_order_is_ahead_a_day_later() -> None:
    """Stambaugh 2011, JRME 58(4):368-383; Carter and Grahn 2016, Front. Psychol. 7:1251 (abstracts)."""
    ahead = []
    for blocked, mixed in zip(everybody(), everybody(), strict=True):
        for rep in range(30):
            blocked.play(WHOLE[rep // 10], START, rep % 10 == 0)
            mixed.play(WHOLE[rep % 3], START, rep < 3)
        after = [sum(mean(player.chance(x, START, 1)) for x in WHOLE[:3]) for player in (mixed, blocked)]
        ahead.append(after[0] - after[1])
    assert np.mean(ahead) > 0
    assert np.mean(np.array(ahead) > 0) > 0.7


def test_the_share_of_clean_trials_tells_what_stays_and_their_number_does_not() -> None:
    """Duke, Simmons and Cash 2009, JRME 56(4):310-321 (abstract): rank and share of correct trials -.51, number none.

    As there, everybody practises one passage until content: here three clean in a row, or 40 trials.
    """
    shares, numbers, kept = [], [], []
    for player in everybody():
        clean = trials = row = 0
        player = practised(player, WHOLE[:1], 4, 3, START)
        while row < 3 and trials < 40:
            faults = player.play(WHOLE[0], START, trials == 0)
            trials += 1
            row = 0 if faults else row + 1
            clean += not faults
        shares.append(clean / trials)
        numbers.append(trials)
        kept.append(player.chance(WHOLE[0], START, 1).whole)
    assert np.corrcoef(shares, kept)[0, 1] > 0.4
    assert np.corrcoef(numbers, kept)[0, 1] < 0.1


def alone(layer: str) -> Passage:
    return passage_of(DRILL, whole_phrase(DRILL, DRILL.phrases[0], layer))


def half(number: str) -> Passage:
    whole = whole_phrase(DRILL, DRILL.phrases[0])
    return passage_of(DRILL, replace(whole, kind=Kind.HALF, subject=number))


def test_layers_and_halves_transfer_only_in_part() -> None:
    """So slowly that nearly all is clean in each way; what helps by being easier is another matter."""
    slow = START // 2
    for parts in ([alone(layer) for layer in DRILL.layers], [half("1"), half("2")]):
        behind, before = [], []
        for seed in SEEDS:
            apart = practised(make("even", [DRILL], seed), [*parts, WHOLE[1]], 10, 6, slow)
            whole = practised(make("even", [DRILL], seed), WHOLE[:2], 10, 6, slow)
            fresh = make("even", [DRILL], seed)
            chances = [mean(player.chance(WHOLE[0], GOAL, 1)) for player in (fresh, apart, whole)]
            before.append(chances[1] - chances[0])
            behind.append(chances[2] - chances[1])
        assert min(before) > 0
        assert np.mean(behind) > 0


def test_a_join_is_a_place_of_its_own() -> None:
    join = passage_of(DRILL, joins_of(DRILL)[0])
    phrases = [passage_of(DRILL, Excerpt(DRILL.id, (name,))) for name in dict.fromkeys(join.excerpt.phrases)]
    for seed in SEEDS:
        without = practised(make("even", [DRILL], seed), phrases, 10, 4, START)
        along = practised(make("even", [DRILL], seed), [*phrases, join], 10, 4, START)
        assert along.chance(join, GOAL, 1).whole > without.chance(join, GOAL, 1).whole


def test_errors_stick_in_the_kind_of_player_whose_errors_stick() -> None:
    """Grinding too fast feeds habits: a week later it was worse for them than not having practised faster."""
    lost = []
    for seed in SEEDS:
        slow, fast = (
            practised(make("habit", [DRILL], seed), WHOLE[:2], 8, 6, at) for at in (START, 2 * GOAL)
        )
        lost.append(mean(slow.chance(WHOLE[0], START, 7)) - mean(fast.chance(WHOLE[0], START, 7)))
    assert min(lost) > 0


def frequency(player: Player, passage: Passage, days: int, turns: int) -> tuple[np.ndarray, float]:
    """How often each event and the whole were clean, played as first of a day, with the player put back each time."""
    player.traits = replace(player.traits, missed=0.0, invented=0.0, mislabelled=0.0)
    kept = [(unit, unit.slow, unit.fast, unit.habit, unit.level) for unit in player.units.values()]
    clean = np.zeros(len(passage.events))
    whole = 0
    player.rest(0)
    for _ in range(turns):
        faults = player.play(passage, GOAL, True)
        wrong = {fault.label for fault in faults}
        clean += [event.label not in wrong for event in passage.events]
        whole += not faults
        player.rest(1)
        for unit, unit.slow, unit.fast, unit.habit, unit.level in kept:
            unit.peak = unit.slow
            unit.depth = 0.0
    return clean / turns, whole / turns


@pytest.mark.parametrize("kind", ["even", "habit"])
def test_the_truth_is_how_often_it_is_clean(kind: str) -> None:
    player = practised(make(kind, [DRILL], 5), WHOLE, 6, 4, START)
    truth = player.chance(WHOLE[1], GOAL, 0)
    events, whole = frequency(player, WHOLE[1], 0, 800)
    # Four standard errors of 800 turns and of 64 passes with a spread of some 0.2.
    assert events == pytest.approx(truth.events, abs=0.12)
    assert float(events.mean()) == pytest.approx(mean(truth), abs=0.04)
    assert whole == pytest.approx(truth.whole, abs=0.12)


def test_ratings_differ_from_what_sounded_and_name_each_event_once() -> None:
    results = set()
    for player in everybody():
        for rep in range(25):
            faults = player.play(WHOLE[rep % len(WHOLE)], GOAL, False)
            labels = [fault.label for fault in faults]
            assert labels == sorted(set(labels))
            assert all(1 <= label <= len(WHOLE[rep % len(WHOLE)].events) for label in labels)
            results |= {fault.result for fault in faults}
    assert results == set(RESULTS)


def test_the_irregular_miss_a_day_in_three_and_nobody_else_does() -> None:
    for kind in KINDS:
        share = np.mean([make(kind, [DRILL], seed).practises_on(day) for seed in SEEDS for day in range(100)])
        assert share == pytest.approx(0.67, abs=0.06) if kind == "irregular" else share == 1


def test_a_hard_node_is_drawn_from_the_drills() -> None:
    drills: list[Drill] = [DRILL, piece("short", 1)]
    hard = make("hard-nodes", drills, 2)
    for drill in drills:
        for phrase in drill.phrases:
            hard.play(passage_of(drill, whole_phrase(drill, phrase)), START, True)
    nodes = {key[-1]: unit.rate for key, unit in hard.units.items() if key[0] == "node"}
    assert 2 <= sum(rate < 0.4 * float(np.median(list(nodes.values()))) for rate in nodes.values()) <= 4
