"""One practice session as a state machine without input or output.

Theory of operation. A session carries out a plan, item by item. `receive(session, event)` returns the next
session and the effects that the host must carry out, in order: start a repetition, stop the sound, save a
repetition, tell the player something. Nothing here reads a clock, a file or a device; the time is in the event.
An event that the phase does not accept raises `NotNow` and changes nothing; `session.accepts(Event)` asks first.

    READY      the excerpt stands on the screen, hands find their place; Go starts the count-in
    LISTENING  the model plays; its end leads back to READY
    PLAYING    count-in and repetition; marks may come in as it sounds
    RATING     the repetition is over; Confirm saves what is marked, nothing marked is clean
    PAUSED     sound off; Go returns to READY
    REST       an item without an excerpt (tuning, break); Go goes on
    DONE       the end; nothing more is accepted

A repetition counts when it is rated: the effect that saves it precedes any other, so that it is on disk before
the next count-in. After a rating the same turn goes on by itself (`AutoGo`), so that the usual repetition costs one
key. The ladder of each excerpt moves by `ladder.after` only, the function that also reads old logs.

Entered afterwards (`adapts` false), each turn has the excerpt and the number of repetitions of its plan item: away from
the screen nobody saw the session change them, and the labels of the results belong to what the plan said.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum

from coach.learning import ladder as ladders
from coach.learning.ladder import DEFAULT as DEFAULT_RULE
from coach.learning.ladder import Ladder, Moved, Release, Rule, Step
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.release import released, releases_for
from coach.music.drill import TOGETHER, Drill
from coach.music.excerpt import Excerpt, Kind, Passage, layer_choices, passage_of
from coach.music.rhythm import MIN_BPM
from coach.rating.fault import Fault, verdict
from coach.rating.table import NOT_REACHED
from coach.session.events import (
    Again,
    AutoGo,
    ChooseExcerpt,
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
    SavedRep,
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

PAUSE_BETWEEN_REPS_S = 2.0
"""Between a rating and the next count-in of the same turn."""
OVERTIME = 1.5
"""A turn ends at the latest after so many times its planned minutes."""


class Phase(StrEnum):
    READY = "ready"
    LISTENING = "listening"
    PLAYING = "playing"
    RATING = "rating"
    PAUSED = "paused"
    REST = "rest"
    DONE = "done"


Result = tuple["Session", tuple[Effect, ...]]


class NotNow(Exception):  # noqa: N818 - not an error of the program: the key has no meaning in this phase
    """The phase does not accept the event."""


@dataclass(frozen=True)
class Session:
    """The state of one session. `ladders` are by excerpt key and include those met in earlier days."""

    plan: Plan
    drills: Mapping[str, Drill]
    ladders: Mapping[str, Ladder]
    rule: Rule = DEFAULT_RULE
    pause_s: float = PAUSE_BETWEEN_REPS_S
    run_on_pause_s: float = PAUSE_BETWEEN_REPS_S
    adapts: bool = True
    """Whether results change what is practised now: releases, and a turn that ends before its repetitions."""
    phase: Phase = Phase.DONE
    index: int = -1
    passage: Passage | None = None
    tempo_bpm: int = 0
    marks: tuple[Fault, ...] = ()
    reps_in_turn: int = 0
    turn: int = 0
    turn_started_ms: int = 0
    listened: bool = False
    run_on: bool = False
    probes: int = 0
    """Probes left in this turn, the one that stands ready among them; 0 where it goes on at the rung."""
    amending: int = 0
    """Serial of the saved repetition that is being rated anew; 0 for none."""
    saved: tuple[SavedRep, ...] = ()
    left: frozenset[str] = field(default_factory=frozenset)
    """Phrase and drill (`drill:phrase`) left alone for today."""
    paused_from: Phase = Phase.READY
    step: Step | None = None
    """What the last rating did to the ladder."""

    @property
    def day(self) -> date:
        return self.plan.day

    @property
    def item(self) -> PlanItem | None:
        return self.plan.items[self.index] if 0 <= self.index < len(self.plan.items) else None

    @property
    def excerpt(self) -> Excerpt | None:
        return self.passage.excerpt if self.passage else None

    @property
    def drill(self) -> Drill | None:
        return self.drills[self.passage.excerpt.drill] if self.passage else None

    @property
    def ladder(self) -> Ladder | None:
        """The ladder of what is practised now."""
        return self.ladders.get(self.passage.excerpt.key) if self.passage else None

    @property
    def layer_choices(self) -> tuple[str, ...]:
        """What the excerpt can be practised as."""
        if self.passage is None or self.drill is None:
            return ()
        if len(self.passage.excerpt.phrases) == 1:
            return layer_choices(self.drill.phrase(self.passage.excerpt.phrases[0]))
        layers = self.drill.layers
        return layers if len(layers) < 2 else (*layers, TOGETHER)

    @property
    def has_easier(self) -> bool:
        """Whether an easier version exists: some note of the phrases is droppable, and something stays."""
        if self.drill is None or self.passage is None:
            return False
        notes = [
            note
            for phrase_id in self.passage.excerpt.phrases
            for bar in self.drill.phrase(phrase_id).bars
            for event in bar.events
            if self.passage.excerpt.layer in (TOGETHER, event.layer)
            for note in event.notes
        ]
        return any(note.droppable for note in notes) and not all(note.droppable for note in notes)

    def accepts(self, event: type[SessionEvent]) -> bool:
        """Whether the phase accepts such an event."""
        return (self.phase, event) in TRANSITIONS


def start(
    plan: Plan,
    drills: Mapping[str, Drill],
    old_ladders: Mapping[str, Ladder],
    at_ms: int,
    *,
    rule: Rule = DEFAULT_RULE,
    pause_s: float = PAUSE_BETWEEN_REPS_S,
    run_on_pause_s: float = PAUSE_BETWEEN_REPS_S,
    adapts: bool = True,
) -> Result:
    """A session at its first item. `drills` are by drill id, `old_ladders` by excerpt key."""
    blank = Session(plan, drills, dict(old_ladders), rule, pause_s, run_on_pause_s, adapts)
    session, effects = _enter(blank, 0, at_ms)
    return session, (SaveEntry("sitting", {"minutes": plan.minutes, "items": len(plan.items)}), *effects)


def receive(session: Session, event: SessionEvent) -> Result:
    """The session after an event, and what the host must do; NotNow where the phase does not accept it."""
    transition = TRANSITIONS.get((session.phase, type(event)))
    if transition is None:
        raise NotNow(f"{type(event).__name__} means nothing while {session.phase}")
    return transition(session, event)


def _enter(session: Session, index: int, at_ms: int) -> Result:
    """The first item from `index` on that can be practised."""
    effects: list[Effect] = []
    while index < len(session.plan.items):
        item = session.plan.items[index]
        fresh = replace(
            session,
            index=index,
            turn=session.turn + 1,
            turn_started_ms=at_ms,
            reps_in_turn=0,
            marks=(),
            listened=False,
            run_on=False,
            amending=0,
            step=None,
        )
        if item.excerpt is None:
            return replace(fresh, passage=None, phase=Phase.REST), tuple(effects)
        if not _names(item.excerpt) & session.left:
            try:
                own_tempo = item.purpose in ladders.OFF_LADDER
                entered = _with_excerpt(fresh, item.excerpt, item.tempo_bpm or None, own_tempo=own_tempo)
                return _with_probe(entered, item), tuple(effects)
            except KeyError as missing:
                effects.append(Tell(f"left out: {missing.args[0]} is no longer in the drill"))
        index += 1
    ended = replace(session, phase=Phase.DONE, index=index, passage=None, marks=(), amending=0, run_on=False)
    return ended, (*effects, Finished())


def _names(excerpt: Excerpt) -> set[str]:
    return {f"{excerpt.drill}:{phrase}" for phrase in excerpt.phrases}


def _with_excerpt(
    session: Session, excerpt: Excerpt, tempo_bpm: int | None = None, *, own_tempo: bool = False
) -> Session:
    """The session ready to play an excerpt, its ladder opened for the day; KeyError where it is gone.

    `tempo_bpm` is where the ladder starts today; once it was climbed today, its rung counts. With `own_tempo` (a cold
    repetition, a warm-up) it is the tempo to play at and the rung stays.
    """
    if excerpt.drill not in session.drills:
        raise KeyError(excerpt.drill)
    drill = session.drills[excerpt.drill]
    passage = passage_of(drill, excerpt)
    if not passage.events:
        raise KeyError(excerpt.key)
    old = session.ladders.get(excerpt.key)
    current = old or ladders.new_ladder(min(drill.tempo.start_bpm, drill.goal_bpm), drill.goal_bpm)
    current = ladders.open_day(current, session.day, drill.goal_bpm)
    if tempo_bpm and not own_tempo and (old is None or old.last_day != session.day):
        current = ladders.moved(
            current, _within_layers(session, excerpt, tempo_bpm) if old is None else tempo_bpm
        )
    return replace(
        session,
        passage=passage,
        ladders={**session.ladders, excerpt.key: current},
        tempo_bpm=tempo_bpm if tempo_bpm and own_tempo else current.rung_bpm,
        phase=Phase.READY,
        marks=(),
        probes=0,
        amending=0,
    )


def _within_layers(session: Session, excerpt: Excerpt, tempo_bpm: int) -> int:
    """Where all layers are first joined: as planned, but no faster than each of them goes by now."""
    if excerpt.layer != TOGETHER:
        return tempo_bpm
    alone = [replace(excerpt, layer=layer).key for layer in session.drills[excerpt.drill].layers]
    return min([tempo_bpm, *(session.ladders[key].rung_bpm for key in alone if key in session.ladders)])


def _with_probe(session: Session, item: PlanItem) -> Session:
    """With the planned probe standing ready; the same where there is none, or the rung has come up to it."""
    assert session.drill is not None
    probe_bpm = min(item.probe_bpm, session.drill.goal_bpm)
    if not ladders.is_probe(session.tempo_bpm, probe_bpm, session.drill.goal_bpm):
        return session
    return replace(session, tempo_bpm=probe_bpm, probes=ladders.PROBES)


def _at_rung(session: Session) -> Session:
    """Without the probe that stands ready."""
    ladder = session.ladder
    return replace(session, tempo_bpm=ladder.rung_bpm, probes=0) if session.probes and ladder else session


def _rep(session: Session, *, model: bool = False) -> StartRep:
    assert session.passage is not None
    assert session.drill is not None
    drill = session.drill
    return StartRep(session.passage, session.tempo_bpm, drill.count_in_bars, drill.click, model)


def _go(session: Session, event: SessionEvent) -> Result:
    return replace(session, phase=Phase.PLAYING, marks=(), step=None), (_rep(session),)


def _resume(session: Session, event: SessionEvent) -> Result:
    return replace(session, phase=session.paused_from), ()


def _next(session: Session, event: SessionEvent) -> Result:
    session, kept = _keep(session, event.at_ms)
    following, effects = _enter(session, session.index + 1, event.at_ms)
    return following, (Silence(), *kept, *effects)


def _keep(session: Session, at_ms: int) -> Result:
    """What becomes of a repetition that waits for its rating when the player goes elsewhere: it is kept.

    With something marked it is saved as marked; without, as unrated, since silence is not clean. One that was taken
    back keeps the marks that stand.
    """
    if session.phase is not Phase.RATING:
        return session, ()
    if session.amending:
        taken_back = session.saved[session.amending - 1].faults is not None
        return _amend(session, session.marks) if taken_back else (session, ())
    marked = any(mark.result.fails for mark in session.marks)
    return _save(session, session.marks if marked else None, at_ms)


def _listen(session: Session, event: SessionEvent) -> Result:
    return replace(session, phase=Phase.LISTENING, listened=True), (_rep(session, model=True),)


def _back_to_ready(session: Session, event: SessionEvent) -> Result:
    return replace(session, phase=Phase.READY), (Silence(),)


def _rep_ended(session: Session, event: SessionEvent) -> Result:
    if not session.run_on:
        return replace(session, phase=Phase.RATING), ()
    unrated, effects = _save(session, None, event.at_ms)
    return replace(_at_rung(unrated), phase=Phase.READY, marks=()), (*effects, AutoGo(session.run_on_pause_s))


def _cut(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, Cut)
    assert session.passage is not None
    missed = tuple(
        Fault(placed.label, NOT_REACHED) for placed in session.passage.events if placed.label > event.reached
    )
    marked = {fault.label for fault in session.marks}
    marks = tuple(sorted((*session.marks, *(fault for fault in missed if fault.label not in marked))))
    return replace(session, phase=Phase.RATING, marks=marks, run_on=False), (Silence(),)


def _mark(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, Mark)
    assert session.passage is not None
    fault = event.fault
    if not 1 <= fault.label <= len(session.passage.events):
        return session, (Tell(f"there is no event {fault.label}: 1 to {len(session.passage.events)}"),)
    if fault.note > len(session.passage.event(fault.label).notes):
        return session, (Tell(f"event {fault.label} has no note {fault.note}"),)
    others = tuple(mark for mark in session.marks if mark.label != fault.label)
    marks = others if fault in session.marks else tuple(sorted((*others, fault)))
    return replace(session, marks=marks), ()


def _confirm(session: Session, event: SessionEvent) -> Result:
    return _rated(session, Rated(at_ms=event.at_ms, faults=session.marks))


def _rated(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, Rated)
    assert session.passage is not None
    if wrong := [fault.label for fault in event.faults if fault.label > len(session.passage.events)]:
        return session, (Tell(f"there is no event {wrong[0]}: 1 to {len(session.passage.events)}"),)
    if event.tempo_bpm is not None:
        session = replace(session, tempo_bpm=event.tempo_bpm)
    if session.amending:
        saved, effects = _amend(session, event.faults)
    else:
        saved, effects = _save(session, event.faults, event.at_ms)
    item = session.item
    assert item is not None
    saved = replace(saved, marks=(), amending=0)
    over = saved.reps_in_turn >= max(item.reps, 1)
    step = saved.step
    if saved.adapts:
        if step and step.release and item.purpose is not Purpose.COLD:
            relieved, told = _released(saved, step.release, event.at_ms)
            return relieved, (*effects, *told)
        over = over or event.at_ms - saved.turn_started_ms > item.minutes * OVERTIME * 60_000
        over = over or (step is not None and step.kind is Moved.LANDED)
    if over:
        following, told = _enter(replace(saved, step=None), session.index + 1, event.at_ms)
        return replace(following, step=step), (*effects, *told)
    assert saved.passage is not None
    current = saved.ladders[saved.passage.excerpt.key]
    failed_bpm = min(
        (rep.tempo_bpm for rep in saved.saved if rep.turn == saved.turn and rep.above_rung and rep.faults),
        default=0,
    )
    probe_bpm = ladders.probe_after(current, step, failed_bpm) if saved.probes > 1 else 0
    ready = replace(
        saved,
        phase=Phase.READY,
        tempo_bpm=probe_bpm or current.rung_bpm,
        probes=saved.probes - 1 if probe_bpm else 0,
    )
    return ready, (*effects, AutoGo(saved.pause_s))


def _save(session: Session, faults: tuple[Fault, ...] | None, at_ms: int) -> Result:
    assert session.passage is not None
    assert session.drill is not None
    assert session.item is not None
    key = session.passage.excerpt.key
    before = session.ladders[key]
    purpose = session.item.purpose if session.excerpt == session.item.excerpt else Purpose.BUILD
    current, step = _after(session, before, faults, session.tempo_bpm)
    rep = SavedRep(
        serial=len(session.saved) + 1,
        item=session.index,
        turn=session.turn,
        passage=session.passage,
        tempo_bpm=session.tempo_bpm,
        goal_bpm=session.drill.goal_bpm,
        faults=faults,
        purpose=purpose,
        listened=session.listened,
        at_ms=at_ms,
        before=before,
        step=step,
    )
    moved = replace(
        session,
        saved=(*session.saved, rep),
        ladders={**session.ladders, key: current},
        reps_in_turn=session.reps_in_turn + (faults is not None),
        listened=False,
        step=step,
    )
    return moved, (SaveRep(rep),)


def _amend(session: Session, faults: tuple[Fault, ...]) -> Result:
    old = session.saved[session.amending - 1]
    key = old.passage.excerpt.key
    current, step = _after(session, old.before, faults, old.tempo_bpm)
    rep = replace(old, faults=faults, step=step)
    saved = (*session.saved[: old.serial - 1], rep, *session.saved[old.serial :])
    moved = replace(
        session,
        saved=saved,
        ladders={**session.ladders, key: current},
        reps_in_turn=session.reps_in_turn + 1,
        step=step,
    )
    return moved, (CorrectRep(old.serial, faults),)


def _released(session: Session, release: Release, at_ms: int) -> Result:
    """Something changed after repeated failures: what the ladder asks for, or the turn ends for today."""
    assert session.passage is not None
    assert session.drill is not None
    excerpt = session.passage.excerpt
    instead = released(session.drill, excerpt, release, _failed_lately(session))
    if instead is not None:
        slower = None if instead.key in session.ladders else session.ladders[excerpt.key].rung_bpm
        return _with_excerpt(session, instead, slower), (
            Tell(f"It stays choked: {release.value} for this turn."),
        )
    left = session.left | _names(excerpt)
    following, effects = _enter(replace(session, left=left), session.index + 1, at_ms)
    return following, (
        Tell(f"{session.passage.title}: enough for today. It comes back another day."),
        *effects,
    )


def _failed_lately(session: Session) -> set[int]:
    """Labels of what failed in this turn's repetitions of the excerpt that stands ready."""
    return {
        fault.label
        for rep in session.saved
        if rep.turn == session.turn and rep.passage.excerpt == session.excerpt
        for fault in rep.faults or ()
        if fault.result.fails
    }


