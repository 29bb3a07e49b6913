"""Answers files that were entered: the log remembers each, so that the same one is not logged twice unawares.

An entry of kind `answers` holds what was entered: `digest` of the file's lines, `day` on which the lines before any
`day` line were meant (empty where the file says all its days), the `drills` named, `reps` logged, and the `turns` that
they make up. Another entry with `takes_back`, the id of the first, says that none of them counts any more.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from coach.log.entries import Correction, Entry, Rep
from coach.rating.fault import faults_text
from coach.session.answers import Answer
from coach.store.log import Log
from coach.store.records import iso_time


@dataclass(frozen=True, slots=True)
class About:
    """What the lines of a file were meant for: the same lines may be meant for something else."""

    day: str
    """On which the lines before any `day` line were meant; empty where there are none."""
    drills: tuple[str, ...]
    """Ids of the drills named, sorted; empty where the plan was over all at hand."""

    def __str__(self) -> str:
        return ", ".join(filter(None, [self.day, *self.drills])) or "all drills"


@dataclass(frozen=True, slots=True)
class Entered:
    """An answers file as the log remembers it; `when` is the local time at which it was entered."""

    id: str
    about: About
    reps: int
    turns: frozenset[str]
    when: str


def digest_of(answers: Sequence[Answer]) -> str:
    """What a file says, whatever its spaces and comments: 32 hexadecimal digits."""
    lines = []
    for answer in answers:
        place = (answer.at.phrase, answer.at.layer, answer.at.tempo_bpm) if answer.at else ()
        lines.append(json.dumps([answer.kind, str(answer.day or ""), place, faults_text(answer.faults)]))
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:32]


def undated_day(answers: Sequence[Answer], today: date) -> str:
    """The day on which the lines before any `day` line are meant; empty where there are none."""
    return "" if answers and answers[0].kind == "day" else today.isoformat()


def entered_before(log: Log, digest: str) -> list[Entered]:
    """When these lines were entered and not taken back since, the latest last; on whatever day they were meant."""
    found: dict[str, Entered] = {}
    for entry in log.entries("answers"):
        try:
            body = json.loads(entry.body)
            if "takes_back" in body:
                found.pop(str(body["takes_back"]), None)
            elif body["digest"] == digest:
                when = iso_time(entry.at_ms, entry.utc_offset_min)[:16].replace("T", " ")
                turns = frozenset(map(str, body["turns"]))
                about = About(str(body["day"]), tuple(map(str, body["drills"])))
                found[entry.id] = Entered(entry.id, about, int(body["reps"]), turns, when)
        except (ValueError, KeyError, TypeError):
            continue  # A merged log may come from a program that wrote other bodies.
    return list(found.values())


def body_of(digest: str, about: About, reps: Sequence[Rep]) -> dict[str, Any]:
    """What an entry says about a file of which these repetitions came."""
    turns = list(dict.fromkeys(rep.turn for rep in reps))
    return {
        "digest": digest,
        "day": about.day,
        "drills": list(about.drills),
        "reps": len(reps),
        "turns": turns,
    }


def voiding(
    log: Log, entered: Entered, at_ms: int, offset_min: int, fresh_id: Callable[[int], str]
) -> tuple[list[Correction | Entry], int]:
    """The words that take a file's entering back, to be written together, and how many repetitions they void."""
    words: list[Correction | Entry] = []
    for rep in log.reps():
        if rep.turn in entered.turns:
            # Later than anything said before, even where the clock was set back.
            later = max([at_ms, rep.at_ms, *(word.at_ms + 1 for word in log.corrections(rep.id))])
            words.append(Correction(fresh_id(later), rep.id, later, None, void=True))
    reps = len(words)
    body = json.dumps({"takes_back": entered.id}, sort_keys=True)
    words.append(Entry(fresh_id(at_ms), log.player.id, at_ms, offset_min, "answers", body))
    return words, reps
