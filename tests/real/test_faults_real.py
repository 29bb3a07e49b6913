"""The installed command in a real terminal while things go wrong around it: disks, folders, windows, devices."""

from __future__ import annotations

import contextlib
import json
import os
import pty
import re
import resource
import shlex
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.kills_app import DRILL
from tests.real.conftest import end, need, state_of
from tests.real.test_midi_real import PRESSER, Ear, press, second_client
from tests.real.test_terminal_real import Terminal, coach, reps_in
from tests.waiting import SERVER_S, wait_for

pytestmark = pytest.mark.real

START = Callable[..., Terminal]


@pytest.fixture
def session(tmp_path_factory) -> Iterator[START]:
    """Starts `coach practice` on the quick drill of a folder, in a window of its own."""
    need("tmux")
    opened: list[Terminal] = []
    sockets = tmp_path_factory.mktemp("tmux")

    def start(
        folder: Path, *words: str, silent: bool = True, size: tuple[int, int] = (90, 26), **environment: str
    ):
        prepare(folder)
        # A module that is first imported on a full disk would leave half a compiled file for every later program.
        environment["PYTHONDONTWRITEBYTECODE"] = "1"
        assignments = [f"{name}={shlex.quote(value)}" for name, value in environment.items()]
        given = [
            "practice",
            "quick",
            "--folder",
            shlex.quote(str(folder)),
            *(["--silent"] if silent else []),
            *words,
        ]
        opened.append(Terminal(sockets, size, " ".join(["env", *assignments, coach(), *given])))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


def prepare(folder: Path, settings: str = "screen: {tour_seen: true}\npractice: {pause_s: 30}\n") -> None:
    """A practice folder with the quick drill, unless there is one."""
    (folder / "drills").mkdir(parents=True, exist_ok=True)
    if not (folder / "drills" / "quick.yaml").exists():
        (folder / "drills" / "quick.yaml").write_text(DRILL)
    if not (folder / "settings.yaml").exists():
        (folder / "settings.yaml").write_text(settings)


def play_one(window: Terminal, *marks: str) -> None:
    """One repetition, rated; what is shown after is for the caller to wait for."""
    window.wait("space go ")
    window.press("Space")
    window.wait("1-2 choked")
    window.press(*marks, "Space")


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([coach(), *words], capture_output=True, text=True, timeout=60)


