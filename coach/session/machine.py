"""One practice session as a state machine without input or output.

Theory of operation. A session carries out a plan, item by item. `receive(session, event, now_ms, utc_offset_min)`
returns the next session and the effects that the host must carry out, in order: start a repetition, stop the sound,
save something, tell the player something. Nothing here reads a clock, a file or a device. `TRANSITIONS`, at the end,
is the whole machine: in which state which event is accepted, who handles it, and where it may lead. Any other event
raises `NotNow` and changes nothing; `accepts` asks first.

    Ready       the excerpt stands on the screen, hands find their place; Go starts the count-in
    Listening   the model plays; its end leads back to Ready
    Playing     count-in and repetition; marks and suggestions may come in as it sounds
    Rating      the repetition is over; Confirm saves what is marked, nothing marked is clean
    Amending    a saved repetition is rated anew
    Paused      sound off; Go returns to where the pause began
    Rest        an item without an excerpt (tuning, break); Go goes on
    Done        the end; only the last rating can be taken back

A repetition counts when it is rated: the effect that saves it precedes any other, so that it is on disk before the
next count-in. After a rating the same turn goes on by itself (`AutoGo`), so that the usual repetition costs one key.
Taking a rating back restores all that was known before it: a repetition rated, taken back and rated otherwise leaves
the session as if it had been rated so at once. Tempos, relief and what comes next are asked of `coaching.Coaching`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from coach.learning.plan import Plan, Purpose
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, layer_choices
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault
from coach.session import events as on
from coach.session import notices
from coach.session.coaching import Coaching
from coach.session.events import Effect, SessionEvent
from coach.session.notices import Notice
from coach.session.session import PAUSE_BETWEEN_REPS_S, Session, with_correction, with_entry, with_unrated
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
from coach.session.turns import (
    Result,
    amend,
    begin,
    enter,
    keep,
    met_today,
    passage_in,
    play_on,
    rate,
    reopened,
    stand,
    with_notice,
)


class NotNow(Exception):  # noqa: N818 - not an error of the program: the key has no meaning in this state
    """The state does not accept the event."""


class WrongWayError(RuntimeError):
    """A handler led to a state that the table does not name: a slip in this file, which the tests find."""


def start(
    plan: Plan,
    drills: Mapping[str, Drill],
    coaching: Coaching,
    now_ms: int,
    utc_offset_min: int,
    *,
    player: str,
    nonce: bytes,
    pause_s: float = PAUSE_BETWEEN_REPS_S,
    run_on_pause_s: float = PAUSE_BETWEEN_REPS_S,
) -> Result:
    """A session at its first item; `drills` are by drill id, `nonce` is eight random bytes."""
    blank = Session(
        plan,
        drills,
        coaching,
        Done(),
        player,
        nonce,
        now_ms,
        utc_offset_min,
        plan.day,
        pause_s=pause_s,
        run_on_pause_s=run_on_pause_s,
    )
    session, logged = with_entry(blank, "sitting", {"minutes": plan.minutes, "items": len(plan.items)})
    session, effects = enter(session, 0)
    return session, (logged, *effects)


def receive(session: Session, event: SessionEvent, now_ms: int, utc_offset_min: int) -> Result:
    """The session after an event, and what the host must do; NotNow where the state does not accept it."""
    row = TRANSITIONS[type(session.state)].get(type(event))
    if row is None:
        raise NotNow(f"{type(event).__name__} means nothing while {session.phase}")
    handler, leads_to = row
    session = replace(session, now_ms=max(now_ms, session.now_ms), utc_offset_min=utc_offset_min)
    after, effects = handler(session, session.state, event)
    if type(after.state) not in leads_to:
        raise WrongWayError(f"{type(event).__name__} led to {type(after.state).__name__}")
    return after, effects


def accepts(session: Session, event: type[SessionEvent]) -> bool:
    """Whether the state accepts such an event."""
    return event in TRANSITIONS[type(session.state)]


def layers_of(task: Task) -> tuple[str, ...]:
    """What the excerpt can be practised as."""
    if len(task.excerpt.phrases) == 1:
        return layer_choices(task.drill.phrase(task.excerpt.phrases[0]))
    layers = task.drill.layers
    return layers if len(layers) < 2 else (*layers, TOGETHER)


def has_easier(task: Task) -> bool:
    """Whether an easier version exists: some note of the phrases is droppable, and something stays."""
    droppable = {
        note.droppable
        for phrase_id in task.excerpt.phrases
        for bar in task.drill.phrase(phrase_id).bars
        for event in bar.events
        if task.excerpt.layer in (TOGETHER, event.layer)
        for note in event.notes
    }
    return droppable == {True, False}


def _go(session: Session, state: Ready | Listening, event: on.Go) -> Result:
    runs_on = isinstance(state, Ready) and state.runs_on
    return begin(session, state.turn, state.task, runs_on=runs_on)


def _resume(session: Session, state: Paused, event: on.Go) -> Result:
    return replace(session, state=state.back), ()


def _next(session: Session, state: Music | Rest, event: on.Go | on.Skip) -> Result:
    session, kept = keep(session, state)
    session, effects = enter(session, state.turn.number + 1)
    return session, (on.Silence(), *kept, *effects)


def _listen(session: Session, state: Ready, event: on.Listen) -> Result:
    task = replace(state.task, heard=True)
    model = on.StartRep(task.drill, task.passage, task.tempo_bpm, model=True)
    return replace(session, state=Listening(state.turn, task)), (model,)


def _back_to_ready(session: Session, state: Listening, event: on.RepEnded | on.Listen) -> Result:
    return replace(session, state=Ready(state.turn, state.task)), (on.Silence(),)


def _rep_ended(session: Session, state: Playing, event: on.RepEnded) -> Result:
    if not state.runs_on:
        # A mark ends the round.
        more = 0 if state.marks.faults else state.more
        rating = Rating(state.turn, state.task, state.began_ms, state.marks, more)
        return replace(session, state=rating), (on.Silence(),) if state.more > more else ()
    session, saved = with_unrated(session, state)
    task = replace(state.task, heard=False)
    ready = Ready(state.turn, task, runs_on=True)
    silence = (on.Silence(),) if state.more else ()
    return replace(session, state=ready), (saved, *silence, on.AutoGo(session.run_on_pause_s))


def _round_ended(session: Session, state: Rating, event: on.RoundEnded) -> Result:
    return replace(session, state=replace(state, more=0)), (on.Silence(),)


def _cut(session: Session, state: Playing, event: on.Cut) -> Result:
    marks = state.marks.cut(state.task.passage, event.reached)
    return replace(session, state=Rating(state.turn, state.task, state.began_ms, marks)), (on.Silence(),)


def _mark(session: Session, state: Playing | Rating | Amending, event: on.Mark) -> Result:
    if wrong := _wrong(state.task, event.fault.label, event.fault.note):
        return session, (on.Tell(wrong),)
    return replace(session, state=replace(state, marks=state.marks.marked(event.fault))), ()


def _mark_rest(session: Session, state: Playing | Rating | Amending, event: on.MarkRest) -> Result:
    marks = state.marks.rest(state.task.passage, event.label, event.result)
    return replace(session, state=replace(state, marks=marks)), ()


def _suggest(session: Session, state: Playing | Rating | Amending, event: on.Suggest) -> Result:
    if wrong := _wrong(state.task, event.label):
        return session, (on.Tell(wrong),)
    marks = state.marks.suggest(event)
    if event.source is on.Source.PEDAL and event.result:
        fault = Fault(event.label, event.result)
        marks = marks if fault in marks.faults else marks.marked(fault)
    return replace(session, state=replace(state, marks=marks)), ()


def _wrong(task: Task, label: int, note: int = 0) -> Notice | None:
    """What is wrong with an event and a note of it, 0 for the whole event; None where the passage has them."""
    events = len(task.passage.events)
    if not 1 <= label <= events:
        return notices.NoSuchEvent(label, events)
    return notices.NoSuchNote(label, note) if note > len(task.passage.event(label).notes) else None


def _confirm(session: Session, state: Rating | Amending, event: on.Confirm) -> Result:
    if isinstance(state, Amending):
        return with_notice(state.number, amend(session, state, state.marks.faults))
    result = with_notice(len(session.played), rate(session, state, state.marks.faults))
    return play_on(state, result) if state.more else result


def _rated(session: Session, state: Ready, event: on.Rated) -> Result:
    for fault in event.faults:
        if wrong := _wrong(state.task, fault.label, fault.note):
            return session, (on.Tell(wrong),)
    session, task = met_today(session, state.task)
    task = task if event.tempo_bpm is None else replace(task, tempo_bpm=event.tempo_bpm)
    return rate(session, replace(state, task=task), event.faults)


def _again(session: Session, state: Ready | Playing | Rating | Amending, event: on.Again) -> Result:
    session, kept = keep(session, state)
    turn, task, ready = state.turn, state.task, session.state
    if isinstance(ready, Ready) and (ready.turn.id, ready.task.excerpt) == (turn.id, task.excerpt):
        turn, task = ready.turn, ready.task
    elif kept:
        reps = tuple(
            played.rep for played in session.played if played.turn.id == turn.id and played.rep.rated
        )
        turn, task = replace(turn, reps=reps), replace(task, heard=False)
    session, started = begin(session, turn, task)
    return session, (*kept, *started)


def _set_tempo(session: Session, state: Ready | Listening | Playing, event: on.SetTempo) -> Result:
    task, goal_bpm = state.task, state.task.drill.goal_bpm
    tempo_bpm = max(MIN_BPM, min(event.tempo_bpm, goal_bpm))
    rung_bpm = session.coaching.rung_bpm(task.excerpt)
    ready = Ready(state.turn, replace(task, tempo_bpm=tempo_bpm))
    session = replace(session, coaching=session.coaching.held_at(task.excerpt, tempo_bpm), state=ready)
    if tempo_bpm == goal_bpm < event.tempo_bpm:
        return session, (on.Silence(), on.Tell(notices.GoalReached(goal_bpm)))
    if tempo_bpm > event.tempo_bpm:
        return session, (on.Silence(), on.Tell(notices.Plain.SLOWEST))
    if tempo_bpm > rung_bpm:
        return session, (on.Silence(), on.Tell(notices.FasterOnce(tempo_bpm, rung_bpm)))
    return session, (on.Silence(),)


def _easier(session: Session, state: Ready | Listening | Playing, event: on.Easier) -> Result:
    excerpt = state.task.excerpt
    if not has_easier(state.task):
        return session, (on.Tell(notices.Plain.NO_EASIER),)
    return _chosen(session, state, replace(excerpt, easier=not excerpt.easier))


def _choose_layer(session: Session, state: Ready | Listening | Playing, event: on.ChooseLayer) -> Result:
    layers, excerpt = layers_of(state.task), state.task.excerpt
    if event.layer not in layers:
        return session, (on.Tell(notices.NoSuchLayer(event.layer, layers)),)
    if excerpt.kind in (Kind.NODE, Kind.MOVE, Kind.HALF):
        # A part of one layer may not exist in another; its whole phrase does.
        excerpt = replace(excerpt, kind=Kind.PHRASE, subject="")
    return _chosen(session, state, replace(excerpt, layer=event.layer))


def _choose_excerpt(session: Session, state: Ready | Listening | Playing, event: on.ChooseExcerpt) -> Result:
    return _chosen(session, state, event.excerpt)


def _chosen(session: Session, state: Ready | Listening | Playing, excerpt: Excerpt) -> Result:
    try:
        return stand(session, state.turn, excerpt), (on.Silence(),)
    except KeyError as missing:
        return session, (on.Tell(notices.Missing(missing.args[0])),)


def _reload(session: Session, state: Ready | Rest, event: on.Reload) -> Result:
    session = replace(session, drills={**session.drills, event.drill.id: event.drill})
    news = (on.Tell(notices.Reloaded(event.drill.title)),)
    if isinstance(state, Rest):
        return session, news
    try:
        drill, passage = passage_in(session, state.task.excerpt)
    except KeyError as missing:
        return session, (on.Tell(notices.Missing(missing.args[0])),)
    session, task = reopened(session, replace(state.task, drill=drill, passage=passage))
    return replace(session, state=replace(state, task=task)), news


def _pause(
    session: Session, state: Ready | Listening | Playing | Rating | Amending, event: on.Pause
) -> Result:
    back: Ready | Rating | Amending = Ready(state.turn, state.task)
    if isinstance(state, Rating):
        back = replace(state, more=0)
    elif isinstance(state, Amending):
        back = state
    return replace(session, state=Paused(back)), (on.Silence(),)


def _run_on(session: Session, state: Ready | Playing, event: on.RunOn) -> Result:
    if state.runs_on:
        return _stop_running(session, state)
    if state.turn.item.purpose is Purpose.COLD:
        return session, (on.Tell(notices.Plain.COLD_ALONE),)
    if isinstance(state, Playing):
        return replace(session, state=replace(state, runs_on=True)), ()
    return begin(session, state.turn, state.task, runs_on=True)


def _stop_running(session: Session, state: Ready | Playing) -> Result:
    """The turn runs on no more: its last repetition is rated, where there is one."""
    last = session.played[-1] if session.played else None
    if last is None or last.rep.rated or last.turn.id != state.turn.id:
        return replace(session, state=Ready(state.turn, state.task)), (on.Silence(),)
    amending = Amending(last.turn, last.task, len(session.played) - 1)
    return replace(session, state=amending), (on.Silence(), on.Tell(notices.Plain.RATE_THE_LAST))


def _undo(session: Session, state: State, event: on.Undo) -> Result:
    """The last mark goes; where there is none, the last rated repetition stands for rating again."""
    if isinstance(state, Playing | Rating | Amending) and state.marks.before:
        marks = state.marks.undone()
        now, then = set(state.marks.faults), set(marks.faults)
        change = notices.MarksTakenBack(tuple(sorted(now - then)), tuple(sorted(then - now)))
        return replace(session, state=replace(state, marks=marks)), (on.Tell(change),)
    if isinstance(state, Amending) and session.played[state.number].rep.rated:
        return session, (on.Tell(notices.Plain.ONLY_THE_LAST),)
    rated = [number for number, played in enumerate(session.played) if played.rep.rated]
    if not rated:
        return session, (on.Tell(notices.Plain.NOTHING_TO_UNDO),)
    last = session.played[rated[-1]]
    faults = last.rep.faults or ()
    amending = Amending(last.turn, last.task, rated[-1], Marks(faults))
    session, void = with_correction(session, last.rep, None, void=True)
    taken_back = notices.RatingTakenBack(last.task.passage.title, last.rep.tempo_bpm, faults)
    return replace(session, coaching=last.coaching, state=amending), (on.Silence(), void, on.Tell(taken_back))


def _stop(session: Session, state: State, event: on.Stop) -> Result:
    music = session.music
    session, kept = keep(session, state)
    effects: tuple[Effect, ...] = (*kept, on.Silence())
    if event.hurts:
        body = {
            "excerpt": music.task.excerpt.key if music else "",
            "tempo_bpm": music.task.tempo_bpm if music else 0,
        }
        session, logged = with_entry(session, "hurt", body)
        effects = (*effects, logged, on.Tell(notices.Plain.HURTS))
    return replace(session, state=Done()), (*effects, on.Finished())


Handler = Callable[[Session, Any, Any], Result]
Row = tuple[Handler, frozenset[type[State]]]


def _to(handler: Handler, *states: type[State]) -> Row:
    return handler, frozenset(states)


ENTERED = (Ready, Rest, Done)
"""Where the next item leads."""

TRANSITIONS: Mapping[type[State], Mapping[type[SessionEvent], Row]] = {
    Ready: {
        on.Go: _to(_go, Playing),
        on.Again: _to(_again, Playing),
        on.RunOn: _to(_run_on, Playing, Amending, Ready),
        on.Listen: _to(_listen, Listening),
        on.Rated: _to(_rated, *ENTERED),
        on.SetTempo: _to(_set_tempo, Ready),
        on.Easier: _to(_easier, Ready),
        on.ChooseLayer: _to(_choose_layer, Ready),
        on.ChooseExcerpt: _to(_choose_excerpt, Ready),
        on.Reload: _to(_reload, Ready),
        on.Pause: _to(_pause, Paused),
        on.Skip: _to(_next, *ENTERED),
        on.Undo: _to(_undo, Amending, Ready),
        on.Stop: _to(_stop, Done),
    },
    Listening: {
        on.Go: _to(_go, Playing),
        on.RepEnded: _to(_back_to_ready, Ready),
        on.Listen: _to(_back_to_ready, Ready),
        on.SetTempo: _to(_set_tempo, Ready),
        on.Easier: _to(_easier, Ready, Listening),
        on.ChooseLayer: _to(_choose_layer, Ready, Listening),
        on.ChooseExcerpt: _to(_choose_excerpt, Ready, Listening),
        on.Pause: _to(_pause, Paused),
        on.Skip: _to(_next, *ENTERED),
        on.Undo: _to(_undo, Amending, Listening),
        on.Stop: _to(_stop, Done),
    },
    Playing: {
        on.RepEnded: _to(_rep_ended, Rating, Ready),
        on.Cut: _to(_cut, Rating),
        on.Mark: _to(_mark, Playing),
        on.MarkRest: _to(_mark_rest, Playing),
        on.Suggest: _to(_suggest, Playing),
        on.Again: _to(_again, Playing),
        on.RunOn: _to(_run_on, Playing, Amending, Ready),
        on.SetTempo: _to(_set_tempo, Ready),
        on.Easier: _to(_easier, Ready, Playing),
        on.ChooseLayer: _to(_choose_layer, Ready, Playing),
        on.ChooseExcerpt: _to(_choose_excerpt, Ready, Playing),
        on.Pause: _to(_pause, Paused),
        on.Skip: _to(_next, *ENTERED),
        on.Undo: _to(_undo, Amending, Playing),
        on.Stop: _to(_stop, Done),
    },
    Rating: {
        on.RoundEnded: _to(_round_ended, Rating),
        on.Mark: _to(_mark, Rating),
        on.MarkRest: _to(_mark_rest, Rating),
        on.Suggest: _to(_suggest, Rating),
        on.Confirm: _to(_confirm, Playing, *ENTERED),
        on.Again: _to(_again, Playing),
        on.Pause: _to(_pause, Paused),
        on.Skip: _to(_next, *ENTERED),
        on.Undo: _to(_undo, Amending, Rating),
        on.Stop: _to(_stop, Done),
    },
    Amending: {
        on.Mark: _to(_mark, Amending),
        on.MarkRest: _to(_mark_rest, Amending),
        on.Suggest: _to(_suggest, Amending),
        on.Confirm: _to(_confirm, *ENTERED),
        on.Again: _to(_again, Playing),
        on.Pause: _to(_pause, Paused),
        on.Skip: _to(_next, *ENTERED),
        on.Undo: _to(_undo, Amending),
        on.Stop: _to(_stop, Done),
    },
    Paused: {
        on.Go: _to(_resume, Ready, Rating, Amending),
        on.Stop: _to(_stop, Done),
    },
    Rest: {
        on.Go: _to(_next, *ENTERED),
        on.Skip: _to(_next, *ENTERED),
        on.Reload: _to(_reload, Rest),
        on.Undo: _to(_undo, Amending, Rest),
        on.Stop: _to(_stop, Done),
    },
    Done: {
        on.Undo: _to(_undo, Amending, Done),
    },
}
"""State and event to handler and the states it leads to: the whole machine in one table."""
