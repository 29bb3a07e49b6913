"""The session on the screen: it draws the session's state and sends events, and decides nothing.

Where the music is comes from the sound engine, polled while something plays and never counted here; the moment of
a key is the key event's own time.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from textual import events
from textual.app import ComposeResult

from coach.core.clicktrack import BeatAt, beats_of
from coach.core.excerpt import Excerpt, excerpts_of, whole_phrase
from coach.core.ladder import Moved
from coach.core.log import Fault, Outcome
from coach.core.plain import plain_text
from coach.core.plan import Purpose
from coach.core.session import Phase
from coach.core.session_events import (
    Again,
    ChooseExcerpt,
    ChooseLayer,
    Confirm,
    Cut,
    Easier,
    Go,
    Listen,
    Mark,
    Pause,
    RunOn,
    SessionEvent,
    SetTempo,
    Skip,
    Stop,
    Undo,
)
from coach.tui import marking
from coach.tui.base import CoachScreen
from coach.tui.help import AskScreen
from coach.tui.hints import hint_at
from coach.tui.lane import LaneLook, Pages, event_at
from coach.tui.layout import View
from coach.tui.session_view import Picture, lane_of, layout_of, page_labels, panes, shown_hints
from coach.tui.stage import Stage

if TYPE_CHECKING:
    from coach.practice import Practice

POLLS_PER_SECOND = 30
REACTION_S = 0.35
"""From a choked note to the key that says so: a guess, shown after the repetition."""
TEMPO_STEP = 0.05

_PURPOSES: dict[Purpose, str] = {
    Purpose.TUNE: "tune",
    Purpose.WARM_UP: "warm-up",
    Purpose.COLD: "cold: what stayed",
    Purpose.WEAK: "weak spot",
    Purpose.NEW: "new",
    Purpose.BUILD: "climb",
    Purpose.BREAK: "break",
    Purpose.PIECE: "the piece",
}


class SessionScreen(CoachScreen):
    """One practice session from its first item to its end."""

    def __init__(self, practice: Practice) -> None:
        super().__init__()
        self.practice = practice
        self.view: View = "glance"
        self.brush = Outcome.CHOKED
        self.cursor = 0
        self.page = 0
        self.message = ""
        self._marked: list[tuple[Fault, ...]] = []
        """What was marked before each key of this rating, for taking back one by one."""
        self._last_label = 0
        self._item = -1
        self._started_ms = practice.now_ms()

    def compose(self) -> ComposeResult:
        yield Stage(id="stage")

    def on_mount(self) -> None:
        self.view = "study" if self.coach.desk.settings.screen.view == "study" else "glance"
        self._poll = self.set_interval(1 / POLLS_PER_SECOND, self._tick, pause=True)
        self._after("")

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
            title=drill.title if drill else _PURPOSES[item.purpose] if item else "",
            item=(_PURPOSES[item.purpose] if item else "") + number,
            passage=passage,
            instrument=drill.instrument if drill else None,
            ladder=session.ladder,
            clean_to_climb=session.rule.clean_to_climb,
            tempo_bpm=session.tempo_bpm,
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
        layout = layout_of(picture, self.size.width, self.size.height)
        return self.stage.show(panes(picture, layout), layout)

    def send(self, event: SessionEvent) -> bool:
        """Give the session an event and show what came of it."""
        before = self.practice.session
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
            self.brush, self.cursor, self.page = Outcome.CHOKED, 0, 0
            self._marked.clear()
            self._last_label = 0
        if session.index != self._item:
            self._item = session.index
            told = told or (session.item.reason if session.item and session.item.excerpt else "")
        self.message = told
        self._watch_time()
        self.draw()

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
        marks = marking.in_words(self.practice.session.marks)
        waiting = self.practice.waiting_s
        parts = [marks] if marks else [plain_text(self.message)]
        if self.practice.unsaved:
            parts.insert(0, f"NOT SAVED: {self.practice.unsaved} results wait for the disk")
        if waiting is not None:
            parts.append(f"next in {math.ceil(waiting)}")
        status = self.coach.player.status if self.practice.player is not None else ""
        if "silent mode" in status or "sound lost" in status:
            parts.append(status)
        return "   ".join(part for part in parts if part)

    def _cue(self, beat: float | None) -> str:
        """The cue of the bar that is played; before that, the phrase's own."""
        session = self.practice.session
        if session.passage is None or session.drill is None:
            return session.item.reason if session.item else ""
        bars = session.passage.bars
        if beat is None or beat < 0:
            phrase = session.drill.phrase(session.passage.excerpt.phrases[0])
            return plain_text(phrase.cue or bars[0].cue)
        bar = next((bar for bar in reversed(bars) if float(bar.start) <= beat), bars[0])
        return plain_text(bar.cue)

    def other_key(self, event: events.Key) -> bool:
        """A label's key marks its event."""
        session = self.practice.session
        if session.passage is None or session.phase not in (Phase.RATING, Phase.PLAYING):
            return False
        for label, key in self._label_keys().items():
            if key == event.key:
                self._mark(label)
                return True
        return False

    def _label_keys(self) -> dict[int, str]:
        passage = self.practice.session.passage
        assert passage is not None
        pages, _look = self._lane()
        return dict(marking.keys_for(passage, page_labels(passage, pages, self.page)))

    def _lane(self) -> tuple[Pages, LaneLook]:
        picture = self.picture()
        layout = layout_of(picture, self.size.width, self.size.height)
        return lane_of(picture, layout["lane"])

    def _mark(self, label: int) -> None:
        session = self.practice.session
        if session.passage is None:
            return
        fault = marking.pressed(label, self.brush, session.marks, session.passage.event(label))
        self._send_mark(fault)

    def _send_mark(self, fault: Fault) -> None:
        self._marked.append(self.practice.session.marks)
        self._last_label = fault.label
        self.practice.send(Mark(at_ms=self._now_ms(), fault=fault))
        self.message = ""
        self.draw()

    def _now_ms(self) -> int:
        return self.practice.now_ms()

    def do_go(self) -> None:
        self.send(Go(at_ms=self._now_ms()))

    do_resume = do_go
    do_rest_over = do_go

    def do_broke_off(self) -> None:
        position = self.practice.position_s
        if position is None or position < 0:
            self.send(Pause(at_ms=self._now_ms()))
            self.send(Go(at_ms=self._now_ms()))
        else:
            self.send(Cut(at_ms=self._now_ms(), reached=self.practice.reached))

    def do_save(self) -> None:
        if self.send(Confirm(at_ms=self._now_ms())) and not self.message:
            self.message = self._what_it_did()
            self.draw()

    def _what_it_did(self) -> str:
        saved, step = self.practice.session.saved, self.practice.session.step
        rep = saved[-1] if saved else None
        if rep is None or rep.faults is None:
            return ""
        words = "clean" if not rep.faults else marking.in_words(rep.faults)
        if step is not None and step.kind is Moved.CLIMB:
            words += f": up to {step.to_bpm}"
        elif step is not None and step.kind is Moved.DROP and step.to_bpm != step.from_bpm:
            words += f": down to {step.to_bpm}"
        elif step is not None and step.kind is Moved.LANDED:
            words += ": landed"
        return f"saved, {words}"

    def do_choked(self) -> None:
        self._take_brush(Outcome.CHOKED)

    def do_late(self) -> None:
        self._take_brush(Outcome.LATE)

    def do_dropped(self) -> None:
        self._take_brush(Outcome.DROPPED)

    def _take_brush(self, outcome: Outcome) -> None:
        self.brush = outcome
        self.draw()

    def do_not_reached(self) -> None:
        session = self.practice.session
        first = self.cursor or self._last_label
        if session.passage is None or not first:
            self.message = "Move the cursor to where you stopped, then press it again."
            self.draw()
            return
        for event in session.passage.events:
            if (
                event.label >= first
                and Fault(event.label, Outcome.NOT_REACHED) not in self.practice.session.marks
            ):
                self._send_mark(Fault(event.label, Outcome.NOT_REACHED))

    def do_cause(self) -> None:
        choked = [mark for mark in self.practice.session.marks if mark.outcome is Outcome.CHOKED]
        newest = (mark for mark in choked if mark.label == self._last_label)
        chosen = next(newest, choked[-1] if choked else None)
        if chosen is None:
            self.message = "Mark what choked first, then say why."
            self.draw()
        else:
            self._send_mark(marking.next_cause(chosen))

    def do_choke_now(self) -> None:
        when = self.pressed_s or None
        position = self.practice.position_s_at(when) if when else self.practice.position_s
        event = self.practice.due(position - REACTION_S) if position is not None else None
        if event is not None:
            fault = Fault(event.label, Outcome.CHOKED)
            if fault not in self.practice.session.marks:
                self._send_mark(fault)

    def do_cursor_right(self) -> None:
        self._move_cursor(1)

    def do_cursor_left(self) -> None:
        self._move_cursor(-1)

    def _move_cursor(self, by: int) -> None:
        passage = self.practice.session.passage
        if passage is None:
            return
        self.cursor = min(max(self.cursor + by, 1), len(passage.events))
        pages, _look = self._lane()
        self.page = pages.page_of(float(passage.event(self.cursor).onset))
        self.draw()

    def do_mark_cursor(self) -> None:
        if self.cursor:
            self._mark(self.cursor)

    def do_again(self) -> None:
        self.send(Again(at_ms=self._now_ms()))

    def do_undo(self) -> None:
        session = self.practice.session
        if session.phase is Phase.RATING and self._marked:
            before = self._marked.pop()
            changed = set(session.marks) ^ set(before)
            for label in {fault.label for fault in changed}:
                wanted = next((fault for fault in before if fault.label == label), None)
                standing = next((fault for fault in session.marks if fault.label == label), None)
                fault = wanted or standing
                assert fault is not None
                self.practice.send(Mark(at_ms=self._now_ms(), fault=fault))
            self.draw()
            return
        self.send(Undo(at_ms=self._now_ms()))

    def do_slower(self) -> None:
        self._tempo(-1)

    def do_faster(self) -> None:
        self._tempo(1)

    def _tempo(self, way: int) -> None:
        tempo = self.practice.session.tempo_bpm
        self.send(SetTempo(at_ms=self._now_ms(), tempo_bpm=tempo + way * max(1, round(tempo * TEMPO_STEP))))

    def do_skip(self) -> None:
        self.send(Skip(at_ms=self._now_ms()))

    def do_easier(self) -> None:
        self.send(Easier(at_ms=self._now_ms()))

    def do_layer(self) -> None:
        session = self.practice.session
        choices = session.layer_choices
        if session.excerpt is None or len(choices) < 2:
            self.message = "This phrase has one layer only."
            self.draw()
            return
        current = session.excerpt.layer
        following = choices[(choices.index(current) + 1) % len(choices)] if current in choices else choices[0]
        self.send(ChooseLayer(at_ms=self._now_ms(), layer=following))

    def do_shorter(self) -> None:
        session = self.practice.session
        if session.excerpt is None or session.drill is None:
            return
        choices = self._shorter(session.excerpt)
        current = session.excerpt
        at = choices.index(current) if current in choices else -1
        self.send(ChooseExcerpt(at_ms=self._now_ms(), excerpt=choices[(at + 1) % len(choices)]))

    def _shorter(self, excerpt: Excerpt) -> list[Excerpt]:
        """The phrase whole, then its halves, nodes and moves in this layer."""
        drill = self.practice.session.drill
        assert drill is not None
        phrase = drill.phrase(excerpt.phrases[0])
        whole = whole_phrase(drill, phrase, excerpt.layer)
        parts = excerpts_of(drill, phrase, excerpt.layer)
        return [whole, *sorted(parts, key=lambda part: ("half", "node", "move").index(part.kind.value))]

    def do_listen(self) -> None:
        self.send(Listen(at_ms=self._now_ms()))

    def do_run_on(self) -> None:
        self.send(RunOn(at_ms=self._now_ms()))

    def do_pause(self) -> None:
        self.send(Pause(at_ms=self._now_ms()))

    def do_view(self) -> None:
        self.view = "study" if self.view == "glance" else "glance"
        self.draw()

    def do_louder(self) -> None:
        self.coach.change_volume(1)

    def do_softer(self) -> None:
        self.coach.change_volume(-1)

    def do_tuning(self) -> None:
        from coach.tui.tuning_screen import TuningScreen

        drills = self.coach.desk.library.drills
        self.app.push_screen(TuningScreen(drills[0].instrument))

    def do_stop(self) -> None:
        self.practice.hold_on()
        self._watch_time()
        self.app.push_screen(
            AskScreen(
                "End the session?",
                "What you rated is saved.",
                (
                    (("enter", "y"), "end", "end it here"),
                    (("h",), "hurts", "end it because something hurts"),
                    (("escape", "space", "n"), "stay", "go on practising"),
                ),
            ),
            self._stopped,
        )

    def _stopped(self, answer: str | None) -> None:
        if answer in ("end", "hurts"):
            self.send(Stop(at_ms=self._now_ms(), hurts=answer == "hurts"))
            self.do_to_summary()

    def do_to_summary(self) -> None:
        from coach.tui.summary import SummaryScreen

        self.app.switch_screen(SummaryScreen(self.practice, self.message, self._started_ms))

    def on_stage_tapped(self, tap: Stage.Tapped) -> None:
        """Touch and mouse: the key line does what it says, the lane marks; while playing, a touch is a choke."""
        session = self.practice.session
        if tap.pane == "keys":
            action = hint_at(shown_hints(self.picture()), tap.column, self.size.width)
            if action:
                self.act(action)
        elif tap.pane == "lane" and session.phase is Phase.RATING and session.passage is not None:
            pages, look = self._lane()
            label = event_at(session.passage, pages, look, tap.column, tap.row)
            if label:
                self._mark(label)
        elif session.phase is Phase.PLAYING:
            self.do_choke_now()
        elif (main := self.keymap.hints(self.scope)) and session.phase is not Phase.RATING:
            self.act(main[0][2])
