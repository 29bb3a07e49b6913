"""The ear beside a session: it judges each repetition and learns from clean ones, in a thread of its own.

Nothing here decides anything, and nothing that fails here stops a session: what is wrong is one line, `status`, and
practice goes on without. Sound stays in memory (`coach.sound.capture`); what is kept on the disk are measures
(`coach.listen.kept`).
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from coach.ground.problem import CoachError
from coach.listen.clicks import ClickSound, Strike
from coach.listen.ear import Ear
from coach.listen.heard import Heard, unlike
from coach.listen.kept import EarShelf, new_ear
from coach.listen.look import Look
from coach.listen.recording import Recording, without_click, without_clicks
from coach.listen.scene import note_key
from coach.listen.start import Beginning, beginning_of
from coach.sound.capture import Capture, CaptureState
from coach.sound.input_level import is_silent
from coach.sound.player import now_s
from coach.sound.render import render_clicks

if TYPE_CHECKING:
    from coach.music.excerpt import Passage
    from coach.sound.timeline import RepTimeline
    from coach.strings.instrument import Instrument

RATE_HZ = 16_000
KEPT_S = 400.0
"""Of sound in memory, 26 MB: a longer repetition is not judged."""
PATIENCE_S = 2.0
"""For sound that was played and is still on its way."""
CLOCK_S = 0.03
"""By so much the clock may be wrong: the ear learns it with each node's rise."""
MOST_LAG_S = 0.5
"""A wireless headphone is later by less."""
UNHEARD = "The microphone missed a part of it: nothing is suggested."
UNLIKE = "Most of it sounds unlike the passage: nothing is suggested."
SILENT = "The microphone hears nothing: is it muted, or unplugged?"
LEARNS = "the ear learns from repetitions that you rate clean"


@dataclass(frozen=True)
class Take:
    """One repetition as it was played: what, and when."""

    passage: Passage
    instrument: Instrument
    tempo_bpm: int
    timeline: RepTimeline
    start_s: float
    """When its count-in began to be heard, on the clock of `coach.sound.player`."""
    until_s: float
    """The same of what is judged: up to the last event's sound, or to where it was broken off."""
    alone: bool
    """No music was played in its count-in."""
    click: str
    click_db: float


