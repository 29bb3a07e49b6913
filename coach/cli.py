"""The command line: one table of commands, each in a module of its own that is imported only when called.

A command module has `configure(parser)` and `run(arguments) -> int`. Errors that the user can mend are
`CoachError` (exit status 1) or `UsageError` (exit status 2); they are printed to standard error.
"""

from __future__ import annotations

import argparse
import difflib
import importlib
import io
import os
import sys
from collections.abc import Sequence
from types import ModuleType
from typing import Any, NoReturn

from coach import __version__
from coach.ground.plain import visible
from coach.ground.problem import CoachError, Problem, UsageError

COMMANDS: dict[str, str] = {
    "practice": "practise: today's session, or the drills you name",
    "plan": "what today's session would be, and why",
    "know": "say that you already play a drill or a phrase, and about how fast",
    "forecast": "when a drill's goal tempo is likely, and which nodes will hold it back",
    "check": "check drill files and explain every problem",
    "new": "write a commented drill to start from",
    "import": "turn a MusicXML or MIDI file into a drill",
    "export": "write a drill as MIDI, MusicXML, text tab, a printable page or sound",
    "nodes": "every node on every string: where it lies, what it sounds, how forgiving it is",
    "find": "where a pitch rings, or the best nodes for a melody over a bass line",
    "tune": "tune by harmonics: pairs, beats, what drifts, and how it sounds",
    "report": "your progress: tempo over days, nodes on the neck, what is due for a test; or a reply to your teacher",
    "assign": "a file for each student: drills with goals, a due date and a comment",
    "roster": "a teacher's class: whom to help first and with what, who is silent",
    "sound": "sound devices, a test, how late the sound is, an offset by tapping",
    "midi": "MIDI ports, what comes in, a test, which pedal means what",
    "log": "look at the practice log, correct, export, check or back it up; forget a person",
    "listen": "hear in a recorded take how each event of a phrase went",
    "serve": "the same app in a browser, for a tablet on the music stand",
}
"""Command name to the line that `coach --help` shows; the module is `coach.commands.<name>`."""


def main(argv: Sequence[str] | None = None) -> int:
    """Run `coach`; return the exit status: 0 done, 1 the input has problems, 2 wrong use."""
    words = list(sys.argv[1:] if argv is None else argv)
    _open_streams()
    try:
        try:
            return _dispatch(words)
        finally:
            sys.stdout.flush()
    except CoachError as error:
        for problem in error.problems:
            print(f"coach: {problem.with_caret()}", file=sys.stderr)
        return 2 if isinstance(error, UsageError) else 1
    except BrokenPipeError:
        _drop_output()
        return 0
    except OSError as error:
        # What a command reads and writes says so itself; what is left is the stream that it prints to.
        _drop_output()
        where = str(error.filename or "the output")
        print(f"coach: {Problem((error.strerror or str(error)).lower(), where)}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("coach: stopped", file=sys.stderr)
        return 130


def _open_streams() -> None:
    """A closed stream takes and gives nothing, and a sign that this terminal's letters lack is no reason to stop."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115
        elif mode == "w" and isinstance(stream, io.TextIOWrapper) and stream.errors != "backslashreplace":
            stream.reconfigure(errors="replace")


def _drop_output() -> None:
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _dispatch(words: list[str]) -> int:
    if not words or (words[0].startswith("-") and words[0] not in ("-h", "--help", "--version")):
        words = ["practice", *words]
    if words[0] not in COMMANDS and os.path.isfile(words[0]):
        # A double click on a drill that came by mail hands over its path alone.
        words = ["practice", *words]
    name = words[0]
    if not name.startswith("-") and name not in COMMANDS:
        raise UsageError(Problem(f"{name!r} is not a command; `coach --help` lists them", guess=_meant(name)))
    parser = _Parser(
        prog="coach",
        description="Practise natural harmonics over a bass line. Without a command: today's session.",
    )
    parser.add_argument("--version", action="version", version=f"coach {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    # Only the help shows all of them; making a parser for each takes longer than what most commands do.
    for command in [name] if name in COMMANDS else COMMANDS:
        sub = commands.add_parser(command, help=COMMANDS[command], description=COMMANDS[command])
        if command == name:
            _module(command).configure(sub)
    arguments = parser.parse_args(words)
    status: int = _module(name).run(arguments)
    return status


class _Parser(argparse.ArgumentParser):
    """Hands no word to the terminal as it is, and swallows no error of the stream that help goes to."""

    def print_help(self, file: Any = None) -> None:
        print(self.format_help(), end="", file=file or sys.stdout)

    def error(self, message: str) -> NoReturn:
        super().error(visible(message.replace("invalid int value:", "needs a whole number, not")))


def _module(command: str) -> ModuleType:
    # `import` is a word of the language, so that its module needs another name.
    return importlib.import_module(f"coach.commands.{'import_' if command == 'import' else command}")


def _meant(name: str) -> str:
    if name.endswith((".yaml", ".yml")):
        return f"coach practice {name}?"
    near = difflib.get_close_matches(name, COMMANDS, n=1)
    return f"{near[0]}?" if near else ""
