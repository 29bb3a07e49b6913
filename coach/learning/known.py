"""What players say that they play already: `I play this at about N`, logged as an entry and taken in as a prior.

An entry of kind `known` holds the drill's id, `bpm` (0 takes the word back), `goal_bpm`, the `phrase` that it is about
(empty for the whole drill), and the passages of these phrases as the log writes them. Of each drill or phrase the
latest entry counts. It is taken in at its place among the repetitions, as so many clean passes at that tempo as bring
the reading near it: enough to begin there, and as easily corrected as a few passes are.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from dataclasses import replace

from coach.ground.codec import UnfitError, plain_of, value_of
from coach.ground.frozen import frozen
from coach.learning.rung import reading
from coach.learning.skill import EventKeys, Skill, Slips, event_keys, view
from coach.log.entries import Entry
from coach.music.excerpt import Excerpt, LoggedPassage, Passage
from coach.music.rhythm import MAX_BPM

NEAR_BPM = 0.95
"""The reading is near enough at this part of the tempo that was named."""
MOST_PASSES = 8
WORD_SD = 0.1
"""Deviation, in ln bpm, of a word that is slower than the estimate."""


@frozen
class Known:
    """One such word: from when, of which excerpts, at which tempo."""

    id: str
    day: int
    bpm: int
    goal_bpm: int
    excerpts: tuple[tuple[Excerpt, tuple[EventKeys, ...]], ...]


def known_body(
    drill: str, phrase: str, bpm: int, goal_bpm: int, passages: Sequence[Passage]
) -> dict[str, object]:
    """The body of an entry; `bpm` 0 takes back what was said of this drill or phrase."""
    logged = [plain_of(passage.logged) for passage in passages] if bpm else []
    return {"drill": drill, "phrase": phrase, "bpm": bpm, "goal_bpm": goal_bpm, "passages": logged}


def known_of(entries: Iterable[Entry]) -> tuple[Known, ...]:
    """The words that count, in the order in which they were said; entries that can't be read are passed over."""
    latest: dict[tuple[str, str], Known | None] = {}
    for entry in sorted(entries, key=lambda entry: (entry.day, entry.id)):
        try:
            latest[entry.body["drill"], entry.body["phrase"]] = _known(entry)
        except (KeyError, TypeError, ValueError, UnfitError):
            continue  # A log may come from a program that wrote other bodies.
    return tuple(sorted((one for one in latest.values() if one), key=lambda one: (one.day, one.id)))


def _known(entry: Entry) -> Known | None:
    bpm, goal_bpm = int(entry.body["bpm"]), int(entry.body["goal_bpm"])
    passages = [value_of(LoggedPassage, plain) for plain in entry.body["passages"]]
    if not passages or not (0 < bpm <= MAX_BPM and 0 < goal_bpm <= MAX_BPM):
        return None
    excerpts = tuple((Excerpt.parse(passage.excerpt), event_keys(passage)) for passage in passages)
    return Known(entry.id, entry.day.toordinal(), bpm, goal_bpm, excerpts)


def digest_of(known: Sequence[Known]) -> str:
    """What the words say, in 16 hexadecimal digits; empty where there are none."""
    return hashlib.sha256(repr(known).encode()).hexdigest()[:16] if known else ""


def taken_in(
    skill: Skill, passages: Sequence[tuple[EventKeys, ...]], bpm: int, slips: Slips, day: int
) -> None:
    """Bring the readings of passages near a tempo; nothing of it counts as a result or a slip."""
    aside, recent = replace(slips), {key: term.recent for key, term in skill.terms.items()}
    todays = {key: term.today for key, term in skill.terms.items() if term.day == day}
    for _ in range(MOST_PASSES):
        slow = [keys for keys in passages if _reading(skill, keys, slips, day) < NEAR_BPM * bpm]
        if not slow:
            break
        for keys in slow:
            skill.observe(keys, math.log(bpm), {}, day, aside)
    read = sum(math.log(_reading(skill, keys, slips, day)) for keys in passages) / len(passages)
    if read > math.log(bpm):
        gain = skill.level.variance / (skill.level.variance + WORD_SD**2)
        skill.level.mean += gain * (math.log(bpm) - read)
    for keys in passages:
        skill.practise(keys, 0, day)
    for key, term in skill.terms.items():
        term.recent, term.today = recent.get(key, 1), todays.get(key, 0)


def _reading(skill: Skill, keys: tuple[EventKeys, ...], slips: Slips, day: int) -> int:
    harmonics = sum(bool(node) for node, *_ in keys)
    return reading(view(skill.rows(keys), skill.level, slips.lapse, day).middle, harmonics, MAX_BPM)
