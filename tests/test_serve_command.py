"""`coach serve` without its extra package says the one command that brings it, for a clone and an installed program."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path

import pytest

from coach.cli import main
from coach.commands.options import Options
from coach.commands.serve import configure, practice_command


def test_a_missing_package_is_named_with_the_command_that_installs_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "coach.web.server", None)
    assert main(["serve", "--folder", str(tmp_path)]) == 1
    printed = capsys.readouterr().err
    assert "the browser view needs the package textual-serve" in printed
    # The same Python as runs the program: a bare `pip` may belong to another one.
    assert f"run: {shlex.quote(sys.executable)} -m pip install textual-serve" in printed


def test_a_port_out_of_range_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["serve", "--folder", str(tmp_path), "--port", "80"]) == 2
    assert "--port: 80 is outside 1024 to 65535" in capsys.readouterr().err


def test_what_was_asked_for_reaches_the_session_in_the_browser() -> None:
    parser = Options()
    configure(parser)
    words = shlex.split(practice_command(parser.parse_args(["kite", "--anyway", "--minutes", "9"])))
    assert words[4:] == ["practice", "--minutes", "9", "--anyway", "--", "kite"]
    assert words[1] == "-P", "no module of the folder where it is started is taken for one of the program"
