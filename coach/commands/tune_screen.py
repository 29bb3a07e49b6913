"""`coach tune --listen`: the tuning screen by itself, listening."""

from __future__ import annotations

import argparse
import sys
import time

from coach.commands.common import places_of, say
from coach.ground.problem import UsageError
from coach.session.desk import Desk
from coach.strings.instrument import Instrument
from coach.tui.app import CoachApp
from coach.tui.tuning_screen import TuningScreen


def listen_on_screen(instrument: Instrument, reference: int, arguments: argparse.Namespace) -> int:
    """Show the tuning screen until the player leaves; UsageError where there is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise UsageError("needs a terminal", "--listen", guess="--from FILE.wav listens to a recording")
    with Desk.open(
        places_of(arguments), clock=lambda: (time.time_ns() // 1_000_000, 0), read_only=True
    ) as desk:
        app = CoachApp(desk, TuningScreen(instrument, reference, listening=True))
        app.run()
        for line in app.last_words:
            say(line)
    return 0
