"""One practice session as a state machine without input or output.

Theory of operation. A session carries out a plan, item by item. `receive(session, event, now_ms, utc_offset_min)`
returns the next session and the effects that the host must carry out, in order: start a repetition, stop the sound,
save something, tell the player something. Nothing here reads a clock, a file or a device. `ROWS`, at the end, is the
whole machine: which event is accepted in which of the `states`, who handles it (`handlers`), and where it may lead.
Any other event raises `NotNow` and changes nothing; `accepts` asks first.

A repetition counts when it is rated: the effect that saves it precedes any other, so that it is on disk before the
next count-in. After a rating the same turn goes on by itself (`AutoGo`), so that the usual repetition costs one key.
Taking a rating back restores all that was known before it: a repetition rated, taken back and rated otherwise leaves
the session as if it had been rated so at once. Tempos, relief and what comes next are asked of `coaching.Coaching`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from coach.learning.plan import Plan
from coach.music.drill import Drill
from coach.session import events as on
from coach.session import handlers as act
from coach.session.coaching import Coaching
from coach.session.events import SessionEvent
from coach.session.session import Session, with_entry
from coach.session.states import Amending, Done, Listening, Paused, Playing, Rating, Ready, Rest, State
from coach.session.turns import After, enter


class NotNow(Exception):  # noqa: N818 - not an error of the program: the key has no meaning in this state
    """The state does not accept the event."""


class WrongWayError(RuntimeError):
    """A handler led to a state that the table does not name: a slip of the handlers, which the tests find."""


def start(
    plan: Plan,
    drills: Mapping[str, Drill],
    coaching: Coaching,
    now_ms: int,
    utc_offset_min: int,
    *,
    player: str,
    nonce: bytes,
    pause_s: float,
    run_on_pause_s: float,
) -> After:
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


def receive(session: Session, event: SessionEvent, now_ms: int, utc_offset_min: int) -> After:
    """The session after an event, and what the host must do; NotNow where the state does not accept it."""
    row = TRANSITIONS.get((type(session.state), type(event)))
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
    return (type(session.state), event) in TRANSITIONS


Handler = Callable[[Session, Any, Any], After]


SAME = None
"""The state in which the event came."""
ENTERED = (Ready, Rest, Done)
"""Where the next item leads."""
MOVING = (Ready, Listening, Playing)
RATED = (Rating, Amending)
MARKED = (Playing, *RATED)
MUSIC = (*MOVING, *RATED)

ROWS: tuple[
    tuple[type[SessionEvent], Handler, tuple[type[State], ...], tuple[type[State] | None, ...]], ...
] = (
    (on.Go, act.go, (Ready, Listening), (Playing,)),
    (on.Go, act.resume, (Paused,), (Ready, *RATED)),
    (on.Go, act.go_on, (Rest,), ENTERED),
    (on.Listen, act.listen, (Ready,), (Listening,)),
    (on.Listen, act.back_to_ready, (Listening,), (Ready,)),
    (on.RepEnded, act.back_to_ready, (Listening,), (Ready,)),
    (on.RepEnded, act.rep_ended, (Playing,), (Rating, Ready)),
    (on.Cut, act.cut, (Playing,), (Rating,)),
    (on.RoundEnded, act.round_ended, (Rating,), (Rating,)),
    (on.Mark, act.mark, MARKED, (SAME,)),
    (on.MarkRest, act.mark_rest, MARKED, (SAME,)),
    (on.Suggest, act.suggest, MARKED, (SAME,)),
    (on.Confirm, act.confirm, (Rating,), (Playing, *ENTERED)),
    (on.Confirm, act.confirm, (Amending,), ENTERED),
    (on.AsHeard, act.as_heard, RATED, (SAME, *ENTERED)),
    (on.Rated, act.rated, (Ready,), ENTERED),
    (on.Again, act.again, (Ready, *MARKED), (Playing,)),
    (on.RunOn, act.run_on, (Ready, Playing), (Playing, Amending, Ready)),
    (on.SetTempo, act.set_tempo, MOVING, (Ready, SAME)),
    (on.Easier, act.easier, MOVING, (Ready, SAME)),
    (on.ChooseLayer, act.choose_layer, MOVING, (Ready, SAME)),
    (on.ChooseExcerpt, act.choose_excerpt, MOVING, (Ready, SAME)),
    (on.Reload, act.reload, (Ready, Rest), (SAME,)),
    (on.Pause, act.pause, MUSIC, (Paused,)),
    (on.Skip, act.go_on, (*MUSIC, Rest), ENTERED),
    (on.Undo, act.undo, (*MUSIC, Rest, Done), (Amending, SAME)),
    (on.Stop, act.stop, (*MUSIC, Paused, Rest), (Done,)),
)
"""The whole machine: an event, its handler, the states in which it is accepted, and where it leads from there."""

TRANSITIONS: Mapping[tuple[type[State], type[SessionEvent]], tuple[Handler, frozenset[type[State]]]] = {
    (state, event): (handler, frozenset(state if to is SAME else to for to in leads_to))
    for event, handler, states, leads_to in ROWS
    for state in states
}
"""The same by state and event."""
