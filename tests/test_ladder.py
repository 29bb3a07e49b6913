"""The tempo ladder, against its rules and against the published convergence of its two staircases."""

from __future__ import annotations

import math
import random
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.learning.ladder import (
    DEFAULT,
    Ladder,
    Moved,
    Release,
    Rule,
    after,
    after_rep,
    is_probe,
    moved,
    new_ladder,
    open_day,
    probe_after,
)
from coach.learning.release import released, releases_for
from coach.log.entries import Rep
from coach.music.drill import TOGETHER
from coach.music.excerpt import Kind, excerpts_of, passage_of, whole_phrase
from coach.rating.fault import Fault
from coach.rating.table import NOT_REACHED
from tests.samples import sample_drill

DAY = date(2026, 3, 2)


def played(ladder: Ladder, results: str, day: date = DAY, rule: Rule = DEFAULT) -> Ladder:
    """The ladder after reps at its rung: `+` clean, `-` failed."""
    for result in results:
        ladder, _ = after(ladder, result == "+", day, rule=rule)
    return ladder


def test_three_clean_in_a_row_climb_one_step_of_five_percent() -> None:
    assert played(new_ladder(60, 90), "++").rung_bpm == 60
    assert played(new_ladder(60, 90), "+++").rung_bpm == 63


def test_one_choke_drops_one_rung_and_starts_the_row_anew() -> None:
    ladder = played(new_ladder(60, 90), "++-")
    assert (ladder.rung_bpm, ladder.clean_in_row) == (57, 0)


def test_steps_halve_after_reversals_down_to_one_bpm() -> None:
    ladder = played(new_ladder(60, 90), "+++-")
    assert ladder.rung_bpm == 61  # 63 less 2.5 %
    ladder = played(ladder, "+++-+++-")
    before = ladder.rung_bpm
    assert played(ladder, "+++").rung_bpm == before + 1


def test_steps_widen_after_a_run_of_climbs() -> None:
    ladder = played(new_ladder(100, 300), "+++-+++-")
    assert ladder.step < 0.05
    assert played(ladder, "+" * 3 * 6).step == 0.05


def test_a_new_day_starts_a_little_under_the_last_rung_with_wide_steps() -> None:
    ladder = played(new_ladder(60, 90), "+++-+++")
    tomorrow = open_day(ladder, DAY + timedelta(days=1), 90)
    assert tomorrow.rung_bpm == round(ladder.rung_bpm / 1.05)
    assert tomorrow.step == 0.05
    assert open_day(ladder, DAY + timedelta(days=60), 90).rung_bpm < tomorrow.rung_bpm


def test_the_same_day_opens_only_once() -> None:
    ladder = open_day(played(new_ladder(60, 90), "+++"), DAY + timedelta(days=1), 90)
    assert open_day(ladder, DAY + timedelta(days=1), 90) == ladder


def test_a_goal_held_on_two_days_is_landed() -> None:
    ladder = played(new_ladder(60, 60), "+++++++")
    assert not ladder.landed
    tomorrow = DAY + timedelta(days=1)
    ladder = moved(open_day(ladder, tomorrow, 60), 60)
    ladder = played(ladder, "++", tomorrow)
    ladder, step = after(ladder, True, tomorrow)
    assert step.kind is Moved.LANDED
    assert step.goal_days == 2
    assert ladder.landed


def test_a_higher_goal_must_be_landed_anew() -> None:
    ladder = played(new_ladder(60, 60), "+++")
    ladder = played(moved(open_day(ladder, DAY + timedelta(days=1), 60), 60), "+++", DAY + timedelta(days=1))
    assert ladder.landed
    assert not open_day(ladder, DAY + timedelta(days=2), 70).landed


def test_a_clean_rep_above_the_rung_lifts_it_there() -> None:
    ladder, step = after(new_ladder(60, 90), True, DAY, tempo_bpm=72)
    assert (ladder.rung_bpm, step.kind) == (72, Moved.CLIMB)
    assert ladder.clean_in_row == 1


def test_a_fast_choke_and_a_slow_clean_rep_say_nothing() -> None:
    start = played(new_ladder(60, 90), "++")
    for clean, tempo in ((False, 80), (True, 50)):
        ladder, step = after(start, clean, DAY, tempo_bpm=tempo)
        assert (ladder.rung_bpm, ladder.clean_in_row, step.kind) == (60, 2, Moved.HOLD)


def test_a_move_by_the_player_and_back_costs_nothing() -> None:
    start = played(new_ladder(60, 90), "++")
    assert played(moved(moved(start, 70), 60), "+") == played(start, "+")
    assert played(moved(start, 70), "+").clean_in_row == 1


