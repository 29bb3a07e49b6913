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
import re
import sys
from collections.abc import Sequence
from contextlib import suppress
from datetime import date

from coach.ground.days import day_from
from coach.ground.digits import whole_number
from coach.ground.frozen import frozen
from coach.ground.problem import CoachError, Problem, SlipError
from coach.ground.source import FileKind, read_text, stream_text
from coach.music.rhythm import MAX_BPM, MIN_BPM
from coach.rating.fault import Fault, causes_of, examples
from coach.rating.table import RESULTS, Result

ANSWERS_FILE = FileKind(file="an answers file")
MOST_PROBLEMS = 100
LONGEST_SHOWN = 200
_ALLOWED = f"clean, {examples()}, skip, stop, day YYYY-MM-DD, or at PHRASE/LAYER [TEMPO] before a result"
_FIRST_WORDS = ("clean", *(row.word.split()[0] for row in RESULTS))
_WORDS = (*_FIRST_WORDS, "stop", "skip", "day", "at")
_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?")


@frozen
class At:
    """What was played instead of what the plan asked."""

    phrase: str
    layer: str
    tempo_bpm: int | None = None
    """None: at the rung of that excerpt."""


@frozen
class Line:
    """One line of an answers file: its number, from 1, and its text, `skip` or `stop` where it is no other."""

    line: int
    text: str


@frozen
class AtLine(Line):
    """A line that names what was played; its result is on the next."""

    at: At


@frozen
class RepLine(Line):
    """A repetition; `at` where it was not what the plan asks."""

    faults: tuple[Fault, ...] = ()
    at: At | None = None


@frozen
class DayLine(Line):
    """The lines below belong to this practice day."""

    day: date


Answer = RepLine | DayLine | Line


class LineError(SlipError):
    """What is wrong with a line, at the last place where these words stand in it; without any, at its beginning."""

    def __init__(self, message: str, guess: str = "", at: str = "") -> None:
        super().__init__(message, guess)
        self.at = at

    def problem(self, where: str, number: int, line: str) -> Problem:
        places = re.finditer(rf"(?<![^\s;]){re.escape(self.at)}(?![^\s;,])", line) if self.at else ()
        column = 1 + max((place.start() for place in places), default=len(line) - len(line.lstrip()))
        return Problem(self.message, where, number, column, self.guess, source_line=line[:LONGEST_SHOWN])


def load_answers(path: str) -> list[Answer]:
    """Read and check an answers file (`-` is standard input); CoachError with every problem found."""
    if path == "-":
        return read_answers(stream_text(sys.stdin.buffer, path, ANSWERS_FILE), path)
    return read_answers(read_text(path, ANSWERS_FILE), path)


def read_answers(text: str, where: str) -> list[Answer]:
    """Answers from text; CoachError with every problem found."""
    answers: list[Answer] = []
    problems: list[Problem] = []
    pending: AtLine | None = None
    for number, raw in enumerate(text.splitlines(), 1):
        line = raw.split("#", 1)[0].strip()
        if not line:
            continue
        try:
            answer = _parse(line, number, pending)
            pending = answer if isinstance(answer, AtLine) else None
        except LineError as slip:
            pending = None
            problems.append(slip.problem(where, number, raw))
            if len(problems) >= MOST_PROBLEMS:
                problems.append(Problem("and more; fix these first", where))
                raise CoachError(problems) from None
            continue
        if not isinstance(answer, AtLine):
            answers.append(answer)
    if pending is not None:
        message = f"at {pending.at.phrase}/{pending.at.layer} is followed by no result"
        problems.append(LineError(message, "add clean?").problem(where, pending.line, pending.text))
    if problems:
        raise CoachError(problems)
    return answers


def read_result(text: str, where: str) -> tuple[Fault, ...]:
    """The faults of one repetition; CoachError with what a repetition that was played can be rated as."""
    try:
        return _results(text.strip(), f"clean, {examples()}, unrated, or void")
    except LineError as slip:
        raise CoachError(slip.problem(where, 1, text)) from None