class Disk:
    """A disk that gets full for the log: a limit on the program, at the log's size of the moment, for every file."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def fill(self, program: int) -> None:
        size = max(path.stat().st_size for path in (self.folder / "progress" / "log").glob("*.jsonl"))
        resource.prlimit(program, resource.RLIMIT_FSIZE, (size, resource.RLIM_INFINITY))

    def make_room(self, program: int) -> None:
        resource.prlimit(program, resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


@pytest.fixture
def disk(tmp_path) -> Disk:
    (tmp_path / "disk").mkdir()
    return Disk(tmp_path / "disk")


def test_on_a_full_disk_the_session_goes_on_and_saves_when_there_is_room_again_or_elsewhere(
    session, disk, tmp_path
):
    (tmp_path / "home").mkdir()
    window = session(disk.folder, HOME=str(tmp_path / "home"))
    window.to_first_rep()
    program = window.program()
    play_one(window)
    window.wait("saved, clean")
    disk.fill(program)
    play_one(window, "2")
    window.wait("NOT SAVED")
    play_one(window)
    window.wait(lambda text: re.search("NOT SAVED: [2-9] results wait", text) is not None)
    disk.make_room(program)
    play_one(window, "1")
    window.wait("saved, choked 1")
    assert [json.loads(line)["faults"] for line in reps_in(disk.folder)] == ["", "2c", "", "1c"]
    disk.fill(program)
    play_one(window, "2")
    window.wait("NOT SAVED")
    window.end_session()
    assert "NOT SAVED" in window.text()
    window.press("Escape")
    window.wait("minutes planned")
    window.press("q")
    window.wait("STATUS=0")
    (kept,) = (tmp_path / "home").glob("unsaved-*.jsonl")
    assert "when there is room: cp" in window.text()
    assert len(reps_in(disk.folder)) == 4
    shutil.copy(kept, disk.folder / "progress" / "log")
    assert len(reps_in(disk.folder)) == 5
    assert run("log", "check", "--folder", str(disk.folder)).returncode == 0


def test_a_folder_of_another_script_with_spaces_carries_a_session_a_report_and_the_log(session, tmp_path):
    folder = tmp_path / "Übung für 低音 и 'басс'"
    window = session(folder)
    window.to_first_rep()
    second = session(folder)
    second.to_first_rep()
    assert run("report", "--folder", str(folder)).returncode == 0
    for each in (window, second):
        play_one(each)
        each.wait("saved, clean")
    for each in (window, second):
        each.press("C-q")
        each.wait("STATUS=0")
    score, page, back = folder / "Stück.musicxml", folder / "Blatt 1.html", folder / "drills" / "zurück.yaml"
    for words in (
        ["export", str(folder / "drills" / "quick.yaml"), "--to", "musicxml", "-o", str(score)],
        ["import", str(score), "-o", str(back)],
        ["report", "-o", str(page)],
        ["log", "export", "-o", str(folder / "журнал.csv")],
        ["log", "backup"],
        ["log", "check"],
        ["check", str(back)],
    ):
        done = run(*words, *(["--folder", str(folder)] if words[0] in ("log", "report") else []))
        assert (done.returncode, done.stderr) == (0, ""), words
    assert score.stat().st_size
    assert page.stat().st_size
    assert len(reps_in(folder)) == 2


def test_a_window_made_tiny_stopped_woken_and_closed_keeps_what_was_marked(session, tmp_path):
    window = session(tmp_path)
    window.to_first_rep()
    window.press("Space")
    program = window.program()
    for columns, rows in ((2, 2), (1, 1), (300, 80), (20, 5), (90, 26)):
        window.resize(columns, rows)
        time.sleep(0.2)
    window.wait("1-2 choked")
    os.kill(program, signal.SIGTSTP)
    wait_for(lambda: state_of(program) == "T", "the program to stop")
    os.kill(program, signal.SIGCONT)
    window.press("2")
    window.wait("choked 2")
    window.close()
    wait_for(lambda: state_of(program) in ("", "Z"), "the program to end")
    assert [json.loads(line)["faults"] for line in reps_in(tmp_path)] == ["2c"]


def test_a_window_that_is_gone_ends_the_program_even_while_it_draws_and_is_woken(tmp_path):
    prepare(tmp_path)
    program, window = pty.fork()
    if program == 0:  # pragma: no cover
        os.environ.update(TERM="xterm-256color", COLUMNS="90", LINES="26")
        os.execv(coach(), [coach(), "practice", "quick", "--silent", "--folder", str(tmp_path)])
    screen = Drained(window)
    wait_for(lambda: "space" in screen.text, "the first screen")
    for _ in range(3):
        os.write(window, b" ")
        time.sleep(0.5)
    screen.close()
    os.kill(program, signal.SIGCONT)  # what a shell sends with the hang-up
    try:
        wait_for(lambda: state_of(program) in ("", "Z"), "the program to end")
    finally:
        os.kill(program, signal.SIGKILL)
        os.waitpid(program, 0)


class Drained:
    """What a program writes to its window, read as it comes, until the window closes."""

    def __init__(self, window: int) -> None:
        self.window, self.text = window, ""
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        with contextlib.suppress(OSError):
            while data := os.read(self.window, 65_536):
                self.text += data.decode("utf-8", "replace")

    def close(self) -> None:
        os.close(self.window)


def test_sound_and_midi_whose_servers_die_are_told_and_stop_nothing(session, tmp_path, pulse, jack):
    def heard() -> bool:
        return bool(pulse.control("list", "short", "sink-inputs").stdout.strip())

    folder = tmp_path / "practice"
    prepare(
        folder,
        "screen: {tour_seen: true}\npractice: {pause_s: 30}\n"
        "midi: {out_port: ear, in_port: pedal, clock: true, bindings: {clean: cc 64}}\n",
    )
    ear, pedal = Ear(), second_client(PRESSER)
    try:
        window = session(folder, silent=False, size=(220, 30))
        window.to_first_rep()
        window.wait(lambda text: "MIDI out: " in text and "MIDI in: " in text and "looking" not in text)
        window.press("Space")
        window.wait("1-2 choked")
        assert heard()
        time.sleep(0.5)
        press(pedal, (0xB0, 64, 127), (0xB0, 64, 0))
        window.wait("saved, clean")
        for process in (jack, pulse.process):
            process.kill()
        pulse.stop()
        window.wait(lambda text: "sound lost" in text or "silent mode" in text)
        window.wait(lambda text: text.count("gone") + text.count("no MIDI") == 2)
        play_one(window, "2")
        window.wait("saved, choked 2")
        pulse.start()
        wait_for(heard, "the sound to come back")
        pulse.process.send_signal(signal.SIGSTOP)
        program = window.program()
        window.press("C-q")
        wait_for(
            lambda: state_of(program) in ("", "Z"), "the program to end beside a server that hangs", SERVER_S
        )
        assert [json.loads(line)["faults"] for line in reps_in(folder)] == ["", "2c"]
    finally:
        ear.close()
        end(pedal)
