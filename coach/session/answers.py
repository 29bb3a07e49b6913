"""An answers file: practice done away from the computer, one line a repetition in the plan's order.

    day 2026-12-03            the lines below belong to this practice day
    clean                     the repetition that the plan asks for was clean
    choked 2 5 lift           events 2 and 5 choked, because of the lift
    late 3; dropped 1         several results of one repetition
    at lantern/bass 60 clean  what was played where it is not what the plan asks (also on a line of its own before);
                              without a tempo at the rung of that excerpt;
                              DRILL/PHRASE/LAYER, as `coach plan` writes it, where several drills have such a phrase
    skip                      go on to the plan's next item
    stop                      the day's practice ends

Empty lines and what follows # are passed over. Labels are the numbers of the events on the screen. Each item of the
plan takes as many lines as it has repetitions, whatever their results: no release, and no turn that ends early.
"""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Literal

from coach.ground.days import day_from
from coach.ground.digits import whole_number
from coach.ground.problem import CoachError, Problem
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt, Kind, Passage, layer_choices, passage_of
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import Fault, causes_of, examples
from coach.rating.table import RESULTS, Result
from coach.session.events import ChooseExcerpt, Go, Rated, Skip, Stop
from coach.session.host import Practice, rep_seconds
from coach.session.machine import Phase

LARGEST_BYTES = 1_000_000
MOST_PROBLEMS = 100
LONGEST_SHOWN = 200
_ALLOWED = f"clean, {examples()}, skip, stop, day YYYY-MM-DD, or at PHRASE/LAYER [TEMPO] before a result"
_FIRST_WORDS = ("clean", *(row.word.split()[0] for row in RESULTS))
_WORDS = (*_FIRST_WORDS, "stop", "skip", "day", "at")
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class At:
    """What was played instead of what the plan asked."""

    phrase: str
    layer: str
    tempo_bpm: int | None = None
    """None: at the rung of that excerpt."""


@dataclass(frozen=True, slots=True)
class Answer:
    """One line of an answers file."""

    line: int
    kind: Literal["rep", "day", "stop", "skip"]
    text: str
    faults: tuple[Fault, ...] = ()
    at: At | None = None
    day: date | None = None


def load_answers(path: str) -> list[Answer]:
    """Read and check an answers file (`-` is standard input); CoachError with every problem found."""
    import sys

    try:
        data = sys.stdin.buffer.read(LARGEST_BYTES + 1) if path == "-" else _read(Path(path))
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise CoachError(Problem("is not UTF-8 text", path, guess="an answers file is plain text")) from None
    if len(data) > LARGEST_BYTES:
        raise CoachError(Problem(f"is larger than {LARGEST_BYTES:,} bytes", path))
    return read_answers(text, path)


def _read(path: Path) -> bytes:
    try:
        if os.path.isdir(path):
            raise CoachError(Problem("is a folder; an answers file is needed", str(path)))
        with path.open("rb") as file:
            return file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise CoachError(Problem("there is no such answers file", str(path))) from None
    except OSError as error:
        raise CoachError(Problem(f"can't be read: {(error.strerror or '').lower()}", str(path))) from None


def read_answers(text: str, where: str) -> list[Answer]:
    """Answers from text; CoachError with every problem found."""
    answers: list[Answer] = []
    problems: list[Problem] = []
    pending: At | None = None
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        try:
            answer, pending = _parse(line, number, pending)
        except ValueError as error:
            message, _, guess = str(error).partition("|")
            problems.append(Problem(message, where, number, 1, guess, source_line=raw[:LONGEST_SHOWN]))
            if len(problems) >= MOST_PROBLEMS:
                problems.append(Problem("and more; mend these first", where))
                raise CoachError(problems) from None
            continue
        if answer:
            answers.append(answer)
    if pending is not None:
        problems.append(
            Problem(
                f"at {pending.phrase}/{pending.layer} is followed by no result", where, guess="add clean?"
            )
        )
    if problems:
        raise CoachError(problems)
    return answers


def _parse(line: str, number: int, pending: At | None) -> tuple[Answer | None, At | None]:
    whole = line
    word, _, rest = line.partition(" ")
    rest = rest.strip()
    if word == "at":
        if pending:
            raise ValueError("two at lines follow each other without a result between them")
        pending, rest = _at(rest)
        if not rest:
            return None, pending
        line = rest
        word = line.split()[0]
    if word in ("stop", "skip", "day") and pending:
        raise ValueError(f"at {pending.phrase}/{pending.layer} is followed by {word}, not by a result")
    if word == "day":
        return Answer(number, "day", line, day=_day(rest)), None
    if line in ("stop", "skip"):
        return Answer(number, "stop" if line == "stop" else "skip", line), None
    return Answer(number, "rep", whole, _results(line), pending), None


def _day(text: str) -> date:
    try:
        return day_from(text)
    except ValueError as error:
        raise ValueError(f"{error}|day 2026-12-03, year first?") from None