def _parse(line: str, number: int, pending: AtLine | None) -> Answer | AtLine:
    whole, at = line, pending.at if pending else None
    word, _, rest = line.partition(" ")
    rest = rest.strip()
    if word == "at":
        if pending:
            raise LineError("two at lines in a row, without a result between them")
        at, rest = _at(rest)
        if not rest:
            return AtLine(number, whole, at)
        line = rest
        word = line.split()[0]
    if word in ("stop", "skip", "day") and pending:
        raise LineError(f"at {pending.at.phrase}/{pending.at.layer} is followed by {word}, not by a result")
    if word == "day":
        return DayLine(number, line, _day(rest))
    if line in ("stop", "skip"):
        return Line(number, line)
    return RepLine(number, whole, _results(line), at)


def _day(text: str) -> date:
    try:
        return day_from(text)
    except ValueError as error:
        raise LineError(str(error), "day 2026-12-03, year first?", text) from None


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
        written = f"found at {text!r}" if text else "found at alone"
        place = text.split("/")[0].split() or ["PHRASE"]
        named = f"{' '.join(place[:3])} in PHRASE" if place[1:2] == ["on"] else place[0]
        raise LineError(
            f"{written}, expected at PHRASE/LAYER, the tempo where it was not the rung, and a result",
            f"at {named}/together 60 clean?",
            text,
        )
    if tempo is None:
        return At(phrase, layer), rest
    bpm = whole_number(words[tempo]) or 0
    if not MIN_BPM <= bpm <= MAX_BPM:
        raise LineError(
            f"{words[tempo][:40]} bpm is outside {MIN_BPM} to {MAX_BPM}, in whole numbers",
            f"at {phrase}/{layer} alone is at its rung",
            words[tempo],
        )
    return At(phrase, layer, bpm), rest


def _is_result(word: str) -> bool:
    """Whether a word begins a result, or is one slip away from it."""
    word = word.rstrip(";")
    return word in _WORDS or bool(difflib.get_close_matches(word, _FIRST_WORDS, n=1, cutoff=0.75))


def _results(line: str, allowed: str = _ALLOWED) -> tuple[Fault, ...]:
    if line == "clean":
        return ()
    faults: dict[int, Fault] = {}
    for part in line.split(";"):
        words = part.split()
        for fault in _faults(*_result(words, allowed)):
            if fault.label in faults:
                raise LineError(f"event {fault.label} has two results", "one of them?", str(fault.label))
            faults[fault.label] = fault
    return tuple(sorted(faults.values()))


def _result(words: list[str], allowed: str) -> tuple[Result, list[str]]:
    """The result that a part of a line begins with, and the words after it; `allowed` says what a line may be."""
    if not words:
        raise LineError("nothing on one side of a semicolon, expected a result on each side", at=";")
    for row in RESULTS:
        name = row.word.split()
        if words[: len(name)] == name:
            return row, words[len(name) :]
    if words == ["clean"]:
        raise LineError("clean goes alone: a repetition with a fault is not clean", at="clean")
    if words[0] == "clean":
        raise LineError(f"clean is the whole repetition, found {' '.join(words)!r}", "clean alone?", words[1])
    near = difflib.get_close_matches(words[0], _WORDS, n=1, cutoff=0.5)
    guess = next((row.word for row in RESULTS if near and row.word.startswith(near[0])), "".join(near))
    raise LineError(f"found {words[0]!r}, expected {allowed}", guess and f"{guess}?", words[0])


def _faults(result: Result, words: Sequence[str]) -> list[Fault]:
    causes = {row.word: row for row in causes_of(result)}
    cause = causes.get(words[-1]) if words else None
    if cause:
        words = words[:-1]
    if not words:
        raise LineError(
            f"{result.word} names no event", f"{result.word} 2 5, with the labels of the events?", result.word
        )
    faults = []
    for word in words:
        if cause and word in causes:
            raise LineError(
                f"{word} and {cause.word} are two causes, expected one for each mark", f"{word}?", word
            )
        match = re.fullmatch(r"(\d{1,5})(?:\.(\d{1,2}))?,?", word)
        if match is None or int(match[1]) < 1:
            near = difflib.get_close_matches(word, causes, n=1)
            hint = f"{near[0]}?" if near else "labels are the numbers on the screen, from 1"
            allowed = " or one of ".join(["an event's label", *filter(None, [", ".join(causes)])])
            raise LineError(f"found {word!r}, expected {allowed}", hint, word)
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
        if isinstance(answer, DayLine) and answer.day > today
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
