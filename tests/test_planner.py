"""The plan: order, reasons, minutes, what is due, what is new; and what it may never do."""

from __future__ import annotations

import itertools
import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.cli import main
from coach.ground.places import Places, builtin_drills
from coach.learning.evidence import EXCERPT, NODE, DayEvidence, day_evidence
from coach.learning.ladder import Ladder, after, new_ladder, open_day
from coach.learning.learner import Learner, Traits, new_learner, practise_day
from coach.learning.memory import Memory, fold
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.planner import History, make_plan
from coach.learning.repertoire import keys_of, repertoire_of, title_of
from coach.learning.standing import Standing
from coach.log.entries import Entry, new_id
from coach.log.log import Log
from coach.music.drill import TOGETHER, Assignment, Drill
from coach.music.excerpt import Excerpt, Kind, excerpts_of, passage_of, whole_phrase
from coach.score.load import load_drill
from tests.samples import one_bar_phrase, sample_drill, two_bar_phrase

DAY = date(2026, 3, 2)
EARLIER = DAY - timedelta(days=3)


LATER = DAY + timedelta(days=9)
"""So long after the last practice that something is due."""


def of(plan: Plan, *purposes: Purpose) -> list[PlanItem]:
    return [item for item in plan.items if item.purpose in purposes]


def excerpts(items: Sequence[PlanItem]) -> list[Excerpt]:
    return [item.excerpt for item in items if item.excerpt]


def played(
    drill: Drill, days: int, minutes: float = 20, seed: int = 1
) -> tuple[dict[str, Memory], dict[str, Ladder]]:
    """What the log says after so many days of a simulated player, the last of them yesterday."""
    repertoire = repertoire_of([drill])
    learner: Learner = new_learner(Traits(), [drill], repertoire, Random(seed))
    memories: dict[str, Memory] = {}
    ladders: dict[str, Ladder] = {}
    for number in range(days, 0, -1):
        day = DAY - timedelta(days=number)
        plan = make_plan(day, minutes, [drill], memories, ladders, None, repertoire)
        done = practise_day(learner, plan, repertoire, ladders)
        ladders = done.ladders
        for key, evidence in day_evidence(done.reps).items():
            memories[key] = fold(memories.get(key), evidence)
    return memories, ladders


def remembered(key: str, clean: bool = True, day: date = EARLIER, bpm: int = 80, results: int = 6) -> Memory:
    rows = ((bpm, 80, results if clean else 0, 0 if clean else results),)
    return fold(None, DayEvidence(key, day, clean, bpm, 80, rows, results, 0))


def begun(drill: Drill, rung_bpm: int = 60, day: date = EARLIER) -> dict[str, Ladder]:
    """Ladders of every phrase in every layer at one rung."""
    found = {}
    for phrase in drill.phrases:
        for layer in (*phrase.layers, TOGETHER):
            key = whole_phrase(drill, phrase, layer).key
            found[key] = replace(new_ladder(rung_bpm, drill.goal_bpm), last_day=day, reps=20)
    return found


def many_phrases(count: int) -> Drill:
    phrases = tuple(two_bar_phrase(f"p{number}") for number in range(count))
    return replace(sample_drill(), phrases=phrases)


def test_the_first_day_tunes_then_brings_new_material_layer_by_layer_and_then_together_slower() -> None:
    plan = make_plan(DAY, 20, [sample_drill()], {}, {})
    assert plan.items[0].purpose is Purpose.TUNE
    new = excerpts(of(plan, Purpose.NEW))
    assert [each.layer for each in new[:3]] == ["bass", "harmonics", TOGETHER]
    together = next(item for item in plan.items if item.excerpt and item.excerpt.layer == TOGETHER)
    assert together.tempo_bpm == 40
    plain = [item for item in plan.items if item.excerpt == new[0]]
    assert [item.reps for item in plain] == [3]
    assert not of(plan, Purpose.COLD, Purpose.WARM_UP, Purpose.PIECE)


