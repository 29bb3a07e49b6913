"""The session machine, driven without any input or output: what the whole sessions in `traces` do not show."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from fractions import Fraction
from itertools import accumulate, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.pieces import piece
from coach.folder.actions import Phase
from coach.learning.choice import bars_of
from coach.learning.learning import LearningFold, Learnt
from coach.learning.material import material_of
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.planner import make_plan
from coach.learning.relief import Release
from coach.learning.rung import Moved, Step
from coach.learning.skill import late_results
from coach.log.entries import Suggestion
from coach.music.drill import TOGETHER, Assignment, Bar, Drill, Note, Phrase
from coach.music.excerpt import Excerpt, Kind
from coach.rating.fault import Fault
from coach.rating.table import CAUSES, CHOKED, NOT_REACHED, RESULTS
from coach.session import machine
from coach.session.coaching import Coaching
from coach.session.events import (
    Again,
    AutoGo,
    ChooseExcerpt,
    ChooseLayer,
    Confirm,
    Cut,
    Easier,
    Effect,
    Go,
    Listen,
    Mark,
    MarkRest,
    Pause,
    Rated,
    Reload,
    RepEnded,
    RunOn,
    SaveRep,
    SessionEvent,
    SetTempo,
    Skip,
    Source,
    StartRep,
    Stop,
    Suggest,
    Tell,
    Undo,
)
from coach.session.machine import TRANSITIONS, NotNow, WrongWayError
from coach.session.notices import (
    LONGEST_RESULTS,
    Plain,
    Saved,
    faster_once,
    goal_reached,
    marks_taken_back,
    missing,
    relieved,
    reloaded,
)
from coach.session.session import Session
from coach.session.states import Amending, Playing, Rating, Ready
from coach.session.turns import announced
from tests import samples
from tests.samples import FOUR_FOUR, sample_drill
from tests.screens import task_of

DAY = date(2026, 3, 2)
PAUSES = {"pause_s": 2.0, "run_on_pause_s": 2.0}
CHOKE_2 = Fault(2, CHOKED)
CAUSE_OF = {cause.word: cause for cause in CAUSES}


def items() -> tuple[PlanItem, ...]:
    lamp = Excerpt("lamps", ("lamp",), TOGETHER)
    wick = Excerpt("lamps", ("wick",), TOGETHER)
    return (
        PlanItem(Purpose.TUNE, 1, "Start in tune."),
        PlanItem(Purpose.COLD, 1, "Due today.", lamp, reps=1, tempo_bpm=60),
        PlanItem(Purpose.CLIMB, 5, "Climb.", lamp, reps=6),
        PlanItem(Purpose.CLIMB, 5, "Climb.", wick, reps=2),
    )


EVENING_MS = round(datetime(2026, 3, 2, 18, tzinfo=UTC).timestamp() * 1000)


def begin(items: tuple[PlanItem, ...], **options: object) -> tuple[Session, tuple[Effect, ...]]:
    """A session of these items over the sample drill at six in the evening."""
    adapts, chooses = bool(options.pop("adapts", True)), bool(options.pop("chooses", False))
    coaching = Coaching(items, Learnt(), material_of([sample_drill()]), DAY, adapts, chooses)
    return machine.start(
        Plan(DAY, 20, items),
        {"lamps": sample_drill()},
        coaching,
        EVENING_MS,
        0,
        player="ada",
        nonce=bytes(8),
        **{**PAUSES, **options},  # type: ignore[arg-type]
    )


def opened(first: int = 0) -> Session:
    session, _ = begin(items()[first:])
    return session


def drive(session: Session, *events: SessionEvent, after_s: float = 0) -> tuple[Session, list[Effect]]:
    effects: list[Effect] = []
    for event in events:
        session, caused = machine.receive(session, event, session.now_ms + round(after_s * 1000), 0)
        effects.extend(caused)
    return session, effects


def rep(*marks: Fault) -> list[SessionEvent]:
    return [Go(), RepEnded(), *map(Mark, marks), Confirm()]


def rung_of(session: Session) -> int:
    return session.coaching.rung_bpm(task_of(session).excerpt)


def number_of(session: Session) -> int:
    assert session.turn is not None
    return session.turn.number


def saves(effects: list[Effect]) -> list[SaveRep]:
    return [effect for effect in effects if isinstance(effect, SaveRep)]


def notices(effects: list[Effect]) -> list[object]:
    return [effect.notice for effect in effects if isinstance(effect, Tell)]


def test_what_was_not_reached_is_not_told_as_failed():
    unreached = tuple(Fault(label, NOT_REACHED) for label in range(2, 40))
    assert str(Saved(unreached, None)) == "saved, broke off"
    assert str(Saved((Fault(1, CHOKED), *unreached), None)) == "saved, 1 failed"


def test_a_failure_that_leaves_the_rung_says_that_it_stays_and_why():
    told = str(Saved((Fault(7, CHOKED),), Step(Moved.STAY, 40, 40)))
    assert told == "saved, choked 7: stays at 40, still within reach"
    # A line of 80 columns holds it with as many results as are told one by one.
    assert len(told) - len("choked 7") + LONGEST_RESULTS <= 80


def test_minutes_that_tuning_leaves_are_there_at_the_end():
    session, _ = drive(opened(), Go(), after_s=20)
    assert session.coaching.spare_s == 40


def test_a_plan_that_is_done_before_its_time_says_how_much_is_left():
    lamp, _wick = items()[2:]
    session, _ = begin((replace(lamp, minutes=1, reps=6),), chooses=True)
    session = replace(session, coaching=replace(session.coaching, spare_s=1200))
    for _ in range(300):
        if session.phase is Phase.DONE:
            break
        session, effects = drive(
            session, *([Rated(())] if session.phase is Phase.READY else [Go()]), after_s=1
        )
    told = [str(notice) for notice in notices(effects)]
    assert any("Nothing more needs practice today" in words for words in told)
    played = [saved.turn.item.excerpt for saved in session.played]
    assert {excerpt for excerpt in played if excerpt} > {lamp.excerpt}


def test_once_more_after_the_failures_that_ended_a_turn_is_at_the_rung_that_they_left():
    session, _ = drive(opened(3), *rep(), Go(), RepEnded(), Mark(CHOKE_2))
    played_at = task_of(session).tempo_bpm
    session, effects = drive(session, Again())
    assert [save.rep.faults for save in saves(effects)] == [(CHOKE_2,)]
    (start,) = (effect for effect in effects if isinstance(effect, StartRep))
    assert start.tempo_bpm == task_of(session).tempo_bpm == rung_of(session) < played_at
    cold, _ = drive(opened(1), Go(), RepEnded(), Mark(CHOKE_2))
    cold, _ = drive(cold, Again())
    assert task_of(cold).tempo_bpm == 60  # a cold test is played at its own


def test_the_easier_version_leaves_out_what_is_droppable():
    session, _ = drive(opened(2), Easier())
    assert len(task_of(session).passage.events) == 8
    assert task_of(session).excerpt.easier


def test_an_easier_version_taken_by_key_starts_no_faster_than_what_it_makes_easier_until_it_was_played():
    session, _ = drive(opened(2), SetTempo(41), *rep(CHOKE_2))
    failed_bpm = rung_of(session)
    eased, _ = drive(session, Easier())
    assert task_of(eased).excerpt.easier
    assert task_of(eased).tempo_bpm == rung_of(eased) == failed_bpm < 50
    eased, _ = drive(eased, *rep())
    played_bpm = rung_of(eased)
    back, _ = drive(eased, Easier(), SetTempo(30), Easier())
    assert (task_of(back).tempo_bpm, rung_of(back)) == (played_bpm, played_bpm)


def test_a_layer_alone_has_a_rung_of_its_own():
    session, _ = drive(opened(2), ChooseLayer("bass"), *rep())
    assert task_of(session).excerpt.layer == "bass"
    assert list(session.coaching.learnt.records) == ["lamps:lamp:bass:phrase:full:"]
    together = Excerpt("lamps", ("lamp",), TOGETHER)
    assert session.coaching.rung_bpm(together) == 50 < rung_of(session)


def test_what_the_layers_showed_alone_tells_where_they_are_joined():
    slow, quick = begin(items()[2:])[0], begin(items()[2:])[0]
    for _ in range(3):
        slow, _ = drive(slow, ChooseLayer("harmonics"), *rep(CHOKE_2))
        quick, _ = drive(quick, ChooseLayer("harmonics"), *rep())
    together = Excerpt("lamps", ("lamp",), TOGETHER)
    slow, _ = drive(slow, ChooseExcerpt(together))
    joined = {
        name: one.coaching.learnt.skills["lamps"].level.mean
        for name, one in (("slow", slow), ("quick", quick))
    }
    assert joined["slow"] < joined["quick"]


def test_the_rest_of_the_plan_is_chosen_anew_from_what_just_happened():
    session, _ = begin(items()[2:], chooses=True)
    planned = session.coaching.items
    while number_of(session) == 0:
        session, _ = drive(session, *rep(CHOKE_2), after_s=10)
    assert session.coaching.items[0] == planned[0]
    assert session.coaching.items[1:] != planned[1:]
    assert task_of(session).excerpt != Excerpt("lamps", ("lamp",), TOGETHER)


def practised(
    drills: tuple[Drill, ...], turns: int, faults: tuple[Fault, ...] = (), pace: int = 5
) -> list[PlanItem]:
    """The first turns of a session over drills whose phrases were played three times two days ago."""
    material, learnt = material_of(drills), Learnt()
    for drill in drills:
        for part in material.parts(drill)[: -1 if faults else None]:
            learnt.expect(part, 3, DAY.toordinal() - 2, part.start_bpm)
    plan = make_plan(DAY, 40, drills, learnt, material=material, pace=pace)
    coaching, by_id = (
        Coaching(plan.items, learnt, material, DAY, pace=pace),
        {each.id: each for each in drills},
    )
    session, _ = machine.start(plan, by_id, coaching, EVENING_MS, 0, player="ada", nonce=bytes(8), **PAUSES)
    while number_of(session) <= turns:
        session, _ = drive(session, Go() if session.phase is Phase.REST else Rated(faults), after_s=5)
    return [item for item in session.coaching.items[: turns + 1] if item.excerpt]


def test_an_assigned_drill_comes_first_throughout_the_session():
    first, second = piece("short", 1), piece("short", 2)
    assigned = replace(second, assignment=Assignment(student="Ada"))

    def leads(*drills: Drill) -> list[int]:
        """After each turn, how many more were about the second drill than about the first."""
        about = [item.excerpt.drill for item in practised(drills, 9)[1:] if item.excerpt]
        return list(accumulate(1 if drill == second.id else -1 for drill in about))

    assert min(leads(first, second)) < 0
    assert min(leads(first, assigned)) >= 0


def test_what_is_new_and_was_broken_off_waits_for_other_turns_and_eats_no_pace():
    items = practised((piece("short", 1),), 9, (Fault(1, NOT_REACHED),), pace=1)
    new = [item.excerpt for item in items if item.purpose is Purpose.BEGIN]
    assert len(new) > 2
    assert len(set(new)) == 1
    assert all(before.excerpt != after.excerpt for before, after in pairwise(items))


def test_a_piece_begins_at_the_tempo_that_the_plan_and_the_end_of_a_session_name():
    """It is slower than the drill's start where the slowest of its phrases is."""
    drill = piece("short", 1)
    material, learnt = material_of([drill]), Learnt()
    for part in material.parts(drill):
        for _ in range(3):
            learnt.take(part.excerpt, part.keys, part.start_bpm, part.goal_bpm, {2: CHOKED}, DAY.toordinal())
    planned = make_plan(DAY, 40, [drill], learnt, material=material)
    first = next(item for item in planned.items if item.excerpt and item.excerpt.kind is Kind.PIECE)
    assert first.excerpt is not None
    coaching, tempo_bpm = Coaching.of(planned, learnt, [drill]).entered(drill, first.excerpt, first, DAY)
    assert tempo_bpm == first.tempo_bpm == coaching.rung_bpm(first.excerpt)
    assert coaching.next_rung_bpm(first.excerpt) == first.tempo_bpm
    assert tempo_bpm < drill.tempo.start_bpm


