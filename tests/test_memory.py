"""Evidence and memory: what a day says, what stays, and that folds are exact whatever the order of merging."""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from coach.learning.calibration import calibration
from coach.learning.evidence import DayEvidence, day_evidence
from coach.learning.ladder import Ladder
from coach.learning.memory import (
    DECAY,
    FACTOR,
    PRIOR_WEIGHT,
    Memory,
    _scheduler,
    expected_cold,
    fold,
    fold_ladder,
    interval_days,
    kin_prior,
    retention,
    weakness,
)
from coach.learning.proportion import beta_quantile, incomplete_beta
from coach.log.entries import Rep
from coach.music.excerpt import Excerpt, LoggedEvent, LoggedPassage
from coach.rating.fault import Fault, parse_faults
from coach.rating.table import CHOKED

DAY = date(2026, 3, 2)
D7, G7, D32 = "4x864|D2|1/3", "4x864|G2|1/3", "4x864|D2|1/6"
KEY = Excerpt("wharf", ("lamp",), "harmonics").key
PASSAGE = LoggedPassage.of(
    KEY,
    "r1",
    "lamp",
    (
        LoggedEvent(1, "harmonics", "1:<7>+2:<7>", "0", (G7, D7)),
        LoggedEvent(2, "harmonics", "2:<3.2>", "1", (D32,), f"{G7}+{D7}>{D32}"),
        LoggedEvent(3, "harmonics", "2:0+1:<7>", "2", (G7,), f"{D32}>{G7}"),
    ),
)


def rep(
    faults: str | None = "", at_min: int = 0, day: date = DAY, tempo_bpm: int = 60, **facts: object
) -> Rep:
    at = datetime.combine(day, datetime.min.time(), UTC) + timedelta(hours=18, minutes=at_min)
    at_ms = round(at.timestamp() * 1000)
    values: dict[str, object] = {"purpose": "", "duration_ms": 10_000, **facts}
    return Rep(
        f"{at_ms:026d}",
        "ada",
        at_ms,
        0,
        PASSAGE.id,
        KEY,
        tempo_bpm,
        60,
        None if faults is None else parse_faults(faults),
        **values,  # type: ignore[arg-type]
    )


def evidence_of(*reps: Rep) -> dict[str, DayEvidence]:
    return day_evidence([(each, PASSAGE) for each in reps])


def counts(evidence: DayEvidence) -> tuple[int, int]:
    return evidence.clean, evidence.failed


def test_only_chokes_feed_node_memory_and_a_late_move_failed() -> None:
    evidence = evidence_of(rep("2l"))
    assert counts(evidence["n:" + D32]) == (1, 0)
    assert counts(evidence[f"m:{G7}+{D7}>{D32}"]) == (0, 1)
    assert counts(evidence["x:" + KEY]) == (0, 1)


def test_dropped_and_not_reached_say_nothing_about_a_node() -> None:
    evidence = evidence_of(rep("1d 3n"))
    assert counts(evidence["n:" + D7]) == (0, 0)
    assert evidence["n:" + D7].cold_clean is None
    assert counts(evidence[f"m:{D32}>{G7}"]) == (0, 0)


def test_a_choke_of_one_note_leaves_the_other_notes_of_the_event_clean() -> None:
    evidence = evidence_of(rep("1c.2:lift"))
    assert evidence["n:" + D7].cold_clean is False
    assert evidence["n:" + G7].cold_clean is True
    assert evidence["n:" + D7].marked == {"choked": 1, "lift": 1}
    assert evidence["n:" + G7].marked == {}


def test_a_choke_named_by_note_finds_the_node_beside_an_open_string() -> None:
    assert evidence_of(rep("3c.2"))["n:" + G7].failed == 1
    assert evidence_of(rep("3c.1"))["n:" + G7].failed == 0


def test_unrated_and_broken_off_reps_are_no_evidence_but_their_time_counts() -> None:
    evidence = evidence_of(rep(None), rep("1n 2n 3n", 1), rep("", 2))["x:" + KEY]
    assert counts(evidence) == (1, 0)
    assert evidence.reps == 3
    assert evidence.duration_ms == 30_000