def _at(text: str) -> tuple[At, str]:
    """What was played, and the result beside it, if one stands there. A layer's name may have spaces."""
    phrase, _, after = text.rpartition("/")
    phrase = phrase.strip()
    words = after.split()
    result = next((n for n, word in enumerate(words) if n and _is_result(word)), len(words))
    tempo = next((n for n in range(result - 1, 0, -1) if _NUMBER.fullmatch(words[n])), None)
    layer = " ".join(words[: result if tempo is None else tempo])
    rest = " ".join(words[result if tempo is None else tempo + 1 :])
    if not phrase or not layer or phrase.count("/") > 1 or layer[0].isdecimal():
        found = f"found at {text!r}" if text else "found at alone"
        place = text.split("/")[0].split() or ["PHRASE"]
        raise ValueError(
            f"{found}, expected at PHRASE/LAYER, the tempo where it was not the rung, and a result|"
            f"at {place[0]}/together 60 clean?"
        )
    if tempo is None:
        return At(phrase, layer), rest
    bpm = whole_number(words[tempo]) or 0
    if not MIN_BPM <= bpm <= MAX_BPM:
        raise ValueError(
            f"{words[tempo][:40]} bpm is outside {MIN_BPM} to {MAX_BPM}, in whole numbers|"
            f"at {phrase}/{layer} alone is at its rung"
        )
    return At(phrase, layer, bpm), rest


def _is_result(word: str) -> bool:
    """Whether a word begins a result, or is one slip away from it."""
    word = word.rstrip(";")
    return word in _WORDS or bool(difflib.get_close_matches(word, _FIRST_WORDS, n=1, cutoff=0.75))


def _results(line: str) -> tuple[Fault, ...]:
    if line == "clean":
        return ()
    faults: dict[int, Fault] = {}
    for part in line.split(";"):
        words = part.split()
        for fault in _faults(*_result(words)):
            if fault.label in faults:
                raise ValueError(f"event {fault.label} has two results|one of them?")
            faults[fault.label] = fault
    return tuple(sorted(faults.values()))


def _result(words: list[str]) -> tuple[Result, list[str]]:
    """The result that a part of a line begins with, and the words after it."""
    if not words:
        raise ValueError("found nothing beside a semicolon, expected a result on each side")
    for row in RESULTS:
        name = row.word.split()
        if words[: len(name)] == name:
            return row, words[len(name) :]
    if words == ["clean"]:
        raise ValueError("clean stands alone: a repetition with a fault is not clean")
    near = difflib.get_close_matches(words[0], _WORDS, n=1, cutoff=0.5)
    guess = next((row.word for row in RESULTS if near and row.word.startswith(near[0])), "".join(near))
    raise ValueError(f"found {words[0]!r}, expected {_ALLOWED}|{guess + '?' if guess else ''}")


def _faults(result: Result, words: Sequence[str]) -> list[Fault]:
    causes = {row.word: row for row in causes_of(result)}
    cause = causes.get(words[-1]) if words else None
    if cause:
        words = words[:-1]
    if not words:
        raise ValueError(f"{result.word} says no event|{result.word} 2 5, with the labels of the events?")
    faults = []
    for word in words:
        match = re.fullmatch(r"(\d{1,5})(?:\.(\d{1,2}))?,?", word)
        if match is None or int(match[1]) < 1:
            near = difflib.get_close_matches(word, causes, n=1)
            hint = f"{near[0]}?" if near else "labels are the numbers on the screen, from 1"
            allowed = " or one of ".join(["an event's label", *filter(None, [", ".join(causes)])])
            raise ValueError(f"found {word!r}, expected {allowed}|{hint}")
        faults.append(Fault(int(match[1]), result, cause, int(match[2] or 0)))
    return faults


def check_days(answers: Sequence[Answer], where: str, today: date) -> None:
    """CoachError with every day that is yet to come: practice is entered after it was done."""
    problems = [
        Problem(
            f"{answer.day} is yet to come; today is {today}",
            where,
            answer.line,
            1,
            f"day {_past(answer.day, today)}?",
            source_line=answer.text,
        )
        for answer in answers
        if answer.day and answer.day > today
    ]
    if problems:
        raise CoachError(problems)


def _past(day: date, today: date) -> date:
    """The day that was meant: today where it is near, else the latest such day that is past (the year was the slip)."""
    if (day - today).days <= 31:
        return today
    for year in (today.year, today.year - 1):
        with suppress(ValueError):  # 29 February
            if day.replace(year=year) <= today:
                return day.replace(year=year)
    return today


@dataclass
class HandClock:
    """A clock that moves only when told: UTC in ms and the local offset in minutes."""

    now_ms: int
    utc_offset_min: int

    def __call__(self) -> tuple[int, int]:
        return self.now_ms, self.utc_offset_min

    def advance(self, seconds: float) -> None:
        self.now_ms += round(seconds * 1000)


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
        if answer.kind == "day":
            _end(practice, clock, tell)
            practice = None
            assert answer.day is not None
            set_day(answer.day)
            continue
        if practice is None or practice.session.phase is Phase.DONE:
            another = practice is not None
            if practice is not None:
                tell(practice)
            practice = begin()
            if another:
                practice.messages.append(
                    "The plan was done; the next lines are on a new plan of the same day."
                )
        _rest(practice, clock)
        if practice.session.phase is Phase.DONE:
            raise _fault(answer, where, "the plan of this day holds nothing to practise", "another day?")
        if answer.kind == "stop":
            _end(practice, clock, tell)
            practice = None
        elif answer.kind == "skip":
            practice.send(Skip(at_ms=clock.now_ms))
        else:
            _play(practice, answer, where, clock)
    _end(practice, clock, tell)