def test_leaving_the_last_thing_for_today_empties_no_session():
    session, _ = begin(items()[2:], chooses=True)
    for _ in range(120):
        if session.phase is Phase.DONE:
            break
        session, _ = drive(session, *rep(Fault(1, CHOKED)), after_s=2)
    assert sum(played.rep.duration_ms for played in session.played) / 60_000 > 8


def test_what_is_left_for_today_comes_back_in_no_layer_or_part():
    session, _ = begin(items()[2:], chooses=True)
    lamp = Excerpt("lamps", ("lamp",), TOGETHER)
    coaching = replace(session.coaching, left_alone=frozenset({bars_of(lamp)}))
    of_lamp = PlanItem(Purpose.CLIMB, 5, "Climb.", replace(lamp, layer="bass"), reps=2)
    of_wick = replace(of_lamp, excerpt=replace(lamp, phrases=("wick",)))
    assert replace(coaching, items=(of_lamp, of_wick)).next_item(0) == (1, of_wick)


def test_two_phrases_that_fail_throughout_are_both_left_for_today():
    lamp, wick = (Excerpt("lamps", (phrase,), TOGETHER) for phrase in ("lamp", "wick"))
    turns = [PlanItem(Purpose.CLIMB, 60, "Climb.", excerpt, reps=90) for excerpt in (lamp, wick)]
    session, _ = begin((*turns, *turns))
    for _ in range(90):
        if session.phase is Phase.DONE:
            break
        session, _ = drive(session, *rep(Fault(1, CHOKED)))
    assert session.phase is Phase.DONE
    assert session.coaching.left_alone == {bars_of(lamp), bars_of(wick)}