@pytest.mark.parametrize("clean", [True, False])
def test_where_most_failed_cold_it_is_worked_on_before_anything_new(clean: bool) -> None:
    drill = load_drill(next(path for path in builtin_drills() if path.stem == "first-pour"))
    top = whole_phrase(drill, drill.phrases[0], "harmonics")
    ladders = {top.key: replace(new_ladder(50, drill.goal_bpm), last_day=EARLIER, reps=6)}
    keys = [EXCERPT + top.key, *keys_of(passage_of(drill, top))]
    memories = {key: remembered(key, clean, bpm=50) for key in keys}
    plan = make_plan(DAY, 20, [drill], memories, ladders)
    turns = [item.purpose for item in of(plan, Purpose.NEW, Purpose.WEAK, Purpose.BUILD)]
    assert (turns[0] is Purpose.NEW) == clean


def test_layers_come_together_once_each_is_ready_alone() -> None:
    drill = sample_drill()
    phrase = drill.phrases[0]
    ladders = {
        whole_phrase(drill, phrase, layer).key: replace(new_ladder(60, 80), last_day=EARLIER)
        for layer in phrase.layers
    }
    plan = make_plan(DAY, 20, [drill], {}, ladders)
    assert whole_phrase(drill, phrase, TOGETHER) in excerpts(of(plan, Purpose.BUILD))


def test_cold_repetitions_stand_before_all_practice_and_are_played_once_at_the_reference_rung() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    plan = make_plan(LATER, 20, [drill], memories, ladders)
    purposes = [item.purpose for item in plan.items]
    cold = of(plan, Purpose.COLD)
    assert cold
    first = purposes.index(Purpose.COLD)
    assert set(purposes[:first]) <= {Purpose.TUNE, Purpose.WARM_UP}
    assert purposes[first : first + len(cold)] == [Purpose.COLD] * len(cold)
    for item in cold:
        assert item.reps == 1
        assert item.excerpt is not None
        memory = memories.get(EXCERPT + item.excerpt.key)
        if memory and item.excerpt.kind is Kind.PHRASE and memory.due and memory.due <= LATER:
            assert item.tempo_bpm == memory.reference_bpm


@pytest.mark.parametrize("clean", [True, False])
def test_a_cold_repetition_speaks_of_what_stays_only_where_something_was_clean(clean: bool) -> None:
    drill = sample_drill()
    top = whole_phrase(drill, drill.phrases[0], "harmonics")
    keys = [EXCERPT + top.key, *keys_of(passage_of(drill, top))]
    memories = {key: remembered(key, clean, DAY - timedelta(days=9), bpm=50) for key in keys}
    ladders = {top.key: replace(new_ladder(50, drill.goal_bpm), last_day=DAY - timedelta(days=9), reps=6)}
    items = of(make_plan(DAY, 20, [drill], memories, ladders), Purpose.COLD)
    assert items
    for item in items:
        assert ("of what was clean should still be" in item.reason) == clean
        assert ("it failed when it was tested last" in item.reason) != clean


def test_every_due_node_is_tested_or_left_over_with_a_day() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 10)
    plan = make_plan(LATER, 20, [drill], memories, ladders)
    standing = Standing(LATER, repertoire_of([drill]), memories, ladders)
    covered = {key for each in excerpts(of(plan, Purpose.COLD)) for key in standing.repertoire.keys(each)}
    due = {key for key in memories if key.startswith(NODE) and standing.is_due(key)}
    assert due
    assert due <= covered
    assert not plan.left_over


def test_the_warm_up_shares_no_node_with_what_is_tested_cold() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    plan = make_plan(LATER, 30, [drill], memories, ladders)
    repertoire = repertoire_of([drill])
    warm = {key for each in excerpts(of(plan, Purpose.WARM_UP)) for key in repertoire.keys(each)}
    cold = {key for each in excerpts(of(plan, Purpose.COLD)) for key in repertoire.keys(each)}
    assert of(plan, Purpose.WARM_UP)
    assert not warm & cold


def test_what_was_practised_today_is_no_longer_cold() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    fresh = {key: replace(memory, last_day=LATER) for key, memory in memories.items()}
    assert of(make_plan(LATER, 20, [drill], memories, ladders), Purpose.COLD)
    assert not of(make_plan(LATER, 20, [drill], fresh, ladders), Purpose.COLD)


