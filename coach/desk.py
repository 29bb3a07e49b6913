"""A player's desk for one run of the program: folder, settings, drills, open log, and the clock.

Commands and screens ask it for today's plan and for a session on a plan; it decides nothing itself.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

from coach.core.log import Entry, EntryKind, new_id, practice_day
from coach.core.plan import Plan
from coach.core.problem import CoachError, Problem
from coach.library import Library, load_library, named_drills, settle_ids
from coach.places import Places
from coach.settings import Settings, load_settings
from coach.store.derive import Folds
from coach.store.log import Log

if TYPE_CHECKING:
    from coach.core.planner import History
    from coach.practice import Practice
    from coach.sound.player import Player

HABIT_DAYS = 28
"""How far back the plan looks for the player's habit."""

Clock = Callable[[], tuple[int, int]]


@dataclass
class Desk:
    """Everything one run needs. `clock` gives (UTC ms, local offset in minutes); close it when done."""

    places: Places
    settings: Settings
    library: Library
    log: Log
    clock: Clock
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
        hold: bool = True,
    ) -> Desk:
        """Read settings and drills, open the log; with `hold`, keep a second session of this player out.

        CoachError where a named drill, the settings or the log can't be used.
        """
        settings = load_settings(places.settings)
        library = named_drills(names, places) if names else load_library(places)
        if not library.drills:
            raise CoachError(
                Problem("no drill could be read", str(places.drills), guess=" | ".join(library.notices))
            )
        now_ms, _ = clock()
        log = Log.open(places.log, player, now_ms=now_ms, mend=True)
        try:
            log.use_folds(Folds(settings.practice.rule, settings.practice.longest_interval_days))
            if hold:
                log.hold(now_ms)
        except BaseException:
            log.close()
            raise
        chosen = settings.practice.minutes if minutes is None else minutes
        return cls(places, settings, library, log, clock, tuple(names), chosen, silent)

    @property
    def today(self) -> date:
        """The practice day that the clock is in."""
        return practice_day(*self.clock())

    @property
    def notices(self) -> tuple[str, ...]:
        """What the player should know about the drills and the log."""
        return (*self.library.notices, *self.log.notices)

    def plan(self, minutes: int | None = None) -> Plan:
        """Today's plan over the drills at hand, from what the log holds."""
        from coach.core.planner import make_plan

        return make_plan(
            self.today,
            self.minutes if minutes is None else minutes,
            self.library.drills,
            self.log.memories(),
            self.log.ladders(),
            self.history(),
        )

    def history(self) -> History:
        """What the plan needs of the past beside memories and ladders."""
        from coach.core.planner import History

        today = self.today
        days = self.log.days(since=today - timedelta(days=HABIT_DAYS))
        return History({total.day: total.duration_ms / 60_000 for total in days}, frozenset(self.set_aside()))

    def set_aside(self) -> list[str]:
        """Ids of the drills that the player has set aside and not taken up again."""
        aside: dict[str, None] = {}
        for entry in self.log.entries():
            if entry.kind == "set-aside":
                aside[json.loads(entry.body).get("drill", "")] = None
            elif entry.kind == "take-up":
                aside.pop(json.loads(entry.body).get("drill", ""), None)
        return list(aside)

    def note(self, kind: EntryKind, body: Mapping[str, Any]) -> None:
        """Log an entry of now."""
        now_ms, offset_min = self.clock()
        text = json.dumps(dict(body), sort_keys=True, ensure_ascii=False)
        entry_id = new_id(now_ms, os.urandom(10))
        self.log.add_entry(Entry(entry_id, self.log.player.id, now_ms, offset_min, kind, text))

    def practice(self, plan: Plan, player: Player | None = None, **options: Any) -> Practice:
        """A session on a plan; `player` plays the sound, None leaves it out."""
        from coach.practice import Practice

        used = {item.excerpt.drill for item in plan.items if item.excerpt}
        settle_ids((drill for drill in self.library.drills if drill.id in used), self.places)
        return Practice(
            self.log,
            plan,
            self.library.drills,
            clock=self.clock,
            player=player,
            settings=self.settings.practice,
            **options,
        )

    def reload(self) -> None:
        """Read the drills again, after an edit."""
        self.library = named_drills(self.names, self.places) if self.names else load_library(self.places)

    def close(self) -> None:
        self.log.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