def _after(
    session: Session, before: Ladder, faults: tuple[Fault, ...] | None, tempo_bpm: int
) -> tuple[Ladder, Step | None]:
    """The ladder after a repetition; unmoved where it says nothing: unrated, or only broken off."""
    clean = verdict(faults)
    if clean is None:
        return before, None
    assert session.passage is not None
    assert session.drill is not None
    lately = _failed_lately(session) | {fault.label for fault in faults or ()}
    available = releases_for(session.drill, session.passage.excerpt, lately)
    return ladders.after(before, clean, session.day, tempo_bpm, session.rule, available)


def _again(session: Session, event: SessionEvent) -> Result:
    session, kept = _keep(session, event.at_ms)
    following, started = _go(replace(session, amending=0), event)
    return following, (*kept, *started)


def _set_tempo(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, SetTempo)
    assert session.passage is not None
    assert session.drill is not None
    bpm = max(MIN_BPM, min(event.tempo_bpm, session.drill.goal_bpm))
    key = session.passage.excerpt.key
    # A faster tempo becomes the rung by a clean repetition, never by a key.
    ladder = session.ladders[key]
    moved = ladder if bpm > ladder.rung_bpm else ladders.moved(ladder, bpm)
    ready = replace(
        session,
        tempo_bpm=bpm,
        probes=0,
        ladders={**session.ladders, key: moved},
        phase=Phase.READY,
        marks=(),
        step=None,
    )
    note: tuple[Effect, ...] = ()
    if bpm < event.tempo_bpm and bpm == session.drill.goal_bpm:
        note = (Tell(f"{bpm} bpm is the goal of this drill."),)
    elif bpm > event.tempo_bpm:
        note = (Tell(f"{MIN_BPM} bpm is the slowest."),)
    elif bpm > ladder.rung_bpm:
        note = (Tell(f"Once at {bpm}: clean lifts the rung there, a fault leaves it at {ladder.rung_bpm}."),)
    return ready, (Silence(), *note)