def test_the_weakest_move_is_practised_as_a_short_excerpt_and_the_reason_names_it() -> None:
    drill = sample_drill()
    repertoire = repertoire_of([drill])
    whole = repertoire.parts(drill, drill.phrases[0])[-1]
    weak = "n:4x864|D2|1/6"
    today = DAY - timedelta(days=1)
    memories = {
        key: remembered(key, key != weak and weak[2:] not in key, today, 70, 12) for key in whole.keys
    }
    memories[weak] = remembered(weak, False, today, 50, 12)
    plan = make_plan(DAY, 20, [drill], memories, begun(drill, 70, today))
    turns = of(plan, Purpose.WEAK)
    assert turns
    assert any(weak[2:] in item.excerpt.subject for item in turns if item.excerpt)
    assert any("3.2 on D2" in item.reason for item in turns)


def test_turns_are_interleaved_and_come_back() -> None:
    drill = many_phrases(4)
    plan = make_plan(DAY, 40, [drill], *played(drill, 8, 40))
    turns = excerpts(of(plan, Purpose.WEAK, Purpose.BUILD, Purpose.NEW))
    assert len(turns) > len(set(turns))
    repeats = sum(first == second for first, second in itertools.pairwise(turns))
    assert repeats <= len(turns) // 4


def test_every_item_says_why_in_a_sentence() -> None:
    drill = sample_drill()
    plan = make_plan(DAY, 60, [drill], *played(drill, 8))
    for item in plan.items:
        assert item.reason[0].isupper() or item.reason[0].isdigit()
        assert item.reason.endswith(".")
        assert len(item.reason) > 25


def test_a_long_session_breaks_before_half_an_hour_is_over() -> None:
    drill = many_phrases(4)
    for minutes, breaks in ((30, 0), (45, 1), (60, 1), (90, 2)):
        plan = make_plan(DAY, minutes, [drill], *played(drill, 3))
        assert len(of(plan, Purpose.BREAK)) == breaks
        running = 0.0
        for item in plan.items:
            running = 0.0 if item.purpose is Purpose.BREAK else running + item.minutes
            assert running <= 35
        if breaks:
            first = [item.purpose for item in plan.items].index(Purpose.BREAK)
            assert 24 <= sum(item.minutes for item in plan.items[:first]) <= 30


def test_a_set_aside_drill_stays_out() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    plan = make_plan(DAY, 20, [drill], memories, ladders, History(set_aside=frozenset({drill.id})))
    assert not excerpts(plan.items)


def test_the_piece_is_played_at_the_end_once_its_phrases_are_ready() -> None:
    drill = sample_drill()
    assert not of(make_plan(DAY, 30, [drill], {}, begun(drill, 50)), Purpose.PIECE)
    plan = make_plan(DAY, 30, [drill], {}, begun(drill, 70))
    assert plan.items[-1].purpose is Purpose.PIECE
    assert plan.items[-1].excerpt is not None
    assert plan.items[-1].excerpt.phrases == ("lamp", "wick")
    joins = [each for each in excerpts(plan.items) if each.kind is Kind.JOIN]
    assert joins


def test_new_material_waits_while_much_is_due_or_unsettled() -> None:
    drill = many_phrases(12)
    begun_phrases = replace(drill, phrases=drill.phrases[:6])
    plan = make_plan(DAY, 20, [drill], {}, begun(begun_phrases, 50))
    assert not of(plan, Purpose.NEW)
    assert of(make_plan(DAY, 20, [drill], {}, begun(begun_phrases, 76)), Purpose.NEW)


def test_an_assignment_due_soon_gets_more_and_starts_in_time() -> None:
    plain = many_phrases(6)
    given_out = Assignment("Mo", "Io", None, DAY + timedelta(days=5))
    phrases = tuple(two_bar_phrase(f"a{number}") for number in range(2))
    assigned = replace(sample_drill(), id="homework", phrases=phrases, assignment=given_out)
    plan = make_plan(DAY, 20, [plain, assigned], {}, begun(plain, 50))
    assert "homework" in {each.drill for each in excerpts(of(plan, Purpose.NEW))}
    both = begun(plain, 60) | begun(assigned, 60)
    plan = make_plan(DAY, 20, [plain, assigned], {}, both)
    minutes = dict.fromkeys(("lamps", "homework"), 0.0)
    for item in of(plan, Purpose.WEAK, Purpose.BUILD):
        assert item.excerpt is not None
        minutes[item.excerpt.drill] += item.minutes
    assert minutes["homework"] > minutes["lamps"]


