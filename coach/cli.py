"""The command line: one table of commands, each in a module of its own that is imported only when called.

What a command is, and how its words are read, is in `coach.dispatch`.
"""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence

from coach import __version__

ABOUT = "Practise natural harmonics over a bass line. Without a command: today's session."

COMMANDS: dict[str, str] = {
    "practice": "practise today's plan, or drills that you name",
    "plan": "show today's plan, and why",
    "know": "say that you already play something, and how fast",
    "forecast": "when you are likely to reach the goal, and what holds you back",
    "check": "explain every problem in a drill file",
    "new": "write a drill with comments to start from",
    "import": "turn a MusicXML or MIDI file into a drill",
    "export": "write a drill as MIDI, MusicXML, tab, a printable page or sound",
    "nodes": "show every node: where it is, what it sounds, how to touch it",
    "find": "find where a pitch rings, or the best nodes for a melody over a bass",
    "tune": "tune by harmonics, by beats or with a microphone",
    "report": "show your progress, or write a reply to your teacher",
    "assign": "write a drill file for each student, with goal, date and note",
    "roster": "show your class: whom to help first, and with what",
    "sound": "list and test sound devices, measure the latency",
    "midi": "list and test MIDI ports, choose what a pedal does",
    "log": "look at the practice log, correct it, back it up",
    "listen": "say how each event of a recorded take went",
    "serve": "show the app in a browser, for a tablet on the music stand",
}
"""Command name to the line that `coach --help` shows; the module is `coach.commands.<name>`."""
HELP = (
    "usage: coach [-h] [--version] COMMAND ...",
    "",
    ABOUT,
    "",
    "commands, each with a --help of its own:",
    *(f"  {name:<10}{about}" for name, about in COMMANDS.items()),
    "",
    "options:",
    "  -h, --help  show this help and exit",
    "  --version   show the version and exit",
)


def main(argv: Sequence[str] | None = None) -> int:
    """Run `coach`; return the exit status: 0 done, 1 the input has problems, 2 wrong use."""
    words = list(sys.argv[1:] if argv is None else argv)
    _open_streams()
    if argv is None:
        _keep_errors_apart()
    try:
        try:
            return _status(words)
        finally:
            sys.stdout.flush()
    except BrokenPipeError:
        _drop_output()
        return 0
    except OSError as error:
        # What a command reads and writes says so itself; what is left is the stream that it prints to.
        _drop_output()
        reason = (error.strerror or str(error)).lower()
        print(
            f"coach: {ascii(error.filename) if error.filename else 'the output'}: {reason}", file=sys.stderr
        )
        return 1
    except KeyboardInterrupt:
        print("coach: stopped", file=sys.stderr)
        return 130


def _status(words: list[str]) -> int:
    if words[:1] in (["-h"], ["--help"]):
        # The help is there sooner without the parser and all that it imports.
        from coach.ground.folding import columns_of, folded

        columns = columns_of(sys.stdout)
        print(*(row for line in HELP for row in folded(line, columns)), sep="\n")
        return 0
    if words[:1] == ["--version"]:
        print(f"coach {__version__}")
        return 0
    from coach.dispatch import run

    return run(words, COMMANDS)


def _open_streams() -> None:
    """A closed stream takes and gives nothing, and a sign that this terminal's letters lack is no reason to stop."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, mode))  # noqa: SIM115
        elif mode == "w" and isinstance(stream, io.TextIOWrapper) and stream.errors != "backslashreplace":
            stream.reconfigure(errors="replace")


def _keep_errors_apart() -> None:
    """Give Python's error stream a descriptor of its own: what libasound, libjack and what they use write to 2 is lost.

    It would spoil the screen.
    """
    try:
        own = os.dup(2)
    except OSError:
        return  # It is closed.
    encoding, errors = sys.stderr.encoding, sys.stderr.errors
    stream = open(own, "w", buffering=1, encoding=encoding, errors=errors)  # noqa: SIM115
    for name in ("stderr", "__stderr__"):
        setattr(sys, name, stream)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)


def _drop_output() -> None:
    try:
        descriptor = sys.stdout.fileno()
    except io.UnsupportedOperation:
        return  # A stream in memory has nothing to be dropped.
    os.dup2(os.open(os.devnull, os.O_WRONLY), descriptor)
