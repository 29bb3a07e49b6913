"""The whole way: performances are played into a sound server, `coach` hears them and its terminal says what choked.

One null sink carries the program's clicks and the performance; its monitor is the microphone. The performance is the
model of the strings. Its player hears by a microphone of their own when the program's count-in begins, and from then on
keeps to the grid, as a round does.
"""

from __future__ import annotations

import contextlib
import re
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from coach.log.log import Log
from coach.music.excerpt import whole_phrase
from coach.music.passages import passage_of
from coach.rating.fault import Fault
from coach.rating.table import CHOKED
from coach.score.load import load_drill
from coach.sound.capture import Capture
from coach.sound.engine import Engine
from coach.sound.player import now_s
from coach.sound.render import render_clicks
from coach.sound.timeline import Strike, rep_timeline
from coach.sound.tones import tones_of
from tests.hearing import performed
from tests.real.conftest import RATE, need
from tests.real.test_terminal_real import Terminal, coach
from tests.waiting import wait_for

pytestmark = pytest.mark.real

DRILL = """drill: 1
id: heard
title: Heard
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864}
meter: 4/4
tempo: {start: 96, goal: 110}
phrases:
  - id: one
    name: One
    bars:
      - harmonics: 1 G:<7>, 2 D:<5>, 3 G:<5>, 4 D:<7>
"""
SETTINGS = """screen: {tour_seen: true}
practice: {pause_s: 0}
sound: {hearing_note_seen: true}
listening: {on: true}
"""
LOUD = 0.01
THUD_S, LEFT_DB = 0.06, -16.0
"""What is left of a choked note: its beginning, and the harmonic by so much softer (a choke is 12 dB or more)."""
STROKE_DB = 1.5
BREATH_S = 0.25
"""Silence before a performance, in which it is found out when it will be heard."""


class Performance:
    """A player beside the program, with ears and hands of their own."""

    def __init__(self, engine: Engine, ears: Capture, drill: Path) -> None:
        self.engine, self.ears = engine, ears
        self.drill = load_drill(drill)
        self.passage = passage_of(self.drill, whole_phrase(self.drill, self.drill.phrases[0]))
        self.random = np.random.default_rng(5)

    def tie(self) -> None:
        """Find out by clicks how much later than reckoned the ears hear what the hands play."""
        clicks = render_clicks([Strike(0.1), Strike(0.6)], RATE, RATE)
        self.engine.play(clicks)
        wait_for(lambda: self.engine.position_s > 1.5, "the clicks")
        assert self.ears.align(clicks, now_s() - self.engine.position_s)

    def hears_a_click(self) -> float:
        """The moment at which the next sound begins."""
        since_s, loud = now_s(), np.zeros(0)

        def heard() -> bool:
            nonlocal loud
            until_s = self.ears.heard_until_s
            sound = self.ears.samples(since_s, until_s) if until_s > since_s else None
            loud = np.flatnonzero(np.abs(sound) > LOUD) if sound is not None else loud
            return bool(len(loud))

        wait_for(heard, "a click")
        return float(since_s + loud[0] / RATE)

    def plays(self, tempo_bpm: int, begins_s: float, choked: int = 0) -> float:
        """Play a repetition with the count-in that began or begins at a moment; returns when its last bar ends."""
        timeline = rep_timeline(self.passage, tempo_bpm, self.drill.click, self.drill.count_in_bars)
        strokes = []
        for tone, event in zip(
            tones_of(self.passage, self.drill.instrument, timeline), self.passage.events, strict=True
        ):
            louder_db = float(self.random.normal(0, STROKE_DB))
            if event.label == choked:
                strokes.append((replace(tone, duration_s=THUD_S), louder_db))
                louder_db += LEFT_DB
            strokes.append((tone, louder_db))
        sound = performed(strokes, RATE, float(timeline.end_s))
        self.engine.play(np.zeros(round(BREATH_S * RATE), dtype=np.float32))
        late = round((now_s() - self.engine.position_s + BREATH_S - begins_s) * RATE)
        assert late < float(timeline.count_in_s) * RATE, "too late to play along"
        self.engine.play(
            np.concatenate((np.zeros(max(-late, 0), dtype=np.float32), sound[max(late, 0) :])), join=True
        )
        return begins_s + float(timeline.end_s)


