"""The microphone for real: a null sink plays strings, its monitor is the input, the screen is read in tmux."""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from coach.sound.capture import Capture, CaptureState
from coach.sound.engine import Engine
from coach.sound.player import now_s
from coach.sound.render import render_clicks
from coach.sound.timeline import Strike
from coach.sound.wav import write_wav
from tests.real.conftest import RATE, PulseServer, end, need
from tests.real.test_terminal_real import Terminal, coach
from tests.waiting import SERVER_S, wait_for

pytestmark = pytest.mark.real


def ringing(*partials: tuple[float, float], seconds: float = 8.0) -> np.ndarray:
    """Partials of (Hz, level), fading as strings do, over a little noise."""
    times = np.arange(round(seconds * RATE)) / RATE
    noise = np.random.default_rng(8).normal(0, 1e-4, len(times))
    return sum(
        (level * np.exp(-0.3 * times) * np.sin(2 * np.pi * hz * times) for hz, level in partials), noise
    )


def fourth(low_hz: float, high_hz: float) -> np.ndarray:
    """A string at 5 and the next higher one at 7, with traces of their own partials."""
    own = [(m * low_hz, 0.003) for m in (1, 2, 3, 5, 6)] + [(m * high_hz, 0.003) for m in (1, 2, 4, 5)]
    return ringing((4 * low_hz, 0.1), (3 * high_hz, 0.08), *own)


@contextlib.contextmanager
def played(pulse: PulseServer, folder: Path, sound: np.ndarray) -> Iterator[None]:
    """Play a sound into the sink, over and over."""
    write_wav(str(folder / "strings.wav"), [sound.astype(np.float32)], RATE)
    again = f"while paplay -d desk '{folder}/strings.wav'; do :; done"
    process = subprocess.Popen(["sh", "-c", again], env=pulse.environment, start_new_session=True)
    try:
        yield
    finally:
        subprocess.run(["kill", "--", f"-{process.pid}"], check=False)
        end(process)


@pytest.fixture
def listening(pulse, tmp_path):
    """A terminal with `coach tune --listen` in it, beside the server."""
    need("tmux", "paplay")
    words = f"{coach()} tune --listen --folder {tmp_path / 'practice'}"
    window = Terminal(tmp_path, (100, 30), words)
    yield window
    window.close()


def test_a_pair_that_rings_is_told_with_its_beat_and_the_way_to_turn(pulse, listening, tmp_path):
    """A1 at 55 Hz and D2 at 74 Hz: 222 less 220 Hz are 2 beats a second, and D is sharp."""
    listening.wait("listening: Monitor of Null Output")
    listening.press("Down")
    with played(pulse, tmp_path, fourth(55.0, 74.0)):
        shown = listening.wait(lambda text: "Turn D down" in text)
        begun = time.monotonic()
        listening.press("Down")
        listening.press("Up")
        listening.wait(lambda text: "Turn D down" in text)
        assert time.monotonic() - begun < 5
    assert "2.00 beats a second. It should beat 0.25 a second. Turn D down by 13.7 cents." in " ".join(
        shown.split()
    )
    listening.press("q")
    listening.wait("STATUS=0")


def test_an_open_string_is_told_its_cents(pulse, listening, tmp_path):
    listening.wait("listening: Monitor of Null Output")
    # Three pairs, then E and A.
    listening.press("Down", "Down", "Down", "Down")
    with played(pulse, tmp_path, ringing(*((m * 55.5, 0.1 / m) for m in range(1, 12)))):
        # 1200 log2(55.5 / 55) = 15.7 cents.
        listening.wait(
            lambda text: re.search(r"A sounds at 55\.50 Hz.*Turn A down by 15\.[678] cents", text) is not None
        )


def test_an_input_that_goes_away_is_one_line_and_comes_back(pulse, listening):
    listening.wait("listening: Monitor of Null Output")
    assert pulse.control("unload-module", "module-null-sink").returncode == 0
    listening.wait(lambda text: "microphone lost" in text or "not listening" in text)
    assert pulse.control("load-module", "module-null-sink", "sink_name=desk", f"rate={RATE}").returncode == 0
    listening.wait("listening: Monitor of Null Output")
    listening.press("q")
    listening.wait("STATUS=0")


