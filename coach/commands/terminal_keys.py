"""Keys of the terminal one by one as they are pressed, outside the app."""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator

ENDS = ("\x1b", "\x04", "")
"""Escape, ctrl+d and the end of the input, which stand for `q`."""


@contextlib.contextmanager
def terminal_keys() -> Iterator[Iterator[str]]:
    """What each key of the terminal sends, until the caller is done; standard input has to be one."""
    if os.name == "nt":
        import msvcrt

        yield iter(lambda: _named(msvcrt.getwch()), None)  # type: ignore[attr-defined,unused-ignore]
        return
    import termios
    import tty

    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    try:
        tty.setcbreak(descriptor)
        # What a key sends comes at once, so that one read holds it all.
        yield iter(lambda: _named(os.read(descriptor, 8).decode(errors="replace")), None)
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


def _named(sent: str) -> str:
    return "q" if sent in ENDS else sent.lower()
