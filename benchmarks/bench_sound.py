"""How fast sound is rendered, and how exact audio and MIDI are over real servers.

Rendering stands beside real time, and beside the same sum of partials written plainly in numpy: sin and exp of every
sample. PulseAudio's null sink and JACK's dummy driver are started privately, as the tests in `tests/real` do; without
PulseAudio the onsets are those of the rendered samples, and the row says so; without JACK there is no row.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import shutil
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Iterator
from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

# Before numpy: `coach` has it use one thread.
import coach  # noqa: F401  # isort: skip
import numpy as np

from benchmarks.measure import Goal, Options, Row, beside, cpu_ms, in_turns, percentile
from coach.music.rhythm import sample_at
from coach.sound.feed import Feed, Pieces
from coach.sound.render import RepSound, click_shape, render_clicks
from coach.sound.timeline import Strike
from coach.sound.tones import Tone, partials_of
from coach.strings.node import nodes_upto

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE = 48_000


def a_minute() -> tuple[list[Strike], list[Tone]]:
    """Two clicks, a bass note and four harmonics a second."""
    strikes = [Strike(Fraction(beat, 2), "beat" if beat % 4 else "accent") for beat in range(120)]
    nodes = nodes_upto(9)
    tones = [Tone(Fraction(index, 4), 1.0, 73.4162, nodes[index % len(nodes)]) for index in range(240)]
    tones += [Tone(Fraction(index), 1.0, 41.2034, fret=index % 8, stiffness_b=3e-4) for index in range(60)]
    return strikes, tones


def plain_rendering(strikes: list[Strike], tones: list[Tone]) -> NDArray[np.float64]:
    """The same partials and clicks, summed as anyone would write it first."""
    pcm = np.zeros(62 * RATE)
    for tone in tones:
        start, time_s = (
            sample_at(Fraction(tone.onset_s), RATE),
            np.arange(round(tone.duration_s * RATE)) / RATE,
        )
        for partial in partials_of(tone):
            wave = np.exp(-partial.decay_per_s * time_s) * np.sin(2 * np.pi * partial.hz * time_s)
            pcm[start : start + len(wave)] += partial.strength * wave
    for strike in strikes:
        start, shape = sample_at(Fraction(strike.at_s), RATE), click_shape("wood", strike.kind, RATE)
        pcm[start : start + len(shape)] += shape
    return pcm


def rendering(options: Options) -> Iterator[Row]:
    strikes, tones = a_minute()
    taken = in_turns(
        {
            "model": cpu_ms(lambda: RepSound(strikes, tones, RATE)[:]),
            "plain": cpu_ms(lambda: plain_rendering(strikes, tones)),
            "click": cpu_ms(lambda: render_clicks(strikes, RATE, 60 * RATE)),
        },
        2 if options.quick else 7,
    )
    minute = [60_000.0] * len(taken["model"])
    what = "a minute of click and model"
    yield beside(
        f"render {what}", "ms", "real time", taken["model"], minute, Goal(200, at_least=True), faster=True
    )
    yield beside(f"render {what}", "ms", "numpy, plainly", taken["model"], taken["plain"], faster=True)
    yield beside("render a minute of the click alone", "ms", "real time", taken["click"], minute, faster=True)


def feeding(options: Options) -> Iterator[Row]:
    """An hour of joined four-bar reps, each let go when it is over; and one block of what lies ready."""
    bar = [Strike(Fraction(beat, 2)) for beat in range(16)]
    reps, samples, block = 45 if options.quick else 450, 8 * RATE, 960
    tracemalloc.start()
    feed = Feed()
    for _ in range(reps):
        feed.play(Pieces(RepSound(bar, rate=RATE, length_s=samples // RATE)), join=True)
        for number in range(samples // block):
            feed.fill(block)
            if number % 5 == 0:
                feed.prepare()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    whole_mb = reps * samples * 4 / 1e6
    yield beside(
        f"memory of {reps * 8 // 60} min of clicks", "MB", "all their samples", [peak / 1e6], [whole_mb]
    )
    feed.play(Pieces(np.zeros(100 * RATE, dtype=np.float32)), join=False)
    taken = []
    for _ in range(4900):
        feed.prepare()
        start = time.perf_counter()
        feed.fill(block)
        taken.append((time.perf_counter() - start) * 1e6)
    yield Row("fill a block of 20 ms, 99.9th percentile", "us", percentile(taken, 99.9))


def onsets(options: Options) -> Iterator[Row]:
    tempo_bpm, beats = 137, 16
    bar = [Strike(Fraction(60 * beat, tempo_bpm)) for beat in range(beats)]
    length_s = Fraction(60 * beats, tempo_bpm)
    minutes = 0.5 if options.quick else options.minutes
    reps = max(int(60 * minutes / length_s), 1)
    starts = [round(length_s * rep * RATE) for rep in range(reps + 1)]
    pieces = [render_clicks(bar, RATE, after - before) for before, after in itertools.pairwise(starts)]
    plan = np.concatenate(pieces)
    heard, how, foreign = plan, "rendered, not played: no PulseAudio here", 0.0
    if all(shutil.which(name) for name in ("pulseaudio", "pactl", "parec")):
        heard, foreign = _played(pieces)
        how = f"over PulseAudio, a core loaded; other programs took {foreign:.1f} cores"
    from tests.real.test_sound_real import FOREIGN, SIXTEEN_BITS, onsets_in, start_of

    first = start_of(plan, heard)
    same = heard[first : first + len(plan)]
    wrong = int(np.count_nonzero(np.abs(same - plan[: len(same)]) > 2 * SIXTEEN_BITS)) + len(plan) - len(same)
    whole = [Strike(length_s * rep + strike.at_s) for rep in range(reps) for strike in bar]
    planned = [sample_at(strike.at_s, RATE) for strike in whole]
    planned = [at for at in planned if at < len(same) - 4000]
    onsets_heard = onsets_in(same, np.asarray(click_shape("wood", "beat", RATE)), planned)
    worst = max(abs(at - due) for at, due in zip(onsets_heard, planned, strict=True))
    # As the test has it: where others took a good part of the other core, a gap is theirs as much as ours.
    judged = not wrong or foreign < FOREIGN
    against = "where exact fractions put them" + ("" if judged else "; no verdict")
    goals = (Goal(1, "samples"), Goal(0, "samples")) if judged else (None, None)
    yield Row(
        f"{len(onsets_heard):,} clicks, the worst onset ({how})", "samples", worst, against, goal=goals[0]
    )
    yield Row(f"of {len(plan):,} samples heard, other than planned", "samples", wrong, goal=goals[1])


def _played(pieces: list[NDArray[np.float32]]) -> tuple[NDArray[np.float32], float]:
    """What PulseAudio's monitor heard beside a repainting screen and a loaded core, and the cores others took."""
    from tests.real.conftest import PulseServer
    from tests.real.test_sound_real import play_beside_a_busy_screen

    with tempfile.TemporaryDirectory() as folder, mock.patch.dict(os.environ):
        private = Path(folder) / "run"
        private.mkdir(mode=0o700)
        server = PulseServer(private)
        for name in ("XDG_RUNTIME_DIR", "PULSE_SERVER"):
            os.environ[name] = server.environment[name]
        server.start()
        try:
            return asyncio.run(play_beside_a_busy_screen(server, Path(folder) / "heard.raw", pieces))
        finally:
            server.stop()


