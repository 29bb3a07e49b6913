"""Standard streams that fail (full, closed, with too few letters), which gives one clear line and an exit status; and
terminals that are narrow."""

import contextlib
import os
import pty
import re
import subprocess
import sys
import termios
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coach.ground.folding import folded
from coach.ground.problem import SOURCE_COLUMNS, Problem

COACH = [sys.executable, "-m", "coach"]
ASCII_ONLY = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
FULL = Path("/dev/full")
"""A device on which no write succeeds (Linux, full(4))."""


def run(*words, closing="", environment=None, **streams):
    """(exit status, standard error) of `coach` with some streams replaced, or closed as a shell's `>&-` closes them."""
    # A shell, since a stream that is closed before the program starts is no object that can be handed to it.
    command = ["sh", "-c", f'exec "$@" {closing}', "sh", *COACH, *words]
    done = subprocess.run(
        command,
        stdin=streams.get("stdin", subprocess.DEVNULL),
        stdout=streams.get("stdout", subprocess.PIPE),
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, **(environment or {})},
        timeout=60,
    )
    return done.returncode, done.stderr


@pytest.mark.skipif(not FULL.exists(), reason="needs /dev/full, a device of Linux")
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize(
    "words",
    [["nodes"], ["nodes", "--json"], ["--help"], ["--version"], ["export", "first-pour", "--to", "tab"]],
)
def test_output_to_a_full_device_is_one_line_and_status_1(words, unbuffered):
    with FULL.open("w") as full:
        status, said = run(*words, stdout=full, environment={"PYTHONUNBUFFERED": unbuffered})
    assert (status, said) == (1, "coach: the output: no space left on device\n")


@pytest.mark.parametrize(
    ("words", "closing", "status", "said"),
    [
        (["nodes"], ">&-", 0, ""),
        (["check", "none.yaml"], "2>&-", 1, ""),
        (
            ["practice", "--silent"],
            "<&-",
            1,
            "coach: practice: a session needs a terminal",
        ),
        (["check", "-"], "<&-", 1, ""),
    ],
)
def test_a_closed_stream_stops_nothing_that_needs_it_not(words, closing, status, said):
    ended, error = run(*words, closing=closing)
    assert ended == status
    assert error.startswith(said)
    assert "Traceback" not in error


def test_letters_that_an_ascii_terminal_lacks_are_replaced():
    assert run("nodes", environment=ASCII_ONLY) == (0, "")
    assert run("plan", environment=ASCII_ONLY)[0] == 0


@pytest.mark.parametrize(
    "words", [["know", "first-pour", "fast"], ["serve", "--port", "abc"], ["plan", "--minutes", "ten"]]
)
def test_a_word_in_a_number_s_place_is_answered_in_the_players_words(words):
    status, said = run(*words)
    assert status == 2
    assert f"'{words[-1]}' is not a whole number from" in said


WRONG = """drill: 1
title: First Light
instrument: {strings: [G2, D2, A1, E1], scale_mm: 864, a4_hz: 440, capo: 0, stiffness: 0.0003, fret: 24}
tempo: {start: 44, goal: 72, gool: 3}
meter: 4/4
phrases: [{name: Window, bars: [{bass: "1 E:0 for 4", harmonics: "1 D:<3>"}]}]
"""


def on_a_terminal(columns, *words):
    """What `coach` prints on a terminal of so many columns, a pseudo-terminal of the system."""
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (24, columns))
    # `COLUMNS` would overrule the terminal where the library's help is folded.
    told = {name: value for name, value in os.environ.items() if name != "COLUMNS"}
    with subprocess.Popen([*COACH, *words], stdin=theirs, stdout=theirs, stderr=theirs, env=told):
        os.close(theirs)
        printed = b""
        with contextlib.suppress(OSError):  # Linux: the other end is closed.
            while piece := os.read(ours, 65536):
                printed += piece
    os.close(ours)
    return printed.decode().replace("\r\n", "\n")


WRITTEN_BELOW_PYTHON = """
import ctypes, sys
from coach.cli import main
sys.argv = ["coach", "plann"]
status = main()
ctypes.CDLL(None).write(2, b"cannot find card", 16)
sys.exit(status)
"""


def test_what_libraries_in_c_write_to_the_error_stream_does_not_reach_the_terminal():
    done = subprocess.run([sys.executable, "-c", WRITTEN_BELOW_PYTHON], capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (2, "")
    assert "(plan?)" in done.stderr
    assert "card" not in done.stderr


@pytest.mark.parametrize("columns", [60, 80])
@pytest.mark.parametrize(
    "words",
    ["--help", "check wrong.yaml", "check first-pour", "practice nothing", "find G4", "plan", "listen"],
)
def test_no_word_is_broken_at_the_terminals_edge_and_none_is_lost(columns, words, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("wrong.yaml").write_text(WRONG)
    printed = on_a_terminal(columns, *words.split())
    assert max(map(len, printed.splitlines())) <= columns
    if words == "listen":
        return  # The usage, too, has its own line breaks.
    piped = subprocess.run(
        [*COACH, *words.split()], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ).stdout
    assert printed.split() == piped.split()


def test_a_table_goes_on_below_its_last_column_and_a_number_keeps_its_unit():
    line = " 12:22  piece    First Pour from start to end, together (First Pour), once at 50 bpm"
    first, second = folded(line, 79)
    assert first.endswith(" at")
    assert second == " " * line.index("First") + "50 bpm"
    assert folded(line, 0) == [line]
    assert folded("  a sentence that goes on", 20) == ["  a sentence that", "    goes on"]


@given(st.text(" ab1éß-", max_size=200), st.integers(1, 60))
def test_a_folded_line_keeps_its_words_in_order(line, columns):
    rows = folded(line, columns)
    assert " ".join(rows).split() == line.split()
    assert all(len(row) <= columns or len(re.split(r"(?<!\d) +", row.strip())) == 1 for row in rows)


@pytest.mark.parametrize("column", [1, 30, 60, 103])
def test_the_caret_stands_below_its_place_in_a_long_line_too(column):
    line = "".join(chr(0x4E00 + at) for at in range(103))
    _, shown, caret = Problem("m", "f", 1, column, source_line=line).with_caret().split("\n")
    assert len(shown) <= SOURCE_COLUMNS + 5
    assert shown[caret.index("^")] == line[column - 1]
