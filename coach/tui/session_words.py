"""What the session screen says in words: the message line, the cue, what the turn is for and what follows it.

The message line tells the most important first; what is wrong with sound or ear in full once, where it has room.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from coach.ground.plain import counted, plain_text
from coach.learning.plan import Purpose
from coach.rating.fault import in_words
from coach.session.notices import guessed, offered, unmarked
from coach.session.states import Amending, Listening, Marks, Playing, Rating
from coach.session.turns import announced
from coach.sound.player import SoundState, SoundStatus
from coach.tui import bigview
from coach.tui.base import CoachScreen
from coach.tui.canvas import first_that_fit
from coach.tui.focus import focus_at
from coach.tui.layout import LEAST_WIDTH
from coach.words.names import assignment_text, excerpt_name, goal_text, teachers_note

if TYPE_CHECKING:
    from coach.midi.rig import Rig
    from coach.music.drill import Drill
    from coach.session.coaching import Turn
    from coach.session.host import Practice

BETWEEN = "   "
"""Between what the message line tells."""
_NEXT = re.compile(r"\bnext\b", re.IGNORECASE)


class SessionWords(CoachScreen):
    """Puts a session's state into words, for `SessionStage` to show."""

    def __init__(self, practice: Practice, rig: Rig) -> None:
        super().__init__()
        self.practice = practice
        self.rig = rig
        self.message = ""
        self._sound_shown: SoundStatus | None = None
        """What is wrong with the sound as the message line last had room to show it in full."""
        self._ear_shown = self._ear_seen = ""
        """The same of what keeps the ear from hearing."""
        self._sound_seen: SoundStatus | None = None
        """The same once the player has gone on: it is told once and then gives way."""

    def _seen(self) -> None:
        """The player has gone on: what was told of sound and ear gives way."""
        self._ear_seen, self._sound_seen = self._ear_shown, self._sound_shown
        seen = self._sound_seen
        if seen is not None and seen.state is SoundState.SILENT and not self._silence_known():
            self.coach.save_settings({"sound": {"silent_note_seen": True}})

    @property
    def marks(self) -> Marks:
        """What is marked and suggested on the repetition that sounds or is rated."""
        music = self.practice.session.music
        return music.marks if isinstance(music, Playing | Rating | Amending) else Marks()

    def _message_now(self) -> str:
        marks = in_words(self.practice.session.marks)
        waiting = self.practice.waiting_s
        parts = [marks] if marks else []
        parts += [plain_text(part) for part in self.message.split(BETWEEN)]
        parts += self._counted_in()
        parts = [part for part in parts if part]
        parts += first_that_fit(self._suggested(), lambda told: self._fit([*parts, *told]))
        parts += self._announced()[:1]
        if self.practice.unsaved:
            parts.insert(0, f"NOT SAVED: {counted(self.practice.unsaved, 'result')} waiting for the disk")
        if waiting:
            parts.append(f"next in {math.ceil(waiting)}")
        parts += self.rig.status
        parts = [part for part in parts if part]
        ear, sound, unheard = self._ear(), self._sound(), self._unheard()
        if unheard:
            parts, sound = [*parts, unheard], ""
        # Alone each is shown as far as the line goes. Without sound nobody can play along; that the microphone is
        # off, the first line shows too.
        if sound and (not parts or self._fit([*parts, sound])):
            self._sound_shown = self.coach.player.status
            parts.append(sound)
        if ear and (not parts or self._fit([*parts, ear])):
            self._ear_shown = ear
            parts.append(ear)
        return BETWEEN.join(parts)

    def _fit(self, parts: list[str]) -> bool:
        """Whether the line has room for all of it."""
        return len(BETWEEN.join(parts)) <= max(self.size.width, LEAST_WIDTH)

    def _ear(self) -> str:
        """What keeps the ear from hearing and is not told yet."""
        status = self.practice.hearing.status if self.practice.hearing else ""
        return status if status != self._ear_seen else ""

    def _sound(self) -> str:
        """What is wrong with the sound and is not told yet."""
        if self.practice.player is None:
            return ""
        status, seen = self.coach.player.status, self._sound_seen
        if status.state is SoundState.SILENT and self._silence_known():
            return "" if seen else status.unheard
        wrong = status.state in (SoundState.SILENT, SoundState.LOST)
        return str(status) if wrong and status != seen else ""

    def _unheard(self) -> str:
        """Why the phrase that plays to the player can't be heard; empty where it can, and where none does."""
        if self.practice.player is None or not isinstance(self.practice.session.state, Listening):
            return ""
        why = self.coach.player.status.unheard
        return f"nothing can be heard: {why}" if why else ""

    def _announced(self) -> tuple[str, ...]:
        """What is expected to follow the turn, and its first note; empty where nothing is.

        Its tempo follows from the rating that is still to come, so it is shown when the item stands ready.
        """
        session = self.practice.session
        item = announced(session)
        part = session.coaching.material.part(item.excerpt) if item and item.excerpt else None
        if item is None or part is None:
            return ()
        first = focus_at(part.passage, None).now
        instrument = session.drills[part.excerpt.drill].instrument
        name = excerpt_name(part.excerpt, part.passage.title)
        return f"then {name}", bigview.written(first, instrument) if first else ""

    def _counted_in(self) -> list[str]:
        """That the bar of clicks is faster than the repetition before it."""
        match self.practice.session.state:
            case Rating(_, task, marks=Marks(faults=()), next_bpm=next_bpm) if next_bpm > task.tempo_bpm:
                return [f"up to {next_bpm} if clean"]
        return []

    def _suggested(self) -> list[str]:
        """What was suggested and is not certain."""
        told = [guessed(one.label, one.others) for one in self.marks.doubts()]
        told += [offered(one.label, one.heard) for one in self.marks.heard() if one.mark]
        hidden: dict[str, list[int]] = {}
        for one in self.marks.heard():
            if not one.mark:
                hidden.setdefault(one.heard, []).append(one.label)
        return told + [unmarked(heard, labels) for heard, labels in hidden.items()]

    def _silence_known(self) -> bool:
        """Whether the player has read in an earlier session, or earlier in this one, what silent mode is."""
        return bool(self.coach.desk.settings.sound.silent_note_seen)

    def _why(self, named: bool) -> str:
        """Why the item is there, by name where another is told of too; where it begins, what the teacher wrote."""
        music = self.practice.session.music
        if music is None:
            return ""
        item, task = music.turn.item, music.task
        note = teachers_note(task.drill) if item.purpose is Purpose.BEGIN else ""
        return " ".join(filter(None, (f"{task.name}:" if named else "", item.reason, note)))

    def _purpose(self, turn: Turn) -> str:
        """What the turn is for as things stand: what landed and is at its goal climbs no further."""
        purpose, session = turn.item.purpose, self.practice.session
        if session.task is None or purpose not in (Purpose.CLIMB, Purpose.AT_GOAL):
            return purpose.value
        rung = session.coaching.rung(session.task.excerpt)
        return (Purpose.AT_GOAL if rung.landed and rung.bpm >= rung.goal_bpm else Purpose.CLIMB).value

    def _assigned(self, drill: Drill | None) -> tuple[str, ...]:
        today = self.coach.desk.today
        return (assignment_text(drill, today), goal_text(drill, today)) if drill and drill.assignment else ()

    def _cue(self, beat: float | None) -> str:
        """The cue of the bar that is played; before that, the phrase's own and what a teacher wrote.

        Cues speak of harmonics: a layer without any has none, and where there is one only, none speaks of the next.
        """
        session = self.practice.session
        if session.task is None:
            return session.turn.item.reason if session.turn else ""
        drill, passage = session.task.drill, session.task.passage
        bars = passage.bars
        waits = beat is None or beat < 0
        note = teachers_note(drill) if waits else ""
        harmonics = sum(event.is_harmonic for event in passage.events)
        if not harmonics:
            return note
        if waits:
            phrase = drill.phrase(passage.excerpt.phrases[0])
            cues = [phrase.cue, bars[0].cue]
        else:
            bar = next(
                (bar for bar in reversed(bars) if beat is not None and float(bar.start) <= beat), bars[0]
            )
            cues = [bar.cue]
        fitting = [cue for cue in cues if cue and (harmonics > 1 or not _NEXT.search(cue))]
        return BETWEEN.join(words for words in (plain_text(fitting[0]) if fitting else "", note) if words)