def _easier(session: Session, event: SessionEvent) -> Result:
    assert session.passage is not None
    excerpt = session.passage.excerpt
    if not session.has_easier:
        return session, (Tell("This phrase has no easier version: no note in it is marked with ?."),)
    return _with_excerpt(session, replace(excerpt, easier=not excerpt.easier)), (Silence(),)


def _choose_layer(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, ChooseLayer)
    assert session.passage is not None
    if event.layer not in session.layer_choices:
        return session, (Tell(f"There is no layer {event.layer!r}: {', '.join(session.layer_choices)}."),)
    excerpt = session.passage.excerpt
    if excerpt.kind in (Kind.NODE, Kind.MOVE, Kind.HALF):
        # A part of one layer may not exist in another; its whole phrase does.
        excerpt = replace(excerpt, kind=Kind.PHRASE, subject="")
    return _with_excerpt(session, replace(excerpt, layer=event.layer)), (Silence(),)


def _choose_excerpt(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, ChooseExcerpt)
    try:
        return _with_excerpt(session, event.excerpt), (Silence(),)
    except KeyError as missing:
        return session, (Tell(f"{missing.args[0]} is not in the drill."),)


def _pause(session: Session, event: SessionEvent) -> Result:
    after = Phase.RATING if session.phase is Phase.RATING else Phase.READY
    marks = session.marks if after is Phase.RATING else ()
    return replace(session, phase=Phase.PAUSED, paused_from=after, marks=marks, run_on=False), (Silence(),)