def midi(options: Options) -> Iterator[Row]:
    if shutil.which("jackd") is None:
        return
    from coach.midi.settings import MidiSettings
    from tests.real.conftest import end, start_jack
    from tests.real.test_midi_real import CLOCK, Ear, play_through

    names = {"JACK_NO_START_SERVER": "1", "JACK_DEFAULT_SERVER": "wellrung-bench"}
    with mock.patch.dict(os.environ, names):
        server = start_jack()
        loads = [
            subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)
        ]
        try:
            against = "the plan (periods of 0.67 ms), every core loaded"
            with closing(Ear()) as ear:
                play_through(ear, MidiSettings(out_port="ear", clock=True, click=False), 60)
            stamps = [at_s for at_s, message in ear.heard if message == (CLOCK,)]
            intervals_ms = list(np.abs(np.diff(stamps) - 1 / 24) * 1000)
            what = f"MIDI clock over JACK, {len(intervals_ms)} intervals, 99th percentile"
            yield Row(what, "ms off", percentile(intervals_ms, 99), against, goal=Goal(1, "ms off"))
            off_ms: list[float] = []
            while len(off_ms) < (24 if options.quick else 100):
                with closing(Ear()) as ear:
                    begun, timeline = play_through(ear, MidiSettings(out_port="ear"), 240)
                struck = [at_s - begun for at_s, message in ear.heard if message[0] == 0x99]
                off_ms += list(
                    np.abs(np.array(struck) - [float(strike.at_s) for strike in timeline.strikes]) * 1000
                )
            what = f"MIDI clicks over JACK, {len(off_ms)} notes, 99th percentile"
            yield Row(what, "ms off", percentile(off_ms, 99), against, goal=Goal(1, "ms off"))
        finally:
            for each in (*loads, server):
                end(each)