def test_the_cold_result_is_the_first_of_the_day_in_any_order_of_reading() -> None:
    reps = [rep("2c", 0), rep("", 1), rep("", 2)]
    first = evidence_of(*reps)
    random.Random(1).shuffle(reps)
    assert evidence_of(*reps) == first
    assert first["n:" + D32].cold_clean is False


def test_evidence_of_two_days_at_once_is_refused() -> None:
    with pytest.raises(ValueError, match="one practice day"):
        evidence_of(rep(), rep(day=DAY + timedelta(days=1)))


def cold(clean: bool, day: date, bpm: int = 60) -> DayEvidence:
    return DayEvidence("n:" + D7, day, clean, bpm, 60, ((bpm, 60, int(clean), int(not clean)),), 1, 0)


def test_a_first_test_that_failed_sets_no_test_tempo_at_which_nothing_was_clean() -> None:
    tallies = ((40, 84, 3, 0), (76, 84, 0, 1), (84, 84, 0, 2))
    hasty = fold(None, DayEvidence("n:" + D7, DAY, False, 84, 84, tallies, 6, 0))
    assert hasty.reference_bpm == 40
    assert hasty.due == DAY + timedelta(days=1)
    nothing = ((76, 84, 0, 1), (84, 84, 0, 2))
    assert fold(None, DayEvidence("n:" + D7, DAY, False, 84, 84, nothing, 3, 0)).reference_bpm == 76
    assert fold(None, cold(True, DAY, 60)).reference_bpm == 60


def test_first_intervals_and_the_all_good_chain_are_those_of_fsrs() -> None:
    # Run with py-fsrs 6.3, no learning steps, interval cap off: first interval by grade 1, 1, 2, 8 days; all-good chain
    # 2, 11, 46, 163, 497 days. Our grades are "again", "hard" and "good".
    assert fold(None, cold(False, DAY)).due == DAY + timedelta(days=1)
    mostly_failed = DayEvidence("n:" + D7, DAY, True, 60, 60, ((60, 60, 1, 5),), 6, 0)
    assert fold(None, mostly_failed).due == DAY + timedelta(days=1)
    memory, day, chain = None, DAY, []
    for _ in range(5):
        memory = fold(memory, cold(True, day))
        chain.append(round(memory.stability))
        day += timedelta(days=chain[-1])
    assert chain == [2, 11, 46, 163, 497]


def test_the_scheduler_has_no_learning_steps_and_no_fuzz() -> None:
    # First interval by grade, again to easy, run with py-fsrs 6.3: 1, 1, 2, 8 days.
    from fsrs import Card, Rating

    at = datetime(2026, 3, 2, 12, tzinfo=UTC)
    for rating, days in zip(Rating, (1, 1, 2, 8), strict=True):
        dues = {_scheduler().review_card(Card(0, due=at), rating, at)[0].due - at for _ in range(5)}
        assert dues == {timedelta(days=days)}


def test_an_incremental_state_is_a_full_replay_to_the_digit() -> None:
    rng, day, reps = random.Random(8), DAY, []
    kept: dict[str, str] = {}
    for _ in range(40):
        day += timedelta(days=rng.choice((1, 1, 2, 5, 30)))
        todays = [
            rep(rng.choice(["", "", "2c", "1c.1", "3l"]), n, day, rng.randint(40, 60)) for n in range(6)
        ]
        reps += todays
        for key, evidence in evidence_of(*todays).items():
            before = Memory.from_json(kept[key]) if key in kept else None
            kept[key] = fold(before, DayEvidence.from_json(evidence.to_json())).to_json()
    replayed, _ = folded(reps)
    assert {key: memory.to_json() for key, memory in replayed.items()} == kept


def test_intervals_are_capped_until_a_key_is_long_secure() -> None:
    assert [interval_days(500.0, run) for run in (1, 3, 4, 5, 6, 8, 20)] == [14, 14, 28, 28, 56, 112, 365]
    assert interval_days(500.0, 3, cap_days=30) == 30
    assert interval_days(0.2, 1) == 1