@pytest.mark.parametrize(("bpm", "slower"), [(60, True), (20, False)])
def test_much_slower_is_offered_where_there_is_a_much_slower_tempo(bpm, slower):
    node = Excerpt("lamps", ("lamp",), "harmonics", Kind.NODE, easier=True, subject="G2|1/3")
    session, _ = begin((PlanItem(Purpose.CLIMB, 60, "Climb.", node, reps=90),), chooses=False)
    session = replace(session, coaching=replace(session.coaching, rungs={node.key: bpm}))
    choke = Fault(1, CHOKED)
    session, effects = drive(session, *rep(choke), *rep(choke), *rep(choke))
    assert (Tell(relieved(Release.SLOWER)) in effects) is slower


@pytest.mark.parametrize(("pause_s", "next_bpm"), [(0.0, 50), (0.5, 0), (2.0, 0)])
def test_repetitions_follow_in_rounds_only_where_no_pause_is_set(pause_s, next_bpm):
    _, effects = drive(begin(items()[2:], pause_s=pause_s)[0], Go())
    (start,) = effects
    assert isinstance(start, StartRep)
    assert start.next_bpm == next_bpm


def two_turns(second: Purpose, **options: object) -> Session:
    """Two repetitions of lamp, then two of wick for another purpose, in rounds."""
    lamp, wick = items()[2:]
    return begin((replace(lamp, reps=2), replace(wick, purpose=second)), pause_s=0.0, **options)[0]