def assigned(drill: Drill, days_left: int) -> Drill:
    given = Assignment("Mo", "Io", None, DAY + timedelta(days=days_left), "keep bar 3 quiet")
    phrases = tuple(two_bar_phrase(f"a{number}") for number in range(2))
    return replace(drill, id="homework", title="Homework", phrases=phrases, assignment=given)


@pytest.mark.parametrize(("days_left", "share"), [(20, 1 / 2), (7, 2 / 3), (0, 2 / 3)])
def test_an_open_assignment_has_its_share_of_the_work_from_the_first_turn_on(
    days_left: int, share: float
) -> None:
    plain, homework = many_phrases(6), assigned(sample_drill(), days_left)
    memories, ladders = played(plain, 10)
    plan = make_plan(
        LATER - timedelta(days=9), 30, [plain, homework], memories, ladders | begun(homework, 50)
    )
    done = {"lamps": 0.0, "homework": 0.0}
    for item in plan.items:
        if item.excerpt is None or item.purpose is Purpose.WARM_UP:
            continue
        done[item.excerpt.drill] += item.minutes
        is_homework = item.excerpt.drill == "homework"
        due = DAY + timedelta(days=days_left)
        assert (f"assigned by Io, due {due.day} {due:%b}." in item.reason) == is_homework
        if item.purpose is not Purpose.COLD and not is_homework:
            assert done["homework"] >= share * sum(done.values()) - 0.01
    assert done["homework"] >= share * sum(done.values()) - 0.01
    assert done["lamps"] > 0


def test_an_assignment_is_told_with_its_note_and_after_its_day_is_a_drill_like_any_other() -> None:
    homework = assigned(sample_drill(), 5)
    plan = make_plan(DAY, 20, [homework], {}, begun(homework, 50))
    assert plan.notes == ("Assigned by Io: Homework, goal 80 bpm by 7 Mar: keep bar 3 quiet.",)
    later = make_plan(DAY + timedelta(days=6), 20, [homework], {}, begun(homework, 50))
    assert later.notes == ("The due date of Homework was 7 Mar: it is practised like any other drill now.",)
    assert not any("assigned" in item.reason for item in later.items)
    assert not make_plan(DAY + timedelta(days=60), 20, [homework], {}, begun(homework, 50)).notes


@pytest.mark.parametrize(("back", "when"), [(0, "Earlier today"), (1, "On Sunday"), (3, "On Friday")])
def test_a_day_that_ended_in_pain_halves_the_next_ones_and_is_told_first(back: int, when: str) -> None:
    hurt = frozenset({DAY - timedelta(days=back)})
    plan = make_plan(DAY, 20, [sample_drill()], {}, {}, History(hurt_days=hurt))
    assert plan.notes[0].startswith(
        f"{when} you stopped because it hurt. If it still does, rest, and see a clinician"
    )
    assert plan.notes[0].endswith("10 min instead of 20 min.")
    assert plan.minutes == 10
    assert sum(item.minutes for item in plan.items) <= 10
    old = History(hurt_days=frozenset({DAY - timedelta(days=4), DAY + timedelta(days=1)}))
    assert make_plan(DAY, 20, [sample_drill()], {}, {}, old) == make_plan(DAY, 20, [sample_drill()], {}, {})


def test_after_a_day_that_hurt_nothing_is_tried_above_its_rung() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 4)
    hurt = History(hurt_days=frozenset({DAY - timedelta(days=1)}))
    assert any(item.probe_bpm for item in make_plan(DAY, 20, [drill], memories, ladders).items)
    gentle = make_plan(DAY, 40, [drill], memories, ladders, hurt).items
    assert not any(item.probe_bpm or "try" in item.reason for item in gentle)


def test_a_second_plan_of_the_day_neither_tunes_nor_warms_up_and_tells_what_was_practised() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    plan = make_plan(DAY, 20, [drill], memories, ladders, History({DAY: 12.4}))
    assert not of(plan, Purpose.TUNE, Purpose.WARM_UP)
    assert "Practised today already: 12 min." in plan.notes


