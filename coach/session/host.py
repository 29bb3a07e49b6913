"""The host of a practice session: it carries out what the session machine asks, and knows where the music is.

One `Practice` owns the session, the open log and the player of sounds. Screens send it events and call `tick` while
something plays; everything they draw comes from its properties. Without a sound player (`player=None`) the same
session and log run without a screen. Positions are what is heard now, in seconds from the passage's first beat:
negative in the count-in.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from coach.folder.settings import PracticeSettings
from coach.learning.plan import Plan
from coach.log.entries import Correction, Entry, Rep, new_id, practice_day
from coach.music.clicktrack import BeatAt, beats_of, clicks_of
from coach.music.drill import Drill
from coach.music.excerpt import Passage, PlacedEvent
from coach.rating.table import Says
from coach.session import machine
from coach.session.events import (
    AutoGo,
    ChooseExcerpt,
    CorrectRep,
    Effect,
    Finished,
    Go,
    RepEnded,
    SavedRep,
    SaveEntry,
    SaveRep,
    SessionEvent,
    Silence,
    StartRep,
    Tell,
)
from coach.session.machine import Phase, Session
from coach.store.outbox import Outbox, Word

if TYPE_CHECKING:
    from coach.sound.player import Player
    from coach.sound.timeline import RepTimeline
    from coach.store.log import Log

TAIL_S = 0.6
"""After the passage's end, before the rating is asked for: the last notes ring."""


@dataclass(frozen=True)
class Sounding:
    """The repetition that plays now. `lead_s` is the count-in's length; `beats` cover count-in and passage."""

    start: StartRep
    beats: tuple[BeatAt, ...]
    lead_s: float
    length_s: float
    timeline: RepTimeline


