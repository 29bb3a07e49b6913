"""Logs for tests: what is practised in them, and records made of fixed ids."""

from __future__ import annotations

import errno
import hashlib
from pathlib import Path
from typing import Any

from coach.ground.codec import plain_of
from coach.log.entries import Entry, Rep, new_id
from coach.log.log import Log
from coach.music.excerpt import LoggedEvent, LoggedPassage
from coach.rating.fault import Fault
from coach.rating.table import CHOKED, DROPPED, LATE, LIFT, NOT_REACHED

NOON = 1_796_299_200_000
"""2026-12-03 12:00 UTC."""
DAY = 86_400_000
A_CHOKE = (Fault(2, CHOKED, LIFT),)
FAULTS = (
    (),
    (),
    A_CHOKE,
    (Fault(3, LATE),),
    (Fault(1, DROPPED), Fault(2, CHOKED)),
    (Fault(3, NOT_REACHED),),
    None,
)


def passage_named(name: str = "lantern", drill: str = "lanterns") -> LoggedPassage:
    events = (
        LoggedEvent(1, "bass", "4:0", "0", (), ""),
        LoggedEvent(2, "harmonics", "1:<7>", "0", ("G2|1/3",), ""),
        LoggedEvent(3, "harmonics", "1:<5>", "3/2", ("G2|1/4",), "G2|1/3>G2|1/4"),
    )
    return LoggedPassage.of(f"{drill}:{name}:together:phrase:full:", "0123456789ab", name, events)


PASSAGE = passage_named()


def opened(folder: Path, name: str = "Ada", machine: str = "here", **options: Any) -> Log:
    return Log.open(folder / "log", name, now_ms=NOON, machine=lambda: machine, **options)


def disk_full(*_: object) -> None:
    """In place of whatever writes."""
    raise OSError(errno.ENOSPC, "No space left on device")


def id_at(at_ms: int, seed: object = 0) -> str:
    return new_id(at_ms, hashlib.sha256(f"{at_ms} {seed}".encode()).digest()[:10])


def rep_at(
    log: Log,
    at_ms: int = NOON,
    faults: tuple[Fault, ...] | None = (),
    passage: LoggedPassage = PASSAGE,
    tempo_bpm: int = 52,
) -> Rep:
    return Rep(
        id=id_at(at_ms, log.player.id),
        player=log.player.id,
        at_ms=at_ms,
        utc_offset_min=60,
        passage=passage.id,
        excerpt=passage.excerpt,
        tempo_bpm=tempo_bpm,
        goal_bpm=76,
        faults=faults,
        purpose="climb",
        turn=id_at(NOON),
        duration_ms=21_000,
    )


def known_at(log: Log, at_ms: int, passage: LoggedPassage, bpm: int) -> Entry:
    """The player's word that they play a passage at about `bpm` already; 0 takes it back."""
    drill, phrase, *_ = passage.excerpt.split(":")
    passages = [plain_of(passage)] if bpm else []
    body = {"drill": drill, "phrase": phrase, "bpm": bpm, "goal_bpm": 76, "passages": passages}
    return Entry(id_at(at_ms, "known"), log.player.id, at_ms, 60, "known", body)