def test_new_phrases_come_from_the_drill_begun_until_all_of_it_is_begun() -> None:
    first, second, third = (replace(many_phrases(3), id=name) for name in ("first", "second", "third"))
    drills = [first, second, third]
    some = begun(replace(second, phrases=second.phrases[:1]), 76)
    assert {each.drill for each in excerpts(of(make_plan(DAY, 60, drills, {}, some), Purpose.NEW))} == {
        "second"
    }
    every = begun(second, 76)
    assert {each.drill for each in excerpts(of(make_plan(DAY, 60, drills, {}, every), Purpose.NEW))} == {
        "first"
    }
    slow = begun(second, 50)
    assert not of(make_plan(DAY, 20, drills, {}, slow), Purpose.NEW)
    wanted = [first, second, replace(third, assignment=assigned(third, 20).assignment)]
    assert {each.drill for each in excerpts(of(make_plan(DAY, 60, wanted, {}, some), Purpose.NEW))} == {
        "third"
    }
    aside = History(set_aside=frozenset({"second"}))
    plan = make_plan(DAY, 60, drills, {}, some, aside)
    assert {each.drill for each in excerpts(of(plan, Purpose.NEW))} == {"first"}


@pytest.mark.parametrize("clean_share", [0.0, 0.5, 1.0])
def test_every_phrase_and_layer_of_a_begun_drill_comes_up_within_a_week(clean_share: float) -> None:
    drill = load_drill(next(path for path in builtin_drills() if path.stem == "first-pour"))
    repertoire = repertoire_of([drill])
    results = Random(3)
    memories: dict[str, Memory] = {}
    ladders: dict[str, Ladder] = {}
    seen: dict[Excerpt, date] = {}
    for number in range(28):
        day = DAY + timedelta(days=number)
        plan = make_plan(day, 20, [drill], memories, ladders, None, repertoire)
        for item in plan.items:
            if item.excerpt is None:
                continue
            seen[item.excerpt] = day
            old = ladders.get(item.excerpt.key) or new_ladder(item.tempo_bpm, drill.goal_bpm)
            clean = results.random() < clean_share
            for _ in range(item.reps):
                old, _ = after(old, clean, day)
            ladders[item.excerpt.key] = old
            rows = ((item.tempo_bpm, drill.goal_bpm, clean * item.reps, (not clean) * item.reps),)
            for key in (*repertoire.keys(item.excerpt), EXCERPT + item.excerpt.key):
                if key not in memories or memories[key].last_day < day:
                    evidence = DayEvidence(
                        key, day, clean, item.tempo_bpm, drill.goal_bpm, rows, item.reps, 0
                    )
                    memories[key] = fold(memories.get(key), evidence)
        if number < 6:
            continue
        standing = Standing(day, repertoire, memories, ladders)
        for phrase in drill.phrases:
            parts = repertoire.parts(drill, phrase)
            assert all(part.excerpt in seen for part in parts), f"never by day {number}: {phrase.id}"
            if not standing.solid(drill, phrase):
                assert (day - seen[parts[-1].excerpt]).days <= 7


def test_a_layer_that_was_hardly_played_is_taken_up_again() -> None:
    drill = sample_drill()
    ladders = begun(drill, 50)
    bass = whole_phrase(drill, drill.phrases[0], "bass")
    ladders[bass.key] = replace(ladders[bass.key], reps=1)
    assert bass in excerpts(of(make_plan(DAY + timedelta(days=1), 20, [drill], {}, ladders), Purpose.BUILD))


def test_layers_are_first_joined_no_faster_than_each_was_clean_alone() -> None:
    drill = sample_drill()
    phrase = drill.phrases[0]
    bass, harmonics, both = (whole_phrase(drill, phrase, layer) for layer in (*phrase.layers, TOGETHER))
    ladders = {each.key: replace(new_ladder(60, 80), last_day=EARLIER, reps=20) for each in (bass, harmonics)}

    def joined(memories: dict[str, Memory]) -> int:
        plan = make_plan(DAY, 20, [drill], memories, ladders)
        return next(item.tempo_bpm for item in plan.items if item.excerpt == both)

    assert joined({}) == round(0.8 * 57)  # a day later its rung is a step under 60
    keys = [EXCERPT + each.key for each in (bass, harmonics)]
    assert joined({key: remembered(key, bpm=bpm) for key, bpm in zip(keys, (60, 40), strict=True)}) == 40


