"""Answers files entered into sessions, each once.

The log remembers what was entered, so that to enter the same file twice is harmless: an entry of kind `answers` holds
the `digest` of the file's lines, of the day on which those before any `day` line were meant, and of the drills that
were named; how many `reps` of each drill (its id) came of it; and the id of the `last`. It is written before them.
"""

from __future__ import annotations

import difflib
import hashlib
import json
import sys
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date

from coach.folder.actions import Phase
from coach.ground.frozen import frozen
from coach.ground.problem import CoachError, Problem
from coach.log.entries import DAY_MS, Entry, day_left_ms
from coach.log.log import Log
from coach.music.clicktrack import rep_seconds
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt
from coach.music.passages import passage_of
from coach.rating.fault import Fault, faults_text
from coach.session.answers import Answer, At, DayLine, Line, RepLine
from coach.session.events import ChooseExcerpt, Go, Rated, Skip, Stop
from coach.session.host import Practice
from coach.session.notices import Plain
from coach.session.states import Ready, Rest, Task
from coach.words.names import excerpt_name
from coach.words.stretch import excerpt_at, layers_at, place_text

BEGUN_BEFORE_MS = 3 * 3_600_000
"""So long before the present the practice of today that is entered begins."""
LAST_MS = 600_000
STEPS_AT_THE_END = 200


def digest_of(answers: Sequence[Answer], today: date, drills: Sequence[str]) -> str:
    """What a file says, whatever its spaces and comments, about which day and drills: 32 hexadecimal digits."""
    undated = "" if answers and isinstance(answers[0], DayLine) else today.isoformat()
    lines = [json.dumps([undated, *sorted(drills)]), *map(_meant, answers)]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:32]


def _meant(answer: Answer) -> str:
    match answer:
        case RepLine(_, _, faults, at):
            return (
                f"rep {json.dumps((at.phrase, at.layer, at.tempo_bpm) if at else ())} {faults_text(faults)}"
            )
        case DayLine(_, _, day):
            return f"day {day}"
        case _:
            return answer.text


@frozen
class Entered:
    """A file that was entered earlier, with how many repetitions, and whether the last of them is in the log."""

    entry: Entry
    reps: int
    whole: bool


def entered_before(log: Log, digest: str) -> Entered | None:
    """What is known of a file with this digest; None where it is new."""
    for entry in log.entries("answers"):
        try:
            if entry.body["digest"] == digest:
                whole = log.original(entry.body["last"]) is not None
                return Entered(entry, sum(entry.body["reps"].values()), whole)
        except (KeyError, TypeError, AttributeError):
            continue  # A log may come from a program that wrote other bodies.
    return None


@dataclass
class HandClock:
    """A clock that moves only when told, and never out of its practice day: UTC in ms, the local offset in minutes."""

    now_ms: int
    utc_offset_min: int
    present_ms: int = sys.maxsize
    """It does not go beyond this either: what is entered was played."""

    def __call__(self) -> tuple[int, int]:
        return self.now_ms, self.utc_offset_min

    def advance(self, seconds: float) -> None:
        """Move on, in the last minutes by ever smaller steps."""
        left_ms = min(day_left_ms(self.now_ms, self.utc_offset_min), max(self.present_ms - self.now_ms, 0))
        step_ms = round(seconds * 1000)
        self.now_ms += step_ms if step_ms < left_ms - LAST_MS else left_ms // STEPS_AT_THE_END


def hours_before(present_ms: int, utc_offset_min: int) -> HandClock:
    """A clock at which practice that ended by now may have begun, in the practice day of now."""
    day_ms = DAY_MS - day_left_ms(present_ms, utc_offset_min)
    return HandClock(present_ms - min(BEGUN_BEFORE_MS, day_ms), utc_offset_min, present_ms)


def enter(
    answers: Sequence[Answer],
    where: str,
    clock: HandClock,
    begin: Callable[[], Practice],
    set_day: Callable[[date], None],
    tell: Callable[[Practice], None],
) -> None:
    """Carry out answers: sessions one after another, each on the plan of its day.

    `begin` makes a session on the plan of the clock's day, `set_day` moves the clock, `tell` is called with each
    session that ended. When a plan is done and lines go on, a new plan of the same day follows. A line that does not
    fit what it is about raises CoachError; the caller decides what becomes of the lines before it.
    """
    practice: Practice | None = None
    for answer in answers:
        if isinstance(answer, DayLine):
            _end(practice, tell)
            practice = None
            set_day(answer.day)
            continue
        if practice is None:
            practice = begin()
        elif practice.session.phase is Phase.DONE:
            tell(practice)
            practice = begin()
            practice.notices.append(Plain.ANOTHER_PLAN)
        ready = _ready(practice, clock)
        if ready is None:
            raise _error(answer, where, "the plan of this day holds nothing to practise", "another day?")
        match answer:
            case RepLine():
                _play(practice, ready, answer, where, clock)
            case Line(text="skip"):
                practice.send(Skip())
            case _:
                _end(practice, tell)
                practice = None
    _end(practice, tell)


