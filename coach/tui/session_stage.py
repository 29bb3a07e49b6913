"""What the session screen shows and how it follows the session; its keys are in `session_screen.py`.

Where the music is comes from the sound engine, polled while something plays and never counted here; the moment of
a key is the key event's own time.
"""

from __future__ import annotations

from abc import abstractmethod
from asyncio import to_thread
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from textual.app import ComposeResult

from coach.folder.actions import Phase
from coach.folder.library import drill_on_own
from coach.ground.problem import CoachError
from coach.listen.settings import MEASURED
from coach.music.clicktrack import beats_of
from coach.rating.table import CHOKED
from coach.score.load import load_drill
from coach.session.events import Reload, SessionEvent, Stop
from coach.session.notices import Saved
from coach.session.states import Amending, Music, Playing, Rating, Ready, Rest
from coach.tui.canvas import pane
from coach.tui.drill_files import problems_text, stamps
from coach.tui.help import AskScreen
from coach.tui.layout import Layout, View, too_small
from coach.tui.picture import Picture
from coach.tui.session_view import layout_of, moving, panes
from coach.tui.session_words import BETWEEN, SessionWords
from coach.tui.small import draw_small
from coach.tui.stage import Stage

if TYPE_CHECKING:
    from coach.midi.rig import Rig
    from coach.session.events import StartRep
    from coach.session.host import Practice
    from coach.sound.timeline import RepTimeline

POLLS_PER_SECOND = 25
LOOK_EVERY_S = 1.0