def test_three_fails_in_a_row_ask_for_the_mildest_release_left() -> None:
    ladder, seen = new_ladder(60, 90), []
    for _ in range(12):
        ladder, step = after(
            ladder, False, DAY, available=(Release.FEWER_LAYERS, Release.HALF, Release.LEAVE)
        )
        seen.append(step.release)
    assert [release for release in seen if release] == [
        Release.FEWER_LAYERS,
        Release.HALF,
        Release.LEAVE,
        Release.LEAVE,
    ]
    assert seen.index(Release.FEWER_LAYERS) == 2


def test_fails_without_a_climb_between_them_ask_for_a_release_too() -> None:
    ladder, releases = new_ladder(60, 90), []
    for result in "-+-+-+-+-":
        ladder, step = after(ladder, result == "+", DAY)
        releases.append(step.release)
    assert [release for release in releases if release] == [Release.FEWER_LAYERS]


@pytest.mark.parametrize(("start", "goal"), [(19, 60), (70, 60), (60, 301)])
def test_a_ladder_outside_the_tempo_range_is_refused(start: int, goal: int) -> None:
    with pytest.raises(ValueError, match="expected 20 <= start <= goal <= 300"):
        new_ladder(start, goal)


def share_clean_where_it_settles(rule: Rule, seed: int) -> float:
    """Mean probability of a clean rep at the rungs visited, for a player logistic in log-tempo."""
    rng, ladder, total, reps = random.Random(seed), new_ladder(60, 300), 0.0, 6000
    for rep in range(reps):
        probability = 1 / (1 + (ladder.rung_bpm / 90) ** 10)
        total += probability if rep >= reps // 10 else 0
        ladder, _ = after(ladder, rng.random() < probability, DAY, rule=rule)
    return total / (reps - reps // 10)


@pytest.mark.parametrize(("clean", "published"), [(1, 0.500), (2, 0.707), (3, 0.794), (4, 0.841)])
def test_k_clean_in_a_row_converge_as_levitt_1971_says(clean: int, published: float) -> None:
    # Levitt 1971, JASA 49(2B):467-477: 0.5^(1/k).
    assert Rule(clean).converges_at == pytest.approx(published, abs=0.0005)
    assert share_clean_where_it_settles(Rule(clean), clean) == pytest.approx(published, abs=0.02)


@pytest.mark.parametrize(("target", "published"), [(0.75, 3.0), (0.80, 4.0), (0.85, 5.67), (0.90, 9.0)])
def test_weighted_steps_converge_as_kaernbach_1991_says(target: float, published: float) -> None:
    # Kaernbach 1991, Percept. Psychophys. 49(3):227-229: rise x p = drop x (1 - p).
    rule = Rule(target=target)
    assert rule.drop_to_rise == pytest.approx(published, abs=0.005)
    assert share_clean_where_it_settles(rule, 7) == pytest.approx(target, abs=0.02)


reps = st.lists(
    st.tuples(st.booleans(), st.integers(0, 40), st.one_of(st.none(), st.integers(20, 300))), max_size=80
)


@settings(max_examples=60, deadline=None)
@given(st.integers(20, 200), st.integers(0, 100), reps, st.sampled_from([DEFAULT, Rule(1), Rule(target=0.9)]))
def test_a_ladder_stays_between_floor_and_goal_and_survives_json(
    start: int, room: int, played_reps: list[tuple[bool, int, int | None]], rule: Rule
) -> None:
    goal = min(start + room, 300)
    ladder, day = new_ladder(start, goal), DAY
    for clean, days, tempo in played_reps:
        day += timedelta(days=days // 30)
        before = open_day(ladder, day, goal)
        ladder, step = after(ladder, clean, day, tempo, rule)
        assert 20 <= ladder.rung_bpm <= goal
        assert ladder.rung_bpm >= before.rung_bpm if clean else ladder.rung_bpm <= before.rung_bpm
        assert step.to_bpm == ladder.rung_bpm
        assert math.isfinite(ladder.carry)
    assert Ladder.from_json(ladder.to_json()) == ladder


def test_a_new_day_regains_the_last_rung_one_clean_rep_a_step() -> None:
    ladder = played(new_ladder(60, 90), "+++" * 3)
    tomorrow = DAY + timedelta(days=1)
    opened = open_day(ladder, tomorrow, 90)
    assert opened.rung_bpm < ladder.rung_bpm
    assert played(opened, "+", tomorrow).rung_bpm == ladder.rung_bpm
    assert played(opened, "+++", tomorrow).rung_bpm == ladder.rung_bpm
    assert played(opened, "++++", tomorrow).rung_bpm > ladder.rung_bpm
    assert played(opened, "-+", tomorrow).rung_bpm < opened.rung_bpm


def test_days_of_slower_repetitions_alone_never_lower_the_rung() -> None:
    ladder = played(new_ladder(60, 90), "+++" * 3)
    first = open_day(ladder, DAY + timedelta(days=1), 90)
    later = ladder
    for day in range(1, 6):  # a warm-up at four fifths of the rung, every day
        later, _ = after(later, True, DAY + timedelta(days=day), 48)
    assert later.rung_bpm == first.rung_bpm
    assert later.regain_bpm == ladder.rung_bpm
    slower = moved(later, 50)
    assert open_day(slower, DAY + timedelta(days=6), 90).rung_bpm < 50


def test_a_rep_of_the_log_says_which_rung_it_was_played_from() -> None:
    def rep(tempo_bpm: int, rung_bpm: int, faults: tuple[Fault, ...] | None = ()) -> Rep:
        at = 1_772_474_400_000
        return Rep("r", "p", at, 0, "passage", "d:p:l:phrase:full:", tempo_bpm, 90, faults, rung_bpm)

    ladder, _ = after_rep(None, rep(70, 60))
    assert ladder is not None
    assert ladder.rung_bpm == 70
    chosen, _ = after_rep(ladder, rep(50, 50))
    assert chosen is not None
    assert chosen.rung_bpm == 50
    assert after_rep(ladder, rep(50, 50, None)) == (ladder, None)
    assert after_rep(ladder, rep(50, 50, (Fault(1, NOT_REACHED),))) == (ladder, None)


def test_a_probe_is_a_wide_step_over_the_rung_or_the_goal() -> None:
    assert [bpm for bpm in range(55, 70) if is_probe(60, bpm, 90)] == [*range(63, 70)]
    assert [bpm for bpm in range(55, 70) if is_probe(60, bpm, 61)] == [*range(61, 70)]
    assert not is_probe(60, 60, 60)


def test_after_a_clean_probe_the_next_is_a_tenth_faster_and_after_a_failed_one_halfway_back() -> None:
    ladder, step = after(new_ladder(60, 90), True, DAY, 75)
    assert ladder.rung_bpm == 75
    assert probe_after(ladder, step) == 82
    assert probe_after(ladder, step, 80) == 0  # less than a wide step over 75
    assert probe_after(ladder, step, 85) == 82
    ladder, step = after(new_ladder(60, 90), False, DAY, 75)
    assert ladder.rung_bpm == 60
    assert probe_after(ladder, step, 75) == 67  # the geometric mean
    assert probe_after(ladder, step, 64) == 0
    assert probe_after(ladder, None, 75) == 0
    ladder, step = after(new_ladder(60, 90), True, DAY, 90)
    assert probe_after(ladder, step) == 0


@settings(max_examples=60, deadline=None)
@given(st.integers(20, 300), st.integers(20, 300), st.integers(20, 300), st.booleans())
def test_a_failed_probe_costs_nothing_and_no_probe_leaves_the_ladders_range(
    rung: int, probe: int, goal: int, clean: bool
) -> None:
    rung, probe, goal = sorted((rung, probe, goal))
    before = new_ladder(rung, goal)
    ladder, step = after(before, clean, DAY, probe)
    if probe > rung:
        assert ladder.rung_bpm == (probe if clean else rung)
        assert clean or (ladder.fails_in_row, ladder.fails_since_climb, step.release) == (0, 0, None)
    following = probe_after(ladder, step, 0 if clean else probe)
    assert following == 0 or ladder.rung_bpm < following <= goal
    assert clean or following < probe


def test_a_part_that_only_one_layer_has_is_released_into_that_layer() -> None:
    drill = sample_drill()
    node = next(each for each in excerpts_of(drill, drill.phrases[0], TOGETHER) if each.kind is Kind.NODE)
    fewer = released(drill, node, Release.FEWER_LAYERS)
    assert fewer is not None
    assert fewer.layer == "harmonics"
    assert releases_for(drill, fewer)[-1] is Release.LEAVE
    assert Release.FEWER_LAYERS not in releases_for(drill, fewer)


def test_a_phrase_is_released_into_its_half_with_more_nodes() -> None:
    drill = sample_drill()
    whole = whole_phrase(drill, drill.phrases[0])
    assert releases_for(drill, whole) == tuple(Release)
    half = released(drill, whole, Release.HALF)
    assert half is not None
    assert (half.kind, half.subject) == (Kind.HALF, "1")
    short = whole_phrase(drill, drill.phrases[1], "harmonics")
    assert releases_for(drill, short) == (Release.LEAVE,)


def test_a_release_looks_at_what_failed() -> None:
    drill = sample_drill()
    whole = whole_phrase(drill, drill.phrases[0], TOGETHER)
    passage = passage_of(drill, whole)
    dropped = {
        event.label for event in passage.events if any(placed.note.droppable for placed in event.notes)
    }
    kept = {event.label for event in passage.events} - dropped
    assert Release.EASIER in releases_for(drill, whole, dropped)
    assert Release.EASIER not in releases_for(drill, whole, kept)
    first, last = released(drill, whole, Release.HALF, {1}), released(drill, whole, Release.HALF, {max(kept)})
    assert first is not None
    assert last is not None
    assert (first.subject, last.subject) == ("1", "2")
