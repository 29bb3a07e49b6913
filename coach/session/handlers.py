"""What each event does in a session: the handlers that the table of `coach.session.machine` names.

Each takes the session, the state that it is in, and the event, and returns the next session and what the host must do.
"""

from __future__ import annotations

from dataclasses import replace

from coach.learning.material import goal_of
from coach.learning.plan import Purpose
from coach.music.excerpt import Excerpt, Kind
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault
from coach.session import events as on
from coach.session import notices, turns
from coach.session.events import Effect
from coach.session.notices import Notice
from coach.session.session import Session, with_correction, with_entry, with_unrated
from coach.session.states import (
    Amending,
    Done,
    Listening,
    Marks,
    Music,
    Paused,
    Playing,
    Rating,
    Ready,
    Rest,
    State,
    Task,
)
from coach.session.turns import After


def go(session: Session, state: Ready | Listening, event: on.Go) -> After:
    runs_on = isinstance(state, Ready) and state.runs_on
    return turns.begin(session, state.turn, state.task, runs_on=runs_on)


def resume(session: Session, state: Paused, event: on.Go) -> After:
    return replace(session, state=state.back), ()


def go_on(session: Session, state: Music | Rest, event: on.Go | on.Skip) -> After:
    session, kept = turns.keep(session, state)
    session = replace(session, coaching=session.coaching.left_early(state.turn, session.now_ms))
    session, effects = turns.enter(session, state.turn.number + 1)
    return session, (on.Silence(), *kept, *effects)


def listen(session: Session, state: Ready, event: on.Listen) -> After:
    task = replace(state.task, heard=True)
    model = on.StartRep(task.drill, task.passage, task.tempo_bpm, model=True)
    return replace(session, state=Listening(state.turn, task)), (model,)


def back_to_ready(session: Session, state: Listening, event: on.RepEnded | on.Listen) -> After:
    return replace(session, state=Ready(state.turn, state.task)), (on.Silence(),)


def rep_ended(session: Session, state: Playing, event: on.RepEnded) -> After:
    if not state.runs_on:
        # A mark ends the round.
        next_bpm = 0 if state.marks.faults else state.next_bpm
        rating = Rating(state.turn, state.task, state.began_ms, state.marks, state.if_clean, next_bpm)
        return replace(session, state=rating), (on.Silence(),) if state.next_bpm > next_bpm else ()
    session, saved = with_unrated(session, state)
    task = replace(state.task, heard=False)
    ready = Ready(state.turn, task, runs_on=True)
    silence = (on.Silence(),) if state.next_bpm else ()
    return replace(session, state=ready), (saved, *silence, on.AutoGo(session.run_on_pause_s))


def round_ended(session: Session, state: Rating, event: on.RoundEnded) -> After:
    return replace(session, state=replace(state, next_bpm=0)), (on.Silence(),)


def cut(session: Session, state: Playing, event: on.Cut) -> After:
    marks = state.marks.cut(state.task.passage, event.reached)
    rating = Rating(state.turn, state.task, state.began_ms, marks, state.if_clean)
    return replace(session, state=rating), (on.Silence(),)


def mark(session: Session, state: Playing | Rating | Amending, event: on.Mark) -> After:
    if wrong := _wrong(state.task, event.fault.label, event.fault.note):
        return session, (on.Tell(wrong),)
    return replace(session, state=replace(state, marks=state.marks.marked(event.fault))), ()


def mark_rest(session: Session, state: Playing | Rating | Amending, event: on.MarkRest) -> After:
    marks = state.marks.rest(state.task.passage, event.label, event.result)
    return replace(session, state=replace(state, marks=marks)), ()


def suggest(session: Session, state: Playing | Rating | Amending, event: on.Suggest) -> After:
    if wrong := _wrong(state.task, event.label):
        return session, (on.Tell(wrong),)
    marks = state.marks.suggest(event)
    if event.source is on.Source.PEDAL and event.mark:
        fault = Fault(event.label, event.mark)
        marks = marks if fault in marks.faults else marks.marked(fault)
    return replace(session, state=replace(state, marks=marks)), ()


def _wrong(task: Task, label: int, note: int = 0) -> Notice | None:
    """What is wrong with an event and a note of it, 0 for the whole event; None where the passage has them."""
    events = len(task.passage.events)
    if not 1 <= label <= events:
        return notices.no_such_event(label, events)
    return notices.no_such_note(label, note) if note > len(task.passage.event(label).notes) else None