def test_retention_is_the_published_curve_and_fsrs_agrees() -> None:
    # py-fsrs 6 source (MIT): R = (1 + F t/S)^D, D = -w20 = -0.1542, F = 0.9^(1/D) - 1 = 0.9803.
    from fsrs import Card, Scheduler, State

    assert pytest.approx(0.9803, abs=5e-5) == FACTOR
    assert DECAY == -0.1542
    memory = fold(fold(None, cold(True, DAY)), cold(True, DAY + timedelta(days=2)))
    at = datetime(2026, 3, 4, 12, tzinfo=UTC)
    card = Card(0, State.Review, None, memory.stability, memory.difficulty, at, at)
    for days in (0, 1, 5, 40):
        theirs = Scheduler().get_card_retrievability(card, at + timedelta(days=days))
        assert retention(memory, DAY + timedelta(days=2 + days)) == pytest.approx(theirs, abs=1e-12)


def test_a_cold_result_off_the_reference_rung_is_graded_only_where_it_can_be_compared() -> None:
    memory = fold(None, cold(True, DAY, bpm=60))
    tomorrow = DAY + timedelta(days=1)
    assert fold(memory, cold(True, tomorrow, bpm=40)).cold_days == 1
    assert fold(memory, cold(False, tomorrow, bpm=80)).cold_days == 1
    assert fold(memory, cold(True, tomorrow, bpm=80)).cold_days == 2
    assert fold(memory, cold(False, tomorrow, bpm=40)).cold_run == -1


def test_the_reference_rung_stays_for_three_cold_days_then_follows_the_practice() -> None:
    memory = None
    for number in range(3):
        day = DAY + timedelta(days=number)
        memory = fold(
            memory, DayEvidence("x:" + KEY, day, True, 50, 80, ((50, 80, 1, 0), (64, 80, 3, 0)), 4, 0)
        )
        assert memory.reference_bpm == (50 if number < 2 else 64)


def test_the_days_must_be_folded_in_order() -> None:
    with pytest.raises(ValueError, match="fold the days in order"):
        fold(fold(None, cold(True, DAY)), cold(True, DAY))


def test_thirty_of_forty_in_one_day_is_not_forty_observations() -> None:
    day = DayEvidence("n:" + D7, DAY, True, 60, 60, ((60, 60, 30, 10),), 40, 0)
    one_day = weakness(fold(None, day), DAY)
    assert one_day.weight < 4
    assert one_day.high - one_day.low > 0.3


def test_weakness_fades_back_to_the_prior() -> None:
    memory = fold(None, DayEvidence("n:" + D7, DAY, False, 60, 60, ((60, 60, 0, 9),), 9, 0))
    means = [weakness(memory, DAY + timedelta(days=days)).mean for days in (0, 14, 400)]
    assert means[0] > means[1] > means[2] == pytest.approx(0.4, abs=0.01)


def test_a_new_node_starts_from_what_its_kin_show() -> None:
    def weak(node: str, clean: int, failed: int) -> Memory:
        return fold(None, DayEvidence("n:" + node, DAY, True, 60, 60, ((60, 60, clean, failed),), 9, 0))

    memories = {"n:" + node: weak(node, 0, 9) for node in (G7, D32)}
    kin = kin_prior("n:" + D7, memories, DAY)
    other = kin_prior("n:4x864|D2|1/4", memories, DAY)
    assert sum(kin) == pytest.approx(PRIOR_WEIGHT)
    assert weakness(None, DAY, kin).mean > weakness(None, DAY, other).mean == pytest.approx(0.4)
    far = kin_prior("n:4x864|E1|1/3", memories, DAY)
    assert weakness(None, DAY, other).mean < weakness(None, DAY, far).mean < weakness(None, DAY, kin).mean


@pytest.mark.parametrize(("a", "b"), [(0.5, 0.5), (1.2, 0.8), (3, 40), (250, 7)])
def test_beta_quantiles_agree_with_scipy(a: float, b: float) -> None:
    for probability in (0.1, 0.5, 0.9):
        assert beta_quantile(probability, a, b) == pytest.approx(stats.beta.ppf(probability, a, b), abs=1e-7)
        assert incomplete_beta(probability, a, b) == pytest.approx(
            stats.beta.cdf(probability, a, b), abs=1e-10
        )


