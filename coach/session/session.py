"""What a session is between two events, and how it makes what is logged, with its ids.

Ids are made of the moment, eight random bytes that the session was started with, and a number that rises.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from typing import Any

from coach.folder.actions import Phase
from coach.ground.frozen import frozen
from coach.learning.material import goal_of
from coach.learning.plan import Plan, Purpose
from coach.learning.rung import Step
from coach.log.entries import Correction, Entry, EntryKind, Rep, practice_day, serial_id
from coach.music.drill import Drill
from coach.rating.fault import Fault
from coach.session.coaching import Coaching, Ending, Turn
from coach.session.events import Save, SaveRep, Suggest
from coach.session.states import Amending, Done, Music, Paused, Playing, Rating, Ready, Rest, State, Task


@frozen
class Played:
    """A repetition of this session as last rated, and how all stood just before it was saved."""

    rep: Rep
    task: Task
    turn: Turn
    coaching: Coaching
    step: Step | None = None
    ending: Ending = Ending.DONE
    suggested: tuple[Suggest, ...] = ()
    """What was suggested while it was rated."""


@frozen
class Session:
    """One session between two events: what it is about, what was played, and the state it is in."""

    plan: Plan
    drills: Mapping[str, Drill]
    coaching: Coaching
    state: State
    player: str
    """The player's id, in all that is logged."""
    nonce: bytes
    """Eight random bytes: with the moment and `serial` they make ids."""
    now_ms: int
    """The moment of the last event, never earlier than one before it."""
    utc_offset_min: int
    day: date
    """The practice day for which the coaching stands open."""
    pause_s: float
    """Between a rating and the next count-in of the same turn; 0 where they follow each other in a round."""
    run_on_pause_s: float
    """Between the repetitions of a turn that runs on by itself."""
    serial: int = 0
    played: tuple[Played, ...] = ()

    @property
    def phase(self) -> Phase:
        return self.state.phase

    @property
    def music(self) -> Music | None:
        """What the player has before them, in a pause too; None at rest and at the end."""
        shown = self.state.back if isinstance(self.state, Paused) else self.state
        return None if isinstance(shown, Rest | Done) else shown

    @property
    def task(self) -> Task | None:
        """What the player has before them to play."""
        return self.music.task if self.music else None

    @property
    def turn(self) -> Turn | None:
        """The turn that is practised; None at the end."""
        if isinstance(self.state, Done):
            return None
        return self.state.back.turn if isinstance(self.state, Paused) else self.state.turn

    @property
    def marks(self) -> tuple[Fault, ...]:
        """What is marked on the repetition that sounds or is rated."""
        music = self.music
        return music.marks.faults if isinstance(music, Playing | Rating | Amending) else ()


def with_id(session: Session, at_ms: int) -> tuple[Session, str]:
    serial = session.serial + 1
    return replace(session, serial=serial), serial_id(at_ms, session.nonce, serial)


def with_entry(session: Session, kind: EntryKind, body: Mapping[str, Any]) -> tuple[Session, Save]:
    session, entry_id = with_id(session, session.now_ms)
    facts = dict(sorted(body.items()))
    return session, Save(Entry(entry_id, session.player, session.now_ms, session.utc_offset_min, kind, facts))


def with_correction(
    session: Session, rep: Rep, faults: tuple[Fault, ...] | None, *, void: bool = False
) -> tuple[Session, Save]:
    session, own_id = with_id(session, session.now_ms)
    return session, Save(Correction(own_id, rep.id, session.now_ms, faults, void))


def with_rep(
    session: Session, state: Ready | Playing | Rating, faults: tuple[Fault, ...] | None
) -> tuple[Session, Rep]:
    """The repetition that the state is about, with its results; None where it was not rated."""
    rep = rep_of(session, state, faults)
    session, rep_id = with_id(session, rep.at_ms)
    return session, replace(rep, id=rep_id, passage=state.task.passage.logged.id)


def rep_of(session: Session, state: Ready | Playing | Rating, faults: tuple[Fault, ...] | None) -> Rep:
    """The same without its id and its passage's, which takes a while to find for a long one."""
    turn, task = state.turn, state.task
    at_ms, offset = session.now_ms, session.utc_offset_min
    if not isinstance(state, Ready) and practice_day(state.began_ms, offset) < practice_day(at_ms, offset):
        # Begun in the old practice day, it belongs to it.
        at_ms = state.began_ms
    return Rep(
        id="",
        player=session.player,
        at_ms=at_ms,
        utc_offset_min=offset,
        passage="",
        excerpt=task.excerpt.key,
        tempo_bpm=task.tempo_bpm,
        goal_bpm=goal_of(task.drill, task.excerpt),
        faults=faults,
        rung_bpm=session.coaching.rung_bpm(task.excerpt),
        purpose=turn.item.purpose if task.excerpt == turn.item.excerpt else Purpose.CLIMB,
        turn=turn.id,
        listened=task.heard,
        duration_ms=round(task.passage.seconds(task.tempo_bpm) * 1000),
        suggestions=() if isinstance(state, Ready) else state.marks.logged(),
    )


def with_unrated(session: Session, state: Playing | Rating) -> tuple[Session, SaveRep]:
    """The session with a repetition played but not rated."""
    session, rep = with_rep(session, state, None)
    played = Played(rep, state.task, state.turn, session.coaching, suggested=state.marks.suggested)
    return replace(session, played=(*session.played, played)), SaveRep(rep, state.task.passage.logged)