def confirm(session: Session, state: Rating | Amending, event: on.Confirm) -> After:
    if isinstance(state, Amending):
        return turns.with_notice(state.number, turns.amend(session, state, state.marks.faults))
    result = turns.with_notice(len(session.played), turns.rate(session, state, state.marks.faults))
    return turns.play_on(state, result) if state.next_bpm else result


def as_heard(session: Session, state: Rating | Amending, event: on.AsHeard) -> After:
    if not state.marks.offers():
        return session, (on.Tell(notices.Plain.NOTHING_SUGGESTED),)
    state = replace(state, marks=state.marks.as_heard())
    return confirm(replace(session, state=state), state, on.Confirm())


def rated(session: Session, state: Ready, event: on.Rated) -> After:
    for fault in event.faults:
        if wrong := _wrong(state.task, fault.label, fault.note):
            return session, (on.Tell(wrong),)
    session, task = turns.met_today(session, state.task)
    task = task if event.tempo_bpm is None else replace(task, tempo_bpm=event.tempo_bpm)
    return turns.rate(session, replace(state, task=task), event.faults)


def again(session: Session, state: Ready | Playing | Rating | Amending, event: on.Again) -> After:
    session, kept = turns.keep(session, state)
    turn, task, ready = state.turn, state.task, session.state
    if isinstance(ready, Ready) and (ready.turn.id, ready.task.excerpt) == (turn.id, task.excerpt):
        turn, task = ready.turn, ready.task
    elif kept:
        reps = tuple(
            played.rep for played in session.played if played.turn.id == turn.id and played.rep.rated
        )
        # Where the rating ended the turn, the rung may have moved all the same.
        bpm = (
            task.tempo_bpm
            if ready is state
            else session.coaching.turn_bpm(turn, task.excerpt, task.tempo_bpm)
        )
        turn, task = replace(turn, reps=reps), replace(task, heard=False, tempo_bpm=bpm)
    session, started = turns.begin(session, turn, task)
    return session, (*kept, *started)


def set_tempo(session: Session, state: Ready | Listening | Playing, event: on.SetTempo) -> After:
    task, goal_bpm = state.task, goal_of(state.task.drill, state.task.excerpt)
    tempo_bpm = max(MIN_BPM, min(event.tempo_bpm, goal_bpm))
    rung_bpm = session.coaching.rung_bpm(task.excerpt)
    before_bpm = session.coaching.rung_before_bpm(task.excerpt)
    limit: tuple[on.Tell, ...] = ()
    if tempo_bpm == goal_bpm < event.tempo_bpm:
        limit = (on.Tell(notices.goal_reached(goal_bpm)),)
    elif tempo_bpm > event.tempo_bpm:
        limit = (on.Tell(notices.Plain.SLOWEST),)
    if limit and tempo_bpm == task.tempo_bpm:
        return session, limit
    ready = Ready(state.turn, replace(task, tempo_bpm=tempo_bpm))
    # A warm-up says nothing of the rung.
    warming = state.turn.item.purpose is Purpose.WARM_UP and state.turn.item.excerpt == task.excerpt
    coaching = session.coaching if warming else session.coaching.held_at(task.excerpt, tempo_bpm)
    session = replace(session, coaching=coaching, state=ready)
    if limit:
        return session, (on.Silence(), *limit)
    if tempo_bpm > before_bpm and not warming:
        return session, (on.Silence(), on.Tell(notices.faster_once(tempo_bpm, rung_bpm)))
    return session, (on.Silence(), *_left(state))


def _left(state: Ready | Listening | Playing) -> tuple[on.Tell, ...]:
    """A word on the repetition that a change of what is played has ended."""
    return (on.Tell(notices.Plain.NOT_COUNTED),) if isinstance(state, Playing) else ()


def easier(session: Session, state: Ready | Listening | Playing, event: on.Easier) -> After:
    excerpt = state.task.excerpt
    if not state.task.has_easier:
        return session, (on.Tell(notices.Plain.NO_EASIER),)
    chosen, effects = _chosen(session, state, replace(excerpt, easier=not excerpt.easier))
    if excerpt.easier or not isinstance(chosen.state, Ready) or chosen.state.task.excerpt == excerpt:
        return chosen, effects
    task = chosen.state.task
    coaching = chosen.coaching.no_faster_than(excerpt, task.excerpt)
    task = replace(task, tempo_bpm=coaching.rung_bpm(task.excerpt))
    return replace(chosen, coaching=coaching, state=replace(chosen.state, task=task)), effects


