"""The host of a practice session: it carries out what the session machine asks, and knows where the music is.

One `Practice` owns the session, the open log and the player of sounds. Screens send it events and call `tick` while
something plays; everything they draw comes from its properties. Without a sound player (`player=None`) the same
session and log run without a screen. Positions are what is heard now, in seconds from the passage's first beat:
negative in the count-in.
"""

from __future__ import annotations

import os
from bisect import bisect_right
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from coach.folder.actions import Phase
from coach.folder.settings import PracticeSettings
from coach.learning.learning import learnt_of
from coach.learning.plan import Plan
from coach.log.book import Word
from coach.log.entries import Correction, Rep, practice_day
from coach.log.log import Log
from coach.music.clicktrack import BeatAt, beats_of
from coach.music.drill import Drill
from coach.music.excerpt import PlacedEvent
from coach.session import events as on
from coach.session import machine
from coach.session.coaching import Coaching
from coach.session.notices import Notice, NotSaved, Saved
from coach.session.session import Session
from coach.session.states import Marks, Rating
from coach.session.suggestions import suggestions_of
from coach.sound.player import Player, PlayToken, now_s
from coach.sound.settings import SoundSettings

if TYPE_CHECKING:
    from coach.session.hearing import Hearing, Take
    from coach.sound.render import RepSound
    from coach.sound.timeline import RepTimeline

TAIL_S = 0.6
"""After the passage's end the model's last notes ring."""
SPARE_S = 0.06
"""Of sound after the last event's, for what the clocks differ."""
CLOSING_S = 0.06
"""So long before a round's bar line at the latest a key takes effect: two looks at the player, thirty a second."""


