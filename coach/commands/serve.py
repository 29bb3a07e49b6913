"""`coach serve`: the same app in a browser, for a tablet on the music stand."""

from __future__ import annotations

import shlex
import subprocess
import sys

from coach.commands.common import clock, places_of, say
from coach.commands.options import Arguments, Options, Within
from coach.folder.library import named_drills
from coach.ground.problem import CoachError, UsageError, reason_of

PORT_RANGE = (1024, 65535)


def configure(options: Options) -> None:
    options.session()
    options.text(
        "--host ADDRESS",
        "address to open (default: this computer only; 0.0.0.0: all devices on your network, with a code)",
        default="127.0.0.1",
    )
    options.whole("--port N", Within(*PORT_RANGE), "1024 to 65535 (default: 8137)", default=8137)


def run(arguments: Arguments) -> int:
    if not arguments.host.strip():
        raise UsageError("is empty", "--host", guess="127.0.0.1 for this computer, 0.0.0.0 for your network")
    # The session would say it only in the browser.
    clock(arguments.date)
    places = places_of(arguments)
    if arguments.drills:
        named_drills(arguments.drills, places)
    try:
        from coach.web.server import CoachServer
    except ImportError as error:
        raise CoachError(
            f"the browser view needs the package textual-serve ({error.name} is missing)",
            "serve",
            # Of the Python that runs this program, so that a clone's and a wheel's environment are both served.
            guess=f"run: {_joined([sys.executable, '-m', 'pip'])} install textual-serve",
        ) from None
    server = CoachServer(practice_command(arguments), arguments.host, arguments.port, arguments.silent, _tell)
    try:
        server.serve()
    except OSError as error:
        raise CoachError(
            f"can't listen on port {arguments.port}: {reason_of(error)}",
            "serve",
            guess="try another --port, or another --host address of this computer",
        ) from None
    return 0


def practice_command(arguments: Arguments) -> str:
    """The command line of one session, for the shell that textual-serve starts it with."""
    words = [sys.executable, "-P", "-c", "from coach.cli import main; raise SystemExit(main())", "practice"]
    for option in ("folder", "player", "date", "minutes"):
        value = getattr(arguments, option)
        if value:
            words += [f"--{option}", str(value)]
    words += [f"--{option}" for option in ("silent", "anyway") if getattr(arguments, option)]
    if arguments.drills:
        words += ["--", *arguments.drills]
    return _joined(words)


def _joined(words: list[str]) -> str:
    return subprocess.list2cmdline(words) if sys.platform == "win32" else shlex.join(words)


def _tell(line: str) -> None:
    say(f"coach: {line}", to=sys.stdout)