def _ready(practice: Practice, clock: HandClock) -> Ready | None:
    """What stands ready once tuning and breaks are over; None at the plan's end."""
    while isinstance(state := practice.session.state, Rest):
        clock.advance(60 * state.turn.item.minutes)
        practice.send(Go())
    return state if isinstance(state, Ready) else None


def _end(practice: Practice | None, tell: Callable[[Practice], None]) -> None:
    if practice is not None:
        practice.send(Stop())
        tell(practice)


def _play(practice: Practice, ready: Ready, answer: RepLine, where: str, clock: HandClock) -> None:
    if answer.at:
        practice.send(ChooseExcerpt(_chosen(practice.session.drills.values(), answer, answer.at, where)))
        ready = _ready(practice, clock) or ready
    passage = ready.task.passage
    for fault in answer.faults:
        if fault.label > len(passage.events):
            what = excerpt_name(passage.excerpt, passage.title)
            message = f"event {fault.label} is outside 1 to {len(passage.events)}, the events of {what}"
            raise _error(answer, where, message, "" if answer.at else _way_out(ready.task, fault, answer))
        if fault.note > len(passage.event(fault.label).notes):
            raise _error(answer, where, f"event {fault.label} has no note {fault.note}", "")
    tempo_bpm = (answer.at and answer.at.tempo_bpm) or ready.task.tempo_bpm
    clock.advance(rep_seconds(passage, tempo_bpm) + practice.settings.pause_s)
    practice.send(Rated(answer.faults, tempo_bpm))
    state, asked = practice.session.state, ready.turn.item.excerpt
    if answer.at and asked and isinstance(state, Ready) and state.turn.id == ready.turn.id:
        practice.send(ChooseExcerpt(asked))
    if practice.unsaved:
        raise CoachError(Problem(str(practice.notices[-1]), where, answer.line))


def _way_out(task: Task, fault: Fault, answer: Answer) -> str:
    """The likely slip where a label is outside: the whole phrase was played, or another repetition than asked."""
    phrase, layer = task.excerpt.phrases[0], task.excerpt.layer
    whole = passage_of(task.drill, Excerpt(task.drill.id, (phrase,), layer))
    if fault.label <= len(whole.events):
        return f"the whole phrase? at {phrase}/{layer} {answer.text}"
    return "another repetition than the plan's? say which, and its tempo unless it was the rung: " + (
        f"at PHRASE/{layer} 60 {answer.text}"
    )


def _chosen(drills: Collection[Drill], answer: Answer, at: At, where: str) -> Excerpt:
    """The excerpt that a line names: a phrase, a run of phrases, a join or the piece, in one of its layers."""
    named: list[tuple[Drill, Excerpt]] = []
    texts: list[str] = []
    for drill in drills:
        texts += [phrase.id for phrase in drill.phrases]
        with suppress(KeyError):
            named.append((drill, excerpt_at(drill, at.phrase.removeprefix(f"{drill.id}/"))))
    if not named:
        near = difflib.get_close_matches(at.phrase, texts, n=1)
        if at.phrase in {drill.id for drill in drills}:
            near = [f"a drill's phrase? at {at.phrase}/{at.layer}/together"]
        known = (
            f"there are {', '.join(texts[:12])}, A..B for a run, A+B for a join, NODE in PHRASE, and piece"
        )
        raise _error(answer, where, f"no phrase {at.phrase!r}; {known}", near[0] if near else "")
    if len(named) > 1:
        written = ", ".join(f"{drill.id}/{place_text(drill, excerpt)}" for drill, excerpt in named)
        raise _error(answer, where, f"several drills have a phrase {at.phrase!r}", f"write one of {written}")
    drill, excerpt = named[0]
    choices = layers_at(drill, excerpt)
    if at.layer not in choices:
        place = place_text(drill, excerpt)
        raise _error(answer, where, f"{place} has no layer {at.layer!r}; it has {', '.join(choices)}", "")
    chosen = replace(excerpt, layer=at.layer)
    try:
        passage_of(drill, chosen)
    except KeyError:
        message = f"{place_text(drill, excerpt)} is not in the layer {at.layer!r}"
        raise _error(answer, where, message, "") from None
    return chosen


def _error(answer: Answer, where: str, message: str, guess: str) -> CoachError:
    more = "nothing of this file is logged yet"
    return CoachError(Problem(f"{message}; {more}", where, answer.line, 1, guess, source_line=answer.text))
