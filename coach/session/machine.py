"""One practice session as a state machine without input or output.

Theory of operation. A session carries out a plan, item by item. `receive(session, event, now_ms, utc_offset_min)`
returns the next session and the effects that the host must carry out, in order: start a repetition, stop the sound,
save something, tell the player something. Nothing here reads a clock, a file or a device. `TRANSITIONS`, at the end,
is the whole machine: in which of the `states` which event is accepted, who handles it (`handlers`), and where it may
lead. Any other event raises `NotNow` and changes nothing; `accepts` asks first.

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
from coach.session.states import (
    Amending,
    Done,
    Listening,
    Paused,
    Playing,
    Rating,
    Ready,
    Rest,
    State,
)
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


Handler = Callable[[Session, Any, Any], After]
Row = tuple[Handler, frozenset[type[State]]]


def _to(handler: Handler, *states: type[State]) -> Row:
    return handler, frozenset(states)


ENTERED = (Ready, Rest, Done)
"""Where the next item leads."""

TRANSITIONS: Mapping[type[State], Mapping[type[SessionEvent], Row]] = {
    Ready: {
        on.Go: _to(act.go, Playing),
        on.Again: _to(act.again, Playing),
        on.RunOn: _to(act.run_on, Playing, Amending, Ready),
        on.Listen: _to(act.listen, Listening),
        on.Rated: _to(act.rated, *ENTERED),
        on.SetTempo: _to(act.set_tempo, Ready),
        on.Easier: _to(act.easier, Ready),
        on.ChooseLayer: _to(act.choose_layer, Ready),
        on.ChooseExcerpt: _to(act.choose_excerpt, Ready),
        on.Reload: _to(act.reload, Ready),
        on.Pause: _to(act.pause, Paused),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Undo: _to(act.undo, Amending, Ready),
        on.Stop: _to(act.stop, Done),
    },
    Listening: {
        on.Go: _to(act.go, Playing),
        on.RepEnded: _to(act.back_to_ready, Ready),
        on.Listen: _to(act.back_to_ready, Ready),
        on.SetTempo: _to(act.set_tempo, Ready, Listening),
        on.Easier: _to(act.easier, Ready, Listening),
        on.ChooseLayer: _to(act.choose_layer, Ready, Listening),
        on.ChooseExcerpt: _to(act.choose_excerpt, Ready, Listening),
        on.Pause: _to(act.pause, Paused),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Undo: _to(act.undo, Amending, Listening),
        on.Stop: _to(act.stop, Done),
    },
    Playing: {
        on.RepEnded: _to(act.rep_ended, Rating, Ready),
        on.Cut: _to(act.cut, Rating),
        on.Mark: _to(act.mark, Playing),
        on.MarkRest: _to(act.mark_rest, Playing),
        on.Suggest: _to(act.suggest, Playing),
        on.Again: _to(act.again, Playing),
        on.RunOn: _to(act.run_on, Playing, Amending, Ready),
        on.SetTempo: _to(act.set_tempo, Ready, Playing),
        on.Easier: _to(act.easier, Ready, Playing),
        on.ChooseLayer: _to(act.choose_layer, Ready, Playing),
        on.ChooseExcerpt: _to(act.choose_excerpt, Ready, Playing),
        on.Pause: _to(act.pause, Paused),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Undo: _to(act.undo, Amending, Playing),
        on.Stop: _to(act.stop, Done),
    },
    Rating: {
        on.RoundEnded: _to(act.round_ended, Rating),
        on.Mark: _to(act.mark, Rating),
        on.MarkRest: _to(act.mark_rest, Rating),
        on.Suggest: _to(act.suggest, Rating),
        on.Confirm: _to(act.confirm, Playing, *ENTERED),
        on.AsHeard: _to(act.as_heard, Rating, *ENTERED),
        on.Again: _to(act.again, Playing),
        on.Pause: _to(act.pause, Paused),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Undo: _to(act.undo, Amending, Rating),
        on.Stop: _to(act.stop, Done),
    },
    Amending: {
        on.Mark: _to(act.mark, Amending),
        on.MarkRest: _to(act.mark_rest, Amending),
        on.Suggest: _to(act.suggest, Amending),
        on.Confirm: _to(act.confirm, *ENTERED),
        on.AsHeard: _to(act.as_heard, Amending, *ENTERED),
        on.Again: _to(act.again, Playing),
        on.Pause: _to(act.pause, Paused),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Undo: _to(act.undo, Amending),
        on.Stop: _to(act.stop, Done),
    },
    Paused: {
        on.Go: _to(act.resume, Ready, Rating, Amending),
        on.Stop: _to(act.stop, Done),
    },
    Rest: {
        on.Go: _to(act.go_on, *ENTERED),
        on.Skip: _to(act.go_on, *ENTERED),
        on.Reload: _to(act.reload, Rest),
        on.Undo: _to(act.undo, Amending, Rest),
        on.Stop: _to(act.stop, Done),
    },
    Done: {
        on.Undo: _to(act.undo, Amending, Done),
    },
}
"""State and event to handler and the states it leads to: the whole machine in one table."""