def test_the_warm_up_is_called_secure_only_where_it_is() -> None:
    drill = sample_drill()
    top = whole_phrase(drill, drill.phrases[0])
    yesterday = DAY - timedelta(days=1)

    def warm_up(rung: int, clean: bool) -> list[PlanItem]:
        memory = replace(remembered(EXCERPT + top.key, clean, yesterday, rung), due=DAY + timedelta(days=9))
        ladders = {top.key: replace(new_ladder(rung, 80), last_day=yesterday, reps=20)}
        return of(make_plan(DAY, 40, [drill], {memory.key: memory}, ladders), Purpose.WARM_UP)

    assert "secure and not due" in warm_up(74, True)[0].reason
    assert "the surest you have that is not due" in warm_up(60, True)[0].reason
    assert not warm_up(74, False)


def test_only_what_failed_is_called_weak() -> None:
    drill = sample_drill()
    repertoire = repertoire_of([drill])
    today = DAY - timedelta(days=1)
    keys = repertoire.parts(drill, drill.phrases[0])[-1].keys
    rare = {key: fold(None, DayEvidence(key, today, True, 60, 80, ((60, 80, 29, 1),), 30, 0)) for key in keys}
    assert not of(make_plan(DAY, 20, [drill], rare, begun(drill, 60, today)), Purpose.WEAK)
    assert not of(make_plan(DAY, 20, [drill], {}, begun(drill, 60, today)), Purpose.WEAK)
    rare[keys[0]] = fold(None, DayEvidence(keys[0], today, False, 60, 80, ((60, 80, 2, 4),), 6, 0))
    weak = of(make_plan(DAY, 20, [drill], rare, begun(drill, 60, today)), Purpose.WEAK)
    assert weak
    assert all("choked about 7 times in 10 lately" in item.reason for item in weak)


def test_the_piece_runs_no_faster_than_its_slowest_phrase() -> None:
    drill = sample_drill()
    ladders = begun(drill, 78)
    slow = whole_phrase(drill, drill.phrases[1]).key
    ladders[slow] = replace(ladders[slow], rung_bpm=60)
    piece = of(make_plan(DAY, 30, [drill], {}, ladders), Purpose.PIECE)
    assert [item.tempo_bpm for item in piece] == [open_day(ladders[slow], DAY, 80).rung_bpm]


def test_a_faster_tempo_is_tried_only_where_its_notes_and_the_whole_were_clean_and_never_far_over_the_rung() -> (
    None
):
    """Common practice, no source: a faster tempo is tried once; what fails there goes back to where it was clean."""
    drill = sample_drill()
    phrase = drill.phrases[0]
    whole = whole_phrase(drill, phrase)
    keys = (*repertoire_of([drill]).keys(whole), EXCERPT + whole.key)
    ladders = begun(drill, 44, DAY - timedelta(days=1))

    def tried(bpm: int, clean: bool = True, results: int = 30, failing: str = "") -> list[PlanItem]:
        memories = {
            key: remembered(key, clean and key != failing, DAY - timedelta(days=1), bpm, results)
            for key in keys
        }
        plan = make_plan(DAY, 30, [drill], memories, ladders)
        return [item for item in plan.items if item.excerpt == whole and item.purpose is Purpose.BUILD]

    faster = tried(70)
    rung = open_day(ladders[whole.key], DAY, 80).rung_bpm
    assert {item.tempo_bpm for item in faster} == {rung}
    assert {item.probe_bpm for item in faster} == {round(rung * 1.25)}
    assert f"first try {faster[0].probe_bpm}" in faster[0].reason
    assert not any(item.probe_bpm for item in tried(44, clean=False))
    assert not any(item.probe_bpm for item in tried(46, failing=EXCERPT + whole.key))
    one = next(key for key in keys if key.startswith(NODE))
    assert all(item.probe_bpm < faster[0].probe_bpm for item in tried(50, failing=one))
    assert all(item.reps > 3 for item in faster)  # the rung has its turn too


@pytest.mark.parametrize("days", [2, 5, 9])
def test_no_plan_asks_for_a_probe_beyond_the_goal_or_of_something_never_played(days: int) -> None:
    drill = sample_drill()
    memories, ladders = played(drill, days)
    found = [item for item in make_plan(DAY, 25, [drill], memories, ladders).items if item.probe_bpm]
    for item in found:
        assert item.excerpt is not None
        assert item.excerpt.key in ladders
        assert item.tempo_bpm < item.probe_bpm <= min(drill.goal_bpm, round(1.25 * item.tempo_bpm))