def choose_layer(session: Session, state: Ready | Listening | Playing, event: on.ChooseLayer) -> After:
    layers, excerpt = state.task.layers, state.task.excerpt
    if event.layer not in layers:
        return session, (on.Tell(notices.no_such_layer(event.layer, layers)),)
    if excerpt.kind in (Kind.NODE, Kind.MOVE, Kind.HALF):
        # A part of one layer may not exist in another; its whole phrase does.
        excerpt = replace(excerpt, kind=Kind.PHRASE, subject="")
    return _chosen(session, state, replace(excerpt, layer=event.layer))


def choose_excerpt(session: Session, state: Ready | Listening | Playing, event: on.ChooseExcerpt) -> After:
    return _chosen(session, state, event.excerpt)


def _chosen(session: Session, state: Ready | Listening | Playing, excerpt: Excerpt) -> After:
    try:
        return turns.stand(session, state.turn, excerpt), (on.Silence(), *_left(state))
    except KeyError as missing:
        return session, (on.Tell(notices.missing(missing.args[0])),)


def reload(session: Session, state: Ready | Rest, event: on.Reload) -> After:
    session = replace(session, drills={**session.drills, event.drill.id: event.drill})
    news = (on.Tell(notices.reloaded(event.drill.title)),)
    if isinstance(state, Rest):
        return session, news
    try:
        drill, passage = turns.passage_in(session, state.task.excerpt)
    except KeyError as missing:
        return session, (on.Tell(notices.missing(missing.args[0])),)
    session, task = turns.reopened(session, replace(state.task, drill=drill, passage=passage))
    return replace(session, state=replace(state, task=task)), news


def pause(session: Session, state: Ready | Listening | Playing | Rating | Amending, event: on.Pause) -> After:
    back: Ready | Rating | Amending = Ready(state.turn, state.task)
    if isinstance(state, Rating):
        back = replace(state, next_bpm=0)
    elif isinstance(state, Amending):
        back = state
    return replace(session, state=Paused(back)), (on.Silence(),)


def run_on(session: Session, state: Ready | Playing, event: on.RunOn) -> After:
    if state.runs_on:
        return _stop_running(session, state)
    if state.turn.item.purpose is Purpose.COLD:
        return session, (on.Tell(notices.Plain.COLD_ALONE),)
    if isinstance(state, Playing):
        return replace(session, state=replace(state, runs_on=True)), ()
    return turns.begin(session, state.turn, state.task, runs_on=True)


def _stop_running(session: Session, state: Ready | Playing) -> After:
    """The turn runs on no more: its last repetition is rated, where there is one."""
    last = session.played[-1] if session.played else None
    if last is None or last.rep.rated or last.turn.id != state.turn.id:
        return replace(session, state=Ready(state.turn, state.task)), (on.Silence(),)
    amending = Amending(last.turn, last.task, len(session.played) - 1)
    return replace(session, state=amending), (on.Silence(), on.Tell(notices.Plain.RATE_THE_LAST))


def undo(session: Session, state: State, event: on.Undo) -> After:
    """The last mark goes; where there is none, the last rated repetition stands for rating again."""
    if isinstance(state, Playing | Rating | Amending) and state.marks.before:
        marks = state.marks.undone()
        now, then = set(state.marks.faults), set(marks.faults)
        session = replace(session, state=replace(state, marks=marks))
        told = notices.marks_taken_back(sorted(now - then), then)
        return session, (on.Tell(told),) if told else ()
    if isinstance(state, Amending) and session.played[state.number].rep.rated:
        return session, (on.Tell(notices.Plain.ONLY_THE_LAST),)
    rated = [number for number, played in enumerate(session.played) if played.rep.rated]
    if not rated:
        return session, (on.Tell(notices.Plain.NOTHING_TO_UNDO),)
    last = session.played[rated[-1]]
    faults = last.rep.faults or ()
    amending = Amending(last.turn, last.task, rated[-1], Marks(faults, suggested=last.suggested))
    session, void = with_correction(session, last.rep, None, void=True)
    taken_back = notices.rating_taken_back(last.task.name, last.rep.tempo_bpm, faults)
    return replace(session, coaching=last.coaching, state=amending), (on.Silence(), void, on.Tell(taken_back))


def stop(session: Session, state: State, event: on.Stop) -> After:
    music = session.music
    session, kept = turns.keep(session, state)
    effects: tuple[Effect, ...] = (*kept, on.Silence())
    if event.hurts:
        body = {
            "excerpt": music.task.excerpt.key if music else "",
            "tempo_bpm": music.task.tempo_bpm if music else 0,
        }
        session, logged = with_entry(session, "hurt", body)
        effects = (*effects, logged, on.Tell(notices.Plain.HURTS))
    return replace(session, state=Done()), (*effects, on.Finished())
