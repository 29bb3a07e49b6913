"""The estimate worked out again from the formulas in its description, and what is remembered of an excerpt.

`ByHand` keeps a mean and a variance for each key and follows (1) to (3) of `coach.learning.skill` word for word,
slowly, and without a line of it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from coach.learning import skill as model
from coach.learning.choice import Why, choose
from coach.learning.learning import KEPT_DAYS, LearningFold, Learnt, Record
from coach.learning.material import Part, material_of
from coach.learning.skill import Skill, Term, late_results
from coach.log.entries import Rep
from coach.music.excerpt import Excerpt
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, LIFT, NOT_REACHED, POSITION, Cause, Result, Says
from tests.logs import NOON, PASSAGE, id_at
from tests.samples import sample_drill, sitting_on

DAY = 739_677
"""2 March 2026."""


def part_of(excerpt: Excerpt) -> Part:
    part = material_of([sample_drill()]).part(excerpt)
    assert part is not None
    return part


def phrase(number: int) -> Part:
    return part_of(material_of([sample_drill()]).phrases(sample_drill())[number])


def piece() -> Part:
    whole = material_of([sample_drill()]).piece(sample_drill())
    assert whole is not None
    return part_of(whole)


class ByHand:
    """Mean and variance of each key, of the level under "", and what is counted of slips."""

    def __init__(self, goal_bpm: int) -> None:
        self.terms = {"": (math.log(goal_bpm) - model.START_BELOW_GOAL, model.SD**2)}
        self.slips, self.events = 2.0, 200.0
        self.last: dict[str, int] = {}
        self.reps: dict[tuple[str, int], int] = {}
        self.results: dict[str, list[bool]] = {}

    def play(self, keys: tuple[model.EventKeys, ...], bpm: int, faults: dict[int, Result], day: int) -> None:
        for key in {key for event in keys for key in event if key and key[0] != "m"}:
            self.terms.setdefault(key, (0.0, model.SD**2))
        wholes = list(dict.fromkeys(event[3] for event in keys))
        for whole in wholes:
            self.opened(whole, day)
        lapse, slips = self.slips / self.events, 0.0
        for label, event in enumerate(keys, 1):
            slips += self.event(event, math.log(bpm), faults.get(label), lapse, day)
        self.slips, self.events = self.slips + slips, self.events + len(keys)
        mean, variance = self.terms[""]
        self.terms[""] = mean, variance + model.NOISE**2
        for whole in wholes:
            self.closed(whole, day)

    def opened(self, whole: str, day: int) -> None:
        nights = min(day - self.last.get(whole, day), model.FADING_DAYS)
        self.last[whole] = day
        mean, variance = self.terms[whole]
        self.terms[whole] = mean - model.FADING * nights, variance + model.NIGHT_NOISE**2 * nights

    def event(
        self, keys: model.EventKeys, ln_bpm: float, fault: Result | None, lapse: float, day: int
    ) -> float:
        """One event by (2) and (3); how much of a slip it was."""
        used = ["", *(key for key in keys if key and key[0] != "m")]
        v = sum(self.terms[key][1] for key in used)
        theta = sum(self.terms[key][0] for key in used)
        kappa = model.SLOPE / math.sqrt(1 + math.pi * model.SLOPE**2 * v / 8)
        p = 1 / (1 + math.exp(-kappa * (theta - ln_bpm)))
        t = (1 - lapse) * p
        a, f = kappa * (1 - p), t / (1 - t)
        if fault is not None and not fault.fails:
            return 0.0
        node, move = keys[:2]
        says = {node: fault.node if fault else Says.CLEAN, move: fault.move if fault else Says.CLEAN}
        for key, said in says.items():
            if key and said is not Says.NOTHING:
                self.results.setdefault(key, []).append(said is Says.FAILED)
        h = f * a * a * v
        step = (a if fault is None else -f * a) * v / (1 + h)
        for key in used:
            if key and key == node and fault is not None and fault.node is not Says.FAILED:
                continue
            mean, variance = self.terms[key]
            share = variance / v
            noise = model.NOISE**2 if key == keys[2] else 0.0
            self.terms[key] = mean + step * share, variance - v * h / (1 + h) * share**2 + noise
        return 0.0 if fault is None else lapse / (1 - t)

    def closed(self, whole: str, day: int) -> None:
        mean, variance = self.terms[whole]
        today = self.reps.get((whole, day), 0)
        self.reps[whole, day] = today + 1
        self.terms[whole] = mean + model.GAIN / (1 + today / model.MASSED), variance + model.NOISE**2


def a_fortnight() -> list[tuple[Part, int, dict[int, Result], int]]:
    """Two phrases and the piece, faults of every kind, some of them on one event, some days without."""
    lamp, wick, whole = phrase(0), phrase(1), piece()
    all_of_it: dict[int, Result] = dict.fromkeys(range(1, len(lamp.keys) + 1), CHOKED)
    return [
        (lamp, 60, {}, DAY),
        (lamp, 66, {2: CHOKED}, DAY),
        (wick, 55, {1: LATE, 3: DROPPED}, DAY),
        (lamp, 62, {2: LATE}, DAY),
        (lamp, 40, {}, DAY + 1),
        (whole, 58, {3: CHOKED, **dict.fromkeys(range(8, len(whole.keys) + 1), NOT_REACHED)}, DAY + 1),
        (wick, 58, {}, DAY + 3),
        (lamp, 30, all_of_it, DAY + 3),
        *[(lamp, 52, {1: CHOKED} if number % 4 == 1 else {}, DAY + 9) for number in range(14)],
        (whole, 50, {}, DAY + 40),
        (wick, 70, {2: CHOKED}, DAY + 41),
    ]


def test_a_fortnight_is_what_the_formulas_make_of_it() -> None:
    lamp = phrase(0)
    learnt, by_hand = Learnt(), ByHand(lamp.goal_bpm)
    for part, bpm, faults, day in a_fortnight():
        learnt.take(part.excerpt, part.keys, bpm, part.goal_bpm, faults, day)
        by_hand.play(part.keys, bpm, faults, day)
        skill = learnt.skills["lamps"]
        ours = {"": skill.level, **{key: term for key, term in skill.terms.items() if key[0] != "m"}}
        assert {key: (term.mean, term.variance) for key, term in ours.items()} == {
            key: (pytest.approx(mean, abs=1e-12), pytest.approx(variance, rel=1e-9))
            for key, (mean, variance) in by_hand.terms.items()
        }
        assert (learnt.slips.failed, learnt.slips.events) == pytest.approx((by_hand.slips, by_hand.events))
    for key, results in by_hand.results.items():
        last = results[-model.RECENT :]
        assert late_results(learnt.skills["lamps"].terms[key].recent) == (sum(last), len(last)), key


def test_neither_a_state_nor_its_copies_change_one_another() -> None:
    """Each of them, taken on alone, arrives where a state of its own arrives, and leaves the others as they were."""
    fates, alone = [Learnt()], [Learnt()]
    for number, (part, bpm, faults, day) in enumerate(a_fortnight()):
        at = number * 7 % len(fates)
        before = [LearningFold().plain(each) for each in fates]
        for state in (fates[at], alone[at]):
            state.take(part.excerpt, part.keys, bpm, part.goal_bpm, faults, day)
            state.count(day, 20_000)
        after = [LearningFold().plain(each) for each in fates]
        assert before[:at] + before[at + 1 :] == after[:at] + after[at + 1 :]
        assert after[at] == LearningFold().plain(alone[at])
        if number % 3 == 0:
            fates.append(fates[at].copy())
            alone.append(LearningFold().state(LearningFold().plain(alone[at])))
    assert len(fates) > 5


def test_what_is_played_unheard_teaches_as_much_as_repetitions_do_by_themselves() -> None:
    lamp = phrase(0)
    skill = Skill.new(lamp.goal_bpm)
    skill.practise(lamp.keys, 3, DAY)
    (whole,) = model.wholes_of(skill.rows(lamp.keys))
    assert whole.mean == pytest.approx(sum(model.GAIN / (1 + n / model.MASSED) for n in range(3)))
    assert (whole.day, whole.today) == (DAY, 3)
    skill.practise(lamp.keys, 1, DAY + 1)
    gained = sum(model.GAIN / (1 + n / model.MASSED) for n in range(3)) - model.FADING + model.GAIN
    assert (whole.mean, whole.today) == (pytest.approx(gained), 1)


def test_a_view_ahead_fades_by_the_night() -> None:
    place, whole = Term(0.1, 0.02), Term(0.2, 0.03, day=DAY + 9)
    row = (Term(0.0, 0.02), Term(0.0, 0.0), place, whole)
    level = Term(4.0, 0.05)
    now = model.view([row], level, 0.01, DAY + 9)
    assert now.means == (pytest.approx(4.3),)
    assert now.own == (pytest.approx(0.04),)
    assert now.shared == pytest.approx(0.05 + 0.03)
    ahead = model.view([row], level, 0.01, DAY + 11)
    assert ahead.means == (pytest.approx(4.3 - 2 * model.FADING),)
    assert ahead.shared == pytest.approx(0.08 + 2 * model.NIGHT_NOISE**2)
    far = model.view([row], level, 0.01, DAY + 400)
    assert far.means == (pytest.approx(4.3 - model.FADING_DAYS * model.FADING),)


def test_the_chance_of_a_whole_is_the_mean_over_what_its_events_share() -> None:
    """Against the integral over the shared Gaussian, on a fine grid; the estimate takes three points of it."""
    view = model.View((4.1, 4.2, 4.15), (0.02, 0.05, 0.0), shared=0.03, lapse=0.01)
    for ln_bpm in (3.9, 4.1, 4.3):
        x = np.linspace(-8, 8, 4001)
        weights = np.exp(-(x**2) / 2)
        clean = np.full_like(x, 0.99**3)
        for mean, own in zip(view.means, view.own, strict=True):
            kappa = model.SLOPE / math.sqrt(1 + math.pi * model.SLOPE**2 * own / 8)
            clean /= 1 + np.exp(kappa * (ln_bpm - mean - math.sqrt(0.03) * x))
        assert view.whole(ln_bpm) == pytest.approx(float(np.average(clean, weights=weights)), abs=0.012)
    assert view.middle.shared == 0


def remembered(*days: tuple[int, str]) -> Record:
    """Of an excerpt whose goal is 70, after the results of these days: `c` clean at it, `s` slower, `x` failed."""
    record, last = Record(), 0
    for day, results in days:
        for result in results:
            bpm = 60 if result == "s" else 70
            record.add(2 if result == "x" else 0, 0, bpm, bpm, 70, day, day - last if last else 0)
            last = day
    return record


def test_a_record_counts_repetitions_rows_and_days() -> None:
    record = remembered((DAY, "xxs"), (DAY + 1, "xccx"), (DAY + 2, "cxx"))
    assert (record.reps, record.day, record.today) == (10, DAY + 2, 3)
    assert (record.clean_run, record.cold) == (0, 1)
    assert (record.landed, record.kept, record.goal, record.bpm) == (DAY + 1, 0, 70, 70)
    assert (record.rung, record.failed) == (70, True)
    assert late_results(record.recent) == (4, 8)
    assert (remembered((DAY, "x")).cold, remembered((DAY, "sc")).clean_run) == (-1, 1)
    blank = Record()
    assert (blank.reps, blank.day, blank.today, blank.goal, blank.landed, blank.kept) == (0,) * 6
    assert (blank.cold, blank.bpm, blank.rung, blank.theta, blank.theta_from) == (0, 0, 0, 0.0, 0.0)
    assert not blank.failed
    assert (blank.clean_run, late_results(blank.recent)) == (0, (0, 0))


def test_kept_takes_a_week_away_and_goes_with_a_failed_test_or_a_faster_goal() -> None:
    landed = (DAY, "cc")
    assert remembered(landed, (DAY + KEPT_DAYS - 1, "c")).kept == 0
    assert remembered(landed, (DAY + KEPT_DAYS, "c")).kept_at(70) == DAY + KEPT_DAYS
    assert remembered(landed, (DAY + KEPT_DAYS, "s")).kept == 0
    assert remembered(landed, (DAY + 7, "cx"), (DAY + 8, "x")).kept == DAY + 7
    failed = remembered(landed, (DAY + 7, "c"), (DAY + 14, "x"))
    assert (failed.kept, failed.landed_at(70), failed.landed_at(71)) == (0, DAY, 0)
    failed.add(0, 0, 70, 70, 80, DAY + 14, 0)
    assert (failed.goal, failed.landed, failed.kept, failed.kept_at(80)) == (80, 0, 0, 0)


def test_days_hold_what_was_played_and_how_long() -> None:
    learnt = Learnt()
    learnt.count(DAY, 4000)
    learnt.count(DAY, 5000)
    learnt.count(DAY + 1, 700)
    assert learnt.days == {DAY: [2, 9000], DAY + 1: [1, 700]}


def test_what_was_expected_cold_is_counted_beside_what_came_out() -> None:
    lamp, learnt = phrase(0), Learnt()
    for _ in range(8):
        learnt.take(lamp.excerpt, lamp.keys, 40, lamp.goal_bpm, {}, DAY)
    first = learnt.records[lamp.key]
    assert first.theta_from == 0.0
    evening = first.theta
    whole = model.wholes_of(learnt.skills["lamps"].rows(lamp.keys))[0]
    assert evening == pytest.approx(learnt.skills["lamps"].level.mean + whole.mean)
    expected = model.view(
        learnt.skills["lamps"].rows(lamp.keys), learnt.skills["lamps"].level, learnt.slips.lapse, DAY + 1
    ).whole(math.log(40))
    learnt.take(lamp.excerpt, lamp.keys, 40, lamp.goal_bpm, {1: CHOKED}, DAY + 1)
    assert first.theta_from == evening
    row = learnt.cold[min(int(expected * 10), 9)]
    assert row == [1, pytest.approx(expected), 0]
    learnt.take(lamp.excerpt, lamp.keys, 40, lamp.goal_bpm, {}, DAY + 1)
    assert sum(tenth[0] for tenth in learnt.cold) == 1


def test_what_is_expected_counts_as_played_today() -> None:
    lamp, learnt = phrase(0), Learnt()
    learnt.expect(lamp, 4, DAY, 60)
    learnt.expect(lamp, 2, DAY, 60)
    record = learnt.records[lamp.key]
    assert (record.reps, record.today, record.day) == (6, 6, DAY)
    learnt.expect(lamp, 1, DAY + 1, 60)
    assert (record.reps, record.today, record.day) == (7, 1, DAY + 1)
    turn = choose(learnt, material_of([sample_drill()]), sitting_on(DAY + 1, warm=True))
    assert turn is not None
    assert turn.why is not Why.TEST


def logged(faults: tuple[Fault, ...] | None) -> Rep:
    """A repetition of the passage as the log has it."""
    ids = id_at(NOON), id_at(NOON, "ada")
    return Rep(*ids, NOON, 60, PASSAGE.id, PASSAGE.excerpt, 52, 76, faults, duration_ms=21_000)


def test_the_log_s_repetitions_are_taken_as_they_are_rated() -> None:
    state, unrated = LearningFold().initial(), logged(None)
    LearningFold().step(state, unrated, PASSAGE)
    assert state.days == {unrated.day_number: [1, unrated.duration_ms]}
    assert state.skills == {}
    LearningFold().step(state, replace(unrated, faults=(), purpose="warm-up"), PASSAGE)
    assert state.skills == {}
    LearningFold().step(state, replace(unrated, faults=()), PASSAGE)
    assert list(state.records) == [PASSAGE.excerpt]
    assert state.days[unrated.day_number][0] == 3


@pytest.mark.parametrize(("cause", "failed"), [(None, 1), (POSITION, 1), (LIFT, 0)])
def test_a_choke_counts_against_the_move_unless_the_hand_had_arrived(
    cause: Cause | None, failed: int
) -> None:
    state = LearningFold().step(LearningFold().initial(), logged((Fault(3, CHOKED, cause),)), PASSAGE)
    (skill,) = state.skills.values()
    node, move, *_ = skill.rows(model.event_keys(PASSAGE))[2]
    assert (late_results(node.recent)[0], late_results(move.recent)[0]) == (1, failed)