def test_a_phrase_that_repeats_is_joined_from_its_end_to_its_start() -> None:
    drill = replace(sample_drill(), order=("lamp", "lamp", "wick"))
    join = Excerpt(drill.id, ("lamp", "lamp"), TOGETHER, Kind.JOIN)
    assert "from its end back to its start" in title_of(repertoire_of([drill]), join)


def test_far_more_than_the_weeks_habit_is_warned_of() -> None:
    drill = sample_drill()
    habit = {DAY - timedelta(days=back): 15.0 for back in (1, 2, 4)}
    calm = make_plan(DAY, 20, [drill], {}, {}, History(habit))
    assert not any("habit" in note for note in calm.notes)
    for history, minutes in ((habit, 60), ({**habit, DAY: 40.0}, 20)):
        sudden = make_plan(DAY, minutes, [drill], {}, {}, History(history))
        assert any("60 minutes today is far above this week's habit" in note for note in sudden.notes)
    seconds = make_plan(DAY, 40, [drill], {}, {}, History({DAY - timedelta(days=1): 0.4}))
    usual = make_plan(DAY, 20, [drill], {}, {}, History({DAY - timedelta(days=1): 0.4}))
    assert not any("habit" in note for note in usual.notes)
    assert any("habit of under 1 a day" in note for note in seconds.notes)
    assert not make_plan(DAY, 60, [drill], {}, {}, History({})).notes


def test_no_time_or_no_drill_is_said() -> None:
    with pytest.raises(ValueError, match="is not above 0"):
        make_plan(DAY, 0, [sample_drill()], {}, {})
    assert make_plan(DAY, 10, [], {}, {}).items[0].purpose is Purpose.TUNE


def test_a_drill_whose_phrase_was_removed_is_planned_without_it() -> None:
    drill = sample_drill()
    memories, ladders = played(drill, 8)
    shorter = replace(drill, phrases=(one_bar_phrase(),))
    plan = make_plan(DAY, 20, [shorter], memories, ladders)
    assert all("lamp" not in each.phrases for each in excerpts(plan.items))


def test_a_parts_keys_are_those_of_its_passage() -> None:
    drills = [sample_drill(), *(load_drill(path) for path in builtin_drills())]
    repertoire = repertoire_of(drills)
    parts = [part for drill in drills for phrase in drill.phrases for part in repertoire.parts(drill, phrase)]
    assert len(parts) > 20
    for part in parts:
        assert part.keys == keys_of(part.passage)
        halves = [each for each in part.shorter if each.kind is Kind.HALF and repertoire.passage(each)]
        expected = excerpts_of(part.drill, part.phrase, part.layer)
        assert [each for each in part.shorter if each.kind is not Kind.HALF] + halves == list(expected)


def test_an_old_repertoire_does_not_crowd_the_day() -> None:
    drill = many_phrases(60)
    ladders = begun(drill, 80)
    weak = whole_phrase(drill, drill.phrases[47]).key
    ladders[weak] = replace(ladders[weak], rung_bpm=50)
    yesterday = DAY - timedelta(days=1)
    memories = {EXCERPT + key: remembered(EXCERPT + key, key != weak, yesterday, 78) for key in ladders}
    plan = make_plan(DAY, 20, [drill], memories, ladders)
    assert "p47" in {
        phrase for each in excerpts(of(plan, Purpose.BUILD, Purpose.WEAK)) for phrase in each.phrases
    }


def test_the_command_prints_the_plan_and_writes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["plan", "--folder", str(tmp_path), "--date", "2026-03-02", "--minutes", "15"]
    assert main(arguments) == 0
    text = capsys.readouterr().out
    assert text.startswith("Monday 2 March 2026: 15 min")
    assert "Strings in tune first" in text
    assert main([*arguments, "--json"]) == 0
    body = json.loads(capsys.readouterr().out)
    assert sum(item["minutes"] for item in body["items"]) <= 15
    assert [item["purpose"] for item in body["items"]][:2] == ["tune", "new"]
    assert Excerpt.parse(body["items"][1]["excerpt"]).kind is Kind.PHRASE
    assert not list(tmp_path.iterdir())
    assert main(["plan", "--minutes", "0"]) == 2
    assert "outside 1 to 240" in capsys.readouterr().err