def _run_on(session: Session, event: SessionEvent) -> Result:
    item = session.item
    if session.run_on:
        last = session.saved[-1] if session.saved and session.saved[-1].turn == session.turn else None
        stopped = replace(session, run_on=False, phase=Phase.READY, marks=())
        if last is None or last.faults is not None:
            return stopped, (Silence(),)
        ask = Tell("Rate the last repetition: one key if it was clean.")
        return replace(stopped, phase=Phase.RATING, amending=last.serial), (Silence(), ask)
    if item is not None and item.purpose is Purpose.COLD:
        return session, (Tell("A cold repetition is rated by itself: the turn can't run on."),)
    if session.phase is Phase.PLAYING:
        return replace(session, run_on=True), ()
    return _go(replace(_at_rung(session), run_on=True), event)


def _undo(session: Session, event: SessionEvent) -> Result:
    """The last rated repetition stands for rating again; undone in RATING, the one before it."""
    limit = session.amending or len(session.saved) + 1
    last = next((rep for rep in reversed(session.saved[: limit - 1]) if rep.faults is not None), None)
    if last is None:
        return session, (Tell("Nothing to undo in this session."),)
    later = [rep for rep in session.saved[last.serial :] if rep.faults is not None]
    if any(rep.passage.excerpt.key == last.passage.excerpt.key for rep in later):
        return session, (Tell("Only the last rating can be undone here; earlier ones in the report."),)
    back = replace(
        session,
        phase=Phase.RATING,
        index=last.item,
        turn=last.turn,
        passage=last.passage,
        tempo_bpm=last.tempo_bpm,
        ladders={**session.ladders, last.passage.excerpt.key: last.before},
        reps_in_turn=max(
            0, sum(rep.turn == last.turn and rep.faults is not None for rep in session.saved) - 1
        ),
        marks=last.faults or (),
        amending=last.serial,
        run_on=False,
        probes=0,
        step=None,
    )
    told = Tell("Taken back: rate it anew.")
    return back, (Silence(), CorrectRep(last.serial, None, void=True), told)