def expected(session: Session) -> tuple[str, ...] | None:
    item = announced(session)
    return item.excerpt.phrases if item and item.excerpt else None


def test_the_next_turn_is_announced_in_the_last_bar_of_clicks_and_its_count_in_takes_no_key():
    session, _ = drive(two_turns(Purpose.CLIMB), Go())
    assert expected(session) is None
    session, _ = drive(session, RepEnded())
    assert expected(session) == ("wick",)
    session, _ = drive(session, Confirm())
    assert (session.phase, expected(session)) == (Phase.PLAYING, ("wick",))
    session, _ = drive(session, RepEnded())
    assert (session.phase, expected(session)) == (Phase.RATING, ("wick",))
    session, effects = drive(session, Confirm())
    assert task_of(session).excerpt.phrases == ("wick",)
    assert effects[-1] == AutoGo(0.0)


@pytest.mark.parametrize("second", [Purpose.BEGIN, Purpose.COLD])
def test_what_is_new_or_cold_waits_until_the_player_is_ready(second):
    session, effects = drive(two_turns(second), *rep(CHOKE_2), *rep())
    assert task_of(session).excerpt.phrases == ("wick",)
    assert not isinstance(effects[-1], AutoGo)


def test_where_pauses_are_set_every_turn_begins_by_a_key():
    lamp, wick = items()[2:]
    session, effects = drive(begin((replace(lamp, reps=1), wick), pause_s=2.0)[0], *rep())
    assert task_of(session).excerpt.phrases == ("wick",)
    assert not isinstance(effects[-1], AutoGo)


