"""Standard streams that fail: full, closed, or with too few letters. Each gives one clear line and an exit status."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

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