def test_the_log_tells_the_plan_on_which_practice_day_it_hurt(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # One o'clock at night on Monday belongs to Sunday's practice day.
    at_ms = round(datetime(2026, 3, 2, 1, tzinfo=UTC).timestamp() * 1000)
    with Log.open(Places(tmp_path).log, "Mo", now_ms=at_ms) as log:
        log.send(Entry(new_id(at_ms, bytes(10)), log.player.id, at_ms, 0, "hurt"))
    arguments = ["plan", "--folder", str(tmp_path), "--date", "2026-03-02", "--minutes", "20"]
    assert main(arguments) == 0
    text = capsys.readouterr().out
    assert text.startswith("Monday 2 March 2026: 10 min\nNote: On Sunday you stopped because it hurt.")


@settings(max_examples=25, deadline=None)
@given(
    minutes=st.one_of(st.integers(1, 240), st.floats(0.2, 240)),
    days=st.integers(0, 6),
    gap=st.integers(0, 40),
    seed=st.integers(0, 5),
    phrases=st.integers(1, 5),
)
def test_a_plan_never_exceeds_the_minutes_and_is_the_same_for_the_same_inputs(
    minutes: float, days: int, gap: int, seed: int, phrases: int
) -> None:
    drill = many_phrases(phrases)
    memories, ladders = played(drill, days, 15, seed)
    day = DAY + timedelta(days=gap)
    plan = make_plan(day, minutes, [drill], memories, ladders)
    assert sum(item.minutes for item in plan.items) <= minutes + 1e-9
    assert all(item.minutes > 0 for item in plan.items)
    for item in plan.items:
        if item.excerpt:
            assert 20 <= item.tempo_bpm <= drill.goal_bpm
            assert item.reps >= 1
            ladder = ladders.get(item.excerpt.key)
            if ladder and item.purpose is not Purpose.COLD:
                assert item.tempo_bpm <= open_day(ladder, day, drill.goal_bpm).rung_bpm
            elif not ladder and item.excerpt.kind is Kind.PHRASE:
                assert item.tempo_bpm <= drill.tempo.start_bpm
    shuffled = dict(sorted(memories.items(), key=lambda pair: pair[0][::-1]))
    assert make_plan(day, minutes, [drill], shuffled, dict(reversed(ladders.items()))) == plan


@settings(max_examples=8, deadline=None)
@given(results=st.randoms(use_true_random=False), minutes=st.integers(4, 8))
def test_when_more_is_due_than_fits_the_plan_says_so_and_each_comes_by_the_day_it_names(
    results: Random, minutes: int
) -> None:
    drill = many_phrases(8)
    repertoire = repertoire_of([drill])
    ladders = begun(drill, 60, DAY - timedelta(days=30))
    keys = {EXCERPT + repertoire.parts(drill, phrase)[-1].excerpt.key for phrase in drill.phrases}
    for phrase in drill.phrases:
        keys |= set(repertoire.parts(drill, phrase)[-1].keys)
    memories = {
        key: remembered(key, results.random() < 0.5, DAY - timedelta(days=results.randint(10, 30)), 60)
        for key in sorted(keys)
    }
    promised: dict[str, date] = {}
    for number in range(40):
        day = DAY + timedelta(days=number)
        plan = make_plan(day, minutes, [drill], memories, ladders, None, repertoire)
        if number == 0:
            assert plan.left_over
            assert any("More is due than fits" in note for note in plan.notes)
            promised = {item.excerpt.key: item.due for item in plan.left_over if item.excerpt and item.due}
        tested = {}
        for item in of(plan, Purpose.COLD):
            assert item.excerpt is not None
            for key in (*repertoire.keys(item.excerpt), EXCERPT + item.excerpt.key):
                tested.setdefault(key, item.tempo_bpm)
            promised.pop(item.excerpt.key, None)
        for key, bpm in tested.items():
            clean = results.random() < 0.7
            rows = ((bpm, 80, int(clean), int(not clean)),)
            memories[key] = fold(memories.get(key), DayEvidence(key, day, clean, bpm, 80, rows, 1, 0))
        assert not [key for key, by in promised.items() if by < day]
        # What another excerpt has tested meanwhile needs no repetition of its own.
        standing = Standing(day + timedelta(days=1), repertoire, memories, ladders)
        promised = {
            key: by
            for key, by in promised.items()
            if any(map(standing.is_due, (*repertoire.keys(Excerpt.parse(key)), EXCERPT + key)))
        }
        if not promised:
            return
    pytest.fail(f"still waiting: {promised}")
