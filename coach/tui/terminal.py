"""The terminal's file, which may go away under the app."""

from __future__ import annotations

import contextlib
from typing import IO, Any


class LastingFile:
    """A file of text whose errors of writing are swallowed: what is written to a closed window goes nowhere.

    The library's thread that writes to the terminal dies of an error; the app would then wait for it for ever, at the
    latest when it takes the screen down.
    """

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def write(self, text: str) -> int:
        with contextlib.suppress(OSError):
            self._file.write(text)
        return len(text)

    def flush(self) -> None:
        with contextlib.suppress(OSError):
            self._file.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)