def test_a_turn_that_was_not_announced_waits_for_a_key():
    # Chosen anew after the rating: another phrase than the plan had next, and one that turned out to be new.
    lamp, wick = items()[2:]
    for first, follows in ((wick, "lamp"), (lamp, "wick")):
        planned = (replace(first, reps=1, minutes=30), wick)
        session, _ = drive(begin(planned, pause_s=0.0, chooses=True)[0], Go(), RepEnded())
        assert expected(session) == ("wick",)
        session, effects = drive(session, Confirm())
        assert (session.phase, task_of(session).excerpt.phrases) == (Phase.READY, (follows,))
        assert not isinstance(effects[-1], AutoGo)


def test_a_turn_that_runs_on_waits_its_own_pause_between_reps():
    session, _ = begin(items()[2:], run_on_pause_s=5.0)
    _, effects = drive(session, RunOn(), RepEnded())
    assert effects[-1] == AutoGo(5.0)


@pytest.mark.parametrize(
    ("phase_events", "event"),
    [
        ([], Confirm()),
        ([Go()], Confirm()),
        ([Go()], Go()),
        ([Go(), RepEnded()], Go()),
    ],
)
def test_what_a_phase_does_not_accept_raises_and_changes_nothing(phase_events, event):
    session, _ = drive(opened(2), *phase_events)
    assert not machine.accepts(session, type(event))
    with pytest.raises(NotNow, match="means nothing while"):
        machine.receive(session, event, session.now_ms, 0)


def test_a_handler_that_ends_elsewhere_than_the_table_says_is_an_error(monkeypatch):
    session, _ = drive(opened(2), Go())
    handler, _ = TRANSITIONS[Playing, Pause]
    monkeypatch.setitem(TRANSITIONS, (Playing, Pause), (handler, frozenset({Rating})))
    with pytest.raises(WrongWayError, match="Pause led to Paused"):
        drive(session, Pause())


def test_a_pedal_marks_and_only_its_event_is_a_guess():
    pressed = Suggest(2, CHOKED, "choked", 0.5, Source.PEDAL, (3,))
    clean, certain = Suggest(4, None, "clean", 1, Source.PEDAL), Suggest(5, CHOKED, "choked", 1, Source.PEDAL)
    session, effects = drive(opened(2), Go(), clean, certain)
    assert session.marks == (Fault(5, CHOKED),)
    assert isinstance(session.state, Playing)
    assert session.state.marks.doubts() == ()
    session, effects = drive(opened(2), Go(), pressed, pressed, RepEnded())
    assert session.marks == (CHOKE_2,)
    assert isinstance(session.state, Rating)
    assert session.state.marks.doubts() == (pressed,)
    session, effects = drive(session, Undo())
    assert notices(effects) == [marks_taken_back((CHOKE_2,))]
    assert isinstance(session.state, Rating)
    assert session.state.marks.doubts() == ()