def _rest(practice: Practice, clock: HandClock) -> None:
    while practice.session.phase is Phase.REST:
        item = practice.session.item
        clock.advance(60 * (item.minutes if item else 0))
        practice.send(Go(at_ms=clock.now_ms))


def _end(practice: Practice | None, clock: HandClock, tell: Callable[[Practice], None]) -> None:
    if practice is None:
        return
    practice.send(Stop(at_ms=clock.now_ms))
    tell(practice)


def _play(practice: Practice, answer: Answer, where: str, clock: HandClock) -> None:
    if answer.at:
        chosen = _chosen(practice.session.drills.values(), answer, where)
        practice.send(ChooseExcerpt(at_ms=clock.now_ms, excerpt=chosen))
    passage = practice.session.passage
    assert passage is not None
    for fault in answer.faults:
        if fault.label > len(passage.events):
            what = _described(passage)
            message = f"event {fault.label} is outside 1 to {len(passage.events)}, the events of {what}"
            raise _fault(answer, where, message, "" if answer.at else _way_out(practice, fault, answer))
        if fault.note > len(passage.event(fault.label).notes):
            raise _fault(answer, where, f"event {fault.label} has no note {fault.note}", "")
    tempo_bpm = (answer.at and answer.at.tempo_bpm) or practice.session.tempo_bpm
    clock.advance(rep_seconds(passage, tempo_bpm) + practice.settings.pause_s)
    index = practice.session.index
    practice.send(Rated(at_ms=clock.now_ms, faults=answer.faults, tempo_bpm=tempo_bpm))
    item = practice.session.item
    if answer.at and practice.session.index == index and item is not None and item.excerpt is not None:
        practice.send(ChooseExcerpt(at_ms=clock.now_ms, excerpt=item.excerpt))
    if practice.unsaved:
        raise CoachError(Problem(practice.messages[-1], where, answer.line))


def _described(passage: Passage) -> str:
    """What a line is about: title, layer, and the kind of excerpt where it is not the whole phrase."""
    excerpt = passage.excerpt
    kind = "" if excerpt.kind is Kind.PHRASE else f" ({excerpt.kind.value})"
    return f"{passage.title}, {excerpt.layer}{kind}{', easier version' if excerpt.easier else ''}"


def _way_out(practice: Practice, fault: Fault, answer: Answer) -> str:
    """The likely slip where a label is outside: the whole phrase was played, or another repetition than asked."""
    session = practice.session
    assert session.drill is not None
    assert session.excerpt is not None
    phrase, layer = session.excerpt.phrases[0], session.excerpt.layer
    whole = passage_of(session.drill, Excerpt(session.drill.id, (phrase,), layer))
    if fault.label <= len(whole.events):
        return f"the whole phrase? at {phrase}/{layer} {answer.text}"
    return "another repetition than the plan's? say which, and its tempo unless it was the rung: " + (
        f"at PHRASE/{layer} 60 {answer.text}"
    )


def _chosen(drills: Iterable[Drill], answer: Answer, where: str) -> Excerpt:
    at = answer.at
    assert at is not None
    phrases = [(drill, phrase) for drill in drills for phrase in drill.phrases]
    named = [(drill, phrase) for drill, phrase in phrases if at.phrase in (phrase.id, phrase.name)]
    if not named:
        named = [(drill, phrase) for drill, phrase in phrases if at.phrase == f"{drill.id}/{phrase.id}"]
    if not named:
        known = [phrase.id for _, phrase in phrases]
        near = difflib.get_close_matches(at.phrase, known, n=1)
        raise _fault(
            answer,
            where,
            f"no phrase {at.phrase!r}; there are {', '.join(known[:12])}",
            near[0] if near else "",
        )
    if len(named) > 1:
        written = ", ".join(f"{drill.id}/{phrase.id}" for drill, phrase in named)
        raise _fault(answer, where, f"several drills have a phrase {at.phrase!r}", f"write one of {written}")
    drill, phrase = named[0]
    choices = layer_choices(phrase)
    if at.layer not in choices:
        raise _fault(answer, where, f"{phrase.id} has no layer {at.layer!r}; it has {', '.join(choices)}", "")
    return Excerpt(drill.id, (phrase.id,), at.layer)


def _fault(answer: Answer, where: str, message: str, guess: str) -> CoachError:
    more = "nothing of this file is logged yet"
    return CoachError(Problem(f"{message}; {more}", where, answer.line, 1, guess, source_line=answer.text))