@contextlib.contextmanager
def practising(home: Path) -> Iterator[tuple[Terminal, Performance]]:
    """A session that listens, in a terminal, and a player beside it; at the end it is left with the keys."""
    folder = home / "practice"
    drill = folder / "drills" / "heard.yaml"
    drill.parent.mkdir(parents=True)
    drill.write_text(DRILL)
    (folder / "settings.yaml").write_text(SETTINGS)
    engine, ears = Engine(RATE), Capture("", RATE)
    words = ["env", f"HOME={home}", f"XDG_STATE_HOME={home}", coach(), "practice", "heard", "--through"]
    with engine, ears:
        window = Terminal(home, (100, 30), " ".join([*words, "--folder", str(folder)]))
        try:
            wait_for(lambda: engine.sounding and ears.listening, "the sound card")
            performance = Performance(engine, ears, drill)
            performance.tie()
            window.wait("minutes planned")
            window.press("Space")
            window.wait("simulated and sampled")
            window.press("Enter")
            window.wait("listening")
            yield window, performance
            window.end_session()
            window.press("q", "q", "q")
            window.wait("STATUS=0")
        finally:
            window.close()


def says_clean(window: Terminal, tempo_bpm: int) -> int:
    """Say clean in a round's bar of clicks; the tempo in bpm that it counts in."""
    climbs = re.search(r"up to (\d+) if clean", window.wait("1-4 choked"))
    window.type("Space")
    window.wait(lambda text: "1-4 choked" not in text)
    return int(climbs[1]) if climbs else tempo_bpm


def test_in_a_round_that_climbs_clean_passes_are_heard_as_clean_and_a_choke_is_suggested(pulse, tmp_path):
    need("tmux")
    with practising(tmp_path) as (window, performance):
        tempo_bpm = int(re.findall(r"^rung (\d+)", window.wait("space go"), re.MULTILINE)[0])
        window.type("Space")
        ends_s = performance.plays(tempo_bpm, performance.hears_a_click())
        for choked in (0, 0, 3):
            tempo_bpm = says_clean(window, tempo_bpm)
            ends_s = performance.plays(tempo_bpm, ends_s, choked)
        # What failed is named less surely than that something did (docs/listening.md).
        window.wait(lambda text: re.search(r"3: (quiet|other note|nothing)\?", text) is not None)
        window.type("h")
        window.wait("saved, choked 3")
    with Log.open(tmp_path / "practice" / "progress" / "log", now_ms=0, read_only=True) as log:
        reps = log.reps()
    heard = [{one.label: one.result for one in rep.suggestions} for rep in reps]
    assert [rep.faults for rep in reps] == [(), (), (), (Fault(3, CHOKED),)], heard
    assert reps[1].tempo_bpm < reps[2].tempo_bpm
    assert heard[2] == {1: "clean", 2: "clean", 3: "clean", 4: "clean"}
    assert {label for label, result in heard[3].items() if result not in ("clean", "unsure")} == {3}
    told = subprocess.run(
        [coach(), "report", "--folder", str(tmp_path / "practice")],
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    assert re.search(
        r"It agreed with you on (\d+) of \1 events; missed 0 of 1 that you marked; 0 false alarms",
        " ".join(told.split()),
    )
    # Measures are kept, and no sound: a minute of it at 16 kHz would be two million bytes.
    kept = [path for path in (tmp_path / "practice").rglob("*") if path.is_file()]
    assert any(path.parent.name == "ear" for path in kept)
    assert sum(path.stat().st_size for path in kept) < 1_000_000
