"""How a session goes on: the next item, what stands ready, what a rating brings, what becomes of one that waits.

Each function takes a session and returns the next one, with what the host must do about it.
"""

from __future__ import annotations

from dataclasses import replace

from coach.learning.material import goal_of
from coach.learning.plan import PlanItem, Purpose
from coach.learning.relief import Release
from coach.log.entries import practice_day
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Passage
from coach.music.passages import passage_of
from coach.rating.fault import Fault
from coach.session import notices
from coach.session.coaching import Ending, Instead, Over, Stay, Turn
from coach.session.events import AutoGo, Effect, Finished, PlayOn, Save, SaveRep, Silence, StartRep, Tell
from coach.session.session import Played, Session, rep_of, with_correction, with_id, with_rep, with_unrated
from coach.session.states import Amending, Done, Paused, Playing, Rating, Ready, Rest, State, Task

After = tuple[Session, tuple[Effect, ...]]


def enter(session: Session, number: int) -> After:
    """The first item from `number` on that can be practised."""
    news: tuple[Effect, ...] = ()
    while (following := session.coaching.next_item(number)) is not None:
        number, item = following
        session, turn_id = with_id(session, session.now_ms)
        turn = Turn(turn_id, number, item, session.now_ms)
        if item.excerpt is None:
            return replace(session, state=Rest(turn)), news
        try:
            drill, passage = passage_in(session, item.excerpt)
        except KeyError as missing:
            news = (*news, Tell(notices.left_out(missing.args[0])))
            number += 1
            continue
        coaching, tempo_bpm = session.coaching.entered(drill, item.excerpt, item, session.day)
        ready = Ready(turn, Task(drill, passage, tempo_bpm))
        return replace(session, coaching=coaching, state=ready), news
    if session.coaching.free:
        news = (*news, Tell(session.coaching.free))
    return replace(session, state=Done()), (*news, Finished())


def passage_in(session: Session, excerpt: Excerpt) -> tuple[Drill, Passage]:
    """The drill and what the excerpt plays; KeyError where it is gone."""
    drill = session.drills[excerpt.drill]
    part = session.coaching.part_of(drill, excerpt)
    if part is None:
        passage_of(drill, excerpt)  # Says what is missing.
        raise KeyError(excerpt.key)
    return drill, part.passage


def stand(session: Session, turn: Turn, excerpt: Excerpt) -> Session:
    """The session ready to play an excerpt at its rung; KeyError where it is gone."""
    drill, passage = passage_in(session, excerpt)
    coaching = session.coaching.opened(drill, excerpt, session.day)
    task = Task(drill, passage, coaching.rung_bpm(excerpt))
    return replace(session, coaching=coaching, state=Ready(turn, task))


def reopened(session: Session, task: Task) -> tuple[Session, Task]:
    """The task after day or drill have changed; a tempo off the rung stays, as near as the goal allows."""
    at_rung = task.tempo_bpm == session.coaching.rung_bpm(task.excerpt)
    coaching = session.coaching.opened(task.drill, task.excerpt, session.day)
    kept_bpm = min(task.tempo_bpm, goal_of(task.drill, task.excerpt))
    task = replace(task, tempo_bpm=coaching.rung_bpm(task.excerpt) if at_rung else kept_bpm)
    return replace(session, coaching=coaching), task


def met_today(session: Session, task: Task) -> tuple[Session, Task]:
    """Into a new practice day the rungs are read anew, as on any other."""
    today = practice_day(session.now_ms, session.utc_offset_min)
    return reopened(replace(session, day=today), task) if today > session.day else (session, task)


def begin(session: Session, turn: Turn, task: Task, *, runs_on: bool = False) -> After:
    """The count-in starts."""
    session, task = met_today(session, task)
    playing = _playing(session, turn, task, runs_on=runs_on)
    start = StartRep(task.drill, task.passage, task.tempo_bpm, next_bpm=playing.next_bpm)
    return replace(session, state=playing), (start,)


def _playing(session: Session, turn: Turn, task: Task, *, runs_on: bool = False) -> Playing:
    """The repetition that starts now. In a round what the turn has left follows on its grid as long as it is clean."""
    playing = Playing(turn, task, session.now_ms, runs_on=runs_on)
    clean = rep_of(session, playing, ())
    in_round = not runs_on and session.pause_s == 0 and turn.item.purpose is not Purpose.COLD
    if_clean = session.coaching.if_clean(task.drill, task.excerpt, turn, clean)
    return replace(playing, if_clean=if_clean, in_round=in_round)


def play_on(rated: Rating, after: After) -> After:
    """After a rating in the bar of clicks: the repetition that it counts in, where it is still what comes next."""
    session, (saved, *rest) = after
    match session.state:
        case Ready(turn, task) if _counted_in(session, rated, turn, task):
            playing = _playing(session, turn, task)
            news = tuple(effect for effect in rest if isinstance(effect, Tell))
            return replace(session, state=playing), (saved, *news, PlayOn(playing.next_bpm))
    return session, (saved, Silence(), *rest)


def _counted_in(session: Session, rated: Rating, turn: Turn, task: Task) -> bool:
    """Whether a task is what the bar of clicks after a repetition counts in, on the same day."""
    same = (turn.id, task.excerpt) == (rated.turn.id, rated.task.excerpt)
    today = practice_day(session.now_ms, session.utc_offset_min) == session.day
    return same and task.tempo_bpm == rated.next_bpm and today and not rated.marks.faults