def test_calibration_counts_every_prediction_once_and_scores_as_by_hand() -> None:
    memory = fold(None, cold(True, DAY))
    predicted = expected_cold(memory, DAY + timedelta(days=2))
    memory = fold(memory, cold(True, DAY + timedelta(days=2)))
    later = expected_cold(memory, DAY + timedelta(days=9))
    memory = fold(memory, cold(False, DAY + timedelta(days=9)))
    table = calibration([memory.calibration])
    assert table is not None
    assert table.results == 2
    assert table.brier == pytest.approx(((predicted - 1) ** 2 + later**2) / 2)
    assert table.base_brier == pytest.approx(0.25)
    assert calibration([()]) is None


days_of_results = st.lists(
    st.tuples(
        st.integers(1, 20),
        st.lists(st.tuples(st.sampled_from(["", "2c", "1c.1", "3l", "1n 2n 3n", None]), st.integers(40, 60))),
    ),
    min_size=1,
    max_size=8,
)


def folded(reps: list[Rep]) -> tuple[dict[str, Memory], Ladder | None]:
    """Memories and ladder from a whole log, as a replay makes them."""
    memories: dict[str, Memory] = {}
    ladder: Ladder | None = None
    for day in sorted({each.day for each in reps}):
        todays = [each for each in reps if each.day == day]
        for key, evidence in evidence_of(*todays).items():
            memories[key] = fold(memories.get(key), evidence)
        ladder = fold_ladder(ladder, todays)
    return memories, ladder


@settings(max_examples=30, deadline=None)
@given(days_of_results, st.randoms(use_true_random=False))
def test_merging_two_logs_in_any_order_gives_the_same_digits(
    days: list[tuple[int, list[tuple[str | None, int]]]], rng: random.Random
) -> None:
    reps, day = [], DAY
    for gap, results in days:
        day += timedelta(days=gap)
        reps += [rep(faults, number, day, bpm) for number, (faults, bpm) in enumerate(results)]
    straight = folded(reps)
    shuffled = reps[:]
    rng.shuffle(shuffled)
    assert folded(shuffled) == straight
    for memory in straight[0].values():
        assert Memory.from_json(memory.to_json()) == memory
    if reps:
        for evidence in evidence_of(*[each for each in reps if each.day == reps[-1].day]).values():
            assert DayEvidence.from_json(evidence.to_json()) == evidence


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.booleans(), st.integers(1, 30), st.integers(0, 5), st.integers(0, 5)), max_size=10),
    st.integers(1, 60),
    st.integers(0, 5),
    st.integers(0, 5),
)
def test_a_choke_never_lengthens_the_next_interval(
    past: list[tuple[bool, int, int, int]], gap: int, clean: int, failed: int
) -> None:
    def day_of(result: bool, day: date, clean: int, failed: int) -> DayEvidence:
        rows = ((60, 60, clean + result, failed + (not result)),)
        return DayEvidence("n:" + D7, day, result, 60, 60, rows, 1 + clean + failed, 0)

    memory, day = None, DAY
    for result, days, more_clean, more_failed in past:
        day += timedelta(days=days)
        memory = fold(memory, day_of(result, day, more_clean, more_failed))
    day += timedelta(days=gap)
    rang, choked = (fold(memory, day_of(result, day, clean, failed)) for result in (True, False))
    one_more_choke = fold(memory, day_of(True, day, clean, failed + 1))
    assert rang.due is not None
    assert choked.due is not None
    assert one_more_choke.due is not None
    assert choked.due <= one_more_choke.due <= rang.due


def test_the_ladder_of_the_log_moves_where_the_player_went_but_not_for_a_cold_rep() -> None:
    start = fold_ladder(None, [rep("", 0, tempo_bpm=44), rep("", 1, tempo_bpm=44)])
    assert start is not None
    assert start.rung_bpm == 44
    chosen = fold_ladder(start, [rep("", 2, tempo_bpm=40)])
    cold_slow = fold_ladder(start, [rep("", 2, tempo_bpm=40, purpose="cold")])
    assert chosen is not None
    assert cold_slow is not None
    assert (chosen.rung_bpm, cold_slow.rung_bpm) == (40, 44)
    assert fold_ladder(start, [rep(None, 2), rep("3n", 3)]) == start


def test_a_fault_outside_the_passage_says_nothing() -> None:
    broken = rep().rated_as([Fault(9, CHOKED)])
    assert counts(evidence_of(broken)["n:" + D7]) == (1, 0)