def test_what_a_microphone_suggests_is_shown_and_never_confirms_itself():
    offer = Suggest(2, CHOKED, "choked", 0.99, Source.MICROPHONE, heard="quiet")
    clean = Suggest(1, None, "clean", 0.5, Source.MICROPHONE)
    session, _ = drive(opened(2), Go(), offer, clean, RepEnded())
    assert isinstance(session.state, Rating)
    assert session.state.marks.offers() == (CHOKE_2,)
    assert session.marks == ()
    taken, effects = drive(session, Mark(CHOKE_2), Confirm())
    assert saves(effects)[0].rep.faults == (CHOKE_2,)
    assert late_results(taken.coaching.learnt.records[task_of(taken).excerpt.key].recent) == (1, 1)
    _, effects = drive(session, Stop())
    assert saves(effects)[0].rep.faults is None
    _, effects = drive(session, Confirm())
    assert saves(effects)[0].rep.faults == ()
    # Both are logged, so that the player's own word measures the ear.
    assert saves(effects)[0].rep.suggestions == (
        Suggestion(1, "clean", 0.5, "microphone"),
        Suggestion(2, "choked", 0.99, "microphone"),
    )


def test_a_rung_that_was_lowered_comes_back_at_once_until_a_repetition_is_rated():
    session, _ = drive(opened(2), SetTempo(45))
    assert rung_of(opened(2)) == 50
    assert rung_of(session) == 45
    for bpm in (47, 50):
        back, effects = drive(session, SetTempo(bpm))
        assert (rung_of(back), task_of(back).tempo_bpm, notices(effects)) == (bpm, bpm, [])
    beyond, effects = drive(back, SetTempo(52))
    assert (rung_of(beyond), notices(effects)) == (50, [faster_once(52, 50)])
    rated, _ = drive(session, *rep(CHOKE_2))
    failed_bpm = rung_of(rated)
    later, effects = drive(rated, SetTempo(50))
    assert (rung_of(later), notices(effects)) == (failed_bpm, [faster_once(50, failed_bpm)])


def test_a_failure_above_the_rung_may_lower_it_and_its_tempo_is_told_once():
    session, effects = drive(opened(2), SetTempo(60))
    assert notices(effects) == ["Once at 60: clean, it becomes the rung; failed, back to 50 or slower."]
    session, effects = drive(session, *rep(CHOKE_2))
    fallen_bpm = rung_of(session)
    assert (task_of(session).tempo_bpm, fallen_bpm < 50) == (fallen_bpm, True)
    assert str(notices(effects)[-1]) == f"saved, choked 2: down to {fallen_bpm}"
    # Where it stays, the way back is told.
    assert str(Saved((CHOKE_2,), Step(Moved.HOLD, 50, 50), 50)) == "saved, choked 2; back to 50"
    assert faster_once(22, 20) == "Once at 22: clean, it becomes the rung; failed, back to 20."


def test_a_cause_that_is_taken_back_is_told_without_the_mark_that_stays():
    lift, pluck = (replace(CHOKE_2, cause=CAUSE_OF[word]) for word in ("lift", "pluck"))
    session, _ = drive(opened(2), Go(), RepEnded(), Mark(CHOKE_2), Mark(lift), Mark(pluck))
    told = []
    for _ in range(3):
        session, effects = drive(session, Undo())
        told.append((session.marks, notices(effects)))
    assert told == [
        ((lift,), ["pluck taken back"]),
        ((CHOKE_2,), ["lift taken back"]),
        ((), ["choked 2 taken back"]),
    ]


def test_a_half_is_named_as_a_half():
    session = opened(2)
    half = replace(task_of(session).excerpt, kind=Kind.HALF, subject="2")
    session, _ = drive(session, ChooseExcerpt(half))
    _, effects = drive(session, *rep(), Undo())
    taken_back = f"Taken back: second half of Lamp at {rung_of(session)}, clean. Rate it again."
    assert notices(effects)[-1] == taken_back
    _, effects = drive(session, *rep(), *rep())
    told = [str(notice) for notice in notices(effects)]
    assert told[1:] == ["second half of Lamp saved, clean: up to 60", Plain.WHOLE_AGAIN]


def test_every_sentence_of_a_session_has_room_on_a_screen_of_80_columns():
    longest = 80
    told = [*set(Plain) - {Plain.HURTS}, faster_once(400, 400), goal_reached(400)]
    assert {sentence: len(sentence) for sentence in told if len(sentence) > longest} == {}