def rate(session: Session, state: Ready | Rating, faults: tuple[Fault, ...]) -> After:
    """Save a repetition with its results and go on as the coaching says."""
    session, rep = with_rep(session, state, faults)
    suggested = () if isinstance(state, Ready) else state.marks.suggested
    played = Played(rep, state.task, state.turn, session.coaching, suggested=suggested)
    return _ruled(session, len(session.played), played, SaveRep(rep, state.task.passage.logged))


def amend(session: Session, state: Amending, faults: tuple[Fault, ...]) -> After:
    """Save other results of a saved repetition and go on as if they had been the first."""
    played = session.played[state.number]
    session, corrected = with_correction(session, played.rep, faults)
    return _ruled(session, state.number, replace(played, rep=played.rep.rated_as(faults)), corrected)


def _ruled(session: Session, number: int, played: Played, saved: SaveRep | Save) -> After:
    """What follows from a rated repetition, which takes that number in the session."""
    task, rep = played.task, played.rep
    ruling = played.coaching.rated(task.drill, task.excerpt, played.turn, rep)
    ending = ruling.then.ending if isinstance(ruling.then, Over) else Ending.DONE
    played = replace(played, step=ruling.step, ending=ending)
    others = session.played
    session = replace(
        session, coaching=ruling.coaching, played=(*others[:number], played, *others[number + 1 :])
    )
    turn = replace(played.turn, reps=(*played.turn.reps, rep))
    match ruling.then:
        case Stay(tempo_bpm, release):
            ready = Ready(turn, replace(task, tempo_bpm=tempo_bpm, heard=False))
            relieved = (Tell(notices.relieved(release)),) if release else ()
            return replace(session, state=ready), (saved, *relieved, AutoGo(session.pause_s))
        case Instead(excerpt, release):
            change = notices.Plain.WHOLE_AGAIN if release is Release.BACK else notices.relieved(release)
            easier = Task(task.drill, passage_of(task.drill, excerpt), session.coaching.rung_bpm(excerpt))
            return replace(session, state=Ready(turn, easier)), (saved, Tell(change))
        case Over():
            before = replace(session, coaching=played.coaching)
            expected = None if ending is Ending.LEFT else _following(before, turn)
            session, entered = enter(session, turn.number + 1)
            goes_on = expected is not None and _stands_ready(session, expected)
            return session, (saved, *entered, *((AutoGo(session.pause_s),) if goes_on else ()))


def announced(session: Session) -> PlanItem | None:
    """What is expected to follow the turn, from the clicks before its last repetition on.

    Where it does follow, its count-in begins without a key of its own.
    """
    match session.state:
        case Playing(turn, if_clean=if_clean, runs_on=False):
            next_bpm = 0
        case Rating(turn, if_clean=if_clean, next_bpm=next_bpm):
            pass
        case _:
            return None
    ends = isinstance(if_clean, Over) or (next_bpm and session.coaching.reps_left(turn) <= 2)
    return _following(session, turn) if ends else None


def _following(session: Session, turn: Turn) -> PlanItem | None:
    """The plan's next item, but not where the player gets ready first: a phrase to begin, a cold repetition, rest."""
    following = session.coaching.next_item(turn.number + 1)
    if following is None or session.pause_s > 0:
        return None
    return None if _waits(following[1]) else following[1]


def _waits(item: PlanItem) -> bool:
    return item.excerpt is None or item.purpose in (Purpose.BEGIN, Purpose.COLD)


def _stands_ready(session: Session, expected: PlanItem) -> bool:
    """Whether what was chosen is what was announced, and needs no key either."""
    match session.state:
        case Ready(turn):
            return turn.item.excerpt == expected.excerpt and not _waits(turn.item)
    return False


def with_notice(number: int, after: After) -> After:
    """With a notice of what a rating brought right after it is saved."""
    session, (saved, *rest) = after
    played, music = session.played[number], session.music
    rep, faults = played.rep, played.rep.faults or ()
    back_bpm = 0
    if music is not None and music.turn.id == rep.turn:
        back_bpm = music.task.tempo_bpm if faults and rep.tempo_bpm > rep.rung_bpm else 0
    title = played.task.name
    if music is not None and music.task.name == title:
        title = ""
    return session, (saved, Tell(notices.Saved(faults, played.step, back_bpm, title, played.ending)), *rest)


def keep(session: Session, state: State) -> After:
    """What becomes of a repetition that waits for its rating when the player goes elsewhere: it is kept.

    With something marked it is saved as marked; without, as unrated, since silence is not clean. One that was taken
    back keeps the marks that stand.
    """
    match state:
        case Paused(back):
            return keep(session, back)
        case Rating(marks=marks):
            if any(fault.result.fails for fault in marks.faults):
                session, effects = rate(session, state, marks.faults)
                return session, effects[:1]
            session, saved = with_unrated(session, state)
            return session, (saved,)
        case Amending(_, _, number, marks) if marks.faults or session.played[number].rep.rated:
            session, effects = amend(session, state, marks.faults)
            return session, effects[:1]
    return session, ()