def _stop(session: Session, event: SessionEvent) -> Result:
    assert isinstance(event, Stop)
    session, kept = _keep(session, event.at_ms)
    effects: list[Effect] = [*kept, Silence()]
    if event.hurts:
        body = {"excerpt": session.excerpt.key if session.excerpt else "", "tempo_bpm": session.tempo_bpm}
        effects.append(SaveEntry("hurt", body))
        effects.append(
            Tell(
                "Stopped because it hurts. Rest now. If it stays or comes back, see a clinician before you play on."
            )
        )
    ended = replace(session, phase=Phase.DONE, marks=(), amending=0, run_on=False)
    return ended, (*effects, Finished())


Transition = Callable[[Session, SessionEvent], Result]

_CHANGES: dict[type[SessionEvent], Transition] = {
    SetTempo: _set_tempo,
    Easier: _easier,
    ChooseLayer: _choose_layer,
    ChooseExcerpt: _choose_excerpt,
    Skip: _next,
    Stop: _stop,
    Undo: _undo,
}

TRANSITIONS: dict[tuple[Phase, type[SessionEvent]], Transition] = {
    (Phase.READY, Go): _go,
    (Phase.READY, Again): _again,
    (Phase.READY, Rated): _rated,
    (Phase.READY, Listen): _listen,
    (Phase.READY, Pause): _pause,
    (Phase.READY, RunOn): _run_on,
    **{(Phase.READY, event): handler for event, handler in _CHANGES.items()},
    (Phase.LISTENING, RepEnded): _back_to_ready,
    (Phase.LISTENING, Go): _go,
    (Phase.LISTENING, Listen): _back_to_ready,
    (Phase.LISTENING, Pause): _pause,
    **{(Phase.LISTENING, event): handler for event, handler in _CHANGES.items()},
    (Phase.PLAYING, RepEnded): _rep_ended,
    (Phase.PLAYING, Cut): _cut,
    (Phase.PLAYING, Mark): _mark,
    (Phase.PLAYING, Again): _again,
    (Phase.PLAYING, Pause): _pause,
    (Phase.PLAYING, RunOn): _run_on,
    **{(Phase.PLAYING, event): handler for event, handler in _CHANGES.items()},
    (Phase.RATING, Mark): _mark,
    (Phase.RATING, Confirm): _confirm,
    (Phase.RATING, Rated): _rated,
    (Phase.RATING, Again): _again,
    (Phase.RATING, Pause): _pause,
    (Phase.RATING, Undo): _undo,
    (Phase.RATING, Skip): _next,
    (Phase.RATING, Stop): _stop,
    (Phase.PAUSED, Go): _resume,
    (Phase.PAUSED, Stop): _stop,
    (Phase.REST, Go): _next,
    (Phase.REST, Skip): _next,
    (Phase.REST, Undo): _undo,
    (Phase.REST, Stop): _stop,
    (Phase.DONE, Undo): _undo,
}
"""Phase and event to what happens: the whole machine in one table."""
