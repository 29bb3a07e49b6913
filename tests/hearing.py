"""A microphone in a test's hands: it holds what a test has rendered, and nothing sounds."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import cast

import numpy as np

from coach.listen.heard import Heard
from coach.listen.kept import EarShelf
from coach.music.excerpt import Passage
from coach.session.hearing import RATE_HZ, Hearing, Take
from coach.sound.capture import Capture, CaptureState, CaptureStatus
from coach.sound.levels import amplitude, limit
from coach.sound.render import RepSound
from coach.sound.timeline import RepTimeline, Strike, rep_timeline
from coach.sound.tones import Tone, tones_of
from coach.strings.instrument import Instrument
from tests.samples import sample_drill
from tests.screens import lamp
from tests.waiting import LONGEST_S

BPM = 60
NOISE = 3e-4
STROKE_DB = 1.5
"""By so much strokes differ, as a standard deviation."""


BY_HAND = CaptureStatus(CaptureState.LISTENING, "by hand")


@dataclass
class HeldMicrophone:
    """Stands for a `Capture`: hears `sound`, from moment 0 on."""

    rate_hz: int = RATE_HZ
    sound: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype=np.float32))
    status: CaptureStatus = BY_HAND
    opened: int = 0
    delay_s: float = 0.0
    hears_clicks: bool = True

    def start(self) -> None:
        self.opened += 1

    def stop(self) -> None:
        self.opened -= 1

    @property
    def heard_until_s(self) -> float:
        return len(self.sound) / self.rate_hz - self.delay_s

    def samples(self, from_s: float, until_s: float) -> np.ndarray | None:
        first = round((from_s + self.delay_s) * self.rate_hz)
        last = first + round((until_s - from_s) * self.rate_hz)
        return self.sound[first:last] if first >= 0 and last <= len(self.sound) else None

    def align(self, played: np.ndarray, from_s: float) -> bool:
        return self.hears_clicks


def performed(
    strokes: Iterable[tuple[Tone, float]], rate: int, length_s: float, strikes: Sequence[Strike] = ()
) -> np.ndarray:
    """The model as a hand plays it: each tone louder than the model's by so many dB, with clicks at these strikes."""
    sound = RepSound(strikes, (), rate, length_s=length_s)[:]
    for tone, louder_db in strokes:
        sound += np.float32(amplitude(louder_db)) * RepSound((), [tone], rate, length_s=length_s)[:]
    return limit(sound)


@dataclass
class Performer:
    """Plays a passage by the model of the strings, each time a little otherwise."""

    seed: int = 1

    def __post_init__(self) -> None:
        self.passage: Passage
        self.instrument: Instrument
        self.passage, self.instrument = lamp()
        self.rng = np.random.default_rng(self.seed)
        self.timeline: RepTimeline = rep_timeline(self.passage, BPM, sample_drill().click, 1)

    def take(self) -> Take:
        until_s = float(max(self.timeline.onsets_s.values())) + 0.46
        return Take(self.passage, self.instrument, BPM, self.timeline, 0.0, until_s, True, "wood", -12.0)

    def plays(self, choked: int = 0, clicks: bool = True) -> np.ndarray:
        """The sound of a repetition, with its clicks or without; of one event only a thud is left."""
        labels = [event.label for event in self.passage.events for _ in event.notes]
        strokes = []
        for tone, label in zip(tones_of(self.passage, self.instrument, self.timeline), labels, strict=True):
            seconds = 0.03 if label == choked else tone.duration_s
            strokes.append((replace(tone, duration_s=seconds), float(self.rng.normal(0, STROKE_DB))))
        length_s = float(self.timeline.end_s) + 1
        sound = performed(strokes, RATE_HZ, length_s, self.timeline.strikes if clicks else ())
        noise = self.rng.normal(0, NOISE, len(sound))
        return (sound + noise).astype(np.float32)


class Listener:
    """A `Hearing` whose answers a test waits for."""

    def __init__(self, microphone: HeldMicrophone, shelf: EarShelf) -> None:
        self.done = threading.Event()
        self.hearing = Hearing(cast(Capture, microphone), shelf, self.done.set)
        self.microphone = microphone

    def hears(self, performer: Performer, sound: np.ndarray) -> dict[int, Heard]:
        self.microphone.sound = sound
        self.after(lambda: self.hearing.judge(performer.take()))
        return {one.label: one for _, heard in self.hearing.collect() for one in heard}

    def learns(self) -> None:
        self.after(self.hearing.learn)

    def after(self, ask: Callable[[], None]) -> None:
        self.done.clear()
        ask()
        assert self.done.wait(LONGEST_S)


@dataclass
class SpokenEar:
    """An ear that says what a test puts into its mouth, of whatever it is given."""

    says: tuple[Heard, ...] = ()
    listens: bool = True
    status: str = ""
    opened: int = 0
    learnt: int = 0
    notify: Callable[[], object] = lambda: None
    takes: list[Take] = field(default_factory=list)
    answers: list[tuple[Take, tuple[Heard, ...]]] = field(default_factory=list)

    def open(self) -> None:
        self.opened += 1

    def close(self) -> None:
        self.opened -= 1

    def judge(self, take: Take) -> None:
        self.takes.append(take)

    def answer(self, at: int = -1) -> None:
        """What was given last is judged now, or another take by its index."""
        self.answers.append((self.takes[at], self.says))
        self.notify()

    def collect(self) -> list[tuple[Take, tuple[Heard, ...]]]:
        taken, self.answers = self.answers, []
        return taken

    def learn(self) -> None:
        self.learnt += 1

    def unlearn(self) -> None:
        self.learnt -= 1