class Practice:
    """A running session with its log and its sound.

    `clock` gives the moment as (UTC ms, local offset in minutes); `now_s` is the monotonic clock for `AutoGo`.
    """

    def __init__(
        self,
        log: Log,
        plan: Plan,
        drills: Sequence[Drill],
        *,
        clock: Callable[[], tuple[int, int]],
        player: Player | None = None,
        settings: PracticeSettings | None = None,
        click_sound: str = "wood",
        click_db: float | None = None,
        now_s: Callable[[], float] | None = None,
        random_bytes: Callable[[int], bytes] = os.urandom,
        on_rep: Callable[[StartRep, RepTimeline | None], None] | None = None,
        outbox: Outbox | None = None,
        adapts: bool = True,
    ) -> None:
        self.log = log
        self.outbox = outbox or Outbox(log)
        """The way into the log; several sessions on one desk share it."""
        self.player = player
        self.settings = settings or PracticeSettings()
        self.click_sound = click_sound
        self.click_db = click_db
        self.messages: list[str] = []
        """What the player was told, the newest last."""
        self.sounding: Sounding | None = None
        self.on_rep = on_rep
        """Called as a repetition starts to play and, with None, when the sound stops: for MIDI."""
        self._clock = clock
        self._random_bytes = random_bytes
        self._auto_go_at: float | None = None
        self._began_ms = 0
        self._rep_ids: dict[int, str] = {}
        self._turn_ids: dict[int, str] = {}
        # A clock that was set back since then must not put today's later repetitions before the earlier ones.
        self._last_ms = log.latest_ms(practice_day(*clock())) + 1
        self._now_s = now_s or _monotonic()
        self.session: Session
        self.session, effects = machine.start(
            plan,
            {drill.id: drill for drill in drills},
            log.ladders(),
            self.now_ms(),
            rule=self.settings.rule,
            pause_s=self.settings.pause_s,
            run_on_pause_s=self.settings.run_on_pause_s,
            adapts=adapts,
        )
        self._carry_out(effects)

    def now_ms(self) -> int:
        """The present in UTC milliseconds, never earlier than what was logged in this practice day."""
        self._last_ms = max(self._clock()[0], self._last_ms)
        return self._last_ms

    def send(self, event: SessionEvent) -> bool:
        """Give an event to the session and do what it asks; False where the phase does not accept it."""
        if not self.session.accepts(type(event)):
            return False
        if isinstance(event, Go):
            self._open_new_day()
            self._began_ms = self.now_ms()
        self._auto_go_at = None
        self.session, effects = machine.receive(self.session, event)
        self._carry_out(effects)
        return True

    def _open_new_day(self) -> None:
        """Go on into a new practice day: ladders open as on any other, so that the log folds to the same rungs."""
        today = practice_day(self.now_ms(), self._clock()[1])
        session = self.session
        if today <= session.day:
            return
        self.session = session = replace(session, plan=replace(session.plan, day=today))
        ladder, excerpt = session.ladder, session.excerpt
        if session.phase is Phase.READY and ladder and excerpt and session.tempo_bpm == ladder.rung_bpm:
            self.session, _ = machine.receive(session, ChooseExcerpt(at_ms=self.now_ms(), excerpt=excerpt))

    def tick(self) -> bool:
        """Notice what time has brought: the end of a repetition, the next count-in. True where something changed."""
        if self.sounding and self.player and self.player.finished:
            self.sounding = None
            return self.send(RepEnded(at_ms=self.now_ms()))
        if self._auto_go_at is not None and self._now_s() >= self._auto_go_at:
            self._auto_go_at = None
            return self.send(Go(at_ms=self.now_ms()))
        return False

    @property
    def waiting_s(self) -> float | None:
        """Seconds until the turn goes on by itself; None where it does not."""
        return None if self._auto_go_at is None else max(0.0, self._auto_go_at - self._now_s())

    def hold_on(self) -> None:
        """Let the turn wait for a key instead of going on by itself."""
        self._auto_go_at = None

    @property
    def position_s(self) -> float | None:
        """Where the music is, in seconds from the passage's first beat; None while nothing plays."""
        if self.sounding is None or self.player is None:
            return None
        return self.player.position_s - self.sounding.lead_s

    def position_s_at(self, when_s: float) -> float | None:
        """The position at another moment of the monotonic clock, such as that of a key press."""
        if self.sounding is None or self.player is None:
            return None
        return self.player.position_s_at(when_s) - self.sounding.lead_s

    @property
    def beat(self) -> BeatAt | None:
        """The counted beat that is heard now; None while nothing plays."""
        position = self.position_s
        if position is None or self.sounding is None:
            return None
        heard = [beat for beat in self.sounding.beats if float(beat.seconds) <= position]
        return heard[-1] if heard else None

    def due(self, position_s: float) -> PlacedEvent | None:
        """The event whose onset was last reached at a position; None in the count-in."""
        if self.sounding is None:
            return None
        start = self.sounding.start
        reached = None
        for event in start.passage.events:
            if float(start.passage.tempo.seconds_at(event.onset, start.tempo_bpm)) > position_s:
                break
            reached = event
        return reached

    @property
    def reached(self) -> int:
        """Label of the last event whose onset was heard; 0 in the count-in."""
        position = self.position_s
        event = self.due(position) if position is not None else None
        return event.label if event else 0

    def _carry_out(self, effects: tuple[Effect, ...]) -> None:
        for effect in effects:
            match effect:
                case SaveRep(rep):
                    self._save(rep)
                case CorrectRep(serial, faults, void):
                    at_ms = self.now_ms()
                    self._last_ms = at_ms + 1
                    word = Correction(self._id(at_ms), self._rep_ids[serial], at_ms, faults, void)
                    self._write(word)
                case SaveEntry(kind, body):
                    at_ms, offset = self.now_ms(), self._clock()[1]
                    text = json.dumps(dict(body), sort_keys=True, ensure_ascii=False)
                    entry = Entry(self._id(at_ms), self.log.player.id, at_ms, offset, kind, text)
                    self._write(entry)
                case StartRep():
                    self._start(effect)
                case Silence() | Finished():
                    self._silence()
                case AutoGo(seconds):
                    self._auto_go_at = self._now_s() + seconds
                case Tell(text):
                    self.messages.append(text)

    def _save(self, saved: SavedRep) -> None:
        at_ms, offset = self.now_ms(), self._clock()[1]
        if practice_day(at_ms, offset) > self.session.day and self._began_ms:
            # Begun in the old practice day, it belongs to it.
            at_ms = self._began_ms
        turn = self._turn_ids.setdefault(saved.turn, self._id(at_ms))
        rep = Rep(
            id=self._id(at_ms),
            player=self.log.player.id,
            at_ms=at_ms,
            utc_offset_min=offset,
            passage=saved.passage.logged.id,
            excerpt=saved.passage.excerpt.key,
            tempo_bpm=saved.tempo_bpm,
            goal_bpm=saved.goal_bpm,
            faults=saved.faults,
            rung_bpm=saved.before.rung_bpm,
            purpose=saved.purpose,
            turn=turn,
            listened=saved.listened,
            duration_ms=round(rep_seconds(saved.passage, saved.tempo_bpm) * 1000),
        )
        self._write((rep, saved.passage.logged))
        self._rep_ids[saved.serial] = rep.id
        self._last_ms = at_ms + 1

    @property
    def unsaved(self) -> int:
        """How many results wait because the disk refuses them; they are tried again with each new one."""
        return len(self.outbox.waiting)

    def _write(self, word: Word) -> None:
        said = self.outbox.send(word, self.now_ms())
        if said:
            self.messages.append(said)

    def _id(self, at_ms: int) -> str:
        return new_id(at_ms, self._random_bytes(10))

    def _start(self, start: StartRep) -> None:
        if self.player is None:
            return
        from coach.sound.render import DEFAULT_VOLUME_DB, render_rep
        from coach.sound.timeline import rep_timeline
        from coach.sound.tones import tones_of

        drill = self.session.drills[start.passage.excerpt.drill]
        timeline = rep_timeline(start.passage, start.tempo_bpm, start.click, start.count_in_bars)
        tones = tones_of(start.passage, drill.instrument, timeline) if start.model else ()
        length_s = float(timeline.end_s) + TAIL_S
        pcm = render_rep(
            timeline.strikes,
            tones,
            self.player.rate,
            length_s=length_s,
            sound=self.click_sound,
            volume_db=DEFAULT_VOLUME_DB if self.click_db is None else self.click_db,
        )
        beats = beats_of(start.passage, start.tempo_bpm, start.count_in_bars)
        self.sounding = Sounding(start, beats, float(timeline.count_in_s), length_s, timeline)
        self.player.play(pcm)
        if self.on_rep:
            self.on_rep(start, timeline)

    def _silence(self) -> None:
        if self.sounding is not None and self.on_rep is not None:
            self.on_rep(self.sounding.start, None)
        self.sounding = None
        if self.player:
            self.player.stop()