def test_an_edited_drill_is_practised_at_once_and_its_lower_goal_holds():
    lower = sample_drill(goal_bpm=45)
    session, _ = drive(opened(2), Reload(lower))
    assert (task_of(session).tempo_bpm, task_of(session).drill) == (45, lower)
    cold, _ = drive(opened(1), Reload(lower))
    assert (task_of(cold).tempo_bpm, rung_of(cold)) == (45, 45)
    session, effects = drive(session, Reload(replace(lower, phrases=lower.phrases[1:])))
    assert notices(effects) == [missing("lamp")]
    assert task_of(session).drill == lower


def test_an_edit_of_the_notes_is_heard_in_the_next_repetition():
    drill = sample_drill()
    lamp, wick = drill.phrases
    edited = replace(drill, phrases=(replace(lamp, bars=wick.bars), wick))
    session, _ = drive(opened(2), Reload(edited), Go())
    assert [len(task_of(each).passage.events) for each in (opened(2), session)] == [9, 3]


def test_a_repetition_is_logged_with_its_length_and_the_count_in_is_no_playing():
    session, _ = drive(opened(2), *rep())
    # Two bars of four at 50 bpm: 8 x 60 / 50 s.
    assert session.played[0].rep.duration_ms == 9_600


def test_an_edit_of_another_drill_leaves_what_stands_ready_alone():
    other = replace(sample_drill(goal_bpm=45), id="other")
    session, effects = drive(opened(1), Reload(other))
    assert task_of(session) == task_of(opened(1))
    assert notices(effects) == [reloaded("Lamps")]
    assert session.drills["other"] == other


def test_a_phrase_offers_its_own_layers_and_a_join_those_of_the_drill():
    drill = sample_drill()
    alone = Phrase(
        "flue",
        "Flue",
        (Bar(FOUR_FOUR, Fraction(4), (samples.event("bass", "0", "4", Note(3, fret=0)),)),),
        ("bass",),
    )
    drill = replace(drill, phrases=(*drill.phrases, alone))
    session, _ = drive(opened(2), Reload(drill), ChooseExcerpt(Excerpt("lamps", ("flue",), "bass")))
    assert task_of(session).layers == ("bass",)
    assert task_of(opened(2)).layers == ("bass", "harmonics", TOGETHER)
    _, effects = drive(session, ChooseExcerpt(Excerpt("lamps", ("flue",), "harmonics")))
    assert notices(effects) == [missing("harmonics")]
    session, _ = drive(session, ChooseExcerpt(Excerpt("lamps", ("lamp", "wick"), TOGETHER, Kind.JOIN)))
    assert task_of(session).layers == ("bass", "harmonics", TOGETHER)


def test_an_easier_version_that_leaves_nothing_is_missing():
    notes = (samples.event("bass", "0", "4", replace(Note(3, fret=0), droppable=True)),)
    flue = Phrase("flue", "Flue", (Bar(FOUR_FOUR, Fraction(4), notes),), ("bass",))
    drill = replace(sample_drill(), phrases=(*sample_drill().phrases, flue))
    easier = Excerpt("lamps", ("flue",), "bass", easier=True)
    _, effects = drive(opened(2), Reload(drill), ChooseExcerpt(easier))
    assert notices(effects)[1:] == [missing(easier.key)]


def test_the_local_time_of_each_repetition_is_that_of_its_moment():
    session, _ = machine.receive(opened(2), Rated(()), EVENING_MS, 60)
    session, _ = machine.receive(session, Rated(()), EVENING_MS, -600)
    assert [played.rep.utc_offset_min for played in session.played] == [60, -600]


def test_hearing_the_model_counts_for_the_next_repetition_that_is_kept_and_for_no_other():
    session, _ = drive(opened(2), Listen(), Go(), Again(), RepEnded(), Again(), RepEnded(), Confirm())
    assert [played.rep.listened for played in session.played] == [True, False]
    session, _ = drive(opened(2), Listen(), RepEnded(), RunOn(), RepEnded(), Go(), RepEnded())
    assert [played.rep.listened for played in session.played] == [True, False]


