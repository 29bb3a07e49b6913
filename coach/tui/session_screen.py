"""The session on the screen: what each key and each touch asks of the session. It decides nothing itself."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from functools import partial, partialmethod

from textual import events

from coach.folder.actions import CAUSED, LABEL_KEYS, MOVING, Action, Phase, cause_action
from coach.midi.pedal import Action as PedalAction
from coach.midi.pedal import Moment, guess_event, meaning
from coach.music.excerpt import Passage, whole_phrase
from coach.music.passages import excerpts_of
from coach.rating.fault import Fault
from coach.rating.table import CAUSES, CHOKED, RESULTS, Cause, Result
from coach.session import events as on
from coach.session.states import Playing, Rating
from coach.tui import bigview, marking
from coach.tui.help import AskScreen
from coach.tui.hints import hint_at
from coach.tui.session_stage import SessionStage
from coach.tui.session_view import hint_word, idle_actions, layout_of, sheet_shown, shown_hints
from coach.tui.sheet import Sheet, SheetLook, event_at, keys_on
from coach.tui.stage import Stage
from coach.tui.stretch import ask_stretch
from coach.tui.summary import SummaryScreen

TEMPO_STEP = 0.05
RESULT_OF = {row.name: row for row in RESULTS}
CAUSE_OF = {cause_action(row): row for row in CAUSES}
SENDS: dict[str, on.SessionEvent] = {
    "go": on.Go(),
    "resume": on.Go(),
    "rest_over": on.Go(),
    "save": on.Confirm(),
    "as_heard": on.AsHeard(),
    "again": on.Again(),
    "undo": on.Undo(),
    "skip": on.Skip(),
    "easier": on.Easier(),
    "listen": on.Listen(),
    "run_on": on.RunOn(),
    "pause": on.Pause(),
}
"""By the ids of their actions."""
BY_FOOT: dict[PedalAction, dict[Phase, str]] = {
    "clean": {
        **dict.fromkeys((Phase.READY, Phase.LISTENING), "go"),
        Phase.RATING: "save",
        Phase.PAUSED: "resume",
        Phase.REST: "rest_over",
        Phase.DONE: "to_summary",
    },
    "again": {Phase.READY: "go", Phase.PLAYING: "again", Phase.RATING: "again"},
    "slower": dict.fromkeys(MOVING, "slower"),
    "faster": dict.fromkeys(MOVING, "faster"),
    "pause": {**dict.fromkeys(MOVING, "pause"), Phase.PAUSED: "resume"},
    "next": dict.fromkeys((*MOVING, Phase.RATING, Phase.REST), "skip"),
}
"""What a pedal's action does in each phase, as the screen's own action; `choked` marks and is none of these."""


class SessionScreen(SessionStage):
    """One practice session from its first item to its end."""

    def other_key(self, event: events.Key) -> bool:
        """A label's key marks its event."""
        session = self.practice.session
        if session.task is None or session.phase not in (Phase.RATING, Phase.PLAYING):
            return False
        for label, key in self._label_keys(session.task.passage).items():
            if key == event.key:
                self._mark(label)
                return True
        return False

    def touch_marks(self) -> list[tuple[str, str]]:
        """(key, number, place and mark) of every event that can be marked while a repetition is rated."""
        session, task = self.practice.session, self.practice.session.task
        if task is None or session.phase is not Phase.RATING:
            return []
        shown = marking.signs(session.marks, task.passage, task.drill.instrument)
        heard = {one.label: one.heard + "?" * bool(one.mark) for one in self.marks.heard()}
        texts = []
        for label, key in self._label_keys(task.passage).items():
            place = bigview.written(task.passage.event(label), task.drill.instrument)
            state = shown[label][0] if label in shown else heard.get(label, "")
            texts.append((key, f"{label}  {place}  {state}".strip()))
        return texts

    def touch_cue(self) -> str:
        """The cue of the moment, or what the coach has to say."""
        picture = self.picture()
        return picture.message or picture.cue

    def action_words(self, actions: Iterable[Action]) -> list[str]:
        """What each action does now: saving is `clean` until something is marked, and the brush in hand is marked.

        Nothing where it would only say that there is nothing to do it to.
        """
        picture = self.picture()
        idle = idle_actions(picture, self._sheet())
        words = ((action.id, hint_word(picture, action.label, action.id)) for action in actions)
        return ["" if action_id in idle else word for action_id, word in words]

    def _label_keys(self, passage: Passage) -> dict[int, str]:
        if shown := self._sheet():
            return keys_on(passage, shown[0], shown[1].page)
        return dict(zip((event.label for event in passage.events), LABEL_KEYS, strict=False))

    def _sheet(self) -> tuple[Sheet, SheetLook] | None:
        """The sheet for marking, where one is shown."""
        picture = self.picture()
        return sheet_shown(picture, layout_of(picture, self.size.width, self.size.height))

    def _mark(self, label: int) -> None:
        session = self.practice.session
        if session.task is None:
            return
        self._open_page_of(label)
        event = session.task.passage.event(label)
        brush = marking.brush_on(label, self.brush, self.marks)
        self._send_mark(marking.pressed(label, brush, session.marks, event))

    def _open_page_of(self, label: int) -> None:
        if shown := self._sheet():
            self.page = shown[0].page_of(label)

    def _send_mark(self, fault: Fault) -> None:
        self._last_label = fault.label
        self.send(on.Mark(fault))

    def do_broke_off(self) -> None:
        position = self.practice.position_s
        if position is None or position < 0:
            self.send(on.Pause())
            self.send(on.Go())
        else:
            self.send(on.Cut(reached=self.practice.reached))

    def handler(self, action_id: str) -> Callable[[], object]:
        """What does an action; those that send an event, or say a result or a cause, are rows of a table."""
        if sent := SENDS.get(action_id):
            return partial(self.send, sent)
        if result := RESULT_OF.get(action_id):
            return partial(self._say_result, result)
        if cause := CAUSE_OF.get(action_id):
            return partial(self._say_cause, cause)
        return super().handler(action_id)

    def _say_result(self, result: Result) -> None:
        if result.rest:
            self._mark_rest(result)
        else:
            self.brush = result
            self.draw()

    def _mark_rest(self, result: Result) -> None:
        first = self.cursor or self._last_label
        if not first:
            self.message = "Move the cursor to where you stopped, then press the key again."
            self.draw()
        elif self.send(on.MarkRest(first, result)):
            self._last_label = first

    def do_cause(self) -> None:
        if fault := self._to_explain(None):
            self._send_mark(marking.next_cause(fault))

    def _say_cause(self, cause: Cause) -> None:
        if fault := self._to_explain(cause):
            self._send_mark(replace(fault, cause=None if fault.cause is cause else cause))

    def _to_explain(self, cause: Cause | None) -> Fault | None:
        """What was marked last of what takes this cause, or any; a word to the player where nothing does."""
        marks = [mark for mark in self.practice.session.marks if marking.takes(mark.result, cause)]
        newest = (mark for mark in marks if mark.label == self._last_label)
        fault = next(newest, marks[-1] if marks else None)
        if fault is None:
            self.message = f"Mark an event as {CAUSED} first, then say why."
            self.draw()
        return fault

    def do_choke_now(self) -> None:
        self._choke_at(self.practice.about_s(self.pressed_s or None))

    def _choke_at(self, at_s: float) -> None:
        """Mark the event that a choke at a position in the rep is likely about."""
        task, timeline = self.practice.session.task, self.timeline
        if task is None or timeline is None:
            return
        harmonics = frozenset(event.label for event in task.passage.events if event.is_harmonic)
        guess = guess_event(timeline.onsets_s, at_s, self.rig.settings.foot.reaction_s, harmonics)
        if guess is None:
            return
        self.last_choke_s = at_s
        self._last_label = guess.label
        others = tuple(label for label in guess.possible if label != guess.label)
        self.send(
            on.Suggest(guess.label, CHOKED, CHOKED.word, 1 / len(guess.possible), on.Source.PEDAL, others)
        )

    def take_presses(self) -> None:
        for press in self.rig.take():
            # It goes on counting after the end, so that a press just after the last note is told from a rating.
            at_s, timeline = self.practice.about_s(press.at_s), self.timeline
            near = isinstance(self.practice.session.state, Playing | Rating)
            last_s = float(timeline.last_onset_s) if timeline else 0.0
            moment = Moment(near and timeline is not None, at_s, last_s, self.last_choke_s if near else None)
            action = meaning(press.actions, moment, self.rig.settings.foot)
            if action == "choked":
                self._choke_at(at_s)
            elif action and (chosen := BY_FOOT[action].get(self.practice.session.phase)):
                self.act(chosen, press.at_s)

    def _move_cursor(self, by: int) -> None:
        if task := self.practice.session.task:
            self.cursor = min(max(self.cursor + by, 1), len(task.passage.events))
            self._open_page_of(self.cursor)
            self.draw()

    def _turn(self, by: int) -> None:
        """Open another page of the sheet, with the cursor on its first event."""
        shown = self._sheet()
        if shown is None or len(shown[0].pages) == 1:
            self._move_cursor(by)
            return
        pages, open_now = shown[0].pages, shown[1].page
        page = min(max(open_now + by, 0), len(pages) - 1)
        if page != open_now:
            self.page, self.cursor = page, pages[page][0]
            self.draw()

    do_cursor_right, do_cursor_left = partialmethod(_move_cursor, 1), partialmethod(_move_cursor, -1)
    do_page_right, do_page_left = partialmethod(_turn, 1), partialmethod(_turn, -1)

    def do_mark_cursor(self) -> None:
        if self.cursor:
            self._mark(self.cursor)

    def _tempo(self, way: int) -> None:
        if task := self.practice.session.task:
            tempo = task.tempo_bpm
            asked = tempo + way * max(1, round(tempo * TEMPO_STEP))
            before = self.practice.session.coaching.rung_before_bpm(task.excerpt)
            # On the way back up the rung is not stepped over.
            self.send(on.SetTempo(before if tempo < before < asked else asked))

    do_slower, do_faster = partialmethod(_tempo, -1), partialmethod(_tempo, 1)

    def do_layer(self) -> None:
        task = self.practice.session.task
        choices = task.layers if task else ()
        if task is None or len(choices) < 2:
            self.message = "This phrase has only one layer."
            self.draw()
            return
        current = task.excerpt.layer
        following = choices[(choices.index(current) + 1) % len(choices)] if current in choices else choices[0]
        self.send(on.ChooseLayer(following))

    def do_play_through(self) -> None:
        """The piece or a run of its phrases, for the rest of this turn."""
        if task := self.practice.session.task:
            ask_stretch(self, task.drill, lambda run: self.send(on.ChooseExcerpt(run)))

    def do_shorter(self) -> None:
        """The phrase whole, its halves, nodes and moves in this layer: the one after what is practised now."""
        if task := self.practice.session.task:
            drill, layer = task.drill, task.excerpt.layer
            phrase = drill.phrase(task.excerpt.phrases[0])
            order = ("half", "node", "move")
            parts = sorted(excerpts_of(drill, phrase, layer), key=lambda part: order.index(part.kind.value))
            choices = [whole_phrase(drill, phrase, layer), *parts]
            at = choices.index(task.excerpt) if task.excerpt in choices else -1
            self.send(on.ChooseExcerpt(choices[(at + 1) % len(choices)]))

    def do_view(self) -> None:
        self.view = "study" if self.view == "glance" else "glance"
        self.draw()

    def do_stop(self) -> None:
        # The sound stops with the key; what was in progress is begun anew when the player goes on.
        self.send(on.Pause())
        session = self.practice.session
        marked = any(mark.result.fails for mark in session.marks)
        kept = ", and so are the marks you have just made" if marked else ""
        self.app.push_screen(
            AskScreen(
                "End the session?",
                f"What you rated is saved{kept}.",
                (
                    (("enter", "y"), "end", "end it here"),
                    (("h",), "hurts", "end it because something hurts"),
                    (("escape", "space", "n"), "go on", "go on practising"),
                ),
            ),
            self._stopped,
        )

    def _stopped(self, answer: str | None) -> None:
        if answer in ("end", "hurts"):
            self.send(on.Stop(hurts=answer == "hurts"))
            self.do_to_summary()
        elif self.practice.session.phase is Phase.PAUSED:
            self.send(on.Go())

    def do_to_summary(self) -> None:
        self.app.switch_screen(SummaryScreen(self.practice, self.message, self._started_ms))

    def on_stage_tapped(self, tap: Stage.Tapped) -> None:
        """Touch and mouse: the key line does what it says, the sheet marks; while playing, a touch is a choke."""
        session = self.practice.session
        if tap.pane == "keys":
            picture = self.picture()
            layout = layout_of(picture, self.size.width, self.size.height)
            action = hint_at(shown_hints(picture, layout), tap.column, self.size.width)
            if action:
                self.act(action)
        elif tap.pane == "sheet" and (shown := self._sheet()):
            if label := event_at(*shown, tap.column, tap.row):
                self._mark(label)
        elif session.phase is Phase.PLAYING:
            self.do_choke_now()
        elif (main := self.keymap.hints(self.scope)) and session.phase is not Phase.RATING:
            self.act(main[0][2])
