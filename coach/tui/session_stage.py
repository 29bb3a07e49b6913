"""What the session screen shows and how it follows the session; its keys are in `session_screen.py`.

Where the music is comes from the sound engine, polled while something plays and never counted here; the moment of
a key is the key event's own time.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.message import Message

from coach.ground.plain import counted, plain_text
from coach.ground.problem import CoachError
from coach.music.clicktrack import BeatAt, beats_of
from coach.rating.fault import Fault, in_words
from coach.rating.table import CHOKED
from coach.score.load import load_drill
from coach.session.events import (
    ChooseExcerpt,
    SessionEvent,
    Stop,
)
from coach.session.host import reload_drill
from coach.session.machine import Phase
from coach.tui.base import CoachScreen
from coach.tui.layout import LEAST_WIDTH, Box, View, too_small
from coach.tui.library_screen import problems_text, stamps
from coach.tui.session_view import Picture, layout_of, panes
from coach.tui.small import draw_small
from coach.tui.stage import Stage
from coach.words.names import assignment_text, goal_text, teachers_note

if TYPE_CHECKING:
    from coach.midi.rig import Rig
    from coach.music.drill import Drill
    from coach.session.events import StartRep
    from coach.session.host import Practice
    from coach.sound.timeline import RepTimeline

POLLS_PER_SECOND = 30
LOOK_EVERY_S = 1.0
SILENT = "silent mode"
_NEXT = re.compile(r"\bnext\b", re.IGNORECASE)
BETWEEN = "   "
"""Between what the message line tells."""


class SessionStage(CoachScreen):
    """Draws the session's state, polls the engine while something plays, sends events."""

    class Pressed(Message):
        """Presses of the pedal wait; sent from the MIDI driver's thread."""

    def __init__(self, practice: Practice, rig: Rig) -> None:
        super().__init__()
        self.practice = practice
        self.rig = rig
        self.timeline: RepTimeline | None = None
        """Of the rep that sounds or sounded last."""
        self.last_choke_s: float | None = None
        """Where in that rep a pedal last meant a choke."""
        self.doubts: dict[int, tuple[int, ...]] = {}
        """Label guessed from a press to the labels that it may be."""
        self.view: View = "glance"
        self.brush = CHOKED
        self.cursor = 0
        self.page = 0
        self.message = ""
        self._marked: list[tuple[Fault, ...]] = []
        """What was marked before each key of this rating, for taking back one by one."""
        self._last_label = 0
        self._item = -1
        self._started_ms = practice.now_ms()
        self._sound_shown = ""
        """What is wrong with the sound as the message line last had room to show it in full."""
        self._sound_told = ""
        """The same once the player has gone on: it is told once and then gives way."""

    def compose(self) -> ComposeResult:
        yield Stage(id="stage")

    def on_mount(self) -> None:
        self.view = "study" if self.coach.desk.settings.screen.view == "study" else "glance"
        self._poll = self.set_interval(1 / POLLS_PER_SECOND, self._tick, pause=True)
        self.set_interval(LOOK_EVERY_S, self.look)
        self.practice.on_rep = self._rep_sounds
        self.rig.notify_by(self._tell_pressed)
        self.rig.open()
        self._stamps = self._drill_stamps()
        self._after("")

    def on_unmount(self) -> None:
        # However the player leaves, a closed window included, what is marked is saved.
        self.practice.send(Stop(at_ms=self._now_ms()))
        self.rig.close()

    def _tell_pressed(self) -> None:
        self.post_message(self.Pressed())

    def _rep_sounds(self, start: StartRep, timeline: RepTimeline | None) -> None:
        """A rep starts, or with None is silenced: the click and the clock go out by MIDI, too."""
        if timeline is None:
            self.rig.stop()
            return
        self.timeline, self.last_choke_s = timeline, None
        self.doubts.clear()
        drill = self.practice.session.drill
        player = self.practice.player
        if drill is not None and player is not None:
            self.rig.play(start.passage, start.tempo_bpm, timeline, player, drill.tempo.beat_whole)

    def _drill_stamps(self) -> tuple[tuple[Path, int, int], ...]:
        drills = self.practice.session.drills.values()
        return stamps([Path(drill.path) for drill in drills if drill.path])

    def look(self) -> None:
        """Take up a drill that was edited in the meantime, between repetitions; tell what is wrong with it."""
        session = self.practice.session
        if session.phase not in (Phase.READY, Phase.REST):
            return
        now = self._drill_stamps()
        changed = [path for path, *_ in set(now) - set(self._stamps)]
        self._stamps = now
        for path in changed:
            try:
                drill = load_drill(path)
            except CoachError as error:
                more = f"  and {len(error.problems) - 1} more" if len(error.problems) > 1 else ""
                self.message = f"{problems_text(error).splitlines()[0]}{more}"
                self.draw()
                continue
            if drill.id not in session.drills:
                continue
            self.practice.session = session = reload_drill(session, drill)
            self.message = f"{path.name} is read anew"
            if session.excerpt is not None and session.excerpt.drill == drill.id:
                self.send(ChooseExcerpt(at_ms=self._now_ms(), excerpt=session.excerpt))
        self.draw()

    def on_resize(self) -> None:
        self.draw()

    def on_screen_resume(self) -> None:
        self._watch_time()
        self.draw()

    @property
    def scope(self) -> str:
        return self.practice.session.phase.value

    @property
    def stage(self) -> Stage:
        return self.query_one(Stage)

    def picture(self) -> Picture:
        """The session as it stands now."""
        practice, session = self.practice, self.practice.session
        screen = self.coach.desk.settings.screen
        sounding, drill, passage = practice.sounding, session.drill, session.passage
        position_s = practice.position_s
        beats: tuple[BeatAt, ...] = ()
        beat = None
        if passage is not None and drill is not None:
            beats = sounding.beats if sounding else beats_of(passage, session.tempo_bpm, drill.count_in_bars)
            if position_s is not None:
                beat = passage.tempo.beat_at(position_s, session.tempo_bpm)
        item = session.item
        number = f"  {session.index + 1} of {len(session.plan.items)}" if item else ""
        return Picture(
            phase=session.phase.value,
            view=self.view,
            hints=self.keymap.hints(self.scope),
            title=drill.title if drill else item.purpose.value if item else "",
            assigned=self._assigned(drill),
            item=(item.purpose.value if item else "") + number,
            passage=passage,
            instrument=drill.instrument if drill else None,
            ladder=session.ladder,
            clean_to_climb=session.rule.clean_to_climb,
            tempo_bpm=session.tempo_bpm,
            trying=session.probes > 0,
            beats=beats,
            position_s=position_s,
            beat=beat,
            marks=session.marks,
            brush=self.brush,
            cursor=self.cursor,
            page=self.page,
            message=self._message_now(),
            cue=self._cue(beat),
            run_on=session.run_on,
            left_handed=screen.left_handed,
            plain=screen.ascii,
        )

    def draw(self) -> int:
        """Show the session as it stands; returns how many rows were painted."""
        if not self.is_mounted or not self.size.width:
            return 0
        picture = self.picture()
        width, height = self.size.width, self.size.height
        if too_small(width, height):
            box = Box(0, 0, width, height)
            rows = draw_small(picture, box)
            return self.stage.show({"small": (rows, lambda: rows)}, {"small": box})
        layout = layout_of(picture, width, height)
        return self.stage.show(panes(picture, layout), layout)

    def send(self, event: SessionEvent) -> bool:
        """Give the session an event and show what came of it."""
        before = self.practice.session
        self._sound_told = self._sound_shown
        if SILENT in self._sound_told and not self._silence_known():
            self.coach.save_settings({"sound": {"silent_note_seen": True}})
        taken = self.practice.send(event)
        if taken:
            told = self.practice.messages[-1] if self.practice.messages else ""
            self.practice.messages.clear()
            self._after(told, before.phase)
        return taken

    def _after(self, told: str, before: Phase | None = None) -> None:
        """The session has moved on: a fresh rating starts with a fresh brush, a new item says why it is there."""
        session = self.practice.session
        if self.practice.messages:
            told = self.practice.messages[-1]
            self.practice.messages.clear()
        if before is not session.phase:
            self.brush, self.cursor, self.page = CHOKED, 0, 0
            self._marked.clear()
            self._last_label = 0
        if session.index != self._item:
            self._item = session.index
            told = told or self._why()
        self.message = told
        self._watch_time()
        self.draw()

    def _why(self) -> str:
        """Why the item is there; a try says what it is, since its tempo is not the rung."""
        session = self.practice.session
        if session.probes:
            return f"Try {session.tempo_bpm}: clean lifts the rung there, a fault costs nothing."
        return session.item.reason if session.item and session.item.excerpt else ""

    def _watch_time(self) -> None:
        if self.practice.sounding is not None or self.practice.waiting_s is not None:
            self._poll.resume()
        else:
            self._poll.pause()

    def _tick(self) -> None:
        before = self.practice.session
        if self.practice.tick():
            self._after("" if before.step is None else self.message, before.phase)
        else:
            self.draw()

    def _message_now(self) -> str:
        marks = in_words(self.practice.session.marks)
        waiting = self.practice.waiting_s
        parts = [marks] if marks else [plain_text(part) for part in self.message.split(BETWEEN)]
        marked = {fault.label for fault in self.practice.session.marks}
        for label, others in self.doubts.items():
            if label in marked and others:
                parts.append(f"{label} is a guess, may be {' or '.join(map(str, others))}")
        if self.practice.unsaved:
            parts.insert(0, f"NOT SAVED: {counted(self.practice.unsaved, 'result')} waiting for the disk")
        if waiting is not None:
            parts.append(f"next in {math.ceil(waiting)}")
        parts += self.rig.status
        parts = [part for part in parts if part]
        told = BETWEEN.join(parts)
        status = self.coach.player.status if self.practice.player is not None else ""
        new = status != self._sound_told and (SILENT in status or "sound lost" in status)
        if SILENT in status and self._silence_known():
            status, new = SILENT, self._sound_told == ""
        if not new or len(BETWEEN.join([*parts, status])) > max(self.size.width, LEAST_WIDTH):
            return told
        self._sound_shown = status
        return BETWEEN.join([*parts, status])

    def _silence_known(self) -> bool:
        """Whether the player has read in an earlier session, or earlier in this one, what silent mode is."""
        return bool(self.coach.desk.settings.sound.silent_note_seen)

    def _assigned(self, drill: Drill | None) -> tuple[str, ...]:
        today = self.coach.desk.today
        return (assignment_text(drill, today), goal_text(drill, today)) if drill and drill.assignment else ()

    def _cue(self, beat: float | None) -> str:
        """The cue of the bar that is played; before that, the phrase's own and what a teacher wrote.

        Cues speak of harmonics: a layer without any has none, and where there is one only, none speaks of the next.
        """
        session = self.practice.session
        if session.passage is None or session.drill is None:
            return session.item.reason if session.item else ""
        bars = session.passage.bars
        waits = beat is None or beat < 0
        note = teachers_note(session.drill) if waits else ""
        harmonics = sum(event.is_harmonic for event in session.passage.events)
        if not harmonics:
            return note
        if waits:
            phrase = session.drill.phrase(session.passage.excerpt.phrases[0])
            cues = [phrase.cue, bars[0].cue]
        else:
            bar = next(
                (bar for bar in reversed(bars) if beat is not None and float(bar.start) <= beat), bars[0]
            )
            cues = [bar.cue]
        fitting = [cue for cue in cues if cue and (harmonics > 1 or not _NEXT.search(cue))]
        return BETWEEN.join(words for words in (plain_text(fitting[0]) if fitting else "", note) if words)

    def _now_ms(self) -> int:
        return self.practice.now_ms()