def test_without_any_input_there_is_one_line_and_the_screen_works(tmp_path):
    need("tmux")
    nowhere = f"XDG_RUNTIME_DIR={tmp_path} PULSE_SERVER=unix:{tmp_path}/none"
    window = Terminal(
        tmp_path, (100, 30), f"{nowhere} {coach()} tune --listen --folder {tmp_path / 'practice'}"
    )
    try:
        window.wait("not listening: no microphone or other input found")
        window.press("m")
        window.wait("0.25 beats a second when in tune")
        window.press("q")
        window.wait("STATUS=0")
    finally:
        window.close()


def test_clicks_that_the_engine_plays_align_what_the_microphone_hears(pulse):
    """Each count-in finds the same delay within a millisecond, and the clicks stand where they are then expected."""
    clicks = render_clicks([Strike(0.5 * beat) for beat in range(4)], RATE, 5 * RATE // 2)
    with Engine() as engine, Capture(rate_hz=RATE) as capture:
        wait_for(lambda: engine.sounding and capture.listening, "sound in and out")
        seen = engine.calls
        wait_for(lambda: engine.calls > seen + 40, "blocks to flow")
        delays_s = []
        for _ in range(3):
            engine.play(clicks)
            wait_for(lambda: engine.finished, "the clicks")
            start_s = now_s() - engine.position_s
            wait_for(lambda since_s=start_s: capture.heard_until_s > since_s + 2.5, "the clicks heard")
            assert capture.align(clicks[: 2 * RATE], start_s, 0.24)
            delays_s.append(capture.delay_s)
            heard = capture.samples(start_s + 0.5, start_s + 0.52)
            assert heard is not None
            assert int(np.argmax(np.abs(heard) > 0.02)) < 0.002 * RATE
        assert max(delays_s) - min(delays_s) < 0.001


def test_an_input_that_stalls_is_lost_and_ends_without_hanging(pulse):
    capture = Capture()
    capture.start()
    wait_for(lambda: capture.listening, "the input")
    assert pulse.process is not None
    os.kill(pulse.process.pid, signal.SIGSTOP)
    try:
        wait_for(lambda: capture.status.state is CaptureState.LOST, "the stall to be noticed")
        begun = time.monotonic()
        capture.stop()
        assert time.monotonic() - begun < SERVER_S
    finally:
        os.kill(pulse.process.pid, signal.SIGCONT)


def test_the_level_command_names_silence_and_a_signal(pulse, tmp_path):
    command = [coach(), "sound", "input", "--seconds", "1.5", "--folder", str(tmp_path)]
    done = subprocess.run(
        command, env=pulse.environment, capture_output=True, text=True, check=True, timeout=60
    )
    assert "Silence: is the microphone muted, or unplugged?" in done.stdout
    assert shutil.which("paplay")
    with played(pulse, tmp_path, fourth(55.0, 74.0)):
        done = subprocess.run(
            command, env=pulse.environment, capture_output=True, text=True, check=True, timeout=60
        )
    assert "Good: nothing clips, nothing hums." in done.stdout


@pytest.mark.parametrize(("rate", "channels"), [(44_100, 1), (48_000, 2), (96_000, 2)])
def test_any_rate_and_number_of_channels_gives_the_pitch_that_was_played(pulse, tmp_path, rate, channels):
    """440 Hz played is 440 Hz heard, whatever the input's own rate."""
    module = ["load-module", "module-null-sink", "sink_name=room", f"rate={rate}", f"channels={channels}"]
    assert pulse.control(*module, "sink_properties=device.description=Room").returncode == 0
    write_wav(str(tmp_path / "a.wav"), [ringing((440.0, 0.2)).astype(np.float32)], RATE)
    with Capture("monitor of room") as capture:
        wait_for(lambda: capture.listening, "the input")
        assert "Room" in str(capture.status)
        process = subprocess.Popen(["paplay", "-d", "room", str(tmp_path / "a.wav")], env=pulse.environment)

        def rings() -> bool:
            heard = capture.last(2.0)
            return heard is not None and np.abs(heard[: len(heard) // 40]).max() > 0.02

        try:
            wait_for(rings, "two seconds of the sound")
            heard = capture.last(2.0)
        finally:
            end(process)
    assert heard is not None
    spectrum = np.abs(np.fft.rfft(heard * np.hanning(len(heard))))
    assert np.argmax(spectrum) / 2.0 == pytest.approx(440.0, abs=0.5)
