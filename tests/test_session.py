"""The session machine: what each key does in each phase, driven without any input or output."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coach.learning.ladder import Release
from coach.learning.memory import fold_ladder
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.log.entries import Rep
from coach.music.drill import TOGETHER
from coach.music.excerpt import Excerpt, Kind
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, LATE, NOT_REACHED, RESULTS
from coach.session import machine
from coach.session.events import (
    Again,
    AutoGo,
    ChooseLayer,
    Confirm,
    CorrectRep,
    Cut,
    Easier,
    Effect,
    Finished,
    Go,
    Listen,
    Mark,
    Pause,
    Rated,
    RepEnded,
    RunOn,
    SaveEntry,
    SaveRep,
    SessionEvent,
    SetTempo,
    Silence,
    Skip,
    StartRep,
    Stop,
    Tell,
    Undo,
)
from coach.session.machine import NotNow, Phase, Session, receive
from tests.samples import sample_drill

DAY = date(2026, 3, 2)
CHOKE_2 = Fault(2, CHOKED)


def items() -> tuple[PlanItem, ...]:
    lamp = Excerpt("lamps", ("lamp",), TOGETHER)
    wick = Excerpt("lamps", ("wick",), TOGETHER)
    return (
        PlanItem(Purpose.TUNE, 1, "Start in tune."),
        PlanItem(Purpose.COLD, 1, "Due today.", lamp, reps=1, tempo_bpm=60),
        PlanItem(Purpose.BUILD, 5, "Climb.", lamp, reps=6),
        PlanItem(Purpose.BUILD, 5, "Climb.", wick, reps=2),
    )


def opened(first: int = 0) -> Session:
    session, _ = machine.start(Plan(DAY, 20, items()[first:]), {"lamps": sample_drill()}, {}, 0)
    return session


def drive(session: Session, *events: SessionEvent) -> tuple[Session, list[Effect]]:
    effects: list[Effect] = []
    for event in events:
        session, caused = receive(session, event)
        effects.extend(caused)
    return session, effects


def rep(*marks: Fault, at_ms: int = 1000) -> list[SessionEvent]:
    played: list[SessionEvent] = [Go(at_ms=at_ms), RepEnded(at_ms=at_ms)]
    return [*played, *(Mark(at_ms=at_ms, fault=mark) for mark in marks), Confirm(at_ms=at_ms)]


def saves(effects: list[Effect]) -> list[SaveRep]:
    return [effect for effect in effects if isinstance(effect, SaveRep)]


def test_a_session_starts_with_its_first_item_and_logs_the_sitting():
    session, effects = machine.start(Plan(DAY, 20, items()), {"lamps": sample_drill()}, {}, 0)
    assert session.phase is Phase.REST
    assert isinstance(effects[0], SaveEntry)
    assert effects[0].kind == "sitting"


def test_the_usual_clean_rep_costs_one_key_after_the_turn_has_started():
    session, _ = drive(opened(2), Go(at_ms=0), RepEnded(at_ms=1))
    session, effects = drive(session, Confirm(at_ms=2))
    assert isinstance(effects[0], SaveRep)
    assert effects[0].rep.faults == ()
    assert effects[-1] == AutoGo(session.pause_s)
    session, effects = drive(session, Go(at_ms=3))
    assert session.phase is Phase.PLAYING
    assert isinstance(effects[0], StartRep)


def test_the_save_comes_before_every_other_effect_of_a_rating():
    session, effects = drive(opened(2), *rep(CHOKE_2))
    after_start = effects[1:]
    assert isinstance(after_start[0], SaveRep)
    assert session.reps_in_turn == 1


def test_a_mark_made_twice_is_taken_back_and_another_on_the_same_event_replaces_it():
    session, _ = drive(opened(2), Go(at_ms=0), RepEnded(at_ms=1), Mark(at_ms=2, fault=CHOKE_2))
    assert session.marks == (CHOKE_2,)
    late = Fault(2, LATE)
    session, _ = drive(session, Mark(at_ms=3, fault=late))
    assert session.marks == (late,)
    session, _ = drive(session, Mark(at_ms=4, fault=late))
    assert session.marks == ()


def test_a_mark_outside_the_labels_is_told_and_not_kept():
    session, effects = drive(opened(2), Go(at_ms=0), Mark(at_ms=1, fault=Fault(99, CHOKED)))
    assert session.marks == ()
    assert effects[-1] == Tell("there is no event 99: 1 to 9")


def test_three_clean_reps_climb_and_one_choke_drops():
    session = opened(2)
    start = session.tempo_bpm
    session, _ = drive(session, *rep(), *rep(), *rep())
    climbed = session.tempo_bpm
    assert climbed > start
    session, _ = drive(session, *rep(CHOKE_2))
    assert session.tempo_bpm < climbed


def test_a_cold_rep_is_one_rep_at_its_reference_rung_and_then_the_next_item_stands_ready():
    session, effects = drive(opened(1), *rep())
    assert [save.rep.tempo_bpm for save in saves(effects)] == [60]
    assert saves(effects)[0].rep.purpose == Purpose.COLD
    assert session.index == 1
    assert session.phase is Phase.READY


def test_a_turn_ends_after_its_reps():
    session, _ = drive(opened(3), *rep(), *rep())
    assert session.phase is Phase.DONE


def test_a_turn_ends_when_its_minutes_are_far_over():
    session, _ = drive(opened(2), *rep(at_ms=8 * 60_000))
    assert session.index == 1


def test_breaking_off_marks_what_was_not_reached_and_keeps_earlier_marks():
    session, _ = drive(opened(2), Go(at_ms=0), Mark(at_ms=1, fault=CHOKE_2), Cut(at_ms=2, reached=7))
    outcomes = {fault.label: fault.result for fault in session.marks}
    assert outcomes == {2: CHOKED, 8: NOT_REACHED, 9: NOT_REACHED}


def test_a_rep_dropped_in_the_middle_is_not_logged():
    session, effects = drive(opened(2), Go(at_ms=0), Again(at_ms=1), Pause(at_ms=2), Go(at_ms=3))
    assert saves(effects) == []
    assert session.phase is Phase.READY


def test_once_more_keeps_the_unrated_rep_as_unrated():
    session, effects = drive(opened(2), Go(at_ms=0), RepEnded(at_ms=1), Again(at_ms=2))
    assert [save.rep.faults for save in saves(effects)] == [None]
    assert session.phase is Phase.PLAYING
    assert session.reps_in_turn == 0


def test_stopping_while_a_rating_is_asked_for_keeps_the_rep_as_unrated_and_never_as_clean():
    session, effects = drive(opened(2), Go(at_ms=0), RepEnded(at_ms=1), Stop(at_ms=2))
    assert [save.rep.faults for save in saves(effects)] == [None]
    assert session.phase is Phase.DONE
    assert isinstance(effects[-1], Finished)


@pytest.mark.parametrize("leave", [Stop, Skip, Again])
def test_what_is_marked_is_saved_when_the_player_goes_elsewhere(leave):
    session, _ = drive(opened(2), Go(at_ms=0), RepEnded(at_ms=1), Mark(at_ms=2, fault=CHOKE_2))
    session, effects = drive(session, leave(at_ms=3))
    assert [save.rep.faults for save in saves(effects)] == [(CHOKE_2,)]


def test_a_rep_that_only_broke_off_stays_unrated_when_the_player_leaves():
    _, effects = drive(opened(2), Go(at_ms=0), Cut(at_ms=1, reached=4), Stop(at_ms=2))
    assert [save.rep.faults for save in saves(effects)] == [None]


def test_a_rating_taken_back_stands_again_when_the_player_leaves():
    session, _ = drive(opened(2), *rep(CHOKE_2), Undo(at_ms=5))
    session, effects = drive(session, Stop(at_ms=6))
    assert CorrectRep(1, (CHOKE_2,)) in effects
    assert session.saved[0].faults == (CHOKE_2,)


def test_stopping_because_it_hurts_is_logged_and_sends_to_rest_and_a_clinician():
    _, effects = drive(opened(2), Go(at_ms=0), Stop(at_ms=2, hurts=True))
    assert any(isinstance(effect, SaveEntry) and effect.kind == "hurt" for effect in effects)
    assert any(isinstance(effect, Tell) and "clinician" in effect.text for effect in effects)


def test_undo_takes_the_rating_back_the_ladder_too_and_rates_the_same_rep_anew():
    session, _ = drive(opened(2), *rep(), *rep())
    before = session.ladder
    session, _ = drive(session, *rep(), Undo(at_ms=5))
    assert session.phase is Phase.RATING
    assert session.ladder == before
    session, effects = drive(session, Mark(at_ms=6, fault=CHOKE_2), Confirm(at_ms=7))
    assert effects[0] == CorrectRep(3, (CHOKE_2,))
    assert session.saved[2].faults == (CHOKE_2,)
    assert len(session.saved) == 3


def test_undo_reaches_back_over_the_end_of_a_turn_and_of_the_session():
    session, _ = drive(opened(3), *rep(), *rep())
    assert session.phase is Phase.DONE
    session, effects = drive(session, Undo(at_ms=9))
    assert session.phase is Phase.RATING
    assert CorrectRep(2, None, void=True) in effects


def test_the_easier_version_leaves_out_what_is_droppable():
    session, _ = drive(opened(2), Easier(at_ms=0))
    assert session.passage is not None
    assert len(session.passage.events) == 8
    assert session.excerpt is not None
    assert session.excerpt.easier


def test_a_phrase_without_droppable_notes_says_that_it_has_no_easier_version():
    _, effects = drive(opened(3), Easier(at_ms=0))
    assert effects == [Tell("This phrase has no easier version: no note in it is marked with ?.")]


def test_a_layer_alone_has_a_ladder_of_its_own():
    session, _ = drive(opened(2), ChooseLayer(at_ms=0, layer="bass"), *rep(), *rep(), *rep())
    assert session.excerpt is not None
    assert session.excerpt.layer == "bass"
    keys = [key for key, ladder in session.ladders.items() if ladder.reps]
    assert keys == ["lamps:lamp:bass:phrase:full:"]


def test_an_unknown_layer_is_refused_with_the_ones_there_are():
    session, effects = drive(opened(2), ChooseLayer(at_ms=0, layer="flute"))
    assert effects == [Tell("There is no layer 'flute': bass, harmonics, together.")]
    assert session.passage == opened(2).passage


def test_the_players_own_tempo_holds_and_stays_within_floor_and_goal():
    session, effects = drive(opened(2), SetTempo(at_ms=0, tempo_bpm=500))
    assert session.tempo_bpm == 80
    assert Tell("80 bpm is the goal of this drill.") in effects
    session, _ = drive(session, SetTempo(at_ms=0, tempo_bpm=5))
    assert session.tempo_bpm == 20
    session, _ = drive(session, SetTempo(at_ms=0, tempo_bpm=20), *rep())
    assert session.tempo_bpm == 20


@pytest.mark.parametrize(("marks", "rung"), [((), 80), ((CHOKE_2,), 50)])
def test_a_faster_tempo_chosen_by_hand_becomes_the_rung_by_a_clean_repetition_only(marks, rung):
    session, effects = drive(opened(2), SetTempo(at_ms=0, tempo_bpm=80))
    assert Tell("Once at 80: clean lifts the rung there, a fault leaves it at 50.") in effects
    assert session.ladder is not None
    assert (session.tempo_bpm, session.ladder.rung_bpm) == (80, 50)
    session, _ = drive(session, *rep(*marks))
    assert session.ladder is not None
    assert (session.tempo_bpm, session.ladder.rung_bpm) == (rung, rung)


def test_layers_are_joined_no_faster_than_they_have_gone_today():
    lamp = Excerpt("lamps", ("lamp",), "harmonics")
    plan = Plan(
        DAY,
        20,
        (
            PlanItem(Purpose.NEW, 5, "New.", lamp, reps=2, tempo_bpm=50),
            PlanItem(Purpose.NEW, 5, "New.", Excerpt("lamps", ("lamp",), TOGETHER), reps=4, tempo_bpm=48),
        ),
    )
    session, _ = machine.start(plan, {"lamps": sample_drill()}, {}, 0)
    session, _ = drive(session, *rep(CHOKE_2), *rep(CHOKE_2))
    assert session.index == 1
    assert session.ladder is not None
    assert session.tempo_bpm == session.ladder.rung_bpm == session.ladders[lamp.key].rung_bpm < 48


def probing(probe_bpm: int = 60, reps: int = 6) -> Session:
    lamp = Excerpt("lamps", ("lamp",), TOGETHER)
    item = PlanItem(Purpose.BUILD, 5, "Climb.", lamp, reps=reps, tempo_bpm=50, probe_bpm=probe_bpm)
    session, _ = machine.start(Plan(DAY, 20, (item, *items()[3:])), {"lamps": sample_drill()}, {}, 0)
    return session


@pytest.mark.parametrize(
    ("results", "tempos", "rung"),
    [
        ("++++", [60, 66, 73, 73], 73),
        ("+-++", [60, 66, 63, 63], 63),
        ("--+", [60, 55, 52], 52),
        ("-+++", [60, 55, 55, 55], 58),
    ],
)
def test_a_turn_that_tries_a_faster_tempo_finds_its_rung_in_three_repetitions(results, tempos, rung):
    session = probing()
    effects: list[Effect] = []
    for result in results:
        session, caused = drive(session, *rep(*(() if result == "+" else (CHOKE_2,))))
        effects += caused
    assert [save.rep.tempo_bpm for save in saves(effects)] == tempos
    assert session.ladder is not None
    assert session.ladder.rung_bpm == rung
    assert session.tempo_bpm == rung


def test_a_replay_of_the_log_gives_the_rung_that_the_probes_found():
    session = probing()
    for marks in ((), (CHOKE_2,), (), (CHOKE_2,), ()):
        session, _ = drive(session, *rep(*marks))
    logged = [
        Rep(
            f"{saved.serial:03}",
            "p",
            1_772_474_400_000 + saved.serial,
            0,
            "passage",
            saved.passage.excerpt.key,
            saved.tempo_bpm,
            saved.goal_bpm,
            saved.faults,
            rung_bpm=saved.before.rung_bpm,
        )
        for saved in session.saved
    ]
    ladder = fold_ladder(None, logged)
    assert ladder is not None
    assert session.ladder is not None
    assert ladder.rung_bpm == session.ladder.rung_bpm


@pytest.mark.parametrize(
    "event",
    [
        SetTempo(at_ms=0, tempo_bpm=52),
        RunOn(at_ms=0),
        ChooseLayer(at_ms=0, layer="bass"),
        Easier(at_ms=0),
    ],
)
def test_whoever_chooses_something_else_is_not_asked_for_the_faster_tempo(event):
    session, _ = drive(probing(), event)
    assert session.probes == 0
    assert session.tempo_bpm <= 52


def test_a_faster_tempo_that_the_rung_has_reached_is_not_tried_again():
    again = probing().plan.items[0]
    session, _ = machine.start(Plan(DAY, 20, (again, again)), {"lamps": sample_drill()}, {}, 0)
    session, _ = drive(session, *(event for _ in range(6) for event in rep()))
    assert session.index == 1
    assert session.ladder is not None
    assert session.tempo_bpm == session.ladder.rung_bpm > 60
    assert session.probes == 0


def test_a_taken_back_probe_is_rated_anew_and_the_turn_goes_on_at_the_rung():
    session, _ = drive(probing(), *rep(), Undo(at_ms=1), Mark(at_ms=2, fault=CHOKE_2), Confirm(at_ms=3))
    assert session.ladder is not None
    assert session.ladder.rung_bpm == session.tempo_bpm == 50


def test_a_probe_never_passes_the_goal():
    session, _ = drive(probing(300), *rep())
    assert session.saved[0].tempo_bpm == 80
    assert session.probes == 0


def test_staying_choked_changes_something_instead_of_grinding():
    session = opened(2)
    session, effects = drive(session, *rep(CHOKE_2), *rep(CHOKE_2), *rep(CHOKE_2))
    assert Tell(f"It stays choked: {Release.FEWER_LAYERS.value} for this turn.") in effects
    assert session.excerpt is not None
    assert session.excerpt.layer == "harmonics"
    assert session.phase is Phase.READY


def test_entered_afterwards_a_turn_keeps_its_excerpt_and_its_repetitions_whatever_their_results():
    session = replace(opened(2), adapts=False)
    first = session.excerpt
    for _ in range(5):
        session, effects = drive(session, Rated(at_ms=3_600_000, faults=(CHOKE_2,)))
        assert session.excerpt == first
        assert not any(isinstance(effect, Tell) for effect in effects)
    assert session.ladder is not None
    assert session.ladder.rung_bpm < 60
    session, _ = drive(session, Rated(at_ms=3_600_000, faults=()))
    assert session.excerpt == Excerpt("lamps", ("wick",), TOGETHER)


def test_after_every_relief_the_phrase_is_left_for_today_with_its_later_items():
    again = Excerpt("lamps", ("lamp",), "bass", Kind.PHRASE)
    plan = Plan(
        DAY,
        20,
        (
            PlanItem(Purpose.BUILD, 60, "Climb.", Excerpt("lamps", ("lamp",), "bass"), reps=90),
            PlanItem(Purpose.BUILD, 5, "Climb.", again, reps=6),
        ),
    )
    session, _ = machine.start(plan, {"lamps": sample_drill()}, {}, 0)
    choke = Fault(1, CHOKED)
    for _ in range(30):
        if session.phase is Phase.DONE:
            break
        session, _ = drive(session, *rep(choke))
    assert session.phase is Phase.DONE
    assert len(session.saved) < 30


def test_a_turn_that_runs_on_saves_unrated_reps_and_holds_the_rung():
    session, effects = drive(opened(2), RunOn(at_ms=0), RepEnded(at_ms=1), Go(at_ms=2), RepEnded(at_ms=3))
    assert [save.rep.faults for save in saves(effects)] == [None, None]
    assert {save.rep.tempo_bpm for save in saves(effects)} == {50}
    session, effects = drive(session, RunOn(at_ms=4), Confirm(at_ms=5))
    assert CorrectRep(2, ()) in effects
    assert session.reps_in_turn == 1


def test_a_turn_that_runs_on_waits_its_own_pause_between_reps():
    drills = {"lamps": sample_drill()}
    session, _ = machine.start(Plan(DAY, 20, items()[2:]), drills, {}, 0, run_on_pause_s=5.0)
    _, effects = drive(session, RunOn(at_ms=0), RepEnded(at_ms=1))
    assert effects[-1] == AutoGo(5.0)


def test_a_cold_rep_cannot_run_on():
    session, effects = drive(opened(1), RunOn(at_ms=0))
    assert not session.run_on
    assert effects == [Tell("A cold repetition is rated by itself: the turn can't run on.")]


def test_the_model_is_heard_and_leads_back_and_the_next_rep_remembers_it():
    session, effects = drive(opened(2), Listen(at_ms=0))
    assert isinstance(effects[0], StartRep)
    assert effects[0].model
    session, effects = drive(session, RepEnded(at_ms=1), *rep())
    assert saves(effects)[0].rep.listened


def test_results_entered_without_a_screen_move_the_same_ladder():
    session, effects = drive(opened(2), Rated(at_ms=0, faults=(CHOKE_2,)))
    assert saves(effects)[0].rep.faults == (CHOKE_2,)
    assert session.tempo_bpm < 50


def test_skipping_goes_on_and_a_phrase_gone_from_the_drill_is_left_out_with_a_word():
    gone = PlanItem(Purpose.BUILD, 5, "Climb.", Excerpt("lamps", ("oil",), TOGETHER), reps=2)
    plan = Plan(DAY, 20, (gone, *items()[3:]))
    session, effects = machine.start(plan, {"lamps": sample_drill()}, {}, 0)
    assert session.index == 1
    assert Tell("left out: oil is no longer in the drill") in effects
    session, effects = drive(session, Skip(at_ms=0))
    assert session.phase is Phase.DONE


@pytest.mark.parametrize(
    ("phase_events", "event"),
    [
        ([], Confirm(at_ms=0)),
        ([Go(at_ms=0)], Confirm(at_ms=0)),
        ([Go(at_ms=0)], Go(at_ms=0)),
        ([Go(at_ms=0), RepEnded(at_ms=0)], Go(at_ms=0)),
    ],
)
def test_what_a_phase_does_not_accept_raises_and_changes_nothing(phase_events, event):
    session, _ = drive(opened(2), *phase_events)
    assert not session.accepts(type(event))
    with pytest.raises(NotNow, match="means nothing while"):
        receive(session, event)


ANY_EVENT = st.one_of(
    *(
        st.just(kind(at_ms=0))
        for kind in (Go, RepEnded, Confirm, Again, Skip, Easier, Listen, Pause, RunOn, Undo)
    ),
    st.builds(Mark, at_ms=st.just(0), fault=st.builds(Fault, st.integers(1, 10), st.sampled_from(RESULTS))),
    st.builds(SetTempo, at_ms=st.just(0), tempo_bpm=st.integers(-5, 400)),
    st.builds(ChooseLayer, at_ms=st.just(0), layer=st.sampled_from(["bass", "harmonics", TOGETHER])),
    st.builds(Cut, at_ms=st.just(0), reached=st.integers(0, 9)),
)


@settings(max_examples=150, deadline=None)
@given(st.lists(ANY_EVENT, max_size=40))
def test_whatever_is_pressed_the_rung_stays_in_bounds_and_saves_are_numbered_once(events):
    session = opened()
    serials: list[int] = []
    for event in events:
        if not session.accepts(type(event)):
            continue
        session, effects = receive(session, event)
        serials += [effect.rep.serial for effect in effects if isinstance(effect, SaveRep)]
        if session.passage is not None and session.phase is not Phase.DONE:
            assert 20 <= session.tempo_bpm <= 80
        if session.phase is Phase.PLAYING:
            assert session.passage is not None
    assert serials == list(range(1, len(serials) + 1))
    assert len(session.saved) == len(serials)
    assert all(rep.before.goal_bpm == 80 for rep in session.saved)


def test_silence_comes_first_when_a_rep_in_progress_is_dropped():
    _, effects = drive(opened(2), Go(at_ms=0), SetTempo(at_ms=1, tempo_bpm=44))
    assert effects[1] == Silence()
