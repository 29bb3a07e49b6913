"""How fast sound is rendered, what an hour costs, and how exact audio and MIDI are over real servers.

    python benchmarks/bench_sound.py [--minutes 10] [--skip-servers]

PulseAudio's null sink and JACK's dummy driver are started privately, as the tests in `tests/real` do; without these
programs only the first part runs. All figures are of this machine at this moment: close other programs first.
"""

import argparse
import asyncio
import itertools
import os
import resource
import statistics
import sys
import tempfile
import time
import tracemalloc
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
# As the program itself has it, see coach/__init__.py; numpy reads it when it is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from coach.core.strings import nodes_upto
from coach.sound.feed import Feed
from coach.sound.render import render_clicks, render_rep
from coach.sound.timeline import Strike, place
from coach.sound.tones import Tone

RATE = 48_000


def a_minute() -> tuple[list[Strike], list[Tone]]:
    """Two clicks, a bass note and four harmonics a second."""
    strikes = [Strike(Fraction(beat, 2), "beat" if beat % 4 else "accent") for beat in range(120)]
    nodes = nodes_upto(9)
    tones = [Tone(Fraction(index, 4), 1.0, 73.4162, nodes[index % len(nodes)]) for index in range(240)]
    tones += [Tone(Fraction(index), 1.0, 41.2034, fret=index % 8, stiffness_b=3e-4) for index in range(60)]
    return strikes, tones


def rendering() -> None:
    strikes, tones = a_minute()
    for name, work in (
        ("click and model", lambda: render_rep(strikes, tones, RATE)),
        ("click alone", lambda: render_clicks(strikes, RATE, 60 * RATE)),
    ):
        times = []
        for _ in range(7):
            begun = time.process_time()
            work()
            times.append(time.process_time() - begun)
        middle = statistics.median(times)
        print(
            f"render a minute of {name}: {middle * 1000:.0f} ms of one core, {60 / middle:.0f}x real time (goal 200x)"
        )