@dataclass
class Hearing:
    """Hands takes to the ear and its judgements back. `judge`, `learn` and `unlearn` return at once."""

    microphone: Capture
    shelf: EarShelf
    notify: Callable[[], object] = lambda: None
    """Called from the ear's thread when there is something to take."""
    remark: str = ""
    """What keeps the ear from judging, or that it is still learning, in one line; empty for neither."""
    _jobs: queue.SimpleQueue[Callable[[], None] | None] = field(default_factory=queue.SimpleQueue)
    _judged: queue.SimpleQueue[tuple[Take, tuple[Heard, ...]]] = field(default_factory=queue.SimpleQueue)
    _thread: threading.Thread | None = None
    _ears: dict[Instrument, Ear] = field(default_factory=dict)
    _before: dict[Instrument, Ear] = field(default_factory=dict)
    """Each ear without what it learnt last."""
    _last: tuple[Take, Recording] | None = None
    _looked: tuple[Ear, tuple[Look, ...]] | None = None
    """The ear that judged it, and how it looked to this ear."""
    _click: ClickSound | None = None
    _tied: bool = False
    """Whether the microphone's clock was tied to what was played, by clicks or, as with headphones, by notes."""

    def open(self) -> None:
        """Turn the microphone on; returns at once."""
        if self._thread is None:
            self.microphone.start()
            self._thread = threading.Thread(target=self._work, name="ear", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Turn the microphone off and keep what was learnt; waits some seconds at most."""
        if self._thread is not None:
            self._jobs.put(self._keep)
            self._jobs.put(None)
            self._thread.join(2 * PATIENCE_S)
            self._thread = None
            self.microphone.stop()

    @property
    def listens(self) -> bool:
        return self.microphone.status.state is CaptureState.LISTENING

    @property
    def status(self) -> str:
        """What keeps it from hearing, or `remark`; empty for neither."""
        state = self.microphone.status.state
        return str(self.microphone.status) if state in (CaptureState.NONE, CaptureState.LOST) else self.remark

    def judge(self, take: Take) -> None:
        """Judge a take as soon as all of it was heard."""
        self._jobs.put(lambda: self._judge(take))

    def learn(self) -> None:
        """The take that was judged last was rated clean."""
        self._jobs.put(self._learn)

    def unlearn(self) -> None:
        """That rating was taken back."""
        self._jobs.put(lambda: self._ears.update(self._before))

    def collect(self) -> list[tuple[Take, tuple[Heard, ...]]]:
        """What was judged since this was last asked."""
        taken = []
        while not self._judged.empty():
            taken.append(self._judged.get())
        return taken

    def _work(self) -> None:
        while (job := self._jobs.get()) is not None:
            try:
                job()
            except CoachError as error:
                self.remark = str(error)
            except Exception as error:
                self.remark = f"listening failed ({type(error).__name__}): going on without it"
            self.notify()

    def _ear(self, instrument: Instrument) -> Ear:
        if instrument not in self._ears:
            # Where the file is damaged, the ear learns anew, and the problem is told.
            self._ears[instrument] = new_ear(instrument)
            self._ears[instrument] = self.shelf.load(instrument)
        return self._ears[instrument]

    def _judge(self, take: Take) -> None:
        self.remark, self._last, self._looked = "", None, None
        recording = self._recording(take)
        if recording is None:
            self.remark, self._tied = UNHEARD if self.listens else "", False
            return
        if is_silent(recording.samples):
            self.remark = SILENT
            return
        self._last = take, recording
        ear = self._ear(take.instrument)
        known = {
            event.label
            for event in take.passage.events
            if any(note_key(placed.note) in ear.notes for placed in event.notes)
        }
        self.remark = "" if known else LEARNS
        looks = ear.looks(recording) if known else ()
        self._looked = ear, looks
        heard = tuple(one for one in ear.heard(looks) if one.label in known)
        if unlike(heard):
            # Headphones that were put on since come later than the clicks before them.
            self.remark, heard, self._tied = UNLIKE, (), False
        self._judged.put((take, heard))

    def _recording(self, take: Take) -> Recording | None:
        """The sound of a take, from its count-in on; None where not all of it was heard."""
        rate_hz, lead_s = self.microphone.rate_hz, float(take.timeline.count_in_s)
        self._wait_until_heard(take)
        clicks_heard = take.alone and self._align(take, lead_s)
        if not (clicks_heard or self._tied):
            self._align_by_notes(take, lead_s)
        self._tied |= clicks_heard
        # What was found may be that it comes later than was waited for.
        self._wait_until_heard(take)
        samples = self.microphone.samples(take.start_s, take.until_s)
        if samples is None:
            return None
        strikes = tuple(
            Strike(float(one.at_s), one.kind == "accent")
            for one in take.timeline.strikes
            if one.kind != "subdivision"
        )
        recording = Recording(samples, rate_hz, take.passage, take.tempo_bpm, lead_s)
        if not take.alone:
            return without_click(recording, self._click, strikes) if self._click else recording
        recording = without_clicks(recording, strikes) if clicks_heard else recording
        self._click = recording.click
        return recording

    def _wait_until_heard(self, take: Take) -> None:
        deadline_s = now_s() + PATIENCE_S
        while self.listens and self.microphone.heard_until_s < take.until_s and now_s() < deadline_s:
            time.sleep(0.01)

    def _align_by_notes(self, take: Take, lead_s: float) -> None:
        """Find from the notes how much later they come than by the clock, where that is more than the ear allows."""
        samples = self.microphone.samples(take.start_s, take.until_s)
        if samples is None:
            return
        rate_hz, passage = self.microphone.rate_hz, take.passage
        beginning = beginning_of(samples, rate_hz, passage, take.tempo_bpm, take.instrument, ())
        if isinstance(beginning, Beginning) and abs(beginning.at_s - lead_s) <= MOST_LAG_S:
            self._tied = True
            if abs(beginning.at_s - lead_s) > CLOCK_S:
                self.microphone.delay_s += beginning.at_s - lead_s

    def _align(self, take: Take, lead_s: float) -> bool:
        """Tie the microphone's clock to the count-in's clicks; whether they are heard."""
        rate_hz = self.microphone.rate_hz
        count_in = [one for one in take.timeline.strikes if float(one.at_s) < lead_s]
        played = render_clicks(count_in, rate_hz, round(lead_s * rate_hz), take.click, take.click_db)
        return bool(count_in) and self.microphone.align(played, take.start_s)

    def _learn(self) -> None:
        if self._last is not None:
            take, recording = self._last
            judge, looks = self._looked or (None, ())
            ear = self._ear(take.instrument)
            self._before = {take.instrument: ear}
            self._ears[take.instrument] = ear.learn(recording, looks if ear is judge else ())

    def _keep(self) -> None:
        for instrument, ear in self._ears.items():
            if ear.notes:
                self.shelf.save(instrument, ear)
