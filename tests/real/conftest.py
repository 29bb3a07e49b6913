"""Real servers for real checks: a PulseAudio null sink that is recorded, a JACK server without hardware.

Each server runs privately in a temporary folder and is ended by its own process id. Where a program is
missing, the test skips and says what to install.
"""

import contextlib
import fcntl
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from tests.conftest import leave_alone_what_is_here
from tests.waiting import LONGEST_S, wait_for

RATE = 48_000
JACK_NAMES = 4
BYTES = 4
"""A sample's, as float32."""
_PACKAGES = {
    "pulseaudio": "pulseaudio",
    "parec": "pulseaudio-utils",
    "pactl": "pulseaudio-utils",
    "paplay": "pulseaudio-utils",
    "jackd": "jackd2",
}


def need(*programs: str) -> None:
    """Skip the test unless these programs are there."""
    missing = sorted({_PACKAGES.get(name, name) for name in programs if shutil.which(name) is None})
    if missing:
        pytest.skip(f"needs {', '.join(programs)}: apt-get install {' '.join(missing)}")


def need_rtmidi() -> None:
    """Skip the test unless MIDI is there. It is not loaded: JACK's library may crash the process that is a client."""
    if find_spec("rtmidi") is None:
        pytest.skip("needs python-rtmidi: pip install '.[midi]'")


def chromium() -> str:
    """The browser's program, by whichever name it has here."""
    names = ("chromium", "chromium-browser", "google-chrome")
    program = next(filter(None, map(shutil.which, names)), None)
    if program is None:
        need(names[0])
    return str(program)


def end(process: subprocess.Popen) -> str | bytes:
    """End a process that we started, and wait until it is gone; returns what it had still to say."""
    with contextlib.suppress(ProcessLookupError):
        process.send_signal(signal.SIGCONT)
        process.terminate()
    try:
        printed, _ = process.communicate(timeout=5)
    except subprocess.TimeoutExpired:
        process.kill()
        printed, _ = process.communicate(timeout=LONGEST_S)
    return printed or ""


def state_of(program: int) -> str:
    """A process's state as Linux writes it: T is stopped, Z dead, empty gone."""
    try:
        return Path(f"/proc/{program}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except OSError:
        return ""


def children_of(program: int) -> list[int]:
    """Process ids of what a process has started."""
    listed = subprocess.run(["pgrep", "-P", str(program)], capture_output=True, text=True)
    return [int(word) for word in listed.stdout.split()]


class PulseServer:
    """A PulseAudio server with one null sink called `desk`, whose monitor hears what is really played."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.environment = {
            **os.environ,
            "XDG_RUNTIME_DIR": str(folder),
            "HOME": str(folder),
            "PULSE_SERVER": f"unix:{folder}/pulse/native",
        }
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        own = {key: value for key, value in self.environment.items() if key != "PULSE_SERVER"}
        command = [
            "pulseaudio",
            "-n",
            "--daemonize=no",
            "--exit-idle-time=-1",
            "-L",
            "module-native-protocol-unix",
        ]
        command += ["-L", f"module-null-sink sink_name=desk rate={RATE}"]
        self.process = subprocess.Popen(
            command, env=own, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for(lambda: self.control("info").returncode == 0, "PulseAudio")
        wait_for(lambda: "desk" in self.control("list", "short", "sinks").stdout, "the null sink")

    def stop(self) -> None:
        if self.process is not None:
            end(self.process)
            self.process = None

    def control(self, *words: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            ["pactl", *words], env=self.environment, capture_output=True, text=True, timeout=LONGEST_S
        )

    @contextlib.contextmanager
    def recording(self, into: Path, latency_ms: int = 50) -> Iterator[None]:
        """Record the sink's monitor into a file of raw mono float32."""
        command = ["parec", "-d", "desk.monitor", f"--rate={RATE}", "--channels=1", "--format=float32le"]
        with into.open("wb") as file:
            process = subprocess.Popen(
                [*command, f"--latency-msec={latency_ms}"], env=self.environment, stdout=file
            )
            try:
                wait_for(lambda: into.stat().st_size > 0, "the recording to begin")
                yield
                # What was heard last is still on its way to the file.
                seen = into.stat().st_size
                wait_for(lambda: into.stat().st_size > seen + BYTES * RATE, "the rest of the recording")
            finally:
                end(process)


def recorded(path: Path) -> np.ndarray:
    """The samples of a recording."""
    return np.fromfile(path, dtype="<f4", count=path.stat().st_size // BYTES)


@pytest.fixture
def pulse(tmp_path, monkeypatch) -> Iterator[PulseServer]:
    """A running PulseAudio server that programs of this process find, too."""
    need("pulseaudio", "parec", "pactl")
    folder = tmp_path / "run"
    folder.mkdir(mode=0o700)
    server = PulseServer(folder)
    for name in ("XDG_RUNTIME_DIR", "PULSE_SERVER"):
        monkeypatch.setenv(name, server.environment[name])
    leave_alone_what_is_here()
    try:
        server.start()
        yield server
    finally:
        server.stop()


@pytest.fixture
def jack(monkeypatch) -> Iterator[subprocess.Popen]:
    """A running JACK server with the dummy driver, 48000 Hz, 32 frames a period (0.67 ms)."""
    need("jackd")
    need_rtmidi()
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    monkeypatch.setenv("JACK_NO_AUDIO_RESERVATION", "1")
    leave_alone_what_is_here()
    with own_name() as name:
        monkeypatch.setenv("JACK_DEFAULT_SERVER", name)
        process = start_jack()
        yield process
        # Told to end, it would first wait two seconds for a cycle; the next one of its name tidies up.
        process.kill()
        process.wait()


@contextlib.contextmanager
def own_name() -> Iterator[str]:
    """A name for a JACK server that no other test of this machine has meanwhile, of another run neither.

    JACK's list has room for eight names and keeps those of servers that were killed, so there are few.
    """
    with contextlib.ExitStack() as opened:
        folder = Path(tempfile.gettempdir())
        names = [f"wellrung-{os.getuid()}-{number}" for number in range(JACK_NAMES)]
        locks = {name: opened.enter_context((folder / f"{name}.lock").open("a")) for name in names}
        taken: list[str] = []

        def take() -> bool:
            for name, lock in locks.items():
                with contextlib.suppress(BlockingIOError):
                    fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
                    taken.append(name)
                    return True
            return False

        wait_for(take, "a name for a JACK server", 600)
        yield taken[0]


def start_jack() -> subprocess.Popen:
    """Start the server, in real time where this user may, and wait until a client can connect.

    In its synchronous mode a cycle waits for every client: ten times `-t` long, which is two periods unless it is given
    (jack2's JackAudioDriver::ProcessGraphSyncMaster). So after 13 ms it went on without a client that a busy machine
    held up, and what was on its way to that one was lost. With 200 ms it waits for two seconds.
    """
    name, pace = os.environ["JACK_DEFAULT_SERVER"], "-R" if os.geteuid() == 0 else "-r"
    command = ["jackd", "-n", name, "-S", "-t", "200", pace, "-d", "dummy", "-r", str(RATE), "-p", "32"]
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        if shutil.which("jack_wait"):
            look = ["jack_wait", "-c"]
            wait_for(
                lambda: (
                    process.poll() is not None
                    or subprocess.run(look, capture_output=True).stdout == b"running\n"
                ),
                "JACK",
            )
            assert process.poll() is None, f"JACK did not start: {' '.join(command)}"
        else:
            time.sleep(2)
    except BaseException:
        process.kill()
        process.wait()
        raise
    return process