@dataclass(frozen=True)
class Sounding:
    """The repetition that plays now. `lead_s` is the count-in's length; `beats` cover count-in and passage."""

    start: on.StartRep
    beats: Sequence[BeatAt]
    lead_s: float
    length_s: float
    timeline: RepTimeline

    def onset_s(self, event: PlacedEvent) -> float:
        """When an event of the passage is due, in seconds from its first beat."""
        return float(self.timeline.onsets_s[event.label] - self.timeline.count_in_s)


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
        sound: SoundSettings | None = None,
        now_s: Callable[[], float] = now_s,
        adapts: bool = True,
        hearing: Hearing | None = None,
        withheld: Collection[str] = (),
    ) -> None:
        self.log = log
        self.player = player
        self.settings = settings or PracticeSettings()
        self._sound = sound or SoundSettings()
        self.notices: list[Notice] = []
        """What the player was told, the newest last."""
        self.sounding: Sounding | None = None
        self.on_rep: Callable[[on.StartRep, RepTimeline | None], None] | None = None
        """Called as a repetition starts to play and, with None, when the sound stops: for MIDI."""
        self.hearing = hearing
        self._withheld = withheld
        """Nodes at which the ear suggests nothing, see `coach.listen.record`."""
        self._take: Take | None = None
        """What was given to the ear and is not rated yet."""
        self._late: list[tuple[Take, Rep]] = []
        """What of that was rated since, and how: the ear may still be listening to it."""
        self._follows = False
        """Whether the repetition that marks are about was counted in over music."""
        self._clock = clock
        self._auto_go_at: float | None = None
        self.about: Sounding | None = None
        """The repetition that marks are about: the one that sounds, or in a round's bar of clicks the one before."""
        self._counted_in: tuple[PlayToken, Sounding] | None = None
        """What follows on the same grid, and how its playing is named."""
        self._now_s = now_s
        now_ms, offset_min = clock()
        self.session: Session
        self.session, effects = machine.start(
            plan,
            {drill.id: drill for drill in drills},
            Coaching.of(plan, learnt_of(log, practice_day(now_ms, offset_min)).copy(), drills, adapts),
            # A clock that was set back since then must not put today's later repetitions before the earlier ones.
            max(now_ms, log.latest_ms(practice_day(now_ms, offset_min)) + 1),
            offset_min,
            player=log.player.id,
            nonce=os.urandom(8),
            pause_s=self.settings.pause_s,
            run_on_pause_s=self.settings.run_on_pause_s,
        )
        self._carry_out(effects)

    def now_ms(self) -> int:
        """The present in UTC milliseconds, never earlier than the last event."""
        return max(self._clock()[0], self.session.now_ms)

    def send(self, event: on.SessionEvent) -> bool:
        """Give an event to the session and do what it asks; False where the state does not accept it."""
        if not machine.accepts(self.session, type(event)):
            return False
        self._auto_go_at = None
        before, take = self.session.phase, self._take_ended_by(event)
        self.session, effects = machine.receive(self.session, event, *self._clock())
        self._carry_out(effects)
        if self.hearing and take and before is Phase.PLAYING and self.session.phase is Phase.RATING:
            self._take = take
            self.hearing.judge(take)
        if before is Phase.PAUSED:
            self.take_heard()
        return True

    def take_heard(self) -> None:
        """Give the session what the ear has heard of the repetition that is rated; what comes later is logged.

        In a pause it waits for the end of it.
        """
        if self.session.phase is Phase.PAUSED:
            return
        for take, heard in self.hearing.collect() if self.hearing else ():
            suggested = suggestions_of(heard, take.passage, self._withheld)
            if take is self._take and isinstance(self.session.state, Rating):
                for suggestion in suggested:
                    self.send(suggestion)
            elif rep := self._rated_before(take):
                logged = Marks(suggested=suggested).logged()
                if refusal := self.log.add_suggestions(rep, logged, self.now_ms()):
                    self.notices.append(NotSaved(refusal))

    def _rated_before(self, take: Take) -> Rep | None:
        """How a take was rated before the ear was done with it; it is done with all before it too."""
        at = next((at for at, (one, _) in enumerate(self._late) if one is take), None)
        if at is None:
            return None
        rep = self._late[at][1]
        del self._late[: at + 1]
        return rep

    def _take_ended_by(self, event: on.SessionEvent) -> Take | None:
        """What the ear is to judge where the event ends the repetition."""
        if self.hearing is None or self.about is None or not isinstance(event, on.RepEnded | on.Cut):
            return None
        from coach.listen.look import HEARD_S
        from coach.session.hearing import Take

        now_s, timeline, start = self._now_s(), self.about.timeline, self.about.start
        start_s = now_s - self.about_s()
        last_s = start_s + float(timeline.last_onset_s) + HEARD_S + SPARE_S
        return Take(
            start.passage,
            start.drill.instrument,
            start.tempo_bpm,
            timeline,
            start_s,
            min(last_s, now_s) if isinstance(event, on.Cut) else last_s,
            not self._follows,
            self._sound.click,
            self._sound.click_db,
        )

    def take_notices(self) -> list[Notice]:
        """What the player was told since this was last asked."""
        taken, self.notices = self.notices, []
        return taken

    def tick(self) -> bool:
        """Notice what time has brought: the end of a repetition, the next count-in. True where something changed."""
        if self._counted_in and self.player and self.player.token == self._counted_in[0]:
            self._take_up(self._counted_in[1])
            return self.send(on.RepEnded())
        if self.sounding and self.player and self.player.finished:
            self.sounding = None
            return self.send(on.RepEnded())
        if self._bar_is_over():
            return self.send(on.RoundEnded())
        if self._auto_go_at is not None and self._now_s() >= self._auto_go_at:
            self._auto_go_at = None
            return self.send(on.Go())
        return False

    def _bar_is_over(self) -> bool:
        """Whether a round's bar of clicks ends unrated: what was handed to the device can't be taken back."""
        position_s = self.position_s
        if self.player is None or position_s is None or self.session.phase is not Phase.RATING:
            return False
        return position_s > -(self.player.latency_s + CLOSING_S)

    @property
    def waiting_s(self) -> float | None:
        """Seconds until the turn goes on by itself; None where it does not."""
        return None if self._auto_go_at is None else max(0.0, self._auto_go_at - self._now_s())

    @property
    def position_s(self) -> float | None:
        """Where the music is, in seconds from the passage's first beat; None while nothing plays."""
        if self.sounding is None or self.player is None:
            return None
        return self.player.position_s - self.sounding.lead_s

    def about_s(self, when_s: float | None = None) -> float:
        """Seconds from the start of the repetition that marks are about, now or at a moment of the monotonic clock."""
        if self.player is None:
            return 0.0
        at_s = self.player.position_s if when_s is None else self.player.position_s_at(when_s)
        before = self.about is not None and self.sounding is not None and self.sounding is not self.about
        return at_s + self.about.length_s if before and self.about else at_s

    @property
    def reached(self) -> int:
        """Label of the last event whose onset was heard; 0 in the count-in."""
        position_s = self.position_s
        if position_s is None or self.sounding is None:
            return 0
        events = self.sounding.start.passage.events
        begun = bisect_right(events, position_s, key=self.sounding.onset_s)
        return events[begun - 1].label if begun else 0

    def _carry_out(self, effects: tuple[on.Effect, ...]) -> None:
        for effect in effects:
            match effect:
                case on.SaveRep(rep, passage):
                    self._write((rep, passage))
                    self._learn(rep)
                case on.Save(word):
                    self._write(word)
                    if self.hearing and isinstance(word, Correction) and word.void:
                        self.hearing.unlearn()
                case on.StartRep():
                    self._start(effect)
                case on.PlayOn(next_bpm):
                    self._play_on(next_bpm)
                case on.Silence() | on.Finished():
                    self._silence()
                case on.AutoGo(seconds):
                    self._auto_go_at = self._now_s() + seconds
                case on.Tell(Saved()) if self.unsaved:
                    pass  # What the disk refused is told by itself.
                case on.Tell(notice):
                    self.notices.append(notice)

    @property
    def unsaved(self) -> int:
        """How many results wait because the disk refuses them; they are tried again with each new one."""
        return len(self.log.waiting)

    def _write(self, word: Word) -> None:
        if refusal := self.log.send(word):
            self.notices.append(NotSaved(refusal))

    def _learn(self, rep: Rep) -> None:
        """A repetition is saved; where it was clean, and not a later word, the ear learns from it."""
        if self.hearing and self._take and rep.clean:
            self.hearing.learn()
        if self._take:
            self._late.append((self._take, rep))
        self._take = None

    def _start(self, start: on.StartRep) -> None:
        if self.player is None:
            return
        sounding, sound = self._rendered(start, start.drill.count_in_bars, self.player.rate)
        self.player.play(sound)
        self._take_up(sounding)
        self.about, self._follows = sounding, False
        self._count_in(start.next_bpm)

    def _take_up(self, sounding: Sounding) -> None:
        self.sounding, self._counted_in = sounding, None
        if self.on_rep:
            self.on_rep(sounding.start, sounding.timeline)

    def _play_on(self, next_bpm: int) -> None:
        self.about, self._follows = self.sounding, True
        self._count_in(next_bpm)

    def _count_in(self, next_bpm: int) -> None:
        """Let a bar of clicks follow at the bar line, and after it the next repetition, both at its tempo."""
        if self.player is not None and self.sounding is not None and next_bpm:
            start = replace(self.sounding.start, tempo_bpm=next_bpm, next_bpm=0)
            following, sound = self._rendered(start, 1, self.player.rate)
            self._counted_in = self.player.play(sound, join=True), following

    def _rendered(self, start: on.StartRep, count_in_bars: int, rate: int) -> tuple[Sounding, RepSound]:
        from coach.sound.render import RepSound
        from coach.sound.timeline import rep_timeline
        from coach.sound.tones import tones_of

        timeline = rep_timeline(start.passage, start.tempo_bpm, start.drill.click, count_in_bars)
        tones = tones_of(start.passage, start.drill.instrument, timeline) if start.model else ()
        length_s = float(timeline.end_s) + (TAIL_S if start.model else 0.0)
        sound = RepSound(
            timeline.strikes,
            tones,
            rate,
            length_s=length_s,
            sound=self._sound.click,
            volume_db=self._sound.click_db,
        )
        beats = beats_of(start.passage, start.tempo_bpm, count_in_bars)
        return Sounding(start, beats, float(timeline.count_in_s), length_s, timeline), sound

    def _silence(self) -> None:
        if self.sounding is not None and self.on_rep is not None:
            self.on_rep(self.sounding.start, None)
        self.sounding = self._counted_in = None
        if self.player:
            self.player.stop()