def memory_of_an_hour() -> None:
    """An hour of joined four-bar reps, each rendered when it is needed and let go when it is over."""
    tracemalloc.start()
    feed = Feed()
    bar = [Strike(Fraction(beat, 2)) for beat in range(16)]
    samples = 8 * RATE
    for _ in range(450):
        feed.play(render_clicks(bar, RATE, samples), join=True)
        for _ in range(samples // 960):
            feed.fill(960)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    whole_mb = 450 * samples * 4 / 1e6
    print(f"memory of an hour's reps: peak {peak / 1e6:.1f} MB (all of its PCM would be {whole_mb:.0f} MB)")
    print(
        f"resident size of this process at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB"
    )


def callback_time() -> None:
    feed = Feed()
    feed.play(np.zeros(100 * RATE, dtype=np.float32), join=False)
    times = []
    for _ in range(5000):
        begun = time.perf_counter()
        feed.fill(960)
        times.append(time.perf_counter() - begun)
    worst = np.percentile(times, 99.9)
    print(
        f"filling a block of 20 ms: median {statistics.median(times) * 1e6:.1f} us, "
        f"99.9th percentile {worst * 1e6:.1f} us, {worst / 0.02:.3%} of its budget"
    )


def audio(minutes: float) -> None:
    from tests.real.conftest import PulseServer
    from tests.real.test_sound_real import SIXTEEN_BITS, onsets_in, play_beside_a_busy_screen, start_of

    tempo_bpm, beats = 137, 16
    bar = [Strike(Fraction(60 * beat, tempo_bpm)) for beat in range(beats)]
    length_s = Fraction(60 * beats, tempo_bpm)
    reps = max(int(60 * minutes / length_s), 1)
    starts = [round(length_s * rep * RATE) for rep in range(reps + 1)]
    pieces = [render_clicks(bar, RATE, after - before) for before, after in itertools.pairwise(starts)]
    with tempfile.TemporaryDirectory() as folder:
        private = Path(folder) / "run"
        private.mkdir(mode=0o700)
        server = PulseServer(private)
        for name in ("XDG_RUNTIME_DIR", "PULSE_SERVER"):
            os.environ[name] = server.environment[name]
        server.start()
        begun = time.process_time(), time.monotonic()
        try:
            heard, foreign = asyncio.run(
                play_beside_a_busy_screen(server, Path(folder) / "heard.raw", pieces)
            )
        finally:
            server.stop()
        cpu = (time.process_time() - begun[0]) / (time.monotonic() - begun[1])
    plan = np.concatenate(pieces)
    first = start_of(plan, heard)
    same = heard[first : first + len(plan)]
    wrong = int(np.count_nonzero(np.abs(same - plan[: len(same)]) > 2 * SIXTEEN_BITS)) + len(plan) - len(same)
    whole = [Strike(length_s * rep + strike.at_s) for rep in range(reps) for strike in bar]
    planned = [click.position_samples for click in place(whole, RATE)]
    from coach.sound.render import click_shape

    found = onsets_in(
        same, np.asarray(click_shape("wood", "beat", RATE)), [at for at in planned if at < len(same) - 4000]
    )
    errors = [abs(at - due) for at, due in zip(found, planned, strict=False)]
    print(
        f"audio over PulseAudio, {minutes:g} min, a core loaded and a screen repainting: {len(errors)} onsets, "
        f"at most {max(errors)} samples off; {wrong} samples of {len(plan)} differ; "
        f"other programs took {foreign:.1f} cores; CPU with the screen {cpu:.1%}"
    )


def idle_engine() -> None:
    """CPU of a player alone, its position asked for as a screen does, nothing drawn."""
    from coach.sound.silent import SilentEngine

    player = SilentEngine()
    player.play(np.zeros(10 * RATE, dtype=np.float32))
    begun = time.process_time()
    for _ in range(300):
        _ = player.position_s
        time.sleep(1 / 30)
    print(
        f"CPU of a silent player asked for its position 30 times a second: {(time.process_time() - begun) / 10:.2%}"
    )


def midi() -> None:
    from coach.midi.settings import MidiSettings
    from tests.real.conftest import end, start_jack
    from tests.real.test_midi_real import CLOCK, LISTENER, play_through, second_client, what_was_heard

    os.environ.update(JACK_NO_START_SERVER="1", JACK_DEFAULT_SERVER=f"wellrungbench{os.getpid()}")
    server = start_jack()
    try:
        for name, settings in (
            ("clock", MidiSettings(out_port="ear", clock=True, click=False)),
            ("click", MidiSettings(out_port="ear")),
        ):
            ear = second_client(LISTENER)
            begun, timeline = play_through(settings, 60)
            heard = what_was_heard(ear)
            end(ear)
            if name == "clock":
                stamps = [at_s for at_s, message in heard if message == (CLOCK,)]
                errors_ms = np.abs(np.diff(stamps) - 1 / 24) * 1000
                what = f"clock intervals at 60 bpm, {len(errors_ms)} of them"
            else:
                struck = [at_s - begun for at_s, message in heard if message[0] == 0x99]
                errors_ms = (
                    np.abs(np.array(struck) - [float(strike.at_s) for strike in timeline.strikes]) * 1000
                )
                what = f"onsets of {len(errors_ms)} click notes against the plan"
            print(
                f"MIDI over JACK (0.67 ms periods): {what}: median {np.median(errors_ms):.2f} ms, "
                f"99th percentile {np.percentile(errors_ms, 99):.2f} ms, worst {errors_ms.max():.2f} ms"
            )
    finally:
        end(server)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--minutes", type=float, default=10.0, help="how long to play over PulseAudio (default: 10)"
    )
    parser.add_argument("--skip-servers", action="store_true", help="only rendering, memory and callback")
    arguments = parser.parse_args()
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    rendering()
    memory_of_an_hour()
    callback_time()
    idle_engine()
    if not arguments.skip_servers:
        midi()
        audio(arguments.minutes)


if __name__ == "__main__":
    main()