class SessionStage(SessionWords):
    """Draws the session's state, polls the engine while something plays, sends events."""

    BLANK = True
    """The stage covers it all."""

    def __init__(self, practice: Practice, rig: Rig) -> None:
        super().__init__(practice, rig)
        self.stage = Stage(id="stage")
        self.last_choke_s: float | None = None
        """Where in that rep a pedal last meant a choke."""
        self.view: View = "glance"
        self.brush = CHOKED
        self.cursor = 0
        self.page: int | None = None
        self._last_label = 0
        self._turn_id = ""
        self._drawn: tuple[Picture, Layout] | None = None
        """What was drawn last, and in which places."""
        self._started_ms = practice.now_ms()

    def compose(self) -> ComposeResult:
        yield self.stage

    def on_mount(self) -> None:
        self.view = "study" if self.coach.desk.settings.screen.view == "study" else "glance"
        self._poll = self.set_interval(1 / POLLS_PER_SECOND, self._tick, pause=True)
        self.set_interval(LOOK_EVERY_S, self.look)
        self.practice.on_rep = self._rep_sounds
        # The port and the ear have threads of their own.
        self.rig.notify_by(lambda: self.call_later(self.take_presses))
        self.rig.open()
        self._listen()
        self._stamps = self._drill_stamps()
        self._after()

    async def on_unmount(self) -> None:
        # However the player leaves, a closed window included, what is marked is saved.
        self.practice.send(Stop())
        self.rig.close()
        if self.practice.hearing:
            # Another screen is up meanwhile. What it has learnt is written, what it judged last is logged.
            await to_thread(self.practice.hearing.close)
            self.practice.take_heard()

    def _listen(self) -> None:
        """Turn the ear on where the player wants it; before the first time say what it was measured on."""
        if self.practice.hearing is None:
            return
        if self.coach.desk.settings.listening.note_seen:
            self._may_listen("listen")
            return
        answers = ((("enter", "space"), "listen", "go on"), (("n", "escape"), "off", "don't listen"))
        self.app.push_screen(
            AskScreen("The coach listens while you play", MEASURED, answers), self._may_listen
        )

    def _may_listen(self, answer: str | None) -> None:
        hearing = self.practice.hearing
        if hearing is None or answer != "listen":
            self.practice.hearing = None
            self.coach.save_settings({"listening": {"on": False}})
            return
        hearing.notify = lambda: self.call_later(self._take_heard)
        hearing.open()
        self.coach.save_settings({"listening": {"note_seen": True}})

    def _take_heard(self) -> None:
        self.practice.take_heard()
        self.draw()

    @abstractmethod
    def take_presses(self) -> None:
        """Take the pedal's presses, each as what it means at its moment."""

    def _rep_sounds(self, start: StartRep, timeline: RepTimeline | None) -> None:
        """A rep starts, or with None is silenced: the click and the clock go out by MIDI, too."""
        if timeline is None:
            self.rig.stop()
            return
        self.last_choke_s = None
        player = self.practice.player
        if player is not None:
            self.rig.play(start.passage, start.tempo_bpm, timeline, player, start.drill.tempo.beat_whole)

    @property
    def timeline(self) -> RepTimeline | None:
        """Of the repetition that marks are about."""
        return self.practice.about.timeline if self.practice.about else None

    def _drill_stamps(self) -> tuple[tuple[Path, int, int], ...]:
        drills = self.practice.session.drills.values()
        return stamps([Path(drill.path) for drill in drills if drill.path])

    def look(self) -> None:
        """Take up a drill that was edited in the meantime, between repetitions; tell what is wrong with it."""
        if not isinstance(self.practice.session.state, Ready | Rest):
            if self.practice.session.phase is Phase.RATING:
                # No key is pressed when a microphone or a sound card comes or goes.
                self.draw()
            return
        now = self._drill_stamps()
        changed = [path for path, *_ in set(now) - set(self._stamps)]
        self._stamps = now
        for path in changed:
            try:
                drill = drill_on_own(load_drill(path), self.coach.desk.settings.instruments)
            except CoachError as error:
                more = f"  and {len(error.problems) - 1} more" if len(error.problems) > 1 else ""
                self.message = f"{problems_text(error).splitlines()[0]}{more}"
                self.draw()
                continue
            if drill.id in self.practice.session.drills:
                self.send(Reload(drill))
        self.draw()

    def on_screen_resume(self) -> None:
        self._watch_time()
        self.draw()

    @property
    def scope(self) -> str:
        return self.practice.session.phase.value

    @property
    def phase(self) -> Phase:
        """What is shown: behind the question whether to end, the marks stay."""
        music, phase = self.practice.session.music, self.practice.session.phase
        return Phase.RATING if phase is Phase.PAUSED and isinstance(music, Rating | Amending) else phase

    def picture(self) -> Picture:
        """The session as it stands now."""
        practice, session = self.practice, self.practice.session
        screen = self.coach.desk.settings.screen
        turn, music = session.turn, session.music
        picture = Picture(
            phase=self.phase.value,
            view=self.view,
            hints=self.keymap.hints(self.scope),
            title=turn.item.purpose.value if turn else "",
            item=f"{self._purpose(turn)}  item {turn.number + 1}" if turn else "",
            marks=session.marks,
            heard=self.marks.heard(),
            guesses=frozenset(one.label for one in self.marks.doubts()),
            brush=self.brush,
            cursor=self.cursor,
            page=self.page,
            message=self._message_now(),
            cue=self._cue(None),
            then=(self._announced() or ("", ""))[1],
            minutes_left=self._minutes_left(),
            unsaved=bool(practice.unsaved),
            listens=bool(practice.hearing and practice.hearing.listens),
            run_on=isinstance(session.state, Ready | Playing) and session.state.runs_on,
            left_handed=screen.left_handed,
            plain=screen.ascii,
        )
        if music is None:
            return picture
        task, (position_s, beat) = music.task, self._place(music)
        return replace(
            picture,
            title=task.drill.title,
            assigned=self._assigned(task.drill),
            passage=task.passage,
            instrument=task.drill.instrument,
            rung=session.coaching.rung(task.excerpt),
            tempo_bpm=task.tempo_bpm,
            next_bpm=music.next_bpm if isinstance(music, Rating) else 0,
            beats=practice.sounding.beats
            if practice.sounding
            else beats_of(task.passage, task.tempo_bpm, task.drill.count_in_bars),
            position_s=position_s,
            beat=beat,
            cue=self._cue(beat),
        )

    def _place(self, music: Music | None) -> tuple[float | None, float | None]:
        """Where the music is, in seconds and in tempo beats."""
        position_s = self.practice.position_s
        # In a round's bar of clicks the events before the player are those to be rated, not those to come.
        if music is None or position_s is None or isinstance(music, Rating):
            return position_s, None
        return position_s, music.task.passage.tempo.beat_at(position_s, music.task.tempo_bpm)

    def _minutes_left(self) -> float:
        """What the items ahead are meant to take, with what is left of this one."""
        session = self.practice.session
        turn = session.turn
        if turn is None:
            return 0.0
        spent = (self.practice.now_ms() - turn.started_ms) / 60_000
        ahead = session.coaching.items[turn.number + 1 :]
        return max(turn.item.minutes - spent, 0.0) + sum(item.minutes for item in ahead)

    def draw(self) -> int:
        """Show the session as it stands; returns how many rows were painted."""
        if not self.is_mounted or not self.size.width:
            return 0
        picture = self.picture()
        self._drawn = None
        width, height = self.size.width, self.size.height
        if too_small(width, height):
            return self.stage.fill(pane(draw_small, picture), width, height)
        layout = layout_of(picture, width, height)
        self._drawn = picture, layout
        return self.stage.show(panes(picture, layout), layout)

    on_resize = draw

    def _move(self) -> bool:
        """Show where the music is; False where more than that has changed since all was drawn."""
        if self._drawn is None:
            return False
        before, layout = self._drawn
        position_s, beat = self._place(self.practice.session.music)
        now = before.moved(position_s, beat, self._message_now())
        if now is None:
            return False
        self.stage.change(moving(now, layout), layout)
        return True

    def send(self, event: SessionEvent) -> bool:
        """Give the session an event and show what came of it."""
        before = self.practice.session.phase
        self._seen()
        taken = self.practice.send(event)
        if taken:
            self._after(before)
        return taken

    def _after(self, before: Phase | None = None, message: str = "") -> None:
        """The session has moved on: a fresh rating starts with a fresh brush, a new item says why it is there."""
        session, new = self.practice.session, self.practice.take_notices()
        if before is not session.phase:
            self.brush, self.cursor, self.page = CHOKED, 0, None
            self._last_label = 0
        parts = [str(notice) for notice in new]
        turn = session.turn.id if session.turn else ""
        if turn != self._turn_id:
            self._turn_id = turn
            if not [notice for notice in new if not isinstance(notice, Saved)]:
                parts.append(
                    self._why(named=any(isinstance(notice, Saved) and notice.title for notice in new))
                )
        self.message = BETWEEN.join(part for part in parts if part) or message
        self._watch_time()
        self.draw()

    def _watch_time(self) -> None:
        if self.practice.sounding is not None or self.practice.waiting_s is not None:
            self._poll.resume()
        else:
            self._poll.pause()

    def _tick(self) -> None:
        before = self.practice.session.phase
        if self.practice.tick():
            # What a rating brought stays to be read while the next repetition starts by itself.
            self._after(before, self.message if before is Phase.READY else "")
        elif not self._move():
            self.draw()
