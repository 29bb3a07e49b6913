"""A player's desk for one run of the program: folder, settings, drills, open log, and the clock.

Commands and screens ask it for today's plan and for a session on a plan; it decides nothing itself.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any, Self

from coach.folder.kept import Kept
from coach.folder.library import (
    Library,
    at_hand,
    in_plan,
    keep_copies,
    load_library,
    named_drills,
    player_meant,
    refuse_anothers,
    settle_ids,
    student_in,
)
from coach.folder.settings import Settings, load_settings
from coach.ground.frozen import mutable
from coach.ground.places import Places, make_folder
from coach.ground.problem import CoachError
from coach.learning import readings
from coach.learning.known import known_body
from coach.learning.learning import Learnt, learnt_of
from coach.learning.material import material_of
from coach.learning.plan import Plan, PlanItem, Purpose
from coach.learning.planner import drills_taken_up, history_of, make_plan
from coach.learning.readings import Place
from coach.listen.record import RECORD
from coach.log.entries import Entry, EntryKind, new_id, practice_day
from coach.log.log import Log, Refusal
from coach.music.drill import Drill
from coach.music.excerpt import Excerpt
from coach.strings.instrument import Instrument
from coach.words.stretch import excerpt_at

if TYPE_CHECKING:
    from coach.session.hearing import Hearing
    from coach.session.host import Practice
    from coach.sound.player import Player

Clock = Callable[[], tuple[int, int]]
RUN_REPS = 99
"""Repetitions of a run that the player chose; escape ends it before."""


@mutable
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
    first_words: tuple[str, ...] = ()
    """What the command tells the player before they begin."""
    run: str = ""
    """What is to be played of the first drill instead of a plan, as `coach.words.stretch` names it."""

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
        is_student: Callable[[str], bool] | None = None,
    ) -> Desk:
        """Read settings and drills, and open the log; nobody is kept out of it meanwhile.

        With `read_only` nothing is written but caches, and a missing log reads as an empty one. CoachError where a
        named drill, the settings or the log can't be used, or where a named drill is assigned to another student,
        unless it is to be practised `anyway`. `is_student` asks a player without a name whether they are the student
        whom a named drill names; without it nobody is asked, and only a folder's first player takes that name.
        """
        kept = Kept.open()
        settings = kept.read(places.settings, load_settings)
        library = (named_drills(names, places) if names else load_library(places, kept)).on_own(
            settings.instruments
        )
        kept.save()
        if not library.drills:
            raise CoachError("no drill could be read", str(places.drills), guess=" | ".join(library.notices))
        now_ms, _ = clock()
        log = Log.open(places.log, None, now_ms=now_ms, read_only=read_only)
        if not (player or anyway):
            player = player_meant(
                student_in(library.drills), log, is_student if names and not read_only else None
            )
            if player and log.exists:
                log.choose_player("", now_ms)
                log.rename(log.player.ids, player, now_ms)
        if names and not read_only:
            if not anyway:
                # Before a new name becomes a player here: it may be a slip.
                refuse_anothers(library, log.name_meant(player))
            library = keep_copies(library, places)
        log.choose_player(player, now_ms, create=not read_only)
        if not read_only:
            make_folder(places.progress)
        chosen = settings.practice.minutes if minutes is None else minutes
        return cls(places, settings, library, log, clock, tuple(names), chosen, silent)

    @property
    def today(self) -> date:
        """The practice day that the clock is in."""
        return practice_day(*self.clock())

    @property
    def instrument(self) -> Instrument:
        """The one at hand: the first of the player's own, else that of the first drill."""
        return (*self.settings.instruments, self.library.drills[0].instrument)[0]

    @property
    def notices(self) -> tuple[str, ...]:
        """What the player should know about keys, drills and the log, what waits for the disk first."""
        refusal = self.log.retry() if self.log.waiting else None
        waiting = [str(refusal)] if refusal else []
        return (
            *waiting,
            *self.first_words,
            *self.settings.keys.notices,
            *self.library.notices,
            *self.log.notices,
        )

    def plan(self, minutes: int | None = None, drills: Sequence[Drill] | None = None) -> Plan:
        """Today's plan over the player's drills, or over some, from what the log holds."""
        if self.run and drills is None:
            return self.run_plan(self.library.drills[0], excerpt_at(self.library.drills[0], self.run))
        minutes = self.minutes if minutes is None else minutes
        drills = self.in_plan() if drills is None else drills
        pace = self.settings.practice.begun_a_day
        learnt = self.learnt()
        history = history_of(self.log, learnt, self.today)
        return make_plan(self.today, minutes, drills, learnt, history, pace=pace)

    def run_plan(self, drill: Drill, run: Excerpt) -> Plan:
        """A plan of one item: a run of phrases that the player wants to play, as often as they like."""
        item = PlanItem(Purpose.PIECE, self.minutes, "You chose it.", run, RUN_REPS)
        drills = frozenset({drill.id})
        return Plan(self.today, self.minutes, (item,), drills=drills, chosen=False)

    def learnt(self) -> Learnt:
        """What the player's repetitions up to today have taught: nothing, where nobody has practised here."""
        return Learnt() if self.log.player_or_none is None else learnt_of(self.log, self.today)

    def nodes(self) -> dict[str, Place]:
        """Every node and move that was played in the drills at hand, by key; of several drills the surest."""
        learnt, material, places = self.learnt(), material_of(self.library.drills), dict[str, Place]()
        for drill in material.drills:
            for key, place in readings.places(learnt, material, drill, self.today).items():
                if key not in places or place.of > places[key].of:
                    places[key] = place
        return places

    def at_hand(self) -> tuple[Instrument, ...]:
        """The instruments that the player has."""
        return at_hand(self.library, self.learnt().skills, self.settings.instruments)

    def in_plan(self) -> tuple[Drill, ...]:
        """The drills that a day's plan is made of: those that were named, or the player's."""
        if self.names:
            return self.library.drills
        return in_plan(self.library, drills_taken_up(self.log), self.at_hand())

    def know(self, drill: Drill, phrase: str, bpm: int) -> Refusal | None:
        """Log that the player plays a drill, or its phrase of this id, at about `bpm`; 0 takes that word back."""
        settle_ids([drill], self.places)
        material = material_of([drill])
        parts = [material.part(one) for one in material.phrases(drill) if phrase in ("", one.phrases[0])]
        passages = [part.passage for part in parts if part]
        return self.note("known", known_body(drill.id, phrase, bpm, drill.goal_bpm, passages))

    def note(self, kind: EntryKind, body: Mapping[str, Any]) -> Refusal | None:
        """Log an entry of now, as `Log.send` does."""
        now_ms, offset_min = self.clock()
        entry_id = new_id(now_ms, os.urandom(10))
        return self.log.send(Entry(entry_id, self.log.player.id, now_ms, offset_min, kind, dict(body)))

    def hearing(self) -> Hearing | None:
        """The ear of a session, not yet open; None unless the settings turn listening on."""
        if not self.settings.listening.on:
            return None
        from coach.listen.kept import EarShelf
        from coach.session.hearing import KEPT_S, RATE_HZ, Hearing
        from coach.sound.capture import Capture

        microphone = Capture(self.settings.sound.input, RATE_HZ, KEPT_S)
        return Hearing(microphone, EarShelf(self.places.ear))

    def practice(
        self, plan: Plan, player: Player | None = None, hearing: Hearing | None = None, adapts: bool = True
    ) -> Practice:
        """A session on a plan; `player` plays the sound, `hearing` listens, None leaves either out."""
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
            sound=self.settings.sound,
            adapts=adapts,
            hearing=hearing,
            withheld=self.log.state(RECORD, self.today).withheld,
        )

    def reload(self) -> None:
        """Read the drills again, after an edit."""
        if self.names:
            library = keep_copies(named_drills(self.names, self.places), self.places)
        else:
            kept = Kept.open()
            library = load_library(self.places, kept)
            kept.save()
        self.library = library.on_own(self.settings.instruments)

    def every_drill(self) -> tuple[Drill, ...]:
        """The drills of this run and, where it has only those that were named, the others of the folder."""
        others = (
            load_library(self.places, Kept.open()).on_own(self.settings.instruments) if self.names else None
        )
        have = {drill.id for drill in self.library.drills}
        rest = others.drills if others else ()
        return (*self.library.drills, *(drill for drill in rest if drill.id not in have))

    def close(self) -> None:
        self.log.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *raised: object) -> None:
        self.close()