def _monotonic() -> Callable[[], float]:
    from coach.sound.player import now_s

    return now_s


def rep_seconds(passage: Passage, tempo_bpm: int, count_in_bars: int = 1) -> float:
    """How long a repetition takes with its count-in, in seconds."""
    from coach.music.drill import ClickPattern

    clicks = clicks_of(passage, tempo_bpm, count_in_bars, ClickPattern())
    lead_s = -float(clicks[0].seconds) if clicks else 0.0
    return max(lead_s, 0.0) + float(passage.seconds(tempo_bpm))


@dataclass(frozen=True, slots=True)
class ExcerptSummary:
    """One excerpt of a session: repetitions and the rungs it went through."""

    title: str
    layer: str
    key: str
    reps: int
    clean: int
    unrated: int
    played_bpm: tuple[int, int]
    """The slowest and the fastest tempo that was played."""
    from_bpm: int
    to_bpm: int
    """The ladder's rung before and after."""
    goal_bpm: int
    landed: bool


@dataclass(frozen=True, slots=True)
class Summary:
    """What a session's end shows: what rang, what choked, what is due when."""

    excerpts: tuple[ExcerptSummary, ...]
    rang: Mapping[str, int]
    """Node key to how often it rang."""
    choked: Mapping[str, int]
    """Node key to how often it choked."""
    minutes: float

    @property
    def totals(self) -> tuple[int, int, int]:
        """Repetitions of all excerpts together: how many, clean, unrated."""
        return (
            sum(line.reps for line in self.excerpts),
            sum(line.clean for line in self.excerpts),
            sum(line.unrated for line in self.excerpts),
        )


def summarise(session: Session, started_ms: int, ended_ms: int) -> Summary:
    """What was practised in this session, from its saved repetitions as they were last rated."""
    by_key: dict[str, list[SavedRep]] = {}
    rang: dict[str, int] = {}
    choked: dict[str, int] = {}
    for rep in session.saved:
        by_key.setdefault(rep.passage.excerpt.key, []).append(rep)
        if rep.faults is None:
            continue
        faults = {fault.label: fault for fault in rep.faults}
        for event in rep.passage.events:
            fault = faults.get(event.label)
            for number, note in enumerate(event.notes, 1):
                says = fault.result.node if fault and fault.note in (0, number) else Says.CLEAN
                if not note.node_key or says is Says.NOTHING:
                    continue
                tally = choked if says is Says.FAILED else rang
                tally[note.node_key] = tally.get(note.node_key, 0) + 1
    excerpts = []
    for key, reps in by_key.items():
        now = session.ladders[key]
        excerpts.append(
            ExcerptSummary(
                title=reps[0].passage.title,
                layer=reps[0].passage.excerpt.layer,
                key=key,
                reps=len(reps),
                clean=sum(rep.faults == () for rep in reps),
                unrated=sum(rep.faults is None for rep in reps),
                played_bpm=(min(rep.tempo_bpm for rep in reps), max(rep.tempo_bpm for rep in reps)),
                from_bpm=reps[0].before.rung_bpm,
                to_bpm=now.rung_bpm,
                goal_bpm=now.goal_bpm,
                landed=now.landed,
            )
        )
    minutes = max(0, ended_ms - started_ms) / 60_000
    return Summary(tuple(excerpts), rang, choked, minutes)


def reload_drill(session: Session, drill: Drill) -> Session:
    """The session with an edited drill in place of the old one; what is gone is met with a word when it comes up."""
    return replace(session, drills={**session.drills, drill.id: drill})
