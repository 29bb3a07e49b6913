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
    "practice": "practise: today's session, or drills that you name",
    "plan": "show today's plan, and why",
    "know": "say that you already play a drill or a phrase, and about how fast",
    "forecast": "when you are likely to reach a drill's goal, and which nodes hold you back",
    "check": "check drill files and explain every problem",
    "new": "write a commented drill to start from",
    "import": "turn a MusicXML or MIDI file into a drill",
    "export": "write a drill as MIDI, MusicXML, text tab, a printable page or sound",
    "nodes": "every node on every string: where it is, what it sounds, how exactly you must touch it",
    "find": "where a pitch rings, or the best nodes for a melody over a bass line",
    "tune": "tune by harmonics: which pairs to compare, how they beat, and how that sounds",
    "report": "your report: tempo over days, nodes on the neck, what comes up for a test; or a reply to your teacher",
    "assign": "write a drill file for each student, with goals, a due date and a comment",
    "roster": "your class: whom to help first, and with what",
    "sound": "list sound devices, test them, measure the latency, set the offset by tapping",
    "midi": "list MIDI ports, watch or test them, choose what a pedal does",
    "log": "look at the practice log; correct, export, check or back it up; forget a person",
    "listen": "say how each event of a recorded take went",
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
        super().error(visible(message.replace("invalid int value:", "expected a whole number, found")))


def _module(command: str) -> ModuleType:
    # `import` is a word of the language, so that its module needs another name.
    return importlib.import_module(f"coach.commands.{'import_' if command == 'import' else command}")


def _meant(name: str) -> str:
    if name.endswith((".yaml", ".yml")):
        return f"coach practice {name}?"
    near = difflib.get_close_matches(name, COMMANDS, n=1)
    return f"{near[0]}?" if near else ""
