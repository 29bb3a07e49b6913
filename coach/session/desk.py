"""A player's desk for one run of the program: folder, settings, drills, open log, and the clock.

Commands and screens ask it for today's plan and for a session on a plan; it decides nothing itself.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

from coach import __version__
from coach.folder.library import (
    Library,
    keep_copies,
    load_library,
    named_drills,
    refuse_anothers,
    settle_ids,
)
from coach.folder.settings import Settings, load_settings
from coach.ground.places import Places
from coach.ground.problem import CoachError, Problem
from coach.learning.plan import Plan
from coach.log.entries import Entry, EntryKind, new_id, practice_day
from coach.music.drill import Drill
from coach.store.derive import Folds
from coach.store.log import DEFAULT_NAME, Log
from coach.store.outbox import Outbox
from coach.store.schema import DamagedLogError, DamagedStateError

if TYPE_CHECKING:
    from coach.session.host import Practice
    from coach.sound.player import Player

Clock = Callable[[], tuple[int, int]]
Answer = TypeVar("Answer")


@dataclass
class Desk:
    """Everything one run needs. `clock` gives (UTC ms, local offset in minutes); close it when done."""

    places: Places
    settings: Settings
    library: Library
    log: Log
    clock: Clock
    outbox: Outbox
    names: tuple[str, ...] = ()
    """The drills that the player named; empty for today's session over all of them."""
    minutes: int = 20
    silent: bool = False

    @classmethod
    def open(
        cls,
        places: Places,
        *,
        clock: Clock,
        player: str = "",
        names: Sequence[str] = (),
        minutes: int | None = None,
        silent: bool = False,
        read_only: bool = False,
        anyway: bool = False,
    ) -> Desk:
        """Read settings and drills, open the log and keep a second session of this player out.

        With `read_only` nothing is written, a missing log reads as an empty one, and a session elsewhere does not
        matter. CoachError where a named drill, the settings or the log can't be used, or where a named drill is
        assigned to another student, unless it is to be practised `anyway`.
        """
        settings = load_settings(places.settings)
        library = named_drills(names, places) if names else load_library(places)
        if not library.drills:
            raise CoachError(
                Problem("no drill could be read", str(places.drills), guess=" | ".join(library.notices))
            )
        now_ms, _ = clock()
        if not player and not places.log.exists():
            # The first one to practise here with a file from a teacher is the student whom it names.
            students = (drill.assignment.student for drill in library.drills if drill.assignment)
            player = next((student for student in students if student), "")
        may_refuse = bool(names) and not read_only and not anyway
        if may_refuse and not places.log.exists():
            refuse_anothers(library, player or DEFAULT_NAME)
        chosen_player = None if may_refuse else player
        log = Log.open(places.log, chosen_player, now_ms=now_ms, read_only=read_only, mend=not read_only)
        try:
            if may_refuse:
                # Before a new name becomes a player here: it may be a slip.
                refuse_anothers(library, log.name_meant(player))
                log.choose_player(player, now_ms)
            if names and not read_only:
                library = keep_copies(library, places)
            if not read_only:
                log.use_folds(Folds(settings.practice.rule, settings.practice.longest_interval_days))
                log.hold(now_ms)
        except BaseException:
            log.close()
            raise
        chosen = settings.practice.minutes if minutes is None else minutes
        return cls(places, settings, library, log, clock, Outbox(log), tuple(names), chosen, silent)

    @property
    def today(self) -> date:
        """The practice day that the clock is in."""
        return practice_day(*self.clock())

    @property
    def notices(self) -> tuple[str, ...]:
        """What the player should know about the drills and the log, what waits for the disk first."""
        waiting = self.outbox.waiting and self.outbox.retry(self.clock()[0])
        return (*([waiting] if waiting else []), *self.library.notices, *self.log.notices)

    def plan(self, minutes: int | None = None, drills: Sequence[Drill] | None = None) -> Plan:
        """Today's plan over the drills at hand, or over some, from what the log holds."""
        from coach.learning.planner import make_plan

        minutes = self.minutes if minutes is None else minutes
        drills = self.library.drills if drills is None else drills
        if self.log.player_or_none is None:
            return make_plan(self.today, minutes, drills, {}, {})
        memories, ladders, history = self.read(
            lambda log: (log.memories(), log.ladders(), log.history(self.today))
        )
        return make_plan(self.today, minutes, drills, memories, ladders, history)

    def read(self, ask: Callable[[Log], Answer]) -> Answer:
        """Ask the log something; one that proves damaged is mended and asked once more.

        CoachError where it can't be mended, or may not be, as it is only read.
        """
        try:
            return ask(self.log)
        except DamagedLogError as error:
            if self.log.read_only:
                raise
            self._mend(error)
        return ask(self.log)

    def _mend(self, error: DamagedLogError) -> None:
        """Compute anew what follows from the raw rows, or save what is good of those."""
        if isinstance(error, DamagedStateError):
            with suppress(DamagedLogError):
                self.log.rebuild()
                return
        self.log.mend(self.clock()[0])

    def set_aside(self) -> frozenset[str]:
        """Ids of the drills that the player has set aside and not taken up again."""
        return self.read(lambda log: log.history(self.today).set_aside)

    def note(self, kind: EntryKind, body: Mapping[str, Any]) -> str:
        """Log an entry of now; what is to be told where the disk refuses it, empty where it took it."""
        now_ms, offset_min = self.clock()
        text = json.dumps(dict(body), sort_keys=True, ensure_ascii=False)
        entry_id = new_id(now_ms, os.urandom(10))
        return self.outbox.send(Entry(entry_id, self.log.player.id, now_ms, offset_min, kind, text), now_ms)

    def practice(self, plan: Plan, player: Player | None = None, **options: Any) -> Practice:
        """A session on a plan; `player` plays the sound, None leaves it out."""
        from coach.session.host import Practice

        used = {item.excerpt.drill for item in plan.items if item.excerpt}
        settle_ids((drill for drill in self.library.drills if drill.id in used), self.places)
        return Practice(
            self.log,
            plan,
            self.library.drills,
            clock=self.clock,
            player=player,
            settings=self.settings.practice,
            outbox=self.outbox,
            **options,
        )

    def reload(self) -> None:
        """Read the drills again, after an edit."""
        if self.names:
            self.library = keep_copies(named_drills(self.names, self.places), self.places)
        else:
            self.library = load_library(self.places)

    def last_words(self) -> list[str]:
        """Try once more to write what waits, and put into a file what still does; lines to tell."""
        now_ms, _ = self.clock()
        self.outbox.retry(now_ms)
        return self.outbox.rescue(now_ms, __version__)

    def close(self) -> None:
        self.log.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