ANY_EVENT = st.one_of(
    *(
        st.just(kind())
        for kind in (
            Go,
            RepEnded,
            Confirm,
            Again,
            Skip,
            Easier,
            Listen,
            Pause,
            RunOn,
            Undo,
            Go,
            RepEnded,
            Confirm,
        )
    ),
    st.builds(Mark, st.builds(Fault, st.integers(0, 10), st.sampled_from(RESULTS), note=st.integers(0, 2))),
    st.builds(MarkRest, st.integers(1, 9), st.sampled_from(RESULTS)),
    st.builds(
        Suggest,
        st.integers(0, 10),
        st.sampled_from(RESULTS),
        st.just("choked"),
        st.just(0.5),
        st.sampled_from(Source),
        st.just((1, 2)),
    ),
    st.builds(SetTempo, st.integers(-5, 400)),
    st.builds(ChooseLayer, st.sampled_from(["bass", "harmonics", TOGETHER, "flute"])),
    st.builds(Cut, st.integers(0, 9)),
    st.builds(Rated, st.just((CHOKE_2,)), st.sampled_from([None, 40, 70])),
    st.builds(Reload, st.builds(sample_drill, st.just(40), st.integers(60, 90))),
)
SCRIPT = st.lists(st.tuples(ANY_EVENT, st.sampled_from([1, 10, 100, 40_000])), max_size=40)


@settings(max_examples=150, deadline=None)
@given(SCRIPT)
def test_whatever_is_pressed_the_tempo_stays_in_bounds_and_each_repetition_is_saved_once(script):
    session = opened()
    ids: list[str] = []
    for event, after_s in script:
        if not machine.accepts(session, type(event)):
            continue
        session, effects = drive(session, event, after_s=after_s)
        ids += [effect.rep.id for effect in saves(effects)]
        if session.music is not None:
            assert 20 <= task_of(session).tempo_bpm <= 90
    assert ids == [played.rep.id for played in session.played] == sorted(set(ids))


@settings(max_examples=150, deadline=None)
@given(SCRIPT)
def test_a_replay_of_what_was_logged_gives_what_the_session_learnt(script):
    session = opened()
    for event, after_s in script:
        if not machine.accepts(session, type(event)):
            continue
        session, _ = drive(session, event, after_s=after_s)
    if isinstance(session.music, Amending):
        return
    replayed = LearningFold().initial()
    for played in session.played:
        if played.rep.rated:
            LearningFold().step(replayed, played.rep, played.task.passage.logged)
    assert LearningFold().plain(replayed) == LearningFold().plain(session.coaching.learnt)


@settings(max_examples=100, deadline=None)
@given(
    SCRIPT,
    st.lists(st.integers(1, 9), max_size=3, unique=True),
    st.lists(st.integers(1, 9), max_size=3, unique=True),
)
def test_a_rating_taken_back_and_given_anew_is_as_if_given_so_at_once(script, first, second):
    session = opened(1)
    for event, after_s in script:
        if machine.accepts(session, type(event)):
            session, _ = drive(session, event, after_s=after_s)
    if not isinstance(session.state, Ready) or session.state.runs_on:
        return
    marks = [Mark(Fault(min(label, len(task_of(session).passage.events)), CHOKED)) for label in second]
    at_once, _ = drive(session, Go(), RepEnded(), *marks, Confirm())
    others = [Mark(Fault(min(label, len(task_of(session).passage.events)), CHOKED)) for label in first]
    anew, _ = drive(session, Go(), RepEnded(), *others, Confirm(), Undo())
    assert isinstance(anew.state, Amending)
    cleared = [Mark(fault) for fault in anew.marks]
    anew, _ = drive(anew, *cleared, *marks, Confirm())
    assert anew.coaching == at_once.coaching
    assert anew.phase is at_once.phase
    assert (anew.music and anew.music.task) == (at_once.music and at_once.music.task)
    assert [played.rep.faults for played in anew.played] == [played.rep.faults for played in at_once.played]
